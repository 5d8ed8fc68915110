package notify

import (
	"math"
	"strconv"
	"strings"

	"rillwatch/internal/event"
)

// The messages about what silences an alarm, about one that comes and goes, and about a limit that was changed under it.

// called is an alarm as people call it.
func (t *teller) called() string {
	if w, ok := t.rule(); ok {
		return w
	}
	_, name, ok := strings.Cut(t.e.Alarm, ".")
	if !ok {
		name = t.e.Alarm
	}
	if name = spaced(name); name == "" {
		return "without a name"
	}
	return name
}

// nowOf says what an alarm's reading is at this moment, against its limit where it has one.
func (t *teller) nowOf() string {
	v, l := t.e.Value, t.e.Limit
	if v == nil {
		return ""
	}
	basis := ""
	if l != nil {
		basis = clean(l.Basis)
	}
	amount, ok := reads(v, basis)
	switch {
	case !ok:
		return "At this moment there is " + amount + "."
	case l == nil || strings.HasSuffix(l.Name, "_above") || l.Name == "rise_per_min": // those of the interlock are no owner's limits
		return "The " + t.noun() + " reads " + amount + " at this moment."
	}
	return "The " + t.noun() + " reads " + amount + " at this moment, " + against(v, l) + "."
}

func (t *teller) inAlarm() bool { return t.e.Is == "in alarm" }

// passed names the milder limit that a return leaves standing.
func (t *teller) passed() string {
	l := t.e.Passed
	side := "at most "
	if low(l) {
		side = "at least "
	}
	return "A milder limit is still passed: \"" + spaced(clean(l.Name)) + "\", " + side + limitAmount(l, 3) + "; its alarm stands."
}

// keptBy says what keeps an alarm that stands from being told by itself.
func (t *teller) keptBy() string {
	by := clean(t.e.Behind)
	switch by {
	case "":
		return "something else keeps it from being told by itself"
	case "valve.closed":
		return "it is not told by itself, because the sample valve is closed and what stands behind it says nothing"
	case event.QuietSuppressed:
		return "it is not told by itself until a reading to be believed shows that it still does"
	case event.QuietOutOfService:
		return "it is not told by itself, because it is out of service"
	case event.QuietShelved:
		return "it is not told by itself, because it is shelved"
	case event.QuietUnsteady:
		return "it is not told by itself, because it comes and goes and has not rested yet"
	}
	if name, ok := strings.CutPrefix(by, t.e.Panel+"."); ok && t.e.Panel != "" {
		return "the alarm \"" + spaced(name) + "\", which was told, speaks for it"
	}
	return "it is not told by itself, because what reads it does not answer, which was told"
}

// standsOn says that an alarm whose silence is over stands: since when, against whose limit, and what keeps it from being told by itself.
func (t *teller) standsOn() {
	t.state = "raised"
	t.say("Its condition holds, and "+t.keptBy()+".", t.nowOf())
	if l, x := t.e.Limit, t.e.Excursion; l != nil && x != nil {
		t.say(t.soFar(x), owner(l))
	}
}

func (t *teller) shelfOver() {
	name := t.called()
	stands := ""
	if t.inAlarm() {
		stands = ", it stands"
	}
	t.fact("shelf of the alarm \"" + name + "\" is over" + stands)
	t.fact("shelf of the alarm \"" + brief(name, 20) + "\" is over" + stands)
	t.fact("the shelf of an alarm is over" + stands)
	who := clean(t.e.Who)
	if who == "" {
		who = "a person"
	}
	because := "the time is up"
	switch t.e.Cause {
	case "restart":
		because = "rillwatch was started again, and no shelf outlives that"
	case "command":
		because = "a person ended it"
	}
	t.say(t.at()+": the alarm \""+name+"\" had been shelved by "+who+". That is over: "+because+".", t.note())
	if t.inAlarm() {
		t.standsOn()
	} else {
		t.say("Its condition does not hold. What happened meanwhile is on record.", t.nowOf())
	}
	t.say(t.seen("Ended"), t.trust())
	t.say("First action: none is needed; where the reason to shelve it is still there, somebody decides that anew.", handsOff2)
	t.say("No more messages about this shelf follow.")
}

func (t *teller) takenOut() {
	name := t.called()
	who, whole := t.person()
	t.fact("alarm \"" + name + "\" taken out of service by " + who)
	t.fact("alarm \"" + brief(name, 20) + "\" taken out of service")
	t.fact("an alarm was taken out of service")
	t.say(t.at()+": "+whole+" has taken the alarm \""+name+"\" out of service. It calls nobody until a person puts it back; that has no end of its own and outlives a restart.", t.note())
	if t.inAlarm() {
		t.say("Its condition holds at this moment.", t.nowOf())
	} else {
		t.say(t.nowOf())
	}
	t.say(t.seen("Taken out"), "It is judged and kept on record all the same, and every message of this panel names it.")
	t.say("First action: if you do not know of this work, ask "+who+" about it.", handsOff2)
	t.say("The next message about it comes when it is put back and its condition holds.")
}

