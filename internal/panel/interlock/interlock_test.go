package interlock

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func TestStrictlyAboveAtTheDisplaysResolution(t *testing.T) {
	begin(t).temp(48.9).temp(48.9).want(Warm) // 120 degF is 48.889 degC; the display shows 48.9 for both: not above
	begin(t).temp(49.0).temp(49.0).want(Hot)
	begin(t).temp(48.94).temp(48.94).want(Warm) // shown as 48.9
	begin(t).temp(40).want(Watching)
	begin(t).temp(40.04).want(Watching) // shown as 40.0
	begin(t).temp(40.1).want(Warm)      // one update is enough to warn
}

func TestTwoUpdatesInARowAboveWithinFiveSeconds(t *testing.T) {
	begin(t).temp(55).want(Warm)
	begin(t).temp(55).temp(55).want(Hot)
	begin(t).temp(55).temp(45).temp(55).want(Warm)          // a good update that is not above breaks the pair
	begin(t).temp(55).silent().temp(55).want(Hot)           // a poll that brings nothing does not
	begin(t).temp(55).silent().silent().temp(55).want(Warm) // 6 s apart
	begin(t).temp(55).silent().silent().temp(55).temp(55).want(Hot)
	begin(t).temp(55).step(5*time.Second, 55, reading.Exact, true, true).want(Hot)
	begin(t).temp(55).step(5*time.Second+1, 55, reading.Exact, true, true).want(Warm)
	// a repeat that is no update neither confirms nor breaks
	begin(t).temp(55).step(period, 55, reading.Exact, false, true).want(Warm)
	begin(t).temp(55).step(period, 55, reading.Exact, false, true).temp(55).want(Hot)
	begin(t).temp(55).step(period, 0, reading.Exact, true, false).temp(55).want(Hot) // an update without a value is none
	begin(t).temp(math.NaN()).temp(math.NaN()).want(Watching)
}

func TestTheCeilingIsAboveEverythingUpToIt(t *testing.T) {
	at := func(ceiling float64) *story {
		return begin(t).step(period, ceiling, reading.Above, true, true).step(period, ceiling, reading.Above, true, true)
	}
	at(60).want(Hot)
	at(48.9).want(Hot) // more than 48.9 is above 48.9, where equal would not be
	at(45).want(Warm)  // more than 45 may be anything
	at(35).want(Watching)
	// where a ceiling does not decide it neither breaks a pair nor ends a warning
	begin(t).temp(55).step(period, 45, reading.Above, true, true).temp(55).want(Hot)
	begin(t).temp(45).step(period, 35, reading.Above, true, true).want(Warm)
	// below the floor is below every limit from the floor on
	begin(t).temp(45).step(period, 5, reading.Below, true, true).want(Watching)
}

func TestWarmHasADeadbandOfOneKelvin(t *testing.T) {
	begin(t).temp(40.1).temp(39.1).want(Warm)
	begin(t).temp(40.1).temp(39.0).want(Watching)

	fahrenheit, err := quantity.ParseUnit("degF", quantity.Temperature)
	if err != nil {
		t.Fatal(err)
	}
	st := begin(t)
	st.cfg.WarnAbove, st.cfg.CloseAbove, st.in.Unit = 104, 120, fahrenheit
	st.temp(104.1).temp(102.3).want(Warm)
	st.temp(102.2).want(Watching)
}

func TestAClosedValvesTemperatureNeitherWarnsNorCalms(t *testing.T) {
	begin(t).closed().temp(45).want(Watching)
	begin(t).temp(45).closed().temp(25).temp(25).want(Warm)
	begin(t).closed().temp(55).temp(55).want(Hot) // but a hot reading is hot
	// a stopped flow without a position switch is a pocket too
	st := begin(t).temp(45)
	st.in.FeedbackConfigured, st.in.Valve, st.in.ValveFrom = false, reading.ValveNotConfirmed, "flow"
	st.flow(0).run(10*time.Minute, 25).want(Warm)
	st.in.Valve = reading.ValveOpen
	st.flow(200).temp(25).want(Watching)
	// and so is one whose position is lost, unless water is seen to flow
	st = begin(t).temp(45).feedbackLost()
	st.in.FlowKnown = false
	st.temp(25).want(Warm)
	st.flow(200).temp(25).want(Watching)
}

