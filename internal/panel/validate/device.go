package validate

import (
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Says is what a device's status word says of everything it measures: SensorFault, SensorHold, or Believed.
func Says(s site.Status, word uint64) reading.Reason {
	switch masked := uint16(word) & s.Mask; {
	case masked == s.Good:
		return reading.Believed
	case s.HasHold && masked == s.Hold:
		return reading.SensorHold
	}
	return reading.SensorFault
}

// aliveMin is the least time for which an alive word must stand still before its device counts as stopped, and alivePeriods the least
// number of its periods: as for a temperature that is lost. Judgement.
const (
	aliveMin     = 10 * time.Second
	alivePeriods = 3
)

// Alive is what is remembered of a device's alive word. The zero Alive has seen nothing. It is not kept on disk: a new process finds a
// device that stands still as late as the first did.
type Alive struct {
	asked bool
	known bool
	raw   uint64
	moved time.Duration // Up when it was last seen to change, or was first asked
}

// Step takes one read of the word on. It tells whether the word changed since the read before.
func (a Alive) Step(raw uint64, fault reading.Fault, at reading.Stamp) (Alive, bool) {
	if !a.asked {
		a.asked, a.moved = true, at.Up
	}
	if fault != reading.Answered {
		return a, false
	}
	changed := a.known && raw != a.raw
	if changed || !a.known {
		a.moved = at.Up
	}
	a.known, a.raw = true, raw
	return a, changed
}

// Still tells whether the word has not been seen to change for longer than the larger of 10 s and three periods of its sensor. A word that
// cannot be read is not seen to change.
func (a Alive) Still(now reading.Stamp, period time.Duration) bool {
	return a.asked && now.Up-a.moved > max(aliveMin, alivePeriods*period)
}
