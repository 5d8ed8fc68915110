package engine

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/site"
)

const (
	// worseAfter is how long after it was last told an alarm of the chemistry may be told as grown worse: a day's swing is told in a few steps,
	// not in a stream. An alarm of the interlock may be told so after quickAfter: hot water comes fast.
	worseAfter = 5 * time.Minute
	quickAfter = time.Minute
	// lookedApart bounds the time that one tick may count: a tick comes once a second, and what lies between two that are further apart was
	// seen by nobody.
	lookedApart = 5 * time.Second
)

// reminder is what is known of the telling of one alarm that stands. Run is seen time, so that neither a restart nor a step of the wall clock
// brings a reminder early or holds one back.
type reminder struct {
	Alarm  string        `json:"alarm"`
	Raised string        `json:"raised"` // the ID of the event that raised it: come again, it is another trouble
	Run    time.Duration `json:"run_ns"` // since it was last told
	Nth    int           `json:"nth,omitempty"`
	Told   float64       `json:"told,omitempty"` // how far beyond it was when last told
	Past   bool          `json:"past,omitempty"`
}

// remind tells again what stands and was seen by nobody, and what has grown much worse, seen or not. What a person silenced in any way stays
// silent: only the two plain states of an alarm that stands are looked at.
func (e *Engine) remind(in Tick, o *Outcome) {
	passed := min(max(0, in.At.Up-e.lookedAt), lookedApart)
	if e.lookedAt == 0 {
		passed = 0
	}
	e.lookedAt = in.At.Up
	kept := e.reminders[:0:0]
	for j := range e.judges {
		if e.judges[j].index == site.None {
			continue
		}
		p := e.judges[j].panel
		for _, a := range e.view.Panels[e.judges[j].index].Alarms {
			waits := a.State == alarm.Unacknowledged.String()
			if !waits && a.State != alarm.Acknowledged.String() || !a.Told || a.Unsteady {
				continue // silenced, or another message speaks for it, or it comes and goes and that was told
			}
			s, stands := p.Severity(a.Name)
			if !stands {
				continue
			}
			r := e.reminderOf(a.Name, a.Raised.String())
			if r.Alarm == "" {
				r = reminder{Alarm: a.Name, Raised: a.Raised.String(), Told: s.Distance, Past: s.Past}
			}
			r.Run += passed
			if s.Rests {
				r.Run = 0 // it is told as suspended, and judged again when the boiler is fed
			}
			every := e.s.Messages.Reminders[int(a.Priority)%len(e.s.Messages.Reminders)]
			after := worseAfter
			if s.Quick {
				after = quickAfter
			}
			switch {
			case s.Rests:
			case r.Run >= after && (s.Past && !r.Past || s.Distance >= 2*r.Told && s.Distance-r.Told >= s.Step && s.Step > 0):
				e.merge(p.Again(e.input(in.At, nil), a.Name, event.AlarmWorse, 0), o)
				r.Run, r.Told, r.Past = 0, s.Distance, s.Past
			case waits && every > 0 && r.Run >= every:
				r.Nth++
				e.merge(p.Again(e.input(in.At, nil), a.Name, event.AlarmReminder, r.Nth), o)
				r.Run, r.Told, r.Past = 0, max(r.Told, s.Distance), r.Past || s.Past
			}
			kept = append(kept, r)
		}
	}
	e.reminders = kept
}

func (e *Engine) reminderOf(alarm, raised string) reminder {
	for _, r := range e.reminders {
		if r.Alarm == alarm && r.Raised == raised {
			return r
		}
	}
	return reminder{}
}

// follow adds what follows from the events of a step: that alarms rest while a boiler is off line, and which trouble explains another.
func (e *Engine) follow(o *Outcome) {
	for i := 0; i < len(o.Events); i++ {
		ev := &o.Events[i]
		switch ev.Kind {
		case event.OffLine:
			e.tellRest(ev.Panel, event.AlarmSuspended, ev.Who, o)
		case event.OnLine:
			e.tellRest(ev.Panel, event.AlarmResumed, ev.Who, o)
		case event.BusLost, event.BusBack:
			for b := range e.s.Buses {
				if e.s.Buses[b].Name == ev.Bus {
					e.roots[b] = ""
					if ev.Kind == event.BusLost {
						e.roots[b] = ev.ID.String()
					}
				}
			}
		}
	}
	for i := range o.Events {
		if ev := &o.Events[i]; followsALoss(ev.Kind) {
			ev.Root = e.rootOf(ev.Panel)
		}
	}
}

// followsALoss are the kinds that say of a panel what a lost connection brings about.
func followsALoss(k event.Kind) bool {
	switch k {
	case event.TemperatureLost, event.OneTemperatureLost, event.ValveNotConfirmed, event.OnLineNotKnown:
		return true
	}
	return false
}

// rootOf is the ID of the lost connection that a panel looks through; empty when there is none.
func (e *Engine) rootOf(name string) string {
	for j := range e.judges {
		if e.judges[j].name != name {
			continue
		}
		for _, b := range e.judges[j].buses {
			if e.links[b].told && e.roots[b] != "" {
				return e.roots[b]
			}
		}
	}
	return ""
}

// tellRest tells that alarms which stand are suspended, or judged again: nobody may wait for the return of what nothing judges, nor take the
// silence for a return.
func (e *Engine) tellRest(name string, kind event.Kind, who string, o *Outcome) {
	for j := range e.judges {
		if e.judges[j].name != name || e.judges[j].index == site.None {
			continue
		}
		l := e.judges[j].panel.Look()
		n, last := 0, ""
		for _, a := range l.Alarms {
			if a.Limit == site.None || !a.Active {
				continue
			}
			pt := &e.s.Points[e.s.Panels[e.judges[j].index].Limits[a.Limit].Point]
			if e.judges[j].panel.Suspends(pt) && (a.State == alarm.Unacknowledged.String() || a.State == alarm.Acknowledged.String()) {
				n, last = n+1, a.Name
			}
		}
		if n == 0 {
			return
		}
		if n > 1 {
			last = ""
		}
		e.emit(o, event.Event{Kind: kind, Priority: site.MediumPriority, Panel: name, Alarm: last, Who: who, Count: n})
	}
}
