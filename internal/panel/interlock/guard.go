package interlock

import (
	"math"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// guard is what is remembered of one guarding temperature.
type guard struct {
	Warm     bool          `json:"warm,omitempty"`
	Lost     bool          `json:"lost,omitempty"`
	Above    bool          `json:"-"`
	AboveAgo time.Duration `json:"-"`
	Cool     uint8         `json:"cool,omitempty"`

	Low       uint8         `json:"-"`
	Present   bool          `json:"-"`
	SinceGood time.Duration `json:"-"`
	Unread    time.Duration `json:"unread,omitempty"`
}

// Sense is what a step brought of one temperature.
type Sense struct {
	Update     bool // a sensor update arrived ...
	HasValue   bool // ... and has a value
	Good       bool // a read with a value, update or not
	Listening  bool // nobody has asked for it yet, because its line is first listened to
	Value      float64
	Bound      reading.Bound
	At         reading.Stamp
	Resolution float64
}

func (in Input) first(resolution float64) Sense {
	return Sense{in.TempUpdate, in.TempHasValue, in.TempGood, in.TempListening, in.Temp, in.TempBound, in.TempAt, resolution}
}

// first and withFirst are the first temperature's guard, whose fields stand in the state itself.
func (s State) first() guard {
	return guard{s.Warm, s.Lost, s.Above, s.AboveAgo, s.Cool, s.Low, s.Present, s.SinceGood, s.Unread}
}

func (s State) withFirst(g guard) State {
	s.Warm, s.Lost, s.Above, s.AboveAgo, s.Cool, s.Low, s.Present, s.SinceGood, s.Unread = g.Warm, g.Lost, g.Above, g.AboveAgo, g.Cool, g.Low, g.Present, g.SinceGood, g.Unread
	return s
}

// allLost tells whether no temperature is left that guards.
func (s State) allLost(cfg *site.Interlock) bool { return s.Lost && (!cfg.HasSecond || s.Second.Lost) }

// cool tells whether every temperature was seen cool twice in a row in flowing sample; one that is lost was not.
func (s State) cool(cfg *site.Interlock) bool {
	return s.Cool >= coolUpdates && (!cfg.HasSecond || s.Second.Cool >= coolUpdates)
}

// low tells whether every temperature reads at or below the warning value twice in a row. Behind a closed valve that is the room.
func (s State) low(cfg *site.Interlock) bool {
	return s.Low >= coolUpdates && (!cfg.HasSecond || s.Second.Low >= coolUpdates)
}

// present tells whether every temperature has a value at this moment.
func (s State) present(cfg *site.Interlock) bool {
	return s.Present && (!cfg.HasSecond || s.Second.Present)
}

// step takes one temperature on. met tells that the close condition is met.
func (g guard) step(cfg *site.Interlock, lostAfter time.Duration, hot bool, in Input, t Sense) (_ guard, met bool) {
	g = g.lose(lostAfter, in.Elapsed, t)
	g, met = g.closeCondition(cfg, in.Elapsed, t)
	g = g.warm(cfg, in, t)
	g.Present = t.HasValue
	if g.Lost {
		g.Cool = 0
	}
	if !g.Present {
		g.Low = 0 // a re-arming is proved by what is seen now, and not by what was seen before a sensor was taken out
	}
	if !t.Update {
		return g, met
	}
	if above(t, cfg.WarnAbove) == no {
		g.Low = min(g.Low+1, coolUpdates)
		if hot {
			g.Cool = min(g.Cool+1, coolUpdates)
		}
	} else {
		g.Low, g.Cool = 0, 0
	}
	return g, met
}

// lose keeps the age of the last good read. Lost closes as lost: it is neither hot nor a reason to end hot. What is kept of the age on disk
// begins where no answer in time is that old, in whole seconds, so that a steady panel writes nothing and a process that ends again and again
// before the time is up still finds its temperature lost.
func (g guard) lose(after, elapsed time.Duration, t Sense) guard {
	if t.Good {
		g.SinceGood, g.Lost = 0, false
	} else if !t.Listening {
		g.SinceGood += elapsed
	}
	if g.SinceGood > after {
		g.SinceGood, g.Lost = after, true
	}
	if g.Unread = g.SinceGood.Truncate(time.Second); g.Unread <= after/3 { // a third is at least one period (config)
		g.Unread = 0
	}
	return g
}

// closeCondition keeps the chain of updates above the limit: two good updates in a row, both above, at most five seconds apart.
// Polls that bring nothing do not matter; one good update that is not above starts again. met tells that the chain is whole.
func (g guard) closeCondition(cfg *site.Interlock, elapsed time.Duration, t Sense) (_ guard, met bool) {
	if g.Above {
		g.AboveAgo += elapsed
	}
	if t.Update {
		switch above(t, cfg.CloseAbove) {
		case yes:
			met = g.Above && g.AboveAgo <= confirmWithin
			g.Above, g.AboveAgo = true, 0
		case no:
			g.Above, g.AboveAgo = false, 0
		}
	}
	if g.AboveAgo > confirmWithin {
		g.Above, g.AboveAgo = false, 0 // too old to make a pair
	}
	return g, met
}

// warm starts with one update strictly above the warning value and ends with one a deadband below it. A closed valve's
// temperature does neither, and no temperature ends it while nothing shows that the sensor stands in flowing water.
func (g guard) warm(cfg *site.Interlock, in Input, t Sense) guard {
	if !t.Update || in.Valve == reading.ValveClosedState {
		return g
	}
	still := in.FlowKnown && in.Flow <= 0
	blind := in.FeedbackConfigured && in.Valve == reading.ValveNotConfirmed && !(in.FlowKnown && in.Flow > 0)
	switch {
	case above(t, cfg.WarnAbove) == yes:
		g.Warm = true
	case !still && !blind && above(t, cfg.WarnAbove-deadband(in.Unit)) == no:
		g.Warm = false
	}
	return g
}

// verdict is yes, no, or that a bound does not decide.
type verdict uint8

const (
	undecided verdict = iota
	yes
	no
)

// above compares a temperature with a limit, strictly. At its ceiling the truth is above the number: that decides every limit up
// to it and none beyond. At its floor it is below the number, which decides every limit from it on.
func above(s Sense, limit float64) verdict {
	t, l := steps(s.Value, s.Resolution), steps(limit, s.Resolution)
	switch {
	case s.Bound == reading.Above && t >= l:
		return yes
	case s.Bound == reading.Above, s.Bound == reading.Below && t > l:
		return undecided
	case t > l:
		return yes
	}
	return no
}

// steps is v in whole steps of the display; v itself for a point without a resolution.
func steps(v, resolution float64) float64 {
	if resolution > 0 {
		return math.Round(v / resolution)
	}
	return v
}

// deadband is one kelvin in the unit of the temperature.
func deadband(u quantity.Unit) float64 {
	if u.Name() == "degF" {
		return 1.8
	}
	return 1
}
