package panel

import (
	"math"
	"testing"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// learner is a panel whose oxygen is polled once a minute and judged by its own normal, and no flow that would need flushing.
func learner(t testing.TB, limits ...site.Limit) (*site.Site, *Panel) {
	t.Helper()
	s, _ := bench(t)
	s.Sensors[0].Period, s.Buses[0].Period = time.Minute, time.Minute
	s.Panels[0].Line, s.Panels[0].Interlock = site.Line{Flow: site.None}, site.Interlock{Temperature: site.None, ValveClosed: site.None}
	s.Points[1].Resolution = 1
	for i := range limits {
		l := &limits[i]
		l.Point, l.Unit = 1, s.Points[1].Unit
		if l.Normal.Over == 0 {
			l.Normal.Over, l.Normal.Least = 4*time.Hour, 2*time.Hour
		}
	}
	s.Panels[0].Limits = limits
	return s, New(s, &s.Panels[0])
}

func above(share, bound float64) site.Limit {
	return site.Limit{Name: "up", Of: site.AboveNormal, Side: site.High, Value: bound, Written: bound, Deadband: 2, Normal: site.Normal{Share: share, Written: "x", HasBound: true}}
}

func below(share float64) site.Limit {
	return site.Limit{Name: "down", Of: site.BelowNormal, Side: site.Low, Normal: site.Normal{Share: share, Written: "x"}}
}

// minutes feeds one value a minute.
func minutes(pl *Panel, from uint64, n int, value func(i int) uint16) (events []event.Event, next uint64) {
	for i := range n {
		slot := from + uint64(i)
		at := reading.Stamp{Wall: reading.Wall(slot), Up: time.Duration(slot) * time.Minute}
		in := Input{Now: at, Certain: true, Boot: "4f2a91c0", NextSeq: 1}
		for p, w := range [3]uint16{200, value(i), 25} {
			in.Reads = append(in.Reads, Read{Point: p, Slot: slot, Words: []uint16{w}, Fault: reading.Answered, At: at})
		}
		events = append(events, pl.Step(in).Events...)
	}
	return events, from + uint64(n)
}

func always(v uint16) func(int) uint16 { return func(int) uint16 { return v } }

func learn(pl *Panel, slot uint64, name string) (Learned, string) {
	at := reading.Stamp{Wall: reading.Wall(slot), Up: time.Duration(slot) * time.Minute}
	_, l, why := pl.Learn(Input{Now: at, Certain: true, Boot: "4f2a91c0", NextSeq: 1}, name, "Kim", "steady")
	return l, why
}

// 100 for eleven quarter-hours and 300 for five: the median is 100, the mean would be 162.5. Half above it is 150, and a quarter of those 50 is the
// widest deadband; 2 is narrower and stays.
func TestTheNormalIsTheMedianOfQuarterHoursAndNotTheMean(t *testing.T) {
	_, pl := learner(t, above(0.5, 400))
	_, next := minutes(pl, 1, 11*15+1, always(100))
	_, next = minutes(pl, next, 5*15, always(300))
	// 300 is under the bound of 400, which alone is judged so far
	if pl.inForce[0].Value != 400 || pl.state.Alarms[0].Judge.Stage != alarm.Clear {
		t.Fatalf("before learning: %+v", pl.inForce[0])
	}
	l, why := learn(pl, next, "b2.up")
	if why != "" || l.Value != 100 || l.Quarters != 15 && l.Quarters != 16 {
		t.Fatalf("%q, %+v", why, l)
	}
	if f := pl.inForce[0]; f.Value != 150 || f.Written != 150 || f.Deadband != 2 {
		t.Errorf("%+v", f)
	}
}

func TestTheNearerOfBoundAndDistanceDecides(t *testing.T) {
	for _, c := range []struct {
		l    site.Limit
		want float64
		name string
	}{
		{above(0.5, 400), 150, "b2.up"}, {above(0.5, 120), 120, "b2.up"}, {above(0.5, 150), 150, "b2.up"}, {below(0.25), 75, "b2.down"},
		{site.Limit{Name: "down", Of: site.BelowNormal, Side: site.Low, Value: 90, Normal: site.Normal{By: 30, HasBound: true}}, 90, "b2.down"},
		{site.Limit{Name: "down", Of: site.BelowNormal, Side: site.Low, Value: 50, Normal: site.Normal{By: 30, HasBound: true}}, 70, "b2.down"},
	} {
		_, pl := learner(t, c.l)
		_, next := minutes(pl, 1, 150, always(100))
		if _, why := learn(pl, next, c.name); why != "" || pl.inForce[0].Value != c.want {
			t.Errorf("%+v: %q, judged by %v, want %v", c.l, why, pl.inForce[0].Value, c.want)
		}
		if f := pl.inForce[0]; f.Deadband > math.Abs(f.Value-100)/4 {
			t.Errorf("%+v: a deadband of %v between normal and limit", c.l, f.Deadband)
		}
	}
}

func TestLearningRefusesByNameAndChangesNothing(t *testing.T) {
	swings := func(i int) uint16 { return []uint16{80, 120}[i/15%2] }
	for name, c := range map[string]struct {
		l    site.Limit
		n    int
		v    func(int) uint16
		ask  string
		want string
	}{
		"too little":              {above(0.5, 400), 110, always(100), "b2.up", TooLittle},
		"no such limit":           {above(0.5, 400), 150, always(100), "b2.oxygen", NoSuchLimit},
		"another panel":           {above(0.5, 400), 150, always(100), "b3.up", NoSuchLimit},
		"a rule of the interlock": {above(0.5, 400), 150, always(100), "b2.too-little-data", NoSuchLimit},
		"a plain limit":           {site.Limit{Name: "up", Side: site.High, Value: 400}, 150, always(100), "b2.up", NothingToLearn},
		"too unsteady":            {above(0.2, 400), 241, swings, "b2.up", TooUnsteady},
		"at the bound":            {site.Limit{Name: "up", Of: site.AboveNormal, Side: site.High, Value: 100, OnDelay: time.Hour, Normal: site.Normal{By: 5, HasBound: true}}, 150, always(100), "b2.up", BeyondBound},
		"in alarm":                {site.Limit{Name: "up", Of: site.AboveNormal, Side: site.High, Value: 90, Normal: site.Normal{By: 5, HasBound: true}}, 300, func(i int) uint16 { return map[bool]uint16{true: 80, false: 100}[i < 150] }, "b2.up", LimitInAlarm},
		"below nought":            {site.Limit{Name: "down", Of: site.BelowNormal, Side: site.Low, Normal: site.Normal{By: 100}}, 150, always(90), "b2.down", OutOfReach},
	} {
		_, pl := learner(t, c.l)
		_, next := minutes(pl, 1, c.n, c.v)
		was := string(pl.Marshal())
		if _, why := learn(pl, next, c.ask); why != c.want {
			t.Errorf("%s: refused as %q, want %q", name, why, c.want)
		}
		if now := string(pl.Marshal()); now != was {
			t.Errorf("%s: a refusal changed the state:\n%s\n%s", name, was, now)
		}
	}
}

// Flow outside, off line, in start-up, at an end of the range, jumped: none is learned from. What is seen in alarm or in its on-delay neither.
func TestOnlyWhatIsBelievedIsLearnedFrom(t *testing.T) {
	s, pl := learner(t, above(0.5, 400))
	good := reading.Of(100, reading.Exact, reading.Believed, reading.Stamp{})
	if !pl.learnable(1, good) || !pl.learnable(1, reading.Of(100, reading.Exact, reading.FlowUnproven, reading.Stamp{})) {
		t.Fatal("a believed reading is not learned from")
	}
	for why := reading.Reason(0); int(why) < reading.ReasonCount; why++ {
		want := why == reading.Believed || why == reading.FlowUnproven || why == reading.TimeUncertain
		if got := pl.learnable(1, reading.Of(100, reading.Exact, why, reading.Stamp{})); got != want {
			t.Errorf("%s: %v", why, got)
		}
	}
	if pl.learnable(1, reading.Of(500, reading.Above, reading.Believed, reading.Stamp{})) {
		t.Error("at the end of the range")
	}
	pl.state.OnLine = OnLine{Known: true, Off: true}
	if pl.learnable(1, good) {
		t.Error("off line")
	}
	pl.state.OnLine = OnLine{StartUp: time.Minute}
	if pl.learnable(1, good) {
		t.Error("in start-up")
	}
	pl.state.OnLine = OnLine{}
	for stage, want := range map[alarm.Stage]bool{alarm.Clear: true, alarm.Pending: false, alarm.Open: false, alarm.Closing: false} {
		pl.state.Alarms[0].Judge.Stage = stage
		if pl.learnable(1, good) != want {
			t.Errorf("%v", stage)
		}
	}
	_ = s
}

// It survives a restart and a file that says the same; another register under the same name loses it, and that is told. Learning again replaces it.
func TestWhatWasLearnedStandsUntilThePointIsAnother(t *testing.T) {
	s, pl := learner(t, below(0.5))
	events, next := minutes(pl, 1, 150, always(100))
	if n := count(events, event.BaselineMissing); n != 1 {
		t.Errorf("not learned was told %d times", n)
	}
	if _, why := learn(pl, next, "b2.down"); why != "" {
		t.Fatal(why)
	}
	_, next = minutes(pl, next, 10, always(100))
	data := pl.Marshal()

	again := New(s, &s.Panels[0])
	out, err := again.Restore(Boot{State: data, AwayKnown: true, Away: time.Hour}, Input{Boot: "5", NextSeq: 1})
	if err != nil || count(out.Events, event.BaselineMissing) != 0 || again.inForce[0].Value != 50 {
		t.Fatalf("after a restart: %v, %+v, %v", err, again.inForce[0], out.Events)
	}
	events, _ = minutes(again, next, 5, always(40))
	if count(events, event.AlarmRaised) != 1 || count(events, event.BaselineMissing) != 0 {
		t.Errorf("40 under a limit of 50: %v", events)
	}

	s.Points[1].Addr = 7
	other := New(s, &s.Panels[0])
	out, err = other.Restore(Boot{State: data, AwayKnown: true}, Input{Boot: "6", NextSeq: 1})
	if err != nil || count(out.Events, event.BaselineMissing) != 1 || other.inForce[0].Side != site.NoSide {
		t.Errorf("another register: %v, %+v, %v", err, other.inForce[0], out.Events)
	}
	for _, e := range out.Events {
		if e.Kind == event.BaselineMissing && e.Cause != "point changed" {
			t.Errorf("%+v", e)
		}
	}
	if len(other.state.Histories[0].Means) != 0 {
		t.Error("what another register showed would be learned from")
	}
	if events, _ = minutes(other, 1, 5, always(40)); count(events, event.AlarmRaised) != 0 || count(events, event.BaselineMissing) != 0 {
		t.Errorf("without a normal and a bound something was judged, or it was told again: %v", events)
	}
}

func TestARestartOfUnknownLengthLeavesNothingToLearnFrom(t *testing.T) {
	s, pl := learner(t, above(0.5, 400))
	minutes(pl, 1, 150, always(100))
	data := pl.Marshal()
	for _, known := range []bool{true, false} {
		again := New(s, &s.Panels[0])
		if _, err := again.Restore(Boot{State: data, AwayKnown: known, Away: time.Hour}, Input{Boot: "5", NextSeq: 1}); err != nil {
			t.Fatal(err)
		}
		minutes(again, 1, 1, always(100))
		if got := len(again.state.Histories[0].Means) > 0; got != known {
			t.Errorf("away known %v: something to learn from %v", known, got)
		}
	}
}

// A day of quarter-hours is all that is kept, and what is older than learn_over is not learned from.
func TestTheHistoryIsBoundedAndOldQuartersFallOut(t *testing.T) {
	_, pl := learner(t, above(0.5, 400))
	_, next := minutes(pl, 1, 30*60, always(200))
	if n := len(pl.state.Histories[0].Means); n > 97 || n < 90 {
		t.Errorf("%d quarter-hours are kept", n)
	}
	if n := len(pl.Marshal()); n > 3000 {
		t.Errorf("the state takes %d bytes", n)
	}
	_, next = minutes(pl, next, 4*60+16, always(100))
	if l, why := learn(pl, next, "b2.up"); why != "" || l.Value != 100 || l.Scatter != 0 {
		t.Errorf("%q, %+v: values from before the last four hours", why, l)
	}
}

func count(events []event.Event, k event.Kind) int {
	n := 0
	for _, e := range events {
		if e.Kind == k {
			n++
		}
	}
	return n
}
