// Package validate gives one measured point the quality it has of itself: did the device answer, with a number, in the range in
// which the signal can be a measurement. It also says when a reading is a sensor update and when it has become too old.
//
// Beside own quality, and never part of it, stands how the value moves: not at all, or faster than water does.
//
// Owns: own quality; what a device says of itself; the sensor update; staleness; frozen and jumped.
// Never: judges whether the sensor stood in sample water; that is told to it, and own quality, by which the interlock goes, does not ask.
package validate

import (
	"math"
	"time"

	"rillwatch/internal/panel/decode"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// wild is a value no instrument of a plant gives in any unit: it comes of words in the wrong order. Beyond it the conversion between
// units could leave what a float64 holds.
const wild = 1e15

// State is what must be remembered of a point between two reads. The zero State has seen nothing.
type State struct {
	LastRaw     uint64        `json:"last_raw,omitempty"` // of the last read that was answered, whatever it meant
	SinceUpdate time.Duration `json:"since_update,omitempty"`
	HasUpdate   bool          `json:"has_update,omitempty"` // there was an update that SinceUpdate counts from; before it LastRaw decides nothing
}

// Input is one read of the point.
type Input struct {
	Raw     uint64 // what the device said; means nothing unless Fault is Answered
	Fault   reading.Fault
	At      reading.Stamp
	Elapsed time.Duration // since this point's previous read in this process, 0 for the first

	Device reading.Reason // SensorFault, SensorHold or NotUpdating where the device says so of itself; all others say nothing
	Moved  bool           // its alive word changed since the read before
}

// Output is the read as judged by itself.
type Output struct {
	Reading reading.Reading
	// Update: a reading with a value that is news from the sensor: the raw number differs from the last one answered, or the alive
	// word does, or both are the same and refresh has passed since the last update.
	Update bool
}

// sinceMax keeps the time since the last update bounded; no refresh is as long as a day.
const sinceMax = 24 * time.Hour

// early is the share of refresh by which a read may come early and still be an update. Refresh is one period by default, and a
// poll leaves a few milliseconds before or after its place on the grid: without it every second read of a steady value would
// be missed as an update, and two updates would no longer be within five seconds of each other. Judgement.
const early = 10

// Step judges one read. The order is: the request's fault, what the device says of itself, its "no value" word, not a number, outside the fault range,
// at the ceiling, at the floor, believed. A bit has none of the ranges.
func Step(p *site.Point, refresh time.Duration, s State, in Input) (State, Output) {
	s.SinceUpdate = min(s.SinceUpdate+max(0, in.Elapsed), sinceMax)
	if in.Fault != reading.Answered {
		return s, Output{Reading: reading.Not(in.Fault.Reason(), in.At)}
	}
	changed := in.Raw != s.LastRaw || in.Moved
	s.LastRaw = in.Raw
	switch in.Device {
	case reading.SensorFault, reading.SensorHold, reading.NotUpdating:
		return s, Output{Reading: reading.Not(in.Device, in.At)}
	}

	out := Output{Reading: own(p, in.Raw, in.At)}
	if !out.Reading.HasValue() {
		return s, out
	}
	if changed || !s.HasUpdate || s.SinceUpdate >= refresh-refresh/early {
		out.Update = true
		s.SinceUpdate, s.HasUpdate = 0, true
	}
	return s, out
}

func own(p *site.Point, raw uint64, at reading.Stamp) reading.Reading {
	value, why := decode.Value(p.Decode, raw)
	switch {
	case why != reading.Believed:
		return reading.Not(why, at)
	case p.Decode.Type == site.Bit:
		return reading.Of(value, reading.Exact, reading.Believed, at)
	case math.Abs(value) > wild,
		p.Fault.HasLow && value < p.Fault.Low && !same(value, p.Fault.Low),
		p.Fault.HasHigh && value > p.Fault.High && !same(value, p.Fault.High):
		return reading.Not(reading.FaultRange, at)
	case p.HasCeil && (value >= p.Ceiling || same(value, p.Ceiling)):
		return reading.Of(p.Ceiling, reading.Above, reading.AboveCeiling, at)
	case p.HasFloor && (value <= p.Floor || same(value, p.Floor)):
		return reading.Of(p.Floor, reading.Below, reading.BelowDetection, at)
	}
	return reading.Of(value, reading.Exact, reading.Believed, at)
}

// same tells whether value is the end of a range as a device can say it. A sensor resting on its floor of 0.2 sends the float32
// nearest to it, which is 0.20000000298 and not at or below 0.2; a float32 holds a number to one part in 2^24, so twice that is
// allowed. The display's resolution must not decide here: 0.24 shown as 0.2 is not "below 0.2".
func same(value, end float64) bool {
	return math.Abs(value-end) <= math.Abs(end)*0x1p-23
}

// Stale takes the value from a reading that is older than three periods of its sensor. A reading without a value for a reason as
// bad or worse stays as it is: "silent" says more than "stale".
func Stale(r reading.Reading, now reading.Stamp, period time.Duration) reading.Reading {
	if now.Since(r.At) <= 3*period {
		return r
	}
	return r.Demote(reading.Stale)
}