func TestLostIsNotHotAndHotIsNotForgottenWhenLost(t *testing.T) {
	st := begin(t)
	for range 5 {
		st.silent().want(Watching) // 10 s: not older than 10 s
	}
	if st.silent().want(TemperatureLost); !st.out.Lost || st.out.Hot || st.out.FirstOut != TemperatureLostCause || st.out.Demote != reading.Believed {
		t.Errorf("%+v", st.out)
	}
	st.temp(25).want(Watching)

	st = begin(t).temp(55).temp(55)
	for range 60 {
		st.silent().want(Hot)
	}
	if !st.out.Lost || st.out.FirstOut != OverTemperature {
		t.Errorf("hot and lost: %+v", st.out)
	}
	st = begin(t).temp(45)
	for range 60 {
		st.silent()
	}
	if !st.out.Warm || !st.out.Lost {
		t.Errorf("warm and lost: %+v", st.out)
	}
	// a steady word that is no update is still a good read
	st = begin(t)
	for range 60 {
		st.step(period, 25, reading.Exact, false, true).want(Watching)
	}
}

func TestNeverReadSinceBootIsLostToo(t *testing.T) {
	st := &story{t: t, cfg: usual()}
	st.silent()
	for range 5 {
		st.silent().want(Watching)
	}
	st.silent().want(TemperatureLost)

	// A restart counts anew, but what was lost stays lost until it is read.
	st = begin(t).silent().silent().silent().silent().restart().silent()
	for range 5 {
		st.silent().want(Watching)
	}
	st.silent().want(TemperatureLost).restart().silent().want(TemperatureLost).temp(25).want(Watching)
}

// The whole of 2.2 in one story: the valve closes, the cell cools to the room, somebody opens, the dead line brings a cold slug.
// A rule that ends hot on temperature alone would end it twice before the line is flushed.
func TestHotIsOverOnlyInAFlushedLine(t *testing.T) {
	st := begin(t).run(20*time.Second, 55).want(Hot)
	st.closed().flow(0).fresh(false).run(30*time.Minute, 25).want(Hot) // the room's temperature
	st.open().flow(200).run(80*time.Second, 30).want(Hot)              // the cold slug: flowing, not yet flushed
	st.fresh(true).temp(55).temp(55).want(Hot)                         // the cooler is still lost
	st.temp(40).want(Hot)                                              // one update at the warning value
	if st.temp(40).want(Warm); st.out.Demote != reading.Believed {
		t.Errorf("%+v", st.out)
	}
	st.temp(39).want(Watching)
}

func TestEveryPieceOfTheEvidenceIsNeeded(t *testing.T) {
	hot := func() *story { return begin(t).temp(55).temp(55).want(Hot) }
	hot().temp(25).temp(25).want(Watching)
	hot().temp(25).want(Hot)
	hot().closed().run(time.Hour, 25).want(Hot)
	hot().feedbackLost().run(time.Hour, 25).want(Hot)
	hot().flow(0).run(time.Hour, 25).want(Hot)
	hot().fresh(false).run(time.Hour, 25).want(Hot)
	hot().run(time.Hour, 40.1).want(Hot) // above the warning value
	hot().temp(25).closed().temp(25).open().temp(25).want(Hot)
	hot().temp(25).flow(0).silent().flow(200).temp(25).want(Hot)                                // two in a row of flowing sample
	hot().fresh(false).temp(25).temp(25).temp(25).want(Hot).fresh(true).temp(25).want(Watching) // and the line flushed by then
	hot().temp(25).silent().temp(25).want(Watching)                                             // a poll that brings nothing takes nothing away
	hot().temp(25).step(period, 25, reading.Exact, false, true).want(Hot)
	hot().temp(25).step(period, 30, reading.Above, true, true).temp(25).want(Hot) // above 30 may be above 40
	// judged from flow, without a position switch
	st := hot()
	st.in.FeedbackConfigured, st.in.ValveFrom = false, "flow"
	st.temp(25).temp(25).want(Watching)
	// without a meter: by feedback alone
	st = hot()
	st.in.FlowKnown = false
	st.temp(25).temp(25).want(Watching)
	// a restart forgets neither
	hot().closed().temp(25).restart().temp(25).temp(25).want(Hot).open().temp(25).temp(25).want(Watching)
}

