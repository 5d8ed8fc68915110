// Package interlock is the sample over-temperature watch of one panel. It observes: it says when a panel's own protection should
// have closed the sample valve, whether it did, and when the evidence shows a cooled sample again. Where the site says so it also asks for
// the valve to be closed, and goes on asking until a person re-arms it. It can ask for nothing else.
//
// Two traps rule it. A sensor behind a closed valve reads room air, so a temperature that falls while the valve is closed says
// nothing. And the water that comes first after an opening is that of the dead line, cold whatever the cooler does, so a hot
// sample is over only in a flushed line.
//
// Owns: warm, hot, lost, rising, failed to close, not confirmed, open without flow; the first cause; the edges of the valve; the holding.
// Never: asks whether the chemistry is representative, believes a closed valve's temperature, or takes lost for hot or for cool.
package interlock

import (
	"fmt"
	"math"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// Two good updates above the limit this far apart or less make it hot. Practice wants the confirming short against the rise
	// of the temperature; one update alone may be a spike.
	confirmWithin = 5 * time.Second
	// A valve that closes this soon after a close condition was closed by the panel. Judgement.
	byPanelWithin = 60 * time.Second
	// An open valve without flow is told after this: the daily grab sample and a feed pump that pauses are shorter. Judgement.
	dryAfter = 10 * time.Minute
	// More flow than this share of the low end of the flow range through a closed valve is a leak and not the meter's noise.
	leakShare = 0.05
	// Two updates at or below the warning value, in a flushed line, end a hot sample.
	coolUpdates = 2
)

// Phase says the watch in one word. The zero Phase is Watching.
type Phase uint8

// Phases. Hot is said before lost, and lost before warm.
const (
	Watching Phase = iota
	Warm
	Hot
	TemperatureLost
)

var phaseNames = [...]string{"watching", "warm", "hot", "temperature_lost"}

func (p Phase) String() string { return phaseNames[int(p)%len(phaseNames)] }

// Cause is why the valve should be closed. The zero Cause is none.
type Cause uint8

// Causes.
const (
	NoCause Cause = iota
	OverTemperature
	TemperatureLostCause
	FoundClosed // at the start of the process, and nothing durable says why; of a holding only
)

var causeNames = [...]string{"", "over_temperature", "temperature_lost", "found_closed"}

func (c Cause) String() string { return causeNames[int(c)%len(causeNames)] }

// MarshalText is String: what is kept on disk must not move when a cause is added.
func (c Cause) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads a cause's name.
func (c *Cause) UnmarshalText(b []byte) error {
	for i, name := range causeNames {
		if name == string(b) {
			*c = Cause(i)
			return nil
		}
	}
	return fmt.Errorf("interlock cause %q: not one", b)
}

// Who closed the valve.
const (
	ByPanel  = "by panel"
	ByHand   = "by hand"
	NotKnown = "not known"
)

// State is what must be remembered. The zero State has seen nothing and has nothing to tell. Every duration is seen time and
// stops at the length at which more changes nothing.
type State struct {
	Warm bool `json:"warm,omitempty"`
	Hot  bool `json:"hot,omitempty"`
	Lost bool `json:"lost,omitempty"`

	Above    bool          `json:"-"`              // the last good update was above the limit; what nobody watched makes no pair, so a new process begins anew
	AboveAgo time.Duration `json:"-"`              // how long ago it came
	Cool     uint8         `json:"cool,omitempty"` // updates in a row at or below the warning value in flowing sample, while hot

	Wanted    bool  `json:"wanted,omitempty"`    // a close condition was met and the valve was not seen closed since
	NotClosed spell `json:"not_closed,omitzero"` // Wanted, and evidence that the valve is not closed
	Leaking   spell `json:"leaking,omitzero"`    // a leak through the closed valve
	Dry       spell `json:"dry,omitzero"`        // open without flow
	Blind     spell `json:"blind,omitzero"`      // the feedback is configured and lost
	Unsure    bool  `json:"unsure,omitempty"`    // and that was told: it holds until the valve is known again

	Met     bool          `json:"-"` // a close condition was met in the last 60 s; not known of a time nobody watched
	MetAgo  time.Duration `json:"-"`
	Opened  bool          `json:"opened,omitempty"` // the valve was last known open
	Closed  bool          `json:"closed,omitempty"` // the valve was last known closed
	ByPanel bool          `json:"by_panel,omitempty"`
	ByHand  bool          `json:"by_hand,omitempty"` // a person has said so

	FirstOut   Cause        `json:"first_out,omitempty"` // of the present or last close condition
	FirstOutAt reading.Wall `json:"first_out_at,omitempty"`

	Second guard `json:"second,omitzero"` // of the second temperature, where there is one
	Trend  trend `json:"trend,omitzero"`
	Hold   Hold  `json:"hold,omitzero"`

	Low     uint8 `json:"-"` // updates in a row at or below the warning value, wherever the sensor stands; for a re-arming
	Present bool  `json:"-"` // the temperature has a value at this moment; for a re-arming

	SinceGood time.Duration `json:"-"`                // changes with every poll
	Unread    time.Duration `json:"unread,omitempty"` // so much of it outlives the process
}

