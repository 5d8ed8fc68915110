package httpapi

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// silencedPlant is a panel with an alarm in every way not to be told.
func silencedPlant() *engine.PanelView {
	return &engine.PanelView{Alarms: []engine.AlarmView{
		{Name: "b2.a", State: "shelved", Active: true, Quiet: event.QuietShelved, Shelf: engine.SilenceView{On: true, Who: "A. Reed", Why: "exchange", Left: 90 * time.Minute}},
		{Name: "b2.b", State: "out_of_service", Out: engine.SilenceView{On: true, Who: "J. Marsh", Why: "order 7", Since: reading.Stamp{Wall: 1795600800000000000}},
			Shelf: engine.SilenceView{On: true, Who: "A. Reed", Why: "exchange", Left: time.Minute}},
		{Name: "b2.c", State: "suppressed", Active: true, Suppress: "valve.closed"},
		{Name: "b2.d", State: "unacknowledged", Active: true, Quiet: event.QuietBehind, Behind: "b2.e"},
		{Name: "b2.e", State: "unacknowledged", Active: true, Told: true},
		{Name: "b2.f", State: "returned_unacknowledged", Unsteady: true, Swings: 5},
		{Name: "b2.g", State: "acknowledged", Active: true, Told: true},
		{Name: "b2.h", State: "normal", MustSpeak: true},
	}}
}

func TestCountsAreByTheStateShownAndAddUpToAllAlarms(t *testing.T) {
	p := silencedPlant()
	got := map[string]int{}
	addCounts(got, p.Counts())
	want := map[string]int{"normal": 1, "unacknowledged": 2, "acknowledged": 1, "returned_unacknowledged": 1, "shelved": 1, "suppressed": 1, "out_of_service": 1, "active": 5, "unsteady": 1, "held_back": 1}
	sum := 0
	for k, n := range want {
		if got[k] != n {
			t.Errorf("%s: %d, want %d", k, got[k], n)
		}
	}
	for _, st := range alarmStates {
		sum += got[st]
	}
	if sum != len(p.Alarms) || len(got) != len(want) {
		t.Errorf("%d of %d alarms are counted by their state: %v", sum, len(p.Alarms), got)
	}
}

func TestAReaderSeesWhoSilencedAnAlarmAndWhatSpeaksForIt(t *testing.T) {
	pl := newPlant(t)
	v := *pl.view
	silenced := silencedPlant()
	silenced.Panel = v.Panels[0].Panel
	for i := range silenced.Alarms {
		silenced.Alarms[i].Limit = -1
	}
	panels := append([]*engine.PanelView(nil), v.Panels...)
	panels[0] = silenced
	v.Panels = panels
	pl.view = &v
	_, _, body := get(t, New(pl.config()), "/api/v1/alarms")
	for _, want := range []string{
		`"not_told":"shelved","shelved":{"who":"A. Reed","why":"exchange","left_s":5400.000}`,
		`"shelved":{"who":"A. Reed","why":"exchange","left_s":60.000},"out_of_service":{"who":"J. Marsh","why":"order 7","since":"2026-11-25T10:00:00.000Z"}`,
		`"suppressed_by":"valve.closed"`, `"not_told":"behind","behind":"b2.e"`, `"unsteady":true,"returns_while_unsteady":5`, `"must_not_be_silenced":true`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("no %s in\n%s", want, body)
		}
	}
	text := exposition(t, pl.config())
	for _, want := range []string{`rillwatch_alarms{panel="b2",state="shelved"} 1`, `rillwatch_alarms{panel="b2",state="unacknowledged"} 2`, `rillwatch_alarms_unsteady{panel="b2"} 1`, `rillwatch_alarms_held_back{panel="b2"} 1`} {
		if !strings.Contains(text, want) {
			t.Errorf("no %s", want)
		}
	}
}
