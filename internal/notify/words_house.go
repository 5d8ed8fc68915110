package notify

import (
	"slices"
	"strings"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// The messages about rillwatch's own means: connections, sensors, the logbook.

// fault says why a device is not heard, without the words of the protocol.
func fault(name string) string {
	f, ok := reading.ParseFault(name)
	if !ok || f == reading.Answered || f == reading.NotAsked {
		return "the reason is not known"
	}
	words, _, _ := strings.Cut(f.Words(), " (")
	return strings.NewReplacer("the station", "the device", "exception", "refusal").Replace(words)
}

// sensorsOn lists the sensors of a connection in plant words, the panels whose interlock looks through it, and how many readings come by it.
func (t *teller) sensorsOn(bus string) (names, guarded []string, readings int) {
	for i := range t.s.Sensors {
		sn := &t.s.Sensors[i]
		if sn.Bus < 0 || sn.Bus >= len(t.s.Buses) || t.s.Buses[sn.Bus].Name != bus {
			continue
		}
		names = append(names, t.sensor(sn))
		readings += len(sn.Points)
		guarded = t.guards(sn, guarded)
	}
	return names, guarded, readings
}

func (t *teller) sensor(sn *site.Sensor) string {
	s := `"` + clean(sn.Name) + `"`
	if sn.Panel >= 0 && sn.Panel < len(t.s.Panels) {
		return s + " of " + t.title(t.s.Panels[sn.Panel].Name)
	}
	return s + " of the site"
}

// guards adds the panels whose sample temperature the sensor gives.
func (t *teller) guards(sn *site.Sensor, to []string) []string {
	for i := range t.s.Panels {
		p := &t.s.Panels[i]
		if p.Interlock.Configured && slices.Contains(sn.Points, p.Interlock.Temperature) && !slices.Contains(to, t.title(p.Name)) {
			to = append(to, t.title(p.Name))
		}
	}
	return to
}

// blind says what nobody watches while a sensor is not heard.
func blind(guarded []string) string {
	if len(guarded) == 0 {
		return ""
	}
	return "While it lasts rillwatch cannot see whether the sample of " + list(guarded) + " is hot. " + handsOff + " " + primary
}

// namesMax bounds a list of sensors in a text: more of them are counted.
const namesMax = 8

func fewer(names []string) string {
	if len(names) <= namesMax {
		return list(names)
	}
	return strings.Join(names[:namesMax], ", ") + " and " + many(len(names)-namesMax, "more", "more")
}

// whoOf is the sensors in a sentence, or what is said where none is known.
func whoOf(names []string, none string) string {
	if len(names) == 0 {
		return none
	}
	return "the sensor " + fewer(names)
}

func (t *teller) busName() string {
	if b := clean(t.e.Bus); b != "" {
		return `the connection "` + b + `"`
	}
	return "a connection"
}

func (t *teller) busLost() {
	names, guarded, readings := t.sensorsOn(t.e.Bus)
	if len(names) > 0 {
		t.fact(t.busName() + " lost, " + many(readings, "reading", "readings") + " missing")
	}
	t.fact(t.busName() + " is lost")
	t.fact("a connection is lost")
	why := fault(t.e.Cause)
	s := sentence(t.busName() + " at " + t.siteName() + " is lost: " + why)
	if len(names) > 0 {
		t.say(s, "Behind it: "+fewer(names)+", together "+many(readings, "reading", "readings")+". All of them are missing for this one reason; no further message is sent for them.")
	} else {
		t.say(s)
	}
	t.say(t.seen("Told"), "It had failed in three rounds of questions in a row.")
	t.say("A missing reading is not a good one: an alarm that stood still stands, an open excursion goes on as not known.", t.held(), blind(guarded))
	t.say(lineAction(t.e.Cause))
	t.say(t.standing("the connection is back"))
}

func (t *teller) busBack() {
	names, _, readings := t.sensorsOn(t.e.Bus)
	t.fact(t.busName() + " is back")
	t.fact("a connection is back")
	s := sentence(t.busName() + " at " + t.siteName() + " answers again")
	if len(names) > 0 {
		s += " Behind it: " + fewer(names) + ", together " + many(readings, "reading", "readings") + "."
	}
	t.say(s)
	t.say(t.seen("Seen"), t.lasted())
	t.say("What happened in between was not seen: it stays not known, and nothing is told as returned for that time.")
	t.say("First action: find out what broke the connection, if nobody of yours did.")
	t.say(t.over())
}

// sensorNames turns the paths an event carries into plant words.
func (t *teller) sensorNames() (names, guarded []string, readings int) {
	for path := range strings.SplitSeq(t.e.Point, ",") {
		path = strings.TrimSpace(path)
		for i := range t.s.Sensors {
			if sn := &t.s.Sensors[i]; sn.Path == path && path != "" {
				names = append(names, t.sensor(sn))
				readings += len(sn.Points)
				guarded = t.guards(sn, guarded)
			}
		}
	}
	if len(names) > 0 || t.e.Bus == "" {
		return names, guarded, readings
	}
	// an event without paths: by where the device is connected
	for i := range t.s.Sensors {
		sn := &t.s.Sensors[i]
		if sn.Bus >= 0 && sn.Bus < len(t.s.Buses) && t.s.Buses[sn.Bus].Name == t.e.Bus && sn.Station == t.e.Station {
			names = append(names, t.sensor(sn))
			readings += len(sn.Points)
			guarded = t.guards(sn, guarded)
		}
	}
	return names, guarded, readings
}

// quoted is the first sensor's own name, for a headline whose place is the panel already.
func quoted(names []string) string {
	if len(names) == 0 {
		return "a device"
	}
	name, _, _ := strings.Cut(names[0][1:], `"`)
	if len(names) == 1 {
		return `sensor "` + name + `"`
	}
	return `sensor "` + name + `" and ` + many(len(names)-1, "more", "more")
}

func (t *teller) stationSilent() {
	names, guarded, readings := t.sensorNames()
	if outOfStep(t.e.Cause) {
		if len(names) > 0 {
			t.fact(quoted(names) + " is not understood, " + many(readings, "reading", "readings") + " missing")
		}
		t.fact("a device is not understood")
	} else if len(names) > 0 {
		t.fact(quoted(names) + " does not answer, " + many(readings, "reading", "readings") + " missing")
		t.fact(quoted(names) + " does not answer")
	}
	t.fact("a device does not answer")
	who := whoOf(names, "a device")
	if outOfStep(t.e.Cause) {
		t.say(sentence("nothing that "+who+" at "+t.siteName()+" answered could be believed for a minute, while "+t.busName()+" lives: "+fault(t.e.Cause)), t.missing(readings))
		t.say(t.seen("Told"))
		t.say("A missing reading is not a good one: an alarm that stood still stands, an open excursion goes on as not known.", t.held(), blind(guarded))
		t.say("First action: look for two devices set to the same number, a damaged cable or a missing end resistor, and a gateway that waits longer than rillwatch does.")
		t.say(t.standing("it answers again"))
		return
	}
	s := who + " at " + t.siteName() + " does not answer, while " + t.busName() + " lives"
	if t.e.Cause != reading.Timeout.String() { // which is silence itself, and has no more to say
		s += ": " + fault(t.e.Cause)
	}
	t.say(sentence(s), t.missing(readings))
	t.say(t.seen("Told"), "It had not answered in three rounds of questions in a row.")
	t.say("A missing reading is not a good one: an alarm that stood still stands, an open excursion goes on as not known.", t.held(), blind(guarded))
	t.say("First action: see whether the sensor has power and its cable; rillwatch keeps asking, ever more rarely.")
	t.say(t.standing("it answers again"))
}

func (t *teller) missing(readings int) string {
	if readings == 0 {
		return ""
	}
	return sentence(many(readings, "reading is", "readings are") + " missing for this one reason")
}

func (t *teller) stationBack() {
	names, _, readings := t.sensorNames()
	if len(names) > 0 {
		t.fact(quoted(names) + " answers again")
	}
	t.fact("a device answers again")
	who := whoOf(names, "a device")
	s := sentence(who + " at " + t.siteName() + " answers again")
	if readings > 0 {
		s += " " + sentence(many(readings, "reading is", "readings are")+" asked for again, and each is believed when it has earned it")
	}
	t.say(s)
	t.say(t.seen("Seen"), t.lasted())
	t.say("What happened in between was not seen: it stays not known, and nothing is told as returned for that time.")
	t.say("First action: find out why it was silent, if nobody of yours worked on it.")
	t.say(t.over())
}

func (t *teller) readingsDropped() {
	n := many(t.e.Count, "reading", "readings")
	if t.e.Count <= 0 {
		n = "readings"
	}
	t.fact("the logbook lost " + n + ", alarms were judged all the same")
	t.fact("the logbook lost readings, alarms were judged all the same")
	t.say("At " + t.siteName() + " the logbook has lost " + n + ": the disk did not follow, and the oldest that waited were let go. They were judged when they came; only the record has a gap.")
	t.say(t.seen("Told"), "No event and no alarm was lost.")
	t.say("First action: look at the disk of the machine rillwatch runs on: is it full, or failing?")
	t.state = "raised"
	t.say("Each further loss is told again.")
}

// diskTrouble names why the logbook cannot be written, for a program and for a person, as far as somebody can do something about it. The
// program's own error stays in the log.
func diskTrouble(cause string) (name, words string) {
	for _, k := range []struct{ in, name, words string }{
		{"no space left", "disk_full", "the disk is full"},
		{"disk quota", "disk_quota", "the disk is full for this user"},
		{"read-only", "read_only", "the disk can only be read"},
		{"permission denied", "not_permitted", "the machine does not permit it"},
		{"input/output error", "disk_error", "the disk reports errors"},
	} {
		if strings.Contains(strings.ToLower(cause), k.in) {
			return k.name, k.words
		}
	}
	return "not_known", "the reason stands in the log of the machine rillwatch runs on"
}

func (t *teller) logbookFailing() {
	name, why := diskTrouble(t.e.Cause)
	if name != "not_known" {
		t.fact("the logbook cannot be written, " + why)
	}
	t.fact("the logbook cannot be written")
	t.say("At " + t.siteName() + " rillwatch cannot write its logbook: " + why + ". It goes on reading and judging, but what it finds is not yet on disk.")
	t.say(t.seen("Found"), "Alarms are told from memory meanwhile; a message may come late or a second time, and carries its own time.")
	t.say("First action: look at the disk of the machine rillwatch runs on. Until it is mended, look at the panels themselves.")
	t.say(t.standing("the logbook can be written again"))
}

func (t *teller) logbookBack() {
	t.fact("the logbook can be written again")
	t.say("At " + t.siteName() + " the logbook can be written again. What was found in between is on disk now, and its messages follow with their own times, some of them late.")
	t.say(t.seen("Seen"), t.lasted())
	t.say("First action: find out why the disk failed, before it fails again.")
	t.say(t.over())
}

func (t *teller) stateLost() {
	t.fact("memory lost at the start, standing alarms begin anew")
	t.fact("memory lost at the start")
	s := "What rillwatch remembered of " + t.at() + " could not be read back when it started."
	t.say(s, "It begins with nothing: an alarm that stood is raised again if its condition still holds, an excursion that was open is not continued, and acknowledgements are forgotten.")
	t.say(t.seen("Found"))
	at := "the panel itself"
	if t.where == "" {
		at = "every panel"
	}
	t.say("First action: look at " + at + " once, because nothing that ended in between was or will be told.")
	t.say("The readings and events already in the logbook are untouched. No further message about this follows.")
	t.state = "raised"
}

func (t *teller) drill() {
	t.fact("drill of the alarm path, nothing is wrong")
	who := clean(t.e.Who)
	if who == "" {
		who = "Somebody"
	}
	t.say(sentence(who+" tries out the way an alarm takes from "+t.at()+" to you"), t.note())
	t.say(t.seen("Sent"))
	t.say("First action: if you were asked to, say that it arrived. A real alarm has no such word in front and must be acted on.")
}

// onLineNotKnown: what the boiler is taken for while nobody can say. Off line silences chemistry, so it must not be held in silence.
func (t *teller) onLineNotKnown() {
	held := "on line"
	then := "Its chemistry goes on being judged, and may call for a boiler that stands still."
	if t.e.Cause == "off line" {
		held = "off line"
		then = "While that holds, no flow and no chemistry of this panel raises an alarm, and open excursions are suspended; hot sample is watched all the same."
	}
	t.fact("whether it is fed is not known, taken as " + held)
	t.fact("whether it is fed is not known")
	t.say(t.at() + ": whether the boiler is being fed can no longer be read. It is taken as " + held + ", as it was last seen. " + then)
	if why, ok := reading.ParseReason(t.e.Why); ok {
		t.say(sentence("the reason: " + why.Row().Words))
	}
	t.say(t.seen("Told"))
	t.say("First action: see whether the boiler is fed, and why its signal does not come through.")
	t.say(t.standing("") + " That it can be read again is recorded and not told.")
}