func (t *teller) unsteady() {
	name, n := t.called(), many(max(1, t.e.Count), "time", "times")
	hands, shutOff := handsOff2, ""
	if t.e.Is == "stands" {
		hands, shutOff = handsOff, primary
	}
	t.fact("alarm \"" + name + "\" comes and goes, " + n + " in ten minutes")
	t.fact("alarm \"" + brief(name, 20) + "\" comes and goes")
	t.fact("an alarm comes and goes")
	t.state = "raised"
	t.say(t.at() + ": the alarm \"" + name + "\" has come and gone " + n + " within ten minutes. That is not over: it may stand again at any moment.")
	t.say(t.nowOf())
	if l := t.e.Limit; l != nil && t.e.Excursion != nil {
		t.say(owner(l))
		if p := t.peak(t.e.Excursion); p != "" {
			t.say(sentence(furthest(l) + " of the last time was " + p + " at " + t.moment(t.e.Excursion.PeakAt.Wall)))
		}
	}
	t.say(t.seen("Found"), t.trust(), t.age())
	t.say("First action: look at the reading itself. A value that swings about its limit, a loose contact or a valve that hunts looks like this (common practice).", hands, shutOff)
	next := "From now on it is counted and kept on record and not told, until it has neither come nor gone for thirty minutes; then it is told how often it came, and whether it stands."
	if t.e.Is == "stands" {
		next += " Because of what it warns of, it is told earlier when it stands for two minutes on end."
	}
	t.say(next)
}

func (t *teller) steady() {
	name, n := t.called(), many(max(1, t.e.Count), "time", "times")
	t.state = "returned"
	s, how := "neither come nor gone for thirty minutes", " is steady again"
	if t.e.Cause == "restart" {
		s, how = "been followed no further, because rillwatch was started again; it starts to count anew", " is told again"
	}
	if t.inAlarm() {
		how += ", it stands"
	}
	switch {
	case t.e.Cause == "restart":
		t.fact("alarm \"" + name + "\" had come and gone," + how)
	case !t.inAlarm():
		t.fact("alarm \"" + name + "\"" + how + ", it had gone " + n)
	default:
		t.fact("alarm \"" + name + "\"" + how)
	}
	t.fact("alarm \"" + brief(name, 20) + "\"" + how)
	t.fact("an alarm" + how)
	t.say(t.at() + ": the alarm \"" + name + "\", which came and went, has " + s + ". It had gone " + n + " altogether; each is on record.")
	if t.inAlarm() {
		t.standsOn()
	} else {
		t.say("Its condition does not hold.", t.nowOf())
	}
	t.say(t.seen("Told"), t.trust())
	t.say("First action: find out in the morning why it swung.", handsOff2)
	t.say("From now on it is told again whenever it comes.")
}

// formerly is whose limit it was.
func formerly(l *event.LimitValue) string {
	if rest, ok := strings.CutPrefix(owner(l), "The limit is "); ok {
		return "It was " + rest
	}
	return "Before, nobody had written down whose limit it is."
}

func (t *teller) limitChanged() {
	l, x := t.e.Limit, t.e.Excursion
	what := t.subject(t.e.Point)
	if l == nil {
		t.fact("the limit of a standing alarm was changed")
		t.say(t.at()+": the limit of a standing alarm was changed. Its numbers are not in this message.", t.seen("Found"))
		t.say("First action: ask whoever changed the configuration whether that was meant, and look at the reading itself.", handsOff2)
		return
	}
	now := limitAmount(l, 3)
	if !t.inAlarm() {
		t.state = "returned"
		t.fact(what + " is within its changed limit " + now + ", alarm ended")
		t.fact("alarm ended: within the changed limit")
		t.say(t.at()+": the alarm of the "+what+" has ended, because its limit was changed: the first reading that says something about the new limit, "+now+", is within it. Nothing was seen to come back.", t.nowOf(), owner(l))
		t.say(t.seen("Found"), t.trust(), t.age())
		t.say("First action: ask whoever changed the configuration whether that was meant.", handsOff2)
		t.say("No more messages about this alarm follow.")
		return
	}
	t.state = "raised"
	if x != nil && l.Written == x.Limit.Written && l.Unit == x.Limit.Unit && l.Basis == x.Limit.Basis && owner(l) != owner(&x.Limit) {
		t.fact("owner of limit " + now + " of " + what + " changed while in alarm")
		t.fact("owner of limit " + now + " changed while in alarm")
		t.fact("owner of a limit was changed while in alarm")
		t.say(t.at()+": the limit of the "+what+" is "+now+" as before, and is written otherwise: by whom, in which edition, for which band or for which tap. Its alarm was standing and stands on.",
			owner(l), formerly(&x.Limit))
	} else {
		t.fact("limit of " + what + " changed to " + now + " while in alarm")
		t.fact("limit changed to " + now + " while in alarm")
		t.fact("a limit was changed while in alarm")
		s := t.at() + ": the limit of the " + what + " is another one now, " + now
		if x != nil {
			s += "; it was " + limitAmount(&x.Limit, x.Decimals)
		}
		t.say(s+". Its alarm was standing and stands on.", owner(l))
	}
	if x != nil {
		said := "The record under the old limit ends here: beyond it since " + t.moment(x.Start.Wall) + ", seen beyond for " + spell(x.Beyond)
		if p := t.peak(x); p != "" {
			said += "; " + furthest(&x.Limit) + " was " + p
		}
		t.say(said+".", "A second record, linked with it, begins with the first reading beyond the new limit, without a new delay; a first reading within the new limit ends the alarm.")
	}
	t.say(t.seen("Found"), "This happens when rillwatch starts with a changed configuration.")
	t.say("First action: ask whoever changed the configuration whether that was meant, and look at the reading itself.", handsOff2)
}

