package panel

import (
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// ShelfMost is the longest an alarm may be shelved for: a long shift. Whoever comes next decides anew.
	ShelfMost = 12 * time.Hour
	// ShelfUsual is how long where nobody says.
	ShelfUsual = time.Hour
	shelfLeast = time.Minute

	// pointlessMost is how long an alarm that stood may wait, suppressed, for a reading that says whether it still does, once what made it
	// pointless is over. Then it is told as it is: a line that is never flushed must not keep an alarm quiet. Judgement.
	pointlessMost = time.Hour

	// silencesMost bounds those named in one message; a list that is longer is no message.
	silencesMost = 8
)

// Shelf is a person's word that an alarm shall be quiet for a time. It ends at the earliest of the time seen, the wall clock and the process.
type Shelf struct {
	Who   string       `json:"who"`
	Why   string       `json:"why"`
	Until reading.Wall `json:"until,omitempty"`

	Left time.Duration `json:"-"`
	here bool          // given in this process
}

// Out is a person's word that an alarm is out of service. It has no end of its own, and outlives a restart.
type Out struct {
	Who   string       `json:"who"`
	Why   string       `json:"why"`
	Since reading.Wall `json:"since,omitempty"`
}

// Refusals of what silences.
const (
	// MustSpeak refuses to silence what warns of hot water, of a sensor that may be in a bottle, or of nobody watching: for those there are the check in
	// hand and, where rillwatch drives a valve, the override, which are named in every message and end.
	MustSpeak   = "must_not_be_silenced"
	NotShelved  = "not_shelved"
	AlreadyOut  = "already_out_of_service"
	NotOut      = "not_out_of_service"
	AckSilenced = "silenced" // what calls nobody cannot be acknowledged
)

// mustSpeak tells whether an alarm must not be silenced by anybody, nor by its own unsteadiness for long.
func (pl *Panel) mustSpeak(i int) bool {
	switch {
	case i < len(pl.p.Limits):
		return false
	case i < pl.ownAt:
		switch rules[i-len(pl.p.Limits)].raised {
		case event.SampleHot, event.TemperatureLost, event.ValveFailedToClose, event.ValveNotConfirmed, event.CannotClose:
			return true
		}
		return false
	}
	name := pl.standing[i-pl.ownAt].name
	return name == site.ProtectionBlindAlarm || strings.HasPrefix(name, site.CheckAlarm)
}

// suppress keeps an alarm quiet while the plant's state makes it pointless: the chemistry while the sample valve is closed, and every limit
// whose sensor is on a bus or a station of which people know that it does not answer. What stood is told anew when a reading shows that it
// still does.
func (pl *Panel) suppress(n *news) {
	if n.i >= len(pl.p.Limits) {
		return
	}
	a := &pl.state.Alarms[n.i]
	by := pl.deadFor(pl.p.Limits[n.i].Point)
	if by == "" && pl.lineOut.Valve == reading.ValveClosedState && pl.inSample(pl.p.Limits[n.i].Point) {
		by = "valve.closed"
	}
	if by != "" {
		a.By, pl.pointless[n.i] = by, pl.now.Up
		if a.Alarm.Suppressed {
			return
		}
		a.Alarm, _ = a.Alarm.On(alarm.Suppress, "", pl.now.Wall)
		if a.Alarm.Active {
			e := pl.alarmEvent(n.i, event.AlarmSuppressed, n.prio)
			e.Cause, e.Raised, e.Excursion = by, a.Alarm.Raised, pl.openExcursion(n.i)
			pl.emit(e)
		}
		return
	}
	if !a.Alarm.Suppressed {
		return
	}
	if !pl.started { // nothing is known yet of the valve and the buses
		pl.pointless[n.i] = pl.now.Up
		if a.Alarm.Active {
			return
		}
	}
	stands := n.decides && a.Judge.Stage == alarm.Open
	if a.Alarm.Active && !stands && pl.now.Up-pl.pointless[n.i] < pointlessMost {
		return
	}
	a.By = ""
	var tell alarm.Tell
	if a.Alarm, tell = a.Alarm.On(alarm.Unsuppress, "", pl.now.Wall); tell == alarm.TellRaised {
		n.anew = event.AgainUnsuppress
	}
}

// inSample tells whether a point describes the water at this panel's own sensors: what comes from a laboratory or a sensor of the site does
// not.
func (pl *Panel) inSample(point int) bool {
	i := pl.pos(point)
	if i == site.None || !pl.s.Points[point].Chemistry() {
		return false
	}
	of := pl.moves[i]
	return of != site.None && pl.pos(of) != site.None && !pl.s.Points[of].Derived()
}

// shelfTime runs the time of a shelf. A process that starts ends it.
func (pl *Panel) shelfTime(n *news, in Input, since time.Duration) {
	a := &pl.state.Alarms[n.i]
	if a.Shelf == nil {
		return
	}
	a.Shelf.Left -= since
	switch {
	case !a.Shelf.here:
		n.shelfOver = "restart"
	case a.Shelf.Left <= 0 || in.Certain && a.Shelf.Until != 0 && in.Now.Wall >= a.Shelf.Until:
		n.shelfOver = "time"
	default:
		return
	}
	n.shelf, a.Shelf = *a.Shelf, nil
	var tell alarm.Tell
	if a.Alarm, tell = a.Alarm.On(alarm.Unshelve, "", pl.now.Wall); tell == alarm.TellRaised {
		n.anew = event.AgainShelfOver
	}
}

