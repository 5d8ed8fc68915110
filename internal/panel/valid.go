package panel

import (
	"slices"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Valid is how much of a point that a limit judges could be judged, by quarter-hours of time in which it should have been. It changes on disk once a
// quarter-hour at most.
type Valid struct {
	Point   string `json:"point"`
	Done    int    `json:"done,omitempty"`    // quarter-hours of the present hour that are over
	Held    int    `json:"held,omitempty"`    // of those, that held a counting reading
	Missed  int    `json:"missed,omitempty"`  // hours in a row with too few, up to hoursTold
	Lacking bool   `json:"lacking,omitempty"` // told, and no hour has held enough since
}

// The rule is modelled on 40 CFR 63.1965: an hour is valid with readings in at least three of its four quarter-hours. It is told after two
// such hours in a row, so that a grab sample, a check or one feed pulse makes none.
const (
	quartersAnHour = 4
	quartersValid  = 3
	hoursTold      = 2
)

// validity is what a process keeps of the quarter-hour that is not over. A start loses it: at most a quarter-hour of blind time.
type validity struct {
	passed time.Duration
	held   bool
}

// prepareValid makes an entry for each point that a limit judges. What a person enters has an age and no quarter-hours.
func (pl *Panel) prepareValid() {
	for i := range pl.p.Limits {
		pt := &pl.s.Points[pl.p.Limits[i].Point]
		if !pt.Entered.Configured && pl.validOf(pt.Path) == nil {
			pl.state.Valid = append(pl.state.Valid, Valid{Point: pt.Path})
		}
	}
	pl.valid = make([]validity, len(pl.state.Valid))
}

func (pl *Panel) validOf(path string) *Valid {
	for k := range pl.state.Valid {
		if pl.state.Valid[k].Point == path {
			return &pl.state.Valid[k]
		}
	}
	return nil
}

func (pl *Panel) restoreValid(old []Valid) {
	for _, v := range old {
		if now := pl.validOf(v.Point); now != nil {
			*now = v
		}
	}
}

// validStep books the time that passed for every point that is judged now. Time in which none of its limits is judged, because the boiler is off
// line or in a state they do not name, is in no hour.
func (pl *Panel) validStep(elapsed time.Duration) {
	for k := range pl.state.Valid {
		v, q := &pl.state.Valid[k], &pl.valid[k]
		wanted := false
		var r reading.Reading
		for i := range pl.p.Limits {
			l := &pl.inForce[i]
			if pt := &pl.s.Points[l.Point]; pt.Path == v.Point {
				judged, _ := pl.applies(l, pt)
				m := pl.at(l.Point)
				wanted, r = wanted || judged, m.Shown
				q.held = q.held || judged && m.Sampled && r.Counts()
			}
		}
		if !wanted {
			continue
		}
		for q.passed += elapsed; q.passed >= site.Quarter; q.passed -= site.Quarter {
			v.quarter(q.held)
			q.held = false
		}
	}
}

// quarter books one quarter-hour.
func (v *Valid) quarter(held bool) {
	v.Done++
	if held {
		v.Held++
	}
	if v.Done < quartersAnHour {
		return
	}
	if v.Held >= quartersValid {
		v.Missed, v.Lacking = 0, false
	} else if v.Missed = min(v.Missed+1, hoursTold); v.Missed == hoursTold {
		v.Lacking = true
	}
	v.Done, v.Held = 0, 0
}

// lacking names the points of which there is too little.
func (pl *Panel) lacking() []string {
	var paths []string
	for k := range pl.state.Valid {
		if v := &pl.state.Valid[k]; v.Lacking {
			paths = append(paths, v.Point)
		}
	}
	return paths
}

// validStanding is the alarm of too little valid data: one for the panel, because what takes one point of a sample away mostly takes all.
func (pl *Panel) validStanding() (standing, bool) {
	return standing{name: site.TooLittleDataAlarm, priority: site.MediumPriority, raised: event.DataTooLittle, returned: event.DataEnough,
		holds: (*Panel).lacksUntold, facts: (*Panel).validFacts}, len(pl.state.Valid) > 0
}

// lacksUntold tells whether there is too little of a point of which people do not know already that what reads it does not answer. What was told
// stands until there is enough again.
func (pl *Panel) lacksUntold() bool {
	paths := pl.lacking()
	if i := pl.alarmAt(pl.name + "." + site.TooLittleDataAlarm); i != site.None && pl.state.Alarms[i].Alarm.Active {
		return len(paths) > 0
	}
	for i := range pl.p.Limits {
		p := pl.p.Limits[i].Point
		if slices.Contains(paths, pl.s.Points[p].Path) && pl.deadFor(p) == "" {
			return true
		}
	}
	return false
}

func (pl *Panel) validFacts(e *event.Event) {
	if e.Points = pl.lacking(); len(e.Points) == 0 {
		e.Points = pl.lacked
	}
	e.Count = len(e.Points)
}

// rememberLacking keeps the names for the end of the alarm, when none is lacking any more. A start forgets them, and the end then names none.
func (pl *Panel) rememberLacking() {
	if a := pl.alarmAt(pl.name + "." + site.TooLittleDataAlarm); a != site.None && pl.state.Alarms[a].Alarm.Active {
		if now := pl.lacking(); len(now) > len(pl.lacked) {
			pl.lacked = now
		}
	} else {
		pl.lacked = nil
	}
}