func TestFailedToCloseAfterOneAndAHalfStrokes(t *testing.T) {
	// hot at the second update; 22.5 s later it is told, seen at the poll after
	st := begin(t).temp(55).temp(55).want(Hot)
	if st.run(22*time.Second, 55); st.out.FailedToClose {
		t.Errorf("told after 22 s")
	}
	if st.run(period, 55); !st.out.FailedToClose || st.out.Leak {
		t.Errorf("not told after 24 s: %+v", st.out)
	}
	// exactly 22.5 s is not longer than 22.5 s
	st = begin(t).temp(55).temp(55)
	if st.step(22500*time.Millisecond, 55, reading.Exact, true, true); st.out.FailedToClose {
		t.Error("told at 22.5 s")
	}
	if st.step(1, 55, reading.Exact, true, true); !st.out.FailedToClose {
		t.Error("not told past 22.5 s")
	}
	if st.closed().flow(0).temp(55); st.out.FailedToClose {
		t.Error("still told with the valve closed")
	}
	// closed in time, opened by a person half an hour later: that is no failure to close
	st = begin(t).temp(55).temp(55)
	st.run(14*time.Second, 55).closed().flow(0).fresh(false).run(30*time.Minute, 25).open().flow(200).run(10*time.Minute, 30)
	if st.want(Hot); st.out.FailedToClose {
		t.Error("a valve opened at the panel is said to have failed to close")
	}
	// but if hot water comes again, it is
	if st.run(30*time.Second, 55); !st.out.FailedToClose {
		t.Error("hot water again, and the open valve is not told")
	}
	// a lost temperature is no reason to say so
	st = begin(t)
	for range 100 {
		st.silent()
	}
	if st.want(TemperatureLost); st.out.FailedToClose {
		t.Error("lost took the valve for failed")
	}
}

// FlowLow is 50 mL/min: 2.5 is noise, more is a leak.
func TestALeakThroughAClosedValveIsAFailureToClose(t *testing.T) {
	st := begin(t).temp(55).temp(55)
	st.run(14*time.Second, 55).closed().flow(35).run(8*time.Second, 55)
	if st.out.FailedToClose {
		t.Error("told before one and a half strokes")
	}
	if st.run(period, 55); !st.out.FailedToClose || !st.out.Leak {
		t.Errorf("closed at 35 mL/min: %+v", st.out)
	}
	if st.flow(2.5).run(period, 55); st.out.FailedToClose {
		t.Error("2.5 mL/min is told as a leak")
	}
	// One trouble: a valve that failed to close and then says closed with water running has not ceased to fail for an instant.
	st = begin(t).run(40*time.Second, 55)
	for range 30 {
		if st.closed().flow(35).temp(55); !st.out.FailedToClose {
			t.Fatalf("at %v the trouble went away", st.now)
		}
	}
	// Exactly one and a half strokes is not longer.
	st = begin(t).closed().flow(35).temp(25)
	if st.step(22500*time.Millisecond, 25, reading.Exact, true, true); st.out.FailedToClose {
		t.Error("a leak is told at 22.5 s")
	}
	if st.step(1, 25, reading.Exact, true, true); !st.out.FailedToClose {
		t.Error("a leak is not told past 22.5 s")
	}
	// Closed by hand, nothing hot: the meter may lag the switch, but not for longer than one and a half strokes.
	st = begin(t).closed().flow(200).run(22*time.Second, 25)
	if st.out.FailedToClose {
		t.Error("told while the meter runs down")
	}
	st.flow(2.6).run(4*time.Second, 25)
	if !st.out.FailedToClose || !st.out.Leak {
		t.Errorf("a leak of 2.6 mL/min is not told: %+v", st.out)
	}
	st.in.FlowKnown = false
	if st.run(time.Minute, 25); !st.out.FailedToClose {
		t.Error("a flow that is not known ended the leak")
	}
	if st.flow(0).run(period, 25); st.out.FailedToClose {
		t.Error("no flow, and still told")
	}
}

