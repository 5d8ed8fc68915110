package notify

import (
	"math"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// limitAmount is a limit as its owner wrote it.
func limitAmount(l *event.LimitValue, decimals int) string {
	n, ok := written(l.Written, decimals)
	if !ok {
		return "not known"
	}
	return withUnit(n, l.Unit, clean(l.Basis))
}

// owner says whose limit it is: the same water has four oxygen limits in four serious documents.
func owner(l *event.LimitValue) string {
	src := l.Source
	if clean(src.Document) == "" {
		return "Whose limit it is has not been written down."
	}
	s := `The limit is that of "` + clean(src.Document) + `"`
	if src.Edition != "" {
		s += ", " + clean(src.Edition)
	}
	if src.Band != "" {
		s += ", for " + clean(src.Band)
	}
	switch tap, _ := site.ParseTap(src.Tap); tap {
	case site.BeforeScavenger:
		s += ", for a sample drawn before the scavenger is dosed"
	case site.AfterScavenger:
		s += ", for a sample drawn after the scavenger is dosed"
	case site.IntoStorage:
		s += ", for a sample drawn on the way into storage"
	}
	if src.Memory {
		s += ", from memory and not yet looked up in it"
	}
	return sentence(s)
}

func low(l *event.LimitValue) bool { return l != nil && l.Side == site.Low.String() }

// against says where a value stands with its limit, by the numbers as they are printed: two equal numbers are never told as one above
// the other.
func against(v *event.Value, l *event.LimitValue) string {
	limit := limitAmount(l, v.Decimals)
	n, ok := numberOf(v)
	if !ok {
		return "the limit is " + limit
	}
	if at, ok := number(l.Written, v.Decimals); ok && at == n && v.Bound == reading.Exact.String() {
		return "exactly at the limit of " + limit + ", which still counts as within it"
	}
	above := v.Value > l.Written || v.Bound == reading.Above.String() && v.Value >= l.Written
	below := v.Value < l.Written || v.Bound == reading.Below.String() && v.Value <= l.Written
	switch {
	case low(l) && below:
		return "below the limit of at least " + limit
	case low(l):
		return "within the limit of at least " + limit
	case above:
		return "above the limit of at most " + limit
	}
	return "within the limit of at most " + limit
}

// edge explains a value at the end of its sensor's range.
func edge(v *event.Value) string {
	if v == nil {
		return ""
	}
	switch v.Bound {
	case reading.Above.String():
		return "The sensor is at the top of its range: the true value may be far higher."
	case reading.Below.String():
		return "The sensor is at the bottom of its range: the true value may be lower still."
	}
	return ""
}

// named is the subject for a headline, where pH stands before its number already.
func (t *teller) named() string {
	if p := t.point(t.e.Point); p != nil && p.Quantity == quantity.PH && p.Derive.By == site.NoDerivation && !t.rated() {
		return ""
	}
	return t.theme() + " "
}

// noun is the subject where a number follows that says it itself.
func (t *teller) noun() string {
	if t.named() == "" {
		return "water"
	}
	return t.theme()
}

// limitFacts are the headline's candidates for a value and its limit.
func (t *teller) limitFacts(before string) {
	l, v := t.e.Limit, t.e.Value
	amount, ok := reads(v, clean(l.Basis))
	if !ok {
		t.fact(before + t.named() + "alarm, reading not believed now")
		t.fact(before + "reading not believed now")
		return
	}
	limit := limitAmount(l, v.Decimals)
	t.fact(before + t.named() + amount + ", limit " + limit)
	t.fact(before + t.named() + amount)
	t.fact(before + amount)
	t.fact(strings.TrimRight(before, ",; ") + " beyond a limit")
}

func (t *teller) raised() {
	l, v, x := t.e.Limit, t.e.Value, t.e.Excursion
	if l == nil {
		t.fact("an alarm was raised")
		t.say("An alarm was raised for " + t.at() + ", but not the numbers it was raised by.")
		t.say(t.seen("Raised"), t.trust())
		t.say("First action: look at the panel's own display.", handsOff2)
		t.say(t.standing("it ends"))
		return
	}
	t.limitFacts("")
	what := t.theme()
	if amount, ok := reads(v, clean(l.Basis)); ok {
		t.say(t.at()+": the "+t.noun()+t.verb()+amount+", "+against(v, l)+".", edge(v), contradicted(v), owner(l), t.hangs())
	} else {
		t.say(t.at()+": the "+what+" was found beyond its limit, "+limitAmount(l, 3)+"; at this moment there is "+amount+".", owner(l), t.hangs())
	}
	if x != nil {
		t.say(t.soFar(x))
	} else {
		t.say(t.seen("Found"))
	}
	t.say(t.held())
	t.say(t.trust(), t.age())
	t.say(because(l)...)
	t.say(t.firstAction(l), handsOff2)
	t.say(t.advice()...)
	t.say(t.standing("the value has stayed within its limit for the closing time" + closing(l)))
}

// firstAction is the plant's own, where one is written.
func (t *teller) firstAction(l *event.LimitValue) string {
	if a := sentence(l.Action); a != "" {
		return "First action, as written for this limit: " + a
	}
	return "First action: compare the reading with the panel's own display (no action is written for this limit)."
}

// closing says the closing time of a limit, in brackets.
func closing(l *event.LimitValue) string {
	d, err := time.ParseDuration(l.OffDelay)
	if err != nil || d <= 0 {
		return ""
	}
	return " (at least " + spell(d) + ")"
}

// soFar tells an episode that is still open.
func (t *teller) soFar(x *event.Excursion) string {
	s := "Beyond the limit since " + t.moment(x.Start.Wall)
	if d := x.Beyond + x.Within + x.UnknownTime + x.Suspended; d > 0 {
		s += ", " + spell(d) + " so far"
	}
	if p := t.peak(x); p != "" {
		s += "; " + furthest(&x.Limit) + " so far is " + p
	}
	return s + "."
}

func furthest(l *event.LimitValue) string {
	if low(l) {
		return "the lowest value"
	}
	return "the highest value"
}

// peak is the furthest value of an episode; empty when there is none.
func (t *teller) peak(x *event.Excursion) string {
	n, ok := number(x.Peak, x.Decimals)
	if !ok {
		return ""
	}
	return bounded(withUnit(round(n, x.PeakBound), x.Unit, clean(x.Limit.Basis)), x.PeakBound)
}

func (t *teller) returned() {
	l, v, x := t.e.Limit, t.e.Value, t.e.Excursion
	what := t.theme()
	if l == nil || x == nil {
		t.fact(t.named() + "returned within its limit")
		t.fact("returned within its limit")
		t.say(t.at() + ": the " + what + " has returned within its limit and stayed there for the closing time. Its numbers are not in this message.")
		t.say(t.seen("Told"), t.trust())
		t.say(t.over())
		return
	}
	peak := t.peak(x)
	if p := t.e.Passed; p != nil {
		t.fact("returned: " + t.named() + "within " + limitAmount(l, 3) + ", milder limit " + limitAmount(p, 3) + " still passed")
		t.fact("returned, milder limit " + limitAmount(p, 3) + " still passed")
		t.fact("returned, a milder limit is still passed")
	}
	if when := t.hour(x.PeakAt.Wall); when != "" && peak != "" {
		t.fact("returned: " + t.named() + "was " + worst(l, x) + peak + " at " + when)
	}
	if peak != "" {
		t.fact("returned: " + t.named() + "was " + worst(l, x) + peak)
		t.fact("returned, was " + worst(l, x) + peak)
	}
	t.fact("returned within its limit")

	s := t.at() + ": the " + what + " has returned. It was seen within its limit for the whole closing time" + closing(l)
	if amount, ok := reads(v, clean(l.Basis)); ok {
		s += " and now" + t.verb() + amount + ", " + against(v, l) + "."
	} else {
		s += "; at this moment there is " + amount + "."
	}
	t.say(s, owner(l), t.hangs())
	t.say(t.books(x)...)
	t.say(t.proof(x)...)
	t.say(t.held())
	t.say(t.trust(), t.age())
	if t.e.Passed != nil {
		t.say(t.passed(), "What to do is in the message that told it. In the morning, look at what the plant did around the time of "+furthest(&x.Limit)+".")
		t.say(t.over())
		return
	}
	t.say("Nothing needs to be done at once. In the morning, look at what the plant did around the time of " + furthest(&x.Limit) + ".")
	t.say(t.over())
}

func worst(l *event.LimitValue, x *event.Excursion) string {
	switch {
	case x.PeakBound != reading.Exact.String():
		return "" // "more than" and "below" follow
	case low(l):
		return "down to "
	}
	return "up to "
}

// books tells an episode that is over, with times that add up.
func (t *teller) books(x *event.Excursion) []string {
	exact := []time.Duration{x.Beyond, x.Within, x.UnknownTime, x.Suspended}
	r, whole, step := shares(exact)
	from := "It began at " + t.moment(x.Start.Wall) + " and ended at " + t.moment(x.End.Wall) + ", "
	if x.LengthUnknown {
		from += "at least "
	}
	s := from + spellIn(whole, step) + ". Beyond the limit: " + share(exact[0], r[0], step) + "; within it: " + share(exact[1], r[1], step) +
		"; not known: " + share(exact[2], r[2], step) + "; " + resting(&x.Limit) + ": " + share(exact[3], r[3], step) + "."
	if x.LengthUnknown {
		s += " Rillwatch was away for a time nobody knows; it is in none of these."
	}
	said := []string{s}
	if p := t.peak(x); p != "" {
		worst := sentence(furthest(&x.Limit) + " was " + p + " at " + t.moment(x.PeakAt.Wall))
		said = append(said, worst)
	}
	basis := clean(x.Limit.Basis)
	if n, ok := number(x.Mean, x.Decimals); ok && x.Beyond > 0 {
		least := ""
		if x.IntegralLow { // part of it was beyond the sensor's range, so the truth lies further out
			least = "at least "
			if x.Limit.Side == site.Low.String() {
				least = "at most "
			}
		}
		said = append(said, "The mean while beyond the limit was "+least+withUnit(n, x.Unit, basis)+".")
	}
	if n, ok := number(x.Integral, x.Decimals); ok && x.Limit.Window == "" { // a rate over time is no amount that anybody asks for
		// "ppb hours", as one says watt hours: "x" is lost when it is read aloud
		sum := strings.Join(strings.Fields(n+" "+displayed(x.Unit)+" hours"), " ")
		if x.Integral > 0 && strings.Trim(n, "0.") == "" {
			least, _ := number(math.Pow10(-min(max(x.Decimals, 0), 6)), x.Decimals)
			sum = strings.Join(strings.Fields("less than "+least+" "+displayed(x.Unit)+" hours"), " ")
		}
		if basis != "" {
			sum += ", as " + basis
		}
		if x.IntegralLow {
			sum = "at least " + sum + " (a lower bound: part of the time was not seen, or beyond the sensor's range)"
		}
		said = append(said, "The distance beyond the limit added up over time is "+sum+atMost(x)+".")
	}
	return said
}

// ruleWords are the standing conditions of the interlock, by the last part of their alarm's name.
var ruleWords = map[string]string{
	"sample-warm": "warm sample", "sample-hot": "hot sample", "temperature-lost": "lost sample temperature",
	"valve-failed-to-close": "sample valve that failed to close", "valve-not-confirmed": "sample valve not confirmed",
	"open-no-flow":  "open sample valve without flow",
	"sample-rising": "sample growing warmer fast", "cooler-approach": "sample too far above its cooling water",
	"one-temperature-lost": "one of two sample temperatures lost", "valve-cannot-close": "sample valve that cannot be asked to close",
}

// rule tells whether the alarm is one of the interlock's, and its words.
func (t *teller) rule() (string, bool) {
	_, name, _ := strings.Cut(t.e.Alarm, ".")
	w, ok := ruleWords[name]
	return w, ok
}

func (t *teller) acknowledged() {
	t.state = "acknowledged"
	who := brief(t.e.Who, 24)
	if who == "" {
		who = "a person"
	}
	name := clean(t.e.Who)
	if name == "" {
		name = "A person"
	}
	if rule, ok := t.rule(); ok {
		t.fact("seen by " + who + ", not mended: " + rule)
		t.fact("seen, not mended: " + rule)
		t.say(sentence(name + " has taken notice of the alarm \"" + rule + "\" of " + t.at() + ". That mends nothing and moves nothing: the condition stands as before"))
		t.say(t.note(), t.seen("Acknowledged"))
		t.say(t.nowReads(t.temperature()))
		t.say(t.evidence(), t.age())
		t.say(handsOff, primary, t.stance())
		t.say("The next message comes when the condition ends; no reminder follows.")
		return
	}
	if t.e.Limit == nil {
		t.fact("an alarm was seen by " + who + ", nothing is mended")
		t.fact("an alarm was acknowledged, nothing is mended")
		t.say(sentence(name + " has taken notice of an alarm of " + t.at() + ". That mends nothing"))
		t.say(t.note(), t.seen("Acknowledged"), t.trust(), handsOff2)
		return
	}
	if t.e.Excursion != nil {
		t.limitFacts("seen by " + who + ", not mended: ")
		t.limitFacts("seen, not mended: ")
	}
	l, v, x := t.e.Limit, t.e.Value, t.e.Excursion
	what := t.theme()
	t.say(sentence(name+" has taken notice of the "+what+" alarm of "+t.at()+". That mends nothing: the excursion goes on being counted"), t.note())
	if x == nil {
		t.paras = nil
		t.fact("alarm seen by " + who + ", " + what + " was over already")
		t.fact("alarm seen by " + who + ", it was over already")
		t.fact("alarm seen, it was over already")
		t.say(sentence(name+" has taken notice of the "+what+" alarm of "+t.at()+", whose excursion was over already"), t.note())
	}
	if amount, ok := reads(v, clean(l.Basis)); ok {
		t.say("The "+t.noun()+t.verb()+amount+", "+against(v, l)+".", edge(v), owner(l))
	} else {
		t.say("Of the "+what+" there is "+amount+"; the limit is "+limitAmount(l, 3)+".", owner(l))
	}
	if x != nil {
		t.say(t.soFar(x), t.seen("Acknowledged"))
	} else {
		t.say(t.seen("Acknowledged"))
	}
	t.say(t.trust(), t.age())
	if x != nil {
		t.say(t.firstAction(l), handsOff2)
		t.say("Acknowledged, still in alarm. The next message comes when the value has stayed within its limit for the closing time" + closing(l) + "; no reminder follows.")
	} else {
		t.say("Acknowledged and over. No more messages about it follow.")
	}
}

// note is what the person said.
func (t *teller) note() string {
	if why := clean(t.e.Why); why != "" {
		return `Their note: "` + why + `".`
	}
	return ""
}

func (t *teller) limitRemoved() {
	t.state = "returned"
	_, name, ok := strings.Cut(t.e.Alarm, ".")
	if !ok {
		name = t.e.Alarm
	}
	name = spaced(name)
	if name == "" {
		name = "without a name"
	}
	if t.e.Cause == "limit changed" {
		t.fact("limit " + name + " judges something else now, alarm ended unseen")
		t.fact("limit " + brief(name, 20) + " changed, its alarm ended unseen")
		t.fact("a limit was changed, its alarm ended unseen")
		t.say(t.at() + ": the limit \"" + name + "\" judges something else now than it did: another point, unit or side, or its normal was learned of another point and is lost. Its alarm was standing and has ended for that reason alone: nothing was seen to come back within the limit.")
		t.say(t.seen("Found"), "This happens when rillwatch starts with a changed configuration.")
		t.say("First action: look at the reading itself; what was wrong may still be. Then ask whoever changed the configuration whether that was meant.")
		t.say("No more messages about this alarm follow. Where the limit as it is now is passed, that is a new alarm.")
		return
	}
	t.fact("limit " + name + " removed, its alarm ended unseen")
	t.fact("limit " + brief(name, 20) + " removed, its alarm ended unseen")
	t.fact("a limit was removed, its alarm ended unseen")
	t.say(t.at() + ": the limit \"" + name + "\" is no longer in the configuration. Its alarm was standing and has ended for that reason alone: nothing was seen to come back within the limit.")
	t.say(t.seen("Found"), "This happens when rillwatch starts with a changed configuration.")
	t.say("First action: ask whoever changed the configuration whether the limit was meant to go, and look at the reading itself.")
	t.say("No more messages about this alarm follow.")
}
