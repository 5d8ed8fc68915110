// Package line judges whether fresh sample water stands at the sensors of one panel.
//
// Fresh water is measured in volume, not in seconds: the same line is flushed in 87 s at 200 mL/min and in 348 s at 50. What is
// owed depends on what the sensors stood in, which depends on how long the sample had stopped.
//
// Owns: stops and their length, openings to air, the volume owed and flushed, the settling of oxygen, a flow that falls slowly, the lag, what is
// known of the sample valve.
// Never: believes a sample whose flow is not proven, or reads a temperature.
package line

import (
	"math"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// A stop shorter than this owes three cells only: the water in the line is minutes old. Judgement; small boilers feed in
	// short pulses and must be believed at the end of each.
	shortStop = 5 * time.Minute
	// A stop this long counts as opened to air. Judgement. No stop is counted beyond it, because more changes nothing.
	longStop = time.Hour

	// What a stop owes, in leads (the volume from tap to cell) and cells. A well-mixed cell keeps e^-n of its old water after n
	// volumes: 5 % after three, less than 0.01 % after ten, which takes air-saturated water (8 mg/L) below 1 ug/L.
	shortCells               = 3
	mediumLeads, mediumCells = 1, 3
	longLeads, longCells     = 3, 10

	holdPeriods = 3                // a reading not renewed for longer proves nothing
	outsideLong = 10 * time.Minute // worth telling: the daily grab sample dips the flow for less
	stoodMax    = 24 * time.Hour   // bound of Stood and of ages
	lagMax      = 24 * time.Hour   // a longer lag is a stop, and the quotient must fit a duration
	microlitre  = 1e-3             // mL; a sum of many small volumes is not told from a whole closer than this
)

// Where the state of the valve was taken from.
const (
	FromFeedback = "feedback"
	FromFlow     = "flow"
	FromNone     = "none"
)

// State is what must be remembered of the line. The zero State is a line never seen: it owes the long flush.
//
// Fields that change with every poll and mean nothing after a restart are not kept on disk, so that a steady panel writes nothing.
type State struct {
	Started bool          `json:"started,omitempty"`
	Flowing bool          `json:"flowing,omitempty"` // at the last step
	Stop    time.Duration `json:"stop,omitempty"`    // length of the present stop, or of the last one while flowing
	Owed    float64       `json:"owed_ml,omitempty"` // by the stop before the present flow, since it began
	Flushed float64       `json:"flushed_ml,omitempty"`
	Air     float64       `json:"air_ml,omitempty"`  // still owed to an opening to air when the present flow began
	Opening bool          `json:"opening,omitempty"` // what is owed to air is owed to an opening that was seen, not to a first start
	Stood   time.Duration `json:"stood,omitempty"`   // how long the water now in the line has stood still on its way
	Outside time.Duration `json:"outside,omitempty"`
	Out     bool          `json:"out,omitempty"` // flow outside the panel's range at the last step

	FeedbackKnown bool `json:"feedback_known,omitempty"`
	Closed        bool `json:"closed,omitempty"` // as feedback last said

	Rate        float64       `json:"-"` // mL/min, the last flow seen; after a restart unseen, so no volume is credited
	FlowAge     time.Duration `json:"-"`
	FeedbackAge time.Duration `json:"-"`
}

// Input is one step.
type Input struct {
	Elapsed     time.Duration // seen time since the panel's previous step, 0 for the first after a boot
	Away        time.Duration // on the first step after a boot: how long the daemon was away
	AwayUnknown bool          // ... or that nobody knows

	FlowConfigured, FlowOK bool          // OK: the last read brought a value
	Flow                   float64       // mL/min
	FlowAtFloor            bool          // the flow meter cannot tell it from none
	FlowAge                time.Duration // age of the flow reading
	Period                 time.Duration // of the flow's sensor; also of the feedback's while FeedbackPeriod is 0

	FeedbackConfigured, FeedbackOK, FeedbackClosed bool
	FeedbackAge                                    time.Duration
	FeedbackPeriod                                 time.Duration

	SensorOut bool // a person has a sensor out of the line
}