// spell is how long a condition has stood. The time between two steps belongs to the one it starts with.
type spell struct {
	On  bool          `json:"on,omitempty"`
	For time.Duration `json:"for,omitempty"`
}

// next takes the spell on: yes runs it, no ends it, undecided makes it wait. It is not counted past most.
func (p spell) next(on verdict, elapsed, most time.Duration) spell {
	switch {
	case on == no:
		return spell{}
	case on == yes && p.On:
		p.For = min(p.For+elapsed, most)
	}
	p.On = on == yes
	return p
}

// Input is one step.
type Input struct {
	Elapsed time.Duration // seen time since the previous step, 0 for the first after a boot

	TempUpdate   bool // a sensor update arrived in this step ...
	TempHasValue bool // ... and has a value: Temp
	Temp         float64
	TempBound    reading.Bound
	TempAt       reading.Stamp
	TempGood     bool // this step brought a read with a value, update or not
	// TempListening: nobody has asked for it yet, because its line is first listened to. That has an end of its own, and is no loss.
	TempListening bool

	Valve              reading.Valve // as the line judges it
	ValveFrom          string        // feedback, flow, none
	FeedbackConfigured bool
	FeedbackOK         bool // the last read of it had a value
	FeedbackSilent     bool // it has none because its station does not answer
	FeedbackListening  bool // nobody has asked for it yet, as TempListening

	FlowKnown bool
	Flow      float64 // mL/min; 0 when the meter is at its floor
	FlowLow   float64 // the low end of the panel's flow range

	LineFresh bool // the line's reason is Believed or FlowUnproven
	Now       reading.Stamp

	Unit quantity.Unit // of the temperature; only its degree matters, and the zero Unit has that of the kelvin

	Second       Sense // the second temperature, where there is one
	CoolingKnown bool
	Cooling      float64 // the cooling water's temperature

	RoundDone bool                // a whole round over the bus of the feedback ended with this step
	Result    reading.OrderResult // what became of an order ...
	HasResult bool                // ... when it came in this step
}

// Output is the watch as it stands. The conditions are standing; what is told of them is decided elsewhere.
type Output struct {
	Warm, Hot, Lost bool
	FailedToClose   bool // hot and not closed for longer than 1.5 strokes, or a leak through the closed valve for as long
	Leak            bool // FailedToClose although the valve was last said to be closed
	NotConfirmed    bool // the feedback is configured and lost for as long as makes a temperature lost; a silent station is told as that, unless the sample is hot
	OpenNoFlow      bool // open by feedback, and no flow for ten minutes

	ClosedSeen, OpenedSeen bool   // edges of what is known of the valve
	ValveBy                string // while it is closed: "by panel", "by hand" or "not known"

	Demote     reading.Reason // HotSample while hot, not known closed and not seen at or below the warning value in flowing sample; else Believed
	Phase      Phase
	FirstOut   Cause
	FirstOutAt reading.Wall
	NewCause   bool // FirstOut is of this step

	OneLost       bool // one of two temperatures is lost, and the other guards alone
	SecondIsLost  bool // and it is the second
	Rising, Apart bool // steeper than it should be; further above the cooling water than it should be
	RatePerMin    float64
	RateKnown     bool

	Holding
}

