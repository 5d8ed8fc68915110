package engine_test

import (
	"slices"
	"strings"
	"testing"

	"rillwatch/internal/notify"
)

// messages are what the on-call telephone gets, by kind, in order.
func messages(t *testing.T, st *story) (out []string) {
	t.Helper()
	for i := range st.events {
		for _, r := range notify.Rows(st.s, &st.events[i]) {
			out = append(out, st.events[i].Kind.String()+": "+string(r.Body))
		}
	}
	return out
}

func told(t *testing.T, storyText string) (*story, []string) {
	text := strings.Replace(withDriveB2(true), "[logbook]", "[recipient.on-call]\nurl = \"https://alarms.larkfield.example/hook\"\nsecret_file = \"/etc/rillwatch/s\"\n[logbook]", 1)
	st := run(t, parse(t, text), storyText)
	return st, messages(t, st)
}

func has(t *testing.T, all []string, kind, part string) (string, bool) {
	for _, m := range all {
		if strings.HasPrefix(m, kind) && strings.Contains(m, part) {
			return m, true
		}
	}
	return "", false
}

const calm60 = `start 2026-11-25T02:00:00Z
60s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0
`

// Under an override rillwatch asked for nothing, so nothing closed "as it was asked to".
func TestAValveThatThePanelClosesUnderAnOverrideWasNotAskedTo(t *testing.T) {
	_, m := told(t, calm60+"override b2 1h by Kim\n5s: b2.rack.temperature=55\n5s: b2.rack.valve_closed=1 b2.rack.flow=0")
	if w, bad := has(t, m, "valve.closed", "asked to"); bad {
		t.Error(w)
	}
}

// Orders that never arrived closed nothing.
func TestAValveThatThePanelClosesWhileNoOrderArrivesWasNotClosedByRillwatch(t *testing.T) {
	_, m := told(t, calm60+"orders not_connected\n5s: b2.rack.temperature=55\n5s: b2.rack.valve_closed=1 b2.rack.flow=0")
	if w, bad := has(t, m, "valve.closed", "found closed, as it was asked to"); bad {
		t.Error(w)
	}
}

// Asked for every second, and told that nothing asked.
func TestAValveThatClosesAfterTwoMinutesOfAskingWasAsked(t *testing.T) {
	st, m := told(t, calm60+"orders not_connected\n5s: b2.rack.temperature=55\n120s: b2.rack.temperature=45\norders taken\n5s: b2.rack.temperature=45\n5s: b2.rack.valve_closed=1 b2.rack.flow=0")
	if !st.e.View().Panels[1].Interlock.Holding.Ask {
		t.Fatal("not asked")
	}
	if w, bad := has(t, m, "valve.closed", "nothing that should close it was seen"); bad {
		t.Error(w)
	}
}

// Found closed, cause not known, and opened again: not "because the sample was found hot".
func TestAFoundClosedValveThatIsOpenedIsNotToldAsHot(t *testing.T) {
	_, m := told(t, calm60+"kill 60s\n5s: b2.rack.valve_closed=1 b2.rack.flow=0\n40s: b2.rack.valve_closed=0 b2.rack.flow=200")
	w, ok := has(t, m, "valve.failed_to_close", "")
	if !ok {
		t.Fatal("not told", m)
	}
	if strings.Contains(w, "because the sample was found hot") {
		t.Error(w)
	}
}

// Held anew after a re-arming, while the hot sample of before still stands: somebody is told that it is asked for again.
func TestAClosingAskedForAgainAfterARearmingIsTold(t *testing.T) {
	st, _ := told(t, calm60+"5s: b2.rack.temperature=55\n15s: b2.rack.temperature=30 b2.rack.valve_closed=1 b2.rack.flow=0\nrearm b2 by Kim\n5s: b2.rack.temperature=30")
	if st.e.View().Panels[1].Interlock.Holding.Held {
		t.Fatal("not re-armed")
	}
	st.events = nil
	say(t, st, "6s: b2.rack.valve_closed=0 b2.rack.flow=200 b2.rack.temperature=55")
	if !st.e.View().Panels[1].Interlock.Holding.Ask {
		t.Fatal("not asked again")
	}
	var kinds []string
	for i := range st.events {
		if st.events[i].Kind.Told() {
			kinds = append(kinds, st.events[i].Kind.String())
		}
	}
	if !strings.Contains(strings.Join(kinds, " "), "valve.asked_again") {
		t.Errorf("the closing is asked for again with a person at the open valve; told: %q", kinds)
	}
}

// An observed hot sample on record; then driven; restart.
func TestAHotSampleOnRecordIsNotToldAsNothingOnRecord(t *testing.T) {
	st := run(t, parse(t, withDriveB2(false)), closedHot)
	text := strings.Replace(withDriveB2(true), "[logbook]", "[recipient.on-call]\nurl = \"https://alarms.larkfield.example/hook\"\nsecret_file = \"/etc/rillwatch/s\"\n[logbook]", 1)
	st.events = nil
	reboot(t, st, parse(t, text))
	say(t, st, "5s: b2.rack.temperature=30")
	if w, bad := has(t, messages(t, st), "valve.found_closed", "nothing on record says why"); bad {
		t.Error(w)
	}
}

// A silent station takes feedback and temperature; who is told, and how often, when orders are lost with it.
func TestADeadGatewayWhileHeldIsFewMessages(t *testing.T) {
	st, _ := told(t, calm60+"5s: b2.rack.temperature=55\n15s: b2.rack.temperature=30 b2.rack.valve_closed=1 b2.rack.flow=0")
	st.events = nil
	say(t, st, "orders timeout\n120s: b2.rack.temperature=silent b2.rack.valve_closed=silent b2.rack.flow=silent b2.rack.oxygen=silent")
	var kinds []string
	for i := range st.events {
		if st.events[i].Kind.Told() {
			kinds = append(kinds, st.events[i].Kind.String()+"/"+st.events[i].Priority.String())
		}
	}
	if want := []string{"station.silent/high", "valve.cannot_close/top", "temperature.lost/high", "valve.not_confirmed/top"}; !slices.Equal(kinds, want) {
		t.Errorf("told %q, want each once: %q", kinds, want)
	}
}