// alarmNamed begins a command about an alarm.
func (pl *Panel) alarmNamed(in Input, name string) *news {
	pl.begin(in)
	i := pl.alarmAt(name)
	if i == site.None {
		return nil
	}
	raised, ended := pl.kindsOf(i)
	return &news{i: i, raised: raised, ended: ended, prio: pl.priorityOf(i), was: pl.state.Alarms[i].Alarm}
}

// kindsOf are the events of an alarm that comes and goes.
func (pl *Panel) kindsOf(i int) (raised, ended event.Kind) {
	switch {
	case i < len(pl.p.Limits):
		return event.AlarmRaised, event.AlarmReturned
	case i < pl.ownAt:
		return rules[i-len(pl.p.Limits)].raised, rules[i-len(pl.p.Limits)].returned
	}
	return pl.standing[i-pl.ownAt].raised, pl.standing[i-pl.ownAt].returned
}

// Shelve silences an alarm for so long. It returns the name of the refusal, or "". Shelved again it has the new time: a person is there.
func (pl *Panel) Shelve(in Input, name string, long time.Duration, who, why string) (Output, string) {
	n := pl.alarmNamed(in, name)
	switch {
	case n == nil:
		return pl.out, NoSuchAlarm
	case long < shelfLeast || long > ShelfMost:
		return pl.out, BadSpan
	case pl.mustSpeak(n.i):
		return pl.out, MustSpeak
	}
	a := &pl.state.Alarms[n.i]
	a.Alarm, _ = a.Alarm.On(alarm.Shelve, who, in.Now.Wall)
	a.Shelf = &Shelf{Who: who, Why: clip(why), here: true, Left: long + in.Now.Up - pl.lastUp} // the next step takes off what had passed before
	if in.Certain {
		a.Shelf.Until = in.Now.Wall + reading.Wall(long)
	}
	e := pl.alarmEvent(n.i, event.AlarmShelved, n.prio)
	e.Who, e.Why, e.Lasted, e.Raised, e.Count = who, why, long, n.was.Raised, 0
	pl.emit(e)
	return pl.out, ""
}

// Unshelve ends a shelf before its time.
func (pl *Panel) Unshelve(in Input, name, who, why string) (Output, string) {
	n := pl.alarmNamed(in, name)
	if n == nil {
		return pl.out, NoSuchAlarm
	}
	a := &pl.state.Alarms[n.i]
	var tell alarm.Tell
	if a.Alarm, tell = a.Alarm.On(alarm.Unshelve, who, in.Now.Wall); tell.Refusal() {
		return pl.out, NotShelved
	}
	a.Shelf = nil
	e := pl.alarmEvent(n.i, event.AlarmUnshelved, n.prio)
	e.Who, e.Why, e.Cause, e.Quiet, e.Count = who, why, "command", event.QuietAsked, 0
	pl.emit(e)
	if tell == alarm.TellRaised {
		pl.tellRaised(n, event.AgainShelfOver)
	}
	return pl.out, ""
}

// Service takes an alarm out of service, or puts it back. It returns the name of the refusal, or "".
func (pl *Panel) Service(in Input, name string, out bool, who, why string) (Output, string) {
	n := pl.alarmNamed(in, name)
	switch {
	case n == nil:
		return pl.out, NoSuchAlarm
	case out && pl.mustSpeak(n.i):
		return pl.out, MustSpeak
	}
	a := &pl.state.Alarms[n.i]
	trigger, refusal, kind := alarm.PutBack, NotOut, event.AlarmInService
	if out {
		trigger, refusal, kind = alarm.TakeOut, AlreadyOut, event.AlarmOutOfService
	}
	var tell alarm.Tell
	if a.Alarm, tell = a.Alarm.On(trigger, who, in.Now.Wall); tell.Refusal() {
		return pl.out, refusal
	}
	a.Out = nil
	if out {
		a.Out = &Out{Who: who, Why: clip(why), Since: in.Now.Wall}
	}
	e := pl.alarmEvent(n.i, kind, n.prio)
	e.Who, e.Why, e.Raised, e.Count = who, why, n.was.Raised, 0
	if out {
		e.Priority = site.LowPriority
	}
	if n.was.Active {
		e.Is = "in alarm"
	}
	pl.emit(e)
	if tell == alarm.TellRaised {
		pl.tellRaised(n, event.AgainInService)
	}
	return pl.out, ""
}

// silences are the alarms that people have silenced, those out of service first: they have no end.
func (pl *Panel) silences() []event.Silence {
	var all []event.Silence
	for i := range pl.state.Alarms {
		if a := &pl.state.Alarms[i]; a.Out != nil {
			all = append(all, event.Silence{Alarm: a.Name, State: event.QuietOutOfService, Who: a.Out.Who, Why: a.Out.Why, Since: a.Out.Since})
		}
	}
	for i := range pl.state.Alarms {
		if a := &pl.state.Alarms[i]; a.Shelf != nil {
			all = append(all, event.Silence{Alarm: a.Name, State: event.QuietShelved, Who: a.Shelf.Who, Why: a.Shelf.Why, Until: a.Shelf.Until, Left: a.Shelf.Left})
		}
	}
	return all[:min(len(all), silencesMost)]
}
