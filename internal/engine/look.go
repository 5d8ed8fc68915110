package engine

import (
	"rillwatch/internal/event"
	"rillwatch/internal/panel"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// wholeView makes a view from nothing.
func (e *Engine) wholeView(now reading.Stamp) *View {
	v := &View{Site: e.s, Boot: e.boot, At: now, Seq: e.seq, Judged: e.judged, Clock: ClockView{e.certain}, Proofs: e.proofs}
	v.Panels = make([]*PanelView, len(e.s.Panels))
	v.Buses = make([]BusView, len(e.links))
	for j := range e.judges {
		e.lookAt(v, j, now)
	}
	for b := range e.links {
		v.Buses[b] = e.links[b].view
	}
	return v
}

// refresh replaces the view: only the panels on the bus are made anew, all of them when bus is below 0. The panels of the
// view before are shared, because a full copy at a thousand endpoints costs a fifth of a core.
func (e *Engine) refresh(now reading.Stamp, bus int) {
	v := *e.view
	v.At, v.Seq, v.Judged, v.Boot, v.Clock = now, e.seq, e.judged, e.boot, ClockView{e.certain}
	v.Proofs = e.proofs
	v.Panels = append([]*PanelView(nil), e.view.Panels...)
	v.Buses = append([]BusView(nil), e.view.Buses...)
	if bus >= 0 {
		v.Buses[bus] = e.links[bus].view
	}
	for j := range e.judges {
		if bus < 0 || touches(e.judges[j].buses, bus) {
			e.lookAt(&v, j, now)
		}
	}
	e.view = &v
}

func (e *Engine) lookAt(v *View, j int, now reading.Stamp) {
	k := &e.judges[j]
	l := k.panel.Look()
	points := e.s.Points
	if k.index == site.None {
		v.Free = nil
		n := 0
		for i := range points {
			if points[i].Panel == site.None {
				v.Free = append(v.Free, PointView{Point: i, Reading: l.Readings[n], LastGood: l.Good[n]})
				n++
			}
		}
		return
	}
	p := &e.s.Panels[k.index]
	pv := &PanelView{Panel: k.index, At: now, Excursions: l.Excursions, OnLine: l.OnLine, OnLineFrom: l.OnLineFrom, StartUp: l.StartUp}
	for i, pt := range p.Points {
		pv.Points = append(pv.Points, PointView{Point: pt, Reading: l.Readings[i], LastGood: l.Good[i]})
	}
	if l.OnLineFrom == "point" && p.OnLine != site.None {
		pv.OnLineFrom = points[p.OnLine].Path
	}
	for _, a := range l.Alarms {
		pv.Alarms = append(pv.Alarms, alarmView(a))
	}
	pv.Interlock = InterlockView{Configured: p.Interlock.Configured, State: l.Interlock.Phase.String(), Valve: l.Valve, ValveFrom: l.ValveFrom,
		ValveBy: l.Interlock.ValveBy, FirstOut: l.Interlock.FirstOut.String()}
	pv.Interlock.Driven, pv.Interlock.Holding = p.Interlock.Drive.Configured, l.Interlock.Holding
	pv.Words = wordsOf(&l)
	if !l.Seen {
		pv.Interlock.State = NotKnown
	}
	if at := l.Interlock.FirstOutAt; at != 0 {
		pv.Interlock.FirstOutAt = reading.Stamp{Wall: at}
	}
	pv.Line = LineView{Representative: l.Doubt == reading.Believed || l.Doubt == reading.FlowUnproven, Reason: l.Doubt, FlushedML: l.FlushedML,
		OwedML: l.OwedML, Lag: l.Lag, LagKnown: l.LagKnown, Reopened: l.Reopened}
	v.Panels[k.index] = pv
}

// wordsOf gives what people have in hand and have said, the checks first.
func wordsOf(l *panel.Look) []WordView {
	var all []WordView
	for _, c := range l.Checks {
		all = append(all, WordView{Command: CheckInHand{}.verb(), Sensor: c.Sensor, What: c.What, Who: c.Who, Why: c.Why, Left: c.Left, Over: c.Over})
	}
	if s := l.Said; s.Active {
		all = append(all, WordView{Command: SetOnLine{}.verb(), OnLine: !s.Off, Who: s.Who, Why: s.Why, Left: s.Left})
	}
	return all
}

func alarmView(a panel.AlarmLook) AlarmView {
	v := AlarmView{Name: a.Name, Limit: a.Limit, State: a.State, Priority: a.Priority, Active: a.Active, AckBy: a.AckBy, Pending: a.Pending, Excursion: a.Excursion}
	v.Judged, v.Normal, v.Usual = a.Judged, a.Normal, a.Usual
	v.Told, v.Quiet, v.Behind, v.Unsteady, v.Swings, v.MustSpeak = a.Told, a.Quiet, a.Behind, a.Unsteady, a.Swings, a.MustSpeak
	if a.Suppressed {
		v.Suppress = a.By
	}
	if a.Shelf.Who != "" {
		v.Shelf = SilenceView{On: true, Who: a.Shelf.Who, Why: a.Shelf.Why, Left: max(0, a.Shelf.Left)}
	}
	if a.Out.Who != "" {
		v.Out = SilenceView{On: true, Who: a.Out.Who, Why: a.Out.Why, Since: reading.Stamp{Wall: a.Out.Since}}
	}
	if a.Since != 0 {
		v.Since = reading.Stamp{Wall: a.Since}
	}
	var id event.ID
	if err := id.UnmarshalText([]byte(a.Raised)); err == nil {
		v.Raised = id
	}
	return v
}
