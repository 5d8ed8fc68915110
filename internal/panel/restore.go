package panel

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/panel/excursion"
	"rillwatch/internal/panel/interlock"
	"rillwatch/internal/reading"
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
	pl.state.Line, pl.state.Interlock, pl.state.Away, pl.state.FirstOut, pl.state.WasOut = old.Line, old.Interlock, old.Away, old.FirstOut, old.WasOut
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
		a = upgraded(a)
		switch {
		case i != site.None && (a.Limit == "" || a.Limit == pl.definition(i)):
			pl.state.Alarms[i] = a
			if i < len(pl.p.Limits) && a.Kept == nil && a.Excursion.Open() { // of an earlier version
				pl.state.Alarms[i].Kept = pl.keep(i)
			}
		case i != site.None && i < len(pl.p.Limits) && strings.HasPrefix(a.Limit, pl.subject(i)):
			pl.state.Alarms[i] = pl.carryOn(i, a)
		case i != site.None:
			pl.bury(a, "limit changed") // of another point, unit or side: what was seen there says nothing here
			pl.state.Alarms[i] = silencedAs(a, pl.state.Alarms[i])
		default:
			pl.bury(a, "limit removed")
		}
	}
	return pl.out, nil
}

// Departed is what a panel leaves that is no longer there to be judged.
type Departed struct {
	Alarms  []Alarm            // that stand
	Dropped string             // the cause of a holding that nothing asks for any more, as of this start
	Ended   interlock.Override // that stood
	Keep    []byte             // its row from now on: a holding ends by a person's re-arming alone, and the panel may come back
}

// Depart takes leave of a panel by its state. A state that cannot be read leaves nothing but itself.
func Depart(data []byte) (Departed, error) {
	var old State
	if err := json.Unmarshal(data, &old); err != nil {
		return Departed{Keep: []byte("{}")}, err
	}
	var d Departed
	for _, a := range old.Alarms {
		if a = upgraded(a); a.standing() {
			d.Alarms = append(d.Alarms, a)
		}
	}
	var kept State
	d.Ended = old.Interlock.Hold.Override
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
	if !a.Told && a.Alarm.Phase != alarm.ReturnedUnacknowledged {
		e.Quiet = event.QuietUntold
	}
	if a.Kept == nil || !a.Excursion.Open() {
		return e, nil
	}
	x := recordOf(&a, a.Kept, a.Excursion.Record())
	x.LengthUnknown, x.UpperKnown, x.ValidKnown = true, false, false // what came after the last reading nobody booked
	x.IntegralUpper, x.Valid = 0, 0
	x.End, x.EndUnsure = reading.Stamp{Wall: a.Excursion.Last.Wall}, !a.Excursion.Last.Certain
	x.Ended = strings.ReplaceAll(cause, " ", "_")
	limit := x.Limit
	e.Point, e.Limit, e.Excursion = x.Point, &limit, &x
	return e, &x
}

// bury ends an alarm of an earlier configuration.
func (pl *Panel) bury(a Alarm, cause string) {
	if !a.standing() {
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
	said := pl.subject(i) + fmt.Sprintf("%s deadband %s", strconv.FormatFloat(l.Value, 'g', -1, 64), strconv.FormatFloat(l.Deadband, 'g', -1, 64))
	if l.Of.Rate() {
		said += " in " + l.Window.String()
	}
	return said
}

// subject is the part of a limit's definition without which it is another limit altogether: what it is of, and on which side.
func (pl *Panel) subject(i int) string {
	l := &pl.p.Limits[i]
	pt := &pl.s.Points[l.Point]
	said := pl.formula(l.Point) + fmt.Sprintf("%s %s %s ", pt.Path, pt.Unit.Name(), l.Side)
	if l.Of != site.TheValue {
		said += l.Of.String() + " "
	}
	return said
}

// standing tells whether an alarm calls people, or would if nothing silenced it.
func (a *Alarm) standing() bool {
	return a.Alarm.Active || a.Alarm.Phase == alarm.ReturnedUnacknowledged
}

// upgraded fills in what an earlier version did not keep: there, an alarm that stood had been told, under the ID of its record.
func upgraded(a Alarm) Alarm {
	if a.X == "" && a.Excursion.Open() {
		a.X, a.Told, a.XAckBy, a.XAckAt = a.Alarm.Raised, true, a.Alarm.AckBy, a.Alarm.AckAt
	}
	if a.Alarm.Active && !a.Told && a.Quiet == "" && a.Alarm.Phase != alarm.Silenced && !a.Changed {
		a.Told = true
	}
	return a
}

// silencedAs is a new alarm that a person had taken out of service, or shelved, under this name.
func silencedAs(old, fresh Alarm) Alarm {
	fresh.Out, fresh.Shelf = old.Out, old.Shelf
	if old.Out != nil {
		fresh.Alarm, _ = fresh.Alarm.On(alarm.TakeOut, "", old.Alarm.Since)
	}
	if old.Shelf != nil {
		fresh.Alarm, _ = fresh.Alarm.On(alarm.Shelve, "", old.Alarm.Since)
	}
	return fresh
}

// carryOn takes up an alarm whose limit has another value now. The record so far ends with the old limit, as it stands. An alarm that stood
// stands on: the first reading that says something about the new limit opens a second record, linked to the first and without a new
// on-delay, or ends the alarm.
func (pl *Panel) carryOn(i int, a Alarm) Alarm {
	if !a.Alarm.Active {
		fresh := silencedAs(a, Alarm{Name: a.Name, Away: a.Away})
		if a.Alarm.Phase == alarm.ReturnedUnacknowledged { // it is over, and nobody has taken notice yet
			fresh.Alarm, fresh.Told = a.Alarm, a.Told
		}
		return fresh
	}
	e, x := End(a, pl.name, "limit changed")
	e.Kind, e.Priority, e.Limit, e.Point = event.LimitChanged, pl.p.Limits[i].Priority, pl.limitValue(&pl.inForce[i]), pl.s.Points[pl.p.Limits[i].Point].Path
	e.Is = "in alarm"
	if st := a.Alarm.Shown(); a.Alarm.Phase == alarm.Silenced {
		e.Quiet = st
	}
	pl.emit(e)
	next := a
	next.Judge, next.Excursion, next.Kept, next.Links, next.More = alarm.Judge{}, excursion.State{}, nil, nil, 0
	next.X, next.XAckBy, next.XAckAt = "", "", 0
	next.Changed = true
	if x != nil {
		pl.out.Records = append(pl.out.Records, *x)
		next.Before = x.ID
	}
	return next
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
		if a.Alarm != (alarm.State{}) || a.Judge != (alarm.Judge{}) || a.Excursion.Active || a.Changed {
			a.Limit = pl.definition(i)
		}
	}
	b, err := json.Marshal(&pl.state)
	if err != nil { // the state holds no float that is not a number; this is a programmer's error
		panic("judge state of panel " + pl.name + ": " + err.Error())
	}
	return b
}
