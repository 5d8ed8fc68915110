package interlock

import (
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// unansweredAfter is how long a close request may stand without a word from its bus before it is told that it cannot close: as long as
	// makes a temperature lost, and longer than any round with stations that are silent.
	unansweredAfter = 10 * time.Second
	// failingAfter is how long orders must have failed, with none confirmed between, before that is told: an order is repeated every second,
	// and one lost answer is no trouble. It is well within one and a half strokes, after which the valve itself is told.
	failingAfter = 3 * time.Second
	// soundAfter is how long orders must have been confirmed without a failure between before a trouble that was told is over. A link that
	// comes and goes is one trouble.
	soundAfter = 10 * time.Second
	// restAfter is how long no override must have stood before their time is counted anew: with one shift overridden, two are not. Judgement.
	restAfter = 24*time.Hour - site.OverrideMax
	// restStep is what is kept of a rest on disk: a row that changes every second would be written every second.
	restStep = time.Minute
)

// Hold is the request that the valve be closed, and that it stay so. The zero Hold asks for nothing. It ends by a person's re-arming
// alone: not by a temperature, an acknowledgement, a restart, or another configuration.
type Hold struct {
	Held    bool         `json:"held,omitempty"`
	Cause   Cause        `json:"cause,omitempty"`
	At      reading.Wall `json:"at,omitempty"`      // for people only
	Rearmed bool         `json:"rearmed,omitempty"` // by a person, and the valve has not been seen open since
	// Released: the hot sample that stands was re-armed by a person. It is over by evidence only, but asks for nothing by itself any more.
	Released bool `json:"released,omitempty"`
	Idle     bool `json:"idle,omitempty"` // held, and told that nothing asks for it: the file had no drive, or no such panel

	Failing bool   `json:"failing,omitempty"` // the request does not reach the valve's control
	Trouble string `json:"trouble,omitempty"` // why: the name of a fault, or one of the two below

	Override Override      `json:"override,omitzero"`
	Spent    time.Duration `json:"spent,omitempty"` // what overrides were given since there last was none for restAfter
	Rest     time.Duration `json:"rest,omitempty"`  // seen time since the last one, in whole steps

	// Of this process: it must find out for itself.
	known bool          // the valve was known once, so that what is found later is no finding of a start
	open  bool          // it was seen open by this process ...
	since time.Duration // ... so long ago, up to one and a half strokes
	asked bool          // at the last step
	taken bool          // the last order was confirmed by its read-back
	bad   bool          // the last order was not
	quiet bool          // the last word of the bus was that it is still listening
	waits time.Duration // without a word of the bus, other than that
	fails time.Duration // since the first order that was not confirmed, with none confirmed since
	sound time.Duration // since the first that was confirmed, with none failing since
	part  time.Duration // of the rest, not yet a whole step
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
	Began     bool // held as of this step ...
	Met       bool // ... in which the close condition was met, or the last temperature became lost
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
	h := &s.Hold
	if in.Valve == reading.ValveOpen {
		h.Rearmed = false
	}
	h.Released = h.Released && s.Hot && !met
	if !cfg.Drive.Configured {
		return s, out // what was held before the drive went stays as it is, for the day it is back
	}
	h.rest(in.Elapsed)
	if o := &h.Override; o.On {
		// The earliest of seen time and wall time ends it: a clock that steps can only shorten it.
		if o.Left -= in.Elapsed; o.Left <= 0 || o.Until != 0 && in.Now.Wall >= o.Until {
			out.Ended = *o
			*o = Override{}
		}
	}
	cause := NoCause
	switch {
	case met:
		cause = OverTemperature
	case gone:
		cause = TemperatureLostCause
	case s.Hot && !h.Released:
		cause = OverTemperature // it stood before there was a drive
	case !h.known && in.RoundDone && in.Valve == reading.ValveClosedState && !h.Rearmed && !s.ByHand:
		cause = FoundClosed // perhaps by us, and the disk did not hear of it
		if s.ByPanel && s.FirstOut != NoCause {
			cause = s.FirstOut // seen to close before there was a drive
		}
	}
	*h = h.find(cfg, in)
	if cause != NoCause && !h.Held {
		h.Held, h.Cause, h.At, h.Rearmed, h.Released, h.known = true, cause, in.Now.Wall, false, false, true
		out.Began, out.Met = true, met || gone
	}
	out.Ask = h.Held && !h.Override.On
	*h = h.answered(cfg, in, out.Ask)

	began, met, ended := out.Began, out.Met, out.Ended
	out.Holding = Standing(cfg, s)
	out.Began, out.Met, out.Ended = began, met, ended
	return s, out
}

// find settles whether the valve is known. One that is seen open at a start may still travel, by an order whose process was killed before its
// disk heard of it: it is open when it is so one and a half strokes after it was first seen.
func (h Hold) find(cfg *site.Interlock, in Input) Hold {
	if h.open {
		h.since = min(h.since+in.Elapsed, failedAfter(cfg))
	}
	// A valve that lets sample through is not closed, whatever its feedback keeps to itself.
	switch open := in.Valve == reading.ValveOpen || letsThrough(in); {
	case h.known, h.Held, in.RoundDone && !open && in.Valve == reading.ValveClosedState, in.RoundDone && open && h.open && h.since >= failedAfter(cfg):
		h.known, h.open, h.since = true, false, 0 // once and for all
	case in.RoundDone && open:
		h.open = true
	}
	return h
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
	case h.taken:
		out.Request = RequestTaken
	case h.bad, h.Failing:
		out.Request = RequestFailing
	default:
		out.Request = RequestAsked
	}
	return out
}