// againWords say why an alarm that was told before is told anew.
var againWords = map[string]string{
	event.AgainShelfOver:   "it had been shelved; that is over and its condition holds",
	event.AgainInService:   "it was put back in service and its condition holds",
	event.AgainUnsuppress:  "what had made it pointless is over, and its condition still holds",
	event.AgainCauseOver:   "another trouble had spoken for it; that is over and this one stands",
	event.AgainStarted:     "it had come and gone for a while; rillwatch was started again, and its condition holds",
	event.AgainUnsteady:    "it had come and gone for a while, and has now stood for thirty minutes",
	event.AgainStandsStill: "it comes and goes, and has now stood for two minutes on end",
}

// again marks an alarm that is told anew, in the headline and in the text.
func (t *teller) again() {
	why, ok := againWords[t.e.Again]
	if !ok {
		return
	}
	marked := make([]string, 0, len(t.facts)+1)
	for _, f := range t.facts {
		marked = append(marked, "still: "+f)
	}
	t.facts = append(marked, t.facts[len(t.facts)-1]) // the last must fit in any case
	for i := range t.paras {
		if rest, ok := strings.CutPrefix(t.paras[i], "New, "); ok {
			t.paras[i] = "Told anew, " + rest
		}
	}
	t.paras = append([]string{"Told anew: " + why + "."}, t.paras...)
}

// held counts the alarms that this message speaks for.
func (t *teller) held() string {
	if t.e.Held <= 0 {
		return ""
	}
	one := many(t.e.Held, "alarm", "alarms")
	switch t.e.Kind {
	case event.AlarmRaised:
		return "Passed as well: " + many(t.e.Held, "milder limit", "milder limits") + " of the same reading, on record and not told apart."
	case event.AlarmReturned:
		return "Ended with it: " + many(t.e.Held, "milder limit", "milder limits") + " of the same reading, on record."
	case event.BusLost, event.StationSilent:
		return "What stood on these readings, " + one + ", is not told while this lasts; what still stands afterwards is told anew."
	}
	return ""
}

// silences names the alarms of the panel that call nobody because a person wanted it.
func (t *teller) silences() string {
	var said []string
	for _, s := range t.e.Trust.Silences {
		_, name, ok := strings.Cut(s.Alarm, ".")
		if !ok {
			name = s.Alarm
		}
		who := clean(s.Who)
		if who == "" {
			who = "somebody"
		}
		one := "the alarm \"" + spaced(name) + "\" is shelved by " + who
		switch {
		case s.State == event.QuietOutOfService:
			one = "the alarm \"" + spaced(name) + "\" is out of service, by " + who
			if clockSet(s.Since) {
				one += " since " + t.moment(s.Since)
			}
		case clockSet(s.Until):
			one += " until " + t.moment(s.Until)
		case s.Left > 0:
			one += " for " + spell(s.Left) + " more"
		}
		if why := clean(s.Why); why != "" {
			one += " (\"" + why + "\")"
		}
		said = append(said, one)
	}
	if len(said) == 0 {
		return ""
	}
	return "Standing at this panel: " + strings.Join(said, "; ") + "."
}

// linkWords are what else may go on during an excursion.
var linkWords = map[string]string{
	event.LinkInterlock: "the sample was hot, its temperature lost, or its valve held closed",
	event.LinkValve:     "the sample valve was closed",
	event.LinkCheck:     "a sensor was out for a check",
	event.LinkOverride:  "the close request was overridden",
	event.LinkOffLine:   "the boiler was off line",
}

