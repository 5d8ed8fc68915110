package interlock

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// A re-arming on readings that are no longer there.
func TestARearmingIsRefusedWhileTheTemperatureHasNoValue(t *testing.T) {
	st := driven(t).temp(55).temp(55).closed().flow(0).temp(25).temp(25)
	for range 5 {
		st.silent() // 10 s without an answer: as old as a reading may become before it is lost
	}
	if r := st.rearm(); r == Obeyed {
		t.Errorf("re-armed 10 s after the last answer of the temperature")
	}
}

// One order in two is confirmed: the valve's control hears the request, and nobody is called again and again.
func TestAnUnsteadyConfirmationIsOneTrouble(t *testing.T) {
	st := driven(t).temp(55).temp(55)
	edges, was := 0, false
	for i := range 60 {
		st.in.HasResult, st.in.Result = true, reading.OrderResult{Fault: reading.Answered, Known: true, ReadBack: 1}
		if i%2 == 1 {
			st.in.Result = reading.OrderResult{Fault: reading.Timeout}
		}
		st.step(time.Second, 55, reading.Exact, true, true)
		if st.out.CannotAsk && !was {
			edges++
		}
		was = st.out.CannotAsk
	}
	if edges > 3 {
		t.Errorf("top-priority alarm raised %d times in a minute for one unsteady link", edges)
	}
}

// A single lost answer, the orders before and after it taken.
func TestOneLostAnswerOfAnOrderIsNoTopAlarm(t *testing.T) {
	st := driven(t).temp(55).temp(55)
	ok := reading.OrderResult{Fault: reading.Answered, Known: true, ReadBack: 1}
	st.in.HasResult, st.in.Result = true, ok
	st.closed().flow(0).step(time.Second, 25, reading.Exact, true, true)
	st.in.Result = reading.OrderResult{Fault: reading.Timeout}
	if st.step(time.Second, 25, reading.Exact, true, true); st.out.CannotAsk {
		t.Error("told at top priority after one lost answer, with the valve seen closed and the order before confirmed")
	}
}

// What was held on the panel's evidence is on record when the drive comes.
func TestAHotSampleOnRecordIsNotFoundClosedWithoutACause(t *testing.T) {
	st := begin(t).temp(55).temp(55).closed().flow(0).temp(25).temp(25) // observed: hot, closed by the panel
	st.cfg.Drive = site.Drive{Configured: true, Station: 1, Table: reading.Coil, Addr: 4, Value: 1}
	st.restart()
	st.s, _ = Restart(st.cfg, st.s)
	st.in.RoundDone = true
	st.temp(25)
	if st.out.Held && st.out.Cause == FoundClosed {
		t.Errorf("held as %q although hot=%v first_out=%v by=%q are on record", st.out.Cause, st.out.Hot, st.out.FirstOut, st.out.ValveBy)
	}
}

// A drive put in while a hot sample stands and its temperature flickers below: hot stands, nothing is asked.
func TestAStandingHotSampleIsAskedForWhenADriveComes(t *testing.T) {
	st := begin(t).temp(55).temp(55)
	st.cfg.Drive = site.Drive{Configured: true, Station: 1, Table: reading.Coil, Addr: 4, Value: 1}
	st.restart()
	st.s, _ = Restart(st.cfg, st.s)
	st.fresh(false).temp(45).temp(45).temp(45)
	if st.out.Hot && !st.out.Ask {
		t.Error("the sample stands as hot, the valve is open, and nothing is asked for")
	}
}

// An override follows an override without end.
func TestOverridesInARowAreNotLongerThanTheLongest(t *testing.T) {
	st := driven(t).temp(55).temp(55)
	var long time.Duration
	for range 6 {
		var r Refusal
		if st.s, r = Suspend(st.cfg, st.s, st.wall(), 0, site.OverrideMax, "Kim", "a job", true); r != Obeyed {
			break
		}
		st.run(7*time.Hour+59*time.Minute, 30)
		if st.out.Ask {
			break
		}
		long += 8 * time.Hour
	}
	if long > site.OverrideMax {
		t.Errorf("overridden for %v without an hour of asking between", long)
	}
}

// Nobody can end a found-closed after a re-arming given while the feedback was lost.
func TestARearmedValveIsNotFoundClosedAtTheNextStart(t *testing.T) {
	st := driven(t).temp(55).temp(55).feedbackLost().flow(0).temp(25).temp(25) // the feedback is lost while it closes
	if r := st.rearm(); r != Obeyed {
		t.Fatal(r)
	}
	st.closed().temp(25) // feedback is back: closed
	st.restart()
	st.s, _ = Restart(st.cfg, st.s)
	st.in.RoundDone = true
	if st.temp(25); st.out.Held {
		t.Errorf("a person has re-armed, nobody has moved the valve since, and it is held again as %v", st.out.Cause)
	}
}

