package notify

import (
	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
)

// What rillwatch asks of a panel, and what came of it. An order that was sent is never told as a valve that closed.

// moves stands wherever re-arming is named: nobody shall take it for an opening.
const (
	asks   = "Rillwatch asks for the sample valve to be closed, every second"
	stays  = "It goes on until a person re-arms the panel, which withdraws the request and moves nothing."
	asked  = "Asked is not closed: whether it closed is shown by feedback and flow."
	nobody = "Rillwatch asks for nothing at this panel at this moment, and has moved nothing."
	// heldDoubt stands where sample flows although its valve is held closed: no evidence makes up for a person's word on the cooling.
	heldDoubt = "While the valve is held closed no reading of the water's chemistry is judged, whatever flows."
)

// unheard tells whether the closing is asked for and nothing shows that the panel's control has heard of it.
func (t *teller) unheard() bool {
	return t.e.Trust.Request == "asked" || t.e.Trust.Request == "failing"
}

// stance says what rillwatch does about the panel's valve at the moment of the event.
func (t *teller) stance() string {
	switch t.e.Trust.Request {
	case "none":
		return nobody
	case "asked":
		return asks + "; no answer has come yet. " + asked + " " + stays
	case "taken":
		return asks + ", and the panel's control has taken the request. " + asked + " " + stays
	case "failing":
		return asks + ", and the request is not confirmed by the panel's control. " + asked + " " + stays
	case "suspended":
		return "The sample valve should be held closed, and an override suspends the request: rillwatch asks for nothing while it lasts."
	}
	return watches
}

// override names the override that stands.
func (t *teller) override() string {
	r := t.e.Trust
	who := clean(r.OverrideBy)
	if who == "" {
		return ""
	}
	s := "Standing at this panel: an override by " + who
	if why := clean(r.OverrideWhy); why != "" {
		s += " (\"" + why + "\")"
	}
	s += " suspends the close request of the sample valve"
	if clockSet(r.OverrideUntil) {
		s += " until " + t.moment(r.OverrideUntil)
	}
	if r.OverrideLeft > 0 {
		s += ", for " + spell(r.OverrideLeft) + " more at most"
	}
	return s + "."
}

// heldBecause says why the valve is held closed.
func (t *teller) heldBecause() string { return t.heldBecauseOf(t.e.Trust.HeldCause) }

func (t *teller) heldBecauseOf(cause string) string {
	asked := "The closing is asked for because "
	switch {
	case t.e.Kind == event.RequestDropped:
		asked = "The closing had been asked for because "
	case t.e.Trust.Request == "suspended":
		asked = "The valve is to be held closed because "
	}
	switch cause {
	case "over_temperature":
		return asked + "the sample was found hot."
	case "temperature_lost":
		return asked + "the sample's temperature was lost; whether the sample is hot is not known."
	case "found_closed":
		return asked + "the valve was found closed when rillwatch started, and why is not known."
	}
	return ""
}

func (t *teller) foundClosed() {
	t.fact("sample valve found closed at start, cause not known")
	t.fact("sample valve found closed, held closed")
	now, ok := t.temperature()
	t.say(t.at() + ": when rillwatch started, the sample valve was found closed, " + t.bySight() + ", and nothing on record says why. It is held closed.")
	if ok {
		t.say(t.seen("Seen"), "The temperature reads "+now+"; behind a closed valve that is the standing water or the room, and no sign that the cooling works.")
	} else {
		t.say(t.seen("Seen"), "Of the temperature there is "+now+".")
	}
	t.say(t.evidence(), t.dependent())
	t.say(handsOff, primary, t.stance())
	t.say("First action: ask who was at the panel; if nobody was, see from a distance whether the thermal shut-off has acted.")
	t.say("No reminder follows; the next message comes when the request is withdrawn, suspended, or cannot be confirmed.")
}