// Step takes the watch one step on. resolution is the display step of the temperature point, in its unit: temperatures and limits
// are compared as whole steps of it, so that the number on the display decides.
func Step(cfg *site.Interlock, resolution float64, s State, in Input) (State, Output) {
	if !cfg.Configured {
		return State{Hold: s.Hold}, Output{Demote: reading.Believed} // what is held stays held until a person re-arms, whatever the file says meanwhile
	}
	in.Elapsed = max(0, in.Elapsed)
	in.TempUpdate = in.TempUpdate && in.TempHasValue && !math.IsNaN(in.Temp)
	in.Second.Update = in.Second.Update && in.Second.HasValue && !math.IsNaN(in.Second.Value)

	was := s.allLost(cfg)
	g, met := s.first().step(cfg, cfg.LostAfter, s.Hot, in, in.first(resolution))
	s = s.withFirst(g)
	at := in.TempAt.Wall
	if cfg.HasSecond {
		var too bool
		if s.Second, too = s.Second.step(cfg, cfg.SecondLostAfter, s.Hot, in, in.Second); too && !met {
			met, at = true, in.Second.At.Wall
		}
	}
	var out Output
	gone := s.allLost(cfg)
	held := cfg.Drive.Configured && s.Hold.Held
	switch {
	case s.Hot, held: // what came first stays first
	case met && !was:
		s.FirstOut, s.FirstOutAt, out.NewCause = OverTemperature, at, true
	case gone && !was:
		s.FirstOut, s.FirstOutAt, out.NewCause = TemperatureLostCause, in.Now.Wall, true
	}
	if met {
		s.Hot, s.Wanted = true, true
	}
	s = over(cfg, s, in)

	s.MetAgo += in.Elapsed
	if met || gone {
		s.Met, s.MetAgo = true, 0
	}
	if !s.Met || s.MetAgo > byPanelWithin {
		s.Met, s.MetAgo = false, 0
	}
	s, out = edges(s, in, held && !s.Hold.Override.On, out)
	s, out = hold(cfg, s, in, met, gone, out)
	s = closing(cfg, s, in, out.Ask)
	s.Dry = s.Dry.next(dry(in), in.Elapsed, dryAfter)
	if b := blind(in); b != undecided {
		s.Blind = s.Blind.next(b, in.Elapsed, cfg.LostAfter)
		s.Unsure = s.Blind.On && (s.Unsure || s.Blind.For >= cfg.LostAfter && (s.Hot || out.Ask || !in.FeedbackSilent))
	} // else what was told stands
	s.Trend = s.Trend.step(cfg, s.Hot, in, in.first(resolution))
	return s, say(cfg, s, in, out)
}

// over ends a hot sample, by evidence only: the valve open, the flow above zero where there is a meter, in that two updates in a row of
// every temperature at or below the warning value, and the line flushed by then. Any step without open valve and flow begins the two
// again. Until the line is flushed the sample stays hot, but what is doubted of its chemistry is the flushing.
func over(cfg *site.Interlock, s State, in Input) State {
	if !s.Hot || in.Valve != reading.ValveOpen || in.FlowKnown && in.Flow <= 0 {
		s.Cool, s.Second.Cool = 0, 0
		return s
	}
	if s.cool(cfg) && in.LineFresh && (in.TempUpdate || cfg.HasSecond && in.Second.Update) {
		s.Hot, s.Wanted, s.Cool, s.Second.Cool = false, false, 0, 0
	}
	return s
}

// edges finds the movements of the valve. A time in which it is not confirmed is no movement, and neither is the first look. What closes while
// rillwatch asks for it is put down to the panel's control, which was asked, as what closes soon after a close condition is.
func edges(s State, in Input, asked bool, out Output) (State, Output) {
	switch in.Valve {
	case reading.ValveOpen:
		out.OpenedSeen = s.Closed
		s.Opened, s.Closed, s.ByPanel, s.ByHand = true, false, false, false
	case reading.ValveClosedState:
		out.ClosedSeen = s.Opened
		if !s.Closed {
			s.ByPanel = s.Met || asked
		}
		s.Opened, s.Closed = false, true
	}
	return s, out
}

