package notify

import (
	"strings"

	"rillwatch/internal/reading"
)

// The messages about sensors that come and change, and what to do first about a connection.

// lineAction is the first thing to do about a lost connection, by why it is lost.
func lineAction(cause string) string {
	f, _ := reading.ParseFault(cause)
	switch f {
	case reading.AnotherMaster:
		return "First action: find who else asks on this serial line: a controller, a laptop, a second program. Two who ask read each other's answers, so rillwatch sends nothing " +
			"until the line has been silent for a while. Where the controller must go on asking, read that controller's own output instead."
	case reading.Unplugged:
		return "First action: see whether the serial adapter is plugged in; rillwatch takes it up again by itself."
	case reading.TLSRefused:
		return "First action: see whether a certificate has run out, at rillwatch or at the device, and whether both clocks are right."
	}
	return "First action: see whether the panel's controller or gateway has power and its network cable; rillwatch keeps trying by itself."
}

// outOfStep tells whether a sensor is not heard because its line is out of step.
func outOfStep(cause string) bool {
	f, _ := reading.ParseFault(cause)
	return f == reading.OutOfStep || f == reading.NotVouched
}

func (t *teller) sensorJoined() {
	names, _, readings := t.sensorNames()
	if len(names) > 0 {
		t.fact(quoted(names) + " has answered for the first time")
	}
	t.fact("a new sensor has answered for the first time")
	who := whoOf(names, "a new sensor")
	s := sentence(who + " at " + t.siteName() + " has answered for the first time")
	if readings > 0 {
		s += " " + sentence(many(readings, "reading comes", "readings come")+" with it")
	}
	t.say(s)
	t.say(t.seen("Seen"))
	t.say("From now on its silence is a fault and will be told.")
	t.say("First action: compare what rillwatch shows with the sensor's own display before anybody relies on it.")
}

func (t *teller) sensorExchanged() {
	names, guarded, readings := t.sensorNames()
	if len(names) > 0 {
		t.fact(quoted(names) + " is another device than before")
	}
	t.fact("a sensor is another device than before")
	who := whoOf(names, "a sensor")
	s := sentence(who + " at " + t.siteName() + " is another device than before")
	was, is := clean(t.e.Was), clean(t.e.Is)
	if was != "" && is != "" {
		s += ` Its serial number is "` + clip(is, serialMost) + `"; it was "` + clip(was, serialMost) + `".`
	}
	t.say(s)
	t.say(t.seen("Seen"))
	t.say("Whatever was checked or calibrated before was checked on the other one. Its readings go on being used as they are.")
	if len(guarded) > 0 {
		t.say("It gives the sample temperature of " + list(guarded) + ", by which hot sample is seen. " + primary)
	}
	do := "First action: if nobody of yours exchanged it, find out who did; check it against a standard before trusting it"
	if readings == 0 {
		do = "First action: if nobody of yours exchanged it, find out who did"
	}
	t.say(sentence(strings.TrimSpace(do)))
}

// serialMost bounds a serial number in a text; the longest a register map can name has 64 characters.
const serialMost = 32
