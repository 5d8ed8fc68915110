package panel

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/panel/excursion"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// limits judges every limit whose point was read in this step, then looks at what silences it, and then tells.
func (pl *Panel) limits(in Input, since time.Duration) {
	pl.news = pl.news[:0]
	for i := range pl.p.Limits {
		n := news{i: i, raised: event.AlarmRaised, ended: event.AlarmReturned, prio: pl.p.Limits[i].Priority}
		if pl.at(pl.p.Limits[i].Point).Sampled {
			pl.judge(&n, in)
		}
		pl.move(&n, in, since)
		pl.news = append(pl.news, n)
	}
	pl.tellEnds() // first: a milder limit may speak from here on
	for k := range pl.news {
		n := &pl.news[k]
		if !n.fell {
			pl.tell(n)
		}
		switch {
		case n.rose:
			pl.record(n.i)
		case n.x != nil:
			pl.out.Records = append(pl.out.Records, *n.x)
			pl.state.Alarms[n.i].Kept = nil
		}
	}
}

// judge takes the reading of a limit's point into its judgement and its books.
func (pl *Panel) judge(n *news, in Input) {
	i := n.i
	l := &pl.inForce[i]
	m, a, pt := pl.at(l.Point), &pl.state.Alarms[i], &pl.s.Points[l.Point]
	period := pl.pointPeriod(l.Point)
	onLine, wait := pl.applies(l, pt)
	judged := alarm.Judged{Reading: m.Shown, Steps: m.Steps, Period: period, OnLine: onLine, Lag: pl.lineOut.Lag, Wait: wait}
	first := !pl.judged[i]
	if first {
		judged.Steps, judged.Away = 0, a.Away.For
	}
	judged = pl.measure(i, judged)
	step := l.Step(pt.Resolution)
	_, _, n.decides = l.Places(step, judged.Reading)
	n.decides = n.decides && onLine
	by := *l
	if a.Changed { // it stood under another limit: no new on-delay
		by.OnDelay, judged.Wait = 0, false
	}
	var edge alarm.Edge
	a.Judge, edge = alarm.StepLimit(&by, step, a.Judge, judged)
	books := excursion.Input{Do: bookkeeping(edge), Reading: judged.Reading, WallCertain: in.Certain, Steps: m.Steps, Period: period, OnLine: onLine}
	if first { // what lies between this read and the last one that was judged was not seen
		books.Steps, books.Restart = 0, !pl.boot.First
		books.Away, books.AwayKnown = a.Away.For, !a.Away.Unknown
		pl.judged[i], a.Away = true, Away{}
	}
	var done *excursion.Record
	a.Excursion, done = excursion.Step(l, step, a.Excursion, books)
	if edge != alarm.Closed { // what ends keeps its links for its record
		pl.link(i, edge, onLine)
	}
	switch {
	case edge == alarm.Opened:
		n.rose = true
	case edge == alarm.Closed:
		if done == nil {
			panic("panel " + pl.name + ": alarm " + a.Name + " closed without books") // the two rooms share one start and one clear
		}
		x := pl.excursionOf(i, *done)
		x.Open, x.Ended = false, "returned"
		n.fell, n.x = true, &x
		a.Before, a.Links, a.More = "", nil, 0
	case a.Changed && n.decides: // within the limit as it is now: it ends by that, and nothing was seen to come back
		a.Changed, a.Before = false, ""
		n.fell, n.ended = true, event.LimitChanged
	}
}

// record gives out the open excursion of a limit, and keeps it for the day its definition is gone.
func (pl *Panel) record(i int) {
	if x := pl.openExcursion(i); x != nil {
		pl.out.Records = append(pl.out.Records, *x)
		pl.state.Alarms[i].Kept = pl.keep(i)
	}
}

// bookkeeping says what an edge of the judgement means for the books.
func bookkeeping(e alarm.Edge) excursion.Do {
	switch e {
	case alarm.Began:
		return excursion.Begin
	case alarm.Dropped:
		return excursion.Drop
	case alarm.Opened:
		return excursion.Confirm
	case alarm.Clearing:
		return excursion.MarkEnd
	case alarm.Broken:
		return excursion.Unmark
	case alarm.Closed:
		return excursion.Finish
	}
	return excursion.Nothing
}