// askedAgain tells of a closing that is asked for where no alarm rises that would tell it.
func (t *teller) askedAgain() {
	suspended := t.e.Trust.Request == "suspended"
	head, why := "", ""
	switch t.e.Cause {
	case "drive back":
		head, why = "asked to close again, the configuration has its drive back", "It was held closed before the configuration ceased to say how it is asked to close, and nobody has re-armed it since. As of this start it is asked for again."
	case "absence":
		head, why = "asked to close again, after a start", "It was held closed when rillwatch last ran, and nobody has re-armed it since. As of this start it is asked for again."
	case "temperature_lost":
		head, why = "asked to close, temperature lost", "The lost temperature that was told before is not over, and as of now the closing is due; whether the sample is hot is not known."
	default:
		head, why = "asked to close again, sample hot", "The hot sample that was told before is not over, and as of now the closing is due again."
	}
	moves := "A valve that stands open may move."
	if suspended {
		head, moves = "to be held closed, overridden", ""
		t.fact("sample valve " + head)
	} else {
		t.fact("sample valve " + head)
		t.fact("sample valve asked to close again")
	}
	now, ok := t.temperature()
	t.say(t.at()+": the sample valve is to be held closed. "+why, moves)
	t.say(t.seen("Told"), t.nowReads(now, ok))
	t.say(t.evidence(), t.dependent())
	t.say(handsOff, primary, t.stance())
	t.say("First action: if somebody of yours is at the panel, tell them first; then find out whether cooling water runs.")
	t.say("No reminder follows; the next message comes when the request is withdrawn, suspended, or cannot be confirmed.")
}

// requestDropped tells that a valve which was held closed is not asked for any more, without a person having re-armed it.
func (t *teller) requestDropped() {
	t.fact("sample valve no longer asked to close")
	because := "the configuration no longer says how it is asked to close"
	if t.e.Cause == "panel removed" {
		because = "the configuration no longer has this panel"
	}
	t.say(t.at()+": the sample valve was held closed, and as of this start rillwatch asks for nothing there, because "+because+". Nobody has re-armed it.", t.heldBecauseOf(t.e.Trust.HeldCause))
	t.say(t.seen("Told"), "That it is to be held closed stays on record: when the configuration says again how to ask, the closing is asked for at once, and until a person re-arms the panel, which withdraws the request and moves nothing.")
	t.say("Rillwatch has moved nothing; whether the valve stays closed is up to the panel.", handsOff, primary)
	t.say("First action: ask who changed the configuration, and whether the cooling of this sample was proved.")
	t.say("No more messages about this request follow until the configuration is changed again.")
}

// troubleWords say why an order did not arrive, to somebody who knows the panel and not its network.
func troubleWords(trouble string) string {
	switch trouble {
	case "not_read_back":
		return "the panel's control took the request, but could not be asked whether it holds it"
	case "read_back_differs":
		return "the panel's control answered, but does not show the request"
	case reading.AnotherMaster.String():
		return "another system speaks on the panel's line, and while it does rillwatch sends nothing there"
	case reading.Listening.String():
		return "the line is still listened to, in case another system speaks on it, and until that is over rillwatch sends nothing there"
	case reading.NotAsked.String():
		return "the request has not left, or no word of it has come back"
	}
	f, ok := reading.ParseFault(trouble)
	switch {
	case !ok:
		return "why is not known"
	case f.Reason() == reading.RefusedRead:
		return "the panel's control refuses the request"
	}
	switch f {
	case reading.Timeout, reading.HeldBack, reading.TargetSilent:
		return "the panel's control does not answer"
	case reading.NotConnected, reading.Refused, reading.Unreachable, reading.Closed, reading.Unplugged, reading.TLSRefused:
		return "the connection to the panel's control is down"
	}
	return "the answer of the panel's control was damaged or not to this request"
}

func (t *teller) cannotClose() {
	t.hotFacts("sample ", ", rillwatch cannot close its valve")
	t.fact("rillwatch cannot close the sample valve")
	now, ok := t.temperature()
	t.say(t.at()+": rillwatch cannot close the sample valve. The request is not confirmed: "+troubleWords(t.e.Cause)+".", t.heldBecause(), t.nowReads(now, ok))
	t.say(t.seen("Told"))
	t.say(t.evidence(), t.age())
	if t.e.Trust.Valve != "closed" {
		t.say("Hot water may be at the sensors.", handsOff, primary)
	} else {
		t.say(handsOff, primary)
	}
	t.say(t.stance())
	t.say("First action: from a distance, see whether the thermal shut-off has acted; then isolate the sample only as your site's practice for hot, pressurised lines says.", t.dependent())
	t.say(t.standing("the request is confirmed, or no longer made"))
}

