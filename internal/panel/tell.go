package panel

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// afterCause is how long a lost temperature waits when what spoke for it is back: its own station is asked within that time. Practice gives ten
// seconds as the longest a message of high priority may be held.
const afterCause = 10 * time.Second

// news is what one step brought for one alarm. Conditions come first, then what silences, then the telling, so that nothing is announced for
// an instant.
type news struct {
	i       int
	rose    bool
	fell    bool
	decides bool             // of a limit: a reading said something about it in this step
	x       *event.Excursion // of one that fell: the finished record
	raised  event.Kind
	ended   event.Kind
	prio    site.Priority

	was       alarm.State
	anew      string // why it is told anew, when a silence ended with the condition true
	shelfOver string // a shelf ended: "time" or "restart"
	shelf     Shelf  // that one
	unsteady  bool   // this return made it unsteady
	rested    string // its unsteadiness ended: "rest" or "restart"
	swings    int    // and it had returned so often
	called    bool   // people are called for its end
	done      bool
}

// move takes an alarm through its step: the condition, then what silences it.
func (pl *Panel) move(n *news, in Input, since time.Duration) {
	a := &pl.state.Alarms[n.i]
	n.was = a.Alarm
	switch {
	case n.rose:
		a.Alarm, _ = a.Alarm.On(alarm.Rise, "", pl.now.Wall)
		a.Swings = a.Swings.Rose(pl.now.Up)
	case n.fell:
		a.Alarm, _ = a.Alarm.On(alarm.Fall, "", pl.now.Wall)
		if a.Swings.Unsteady || a.Told && n.was.Phase != alarm.Silenced {
			a.Swings, n.unsteady = a.Swings.Returned(pl.now.Up)
		} else { // nobody heard it come, so nobody is called for its swinging
			a.Swings = a.Swings.Rose(pl.now.Up)
		}
		a.Owes = false
	}
	pl.suppress(n)
	pl.shelfTime(n, in, since)
	swings := a.Swings.Count
	var over bool
	switch a.Swings, over = a.Swings.Rested(pl.now.Up); {
	case over:
		n.rested, n.swings = "rest", swings
	case a.Swings.Unsteady && !pl.started: // what silences ends with the process
		a.Swings, n.rested, n.swings = alarm.Swings{}, "restart", swings
	}
}

// tell says what the step brought for one alarm.
func (pl *Panel) tell(n *news) {
	a := &pl.state.Alarms[n.i]
	told := false
	switch {
	case n.fell:
		told = pl.tellEnd(n)
	case n.rose:
		told = pl.tellRaised(n, "")
	case n.anew != "":
		told = pl.tellRaised(n, n.anew)
	case a.Alarm.Active && (!a.Told || a.Owes):
		told = pl.speakUp(n)
	}
	if n.shelfOver != "" {
		e := pl.alarmEvent(n.i, event.AlarmUnshelved, n.prio)
		e.Who, e.Why, e.Cause, e.Count = n.shelf.Who, n.shelf.Why, n.shelfOver, 0
		if a.Alarm.Active {
			e.Is = "in alarm"
		}
		if told {
			e.Quiet = event.QuietTogether
		}
		pl.untold(n.i, &e)
		pl.emit(e)
	}
	if n.rested != "" {
		e := pl.alarmEvent(n.i, event.AlarmSteady, n.prio)
		e.Cause, e.Count = n.rested, n.swings
		if a.Alarm.Active {
			e.Is = "in alarm"
		}
		if told || a.Told && !a.Owes {
			e.Quiet = event.QuietTogether
		} else if st := a.Alarm.Shown(); a.Alarm.Phase == alarm.Silenced {
			e.Quiet = st
		}
		pl.untold(n.i, &e)
		pl.emit(e)
	}
}

// untold puts into the message of a silence that ended how long its alarm has stood, and why it is not told by itself.
func (pl *Panel) untold(i int, e *event.Event) {
	if e.Quiet != "" || !pl.state.Alarms[i].Alarm.Active {
		return
	}
	e.Excursion = pl.openExcursion(i)
	why, behind := pl.quiet(i)
	if e.Behind = behind; behind == "" || why == event.QuietOutOfService { // the last of them to end
		e.Behind = why
	}
}

