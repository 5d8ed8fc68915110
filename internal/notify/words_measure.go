package notify

import (
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/site"
)

// The words for limits that judge something else than the value: how fast it moves, how far it is from what is normal; and for too little data.

// rated tells whether the event's limit is one of a rate.
func (t *teller) rated() bool { return t.e.Limit != nil && t.e.Limit.Window != "" }

// theme is what the limit judges, as it is said.
func (t *teller) theme() string {
	what := t.subject(t.e.Point)
	if !t.rated() {
		return what
	}
	if t.e.Limit.Judges == site.Falls.String() {
		return "fall of " + what
	}
	return "rise of " + what
}

// verb stands between the theme and its number: a sensor shows a value, and a rate is reckoned.
func (t *teller) verb() string {
	if t.rated() {
		return " is "
	}
	return " reads "
}

// hangs says what a limit that is no plain number comes from.
func (t *teller) hangs() string {
	l := t.e.Limit
	if t.rated() {
		if d, err := time.ParseDuration(l.Window); err == nil {
			return "The rate is taken over " + spell(d) + " of readings; nothing that was not seen is in it."
		}
		return ""
	}
	switch l.Judges {
	case site.AboveNormal.String(), site.BelowNormal.String():
	default:
		return ""
	}
	n := l.Normal
	if n == nil {
		return "What is normal here has not been learned, so it is judged by its bound alone."
	}
	d := decimalsOfWritten(n.Value)
	value, ok := number(n.Value, d)
	if !ok {
		return ""
	}
	normal := withUnit(value, l.Unit, clean(l.Basis))
	by := "somebody"
	if who := clean(n.Who); who != "" {
		by = who
	}
	s := "What is normal here is " + normal + ", learned by " + by
	if n.At != 0 {
		s += " at " + t.moment(n.At)
	}
	side := "above"
	if low(l) {
		side = "below"
	}
	if n.Bound {
		return s + "; the limit is the bound that applies whatever was learned."
	}
	if clean(n.Distance) == "" {
		return s + "."
	}
	return s + "; the limit is " + clean(n.Distance) + " " + side + " that."
}

// decimalsOfWritten is how many digits a number needs that was rounded to its display already.
func decimalsOfWritten(v float64) int {
	s, _ := written(v, 6)
	if i := strings.IndexByte(s, '.'); i >= 0 {
		return len(s) - i - 1
	}
	return 0
}

// because says the plant's own words on where it comes from and what comes of it.
func because(l *event.LimitValue) []string {
	var said []string
	if c := sentence(l.Consequence); c != "" {
		said = append(said, "If nothing is done, as written for this limit: "+c)
	}
	if c := sentence(l.Cause); c != "" {
		said = append(said, "Its usual cause, as written: "+c)
	}
	return said
}

// resting says what the time was in which a limit was not judged.
func resting(l *event.LimitValue) string {
	if len(l.Applies) == 0 {
		return "boiler off line"
	}
	return "boiler in another state than this limit is for (" + list(l.Applies) + ")"
}

func (t *teller) baselineMissing() {
	l, what := t.e.Limit, t.subject(t.e.Point)
	judged := "nothing is judged by this limit until it is"
	short := "not judged"
	if l != nil && l.Side != "" {
		judged = "it is judged by its bound of " + limitAmount(l, 3) + " alone until it is"
		short = "judged by its bound alone"
	}
	why := "has not been learned"
	if t.e.Cause == "point changed" {
		why = "is lost, because the configuration now says otherwise where the reading comes from; it must be learned anew"
		t.fact("normal of " + what + " is lost, " + short)
	}
	t.fact("normal of " + what + " not learned, " + short)
	t.fact("a limit has no normal, " + short)
	t.say(t.at()+": a limit of the "+what+" hangs on what is normal here, and that "+why+".", "As it stands, "+judged+".")
	t.say(t.seen("Found"))
	t.say("First action: when the plant has run as it should for some hours and a test of the water has shown it, have it learned, with the command learn and the name of the alarm below. Nothing is urgent.")
	t.say("This is told once. No reminder follows.")
}

// points says what the event is of, a few by name.
func (t *teller) points() (short, long string) {
	const most = 4
	var names []string
	for _, p := range t.e.Points {
		names = append(names, t.subject(p))
	}
	switch {
	case len(names) == 0:
		return "a reading", "a reading that is judged"
	case len(names) == 1:
		return names[0], "the " + names[0]
	case len(names) > most:
		return many(len(names), "reading", "readings"), list(append(names[:most:most], many(len(names)-most, "more", "more")))
	}
	return many(len(names), "reading", "readings"), list(names)
}

func (t *teller) dataTooLittle() {
	short, long := t.points()
	t.fact("too little valid data of " + short + " for two hours")
	t.fact("too little valid data for two hours")
	t.say(t.at()+": for two hours there was too little valid data of "+long+": in each of them fewer than three of four quarter-hours held a reading that counts.",
		"Whether its limits were kept in that time is not known, and nothing was cleared by it.")
	t.say(t.seen("Found"), t.trust())
	t.say("First action: find out why nothing counts; the messages before this one may say it (flow, valve, a silent sensor). Until it is found, have the water tested by the plant's own procedure.", handsOff2)
	t.say(t.standing("an hour has held enough again"))
}

func (t *teller) dataEnough() {
	short, long := t.points()
	t.fact("enough valid data of " + short + " again")
	t.fact("enough valid data again")
	t.say(t.at() + ": there is enough valid data of " + long + " again: an hour held readings that count in three of its quarter-hours or more. What happened before is still not known.")
	t.say(t.seen("Seen"), t.lasted())
	t.say("First action: none is needed at once; look at what the plant did meanwhile.")
	t.say(t.over())
}
