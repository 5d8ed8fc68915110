package notify

import (
	"fmt"
	"strings"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// The messages about an alarm that stands: told again, grown worse, resting; and those about rillwatch's own coming and going.

// repeated says the events of this file; false for another.
func (t *teller) repeated() bool {
	switch t.e.Kind {
	case event.AlarmReminder:
		t.reminder()
	case event.AlarmWorse:
		t.worse()
	case event.AlarmSuspended:
		t.suspended()
	case event.AlarmResumed:
		t.resumed()
	case event.Started:
		t.started()
	case event.Stopped:
		t.stopped()
	case event.ConfigChanged:
		t.configChanged()
	default:
		return false
	}
	return true
}

// standingWords are the alarms that a panel raises beside its limits and its interlock.
var standingWords = map[string]string{
	site.FlowOutsideAlarm: "sample flow outside its range", site.TemperatureFrozenAlarm: "sample temperature that does not move",
	site.ProtectionBlindAlarm: "nobody sees whether the sample is hot",
}

// alarmName says an alarm that is no limit.
func (t *teller) alarmName() string {
	if words, ok := t.rule(); ok {
		return words
	}
	_, name, _ := strings.Cut(t.e.Alarm, ".")
	if words, ok := standingWords[name]; ok {
		return words
	}
	if sensor, ok := strings.CutPrefix(name, site.CheckAlarm); ok {
		return `sensor "` + spaced(sensor) + `" still out`
	}
	return "an alarm"
}

func (t *teller) reminder() {
	nth := "reminder"
	if t.e.Nth > 0 {
		nth = fmt.Sprintf("reminder %d", t.e.Nth)
	}
	t.stands(nth+": ", sentence(nth+" of an alarm that stands and that nobody has acknowledged"))
	s := "Not acknowledged"
	if next, ok := t.nextReminder(); ok {
		s += ". The next reminder comes " + next + ", unless somebody acknowledges it, by the name in the last line"
	}
	t.say(sentence(s), "It is told once more when it ends.")
}

func (t *teller) worse() {
	t.stands("worse: ", "Worse than when it was last told.")
	switch who := clean(t.e.Who); {
	case who != "":
		t.say(sentence(who+" had acknowledged it before it grew worse"), "It is told once more when it ends.")
	default:
		s := "Not acknowledged."
		if next, ok := t.nextReminder(); ok {
			s += " The next reminder comes " + next + "."
		}
		t.say(s, "It is told once more when it ends.")
	}
}

// stands says an alarm as it is now.
func (t *teller) stands(before, first string) {
	l, v, x := t.e.Limit, t.e.Value, t.e.Excursion
	if _, isRule := t.rule(); isRule || l == nil || v == nil || !t.isLimit() {
		name := t.alarmName()
		if amount, ok := reads(v, ""); ok && t.hasTemperature() {
			t.fact(before + name + ", " + amount)
		}
		t.fact(before + name)
		t.fact(strings.TrimRight(before, ": ") + ", an alarm stands")
		t.say(first, sentence(t.at()+": "+name))
		t.say(t.seen("Told"), t.lasted())
		if t.hasTemperature() {
			t.say(t.nowReads(t.temperature()))
		}
		t.say(t.evidence(), t.age())
		t.say("First action: the one of the first message, if it has not been done; else look at the panel itself.", handsOff, primary, t.stance())
	} else {
		amount, ok := reads(v, clean(l.Basis))
		if ok && strings.HasPrefix(against(v, l), "within") {
			t.fact(before + t.named() + amount + ", inside its limit for now")
		}
		t.limitFacts(before)
		if ok {
			t.say(first, t.at()+": the "+t.noun()+" reads "+amount+", "+against(v, l)+".", edge(v), contradicted(v), owner(l))
		} else {
			t.say(first, t.at()+": the "+t.subject(t.e.Point)+" was beyond its limit, "+limitAmount(l, 3)+"; at this moment there is "+amount+".", owner(l))
		}
		if x != nil {
			t.say(t.soFar(x), t.seen("Told"))
		} else {
			t.say(t.seen("Told"))
		}
		t.say(t.trust(), t.age())
		t.say(t.firstAction(l), handsOff2)
	}
	t.state = "raised"
}

// isLimit tells whether the alarm is one of the configuration's limits, and not one of the panel itself.
func (t *teller) isLimit() bool {
	_, name, _ := strings.Cut(t.e.Alarm, ".")
	return !site.PanelAlarm(name) && !site.InterlockAlarm(name)
}

// hasTemperature tells whether the value of the event is the sample's temperature.
func (t *teller) hasTemperature() bool {
	_, isRule := t.rule()
	return isRule && t.e.Value != nil
}

// nextReminder says when an alarm that nobody acknowledges is told again; false when it is not.
func (t *teller) nextReminder() (string, bool) {
	every := t.s.Messages.Reminders[int(t.e.Priority)%len(t.s.Messages.Reminders)]
	if every <= 0 || t.e.Alarm == "" {
		return "", false
	}
	if h := t.hour(t.e.At.Wall + reading.Wall(every)); h != "" {
		return "at " + h, true
	}
	return "in " + spell(every), true
}

func (t *teller) suspended() {
	n := many(max(t.e.Count, 1), "alarm", "alarms")
	is := "are"
	if t.e.Count <= 1 {
		is = "is"
	}
	t.fact(n + " suspended, boiler off line: not over")
	t.fact(n + " suspended, not over")
	who := "The boiler of "
	if name := clean(t.e.Who); name != "" {
		who = name + " has said that the boiler of "
	}
	t.say(sentence(who+t.at()+" is off line"), sentence(n+" of the water "+is+" suspended for that reason"), "Nothing was seen to come back within a limit: the excursion stays open, and the time off line is counted apart.")
	t.say(t.seen("Suspended"), "No reminder comes while it lasts. A hot sample, a valve that fails and a lost connection are told all the same.")
	t.say("First action: see that the boiler is meant to be off line.")
	t.say("The next message about this comes when the boiler is fed again and the alarm still stands.")
	t.state = "suspended"
}

func (t *teller) resumed() {
	n, stood := many(max(t.e.Count, 1), "alarm is", "alarms are"), "they"
	if t.e.Count <= 1 {
		stood = "it"
	}
	t.fact(n + " judged again, boiler on line")
	t.fact(n + " judged again")
	t.say(sentence("the boiler of "+t.at()+" is on line again"), sentence(n+" judged again, as "+stood+" stood before that"))
	t.say(t.seen("Seen"), "Whether the value is still beyond its limit is not known before fresh sample has reached the sensors.")
	t.say("First action: none at once; look at the reading when the line has flushed.", handsOff2)
	t.say("It is told when the value has stayed within its limit, and reminders go on until it is acknowledged.")
	t.state = "raised"
}

func (t *teller) started() {
	t.fact("rillwatch has started and watches")
	s := "Rillwatch has started at " + t.siteName() + " and watches " + many(len(t.s.Panels), "panel", "panels") + "."
	if t.e.Lasted > 0 {
		s += " Before that nobody watched for " + spell(t.e.Lasted) + "; what happened meanwhile is not known."
	} else {
		s += " How long nobody watched before is not known, or this is its first start."
	}
	t.say(s, t.seen("Started"))
	t.say("Whatever silenced something by a person's word has ended with the start, and is told by itself.")
	t.say("First action: none, if the start was meant. A reading is believed when it has earned it.")
}

func (t *teller) stopped() {
	t.fact("rillwatch stops, nobody watches until it starts again")
	t.say("Rillwatch at "+t.siteName()+" has been told to stop. From now on nobody watches its panels, and nobody is told anything, until it starts again.", t.seen("Stopped"))
	t.say("First action: if this was not meant, have it started again; until then look at the panels themselves.", primary)
}

func (t *teller) configChanged() {
	t.fact("the configuration has changed")
	before, after, _ := strings.Cut(clean(t.e.Cause), " to ")
	s := "Rillwatch at " + t.siteName() + " has started with another configuration than before"
	if before != "" && after != "" {
		s += ": it was " + before + " and is " + after
	}
	t.say(sentence(s), t.seen("Started"))
	t.say("Limits, delays and who is told may be others than yesterday. What an alarm stood by and is gone is told by itself.")
	t.say("First action: none, if the change was meant; else ask whoever keeps the configuration.")
}
