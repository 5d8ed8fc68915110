package engine_test

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// booted is an engine of the two panels after its boot, and a way to ask it.
func booted(t *testing.T) (*engine.Engine, func(id, why string, do engine.Do) (engine.Reply, []event.Event)) {
	s := parse(t, twoPanels)
	e := engine.New(s)
	at := reading.Stamp{Wall: 1764064800000000000, Up: time.Second}
	e.Step(engine.ClockState{Certain: true})
	e.Step(engine.Boot{Nonce: "00000001", At: at, WallCertain: true, Hash: s.Hash})
	return e, func(id, why string, do engine.Do) (engine.Reply, []event.Event) {
		t.Helper()
		at.Up += time.Second
		at.Wall += reading.Wall(time.Second)
		o := e.Step(engine.Command{ID: id, Who: "Kim", Why: why, From: "api", At: at, Do: do})
		if len(o.Replies) != 1 {
			t.Fatalf("%d replies", len(o.Replies))
		}
		return o.Replies[0], o.Events
	}
}

// TestWhatSilencesNeedsAReason: whoever keeps something from being told or judged says why; what ends a silence, or silences nothing, need not.
func TestWhatSilencesNeedsAReason(t *testing.T) {
	_, ask := booted(t)
	for name, c := range map[string]struct {
		do      engine.Do
		refusal engine.Refusal
	}{
		"off line":       {engine.SetOnLine{Panel: "b1", For: time.Hour}, engine.NoReason},
		"on line":        {engine.SetOnLine{Panel: "b1", OnLine: true, For: time.Hour}, engine.NotRefused},
		"check":          {engine.CheckInHand{Sensor: "b1.rack", What: "zero check", For: time.Hour}, engine.NoReason},
		"back":           {engine.CheckInHand{Sensor: "b1.rack", Back: true}, "not_in_hand"},
		"shelve":         {engine.Shelve{Alarm: "b1.oxygen-high", For: time.Hour}, engine.NoReason},
		"out of service": {engine.OutOfService{Alarm: "b1.oxygen-high", Out: true}, engine.NoReason},
		"in service":     {engine.OutOfService{Alarm: "b1.oxygen-high"}, engine.NotOut},
		"override":       {engine.Override{Panel: "b1", For: time.Hour}, engine.NoReason},
		"acknowledge":    {engine.Acknowledge{Alarm: "b1.oxygen-high"}, engine.NothingToAck},
	} {
		for _, why := range []string{"", "  "} {
			rep, events := ask(name+why, why, c.do)
			if rep.Refusal != c.refusal || rep.Words == "" {
				t.Errorf("%s: refusal %q, want %q (%s)", name, rep.Refusal, c.refusal, rep.Words)
			}
			if refused := len(events) == 1 && events[0].Kind == event.CommandRefused; refused != (c.refusal != engine.NotRefused) {
				t.Errorf("%s: told %v", name, events)
			}
		}
	}
}

func TestACheckIsRefusedByNameAndChangesNothing(t *testing.T) {
	_, ask := booted(t)
	for _, c := range []struct {
		do      engine.CheckInHand
		refusal engine.Refusal
	}{
		{engine.CheckInHand{Sensor: "b1.nosuch", What: "zero check", For: time.Hour}, engine.NoSuchSensor},
		{engine.CheckInHand{Sensor: "rack", What: "zero check", For: time.Hour}, engine.NoSuchSensor},
		{engine.CheckInHand{Sensor: "b1.rack", For: time.Hour}, engine.NoWhat},
		{engine.CheckInHand{Sensor: "b1.rack", What: "zero check", For: 9 * time.Hour}, engine.BadSpan},
		{engine.CheckInHand{Sensor: "b1.rack", Back: true}, "not_in_hand"},
	} {
		if rep, _ := ask("c-"+string(c.refusal)+c.do.Sensor, "monthly", c.do); rep.Refusal != c.refusal {
			t.Errorf("%+v: %q, want %q", c.do, rep.Refusal, c.refusal)
		}
	}
	rep, events := ask("c-1", "monthly", engine.CheckInHand{Sensor: "b1.rack", What: "zero check", For: time.Hour})
	if rep.Refusal != engine.NotRefused || len(events) != 1 || events[0].Kind != event.CheckStarted || events[0].Cause != "protection blind" {
		t.Fatalf("%+v %v", rep, events)
	}
	// The order in which a hot line under pressure is opened is said each time, and so is that nobody watches.
	order := []string{"PROTECTION BLIND", "isolate the sample at its root valve", "prove that nothing flows", "relieve the pressure", "then remove it"}
	at := -1
	for _, w := range order {
		i := strings.Index(rep.Words, w)
		if i <= at {
			t.Fatalf("%q is not where it should be in %q", w, rep.Words)
		}
		at = i
	}
	again, events := ask("c-1", "monthly", engine.CheckInHand{Sensor: "b1.rack", What: "zero check", For: time.Hour})
	if again != rep || len(events) != 0 {
		t.Errorf("asked again: %+v %v", again, events)
	}
}

// TestTheViewSaysWhoseWordItIs: a person who sees "off line" must see whether a signal or a colleague says so.
func TestTheViewSaysWhoseWordItIs(t *testing.T) {
	e, ask := booted(t)
	if p := e.View().Panels[0]; !p.OnLine || p.OnLineFrom != "assumed" || p.Interlock.State != engine.NotKnown {
		t.Errorf("before anything was read: on line %t from %q, interlock %s", p.OnLine, p.OnLineFrom, p.Interlock.State)
	}
	ask("c-1", "weekend", engine.SetOnLine{Panel: "b1", For: time.Hour})
	ask("c-2", "monthly", engine.CheckInHand{Sensor: "b1.rack", What: "zero check", For: time.Hour})
	if w := e.View().Panels[0].Words; len(w) != 2 || w[0].Sensor != "b1.rack" || w[0].What != "zero check" || w[1].Command != "set_on_line" || w[1].Left != time.Hour || w[1].Why != "weekend" {
		t.Errorf("the words are %+v", w)
	}
	if p := e.View().Panels[0]; p.OnLine || p.OnLineFrom != "command" {
		t.Errorf("on line %t from %q", p.OnLine, p.OnLineFrom)
	}
	e.Step(engine.Tick{At: reading.Stamp{Wall: 1764064800000000000, Up: 2 * time.Hour}})
	if w := e.View().Panels[0].Words; len(w) != 1 || !w[0].Over || w[0].Left != 0 {
		t.Errorf("after their end the words are %+v", w)
	}
	if p := e.View().Panels[0]; !p.OnLine || p.OnLineFrom != "assumed" || p.Interlock.State != "watching" && p.Interlock.State != "temperature_lost" {
		t.Errorf("after its end: on line %t from %q, interlock %s", p.OnLine, p.OnLineFrom, p.Interlock.State)
	}
}
