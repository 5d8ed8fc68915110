package panel

import (
	"math"

	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Severity is how far an alarm that stands has gone beyond what raised it.
type Severity struct {
	Distance float64 // of what is read now, in the unit of the point; 0 where an alarm knows no distance, or nothing is believed
	Step     float64 // less than this further is the same trouble still
	Past     bool    // the sensor is at the end of its range: the truth may be far beyond
	Quick    bool    // it is one of the interlock's, which can grow worse within a minute
	Rests    bool    // the boiler is off line, and what stands is suspended
}

// hotter is what must be added to a hot sample before it is told as worse, in kelvin: half of what lies between the usual warning and closing values.
const hotter = 5

var kelvin = unitNamed("K", quantity.Temperature)

// Severity gives that of an alarm, named in full; false for one that does not stand.
func (pl *Panel) Severity(name string) (Severity, bool) {
	i := pl.alarmAt(name)
	if i == site.None || !pl.state.Alarms[i].Alarm.Active {
		return Severity{}, false
	}
	if i < len(pl.p.Limits) {
		l := &pl.p.Limits[i]
		s := Severity{Rests: pl.state.OnLine.off() && suspends(&pl.s.Points[l.Point]), Step: max(2*l.Deadband, math.Abs(l.Value)/4)}
		// by what is read now: what was worse and is better again is no news
		if r := pl.at(l.Point).Shown; r.HasValue() && r.Reason.Row().Counts {
			s.Distance = max(0, r.Value-l.Value)
			if l.Side == site.Low {
				s.Distance = max(0, l.Value-r.Value)
			}
			s.Past = s.Distance > 0 && r.Bound != reading.Exact
		}
		return s, true
	}
	s := Severity{Quick: true}
	if k := i - len(pl.p.Limits); k < len(rules) && rules[k].raised == event.SampleHot && pl.lineOut.Valve != reading.ValveClosedState {
		// behind a closed valve the sensor reads what was left there, and by and by room air
		if own := pl.proof(pl.p.Interlock.Temperature).Own; own.HasValue() {
			pt := &pl.s.Points[pl.p.Interlock.Temperature]
			s.Distance, s.Step = max(0, own.Value-pl.p.Interlock.CloseAbove), hotter/pl.step(pt, kelvin)
		}
	}
	return s, true
}

// Again tells an alarm that stands once more, as it is now, as a reminder or as grown worse. Nothing about the alarm changes.
func (pl *Panel) Again(in Input, name string, kind event.Kind, nth int) Output {
	pl.begin(in)
	i := pl.alarmAt(name)
	if i == site.None || !pl.state.Alarms[i].Alarm.Active {
		return pl.out
	}
	prio := pl.priorityOf(i)
	if k := i - len(pl.p.Limits); k >= 0 && k < len(rules) {
		prio = pl.rulePriority(&rules[k])
	}
	a := &pl.state.Alarms[i]
	e := pl.alarmEvent(i, kind, prio)
	e.Raised, e.Nth = a.Alarm.Raised, nth
	if a.Alarm.AckBy != "" {
		e.Who = a.Alarm.AckBy
	}
	if x := pl.openExcursion(i); x != nil {
		e.Excursion = x
	}
	if i >= len(pl.p.Limits) && a.Lasted > 0 && i < pl.ownAt {
		e.Lasted = a.Lasted
	}
	pl.emit(e)
	return pl.out
}

// Suspends tells whether the limits of a point rest while the boiler is off line.
func (pl *Panel) Suspends(pt *site.Point) bool { return suspends(pt) }