// A valve that a person closed an hour after the start while its feedback was away was not found closed at the start.
func TestFoundClosedIsOfTheStartOnly(t *testing.T) {
	st := driven(t).restart()
	st.feedbackLost()
	st.in.RoundDone = true
	st.flow(200).run(time.Hour, 25)
	st.closed().flow(0).temp(25)
	if st.out.Held && st.out.Cause == FoundClosed {
		t.Error("an hour after the start, with flow seen for all of it, the valve is 'found closed at start'")
	}
}

// Crash loop: a process that lives 9 s never finds its temperature lost.
func TestAProcessThatLivesNineSecondsStillLosesItsTemperature(t *testing.T) {
	st := driven(t)
	for range 20 {
		st.restart()
		st.s, _ = Restart(st.cfg, st.s)
		for range 5 {
			st.silent()
		}
		if st.out.Lost {
			return
		}
	}
	t.Error("unread for three minutes over twenty starts, and never lost")
}

// What is kept of the age of the last good read begins beyond a third of what makes it lost, in whole seconds: a panel that is read in time
// writes nothing of it.
func TestTheAgeOfTheLastReadIsKeptFromAThirdOfWhatMakesItLost(t *testing.T) {
	st := driven(t)
	st.cfg.LostAfter = 12 * time.Second
	for _, c := range []struct{ after, kept time.Duration }{{4 * time.Second, 0}, {500 * time.Millisecond, 0}, {500 * time.Millisecond, 5 * time.Second}, {time.Second, 6 * time.Second}, {10 * time.Second, 12 * time.Second}} {
		if st.step(c.after, 0, reading.Exact, false, false); st.s.Unread != c.kept {
			t.Errorf("unread for %v: %v is kept, want %v", st.s.SinceGood, st.s.Unread, c.kept)
		}
	}
	if st.temp(25); st.s.Unread != 0 {
		t.Errorf("read again, and %v is kept", st.s.Unread)
	}
}

// Orders that fail are told when they have for three seconds; the trouble is over when they have been confirmed for ten.
func TestATroubleOfOrdersBeginsAfterThreeSecondsAndEndsAfterTen(t *testing.T) {
	st := driven(t).temp(55).temp(55)
	order := func(after time.Duration, r reading.OrderResult) Output {
		st.in.HasResult, st.in.Result = true, r
		return st.step(after, 55, reading.Exact, true, true).out
	}
	good, bad := reading.OrderResult{Fault: reading.Answered, Known: true, ReadBack: 1}, reading.OrderResult{Fault: reading.Refused}
	for i, after := range []time.Duration{time.Second, time.Second, time.Second, 999 * time.Millisecond} {
		if out := order(after, bad); out.CannotAsk || out.Request != RequestFailing {
			t.Fatalf("after failure %d: %+v", i+1, out.Holding)
		}
	}
	if out := order(time.Millisecond, bad); !out.CannotAsk || out.Trouble != reading.Refused.String() {
		t.Fatalf("not told three seconds after the first failure: %+v", out.Holding)
	}
	order(time.Second, good)
	if out := order(9999*time.Millisecond, good); !out.CannotAsk || out.Request != RequestTaken || out.Trouble != reading.Refused.String() {
		t.Fatalf("over before ten seconds: %+v", out.Holding)
	}
	if out := order(time.Millisecond, good); out.CannotAsk || out.Trouble != "" {
		t.Fatalf("confirmed for ten seconds and not over: %+v", out.Holding)
	}
	// a failure between begins both anew
	for range 4 {
		order(time.Second, bad)
	}
	for i := range 12 {
		r := good
		if i == 6 {
			r = bad
		}
		if out := order(time.Second, r); !out.CannotAsk {
			t.Fatalf("over %d s after the first confirmation, with a failure between", i)
		}
	}
}

// An hour, a shift: together no more than a shift, until two shifts have passed without one. The second within a shift is given what is left.
func TestOverridesTogetherLastNoLongerThanAShiftUntilTwoShiftsWithoutOne(t *testing.T) {
	ask := func(st *story, long time.Duration) Refusal {
		var r Refusal
		st.s, r = Suspend(st.cfg, st.s, st.wall(), 0, long, "Kim", "a job", true)
		return r
	}
	pass := func(st *story, long time.Duration) { // in steps of a minute, so that a day is quick
		for range long / time.Minute {
			st.step(time.Minute, 25, reading.Exact, true, true)
		}
	}
	st := driven(t)
	if r := ask(st, 8*time.Hour+1); r != TimeRefused {
		t.Errorf("more than a shift: %q", r)
	}
	if r := ask(st, -1); r != TimeRefused {
		t.Errorf("less than nothing: %q", r)
	}
	if r := ask(st, 7*time.Hour); r != Obeyed {
		t.Fatal(r)
	}
	pass(st, 2*time.Hour) // five hours are left of it, and are given back with the next
	if r := ask(st, 6*time.Hour+1); r != TimeSpent {
		t.Errorf("two hours and more than six: %q", r)
	}
	if r := ask(st, 6*time.Hour); r != Obeyed {
		t.Errorf("two hours and six: %q", r)
	}
	pass(st, 6*time.Hour)
	if st.out.Override.On {
		t.Fatal("it does not end")
	}
	st.restart()
	st.s, _ = Restart(st.cfg, st.s)
	pass(st, time.Minute) // the first step of a process has no elapsed time
	pass(st, 16*time.Hour-time.Minute)
	if r := ask(st, time.Minute); r != TimeSpent {
		t.Errorf("a minute before two shifts have passed: %q", r)
	}
	pass(st, time.Minute)
	if r := ask(st, 8*time.Hour); r != Obeyed {
		t.Errorf("after two shifts without one: %q", r)
	}
	// what a process that ended had been given is spent
	st = driven(t)
	ask(st, 8*time.Hour)
	st.restart()
	if st.s, _ = Restart(st.cfg, st.s); ask(st, time.Minute) != TimeSpent {
		t.Error("a restart gives back what was given")
	}
	if st = driven(t); st.s.Hold.Rest != 0 {
		t.Error("counts a rest without an override")
	}
	if pass(st, time.Hour); st.s.Hold.Rest != 0 {
		t.Error("counts a rest without an override")
	}
}

