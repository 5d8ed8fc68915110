package panel

import (
	"encoding/json"
	"fmt"
	"strconv"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/panel/interlock"
	"rillwatch/internal/site"
)

// Free is the panel made of the points of the site's own sensors. ok is false when there are none.
func Free(s *site.Site) (p site.Panel, ok bool) {
	p = site.Panel{OnLine: site.None}
	p.Line.Flow = site.None
	p.Interlock.Temperature, p.Interlock.ValveClosed = site.None, site.None
	for i := range s.Sensors {
		if s.Sensors[i].Panel == site.None {
			p.Sensors = append(p.Sensors, i)
			p.Buses = append(p.Buses, s.Sensors[i].Bus)
		}
	}
	for i := range s.Points {
		if s.Points[i].Panel == site.None {
			p.Points = append(p.Points, i)
		}
	}
	return p, len(p.Points) > 0
}

// Restore takes up the state of the process before. Alarms are found by name; one whose limit is gone is told and closed.
func (pl *Panel) Restore(b Boot, in Input) (Output, error) {
	pl.begin(in)
	pl.boot, pl.lastUp = b, in.Now.Up
	if b.State == nil {
		return pl.out, nil
	}
	var old State
	if err := json.Unmarshal(b.State, &old); err != nil {
		return pl.out, fmt.Errorf("judge state of panel %q: %w", pl.name, err)
	}
	pl.state.Line, pl.state.Interlock, pl.state.Away, pl.state.FirstOut = old.Line, old.Interlock, old.Away, old.FirstOut
	pl.takeUpHolding()
	if pl.p.OnLine != site.None && old.OnLine.Point == pl.s.Points[pl.p.OnLine].Path {
		pl.state.OnLine = old.OnLine
	}
	if said := old.OnLine.Said; said.Active { // what silences ends with the process, and that is told
		pl.state.OnLine.Said = said
		pl.saidOver("restart")
	}
	pl.state.Strainer = old.Strainer
	pl.restoreSettling(old.Settling)
	pl.restoreChecks(old.Checks)
	pl.state.Fit, pl.state.FitKnown = old.Fit, old.FitKnown
	pl.restoreEntered(old.Entered)
	pl.restoreNormals(old)
	pl.restoreValid(old.Valid)
	for _, a := range old.Alarms {
		i := pl.alarmAt(a.Name)
		switch {
		case i != site.None && (a.Limit == "" || a.Limit == pl.definition(i)):
			pl.state.Alarms[i] = a
		case i != site.None:
			pl.bury(a, "limit changed") // what was seen under one definition says nothing under another
		default:
			pl.bury(a, "limit removed")
		}
	}
	return pl.out, nil
}

// Departed is what a panel leaves that is no longer there to be judged.
type Departed struct {
	Alarms  []Alarm // that stand
	Dropped string  // the cause of a holding that nothing asks for any more, as of this start
	Keep    []byte  // its row from now on: a holding ends by a person's re-arming alone, and the panel may come back
}

// Depart takes leave of a panel by its state. A state that cannot be read leaves nothing but itself.
func Depart(data []byte) (Departed, error) {
	var old State
	if err := json.Unmarshal(data, &old); err != nil {
		return Departed{Keep: []byte("{}")}, err
	}
	var d Departed
	for _, a := range old.Alarms {
		if a.Alarm.Raised != "" {
			d.Alarms = append(d.Alarms, a)
		}
	}
	var kept State
	if old.Interlock.Hold.Held {
		var up interlock.TakenUp
		kept.Interlock.Hold = old.Interlock.Hold
		if kept.Interlock, up = interlock.Restart(&site.Interlock{}, kept.Interlock); up.Dropped {
			d.Dropped = kept.Interlock.Hold.Cause.String()
		}
	}
	var err error
	d.Keep, err = json.Marshal(&kept)
	return d, err
}

// End is the event and the record with which an alarm ends that nothing judges any more. It is not a return: nobody saw one.
func End(a Alarm, panel, cause string) (event.Event, *event.Excursion) {
	e := event.Event{Kind: event.LimitRemoved, Priority: site.MediumPriority, Panel: panel, Alarm: a.Name, Raised: a.Alarm.Raised, Who: a.Alarm.AckBy, Cause: cause}
	if a.Record == nil || !a.Excursion.Open() {
		return e, nil
	}
	x := *a.Record
	x.Open, x.LengthUnknown = false, true
	limit := x.Limit
	e.Point, e.Limit, e.Excursion = x.Point, &limit, &x
	return e, &x
}

// bury ends an alarm of an earlier configuration.
func (pl *Panel) bury(a Alarm, cause string) {
	if a.Alarm.Raised == "" {
		return
	}
	e, x := End(a, pl.name, cause)
	pl.emit(e)
	if x != nil {
		pl.out.Records = append(pl.out.Records, *x)
	}
}

// definition names what a limit's state belongs to: another point, unit, side or value makes it another limit. Rules of the interlock
// belong to their temperature.
func (pl *Panel) definition(i int) string {
	if i >= pl.ownAt {
		return pl.standing[i-pl.ownAt].name
	}
	if i >= len(pl.p.Limits) {
		pt := &pl.s.Points[pl.p.Interlock.Temperature]
		return pt.Path + " " + pt.Unit.Name()
	}
	l := &pl.inForce[i]
	pt := &pl.s.Points[l.Point]
	said := pl.formula(l.Point) + fmt.Sprintf("%s %s %s %s deadband %s", pt.Path, pt.Unit.Name(), l.Side, strconv.FormatFloat(l.Value, 'g', -1, 64), strconv.FormatFloat(l.Deadband, 'g', -1, 64))
	if l.Of != site.TheValue {
		said += fmt.Sprintf(" %s %s", l.Of, l.Window)
	}
	return said
}

// formula says how a computed or entered point comes about, with a space behind; nothing for a measured one. Computed otherwise, it is
// another point under the same name.
func (pl *Panel) formula(point int) string {
	pt := &pl.s.Points[point]
	switch {
	case pt.Entered.Configured:
		return fmt.Sprintf("entered %s %s ", pt.Quantity, pt.Entered.Basis)
	case !pt.Derived():
		return ""
	}
	out := fmt.Sprintf("%d %s ", pt.Derive.By, pt.Derive.Choice)
	for _, in := range pt.Derive.Inputs {
		if in.Given {
			out += strconv.FormatFloat(in.Value, 'g', -1, 64) + " "
		} else if in.Point != site.None {
			out += pl.s.Points[in.Point].Path + " "
		}
	}
	return out
}

// Marshal gives the durable state: the same state gives the same bytes.
func (pl *Panel) Marshal() []byte {
	for i := range pl.state.Alarms {
		a := &pl.state.Alarms[i]
		a.Limit = ""
		if a.Alarm != (alarm.State{}) || a.Judge != (alarm.Judge{}) || a.Excursion.Active {
			a.Limit = pl.definition(i)
		}
	}
	b, err := json.Marshal(&pl.state)
	if err != nil { // the state holds no float that is not a number; this is a programmer's error
		panic("judge state of panel " + pl.name + ": " + err.Error())
	}
	return b
}
