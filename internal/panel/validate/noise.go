package validate

import (
	"math"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// learnFrom is how many updates must have been seen before their noise means anything, and forget the share of a new one in it: a noise
	// is learned from about the last sixty. Judgement.
	learnFrom = 32
	forget    = 1.0 / 64
	// movedBy is how many times its usual step a value must leave its place to have moved, and jumpedBy to have jumped. The mean step
	// of plain noise is 1.13 standard deviations, so these are four and a half and seven of them. Judgement.
	movedBy  = 4
	jumpedBy = 6
	// nearly keeps a step of one resolution from being lost in the last bit of its difference.
	nearly = 1 - 1e-9
)

// Noise is how much a point moves from one update to the next when nothing happens, and how often it has moved by more. It is learned
// anew by every process. The zero Noise has learned nothing.
type Noise struct {
	last  float64
	seen  uint8   // updates with a value, up to learnFrom
	mean  float64 // of the size of the steps between them
	place float64 // where the value was when it last moved
	moves uint64
}

// Step takes one update that had a value.
func (n Noise) Step(p *site.Point, value float64) Noise {
	if n.seen == 0 {
		n.last, n.place, n.seen = value, value, 1
		return n
	}
	// A step far outside the noise is news and no noise: it must not teach the point that such steps are usual.
	if step := math.Abs(value - n.last); n.seen < learnFrom || step <= max(jumpedBy*n.mean, 2*p.Resolution) {
		share := max(forget, 1/float64(n.seen))
		n.mean += share * (step - n.mean)
	}
	n.last, n.seen = value, min(n.seen+1, learnFrom)
	if math.Abs(value-n.place) >= n.Band(p)*nearly {
		n.place, n.moves = value, n.moves+1
	}
	return n
}

// Band is how far the value must go to have moved: a step of its display, or out of its noise. Before the noise is learned it is wide.
func (n Noise) Band(p *site.Point) float64 {
	if n.seen < learnFrom {
		return max(2*p.Resolution, movedBy*n.mean)
	}
	return max(p.Resolution, movedBy*n.mean)
}

// Moves counts how often the value has left its place by more than its own noise.
func (n Noise) Moves() uint64 { return n.moves }

// Still is what must be remembered to tell a value that stands still from water that does. The zero Still has seen nothing.
type Still struct {
	on     bool
	place  float64
	since  time.Duration // how long the value has not left its place
	usual  time.Duration // the longest it has stood still before, and then moved
	others uint64        // how often its siblings had moved when this began
}

// StillInput is one read of a point that had a value.
type StillInput struct {
	Reading reading.Reading
	Elapsed time.Duration // since the point's read before
	Flowing bool          // the sensor stands in flowing sample: in standing water everything may stand still
	Others  uint64        // how often all other points of the panel have moved, by their own noise, in flowing sample
}

const (
	// timesUsual is how many times longer than it ever stood still before a value must stand still. Oxygen at 0.1 ug/L may
	// truly stand still for half an hour (common practice), and each sensor has its own habit. Judgement.
	timesUsual = 3
	stillMax   = 48 * time.Hour // more changes nothing
)

// Leaves tells whether a read shows the point away from where it stood: seen by this process, in flowing sample. The first value after a start leaves
// nothing.
func (s Still) Leaves(p *site.Point, in StillInput) bool {
	r := in.Reading
	return s.on && in.Flowing && r.HasValue() && (r.Bound != reading.Exact || math.Abs(r.Value-s.place) >= p.Resolution*nearly)
}

// Step takes the point one read on, and tells whether it is frozen: it has not moved by a step of its display for FrozenAfter, nor for three
// times the longest it has stood still before, and meanwhile a sibling moved by more than its own noise. A sensor at an end of its
// range stands still by nature.
func (s Still) Step(p *site.Point, in StillInput) (_ Still, frozen bool) {
	r := in.Reading
	switch {
	case p.FrozenAfter <= 0 || r.HasValue() && r.Bound != reading.Exact:
		return Still{usual: s.usual}, false
	case !in.Flowing || !r.HasValue():
		return s, false // it waits: small boilers draw no sample for most of the time
	}
	if !s.on || math.Abs(r.Value-s.place) >= p.Resolution*nearly {
		if s.on && s.since < p.FrozenAfter { // what was frozen is no habit
			s.usual = max(s.usual, s.since)
		}
		return Still{on: true, place: r.Value, usual: s.usual, others: in.Others}, false
	}
	s.since = min(s.since+max(0, in.Elapsed), stillMax)
	return s, s.since >= max(p.FrozenAfter, min(timesUsual*s.usual, stillMax)) && in.Others > s.others
}

// Jump is what must be remembered to tell a value that moves faster than water usually does. The zero Jump has seen nothing.
type Jump struct {
	on   bool
	slow float64 // follows the value, no faster than water usually moves
}

// Step takes the point one read on, and tells whether its value has jumped: whether it is further from where water could have brought it
// than water usually moves in a minute, six times its own noise or two steps of its display. A jump is over when the slow value has
// come after, or at once when the value comes back. It says nothing about the truth: real air ingress is as fast, so a jump is a
// doubt, counts, and is shown.
//
// In water that does not flow, without a value and at an end of the range, which is no measure of how fast it went, nothing is compared:
// the first reading after it starts anew.
func (j Jump) Step(p *site.Point, n Noise, r reading.Reading, elapsed time.Duration, flowing bool) (_ Jump, jumped bool) {
	rate := max(p.Jump, p.JumpShare*math.Abs(j.slow))
	switch {
	case p.Jump <= 0 && p.JumpShare <= 0, !flowing, !r.HasValue(), r.Bound != reading.Exact:
		return Jump{}, false
	case !j.on:
		return Jump{on: true, slow: r.Value}, false
	}
	most := rate * max(0, elapsed).Minutes()
	j.slow += min(max(r.Value-j.slow, -most), most)
	room := max(rate, 2*p.Resolution)
	if n.seen >= learnFrom {
		room = max(room, jumpedBy*n.mean)
	}
	return j, math.Abs(r.Value-j.slow) > room
}