// closing measures how long the valve has not been closed though it should be. Once it was seen closed, opening it again is a
// person's doing: only a new close condition starts the measuring again. While rillwatch asks for it, it should be closed all the time.
func closing(cfg *site.Interlock, s State, in Input, asked bool) State {
	s.Wanted = s.Wanted || asked
	closed := in.Valve == reading.ValveClosedState
	leaks := letsThrough(in)
	// A leak through a closed valve is not closed. Without a position switch a flow that has stopped is as closed as can be seen.
	if closed && !leaks || !in.FeedbackConfigured && in.FlowKnown && !leaks {
		s.Wanted = false
	}
	notClosed, leaking := no, no
	switch {
	case !s.Wanted:
	case leaks, in.FeedbackConfigured && in.Valve == reading.ValveOpen:
		notClosed = yes
	default:
		notClosed = undecided
	}
	switch {
	case in.Valve == reading.ValveOpen:
	case closed && leaks:
		leaking = yes
	case !closed, !in.FlowKnown:
		leaking = undecided
	}
	most := failedAfter(cfg) + 1 // longer than, not as long as
	s.NotClosed = s.NotClosed.next(notClosed, in.Elapsed, most)
	s.Leaking = s.Leaking.next(leaking, in.Elapsed, most)
	return s
}

// letsThrough tells whether more sample flows than passes for the noise of a meter.
func letsThrough(in Input) bool { return in.FlowKnown && in.Flow > leakShare*in.FlowLow }

// blind tells whether nobody can say by feedback where the valve stands. While its line is first listened to nobody has asked.
func blind(in Input) verdict {
	switch {
	case !in.FeedbackConfigured || in.Valve != reading.ValveNotConfirmed:
		return no
	case in.FeedbackListening:
		return undecided
	}
	return yes
}

// failedAfter is one and a half strokes; a valve that takes longer has failed to close.
func failedAfter(cfg *site.Interlock) time.Duration { return cfg.Travel + cfg.Travel/2 }

// dry tells whether feedback says open and nothing flows; while either is not known the ten minutes wait.
func dry(in Input) verdict {
	switch {
	case in.Valve == reading.ValveClosedState, in.FlowKnown && in.Flow > 0:
		return no
	case in.FeedbackConfigured && in.Valve == reading.ValveOpen && in.FlowKnown:
		return yes
	}
	return undecided
}

// say turns the state into what stands.
func say(cfg *site.Interlock, s State, in Input, out Output) Output {
	out.Warm, out.Hot, out.Lost = s.Warm || s.Second.Warm, s.Hot, s.allLost(cfg)
	out.OneLost = cfg.HasSecond && s.Lost != s.Second.Lost
	out.SecondIsLost = out.OneLost && s.Second.Lost
	out.Rising, out.Apart = s.Trend.Rising, s.Trend.Far
	out.RatePerMin, out.RateKnown = s.Trend.rate, s.Trend.known
	out.FailedToClose = s.Leaking.For > failedAfter(cfg) || s.NotClosed.For > failedAfter(cfg)
	out.Leak = out.FailedToClose && s.Closed
	out.NotConfirmed = s.Unsure
	out.OpenNoFlow = s.Dry.For >= dryAfter
	switch {
	case !s.Closed:
	case s.ByHand:
		out.ValveBy = ByHand
	case s.ByPanel:
		out.ValveBy = ByPanel
	default:
		out.ValveBy = NotKnown
	}
	out.Demote = reading.Believed
	switch {
	case in.Valve == reading.ValveClosedState:
	case s.Hot && !s.cool(cfg):
		out.Demote = reading.HotSample
	case out.Held: // whatever the evidence: a person has not said yet that the cooling works
		out.Demote = reading.NotConfirmed
	}
	switch {
	case out.Hot:
		out.Phase = Hot
	case out.Lost:
		out.Phase = TemperatureLost
	case out.Warm:
		out.Phase = Warm
	}
	out.FirstOut, out.FirstOutAt = s.FirstOut, s.FirstOutAt
	return out
}
