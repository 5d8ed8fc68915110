package panel

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// ask is the input of a command at the moment of a slot.
func ask(slot uint64) Input {
	return Input{Now: reading.Stamp{Wall: reading.Wall(slot) * reading.Wall(time.Second), Up: time.Duration(slot) * time.Second}, Certain: true, Boot: "b", NextSeq: 1}
}

func TestWhatAPersonSaysHasBounds(t *testing.T) {
	for _, c := range []struct {
		long time.Duration
		ok   bool
	}{{0, false}, {-time.Hour, false}, {59 * time.Second, false}, {time.Minute, true}, {SaidMost, true}, {SaidMost + time.Second, false}} {
		_, pl := bench(t)
		if _, refused := pl.SetOnLine(ask(1), false, c.long, "Kim", "weekend"); (refused == "") != c.ok || pl.state.OnLine.off() != c.ok {
			t.Errorf("off line for %v: %q", c.long, refused)
		}
	}
	for _, c := range []struct {
		long time.Duration
		ok   bool
	}{{0, false}, {59 * time.Second, false}, {time.Minute, true}, {CheckMost, true}, {CheckMost + time.Second, false}} {
		_, pl := bench(t)
		if _, refused, _ := pl.CheckInHand(ask(1), 0, "zero check", c.long, "Kim", "monthly"); (refused == "") != c.ok || (len(pl.state.Checks) == 1) != c.ok {
			t.Errorf("a check of %v: %q", c.long, refused)
		}
	}
}

// TestWhatSilencesEndsAtTheEarliestOfSeenTimeWallTimeAndBoot: a box that slept has not seen the time, and a wall clock that was set back has not
// reached the end; the first of them counts.
func TestWhatSilencesEndsAtTheEarliestOfSeenTimeWallTimeAndBoot(t *testing.T) {
	for _, c := range []struct {
		name     string
		up, wall time.Duration
		certain  bool
		over     bool
	}{
		{"neither", 29 * time.Minute, 29 * time.Minute, true, false},
		{"seen", 30 * time.Minute, time.Minute, true, true},
		{"wall", time.Minute, 30 * time.Minute, true, true},
		{"a wall clock that nobody trusts", time.Minute, 30 * time.Minute, false, false},
	} {
		_, pl := bench(t)
		step(pl, 1, [3]uint16{200, 12, 25})
		pl.SetOnLine(ask(1), false, 30*time.Minute, "Kim", "weekend")
		pl.CheckInHand(ask(1), 0, "zero check", 30*time.Minute, "Kim", "monthly")
		out := pl.Step(Input{Now: reading.Stamp{Wall: reading.Wall(time.Second + c.wall), Up: time.Second + c.up}, Certain: c.certain, Boot: "b", NextSeq: 1})
		if over := !pl.state.OnLine.Said.Active; over != c.over || over != strings.Contains(told(out), "boiler.said_over") {
			t.Errorf("%s: the word is over %t, told %q", c.name, over, told(out))
		}
		if over := pl.state.Checks[0].Over; over != c.over || over != strings.Contains(told(out), "check.over") {
			t.Errorf("%s: the check is over %t, told %q", c.name, over, told(out))
		}
	}
	_, pl := bench(t)
	step(pl, 1, [3]uint16{200, 12, 25})
	pl.SetOnLine(ask(1), false, 30*time.Minute, "Kim", "weekend")
	pl.CheckInHand(ask(1), 0, "zero check", 30*time.Minute, "Kim", "monthly")
	_, next := bench(t)
	out, err := next.Restore(Boot{State: pl.Marshal()}, ask(2))
	if err != nil || !strings.Contains(told(out), "boiler.said_over") || next.state.OnLine.off() || !next.state.Checks[0].Over || next.state.Checks[0].Cause != "restart" {
		t.Errorf("after a start: %v, told %q, %+v", err, told(out), next.state)
	}
	if out := step(next, 3, [3]uint16{200, 12, 25}); !strings.Contains(told(out), "check.over") {
		t.Errorf("the first step told %q", told(out))
	}
}

