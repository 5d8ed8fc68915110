package interlock

import (
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// unansweredAfter is how long a close request may stand without a word from its bus before it is told that it cannot close: as long as
// makes a temperature lost, and longer than any round with stations that are silent.
const unansweredAfter = 10 * time.Second

// Hold is the request that the valve be closed, and that it stay so. The zero Hold asks for nothing. It ends by a person's re-arming
// alone: not by a temperature, an acknowledgement, a restart, or another configuration.
type Hold struct {
	Held    bool         `json:"held,omitempty"`
	Cause   Cause        `json:"cause,omitempty"`
	At      reading.Wall `json:"at,omitempty"`      // for people only
	Rearmed bool         `json:"rearmed,omitempty"` // by a person, and the valve has not been seen open since

	Failing bool   `json:"failing,omitempty"` // the request does not reach the valve's control
	Trouble string `json:"trouble,omitempty"` // why: the name of a fault, or one of the two below

	Override Override `json:"override,omitzero"`

	// Of this process: it must find out for itself.
	known bool          // the valve was known once, so that what is found later is no finding of a start
	asked bool          // at the last step
	taken bool          // the last order was confirmed by its read-back
	waits time.Duration // without a word of the bus
}

// Override suspends the request, never the holding. What is left of its time belongs to this process: no override outlives it.
type Override struct {
	On    bool          `json:"on,omitempty"`
	By    string        `json:"by,omitempty"`
	Why   string        `json:"why,omitempty"`
	Until reading.Wall  `json:"until,omitempty"`
	Left  time.Duration `json:"-"` // seen time
}

// Troubles of an order beside the faults of its bus.
const (
	NotReadBack     = "not_read_back"
	ReadBackDiffers = "read_back_differs"
)

// Holding is what a step says of the request.
type Holding struct {
	Held      bool
	Ask       bool // the order is to be given, now and as long as this stands
	Began     bool // held as of this step
	Cause     Cause
	At        reading.Wall
	Request   string // of a panel that is driven: none, asked, taken, failing, suspended
	CannotAsk bool   // failing
	Trouble   string
	Override  Override
	Ended     Override // an override that ended in this step, by its time
}

// What has become of a request.
const (
	RequestNone      = "none"
	RequestAsked     = "asked"     // and no answer yet
	RequestTaken     = "taken"     // the last order was confirmed by its read-back
	RequestFailing   = "failing"   // the last order was not
	RequestSuspended = "suspended" // held, and overridden
)

// hold takes the holding one step on.
func hold(cfg *site.Interlock, s State, in Input, met, gone bool, out Output) (State, Output) {
	if !cfg.Drive.Configured {
		return s, out // what was held before the drive went stays as it is, for the day it is back
	}
	h := &s.Hold
	if o := &h.Override; o.On {
		// The earliest of seen time and wall time ends it: a clock that steps can only shorten it.
		if o.Left -= in.Elapsed; o.Left <= 0 || in.Now.Wall >= o.Until {
			out.Ended = *o
			*o = Override{}
		}
	}
	if in.Valve == reading.ValveOpen {
		h.Rearmed = false
	}
	cause := NoCause
	switch {
	case met:
		cause = OverTemperature
	case gone:
		cause = TemperatureLostCause
	case !h.known && in.RoundDone && in.Valve == reading.ValveClosedState && !h.Rearmed && !s.ByHand:
		cause = FoundClosed // perhaps by us, and the disk did not hear of it
	}
	h.known = h.known || h.Held || in.RoundDone && in.Valve != reading.ValveNotConfirmed
	if cause != NoCause && !h.Held {
		h.Held, h.Cause, h.At, h.Rearmed, h.known = true, cause, in.Now.Wall, false, true
		out.Began = true
	}
	out.Ask = h.Held && !h.Override.On
	*h = h.answered(cfg, in, out.Ask)

	began, ended := out.Began, out.Ended
	out.Holding = Standing(cfg, s)
	out.Began, out.Ended = began, ended
	return s, out
}

// Standing is the holding as it stands, without a step.
func Standing(cfg *site.Interlock, s State) Holding {
	h := &s.Hold
	if !cfg.Drive.Configured {
		return Holding{}
	}
	out := Holding{Held: h.Held, Ask: h.Held && !h.Override.On, Cause: h.Cause, At: h.At, Override: h.Override, CannotAsk: h.Failing, Trouble: h.Trouble}
	switch {
	case !h.Held:
		out.Request = RequestNone
	case !out.Ask:
		out.Request = RequestSuspended
	case h.Failing:
		out.Request = RequestFailing
	case h.taken:
		out.Request = RequestTaken
	default:
		out.Request = RequestAsked
	}
	return out
}

// answered takes up what became of the order. A trouble stands until an order is confirmed, or nothing is asked for any more.
func (h Hold) answered(cfg *site.Interlock, in Input, ask bool) Hold {
	if !ask {
		h.Failing, h.Trouble, h.asked, h.taken, h.waits = false, "", false, false, 0
		return h
	}
	if h.asked { // the time before this step belongs to what stood then
		h.waits = min(h.waits+in.Elapsed, unansweredAfter)
	}
	h.asked = true
	if in.HasResult {
		h.waits, h.taken = 0, false
		switch r := in.Result; {
		case r.Fault != reading.Answered:
			h.Trouble = r.Fault.String()
		case !r.Known:
			h.Trouble = NotReadBack
		case r.ReadBack != cfg.Drive.Value:
			h.Trouble = ReadBackDiffers
		default:
			h.taken, h.Trouble = true, ""
		}
		h.Failing = !h.taken
		return h
	}
	if h.waits >= unansweredAfter {
		h.taken = false
		if !h.Failing {
			h.Failing, h.Trouble = true, reading.NotAsked.String()
		}
	}
	return h
}

// Refusal names why a command was not obeyed; empty when it was.
type Refusal string

// Refusals.
const (
	Obeyed          Refusal = ""
	NotDriving      Refusal = "observing_only"
	NotHeld         Refusal = "not_held"
	NotProvenLow    Refusal = "temperature_not_proven_low"
	TemperatureGone Refusal = "temperature_lost"
	CheckStands     Refusal = "check_in_hand"
	TimeRefused     Refusal = "override_time"
	ValveNotClosed  Refusal = "valve_not_closed"
	ClosedByPanel   Refusal = "closed_by_panel"
)

// Rearm withdraws the request. It moves nothing. Every guarding temperature must read at or below the warning value on its last two
// updates, and nobody may have a sensor of the panel out for a check.
func Rearm(cfg *site.Interlock, s State, checkInHand bool) (State, Refusal) {
	switch {
	case !cfg.Drive.Configured:
		return s, NotDriving
	case !s.Hold.Held:
		return s, NotHeld
	case checkInHand:
		return s, CheckStands
	case s.Lost, cfg.HasSecond && s.Second.Lost:
		return s, TemperatureGone
	case !s.low(cfg):
		return s, NotProvenLow
	}
	h := &s.Hold
	*h = Hold{Rearmed: !s.Opened, Override: h.Override, known: true}
	s.Wanted = false
	return s, Obeyed
}

// Suspend begins an override, or begins it anew. now is when, since how long after the last step, and long how long it lasts; 0 is the usual
// time. known tells that a guarding temperature has a value at this moment: what nobody sees is not suspended.
func Suspend(cfg *site.Interlock, s State, now reading.Wall, since, long time.Duration, by, why string, known bool) (State, Refusal) {
	if long == 0 {
		long = site.OverrideUsual
	}
	switch {
	case !cfg.Drive.Configured:
		return s, NotDriving
	case long < 0, long > site.OverrideMax:
		return s, TimeRefused
	case s.allLost(cfg), !known:
		return s, TemperatureGone
	}
	s.Hold.Override = Override{On: true, By: by, Why: why, Until: now + reading.Wall(long), Left: long + max(0, since)}
	return s, Obeyed
}

// SayByHand records a person's word that the valve was closed by hand. It changes nothing else.
func SayByHand(s State) (State, Refusal) {
	switch {
	case !s.Closed:
		return s, ValveNotClosed
	case s.ByPanel:
		return s, ClosedByPanel // a close condition was met: a word against it would hide a hot sample
	}
	s.ByHand = true
	return s, Obeyed
}

// Restart is the state as a new process takes it up: no override outlives the process that allowed it. ended is the one that stood.
func Restart(s State) (_ State, ended Override) {
	ended = s.Hold.Override
	s.Hold.Override = Override{}
	return s, ended
}