// tellRaised gives the event of an alarm that is new, or is told anew. It tells whether people are called for it.
func (pl *Panel) tellRaised(n *news, again string) bool {
	a := &pl.state.Alarms[n.i]
	e := pl.alarmEvent(n.i, n.raised, n.prio)
	e.Again = again
	if again == event.AgainUnsteady || again == event.AgainStarted {
		e.Count = n.swings
	}
	e.Quiet, e.Behind = pl.quiet(n.i)
	if again == event.AgainStandsStill {
		e.Quiet, e.Behind = "", ""
	}
	if a.Changed && n.rose {
		a.Changed = false
		e.Quiet, e.Behind = event.QuietChanged, ""
	}
	id := event.ID{Boot: pl.bootName, Seq: pl.seq}.String() // the event about to be emitted
	if e.Quiet != event.QuietChanged {
		a.Alarm.Raised = id
		a.Owes = again != "" && e.Quiet != ""
		a.Told, a.Quiet, a.Behind = e.Quiet == "" || a.Told && !n.rose, e.Quiet, e.Behind
	}
	if n.i < len(pl.p.Limits) {
		l := &pl.p.Limits[n.i]
		if n.rose && a.Excursion.Open() {
			a.X, a.XAckBy, a.XAckAt = id, "", 0
		}
		if e.Excursion = pl.openExcursion(n.i); e.Excursion != nil && a.Alarm.Phase != alarm.Silenced {
			a.Alarm.Since = e.Excursion.Start.Wall
		}
		e.Advice = pl.Advice(l.Point, l.Towards())
		e.Held = pl.lesser(n.i)
	}
	pl.emit(e)
	return e.Quiet == ""
}

// speakUp tells an alarm that stands and was not told, once nothing speaks for it any more.
func (pl *Panel) speakUp(n *news) bool {
	a := &pl.state.Alarms[n.i]
	why, behind := pl.quiet(n.i)
	switch {
	case why == event.QuietUnsteady && pl.mustSpeak(n.i) && pl.now.Up-a.Swings.Moved >= alarm.UnsteadyStands:
		return pl.tellRaised(n, event.AgainStandsStill)
	case why != "":
		a.Quiet, a.Behind, pl.heldAt[n.i] = why, behind, pl.now.Up
		return false
	case n.i >= len(pl.p.Limits) && a.Quiet == event.QuietBehind && pl.heldAt[n.i] != 0 && pl.now.Up-pl.heldAt[n.i] < afterCause:
		return false
	case n.rested == "restart":
		return pl.tellRaised(n, event.AgainStarted)
	case n.rested != "":
		return pl.tellRaised(n, event.AgainUnsteady)
	}
	return pl.tellRaised(n, event.AgainCauseOver)
}