func TestACheckIsLengthenedByAnotherUntilItHasRunOut(t *testing.T) {
	_, pl := bench(t)
	step(pl, 1, [3]uint16{200, 12, 25})
	pl.CheckInHand(ask(1), 0, "zero check", time.Minute, "Kim", "monthly")
	if _, refused, _ := pl.CheckInHand(ask(2), 0, "new membrane", time.Hour, "Lee", "worn"); refused != "" || len(pl.state.Checks) != 1 || pl.state.Checks[0].Who != "Lee" {
		t.Fatalf("%q %+v", refused, pl.state.Checks)
	}
	if step(pl, 300, [3]uint16{200, 12, 25}); pl.state.Checks[0].Over {
		t.Error("over after the first minute")
	}
	step(pl, 3700, [3]uint16{200, 12, 25})
	if _, refused, _ := pl.CheckInHand(ask(3701), 0, "again", time.Hour, "Lee", "worn"); refused != CheckRunOut {
		t.Errorf("refused %q", refused)
	}
	if _, refused := pl.SensorBack(ask(3702), 0, "Lee", ""); refused != "" || pl.state.Checks != nil {
		t.Errorf("%q %+v", refused, pl.state.Checks)
	}
	if _, refused := pl.SensorBack(ask(3703), 0, "Lee", ""); refused != NotInHand {
		t.Errorf("refused %q", refused)
	}
}

// TestInHandNothingIsHotColdLostOrBelieved is ruling 29: what a sensor reads in hand neither closes nor proves.
func TestInHandNothingIsHotColdLostOrBelieved(t *testing.T) {
	_, pl := bench(t)
	slot := uint64(0)
	run := func(n int, w [3]uint16) (all string) {
		for range n {
			slot++
			all += " " + told(step(pl, slot, w))
		}
		return all
	}
	run(60, [3]uint16{200, 12, 25})
	if !strings.Contains(run(5, [3]uint16{200, 12, 60}), "sample.hot") {
		t.Fatal("not hot")
	}
	_, _, blind := pl.CheckInHand(ask(slot), 0, "zero check", time.Hour, "Kim", "monthly")
	if !blind {
		t.Error("not blind with the valve open")
	}
	if all := run(300, [3]uint16{200, 12, 20}); strings.Contains(all, "hot_over") || strings.Contains(all, "lost") || !pl.watch.Hot {
		t.Errorf("a thermometer in a bucket ended the heat: %s", all)
	}
	for p := range 3 {
		if r := pl.Guest(p).Shown; r.Reason != reading.CheckInHand || r.Counts() || r.Shown() {
			t.Errorf("point %d is %s", p, r.Reason)
		}
	}
	if !pl.guardInHand() {
		t.Error("nobody knows that the guard is in hand")
	}
	if tr := pl.trust(); tr.Silenced != "sensor rack is out, in the hand of Kim" {
		t.Errorf("a message would say %q", tr.Silenced)
	}
	if tr := pl.trust(); tr.TempKnown || tr.FlowKnown {
		t.Errorf("the evidence comes from a bucket: %+v", tr)
	}
	pl.SensorBack(ask(slot), 0, "Kim", "")
	if all := run(60, [3]uint16{200, 12, 20}); !strings.Contains(all, "hot_over") || !strings.Contains(all, "protection.back") {
		t.Errorf("back: %s", all)
	}
}

// TestNothingIsWatchedBeforeTheFirstStep: a View that says "watching" before anything was read would be believed.
func TestNothingIsWatchedBeforeTheFirstStep(t *testing.T) {
	_, pl := bench(t)
	if pl.Look().Seen {
		t.Error("seen before the first step")
	}
	if step(pl, 1, [3]uint16{200, 12, 25}); !pl.Look().Seen {
		t.Error("not seen after it")
	}
}

// TestALongReasonStandsWholeInTheEventAndShortInTheState: the judge state of a panel is a row of 4 kB.
func TestALongReasonStandsWholeInTheEventAndShortInTheState(t *testing.T) {
	_, pl := bench(t)
	why := strings.Repeat("ä", 500)
	out, _, _ := pl.CheckInHand(ask(1), 0, "zero check", time.Hour, "Kim", why)
	said, _ := pl.SetOnLine(ask(2), false, time.Hour, "Kim", why)
	if out.Events[0].Why != why || said.Events[0].Why != why {
		t.Error("the event has not the whole reason")
	}
	if n := len(pl.Marshal()); n > 2048 {
		t.Errorf("%d bytes of state", n)
	}
	if tr := pl.trust(); tr.Silenced != "sensor rack is out, in the hand of Kim; Kim has said that the boiler is off line" {
		t.Errorf("a message would say %q", tr.Silenced)
	}
}