func TestWithoutAPositionSwitchFlowShowsWhetherItClosed(t *testing.T) {
	start := func() *story {
		st := begin(t)
		st.in.FeedbackConfigured, st.in.ValveFrom = false, "flow"
		return st.temp(55).temp(55)
	}
	if st := start().run(24*time.Second, 55); !st.out.FailedToClose || st.out.Leak {
		t.Errorf("flowing on: %+v", st.out)
	}
	st := start().run(14*time.Second, 55)
	st.in.Valve = reading.ValveNotConfirmed
	if st.flow(0).fresh(false).run(time.Hour, 25).want(Hot); st.out.FailedToClose || st.out.NotConfirmed {
		t.Errorf("stopped: %+v", st.out)
	}
	// 1 mL/min is a flow to the line, and no leak
	st = start()
	if st.flow(1).fresh(false).run(time.Hour, 25); st.out.FailedToClose {
		t.Error("1 mL/min is told as a failure to close")
	}
}

func TestFeedbackLostIsNotConfirmedUntilItReturns(t *testing.T) {
	st := begin(t).temp(55).temp(55).feedbackLost()
	st.flow(0).fresh(false).run(time.Hour, 25)
	if !st.out.NotConfirmed || st.out.FailedToClose {
		t.Errorf("lost, no flow: %+v", st.out)
	}
	if st.closed().temp(25); st.out.NotConfirmed || st.out.ValveBy != NotKnown {
		t.Errorf("back: %+v", st.out)
	}
	// lost, but water runs: that is evidence enough
	st = begin(t).temp(55).temp(55).feedbackLost().run(24*time.Second, 55)
	if !st.out.NotConfirmed || !st.out.FailedToClose {
		t.Errorf("lost, 200 mL/min: %+v", st.out)
	}
	// without a switch there is nothing to lose
	st = begin(t).feedbackLost()
	st.in.FeedbackConfigured = false
	if st.temp(25); st.out.NotConfirmed {
		t.Error("not configured is told as not confirmed")
	}
}

// TestOneLostPollOfTheFeedbackCallsNobody: a single silent round is everyday life; ten seconds of it are not. At a start nothing was lost yet.
func TestOneLostPollOfTheFeedbackCallsNobody(t *testing.T) {
	st := begin(t).temp(25).feedbackLost().temp(25)
	if st.run(9*time.Second, 25); st.out.NotConfirmed {
		t.Fatal("told before ten seconds")
	}
	if st.run(2*time.Second, 25); !st.out.NotConfirmed {
		t.Error("not told after ten seconds")
	}
	// a station that does not answer is told as that; while the sample is hot the valve is told all the same
	st = begin(t).temp(25).feedbackLost()
	st.in.FeedbackSilent = true
	if st.run(time.Minute, 25); st.out.NotConfirmed {
		t.Error("one trouble, two messages")
	}
	if st.temp(55).temp(55); !st.out.NotConfirmed {
		t.Error("hot, and it is not told that the valve cannot be confirmed")
	}
}