// tellEnd gives the event of an alarm whose condition is gone. It tells whether people are called for it.
func (pl *Panel) tellEnd(n *news) bool {
	a := &pl.state.Alarms[n.i]
	e := pl.alarmEvent(n.i, n.ended, n.prio)
	e.Raised, e.Who, e.Lasted, e.Excursion = n.was.Raised, n.was.AckBy, a.Lasted, n.x
	if a.HighSeen && e.Value != nil && n.i >= len(pl.p.Limits) && n.i < pl.ownAt {
		pt := &pl.s.Points[pl.p.Interlock.Temperature]
		e.Highest = pl.convert(a.Highest, pt, unitNamed(e.Value.Unit, quantity.Temperature))
	}
	switch {
	case a.Alarm.OutOfService:
		e.Quiet = event.QuietOutOfService
	case a.Alarm.Shelved:
		e.Quiet = event.QuietShelved
	case !a.Told && a.Quiet == event.QuietUnsteady:
		e.Quiet = event.QuietUnsteady
	case !a.Told:
		e.Quiet = event.QuietUntold
	case n.unsteady:
		e.Quiet = event.QuietUnsteady
	case n.i < len(pl.p.Limits):
		if j := pl.nextWorst(n.i); j != site.None && (!pl.state.Alarms[j].Told || pl.state.Alarms[j].Owes) {
			e.Quiet, e.Behind = event.QuietBehind, pl.state.Alarms[j].Name // the milder one speaks from here on
		} else if j := pl.endedWorse(n.i); j != site.None {
			e.Quiet, e.Behind = event.QuietTogether, pl.state.Alarms[j].Name
		}
		e.Held = pl.endedLesser(n.i)
		if j := pl.nextWorst(n.i); j != site.None && e.Quiet == "" {
			l := pl.limitValue(&pl.inForce[j])
			e.Passed = &event.LimitValue{Name: l.Name, Side: l.Side, Value: l.Value, Written: l.Written, Unit: l.Unit, Basis: l.Basis, Judges: l.Judges, Window: l.Window}
		}
	}
	began := n.unsteady && a.Told && !a.Alarm.OutOfService && !a.Alarm.Shelved
	a.Told, a.Quiet, a.Behind = false, "", ""
	pl.emit(e)
	if began {
		u := pl.alarmEvent(n.i, event.AlarmUnsteady, n.prio)
		u.Raised, u.Count, u.Excursion = n.was.Raised, a.Swings.Count, n.x
		if pl.mustSpeak(n.i) {
			u.Is = "stands" // then it is told again all the same
		}
		pl.emit(u)
	}
	n.called = e.Quiet == "" || began
	return n.called
}

// endedWorse is a worse limit of the same point that ended in this step and is told; site.None when there is none.
func (pl *Panel) endedWorse(i int) int {
	for k := range pl.news {
		if n := &pl.news[k]; n.fell && n.called && pl.worse(n.i, i) {
			return n.i
		}
	}
	return site.None
}

// endedLesser counts the milder limits of the same point that were told to stand and end in this step.
func (pl *Panel) endedLesser(i int) int {
	count := 0
	for k := range pl.news {
		if n := &pl.news[k]; n.fell && pl.worse(i, n.i) && pl.state.Alarms[n.i].Told {
			count++
		}
	}
	return count
}

// tellEnds tells the limits that ended in this step, the worst of a point before the milder ones.
func (pl *Panel) tellEnds() {
	for left := true; left; {
		left = false
		for k := range pl.news {
			n := &pl.news[k]
			if !n.fell || n.done {
				continue
			}
			waits := false
			for j := range pl.news {
				o := &pl.news[j]
				waits = waits || o.fell && !o.done && pl.worse(o.i, n.i)
			}
			if waits {
				left = true
				continue
			}
			n.done = true
			pl.tell(n)
		}
	}
}

// quiet says why nobody is called for an alarm that stands; nothing when people are.
func (pl *Panel) quiet(i int) (why, behind string) {
	a := &pl.state.Alarms[i]
	switch {
	case a.Alarm.Phase == alarm.Silenced:
		return a.Alarm.Shown(), a.By
	case a.Swings.Unsteady:
		return event.QuietUnsteady, ""
	}
	if behind = pl.behind(i); behind != "" {
		return event.QuietBehind, behind
	}
	return "", ""
}

// behind names what speaks for an alarm: a worse limit of the same point, or the bus or the station that a lost temperature comes by.
func (pl *Panel) behind(i int) string {
	if i < len(pl.p.Limits) {
		if j := pl.worst(i); j != site.None {
			return pl.state.Alarms[j].Name
		}
		return ""
	}
	if i >= pl.ownAt {
		return ""
	}
	k := &pl.p.Interlock
	switch rules[i-len(pl.p.Limits)].raised {
	case event.TemperatureLost:
		// Where rillwatch asks for the valve to be closed, that it does is news of its own.
		if by := pl.dead(k.Temperature); by != "" && !pl.drives() && !pl.watch.Hot && (!k.HasSecond || pl.dead(k.Second) != "") {
			return by
		}
	case event.OneTemperatureLost:
		if which, _ := pl.speaks(event.OneTemperatureLost); !pl.drives() {
			return pl.dead(which)
		}
	}
	return ""
}

