package engine_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const drives = `, drive = { bus = "west", station = 1, coil = 5, close_value = 1, valve_fails = "closed", confirmed = { by = "J. Marsh", on = "2026-11-20", sole_writer = true, builder_agrees = true, shut_off_stays = true, opens_by_hand = true } }`

func withDriveB2(on bool) string {
	if !on {
		return twoPanels
	}
	i := strings.LastIndex(twoPanels, `valve_closed = "rack.valve_closed" }`) + len(`valve_closed = "rack.valve_closed"`)
	return twoPanels[:i] + drives + twoPanels[i:]
}

func withoutB2() string {
	i, j := strings.Index(twoPanels, "[panel.b2]"), strings.Index(twoPanels, "[logbook]")
	return strings.Replace(twoPanels[:i]+twoPanels[j:], "[bus.west]\nlink = \"tcp://127.0.0.1:503\"\ndirect = true\n", "", 1)
}

func reboot(t *testing.T, st *story, s *site.Site) {
	t.Helper()
	before := engine.Before{Nonce: fmt.Sprintf("%08x", st.boots), Last: reading.WallOf(st.wall), WallCertain: true, Hash: st.s.Hash}
	for _, r := range st.e.States() {
		st.states = put(st.states, r)
	}
	st.s = s
	st.wall = st.wall.Add(5 * time.Second)
	st.bootNow(before, st.states)
}

func say(t *testing.T, st *story, text string) string {
	t.Helper()
	st.out.Reset()
	for _, l := range strings.Split(text, "\n") {
		if err := st.line(strings.TrimSpace(l)); err != nil {
			t.Fatalf("%q: %v", l, err)
		}
	}
	return st.out.String()
}

const closedHot = `start 2026-11-25T02:00:00Z
60s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0
3s: b2.rack.temperature=55
15s: b2.rack.temperature=30 b2.rack.valve_closed=1 b2.rack.flow=0`

// A panel that is taken out of the file for one start loses its holding, and nobody is told that the request is gone.
func TestAPanelOutOfTheFileForOneStartIsNoRearming(t *testing.T) {
	st := run(t, parse(t, withDriveB2(true)), closedHot)
	if !strings.Contains(st.out.String(), "valve.held_closed") {
		t.Fatal("not held")
	}
	st.out.Reset()
	reboot(t, st, parse(t, withoutB2()))
	away := st.out.String() + say(t, st, "5s: b1.rack.oxygen=12")
	if strings.Count(away, "valve.no_longer_asked") != 1 {
		t.Errorf("that nothing asks any more is not told:\n%s", events(away))
	}
	st.out.Reset()
	reboot(t, st, parse(t, withoutB2()))
	if again := st.out.String(); strings.Contains(again, "valve.no_longer_asked") {
		t.Errorf("told at every start:\n%s", events(again))
	}
	st.values["b2.rack.valve_closed"], st.values["b2.rack.flow"] = "0", "200" // a person has opened it meanwhile
	st.out.Reset()
	reboot(t, st, parse(t, withDriveB2(true)))
	told := st.out.String() + say(t, st, "20s: b2.rack.temperature=30")
	if !strings.Contains(told, "valve.asked_again") {
		t.Errorf("that it is asked for again is not told:\n%s", events(told))
	}
	if v := st.e.View().Panels[1].Interlock.Holding; !v.Held {
		t.Errorf("held before, no re-arming, and now: %+v\n%s", v, events(told))
	}
}

// The drive out of the file while the valve is held: is it told that nothing is asked any more? And when it is back, before an order moves a valve?
func TestADriveOutOfTheFileIsToldAndSoIsItsReturn(t *testing.T) {
	st := run(t, parse(t, withDriveB2(true)), closedHot)
	st.out.Reset()
	reboot(t, st, parse(t, withDriveB2(false)))
	boot := st.out.String()
	gone := boot + say(t, st, "120s: b2.rack.valve_closed=0 b2.rack.flow=200 b2.rack.temperature=25")
	if strings.Count(gone, "valve.no_longer_asked") != 1 {
		t.Errorf("the request ended without re-arming or override, and nothing says so:\n%s", events(gone))
	}
	st.out.Reset()
	reboot(t, st, parse(t, withDriveB2(true)))
	back := st.out.String() + say(t, st, "10s: b2.rack.temperature=25")
	if !strings.Contains(back, "order bus=") || strings.Count(back, "valve.asked_again") != 1 {
		t.Errorf("an order moves an open valve in cool service, for a holding of before, and no event says so:\n%s", events(back))
	}
}