func (t *teller) orderTaken() {
	now, ok := t.temperature()
	if t.e.Trust.Request == "taken" {
		t.fact("request to close the sample valve is confirmed again")
		t.say(t.at() + ": the request to close the sample valve, which could not be confirmed, is confirmed by the panel's control now.")
	} else {
		t.fact("the sample valve is no longer asked to close")
		t.say(t.at() + ": the request to close the sample valve, which could not be confirmed, is not made any more.")
	}
	t.say(t.seen("Seen"), t.lasted(), t.nowReads(now, ok))
	t.say(t.evidence())
	t.say(handsOff2, primary, t.stance())
	t.say("First action: find out why the request did not arrive; it may fail again.")
	t.say(t.over())
}

// person is who did it, as a name in a headline and in a text.
func (t *teller) person() (short, whole string) {
	short, whole = brief(t.e.Who, 20), clean(t.e.Who)
	if short == "" {
		short = "a person"
	}
	if whole == "" {
		whole = "A person"
	}
	return short, whole
}

func (t *teller) rearmed() {
	who, name := t.person()
	now, ok := t.temperature()
	t.fact("sample valve's close request withdrawn by " + who)
	t.fact("sample valve's close request withdrawn")
	t.say(sentence(name+" has re-armed "+t.at()), "That withdraws the request to close the sample valve and moves nothing: the valve stays as it is until a person at the panel, who has proved the cooling water, moves it.", t.note())
	t.say(t.seen("Withdrawn"), t.nowReads(now, ok), "Behind a closed valve a low temperature is the standing water or the room, and no sign that the cooling works.")
	t.say(t.evidence(), t.dependent())
	t.say(handsOff2, primary)
	t.say("First action: if nobody of yours is at the panel, find out who withdrew it and why.")
	t.say("The closing is asked for again if the sample is found hot, or its temperature lost.")
}

func (t *teller) overrideStarted() {
	who, name := t.person()
	if at := t.hour(t.e.Trust.OverrideUntil); at != "" {
		t.fact("sample valve override by " + who + " until " + at)
		t.fact("sample valve override until " + at)
	}
	t.fact("sample valve override by " + who)
	t.fact("sample valve override")
	now, ok := t.temperature()
	t.say(sentence(name+" has overridden the request to close the sample valve of "+t.at()), "Until it ends rillwatch asks for nothing there, however hot the sample becomes; what is held closed stays so, and the request returns by itself.", t.note())
	t.say(t.seen("Begun"), t.nowReads(now, ok))
	t.say(t.evidence())
	t.say(handsOff, primary)
	t.say("First action: if you do not know of this work, ask " + who + " about it.")
	t.say("It ends with its time, or when rillwatch starts again; that is told.")
}

func (t *teller) overrideEnded() {
	_, name := t.person()
	t.fact("override of the sample valve's request has ended")
	t.fact("sample valve override ended")
	because := "its time is over"
	if t.e.Cause == "restart" {
		because = "rillwatch was started again, and no override outlives that"
	}
	action := "First action: see that nobody relies on the override any more; the valve may move."
	if gone := t.e.Cause == "drive removed" || t.e.Cause == "panel removed"; gone {
		because = "rillwatch was started again, and by its file it does not ask for this valve to be closed any more"
		action = "First action: see that the valve's own protection is what you count on; rillwatch does not close it."
	}
	now, ok := t.temperature()
	t.say(t.at() + ": the override of the request to close the sample valve, by " + name + ", has ended: " + because + ".")
	t.say(t.seen("Ended"), t.nowReads(now, ok))
	t.say(t.evidence())
	t.say(handsOff2, primary, t.stance())
	t.say(action)
	t.say("No more messages about this override follow.")
}

// difference is a distance between two temperatures, in the unit of the event's value.
func (t *teller) difference(v float64) (string, bool) {
	if t.e.Value == nil {
		return "", false
	}
	n, ok := number(v, max(1, t.e.Value.Decimals))
	return withUnit(n, t.e.Value.Unit, ""), ok
}

