package notify

import (
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// The messages about the sample line, the oxygen after an opening, and what people have in hand or have said.

// flowNow is the flow as a person may read it; ok is false where it has no number.
func (t *teller) flowNow() (string, bool) {
	v := t.e.Value
	if v == nil {
		return "", false
	}
	if why, known := reading.ParseReason(v.Reason); !known || why.Quality() == reading.Bad {
		return "", false
	}
	n, ok := number(v.Value, 0)
	return bounded(withUnit(n, v.Unit, ""), v.Bound), ok
}

// flowRange is the panel's range, from the configuration.
func (t *teller) flowRange() string {
	if t.p == nil || !t.p.Line.Configured {
		return "its range"
	}
	low, ok1 := written(t.p.Line.FlowLow, 0)
	high, ok2 := written(t.p.Line.FlowHigh, 0)
	if !ok1 || !ok2 {
		return "its range"
	}
	return "its range of " + low + " to " + high + " mL/min"
}

func (t *teller) flowOutside() {
	now, ok := t.flowNow()
	if ok {
		t.fact("sample flow " + now + " for ten minutes, outside " + t.flowRange())
		t.fact("sample flow " + now + ", outside its range")
	}
	t.fact("sample flow outside its range")
	s := "for ten minutes the sample flow has been outside " + t.flowRange()
	if ok {
		s += "; it reads " + now
	}
	t.say(t.at()+": "+s+".", t.unjudged())
	t.say(t.seen("Told"), t.evidence())
	t.say("First action: look at the needle valve, the strainer and the pressure before the panel, and set the flow again.", handsOff)
	t.say(t.standing("the flow is inside its range again"))
}

// unjudged says what a flow outside its range costs.
func (t *teller) unjudged() string {
	if t.e.Count <= 0 {
		return "Readings of the water are not judged meanwhile."
	}
	return sentence(many(t.e.Count, "reading of the water is", "readings of the water are") + " not judged meanwhile, and open excursions go on as not known")
}

func (t *teller) flowInside() {
	if now, ok := t.flowNow(); ok {
		t.fact("sample flow is inside its range again, " + now)
	}
	t.fact("sample flow is inside its range again")
	t.say(t.at()+": the sample flow is inside "+t.flowRange()+" again.", t.evidence())
	t.say(t.seen("Seen"), t.lasted())
	t.say("First action: none is needed; if nobody set it, find out why it went.")
	t.say(t.over())
}

func (t *teller) flowFalling() {
	now, ok := t.flowNow()
	best, okBest := number(t.e.Highest, 0)
	if ok && okBest {
		t.fact("sample flow has come down slowly, " + best + " to " + now)
		t.say(t.at()+": the sample flow has come down slowly, from "+best+" to "+now+". Both are means of an hour of flow, and nobody set it in one step.",
			"That is how a strainer or a needle valve plugs. The water at the sensors is older by as much.")
	} else {
		t.say(t.at() + ": the sample flow has come down slowly, by more than three tenths. That is how a strainer or a needle valve plugs.")
	}
	t.fact("sample flow has come down slowly")
	t.say(t.seen("Found"), t.evidence())
	t.say("First action: plan to clean the strainer at the next visit. Nothing is urgent while the flow is inside "+t.flowRange()+".", handsOff)
	t.say("This is advice. It is told once, and again only after the flow was back.")
}

func (t *teller) notSettled() {
	now, ok := reads(t.e.Value, "")
	subject := t.subject(t.e.Point)
	if ok {
		t.fact(subject + " has not settled in four hours, reads " + now)
	}
	t.fact(subject + " has not settled in four hours")
	s := "the " + subject + " has not settled: four hours after the line was opened to air and flushed it still moves by 1 ug/L or more in ten minutes"
	if ok {
		s += "; it reads " + now
	}
	t.say(t.at()+": "+s+".", "From now on it is judged against its limits as it is. It may be the water, or air that the sensor and its plastics still give off.")
	t.say(t.seen("Told"), t.evidence())
	t.say("First action: compare with an ampoule test, taken by the plant's own procedure, before anybody acts on this number.", handsOff2)
	t.say("This is told once. No reminder follows.")
}

func (t *teller) temperatureFrozen() {
	now, ok := reads(t.e.Value, "")
	if ok {
		t.fact("sample temperature stands still at " + now + ", others moved")
	}
	t.fact("sample temperature stands still, others moved")
	s := "the sample temperature has not moved by a step of its display"
	if t.e.Lasted > 0 {
		s += " for " + spell(t.e.Lasted) + " or longer"
	}
	t.say(t.at()+": "+s+", while another reading of the same sample did.", "It is still watched and judged as it is, but it may be a sensor or a converter that repeats one value, and then a hot sample would not be seen.")
	t.say(t.seen("Found"), t.evidence(), primary)
	t.say("First action: compare it with the panel's own thermometer.", handsOff)
	t.say(t.standing("it moves again"))
}

func (t *teller) temperatureMoves() {
	t.fact("sample temperature moves again")
	t.say(t.at() + ": the sample temperature moves again. " + t.evidence())
	t.say(t.seen("Seen"), t.lasted())
	t.say("First action: none is needed, if it agrees with the panel's own thermometer.")
	t.say(t.over())
}

// whoSaid names the person whose word or whose check it is.
func (t *teller) whoSaid() string {
	if who := clean(t.e.Who); who != "" {
		return who
	}
	return "somebody"
}

func (t *teller) saidOver() {
	was, is := "on line", "on line"
	if t.e.Was == "off line" {
		was = "off line"
	}
	if t.e.Is == "off line" {
		is = "off line"
	}
	t.fact("the word that it is " + was + " has ended, it counts as " + is)
	t.fact("it counts as " + is + " again")
	s := "the time for which " + t.whoSaid() + " had said that the boiler is " + was + " is over"
	if t.e.Cause == "restart" {
		s = t.whoSaid() + " had said that the boiler is " + was + "; rillwatch has started again, and a start ends that"
	}
	then := "It counts as on line from now on: no flow and its chemistry raise alarms again."
	switch {
	case is == "off line":
		then = "Its own signal says off line, and that holds from now on."
	case t.e.Point != "":
		then = "Its own signal decides from now on; as long as none is read it counts as on line."
	}
	t.say(t.at()+": "+s+".", then, t.note())
	t.say(t.seen("Ended"))
	t.say("First action: if the boiler stands still all the same, say so again, with a new end.")
	t.say("No more messages about it follow.")
}

func (t *teller) fedWhileOffLine() {
	t.fact("sample flows though it counts as off line")
	s := "the sample flows again, for two minutes, and the boiler counts as off line because " + t.whoSaid() + " said so"
	if t.e.Cause == "signal" {
		t.facts = nil
		t.fact("its signal says fed, but it counts as off line")
		s = "the boiler's own signal says that it is fed, and it counts as off line because " + t.whoSaid() + " said so"
	}
	t.say(t.at()+": "+s+".", "While that stands no flow and no chemistry of this panel raises an alarm, and open excursions are suspended. A hot sample is watched all the same.", t.note())
	t.say(t.seen("Seen"), t.evidence())
	t.say("First action: find out whether the boiler is fed; if it is, say that it is on line.")
	t.say("This is told once. No reminder follows.")
}

// inHand says which sensor is meant, for a headline and for a text.
func (t *teller) inHand() (short, long string) {
	names, _, _ := t.sensorNames()
	if len(names) == 0 {
		return "a sensor", "a sensor"
	}
	return quoted(names), "the sensor " + fewer(names)
}

// task is what the person does with the sensor.
func (t *teller) task() string {
	s := t.whoSaid() + " has it in hand"
	if what := clean(t.e.Was); what != "" {
		s += " (" + clip(what, titleMost) + ")"
	}
	return sentence(s)
}

func (t *teller) checkOver() {
	short, long := t.inHand()
	t.fact("check of " + short + " has run out, it is still out")
	t.fact("a check has run out, the sensor is still out")
	s := "the time of the check of " + long + " is over, and nobody has said that it is back"
	if t.e.Cause == "restart" {
		s = "rillwatch has started again, which ends the time of the check of " + long + "; nobody has said that it is back"
	}
	t.say(t.at()+": "+s+".", t.task(), "What it reads is not believed, and the readings beside it wait for a long flush.", t.note())
	t.say(t.seen("Told"), t.evidence())
	t.say("First action: ask " + t.whoSaid() + " whether the sensor is back in its cell, and say so to rillwatch when it is. " + handsOff)
	t.say(t.standing("somebody says that it is back"))
}

func (t *teller) checkOverBack() {
	short, long := t.inHand()
	t.fact(short + " is back after its check")
	t.fact("a sensor is back after its check")
	t.say(t.at() + ": somebody has said that " + long + " is back in its cell. It is believed when the line is flushed, and oxygen when it has settled.")
	t.say(t.seen("Said"), t.lasted())
	t.say("First action: none is needed.")
	t.say(t.over())
}

func (t *teller) protectionBlind() {
	short, long := t.inHand()
	t.fact("nobody watches its temperature, " + short + " is in hand")
	t.fact("nobody watches its temperature, a sensor is in hand")
	t.say(t.at()+": protection blind. "+capital(long)+" gives the sample temperature and is out, and the sample valve is not confirmed closed.", t.task(), "Rillwatch cannot see a hot sample until it is back.", t.note())
	t.say(t.seen("Since"), t.evidence(), primary)
	t.say("First action: see that the sample is isolated at its root valve and that nothing flows.", handsOff)
	t.say(t.standing("the sensor is back or the sample valve is closed"))
}

func (t *teller) protectionBack() {
	if t.e.Trust.Valve == "closed" {
		t.fact("its valve is confirmed closed, the sensor is still in hand")
		t.say(t.at() + ": the sample valve is confirmed closed. The sensor that gives the sample temperature is still in hand. " + t.evidence())
	} else {
		t.fact("its temperature is watched again")
		t.say(t.at() + ": the sensor that gives the sample temperature is back, and the temperature is watched again. " + t.evidence())
	}
	t.say(t.seen("Seen"), t.lasted(), primary)
	t.say("First action: compare the temperature with the panel's own thermometer. " + handsOff2)
	t.say(t.over())
}

// line says the kinds of this file.
func (t *teller) line() {
	switch t.e.Kind {
	case event.FlowOutside:
		t.flowOutside()
	case event.FlowInside:
		t.flowInside()
	case event.FlowFalling:
		t.flowFalling()
	case event.NotSettled:
		t.notSettled()
	case event.TemperatureFrozen:
		t.temperatureFrozen()
	case event.TemperatureMoves:
		t.temperatureMoves()
	case event.SaidOver:
		t.saidOver()
	case event.FedWhileOffLine:
		t.fedWhileOffLine()
	case event.CheckOver:
		t.checkOver()
	case event.CheckOverBack:
		t.checkOverBack()
	case event.ProtectionBlind:
		t.protectionBlind()
	case event.ProtectionBack:
		t.protectionBack()
	}
}