// answered takes up what became of the order. A trouble is told when orders have failed for a while with none confirmed between, or when no
// word came for longer; it stands until they have been confirmed for a while, or nothing is asked for any more.
func (h Hold) answered(cfg *site.Interlock, in Input, ask bool) Hold {
	if !ask {
		h.Failing, h.Trouble, h.asked, h.taken, h.bad, h.quiet, h.waits, h.fails, h.sound = false, "", false, false, false, false, 0, 0, 0
		return h
	}
	if h.asked { // the time before this step belongs to what stood then
		h.waits = min(h.waits+in.Elapsed, unansweredAfter)
	}
	if h.bad {
		h.fails = min(h.fails+in.Elapsed, failingAfter)
	}
	if h.taken {
		h.sound = min(h.sound+in.Elapsed, soundAfter)
	}
	h.asked = true
	word := in.HasResult
	if word {
		h.quiet = in.Result.Fault == reading.Listening
		word = !h.quiet // before the line is listened to no order leaves: that says nothing of the panel's control, good or bad
	}
	switch what := trouble(in.Result, cfg.Drive.Value); {
	case !word && h.waits >= unansweredAfter:
		h.taken, h.sound = false, 0
		if !h.Failing {
			h.Failing, h.Trouble = true, reading.NotAsked.String()
			if h.quiet {
				h.Trouble = reading.Listening.String()
			}
		}
	case !word:
	case what != "":
		h.Failing = h.Failing || h.fails >= failingAfter
		h.taken, h.bad, h.waits, h.sound, h.Trouble = false, true, 0, 0, what
	default:
		h.Failing = h.Failing && h.sound < soundAfter
		h.taken, h.bad, h.waits, h.fails = true, false, 0, 0
		if !h.Failing {
			h.Trouble = ""
		}
	}
	return h
}

// trouble names what was wrong with an order; nothing when its value was read back.
func trouble(r reading.OrderResult, value uint16) string {
	switch {
	case r.Fault != reading.Answered:
		return r.Fault.String()
	case !r.Known:
		return NotReadBack
	case r.ReadBack != value:
		return ReadBackDiffers
	}
	return ""
}

// rest runs the time in which no override stands. When there was none for long enough their time is counted anew.
func (h *Hold) rest(elapsed time.Duration) {
	if h.Spent <= 0 || h.Override.On {
		return
	}
	h.part += elapsed
	whole := h.part.Truncate(restStep)
	h.Rest, h.part = h.Rest+whole, h.part-whole
	if h.Rest >= restAfter {
		h.Spent, h.Rest, h.part = 0, 0, 0
	}
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
	TemperatureBare Refusal = "temperature_has_no_value"
	TimeRefused     Refusal = "override_time"
	TimeSpent       Refusal = "overrides_too_long_together"
	ValveNotClosed  Refusal = "valve_not_closed"
	ClosedByPanel   Refusal = "closed_by_panel"
)

// Rearm withdraws the request. It moves nothing. Every guarding temperature must have a value at this moment, and read at or below the warning
// value on its last two updates, and nobody may have a sensor of the panel out for a check.
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
	case !s.present(cfg):
		return s, TemperatureBare
	case !s.low(cfg):
		return s, NotProvenLow
	}
	h := &s.Hold
	*h = Hold{Rearmed: true, Released: s.Hot, Override: h.Override, Spent: h.Spent, Rest: h.Rest, known: true, part: h.part}
	s.Wanted = false
	return s, Obeyed
}

// Suspend begins an override, or begins it anew. now is when by the wall clock, or 0 where that is not set; since how long after the last step, and long how long it lasts; 0 is the usual
// time. known tells that a guarding temperature has a value at this moment: what nobody sees is not suspended. Overrides in a row last together
// no longer than the longest may: an end that can be put off for ever is none. What is left of one that is begun anew is given back; a process
// that ends takes what it had been given with it.
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
	h := &s.Hold
	spent := h.Spent
	if h.Override.On {
		spent = max(0, spent-max(0, h.Override.Left-max(0, since)))
	}
	if spent+long > site.OverrideMax {
		return s, TimeSpent
	}
	h.Spent, h.Rest, h.part = spent+long, 0, 0
	h.Override = Override{On: true, By: by, Why: why, Left: long + max(0, since)}
	if now != 0 {
		h.Override.Until = now + reading.Wall(long)
	}
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

// TakenUp is what a start found of the process before, and people must be told.
type TakenUp struct {
	Ended   Override // that stood: no override outlives the process that allowed it
	Dropped bool     // held, and as of this start nothing asks for it: the file has no drive any more
	Again   bool     // held, and as of this start asked for again: the file has its drive back
}

// Restart is the state as a new process takes it up.
func Restart(cfg *site.Interlock, s State) (State, TakenUp) {
	h := &s.Hold
	up := TakenUp{Ended: h.Override}
	h.Override = Override{}
	driven := cfg.Configured && cfg.Drive.Configured
	if !cfg.Configured {
		h.Rearmed, h.Released = false, false // nobody watches the valve meanwhile
	}
	if h.Held {
		up.Dropped, up.Again = !driven && !h.Idle, driven && h.Idle
		h.Idle = !driven
	}
	s.SinceGood, s.Second.SinceGood = s.Unread, s.Second.Unread
	return s, up
}