// distanceLimit is the limit on a difference, as its owner set it.
func (t *teller) distanceLimit() string {
	if l := t.e.Limit; l != nil {
		if s, ok := t.difference(l.Written); ok {
			return s
		}
	}
	return "not known"
}

func (t *teller) rising() {
	own, ok := t.temperature()
	rate, known := t.difference(t.e.Rate)
	known = known && t.e.Rate > 0
	if known && ok {
		t.fact("sample rises " + rate + " a minute, now " + own)
		t.fact("sample rises " + rate + " a minute")
	}
	t.fact("sample is growing warmer fast")
	s := t.at() + ": the sample at the sensors is growing warmer"
	if known {
		s += " by " + rate + " a minute"
	}
	s += ". More than " + t.distanceLimit() + " a minute is told (site setting)."
	if ok {
		s += " It reads " + own + "."
	} else {
		s += " At this moment there is " + own + "."
	}
	t.say(s)
	t.say(t.seen("Seen"), t.evidence(), t.age())
	t.say("First action: see whether cooling water runs through the sample cooler (common practice: a closed tap, a blocked strainer, a scaled cooler).", handsOff)
	t.say(primary, t.stance())
	t.say(t.standing("the sample is warm or hot"), "That it no longer rises is recorded and not told.")
}

func (t *teller) farFromCooling() {
	own, ok := t.temperature()
	water, known := reads(t.e.Beside, "")
	t.fact("sample too far above its cooling water")
	s := t.at() + ": the sample at the sensors is further above its cooling water than the " + t.distanceLimit() + " that are told (site setting), and has been for a minute."
	if ok && known {
		s += " The sample reads " + own + ", the cooling water " + water + "."
		if d, fits := t.difference(t.e.Value.Value - t.e.Beside.Value); fits && finite(t.e.Value.Value) && finite(t.e.Beside.Value) && t.e.Value.Unit == t.e.Beside.Unit {
			t.facts = append([]string{"sample " + d + " above its cooling water, limit " + t.distanceLimit(), "sample " + d + " above its cooling water"}, t.facts...)
		}
	}
	t.say(s)
	t.say(t.seen("Seen"), t.evidence(), t.age())
	t.say("First action: have the sample cooler looked at (common practice: it scales, its water is throttled, or its strainer blocks); it cools less than it did.", handsOff)
	t.say(primary, t.stance())
	t.say(t.standing("the sample is warm or hot"), "That it has come closer is recorded and not told.")
}

func (t *teller) oneTemperatureLost() {
	which := "one of the two sample temperatures"
	if p := t.point(t.e.Point); p != nil && p.Quantity == quantity.Temperature {
		which += " (" + spaced(p.Name) + ")"
	}
	t.fact("one of two sample temperatures lost")
	s := t.at() + ": " + which + " is no longer read. Hot or not is judged by the other one alone."
	if t.e.Value != nil {
		if r, ok := believed(t.e.Value); !ok {
			s += " The reason: " + r.Row().Words + "."
		}
	}
	t.say(s)
	t.say(t.seen("Told"), t.lastGood())
	t.say(t.evidence())
	t.say(handsOff, primary, t.stance())
	t.say("First action: look at that sensor's own display and its cable, from outside the sample line.")
	t.say(t.standing("the other temperature is lost too"), "That it is read again is recorded and not told.")
}

// driven says the kinds of a driven valve and of what is watched beside the first temperature; false for all others.
func (t *teller) driven() bool {
	switch t.e.Kind {
	case event.SampleRising:
		t.rising()
	case event.CoolerApproach:
		t.farFromCooling()
	case event.OneTemperatureLost:
		t.oneTemperatureLost()
	case event.FoundClosed:
		t.foundClosed()
	case event.CannotClose:
		t.cannotClose()
	case event.OrderTaken:
		t.orderTaken()
	case event.Rearmed:
		t.rearmed()
	case event.OverrideStarted:
		t.overrideStarted()
	case event.OverrideEnded:
		t.overrideEnded()
	case event.AskedAgain:
		t.askedAgain()
	case event.RequestDropped:
		t.requestDropped()
	default:
		return false
	}
	return true
}