func TestOpenWithoutFlowIsToldAfterTenMinutes(t *testing.T) {
	st := begin(t).flow(0)
	st.temp(25)
	if st.run(10*time.Minute-period, 25); st.out.OpenNoFlow {
		t.Error("told before ten minutes")
	}
	if st.run(period, 25); !st.out.OpenNoFlow {
		t.Error("not told after ten minutes")
	}
	if st.flow(1).temp(25); st.out.OpenNoFlow {
		t.Error("flow is back and it is still told")
	}
	// a flow that is not known makes the ten minutes wait
	st = begin(t).flow(0).temp(25).run(9*time.Minute, 25)
	st.in.FlowKnown = false
	st.run(time.Hour, 25)
	if st.out.OpenNoFlow {
		t.Error("an unknown flow was taken for none")
	}
	if st.flow(0).run(time.Minute+period, 25); !st.out.OpenNoFlow {
		t.Error("an unknown flow was taken for flow")
	}
	// closed, and opened again: from the start
	st = begin(t).flow(0).temp(25).run(9*time.Minute, 25).closed().temp(25).open().temp(25).run(9*time.Minute, 25)
	if st.out.OpenNoFlow {
		t.Error("the time before the closing was counted")
	}
	// judged from flow there is no such thing
	st = begin(t)
	st.in.FeedbackConfigured, st.in.Valve, st.in.ValveFrom = false, reading.ValveNotConfirmed, "flow"
	if st.flow(0).run(time.Hour, 25); st.out.OpenNoFlow {
		t.Error("told without a position switch")
	}
}

func TestAClosingIsByThePanelWithinSixtySecondsOfACloseCondition(t *testing.T) {
	st := begin(t).temp(55).temp(55).run(14*time.Second, 55).closed().temp(55)
	if !st.out.ClosedSeen || st.out.ValveBy != ByPanel {
		t.Errorf("hot, then closed: %+v", st.out)
	}
	if st.run(time.Hour, 25); st.out.ClosedSeen || st.out.ValveBy != ByPanel {
		t.Errorf("an hour closed: %+v", st.out)
	}
	if st.open().temp(25); !st.out.OpenedSeen || st.out.ValveBy != "" {
		t.Errorf("opened: %+v", st.out)
	}
	if st = begin(t).closed().temp(25); !st.out.ClosedSeen || st.out.ValveBy != NotKnown {
		t.Errorf("closed out of nothing: %+v", st.out)
	}
	// the last pair above was 60 s before, and 62 s
	for silence, want := range map[int]string{29: ByPanel, 30: NotKnown} {
		st = begin(t).temp(55).temp(55)
		st.temp(45)
		for range silence - 1 {
			st.step(period, 45, reading.Exact, false, true)
		}
		if st.closed().temp(45); !st.out.ClosedSeen || st.out.ValveBy != want {
			t.Errorf("closed %v after the pair: by %q, want %q", time.Duration(silence+1)*period, st.out.ValveBy, want)
		}
	}
	// a lost temperature is a close condition as well
	st = begin(t)
	for range 10 {
		st.silent()
	}
	if st.closed().silent(); st.out.ValveBy != ByPanel {
		t.Errorf("lost, then closed: by %q", st.out.ValveBy)
	}
	// the first look is no edge, and lost feedback is none
	st = &story{t: t, cfg: usual(), in: Input{FeedbackConfigured: true}}
	if st.closed().temp(25); st.out.ClosedSeen || st.out.ValveBy != NotKnown {
		t.Errorf("first look: %+v", st.out)
	}
	if st.feedbackLost().temp(25).closed().temp(25); st.out.ClosedSeen || st.out.OpenedSeen {
		t.Errorf("lost and back: %+v", st.out)
	}
	if st.feedbackLost().temp(25).open().temp(25); !st.out.OpenedSeen {
		t.Errorf("lost and open: %+v", st.out)
	}
}

