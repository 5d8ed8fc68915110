package engine

import (
	"rillwatch/internal/event"
	"rillwatch/internal/site"
)

// takeClock takes up what is known of the wall clock. Only stamps for people and the length of what lies across a restart hang on it; every
// delay is counted on the clock that never steps.
func (e *Engine) takeClock(in ClockState, o *Outcome) {
	was := e.certain
	e.certain = in.Certain
	if in.Stepped != 0 {
		e.emit(o, event.Event{Kind: event.ClockStepped, Priority: site.LowPriority, Lasted: in.Stepped})
	}
	switch {
	case was && !e.certain:
		e.emit(o, event.Event{Kind: event.ClockUncertain, Priority: site.LowPriority, Cause: in.Why})
	case !was && e.certain:
		e.emit(o, event.Event{Kind: event.ClockCertain, Priority: site.LowPriority})
	}
}
