package panel

import (
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// standing is a condition of the panel itself, not of a limit and not of the interlock, that people are called for.
type standing struct {
	name     string
	priority site.Priority
	raised   event.Kind
	returned event.Kind
	holds    func(*Panel) bool
	facts    func(*Panel, *event.Event)
	part     time.Duration // of the minute not yet in the alarm's Lasted: what changes with every poll is not written with every poll
}

// raiseable makes the alarms of what stands. They come after those of the interlock.
func (pl *Panel) raiseable() {
	pl.ownAt = len(pl.state.Alarms)
	add := func(s standing) {
		if !site.PanelAlarm(s.name) || pl.alarmAt(pl.name+"."+s.name) != site.None {
			panic("panel " + pl.name + ": alarm " + s.name + " twice, or not among the names kept for the panel")
		}
		pl.standing = append(pl.standing, s)
		pl.state.Alarms = append(pl.state.Alarms, Alarm{Name: pl.name + "." + s.name})
	}
	if pl.name == "" {
		return // the site's own sensors are no panel
	}
	if pl.p.Line.Configured && pl.p.Line.Flow != site.None {
		add(standing{name: site.FlowOutsideAlarm, priority: site.MediumPriority, raised: event.FlowOutside, returned: event.FlowInside,
			holds: func(pl *Panel) bool { return pl.lineOut.OutsideLong }, facts: (*Panel).flowFacts})
	}
	if pl.p.Interlock.Configured {
		t := pl.pos(pl.p.Interlock.Temperature)
		if t != site.None {
			add(standing{name: site.TemperatureFrozenAlarm, priority: site.MediumPriority, raised: event.TemperatureFrozen, returned: event.TemperatureMoves,
				holds: (*Panel).standsStill, facts: (*Panel).frozenFacts})
		}
		add(standing{name: site.ProtectionBlindAlarm, priority: site.HighPriority, raised: event.ProtectionBlind, returned: event.ProtectionBack,
			holds: (*Panel).blind, facts: (*Panel).blindFacts})
	}
	if s, some := pl.validStanding(); some {
		add(s)
	}
	for _, i := range pl.p.Sensors {
		path := pl.s.Sensors[i].Path
		add(standing{name: site.CheckAlarm + strings.TrimPrefix(path, pl.name+"."), priority: site.MediumPriority, raised: event.CheckOver, returned: event.CheckOverBack,
			holds: func(pl *Panel) bool { k := pl.inHand(path); return k != site.None && pl.state.Checks[k].Over },
			facts: func(pl *Panel, e *event.Event) { pl.checkFacts(path, e) }})
	}
}

// stand turns what stands into alarms.
func (pl *Panel) stand(in Input, since, elapsed time.Duration) {
	for k := range pl.standing {
		s := &pl.standing[k]
		a := &pl.state.Alarms[pl.ownAt+k]
		holds := s.holds(pl)
		if s.name == site.FlowOutsideAlarm && pl.state.OnLine.off() && !a.Alarm.Active {
			holds = false // a boiler at rest draws what it draws; what stands does not end by it
		}
		if a.Alarm.Active {
			s.part += elapsed
			whole := s.part / time.Minute * time.Minute
			a.Lasted, s.part = a.Lasted+whole, s.part-whole
		}
		n := news{i: pl.ownAt + k, rose: holds && !a.Alarm.Active, fell: !holds && a.Alarm.Active, raised: s.raised, ended: s.returned, prio: s.priority}
		switch {
		case n.rose:
			a.Lasted, s.part = 0, 0
		case n.fell:
			a.Lasted, s.part = a.Lasted+s.part, 0
		}
		pl.move(&n, in, since)
		pl.tell(&n)
	}
}

// flowFacts puts the flow and the end of its range that it is beyond into an event.
func (pl *Panel) flowFacts(e *event.Event) {
	l := &pl.p.Line
	v := pl.value(l.Flow, mLPerMin)
	e.Point, e.Value = pl.s.Points[l.Flow].Path, &v
	e.Limit = &event.LimitValue{Name: "flow_low", Side: site.Low.String(), Value: l.FlowLow, Written: l.FlowLow, Unit: mLPerMin.Name(), Source: site.Source{Document: "site setting"}}
	if v.Value > l.FlowHigh {
		e.Limit.Name, e.Limit.Side, e.Limit.Value, e.Limit.Written = "flow_high", site.High.String(), l.FlowHigh, l.FlowHigh
	}
	e.Count = pl.unfit()
}

// standsStill tells whether the guarding temperature stands still. What was told stands until this process has seen it move: no value, no flow and a
// start that has forgotten where it stood are no movement.
func (pl *Panel) standsStill() bool {
	t := pl.p.Interlock.Temperature
	m, a := &pl.mem[pl.pos(t)], pl.alarmAt(pl.name+"."+site.TemperatureFrozenAlarm)
	return m.frozen || pl.state.Alarms[a].Alarm.Active && !m.moved && pl.s.Points[t].FrozenAfter > 0
}

func (pl *Panel) frozenFacts(e *event.Event) {
	t := pl.p.Interlock.Temperature
	v := pl.value(t, quantity.Unit{})
	e.Point, e.Value, e.Lasted = pl.s.Points[t].Path, &v, pl.s.Points[t].FrozenAfter
}

func (pl *Panel) blindFacts(e *event.Event) {
	path := pl.sensorOf(pl.p.Interlock.Temperature)
	for _, c := range pl.state.Checks {
		if pl.guards(c.Sensor) {
			path = c.Sensor
		}
	}
	pl.checkFacts(path, e)
}

// checkFacts says who has a sensor in hand, what for and for how long. Of one that is back only the sensor is known.
func (pl *Panel) checkFacts(path string, e *event.Event) {
	e.Point = path
	if k := pl.inHand(path); k != site.None {
		c := &pl.state.Checks[k]
		e.Who, e.Why, e.Was, e.Lasted, e.Cause = c.Who, c.Why, c.What, c.For, c.Cause
	}
}