// A wall clock at the end ends it, to the nanosecond, and no sooner.
func TestAnOverrideEndsWhenTheWallClockReachesItsEnd(t *testing.T) {
	for _, c := range []struct {
		before reading.Wall
		on     bool
	}{{1, true}, {0, false}} {
		st := driven(t)
		st.s, _ = Suspend(st.cfg, st.s, st.wall(), 0, time.Hour, "Kim", "a job", true)
		in := st.in
		in.Now = reading.Stamp{Wall: st.s.Hold.Override.Until - c.before}
		if _, out := Step(st.cfg, resolution, st.s, in); out.Override.On != c.on {
			t.Errorf("%d ns before its end: %+v", c.before, out.Override)
		}
	}
}

// A holding that the file no longer asks for, and one that it asks for again, are told, each once.
func TestAHoldingWithoutADriveAndItsReturnAreFoundOnceEach(t *testing.T) {
	st := driven(t).temp(55).temp(55)
	with, without := *st.cfg, *st.cfg
	without.Drive = site.Drive{}
	for i, c := range []struct {
		cfg            *site.Interlock
		dropped, again bool
	}{{&with, false, false}, {&without, true, false}, {&without, false, false}, {&site.Interlock{}, false, false}, {&with, false, true}, {&with, false, false}, {&site.Interlock{}, true, false}} {
		st.restart()
		st.cfg = c.cfg
		var up TakenUp
		st.s, up = Restart(c.cfg, st.s)
		if up.Dropped != c.dropped || up.Again != c.again {
			t.Errorf("start %d: %+v", i, up)
		}
	}
}

// The request stood for minutes before the valve's control heard it: what closes then was asked to.
func TestWhatClosesWhileItIsAskedForIsNotOfUnknownCause(t *testing.T) {
	st := driven(t).temp(55).temp(55).run(2*time.Minute, 45)
	if st.closed().flow(0).temp(45); st.out.ValveBy != ByPanel {
		t.Errorf("%q", st.out.ValveBy)
	}
	st = driven(t).temp(55).temp(55).run(2*time.Minute, 45)
	st.s, _ = Suspend(st.cfg, st.s, st.wall(), 0, time.Hour, "Kim", "a job", true)
	if st.closed().flow(0).temp(45); st.out.ValveBy != NotKnown {
		t.Errorf("under an override, two minutes after anything hot: %q", st.out.ValveBy)
	}
}

// A re-armed hot sample is over by evidence only, and until then asks for nothing by itself; a new one does.
func TestAHotSampleThatWasReArmedAsksForNothingUntilItIsHotAnew(t *testing.T) {
	st := driven(t).temp(55).temp(55).closed().flow(0).temp(25).temp(25)
	if r := st.rearm(); r != Obeyed {
		t.Fatal(r)
	}
	if st.open().flow(200).fresh(false).temp(45).temp(45); !st.out.Hot || st.out.Held {
		t.Fatalf("%+v", st.out)
	}
	st.restart()
	st.s, _ = Restart(st.cfg, st.s)
	if st.temp(45).temp(45); !st.out.Hot || st.out.Held {
		t.Fatalf("after a restart: %+v", st.out)
	}
	if st.temp(55).temp(55); !st.out.Held {
		t.Error("hot anew, and not asked")
	}
}

// A valve that was open for longer than a stroke and a half after the start, with or without flow, was not found closed when it closes later.
func TestAValveThatStoodOpenAfterTheStartIsNotFoundClosedLater(t *testing.T) {
	st := driven(t).restart()
	st.in.RoundDone = true
	st.open().flow(0).run(30*time.Second, 25) // longer than a valve that was asked to close may still travel
	if st.closed().temp(25); st.out.Held {
		t.Errorf("held as %v", st.out.Cause)
	}
}