func TestTheFirstCauseStays(t *testing.T) {
	st := begin(t).temp(55).temp(55)
	at := st.out.FirstOutAt
	if st.out.FirstOut != OverTemperature || at != reading.Wall(st.now)+1e18 {
		t.Errorf("%+v", st.out)
	}
	for range 20 {
		st.silent() // lost comes later and does not take its place
	}
	st.restart().temp(55).temp(55)
	if st.out.FirstOut != OverTemperature || st.out.FirstOutAt != at {
		t.Errorf("later: %+v", st.out)
	}
	st.run(time.Minute, 25).want(Watching)
	if st.out.FirstOut != OverTemperature || st.out.FirstOutAt != at {
		t.Errorf("over: %+v, want the last cause kept", st.out)
	}
	st.run(time.Minute, 55)
	if st.out.FirstOutAt == at {
		t.Error("the second time has the stamp of the first")
	}
}

func TestHotDoubtsTheChemistryUnlessTheValveIsClosed(t *testing.T) {
	st := begin(t).temp(55).temp(55)
	if st.out.Demote != reading.HotSample {
		t.Errorf("open: %v", st.out.Demote)
	}
	if st.feedbackLost().temp(55); st.out.Demote != reading.HotSample {
		t.Errorf("not confirmed: %v", st.out.Demote)
	}
	if st.closed().temp(55); st.out.Demote != reading.Believed {
		t.Errorf("closed: %v; the line has its own word for that", st.out.Demote)
	}
}

// TestColdSlugLiftsTheDoubtAndHotWaterBringsItBack: after re-opening the first water is cold because it stood. Hot is not over, the line says
// flushing; when the cooler is still lost and hot water arrives, hot sample is the doubt again.
func TestColdSlugLiftsTheDoubtAndHotWaterBringsItBack(t *testing.T) {
	st := begin(t).temp(55).temp(55).closed()
	st.temp(30)
	st.open().fresh(false)
	if st.temp(30); st.out.Demote != reading.HotSample {
		t.Errorf("after one cool update: %v", st.out.Demote)
	}
	if st.temp(30).want(Hot); st.out.Demote != reading.Believed {
		t.Errorf("after two cool updates: %v", st.out.Demote)
	}
	for range 20 {
		st.temp(30).want(Hot) // not flushed: not over, however long it is cool
	}
	if st.temp(41).want(Hot); st.out.Demote != reading.HotSample {
		t.Errorf("after warm water: %v", st.out.Demote)
	}
}

func TestNotConfiguredWatchesNothing(t *testing.T) {
	st := begin(t)
	st.cfg = &site.Interlock{}
	if st.run(time.Minute, 90); st.s != (State{}) || st.out != (Output{Demote: reading.Believed}) {
		t.Errorf("%+v, %+v", st.s, st.out)
	}
}

func TestASteadyPanelWritesNothing(t *testing.T) {
	st := begin(t).run(2*time.Minute, 25)
	before, err := json.Marshal(st.s)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 1000 {
		st.temp(25 + float64(i%7)/10).silent()
		if now, _ := json.Marshal(st.s); string(now) != string(before) {
			t.Fatalf("%s became %s", before, now)
		}
	}
	if b, _ := json.Marshal(State{}); string(b) != "{}" {
		t.Errorf("the zero state is %s", b)
	}
	full, err := json.Marshal(State{Warm: true, Hot: true, Lost: true, Above: true, AboveAgo: confirmWithin, Cool: 1, Wanted: true,
		NotClosed: spell{true, time.Hour}, Leaking: spell{true, time.Hour}, Dry: spell{true, dryAfter}, Met: true, MetAgo: byPanelWithin,
		Opened: true, Closed: true, ByPanel: true, FirstOut: TemperatureLostCause, FirstOutAt: math.MaxInt64})
	var back State
	if err != nil || json.Unmarshal(full, &back) != nil || back.FirstOut != TemperatureLostCause || back.Dry.For != dryAfter {
		t.Errorf("%s came back as %+v, %v", full, back, err)
	}
	if len(full) > 500 {
		t.Errorf("%d bytes of state", len(full))
	}
}
