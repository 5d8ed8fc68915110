package panel

import (
	"slices"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/panel/interlock"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// rule is a standing condition of the interlock that people are called for.
type rule struct {
	name     string
	priority site.Priority
	raised   event.Kind
	returned event.Kind
	holds    func(interlock.Output) bool
}

// The rules, in the order of their alarms. Priorities follow the consequence and the time to act: a valve that should be closed
// and is not needs a person now; a warm sample needs one soon.
var rules = [...]rule{
	{"sample-warm", site.MediumPriority, event.SampleWarm, event.SampleWarmOver, func(o interlock.Output) bool { return o.Warm }},
	{"sample-hot", site.HighPriority, event.SampleHot, event.SampleHotOver, func(o interlock.Output) bool { return o.Hot }},
	{"temperature-lost", site.HighPriority, event.TemperatureLost, event.TemperatureBack, func(o interlock.Output) bool { return o.Lost }},
	{"valve-failed-to-close", site.TopPriority, event.ValveFailedToClose, event.ValveNoLongerFailed, func(o interlock.Output) bool { return o.FailedToClose }},
	{"valve-not-confirmed", site.MediumPriority, event.ValveNotConfirmed, event.ValveConfirmed, func(o interlock.Output) bool { return o.NotConfirmed }},
	{"open-no-flow", site.MediumPriority, event.OpenNoFlow, event.FlowBack, func(o interlock.Output) bool { return o.OpenNoFlow }},
	{"sample-rising", site.MediumPriority, event.SampleRising, event.SampleRisingOver, func(o interlock.Output) bool { return o.Rising }},
	{"cooler-approach", site.MediumPriority, event.CoolerApproach, event.CoolerApproachOver, func(o interlock.Output) bool { return o.Apart }},
	{"one-temperature-lost", site.MediumPriority, event.OneTemperatureLost, event.OneTemperatureBack, func(o interlock.Output) bool { return o.OneLost }},
	{"valve-cannot-close", site.TopPriority, event.CannotClose, event.OrderTaken, func(o interlock.Output) bool { return o.CannotAsk }},
}

// rules turns the interlock's conditions and the valve's movements into alarms and events.
func (pl *Panel) rules(in Input, since, elapsed time.Duration) {
	if !pl.p.Interlock.Configured {
		return
	}
	own := pl.proof(pl.p.Interlock.Temperature).Own
	for k := range rules {
		r := &rules[k]
		i := len(pl.p.Limits) + k
		holds := r.holds(pl.watch)
		a := &pl.state.Alarms[i]
		if r.name == "open-no-flow" && pl.state.OnLine.off() && !a.Alarm.Active {
			holds = false // a boiler at rest draws no sample; nobody is called for that, and nothing that stands ends by it
		}
		if r.raised == event.OneTemperatureLost && pl.guardInHand() && !a.Alarm.Active {
			holds = false // a person has it in hand, and said so
		}
		if a.Alarm.Active {
			a.Lasted += elapsed
			if own.HasValue() && (!a.HighSeen || own.Value > a.Highest) {
				a.Highest, a.HighSeen = own.Value, true
			}
		}
		n := news{i: i, rose: holds && !a.Alarm.Active, fell: !holds && a.Alarm.Active, raised: r.raised, ended: r.returned, prio: pl.rulePriority(r)}
		if n.rose {
			a.Lasted, a.Highest, a.HighSeen = 0, own.Value, own.HasValue()
		}
		pl.move(&n, in, since)
		pl.tell(&n)
	}
	if pl.watch.ClosedSeen && !(pl.watch.Began && pl.watch.Cause == interlock.FoundClosed) { // which is told as that
		pl.valveEvent(event.ValveClosedSeen)
	}
	if pl.watch.OpenedSeen {
		pl.valveEvent(event.ValveOpenedSeen)
	}
}

// rulePriority raises a lost feedback to the top while the sample is hot or the valve asked to close: then it is the closing that is not confirmed.
func (pl *Panel) rulePriority(r *rule) site.Priority {
	if r.raised == event.ValveNotConfirmed && (pl.watch.Hot || pl.watch.Held) {
		return site.TopPriority
	}
	return r.priority
}

func (pl *Panel) valveEvent(k event.Kind) {
	e := event.Event{Kind: k, Priority: site.MediumPriority, Cause: pl.watch.ValveBy, Trust: pl.trust(), Count: pl.unfit()}
	pl.ruleFacts(&e)
	pl.emit(e)
}

// ruleFacts puts the temperature and the value it is judged by into an event of the interlock.
func (pl *Panel) ruleFacts(e *event.Event) {
	k := &pl.p.Interlock
	which, lastTemp := pl.speaks(e.Kind)
	pt := &pl.s.Points[which]
	e.Point = pt.Path
	v := pl.valueOf(pt, pl.at(which).Own, pt.Unit)
	e.Value = &v
	if v.Quality == reading.Bad.String() && lastTemp.HasValue() {
		last := pl.valueOf(pt, lastTemp, pt.Unit)
		e.LastGood = &last
	}
	e.Limit = &event.LimitValue{Name: "close_above", Side: site.High.String(), Value: k.CloseAbove, Source: site.Source{Document: "site setting"}}
	written := k.CloseText
	if e.Kind == event.SampleWarm || e.Kind == event.SampleWarmOver {
		e.Limit.Name, e.Limit.Value, written = "warn_above", k.WarnAbove, k.WarnText
	}
	e.Limit.Written, e.Limit.Unit = e.Limit.Value, pt.Unit.Name()
	if w, u, err := quantity.ParseValue(written, quantity.Temperature); err == nil { // a bare number is in the point's unit
		e.Limit.Written, e.Limit.Unit = w, u.Name()
		v = pl.valueOf(pt, pl.at(which).Own, u)
		if e.LastGood != nil {
			last := pl.valueOf(pt, lastTemp, u)
			e.LastGood = &last
		}
	}
	switch {
	case e.Cause != "":
	case e.Kind == event.ValveFailedToClose && pl.watch.Leak:
		e.Cause = "leak" // feedback says closed and sample still flows
	case e.Kind == event.ValveFailedToClose && pl.watch.Held:
		e.Cause = pl.watch.Cause.String()
	case e.Kind == event.SampleHot, e.Kind == event.SampleHotOver, e.Kind == event.ValveFailedToClose, e.Kind == event.TemperatureLost:
		e.Cause = pl.watch.FirstOut.String()
	}
	e.Count = pl.unfit()
	pl.driveFacts(e)
}

// unfit is how many points of the panel are not representative at this moment: all that describe the water, or none.
func (pl *Panel) unfit() int {
	n := 0
	if d := pl.doubt(); d == reading.Believed || d == reading.FlowUnproven {
		return 0
	}
	for i, p := range pl.p.Points {
		// what comes from a laboratory or a sensor of the site does not stand in this sample
		if of := pl.moves[i]; of != site.None && pl.s.Points[p].Chemistry() && pl.pos(of) != site.None && !pl.s.Points[of].Derived() {
			n++
		}
	}
	return n
}

// fitness tells when the sample starts or ceases to be representative.
func (pl *Panel) fitness(Input) {
	d := pl.doubt()
	fit := d == reading.Believed || d == reading.FlowUnproven
	if !pl.p.Line.Configured && !pl.p.Interlock.Configured {
		return
	}
	if pl.state.FitKnown && pl.state.Fit == fit {
		return
	}
	first := !pl.state.FitKnown
	pl.state.Fit, pl.state.FitKnown = fit, true
	if first && !fit {
		return // at the first start the long flush is owed; that is a beginning, not a change
	}
	e := event.Event{Kind: event.SampleRepresentative, Priority: site.LowPriority, Trust: pl.trust(), Count: pl.unfit()}
	if !fit {
		e.Kind, e.Cause = event.SampleNotRepresentative, d.String()
	}
	pl.emit(e)
}

// Look is what a reader may see of a panel; the engine puts it into the View.
type Look struct {
	Readings   []reading.Reading // in the order of site.Panel.Points
	Good       []reading.Stamp
	Alarms     []AlarmLook
	Excursions []event.Excursion
	Interlock  interlock.Output
	Valve      reading.Valve
	ValveFrom  string
	Doubt      reading.Reason
	FlushedML  float64
	OwedML     float64
	Lag        time.Duration
	LagKnown   bool
	Reopened   bool
	OnLine     bool
	OnLineFrom string        // command, point, assumed
	StartUp    time.Duration // left of the time after going on line in which no limit of the chemistry opens
	Said       Said          // a person's word whether the boiler is fed
	Checks     []Check       // sensors in a person's hand
	Seen       bool          // the panel was judged in this process
}

// AlarmLook is one alarm as it stands.
type AlarmLook struct {
	Name      string
	Limit     int // site.None for a rule
	State     string
	Priority  site.Priority
	Active    bool
	Since     reading.Wall
	Raised    string
	AckBy     string
	Pending   time.Duration
	Excursion string
	Judged    *site.Limit   // of a limit that hangs on a learned normal: as it is judged now
	Normal    *event.Normal // what was learned
	Usual     float64       // the same in the point's unit; 0: nothing

	Told, Suppressed, Unsteady, MustSpeak bool
	Quiet, Behind, By                     string
	Swings                                int
	Shelf                                 Shelf // zero when there is none
	Out                                   Out   // zero when in service
}

// Look gives the panel as it stands.
func (pl *Panel) Look() Look {
	l := Look{Interlock: pl.watch, Valve: pl.lineOut.Valve, ValveFrom: pl.lineOut.ValveFrom, Doubt: pl.doubt(),
		FlushedML: pl.lineOut.FlushedML, OwedML: pl.lineOut.OwedML, Lag: pl.lineOut.Lag + pl.lineOut.Stood, LagKnown: pl.lineOut.LagKnown,
		Reopened: pl.Reopened(), OnLine: !pl.state.OnLine.off(), OnLineFrom: pl.state.OnLine.from(), StartUp: pl.state.OnLine.StartUp, Seen: pl.started,
		Said: pl.state.OnLine.Said, Checks: slices.Clone(pl.state.Checks)}
	l.Readings = make([]reading.Reading, len(pl.mem))
	l.Good = make([]reading.Stamp, len(pl.mem))
	for i := range pl.mem {
		l.Readings[i], l.Good[i] = pl.mem[i].shown, pl.mem[i].good
	}
	for i := range pl.state.Alarms {
		a := &pl.state.Alarms[i]
		v := AlarmLook{Name: a.Name, Limit: site.None, State: a.Alarm.Shown(), Priority: pl.priorityOf(i), Active: a.Alarm.Active,
			Since: a.Alarm.Since, Raised: a.Alarm.Raised, AckBy: a.Alarm.AckBy, Told: a.Told, Quiet: a.Quiet, Behind: a.Behind,
			Unsteady: a.Swings.Unsteady, Swings: a.Swings.Count, Suppressed: a.Alarm.Suppressed, By: a.By, MustSpeak: pl.mustSpeak(i)}
		if a.Shelf != nil {
			v.Shelf = *a.Shelf
		}
		if a.Out != nil {
			v.Out = *a.Out
		}
		if i < len(pl.p.Limits) {
			v.Limit = i
			if l := pl.inForce[i]; l.Of.Learned() {
				v.Judged, v.Normal, v.Usual = &l, pl.normalOf(&l), pl.usual(l.Point)
			}
			if a.Judge.Stage == alarm.Pending {
				v.Pending = a.Judge.Run
			}
			if x := pl.openExcursion(i); x != nil {
				v.Excursion = x.ID
				l.Excursions = append(l.Excursions, *x)
			}
		}
		l.Alarms = append(l.Alarms, v)
	}
	return l
}