// suspends tells whether a point's limits rest while the boiler is off line: no flow and no chemistry is what standing still
// looks like. A hot sample does not rest.
func suspends(p *site.Point) bool { return p.Chemistry() || p.Quantity == quantity.Flow }

func (pl *Panel) pointPeriod(point int) time.Duration {
	m := point // of a point of the site, which is measured
	if i := pl.pos(point); i != site.None {
		m = pl.moves[i]
	}
	if m != site.None && pl.s.Points[m].Entered.Configured {
		return enteredPeriod
	}
	return pl.periodOf(m)
}

// alarmEvent is an event about an alarm, with its value, its limit and the evidence about the sample.
func (pl *Panel) alarmEvent(i int, kind event.Kind, prio site.Priority) event.Event {
	e := event.Event{Kind: kind, Priority: prio, Alarm: pl.state.Alarms[i].Name, Trust: pl.trust()}
	if i >= pl.ownAt {
		pl.standing[i-pl.ownAt].facts(pl, &e)
		return e
	}
	if i >= len(pl.p.Limits) {
		pl.ruleFacts(&e)
		return e
	}
	l := &pl.inForce[i]
	e.Point, e.Limit = pl.s.Points[l.Point].Path, pl.limitValue(l)
	v := pl.limitReading(i)
	e.Value = &v
	return e
}

// Refusals of an acknowledgement.
const (
	NoSuchAlarm  = "no_such_alarm"
	NothingToAck = "nothing_to_acknowledge"
)

// Acknowledge records that a person has taken notice of an alarm, named in full. It returns the name of the refusal, or "".
// It changes nothing about the condition, the valve or the excursion.
func (pl *Panel) Acknowledge(in Input, name, who, why string) (Output, string) {
	pl.begin(in)
	i := pl.alarmAt(name)
	if i == site.None {
		return pl.out, NoSuchAlarm
	}
	a := &pl.state.Alarms[i]
	was := a.Alarm
	var tell alarm.Tell
	switch a.Alarm, tell = was.On(alarm.Ack, who, in.Now.Wall); tell {
	case alarm.TellAcknowledged:
	case alarm.RefuseSilenced:
		return pl.out, AckSilenced
	default:
		return pl.out, NothingToAck
	}
	if a.Excursion.Open() {
		a.XAckBy, a.XAckAt = who, in.Now.Wall
	}
	if a.Alarm.Active { // everybody is told that it stands and was seen
		a.Told, a.Owes, a.Quiet, a.Behind = true, false, "", ""
	}
	e := pl.alarmEvent(i, event.AlarmAcknowledged, pl.priorityOf(i))
	e.Who, e.Why, e.Raised = who, why, was.Raised
	e.Excursion = pl.openExcursion(i)
	pl.record(i)
	pl.emit(e)
	return pl.out, ""
}

func (pl *Panel) priorityOf(i int) site.Priority {
	if i < len(pl.p.Limits) {
		return pl.p.Limits[i].Priority
	}
	if i >= pl.ownAt {
		return pl.standing[i-pl.ownAt].priority
	}
	return rules[i-len(pl.p.Limits)].priority
}

// Has tells whether the panel knows an alarm of this name.
func (pl *Panel) Has(name string) bool { return pl.alarmAt(name) != site.None }

func (pl *Panel) openExcursion(i int) *event.Excursion {
	a := &pl.state.Alarms[i]
	if i >= len(pl.p.Limits) || !a.Excursion.Open() {
		return nil
	}
	x := pl.excursionOf(i, a.Excursion.Record())
	x.Open = true
	return &x
}

// excursionOf puts the books of a limit into its written unit, whole enough to be read without the configuration.
func (pl *Panel) excursionOf(i int, r excursion.Record) event.Excursion {
	return recordOf(&pl.state.Alarms[i], pl.keep(i), r)
}

func (pl *Panel) limitValue(l *site.Limit) *event.LimitValue {
	v := &event.LimitValue{Name: l.Name, Side: l.Side.String(), Value: l.Value, Written: l.Written, Unit: l.UnitName(),
		Deadband: l.Deadband, OnDelay: l.OnDelay.String(), OffDelay: l.OffDelay.String(), Basis: l.Basis, Source: l.Source, Action: l.Action,
		Priority: l.Priority.String(), Cause: l.Cause, Consequence: l.Consequence, Applies: l.Applies.Names(), Normal: pl.normalOf(l)}
	if l.Of != site.TheValue {
		v.Judges = l.Of.String()
	}
	if l.Of.Rate() {
		v.Window = l.Window.String()
	}
	return v
}

