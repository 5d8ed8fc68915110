package notify

import (
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// closing value and temperature of the interlock

// closeAt is the value above which the valve should close, as its owner wrote it: from the event where it carries it, because the
// configuration may be another one by now. A number written without a unit is in the unit of its point.
func (t *teller) closeAt() string {
	if l := t.e.Limit; l != nil && l.Name == "close_above" {
		return limitAmount(l, t.decimals())
	}
	if t.p == nil || !t.p.Interlock.Configured {
		return "not known"
	}
	v, unit := t.p.Interlock.CloseAbove, ""
	if w, u, err := quantity.ParseValue(t.p.Interlock.CloseText, quantity.Temperature); err == nil {
		v, unit = w, u.Name()
	} else if pt := t.index(t.p.Interlock.Temperature); pt != nil {
		unit = pt.Unit.Name()
	}
	n, ok := written(v, t.decimals())
	if !ok || unit == "" {
		return "not known"
	}
	return withUnit(n, unit, "")
}

func (t *teller) decimals() int {
	if t.e.Value != nil {
		return t.e.Value.Decimals
	}
	return 1
}

// temperature is the sample's temperature, in the unit in which the limit it is judged by is written. ok is false when it is not
// believed; then s says why.
func (t *teller) temperature() (s string, ok bool) { return reads(t.e.Value, "") }

// hotFacts are the headline's candidates for a temperature and what is the matter.
func (t *teller) hotFacts(before, after string) {
	if now, ok := t.temperature(); ok {
		t.fact(before + now + after)
		t.fact(before + now)
	}
}

// dependent says how many readings suffer with the sample, and from what: not always from what the message is about.
func (t *teller) dependent() string {
	if t.e.Count <= 0 {
		return ""
	}
	because := ""
	if r, ok := reading.ParseReason(t.e.Trust.Reason); ok && t.e.Trust.Reason != "" {
		because = " (" + r.Row().Words + ")"
		if r == reading.HotSample { // it stands until a fresh, cool sample is seen; whether it is hot now may not be known
			because = " (the sample was found hot)"
		}
	}
	if t.e.Count == 1 {
		return "1 reading of the water's chemistry at this panel is not representative" + because + " and is not judged."
	}
	return many(t.e.Count, "", "readings of the water's chemistry at this panel are not representative") + because + " and are not judged."
}

func (t *teller) warm() {
	limit := "not known"
	if t.e.Limit != nil {
		limit = limitAmount(t.e.Limit, t.decimals())
	}
	own, ok := t.temperature()
	if ok {
		t.fact("sample " + own + ", warning value " + limit)
		t.fact("sample " + own + ", warm")
	}
	t.fact("sample is above its warning temperature")
	settings := " The warning value is " + limit + " (site setting); the sample valve should close above " + t.closeAt() + "."
	if ok {
		t.say(t.at()+": the sample at the sensors is warm, "+own+"."+settings, edge(t.e.Value))
	} else {
		t.say(t.at() + ": the sample at the sensors was found warm; at this moment there is " + own + "." + settings)
	}
	t.say(t.seen("Seen"))
	t.say(t.evidence(), t.age())
	t.say("First action: see whether cooling water runs through the sample cooler (common practice: a closed tap, a blocked strainer, a scaled cooler).", handsOff)
	t.say(primary, t.stance())
	t.say(t.standing("the sample is hot"), "That it is no longer warm is recorded and not told.")
}

func (t *teller) hot() {
	now, ok := t.temperature()
	t.hotFacts("sample hot, ", ", closing value "+t.closeAt())
	t.fact("sample hot, its valve should close")
	if ok {
		t.say(t.at()+": the sample at the sensors is hot. The temperature reads "+now+", and the valve should close above "+t.closeAt()+" (site setting).", edge(t.e.Value))
	} else {
		t.say(t.at() + ": the sample was found hot, above the " + t.closeAt() + " at which its valve should close (site setting). At this moment there is " + now + ".")
	}
	t.say(t.seen("Seen"))
	t.say(t.evidence(), t.age())
	t.say(handsOff, primary, t.stance())
	t.say("First action: from a distance, see at the panel whether the thermal shut-off has acted and whether cooling water runs.", t.dependent())
	t.say(t.standing("fresh, cool sample is seen again"))
}

func (t *teller) hotOver() {
	now, ok := t.temperature()
	t.hotFacts("sample no longer hot, ", ", fresh sample is seen")
	t.fact("sample no longer hot")
	if ok {
		t.say(t.at() + ": the sample is no longer hot. Fresh sample is seen at the sensors, " + now + "; the closing value is " + t.closeAt() + " (site setting).")
	} else {
		t.say(t.at() + ": the sample was seen to be no longer hot; the closing value is " + t.closeAt() + " (site setting). At this moment there is " + now + ".")
	}
	t.say(t.seen("Seen"), t.lasted(), t.highest())
	t.say(t.evidence(), t.age())
	t.say(handsOff2, t.stance())
	t.say("First action: find out why the cooling failed before it fails again.")
	t.say(t.over())
}

func (t *teller) temperatureLost() {
	t.fact("sample temperature lost, hot or not is unknown")
	t.fact("sample temperature lost")
	s := t.at() + ": the sample's temperature is no longer read. That is not the same as hot: whether the sample is hot is not known."
	_, why := reads(t.e.Value, "")
	if !why && t.e.Value != nil {
		r, _ := believed(t.e.Value)
		s += " The reason: " + r.Row().Words + "."
	}
	t.say(s)
	since := t.seen("Told")
	if t.p != nil && t.p.Interlock.LostAfter > 0 {
		since += " There had been no good temperature for more than " + spell(t.p.Interlock.LostAfter) + "."
	}
	t.say(since, t.lastGood())
	t.say(t.evidence())
	t.say("While it lasts rillwatch cannot see a hot sample.", handsOff, primary, t.stance())
	t.say("First action: look at the sensor's own display and its cable, from outside the sample line.", t.dependent())
	t.say(t.standing("the temperature is read again"))
}

func (t *teller) temperatureBack() {
	now, ok := t.temperature()
	t.hotFacts("sample temperature is read again, ", "")
	t.fact("sample temperature is read again")
	if ok {
		t.say(t.at() + ": the sample's temperature is read again, " + now + "; its valve should close above " + t.closeAt() + " (site setting).")
	} else {
		t.say(t.at() + ": the sample's temperature was read again; at this moment there is " + now + ".")
	}
	t.say(t.seen("Seen"), t.lasted())
	t.say(t.evidence(), t.age())
	t.say("Whether the sample became hot in between is not known.", handsOff2)
	t.say("First action: find out why the sensor fell silent.")
	t.say(t.over())
}

// bySight says from what the valve's state was taken.
func (t *teller) bySight() string {
	if t.e.Trust.Valve == "from flow" {
		return "as the flow shows (it has no feedback)"
	}
	return "as its feedback shows"
}

func (t *teller) valveClosed() {
	cause := t.e.Cause
	switch cause {
	case "by panel":
		if t.e.Trust.Request == "taken" {
			t.fact("sample valve found closed, as it was asked to")
			break
		}
		if t.unheard() {
			t.fact("sample valve found closed, request not confirmed")
			break
		}
		t.fact("sample valve found closed, by the panel's own control")
		t.fact("sample valve closed by the panel")
	case "by hand":
		t.fact("sample valve found closed, by hand")
	default:
		t.fact("sample valve found closed, cause not known")
	}
	t.fact("sample valve found closed")
	t.say(t.at() + ": the sample valve was found closed, " + t.bySight() + ".")
	switch cause {
	case "by panel":
		if t.e.Trust.Request == "taken" {
			t.say("Rillwatch had asked for it, and the panel's control had taken the request; the panel's own control may have closed it too.", t.heldBecause())
			break
		}
		if t.unheard() {
			t.say("Rillwatch had asked for it, and no answer of the panel's control confirms that the request arrived; the panel's own control may have closed it.", t.heldBecause())
			break
		}
		t.say("The sample had been hot, or its temperature lost, within the minute before, so the closing is put down to the panel's own control.")
	case "by hand":
		t.say("A person has said that it was closed by hand.")
	default:
		t.say("Who or what closed it is not known: nothing that should close it was seen in the minute before.")
	}
	now, ok := t.temperature()
	if ok {
		t.say(t.seen("Seen"), "The temperature reads "+now+"; behind a closed valve that is the standing water or the room, and no sign that the cooling works.")
	} else {
		t.say(t.seen("Seen"), "Of the temperature there is "+now+".")
	}
	t.say(t.evidence(), t.dependent())
	t.say(handsOff, primary, t.stance())
	t.say("First action: ask who is at the panel; if nobody is, see from a distance whether the thermal shut-off has acted.")
	t.say("An excursion that was open goes on as not known; it is not over. The next message comes when the valve is found open.")
}

func (t *teller) valveOpened() {
	if t.e.Trust.HeldCause != "" {
		t.fact("sample valve found open while it is held closed")
	} else {
		t.fact("sample valve found open, now flushing")
	}
	t.fact("sample valve found open")
	by := "By whom is not known."
	if t.e.Cause == "by hand" {
		by = "A person has said that it was done by hand."
	}
	t.say(t.at()+": the sample valve was found open, "+t.bySight()+".", by)
	now, ok := t.temperature()
	t.say(t.seen("Seen"), t.nowReads(now, ok))
	if t.e.Trust.HeldCause != "" {
		t.say(t.evidence(), heldDoubt)
		t.say("That the valve is open does not show that the cooling works.", handsOff2, primary, t.stance())
		t.say("First action: if nobody of yours is at the panel, find out who opened it.")
		t.say("No message tells when the readings are believed again; that begins when a person withdraws the request.")
		return
	}
	t.say(t.evidence(), "The chemistry is judged again without a command as soon as fresh water has replaced what stood in the line.")
	t.say("That the valve is open does not show that the cooling works.", handsOff2)
	t.say("First action: if nobody of yours is at the panel, find out who opened it.")
	t.say("No message tells when the readings are believed again; they come back by themselves.")
}

func (t *teller) valveFailed() {
	now, ok := t.temperature()
	flow, flows := number(t.e.Trust.Flow, 0)
	flows = flows && t.e.Trust.FlowKnown && t.e.Trust.Flow > 0
	what := ": the sample valve has failed to close. "
	switch t.e.Cause {
	case "leak":
		if flows {
			t.fact("sample valve failed to close, " + flow + " mL/min still flow")
		}
		what += t.leak()
	case "found_closed":
		t.hotFacts("sample ", ", its valve is not closed as asked")
		what += "It should be closed because it was found closed when rillwatch started, and why is not known."
	case "temperature_lost":
		t.fact("sample valve failed to close, temperature lost")
		what += "It should be closed because the sample's temperature was lost; whether the sample is hot is not known."
	default:
		t.hotFacts("sample ", " and its valve has failed to close")
		what += "It should be closed because the sample was found hot. " + t.leak()
	}
	t.fact("sample valve has failed to close")
	t.say(t.at()+what, t.nowReads(now, ok))
	within := t.seen("Told")
	if t.p != nil && t.p.Interlock.Travel > 0 {
		within += " The valve had more than the " + spell(t.p.Interlock.Travel) + " it is given to travel."
	}
	t.say(within)
	t.say(t.evidence(), t.age())
	t.say("Hot water may be at the sensors.", handsOff, primary, t.stance())
	t.say("First action: from a distance, see whether the thermal shut-off has acted; then isolate the sample only as your site's practice for hot, pressurised lines says.", t.dependent())
	t.say(t.standing("the valve is found closed, or nothing asks for it to be closed any more"))
}

// nowReads gives the temperature at the moment of the event beside the value the valve should close at.
func (t *teller) nowReads(now string, ok bool) string {
	if !ok {
		s := "Of the temperature there is " + now + "."
		if t.e.LastGood != nil {
			s += " " + t.lastGood()
		}
		return s
	}
	return "The temperature reads " + now + "; the valve should be closed above " + t.closeAt() + " (site setting)."
}

// highest tells how far the temperature went while the trouble stood.
func (t *teller) highest() string {
	v := t.e.Value
	if v == nil || t.e.Highest == 0 {
		return ""
	}
	n, ok := number(t.e.Highest, v.Decimals)
	if !ok {
		return ""
	}
	return "The highest temperature seen meanwhile was " + withUnit(n, v.Unit, "") + "."
}

// leak says the trouble of a valve that reports closed and lets water through.
func (t *teller) leak() string {
	r := t.e.Trust
	if n, ok := number(r.Flow, 0); ok && r.Valve == "closed" && r.FlowKnown && r.Flow > 0 {
		return "Its feedback says closed, yet " + n + " mL/min still flow."
	}
	return ""
}

func (t *teller) valveNoLongerFailed() {
	now, ok := t.temperature()
	t.fact("sample valve no longer failed to close")
	s := t.at() + ": the valve that had failed to close is found closed now, or nothing asks for it to be closed any more."
	t.say(s)
	t.say(t.evidence())
	t.say(t.seen("Seen"), t.lasted(), t.nowReads(now, ok), t.highest())
	t.say("Why it did not close in time is not known, and it may fail again.", handsOff2, primary, t.stance())
	t.say("First action: have the valve and its control looked at before it is relied on.")
	t.say(t.over())
}

func (t *teller) valveNotConfirmed() {
	top := t.e.Priority == site.TopPriority
	lost := t.e.Trust.HeldCause == "temperature_lost"
	switch {
	case top && lost:
		t.fact("sample temperature lost, closing of valve not confirmed")
		t.fact("sample valve asked to close, not confirmed")
	case top && t.e.Trust.HeldCause == "found_closed":
		t.fact("sample valve asked to close, not confirmed")
	case top:
		t.hotFacts("sample ", ", closing of its valve not confirmed")
		t.fact("sample hot, closing not confirmed")
	default:
		t.fact("sample valve not confirmed, its feedback is lost")
	}
	t.fact("sample valve not confirmed")
	now, ok := t.temperature()
	s := t.at() + ": the feedback of the sample valve is lost. Whether the valve is open or closed cannot be told"
	switch {
	case top && lost:
		s += ", and the sample's temperature was lost: that the valve closed is not confirmed, and whether the sample is hot is not known"
	case top && t.e.Trust.HeldCause == "found_closed":
		s += ", and it is asked to be closed: that it is, is not confirmed"
	case top:
		s += ", and the sample had been found hot: that it closed is not confirmed"
	}
	t.say(s + ".")
	t.say(t.seen("Told"), t.nowReads(now, ok), t.age())
	t.say(t.evidence(), t.dependent())
	t.say(handsOff, primary, t.stance())
	t.say("First action: look at the valve's position indicator at the panel, from a distance, and at its cable.")
	t.say(t.standing(""), "That the feedback is back is recorded and not told.")
}

func (t *teller) openNoFlow() {
	t.fact("sample valve open, but no sample flows")
	t.say(t.at() + ": the sample valve is open and no sample flows. The sensors stand in old water; what they read is not the plant's water, and nothing can return or clear by it.")
	t.say(t.seen("Told"), "It is told after ten minutes without flow, so a grab sample does not cause it.")
	t.say(t.evidence(), t.dependent())
	t.say("First action: see at the panel whether the isolating valve upstream, the filter or the flow meter is blocked or shut.", handsOff)
	t.say(t.standing("sample flows again"))
}

func (t *teller) flowBack() {
	if t.e.Trust.HeldCause == "" {
		t.fact("sample flows again, now flushing")
	}
	t.fact("sample flows again")
	when := "Chemistry is judged when fresh water has replaced what stood in the line; until then nothing has returned."
	if t.e.Trust.HeldCause != "" {
		when = heldDoubt + " Nothing has returned."
	}
	t.say(t.at() + ": sample flows again. " + when)
	t.say(t.seen("Seen"), t.lasted())
	t.say(t.evidence())
	t.say(handsOff2)
	t.say("First action: find out what stopped the flow, if nobody of yours did.")
	t.say(t.over())
}
