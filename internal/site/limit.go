package site

import (
	"math"
	"time"

	"rillwatch/internal/reading"
)

// Measure is what of its point a limit judges. The zero Measure is the value itself.
type Measure uint8

// Measures.
const (
	TheValue    Measure = iota
	Rises               // how fast the value rises, in the point's unit an hour; Side is High
	Falls               // how fast it falls, as a number above zero; Side is High
	AboveNormal         // the value against its learned baseline, under a ceiling that always applies; Side is High
	BelowNormal         // the same downwards, over a floor that applies where one is given; Side is Low
	measureCount
)

var measureNames = [measureCount]string{"value", "rise", "fall", "above_normal", "below_normal"}

func (m Measure) String() string { return measureNames[m%measureCount] }

// Rate tells whether the limit is one of how fast a value moves.
func (m Measure) Rate() bool { return m == Rises || m == Falls }

// Learned tells whether the limit hangs on a learned baseline.
func (m Measure) Learned() bool { return m == AboveNormal || m == BelowNormal }

const (
	// RateParts is how many parts the window of a rate is cut into; each needs a reading.
	RateParts = 20
	// Quarter is the time over which readings are brought together before they count for a baseline or for validity (40 CFR 63.1965 counts
	// quarter-hours).
	Quarter = 15 * time.Minute
	// LearnMost is how far back a baseline may look. More is a second season; less needs less in the panel's state.
	LearnMost = 24 * time.Hour
	// NormalsMost is how many points of a panel may have a baseline: a day of quarter-hours takes a good kilobyte of its state on disk, which is
	// written with every change.
	NormalsMost = 2
)

// Normal is how far from its learned baseline a point may be. One of Share and By is above 0.
type Normal struct {
	Share    float64       // of the baseline
	By       float64       // in the point's unit
	Written  string        // as written: "50 %", "2 uS/cm"
	Over     time.Duration // how far back learning looks, in whole quarter-hours
	Least    time.Duration // how much of it must have been believed, on line and not at an end of the range
	HasBound bool          // Limit.Value is a bound that applies whatever was learned; always so for AboveNormal
}

// OperatingState is what the boiler is doing, as far as limits ask. The zero OperatingState is on line.
type OperatingState uint8

// Operating states.
const (
	OnLineState  OperatingState = iota
	StartUpState                // within the start-up time after going on line
	OffLineState
	stateCount
)

var stateNames = [stateCount]string{"on-line", "start-up", "off-line"}

func (s OperatingState) String() string { return stateNames[s%stateCount] }

// OperatingStates are the names of all of them, in their order.
func OperatingStates() []string { return append([]string(nil), stateNames[:]...) }

// Applies is the set of states a limit names; the empty set names none, and then the usual ones hold: every state but off line for what
// needs flowing sample, all states for the rest, and in start-up the delay of the chemistry runs without an alarm.
type Applies uint8

// With adds a state to the set.
func (a Applies) With(s OperatingState) Applies { return a | 1<<s }

// In tells whether a set that names anything names the state.
func (a Applies) In(s OperatingState) bool { return a&(1<<s) != 0 }

// Names gives the states named, in their order; nil for none.
func (a Applies) Names() []string {
	var out []string
	for s := range stateCount {
		if a.In(s) {
			out = append(out, s.String())
		}
	}
	return out
}

// Towards is the side of the point's value on which the trouble lies: a fall that is too fast leads down.
func (l *Limit) Towards() Side {
	if l.Of == Falls {
		return Low
	}
	return l.Side
}

// Step is the smallest difference of what the limit judges, for a point that shows steps of resolution: of a rate it is one step over the
// whole window, in the point's unit an hour.
func (l *Limit) Step(resolution float64) float64 {
	if l.Of.Rate() && l.Window > 0 {
		return resolution / l.Window.Hours()
	}
	return resolution
}

// UnitName is the unit as written, with the time of a rate: "ppb", "ppb/h".
func (l *Limit) UnitName() string {
	if !l.Of.Rate() {
		return l.Unit.Name()
	}
	if l.Per == time.Minute {
		return l.Unit.Name() + "/min"
	}
	return l.Unit.Name() + "/h"
}

// Places says where a reading stands with the limit. Value, limit and the limit less its deadband are compared in whole steps of resolution,
// so that the number on the display decides; a resolution of 0 compares the numbers themselves.
//
// beyond: strictly past the limit. clear: at the limit less the deadband, or further inside. Neither: in the deadband.
// decides is false when the reading says nothing about this limit: it does not count, or it is a bound ("above 20") that
// leaves both open. A sensor at its end may show a truth that equals the end, so "above 20" is beyond a high limit of 19.9
// and says nothing about one of 20.
func (l *Limit) Places(resolution float64, r reading.Reading) (beyond, clear, decides bool) {
	if !r.Counts() || l.Side != High && l.Side != Low {
		return false, false, false
	}
	v, at, inside := l.out(resolution, r.Value), l.out(resolution, l.Value), l.out(resolution, l.Value-l.Deadband)
	if l.Side == Low {
		inside = l.out(resolution, l.Value+l.Deadband)
	}
	beyond, clear = v > at, v <= inside
	switch r.Bound {
	case reading.Exact:
		return beyond, clear, true
	case l.outward(): // the truth is further out than v: only a v already beyond decides
		return beyond, false, beyond
	}
	return false, clear, v <= at // the truth is further in than v: only a v already within decides
}

// Further tells whether a reading lies further beyond the limit than the peak so far. A bound at the end of the range beats the equal number; of
// equals the earlier stays.
func (l *Limit) Further(resolution float64, r reading.Reading, peak float64, bound reading.Bound) bool {
	v, p := l.out(resolution, r.Value), l.out(resolution, peak)
	return v > p || v == p && bound == reading.Exact && r.Bound == l.outward()
}

// out gives a number in whole steps of the resolution, mirrored for a low limit, so that larger is further beyond on both sides.
func (l *Limit) out(resolution, v float64) float64 {
	if resolution > 0 {
		v = math.Round(v / resolution)
	}
	if l.Side == Low {
		return -v
	}
	return v
}

// outward is the bound that points away from the limit, on its far side.
func (l *Limit) outward() reading.Bound {
	if l.Side == Low {
		return reading.Below
	}
	return reading.Above
}