// proof says how much of an episode was seen, and what else went on meanwhile.
func (t *teller) proof(x *event.Excursion) []string {
	var said []string
	if x.ValidKnown && x.Valid >= 0 && x.Valid <= 1 {
		// rounded down: a hundred says that nothing is missing
		s := strconv.Itoa(int(math.Floor(x.Valid*100+1e-9))) + " % of the time on line was seen"
		if x.LongestGap > 0 {
			s += "; the longest gap was " + spell(x.LongestGap)
		}
		said = append(said, sentence(s))
	}
	var links []string
	for _, l := range x.Links {
		w, ok := linkWords[l.What]
		if !ok {
			continue
		}
		if who := clean(l.Who); who != "" {
			w += ", by " + who
		}
		w += " from " + t.moment(l.From)
		if l.To != 0 {
			w += " to " + t.moment(l.To)
		} else {
			w += " to the end"
		}
		links = append(links, w)
	}
	if len(links) > 0 {
		s := "During it " + strings.Join(links, "; ")
		if x.MoreLinks > 0 {
			s += "; and " + many(x.MoreLinks, "more such time", "more such times")
		}
		said = append(said, s+".")
	}
	return said
}

// atMost is the upper bound of an integral, where it is known and larger by more than the digits show.
func atMost(x *event.Excursion) string {
	if !x.UpperKnown || x.IntegralLow {
		return ""
	}
	low, ok1 := number(x.Integral, x.Decimals)
	high, ok2 := number(x.IntegralUpper, x.Decimals)
	if !ok1 || !ok2 || low == high || x.IntegralUpper < x.Integral {
		return ""
	}
	return ", and at most " + high + " if the time nobody saw was as bad as what was seen beside it"
}

// states says the kinds of this file.
func (t *teller) states() {
	switch t.e.Kind {
	case event.LimitChanged:
		t.limitChanged()
	case event.AlarmUnshelved:
		t.shelfOver()
	case event.AlarmOutOfService:
		t.takenOut()
	case event.AlarmUnsteady:
		t.unsteady()
	case event.AlarmSteady:
		t.steady()
	}
}

// soberStates bounds what the states of an alarm put into an event.
func soberStates(c *event.Event, most int) {
	for _, s := range []*string{&c.Quiet, &c.Behind, &c.Again} {
		*s = clip(*s, most)
	}
	if e := c.Passed; e != nil {
		l := soberLimit(*e, most)
		c.Passed = &l
	}
	c.Unseen = append([]string(nil), c.Unseen[:min(len(c.Unseen), listMost)]...)
	for i := range c.Unseen {
		c.Unseen[i] = clip(c.Unseen[i], most)
	}
	c.Trust.Silences = append([]event.Silence(nil), c.Trust.Silences[:min(len(c.Trust.Silences), listMost)]...)
	for i := range c.Trust.Silences {
		s := &c.Trust.Silences[i]
		s.Alarm, s.State, s.Who, s.Why = clip(s.Alarm, most), clip(s.State, most), clip(s.Who, most), clip(s.Why, most)
	}
	if x := c.Excursion; x != nil {
		x.Links = append([]event.Link(nil), x.Links[:min(len(x.Links), listMost)]...)
		for i := range x.Links {
			x.Links[i].What, x.Links[i].Who = clip(x.Links[i].What, most), clip(x.Links[i].Who, most)
		}
		x.Ended, x.Before = clip(x.Ended, most), clip(x.Before, most)
		soberFloats(&x.IntegralUpper, &x.Valid)
	}
}

// listMost bounds a list within one message; what makes these lists keeps fewer.
const listMost = 8

// silenceBody is an alarm of the panel that a person has silenced.
type silenceBody struct {
	Alarm string `json:"alarm"`
	State string `json:"state"`
	Who   string `json:"who"`
	Why   string `json:"why,omitempty"`
	Since string `json:"since,omitempty"`
	Until string `json:"until,omitempty"`
}

// linkBody is what else went on during an excursion.
type linkBody struct {
	What string `json:"what"`
	From string `json:"from"`
	To   string `json:"to,omitempty"`
	Who  string `json:"who,omitempty"`
}

func silencesOf(all []event.Silence) []silenceBody {
	var out []silenceBody
	for _, s := range all {
		b := silenceBody{Alarm: s.Alarm, State: s.State, Who: s.Who, Why: s.Why}
		if s.Since != 0 {
			b.Since = instant(s.Since)
		}
		if s.Until != 0 {
			b.Until = instant(s.Until)
		}
		out = append(out, b)
	}
	return out
}

func linksOf(all []event.Link) []linkBody {
	var out []linkBody
	for _, l := range all {
		b := linkBody{What: l.What, From: instant(l.From), Who: l.Who}
		if l.To != 0 {
			b.To = instant(l.To)
		}
		out = append(out, b)
	}
	return out
}
