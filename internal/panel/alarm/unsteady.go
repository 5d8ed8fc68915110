package alarm

import "time"

// An alarm that comes and goes calls people once, and then waits until it rests. Practice: three cycles in ten minutes are one message,
// then nothing until thirty minutes of rest, and the counting goes on (common practice on shared telephones; the standards word
// chattering qualitatively).
const (
	UnsteadyReturns = 3
	UnsteadyWithin  = 10 * time.Minute
	UnsteadyRest    = 30 * time.Minute
	// UnsteadyStands is how long an alarm that must not be silenced may stand on end while it is unsteady before it is told again: hot water on a
	// sensor cannot wait for half an hour of rest. Judgement.
	UnsteadyStands = 2 * time.Minute
)

// Swings is what a process remembers of an alarm's coming and going. Instants are time since its start. It silences, so it ends with the process,
// but for Unsteady and Count, which are kept so that the end can be told. The zero Swings is a steady alarm.
type Swings struct {
	Unsteady bool `json:"unsteady,omitempty"`
	Count    int  `json:"count,omitempty"` // returns since it became unsteady, those that made it so included

	Returns [UnsteadyReturns - 1]time.Duration `json:"-"` // the last ones before, the latest first; 0: none
	Moved   time.Duration                      `json:"-"` // when the condition last came or went
}

// IsZero tells whether there is nothing to keep on disk.
func (w Swings) IsZero() bool { return !w.Unsteady && w.Count == 0 }

// Rose notes that the condition came.
func (w Swings) Rose(up time.Duration) Swings {
	w.Moved = up
	return w
}

// Returned notes that the condition went. began tells that this return made the alarm unsteady.
func (w Swings) Returned(up time.Duration) (_ Swings, began bool) {
	w.Moved = up
	if w.Unsteady {
		w.Count = min(w.Count+1, 1<<30)
		return w, false
	}
	oldest := w.Returns[len(w.Returns)-1]
	if oldest != 0 && up-oldest <= UnsteadyWithin {
		return Swings{Unsteady: true, Count: UnsteadyReturns, Moved: up}, true
	}
	copy(w.Returns[1:], w.Returns[:])
	w.Returns[0] = up
	return w, false
}

// Rested ends the unsteadiness when the condition has neither come nor gone for long enough. over tells that this step did so.
func (w Swings) Rested(up time.Duration) (_ Swings, over bool) {
	if !w.Unsteady || up-w.Moved < UnsteadyRest {
		return w, false
	}
	return Swings{Moved: w.Moved}, true
}