// convert gives a value of the point in another unit of its quantity; configuration proved that the two convert.
func (pl *Panel) convert(v float64, pt *site.Point, to quantity.Unit) float64 {
	if to == pt.Unit || to == (quantity.Unit{}) {
		return v
	}
	c, _, err := quantity.Convert(v, pt.Unit, to)
	if err != nil { // readings are far inside what a float can hold (validate sees to it), and the configuration proved that the units convert
		panic("point " + pt.Path + ": " + err.Error())
	}
	return c
}

// millilitres gives a reading of the panel's flow in mL/min, whatever unit the meter speaks; 0 without a value.
func (pl *Panel) millilitres(r reading.Reading) float64 {
	if !r.HasValue() {
		return 0
	}
	return pl.convert(r.Value, &pl.s.Points[pl.p.Line.Flow], mLPerMin)
}

var mLPerMin = unitNamed("mL/min", quantity.Flow)

func unitNamed(name string, q quantity.Quantity) quantity.Unit {
	u, err := quantity.ParseUnit(name, q)
	if err != nil {
		panic("panel: " + err.Error()) // a spelling of this file's own
	}
	return u
}

// step is the size of one of the point's units in another unit: for distances, where an offset must not enter.
func (pl *Panel) step(pt *site.Point, to quantity.Unit) float64 {
	if to == pt.Unit || to == (quantity.Unit{}) {
		return 1
	}
	c, _, err := quantity.ConvertDifference(1, pt.Unit, to)
	if err != nil {
		panic("point " + pt.Path + ": " + err.Error())
	}
	return c
}

// decimalsIn is how many digits after the point the resolution carries in a unit.
func (pl *Panel) decimalsIn(pt *site.Point, to quantity.Unit) int {
	return decimalsOf(pt.Resolution * pl.step(pt, to))
}

// value is a point's reading as it stands, in a unit.
func (pl *Panel) value(point int, unit quantity.Unit) event.Value {
	pt := &pl.s.Points[point]
	r := pl.at(point).Shown
	if unit == (quantity.Unit{}) {
		unit = pt.Unit
	}
	return pl.valueOf(pt, r, unit)
}

func (pl *Panel) valueOf(pt *site.Point, r reading.Reading, unit quantity.Unit) event.Value {
	at := r.At
	if pt.Derived() {
		at = r.Oldest // computed just now from a laboratory value of yesterday, it is of yesterday
	}
	v := event.Value{Point: pt.Path, Unit: unit.Name(), Decimals: pl.decimalsIn(pt, unit), Bound: r.Bound.String(),
		Quality: r.Quality().String(), Reason: r.Reason.String(), At: at}
	if r.HasValue() {
		v.Value = pl.convert(r.Value, pt, unit)
	}
	return v
}

// trust is the evidence about the sample at this moment.
func (pl *Panel) trust() event.Trust {
	t := event.Trust{Valve: pl.lineOut.Valve.String(), FlushedML: pl.lineOut.FlushedML, OwedML: pl.lineOut.OwedML, ValveByWhom: pl.watch.ValveBy}
	if pl.lineOut.ValveFrom == "flow" {
		t.Valve = "from flow"
	}
	if d := pl.doubt(); d != reading.Believed {
		t.Reason = d.String()
	}
	t.Silenced = pl.silenced()
	if f := pl.p.Line.Flow; pl.p.Line.Configured && f != site.None {
		if r := pl.proof(f).Own; r.HasValue() {
			t.FlowKnown, t.Flow = true, pl.millilitres(r)
		}
	}
	t.Request = pl.watch.Request
	if pl.watch.Held {
		t.HeldCause = pl.watch.Cause.String()
	}
	if k := pl.p.Interlock.Temperature; pl.p.Interlock.Configured {
		if r := pl.proof(k).Own; r.HasValue() {
			t.TempKnown, t.Temp, t.TempUnit = true, r.Value, pl.s.Points[k].Unit.Name()
		}
	}
	return t
}