func events(s string) string {
	var out []string
	for _, l := range strings.Split(s, "\n") {
		if strings.Contains(l, " event ") || strings.Contains(l, " order ") || strings.Contains(l, "orders") {
			if len(l) > 170 {
				l = l[:170]
			}
			out = append(out, l)
		}
	}
	return strings.Join(out, "\n")
}

// A temperature of a sensor of the site, which several panels may look at. One low update is one, though an order's end steps the panel once more.
func TestAnOrdersEndIsNoUpdateOfASiteSensor(t *testing.T) {
	text := strings.Replace(withDriveB2(true), `timezone = "Europe/London"`, "timezone = \"Europe/London\"\nsensor.plc = { map = \"plc\", bus = \"east\", station = 9, period = \"1s\" }", 1)
	text = strings.Replace(text, "[panel.b1]", "[map.plc.point]\ntemperature = { holding = 40011, type = \"int16\", scale = 0.1, unit = \"degC\" }\n[panel.b1]", 1)
	text = strings.Replace(text, drives, drives+`, second_temperature = "site.plc.temperature"`, 1)
	s := parse(t, text)
	st := run(t, s, `start 2026-11-25T02:00:00Z
60s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0 plc.temperature=25
3s: plc.temperature=55
5s: b2.rack.valve_closed=1 b2.rack.flow=0`)
	// one round of the site's bus with one low update, then the end of an order
	st.values["plc.temperature"] = "30"
	st.pass(time.Second)
	st.slot++
	if err := st.round(0); err != nil {
		t.Fatal(err)
	}
	for range 1 {
		st.feed(engine.OrderDone{OrderResult: reading.OrderResult{ID: 1, Panel: 1, Fault: reading.Answered, Known: true, ReadBack: 1, At: st.now()}})
	}
	st.out.Reset()
	if err := st.line("rearm b2 by Kim"); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(st.out.String(), "temperature_not_proven_low") {
		t.Errorf("re-armed on one low update of the second temperature:\n%s", st.out.String())
	}
}

// Ruling 26: feedback lost while closing is top priority.
func TestFeedbackLostWhileClosingForALostTemperatureIsTop(t *testing.T) {
	st := run(t, parse(t, withDriveB2(true)), `start 2026-11-25T02:00:00Z
60s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0
40s: b2.rack.temperature=nan b2.rack.temperature=raw:0x8000 b2.rack.valve_closed=refused`)
	_ = st
	st = run(t, parse(t, withDriveB2(true)), `start 2026-11-25T02:00:00Z
60s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0
40s: b2.rack.temperature=refused b2.rack.valve_closed=refused`)
	for _, l := range strings.Split(st.out.String(), "\n") {
		if strings.Contains(l, "valve.not_confirmed") && !strings.Contains(l, "priority=top") {
			t.Errorf("asked to close, feedback lost: %s", l)
		}
	}
}

// Re-armed on readings that are gone, through the engine.
func TestARearmingWhileTheStationIsSilentIsRefused(t *testing.T) {
	for _, how := range []string{"silent", "refused", "down"} {
		st := run(t, parse(t, withDriveB2(true)), closedHot+"\n9s: b2.rack.temperature="+how)
		st.out.Reset()
		if err := st.line("rearm b2 by Kim"); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(st.out.String(), `refusal=""`) {
			t.Errorf("%s for 9 s, and re-armed: %s", how, events(st.out.String()))
		}
	}
}

// An override in a process whose clock is not set ends when it is.
func TestAClockThatIsSetDoesNotEndAnOverride(t *testing.T) {
	st := run(t, parse(t, withDriveB2(true)), closedHot+"\nrestart unknown\n10s: b2.rack.temperature=30\noverride b2 30m by Kim\n5s: b2.rack.temperature=30")
	st.out.Reset()
	got := say(t, st, "clock steps 490000h\nclock certain\n3s: b2.rack.temperature=30")
	if strings.Contains(got, "cause=time") {
		t.Errorf("8 s after it began for 30 minutes it is told that its time is over:\n%s", events(got))
	}
}