// dead names the bus or the station by which a point comes, when people have been told that it does not answer.
func (pl *Panel) dead(point int) string {
	if point == site.None || pl.deadOf == nil || pl.s.Points[point].Sensor == site.None {
		return ""
	}
	return pl.deadOf(pl.s.Points[point].Sensor)
}

// deadFor is dead for a point that may be computed: then that of the reading it follows.
func (pl *Panel) deadFor(point int) string {
	if i := pl.pos(point); i != site.None && pl.moves[i] != site.None {
		point = pl.moves[i]
	}
	return pl.dead(point)
}

// Unseen tells whether nobody sees the panel's sample temperature while the sensors for which dead holds do not answer, so that the message
// about those must say it.
func (pl *Panel) Unseen(dead func(sensor int) bool) bool {
	k := &pl.p.Interlock
	if !k.Configured || pl.drives() { // where rillwatch asks for the valve to be closed, the lost temperature is told by itself
		return false
	}
	for i := range rules {
		if a := &pl.state.Alarms[len(pl.p.Limits)+i]; rules[i].raised == event.TemperatureLost && a.Told {
			return false // that it is lost has been told
		}
	}
	gone := func(p int) bool { s := pl.s.Points[p].Sensor; return s != site.None && dead(s) }
	return gone(k.Temperature) && (!k.HasSecond || gone(k.Second))
}

// StandOn counts the alarms that stand on readings of the sensors for which dead holds.
func (pl *Panel) StandOn(dead func(sensor int) bool) int {
	count := 0
	for i := range pl.p.Limits {
		p := pl.p.Limits[i].Point
		if k := pl.pos(p); k != site.None && pl.moves[k] != site.None {
			p = pl.moves[k]
		}
		if s := pl.s.Points[p].Sensor; s != site.None && dead(s) && pl.state.Alarms[i].Alarm.Active {
			count++
		}
	}
	return count
}

// worse tells whether limit j lies further out than limit i of the same point and side; of equals the one with the higher priority, then the
// first in order.
func (pl *Panel) worse(j, i int) bool {
	a, b := &pl.inForce[j], &pl.inForce[i]
	if i == j || a.Point != b.Point || a.Side != b.Side || (a.Of.Rate() || b.Of.Rate()) && a.Of != b.Of { // a rate and a value are not measured by one yardstick
		return false
	}
	switch {
	case a.Value != b.Value:
		return (a.Value > b.Value) == (a.Side == site.High)
	case a.Priority != b.Priority:
		return a.Priority < b.Priority
	}
	return j < i
}

// speaking tells whether a limit's alarm stands and nothing keeps it from being told but a worse one.
func (pl *Panel) speaking(j int) bool {
	a := &pl.state.Alarms[j]
	return a.Alarm.Active && a.Alarm.Phase != alarm.Silenced && !a.Swings.Unsteady
}

// worst is the worst limit that speaks for limit i; site.None when it speaks for itself.
func (pl *Panel) worst(i int) int {
	best := site.None
	for j := range pl.p.Limits {
		if pl.worse(j, i) && pl.speaking(j) && (best == site.None || pl.worse(j, best)) {
			best = j
		}
	}
	return best
}

// nextWorst is the worst of the milder limits that stand beside limit i.
func (pl *Panel) nextWorst(i int) int {
	best := site.None
	for j := range pl.p.Limits {
		if pl.worse(i, j) && pl.speaking(j) && (best == site.None || pl.worse(j, best)) {
			best = j
		}
	}
	return best
}

// lesser counts the milder limits that stand beside limit i.
func (pl *Panel) lesser(i int) int {
	count := 0
	for j := range pl.p.Limits {
		if pl.worse(i, j) && pl.speaking(j) {
			count++
		}
	}
	return count
}