// Output is the line as it stands.
type Output struct {
	// Reason is why the sample is not representative, the worst first: ValveClosed, NotConfirmed, NoFlow, FlowOutside, Flushing.
	// FlowUnproven: there is no flow point, and nothing else speaks against it. Believed: representative.
	Reason    reading.Reason
	Valve     reading.Valve
	ValveFrom string // feedback, flow, none

	Lag      time.Duration // lead volume over the present flow, without the cell; without a flow point at the low end of the range
	LagKnown bool
	// Stood is how much older than Lag the water at the cell is, because it stood still on its way; it includes the last stop
	// until a lead has passed.
	Stood time.Duration

	FlushedML   float64 // since flow last began, counted until nothing is owed
	OwedML      float64 // since flow last began; while stopped, what would be owed if flow began now
	OutsideLong bool    // outside the flow range for ten minutes without a reading inside
	Opened      bool    // the line stands open to air, or was opened and the flush it owes for that is not whole yet
}

// Step takes the line one step on.
//
// The volume that a stop owes counts from the moment flow last began. What an opening to air owes and has not been flushed
// stays owed across later stops; what has been flushed of it counts, or a boiler fed in pulses shorter than the long flush
// would never be believed again.
//
// Without a flow point nobody can prove a flush. Only a closing that feedback has shown is answered by one, counted at the low
// end of the panel's flow range: the water that comes first after a closing is that of the dead line.
func Step(cfg *site.Line, s State, in Input) (State, Output) {
	seen := max(0, in.Elapsed)
	gap := seen + max(0, in.Away) // seen or not
	metered := cfg.Configured && in.FlowConfigured

	// The time between two steps belongs to the flow it starts with; time nobody saw is credited to nobody.
	passed := s.Rate * seen.Minutes()
	s = feedback(s, in, gap)
	closed := s.FeedbackKnown && s.Closed
	var flowing bool
	var blind time.Duration
	if metered {
		s, flowing, blind = meter(s, in, gap)
	} else {
		// Only a closing that was seen is a stop; while feedback is lost it goes on.
		lost := in.FeedbackConfigured && !s.FeedbackKnown
		s.Rate, flowing = max(0, cfg.FlowLow), !s.Started || s.Flowing || !lost
	}
	flowing = flowing && !closed

	switch {
	case !s.Started:
		s.Started = true
		if metered {
			s.Air = long(cfg) // nobody saw it opened, so nothing has to settle, but nobody knows what stood in it
		} else {
			s.Flowing = flowing // nobody saw it stop, so nothing is owed
		}
	case !s.Flowing:
		s.Stop = min(s.Stop+gap, longStop)
		if in.AwayUnknown {
			s.Stop = longStop
		}
	default:
		if blind == 0 {
			s.Flushed += passed
		}
		if s.Out {
			s.Outside = min(s.Outside+seen, outsideLong)
		}
		switch {
		case metered && in.AwayUnknown:
			s = halted(cfg, s, longStop)
		case blind > 0:
			s = halted(cfg, s, blind)
		case !flowing:
			s = halted(cfg, s, 0)
		}
	}
	if flowing && !s.Flowing {
		s = begun(cfg, s)
		if !metered && cfg.FlowLow <= 0 {
			s.Owed = 0 // a flush that nothing can count is not asked for
		}
	}
	if in.SensorOut && (metered || cfg.FlowLow > 0) {
		s.Opening, s.Air, s.Flushed = true, long(cfg), 0 // whatever flows past an open cell proves nothing
		if s.Flowing {
			s.Owed = s.Air
		}
	}
	if full := max(s.Owed, cfg.LeadML); s.Flowing && s.Flushed+microlitre >= full {
		s.Flushed, s.Stood = full, 0 // counting stops when nothing more can come of it
	}
	if s.Opening && s.Flowing && s.Flushed+microlitre >= s.Air {
		s.Opening = false
	}
	switch {
	case !s.Flowing || !metered:
		s.Out = false // the ten minutes wait
	case in.FlowOK:
		s.Out = s.Rate < cfg.FlowLow || cfg.FlowHigh > 0 && s.Rate > cfg.FlowHigh
		if !s.Out {
			s.Outside = 0
		}
	}
	return s, look(cfg, s, in, metered, closed)
}

// feedback takes up what the valve's position switch says; a word not renewed for three periods is none.
func feedback(s State, in Input, gap time.Duration) State {
	period := in.FeedbackPeriod
	if period == 0 {
		period = in.Period
	}
	switch {
	case !in.FeedbackConfigured:
		s.FeedbackKnown = false
	case in.FeedbackOK:
		s.FeedbackKnown, s.Closed, s.FeedbackAge = true, in.FeedbackClosed, max(0, in.FeedbackAge)
	default:
		s.FeedbackAge += gap
		s.FeedbackKnown = s.FeedbackKnown && !in.AwayUnknown
	}
	if !s.FeedbackKnown || s.FeedbackAge > holdPeriods*period {
		s.FeedbackKnown, s.Closed, s.FeedbackAge = false, false, 0
	}
	return s
}

