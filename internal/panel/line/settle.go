package line

import (
	"math"
	"time"
)

const (
	settleOver  = 10 * time.Minute // the slope is taken over so long
	settleSlope = 1.0              // ug/L in settleOver: below it the oxygen has settled
	// settleMax ends the waiting: parts of polymer give off oxygen for a day (practice: 1 to 24 h at a few ug/L), and nobody may be blind
	// for so long. It is told then.
	settleMax = 4 * time.Hour

	bucket  = time.Minute
	buckets = int(settleOver / bucket)
)

// Settle is what must be remembered of the oxygen after the line was opened to air: a sensor that stood in air, and the plastics around
// it, go on giving off oxygen when the water is long fresh. The zero Settle owes nothing.
//
// Only Owed and Waited outlive the process, and they change once a minute: the slope is taken anew.
type Settle struct {
	Owed   bool          `json:"owed,omitempty"`
	Waited time.Duration `json:"waited,omitempty"` // since the flush was whole, in whole minutes

	Part time.Duration    `json:"-"` // of the minute not yet in Waited
	Mean [buckets]float64 `json:"-"` // of the last ten minutes of fresh water, oldest first
	Full int              `json:"-"` // how many of them there are
	Sum  float64          `json:"-"` // of the minute under way
	N    int              `json:"-"`
	Time time.Duration    `json:"-"` // seen of it
}

// SettleInput is one step of one oxygen point.
type SettleInput struct {
	Elapsed time.Duration // seen time since the step before
	Opened  bool          // as the line says
	Fresh   bool          // nothing but the settling speaks against the water
	Sampled bool          // the point was read in this step and has a value
	Oxygen  float64       // ug/L
}

// Step takes the settling one step on. It is over when the least-squares slope of ten minutes of fresh water is below 1 ug/L in ten minutes,
// either way. late tells, once, that four hours have passed without that; the oxygen counts from then on.
//
// Time in which the sample stands is waited but not in the slope, so that a boiler fed in pulses settles across them.
func (s Settle) Step(in SettleInput) (_ Settle, late bool) {
	switch {
	case in.Opened:
		return Settle{Owed: true}, false
	case !s.Owed:
		return Settle{}, false
	}
	s.Part += max(0, in.Elapsed)
	if whole := s.Part / bucket * bucket; whole > 0 {
		s.Waited, s.Part = s.Waited+whole, s.Part-whole
	}
	if s.Waited >= settleMax {
		return Settle{}, true
	}
	if !in.Fresh {
		return s, false
	}
	if s.Time += max(0, in.Elapsed); in.Sampled {
		s.Sum, s.N = s.Sum+in.Oxygen, s.N+1
	}
	if s.Time < bucket {
		return s, false
	}
	if s.N > 0 { // a minute without a reading says nothing
		if s.Full == buckets {
			copy(s.Mean[:], s.Mean[1:])
			s.Full--
		}
		s.Mean[s.Full] = s.Sum / float64(s.N)
		s.Full++
	}
	s.Sum, s.N, s.Time = 0, 0, 0
	if s.Full == buckets && math.Abs(s.slope()) < settleSlope {
		return Settle{}, false
	}
	return s, false
}

// slope is the least-squares slope of the minutes, in ug/L per ten minutes.
func (s Settle) slope() float64 {
	middle, xy, xx := float64(buckets-1)/2, 0.0, 0.0
	for i, y := range s.Mean {
		x := float64(i) - middle
		xy, xx = xy+x*y, xx+x*x
	}
	return xy / xx * float64(buckets)
}