// meter takes up what the flow meter says. A flow is held for three periods. blind is how long a flow that was running has not
// been seen, when that is longer: a stop of that length.
func meter(s State, in Input, gap time.Duration) (_ State, flowing bool, blind time.Duration) {
	hold := holdPeriods * in.Period
	unseen := s.FlowAge + gap // since the flow was last read
	if in.FlowOK && in.FlowAge <= hold {
		age := max(0, in.FlowAge)
		unseen -= age
		s.FlowAge, s.Rate = age, in.Flow
		if in.FlowAtFloor || !(in.Flow > 0) || math.IsInf(in.Flow, 0) {
			s.Rate = 0
		}
		flowing = s.Rate > 0
	} else {
		s.FlowAge = min(unseen, stoodMax)
		flowing = s.Flowing && unseen <= hold
	}
	// What was read just after a start does not shorten the time nobody was there.
	if unseen = max(unseen, in.Away); s.Flowing && unseen > hold {
		blind = unseen
	}
	return s, flowing, blind
}

// halted ends the flow; the stop has lasted for already.
func halted(cfg *site.Line, s State, already time.Duration) State {
	s.Air = max(0, s.Air-s.Flushed)
	// Water that has come a part of the way has stood for that part fewer of the stops before.
	if cfg.LeadML > 0 {
		s.Stood = time.Duration(float64(s.Stood) * max(0, 1-s.Flushed/cfg.LeadML))
	} else {
		s.Stood = 0
	}
	s.Flowing, s.Stop, s.Owed, s.Flushed = false, min(already, longStop), 0, 0
	return s
}

// begun starts the flow after a stop.
func begun(cfg *site.Line, s State) State {
	if s.Stop >= longStop {
		s.Air, s.Opening = long(cfg), true
	}
	s.Owed = max(need(cfg, s.Stop), s.Air)
	s.Stood = min(s.Stood+s.Stop, stoodMax)
	s.Flowing, s.Flushed = true, 0
	return s
}

// need is the volume in mL that a stop of the given length owes.
func need(cfg *site.Line, stop time.Duration) float64 {
	switch {
	case stop >= longStop:
		return long(cfg)
	case stop >= shortStop:
		return mediumLeads*cfg.LeadML + mediumCells*cfg.CellML
	}
	return shortCells * cfg.CellML
}

func long(cfg *site.Line) float64 { return longLeads*cfg.LeadML + longCells*cfg.CellML }

// look says what the state means.
func look(cfg *site.Line, s State, in Input, metered, closed bool) Output {
	out := Output{ValveFrom: FromNone, OutsideLong: s.Outside >= outsideLong, OwedML: s.Owed, FlushedML: s.Flushed, Stood: s.Stood, Opened: s.Opening}
	if !s.Flowing {
		out.OwedML = max(need(cfg, s.Stop), s.Air)
		out.Stood = min(s.Stood+s.Stop, stoodMax)
		out.Opened = s.Opening || s.Stop >= longStop
	}
	switch {
	case s.FeedbackKnown && s.Closed:
		out.Valve, out.ValveFrom = reading.ValveClosedState, FromFeedback
	case s.FeedbackKnown:
		out.Valve, out.ValveFrom = reading.ValveOpen, FromFeedback
	case in.FeedbackConfigured: // and lost: flow is no substitute for what should have been said
	case metered && s.Flowing:
		out.Valve, out.ValveFrom = reading.ValveOpen, FromFlow
	case metered: // a stopped flow does not say that the valve is closed
		out.ValveFrom = FromFlow
	}
	switch {
	case closed:
		out.Reason = reading.ValveClosed
	case in.FeedbackConfigured && !s.FeedbackKnown:
		out.Reason = reading.NotConfirmed
	case metered && !s.Flowing:
		out.Reason = reading.NoFlow
	case s.Out:
		out.Reason = reading.FlowOutside
	case s.Flushed+microlitre < s.Owed:
		out.Reason = reading.Flushing
	case !metered:
		out.Reason = reading.FlowUnproven
	default:
		out.Reason = reading.Believed
	}
	if s.Rate > 0 && (s.Flowing || !metered) && cfg.Configured {
		if minutes := cfg.LeadML / s.Rate; minutes < lagMax.Minutes() {
			out.Lag, out.LagKnown = time.Duration(minutes*float64(time.Minute)), true
		}
	}
	return out
}
