package excursion

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// slot is the poll slot of the stories: 6 min are 0.1 h, so that the arithmetic beside them stays short.
const slot = 6 * time.Minute

func is(v float64) reading.Reading {
	return reading.Of(v, reading.Exact, reading.Believed, reading.Stamp{})
}
func over(v float64) reading.Reading {
	return reading.Of(v, reading.Above, reading.AboveCeiling, reading.Stamp{})
}
func under(v float64) reading.Reading {
	return reading.Of(v, reading.Below, reading.BelowDetection, reading.Stamp{})
}
func because(why reading.Reason, v float64) reading.Reading {
	return reading.Of(v, reading.Exact, why, reading.Stamp{})
}

var silent = reading.Not(reading.Silent, reading.Stamp{})

// oxygen is the limit of the stories: above 7, clear at 6 or less, on-delay 2 slots, off-delay 2.
var oxygen = site.Limit{Side: site.High, Value: 7, Deadband: 1, OnDelay: 2 * slot, OffDelay: 2 * slot}

// A step of a story: what was read at which poll slot. The wall clock of the reading is its slot.
type step struct {
	slot uint64
	r    reading.Reading
	off  bool          // the boiler is off line
	boot bool          // the first reading of a new process
	away time.Duration // with boot; 0: nobody knows how long
}

// bookkeeping is how a panel turns the edges of the judgement into what the books do.
var bookkeeping = map[alarm.Edge]Do{alarm.Began: Begin, alarm.Dropped: Drop, alarm.Opened: Confirm, alarm.Clearing: MarkEnd,
	alarm.Broken: Unmark, alarm.Closed: Finish}

// play judges and books a story, and gives the state it leaves and the records it finished.
func play(l *site.Limit, resolution float64, steps []step) (s State, finished []Record) {
	var j alarm.Judge
	for i, st := range steps {
		jin := alarm.Judged{Reading: st.r, Period: slot, OnLine: !st.off, Away: st.away}
		if i > 0 && !st.boot {
			jin.Steps = st.slot - steps[i-1].slot
		}
		var e alarm.Edge
		j, e = alarm.StepLimit(l, resolution, j, jin)
		in := Input{Do: bookkeeping[e], Reading: st.r, WallCertain: true, Steps: jin.Steps, Period: slot, OnLine: jin.OnLine,
			Restart: st.boot, Away: st.away, AwayKnown: st.away != 0}
		in.Reading.At.Wall = reading.Wall(st.slot)
		var r *Record
		if s, r = Step(l, resolution, s, in); r != nil {
			finished = append(finished, *r)
		}
	}
	return s, finished
}

// same compares records; floats to a billionth, because the arithmetic beside a story is in decimals.
func same(a, b Record) bool {
	for _, f := range [][2]*float64{{&a.Integral, &b.Integral}, {&a.IntegralUpper, &b.IntegralUpper}, {&a.Mean, &b.Mean}, {&a.Valid, &b.Valid}} {
		if math.Abs(*f[0]-*f[1]) > 1e-9*max(1, math.Abs(*f[1])) {
			return false
		}
		*f[0], *f[1] = 0, 0
	}
	return a == b
}

func finish(t *testing.T, name string, l site.Limit, want Record, steps []step) {
	t.Helper()
	t.Run(name, func(t *testing.T) {
		t.Helper()
		want.StartCertain, want.EndCertain = true, true
		s, got := play(&l, 1, steps)
		if len(got) != 1 || s != (State{}) {
			t.Fatalf("%d records, left %+v", len(got), s)
		}
		// the share that was seen follows from the times beside it; the gap has stories of its own
		if seen := want.Beyond + want.Within; seen+want.Unknown > 0 && !want.LengthUnknown {
			want.Valid, want.ValidKnown = float64(seen)/float64(seen+want.Unknown), true
		}
		if want.LongestGap == 0 {
			if g := got[0].LongestGap; g > want.Unknown || (g == 0) != (want.Unknown == 0) {
				t.Errorf("longest gap %v of %v unknown", g, want.Unknown)
			}
			want.LongestGap = got[0].LongestGap
		}
		if !same(got[0], want) {
			t.Errorf("\ngot  %+v\nwant %+v", got[0], want)
		}
	})
}

// Rulings 1, 3, 4, 6, against: at the limit is beyond; the deadband's time is beyond; the end is when the return is told, or
// when a first clear value came that did not hold; time belongs to the reading it ends with.
func TestTheBooksEndAtTheFirstClearReadingOfTheClosingThatHeld(t *testing.T) {
	// Distances 1 3 2 0 1 0 0 0 at slots 1 to 8. Integral: (2 + 2.5 + 1 + 0.5 + 0.5 + 0 + 0) x 0.1 h = 0.65.
	// Beyond from 1, 2, 3, 5: mean (8 + 10 + 9 + 8)/4 = 8.75.
	finish(t, "with one broken closing", oxygen,
		Record{Start: 1, End: 8, Peak: 10, PeakAt: 2, Beyond: 4 * slot, Within: 3 * slot, Integral: 0.65, IntegralUpper: 0.65, UpperKnown: true, Mean: 8.75},
		[]step{{slot: 1, r: is(8)}, {slot: 2, r: is(10)}, {slot: 3, r: is(9)}, {slot: 4, r: is(7)}, {slot: 5, r: is(8)}, {slot: 6, r: is(6)},
			{slot: 7, r: is(7)}, {slot: 8, r: is(6)}, {slot: 9, r: is(5)}, {slot: 10, r: is(5)}})
}

// Ruling 2, against: comparing the floats.
func TestTheBooksFollowTheNumberOnTheDisplay(t *testing.T) {
	tenth := 0.1
	l := site.Limit{Side: site.High, Value: 6.3, Deadband: 0.3}
	steps := []step{{slot: 1, r: is(64 * tenth)}, {slot: 2, r: is(63 * tenth)}, {slot: 3, r: is(63 * tenth)}, {slot: 4, r: is(5)}}
	_, got := play(&l, 0.1, steps)
	if len(got) != 1 || got[0].Beyond != slot || got[0].Within != 2*slot {
		t.Errorf("63 x 0.1 against 6.3: %+v", got)
	}
}

// Ruling 5, against: a pending on-delay that is dropped leaves books, or lends its start.
func TestWhatNeverOpenedLeavesNoBooks(t *testing.T) {
	s, got := play(&oxygen, 1, []step{{slot: 1, r: is(8)}, {slot: 2, r: is(9)}, {slot: 3, r: is(7)}})
	if s != (State{}) || got != nil {
		t.Errorf("dropped by a value within: %+v, %v", s, got)
	}
	s, got = play(&oxygen, 1, []step{{slot: 1, r: is(8)}, {slot: 2, r: silent}, {slot: 5, r: silent}})
	if s != (State{}) || got != nil {
		t.Errorf("dropped by unknown time: %+v, %v", s, got)
	}
	s, _ = play(&oxygen, 1, []step{{slot: 1, r: is(8)}, {slot: 2, r: silent}, {slot: 5, r: is(9)}, {slot: 7, r: is(8)}})
	if !s.Open() || s.Start.Wall != 5 || s.Now.Unknown != 0 {
		t.Errorf("a new on-delay after the drop: %+v", s)
	}
	s, _ = play(&oxygen, 1, []step{{slot: 1, r: is(8)}, {slot: 2, r: is(8)}})
	if s.Open() || !s.Tentative {
		t.Errorf("open before the on-delay is over: %+v", s)
	}
}

// Ruling 6, against: unknown time counts as the value before it; a short gap is bridged; off-line time is within or unknown.
func TestTimeIsBeyondWithinUnknownOrSuspended(t *testing.T) {
	// 1 beyond, 2 silent (unknown), 3 beyond for 3 slots, 6 beyond with 4 slots of nothing after it (unknown), 10 beyond,
	// 11 off line for 20 slots, 31 beyond, 32 clear.
	// Integral: 1 to 3 runs through the silent reading: (1 + 1)/2 x 0.2 = 0.2; 3 to 6: 0.3; 6 to 10 is a gap; 10 to 31 is cut by
	// the off line; 31 to 32: 1/2 x 0.1 = 0.05. Sum 0.55.
	// Upper: 6 to 10 at the larger of 1 and 3: 3 x 0.4 = 1.2; 10 to 31 without the suspended time 1 slot at 3: 0.3. 0.55 + 1.5 = 2.05.
	// Mean over 1, 3 (three slots), 10, 31: (8 + 3x8 + 10 + 8)/6 = 50/6.
	finish(t, "each apart", oxygen,
		Record{Start: 1, End: 32, Peak: 10, PeakAt: 10, Beyond: 6 * slot, Unknown: 5 * slot, Suspended: 20 * slot,
			Integral: 0.55, IntegralUpper: 2.05, UpperKnown: true, Mean: 50.0 / 6},
		[]step{{slot: 1, r: is(8)}, {slot: 2, r: silent}, {slot: 3, r: is(8)}, {slot: 6, r: is(8)}, {slot: 10, r: is(10)},
			{slot: 11, r: is(2), off: true}, {slot: 21, r: silent, off: true}, {slot: 31, r: is(8)}, {slot: 32, r: is(6)}, {slot: 34, r: is(6)}})
	// While the sample is stopped nothing is within, whatever the cell shows.
	finish(t, "a stopped sample is unknown, not within", oxygen,
		Record{Start: 1, End: 8, Peak: 8, PeakAt: 1, Beyond: 3 * slot, Unknown: 4 * slot, Integral: 0.2, IntegralUpper: 0.7, UpperKnown: true, Mean: 8},
		[]step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {slot: 4, r: because(reading.NoFlow, 2)}, {slot: 5, r: because(reading.NoFlow, 2)},
			{slot: 7, r: because(reading.Flushing, 2)}, {slot: 8, r: is(6)}, {slot: 10, r: is(6)}})
}

// Ruling 7, against: only good readings; every gap broken, or every gap bridged; the upper bound at the last value.
func TestIntegralBetweenCountingReadingsAtMostThreeSlotsApart(t *testing.T) {
	// Distances 2 (jumped), 4 (flow unproven), 0. (2+4)/2 x 0.2 + (4+0)/2 x 0.1 = 0.6 + 0.2 = 0.8. Mean (9+9+11)/3 = 29/3.
	finish(t, "uncertain readings that count", oxygen,
		Record{Start: 1, End: 4, Peak: 11, PeakAt: 3, Beyond: 3 * slot, Integral: 0.8, IntegralUpper: 0.8, UpperKnown: true, Mean: 29.0 / 3},
		[]step{{slot: 1, r: because(reading.Jumped, 9)}, {slot: 3, r: because(reading.FlowUnproven, 11)}, {slot: 4, r: is(6)}, {slot: 6, r: is(6)}})
	// Counting readings at 1 and 4, three slots apart, with two silent ones between: the integral runs through, (1+3)/2 x 0.3 = 0.6,
	// the time of the silent ones stays unknown. 4 to 8 is four slots: a gap at the larger of 3 and 1, 3 x 0.4 = 1.2. 8 to 9: 1/2 x 0.1.
	patient := oxygen
	patient.OffDelay = 4 * slot
	finish(t, "silent readings between", patient,
		Record{Start: 1, End: 9, Peak: 10, PeakAt: 4, Beyond: 3 * slot, Unknown: 5 * slot, Integral: 0.65, IntegralUpper: 1.85, UpperKnown: true, Mean: 26.0 / 3},
		[]step{{slot: 1, r: is(8)}, {slot: 2, r: silent}, {slot: 3, r: silent}, {slot: 4, r: is(10)}, {slot: 5, r: silent}, {slot: 7, r: silent},
			{slot: 8, r: is(8)}, {slot: 9, r: is(6)}, {slot: 11, r: is(6)}, {slot: 13, r: is(6)}})
	// An off-line reading between 2 and 3 breaks it though they are two slots apart: only 1 to 2 and 3 to 5 are summed,
	// 0.1 + (1+1)/2 x 0.2 + 1/2 x 0.1 = 0.35; the slot from 2 to the off-line reading stands in the upper bound: + 0.1.
	finish(t, "off line always breaks it", oxygen,
		Record{Start: 1, End: 7, Peak: 8, PeakAt: 1, Beyond: 5 * slot, Suspended: slot, Integral: 0.35, IntegralUpper: 0.45, UpperKnown: true, Mean: 8},
		[]step{{slot: 1, r: is(8)}, {slot: 2, r: is(8)}, {slot: 3, r: is(8), off: true}, {slot: 4, r: is(8)}, {slot: 6, r: is(8)}, {slot: 7, r: is(6)}, {slot: 9, r: is(6)}})
	// Above 20 is at least 13 beyond 7: (1 + 13)/2 x 0.1 + 13 x 0.1 + 13/2 x 0.1 = 0.7 + 1.3 + 0.65 = 2.65, and no upper bound.
	finish(t, "at the ceiling there is only a lower bound", oxygen,
		Record{Start: 1, End: 4, Peak: 20, PeakBound: reading.Above, PeakAt: 2, Beyond: 3 * slot, Integral: 2.65, IntegralLow: true, Mean: 16},
		[]step{{slot: 1, r: is(8)}, {slot: 2, r: over(20)}, {slot: 3, r: over(20)}, {slot: 4, r: is(6)}, {slot: 6, r: is(6)}})
	// A low limit of 20, sensor floor 5: 15 beyond. (2 + 15)/2 x 0.1 + 15/2 x 0.2 = 0.85 + 1.5.
	finish(t, "the floor under a low limit alike", site.Limit{Side: site.Low, Value: 20, Deadband: 2, OnDelay: slot, OffDelay: 2 * slot},
		Record{Start: 1, End: 4, Peak: 5, PeakBound: reading.Below, PeakAt: 2, Beyond: 3 * slot, Integral: 2.35, IntegralLow: true, Mean: (18 + 5 + 5) / 3.0},
		[]step{{slot: 1, r: is(18)}, {slot: 2, r: under(5)}, {slot: 4, r: is(22)}, {slot: 6, r: is(22)}})
}

// Practice gives the example: oxygen from 7 up to 40 ppb and back to 7 within two hours is a triangle of height 33 ppb and base 2 h.
// Its area is 33 ppb x 2 h / 2 = 33 ppb h. The trapezoid rule is exact on it, because the corner falls on a poll.
func TestWorkedExampleTriangle(t *testing.T) {
	l := site.Limit{Side: site.High, Value: 7, Deadband: 1, OffDelay: 2 * slot}
	var steps []step
	for n := 1; n < 20; n++ { // 20 slots of 0.1 h; slot 10 is the corner
		steps = append(steps, step{slot: uint64(n), r: is(7 + 33*(1-math.Abs(float64(n-10))/10))})
	}
	steps = append(steps, step{slot: 20, r: is(6)}, step{slot: 22, r: is(6)})
	_, got := play(&l, 0.1, steps)
	if len(got) != 1 {
		t.Fatalf("%d records", len(got))
	}
	// The first reading beyond is at slot 1, distance 3.3: the foot before it, 3.3 x 0.1 / 2 = 0.165, was not seen to be beyond.
	if want := 33 - 0.165; math.Abs(got[0].Integral-want) > 1e-9 {
		t.Errorf("integral %.12g ppb h, want %v", got[0].Integral, want)
	}
	// Polled at 2 s the unseen foot is 33/1800 x 2 s/3600 / 2, five parts in a million of a ppb h: 33.
	fine := State{}
	const n = 3600
	for i := 1; i <= n; i++ {
		in := Input{Reading: is(7 + 33*(1-math.Abs(float64(i-n/2))/(n/2))), Steps: 1, Period: 2 * time.Second, OnLine: true}
		switch i {
		case 1:
			in.Do = Confirm
		case n:
			in.Do = Finish
		}
		var r *Record
		if fine, r = Step(&l, 0, fine, in); r != nil {
			if math.Abs(r.Integral-33) > 1e-5 || r.Beyond != (n-1)*2*time.Second || r.Peak != 40 {
				t.Errorf("integral %.9g ppb h, beyond %v, peak %v; want 33, 1h59m58s, 40", r.Integral, r.Beyond, r.Peak)
			}
			return
		}
	}
	t.Error("no record")
}

// Ruling 8, against: a plain mean of the readings, or over all time; the latest of equal peaks; an exact number is as good as
// the same number above the ceiling.
func TestPeakAndMean(t *testing.T) {
	// 8 for 3 slots, 20 for 1, within for 1: (24 + 20)/4 = 11; plain 12, over all time 10.2.
	// Integral: 1 x 0.2 + (1+13)/2 x 0.1 + 13/2 x 0.1 = 0.2 + 0.7 + 0.65 = 1.55.
	finish(t, "the mean is weighted by the time beyond", oxygen,
		Record{Start: 1, End: 6, Peak: 20, PeakAt: 4, Beyond: 4 * slot, Within: slot, Integral: 1.55, IntegralUpper: 1.55, UpperKnown: true, Mean: 11},
		[]step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {slot: 4, r: is(20)}, {slot: 5, r: is(7)}, {slot: 6, r: is(6)}, {slot: 8, r: is(6)}})
	for _, c := range []struct {
		name  string
		l     site.Limit
		r     []reading.Reading
		at    reading.Wall
		bound reading.Bound
	}{
		{"of equals the earliest", oxygen, []reading.Reading{is(8), is(20), is(20), is(9)}, 2, reading.Exact},
		{"above the ceiling beats the equal number", oxygen, []reading.Reading{is(8), is(20), over(20), is(20)}, 3, reading.Above},
		{"and of two such the earlier stays", oxygen, []reading.Reading{is(8), over(20), over(20), is(20)}, 2, reading.Above},
		{"a larger number beats a bound", oxygen, []reading.Reading{is(8), over(20), is(21), over(20)}, 3, reading.Exact},
		{"what does not count is no peak", oxygen, []reading.Reading{is(8), is(9), because(reading.HotSample, 50), is(9)}, 2, reading.Exact},
		{"equal on the display", oxygen, []reading.Reading{is(8), is(20), is(20.4), is(9)}, 2, reading.Exact},
		{"below a low limit", site.Limit{Side: site.Low, Value: 30}, []reading.Reading{is(8), is(6), under(6), is(7)}, 3, reading.Below},
	} {
		var steps []step
		for i, r := range c.r {
			steps = append(steps, step{slot: uint64(i + 1), r: r})
		}
		s, _ := play(&c.l, 1, steps)
		if got := s.Record(); got.PeakAt != c.at || got.PeakBound != c.bound {
			t.Errorf("%s: peak %v%v at %d, want it %v at %d", c.name, got.PeakBound, got.Peak, got.PeakAt, c.bound, c.at)
		}
	}
}

// Ruling 9, against: a bound is taken for its number. The limit is 25, the sensor ends at 20.
func TestABoundThatDoesNotDecideIsUnknownTime(t *testing.T) {
	l := site.Limit{Side: site.High, Value: 25, Deadband: 2, OffDelay: slot}
	// 26 for a slot, above 20 (unknown) for a slot, 26 for a slot, clear. The integral runs through the unknown one.
	finish(t, "above 20 says nothing about 25", l,
		Record{Start: 1, End: 4, Peak: 26, PeakAt: 1, Beyond: 2 * slot, Unknown: slot, Integral: 0.2 + 0.05, IntegralUpper: 0.25, UpperKnown: true, Mean: 26},
		[]step{{slot: 1, r: is(26)}, {slot: 2, r: over(20)}, {slot: 3, r: is(26)}, {slot: 4, r: is(23)}, {slot: 5, r: is(23)}})
}

// Ruling 11, against: the time is always taken from the wall clocks; or never. A restart always breaks the integral.
func TestTimeAcrossARestart(t *testing.T) {
	story := func(away time.Duration) []step {
		return []step{{slot: 1, r: is(8)}, {slot: 2, r: is(10)}, {slot: 3, r: is(10)}, {slot: 13, r: is(8), boot: true, away: away}, {slot: 14, r: is(8)},
			{slot: 15, r: is(6)}, {slot: 17, r: is(6)}}
	}
	// Seen: 1 to 3 and 13 to 15, all beyond. Integral (1+3)/2 x 0.1 + 0.3 + 0.1 + 0.05 = 0.65. Mean (8+10+8+8)/4 = 8.5.
	// Known to have been ten slots: unknown, and at most 3 x 1 h more.
	finish(t, "both clocks certain", oxygen,
		Record{Start: 1, End: 15, Peak: 10, PeakAt: 2, Beyond: 4 * slot, Unknown: 10 * slot, Integral: 0.65, IntegralUpper: 3.65, UpperKnown: true, Mean: 8.5},
		story(10*slot))
	finish(t, "length not known", oxygen,
		Record{Start: 1, End: 15, Peak: 10, PeakAt: 2, Beyond: 4 * slot, LengthUnknown: true, Integral: 0.65, Mean: 8.5}, story(0))
	finish(t, "shorter than three slots still breaks the integral", oxygen,
		Record{Start: 1, End: 15, Peak: 10, PeakAt: 2, Beyond: 4 * slot, Unknown: slot, Integral: 0.65, IntegralUpper: 0.95, UpperKnown: true, Mean: 8.5},
		story(slot))
	finish(t, "a clock that went back", oxygen,
		Record{Start: 1, End: 15, Peak: 10, PeakAt: 2, Beyond: 4 * slot, LengthUnknown: true, Integral: 0.65, Mean: 8.5}, story(-slot))
	// After the end is marked a restart lies outside the excursion.
	finish(t, "in the closing", oxygen,
		Record{Start: 1, End: 4, Peak: 8, PeakAt: 1, Beyond: 3 * slot, Integral: 0.25, IntegralUpper: 0.25, UpperKnown: true, Mean: 8},
		[]step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {slot: 4, r: is(6)}, {slot: 5, r: is(6)}, {slot: 6, r: is(6), boot: true}, {slot: 7, r: is(6)}})
}

// Ruling 15: what counts for limits counts in the books. The list is the ruling's own.
func TestOnlyWhatCountsIsBeyond(t *testing.T) {
	counts := map[string]bool{"believed": true, "time_uncertain": true, "frozen": true, "jumped": true, "above_ceiling": true,
		"below_detection": true, "cross_check": true, "flow_unproven": true}
	for i := range reading.ReasonCount {
		why := reading.Reason(i)
		s, _ := play(&oxygen, 1, []step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {slot: 4, r: because(why, 9)}, {slot: 5, r: silent}})
		want := [2]time.Duration{3 * slot, slot}
		if counts[why.String()] {
			want = [2]time.Duration{4 * slot, 0}
		}
		if got := [2]time.Duration{s.Now.Beyond, s.Now.Unknown}; got != want || s.Now.Within != 0 {
			t.Errorf("9 for the reason %v: beyond and unknown %v, want %v", why, got, want)
		}
	}
}

func TestStateSurvivesTheDisk(t *testing.T) {
	if b, err := json.Marshal(State{}); err != nil || string(b) != "{}" {
		t.Errorf("no excursion is %s on disk, %v", b, err)
	}
	steps := []step{{slot: 1, r: is(8)}, {slot: 3, r: over(20)}, {slot: 4, r: is(8), off: true}, {slot: 5, r: silent}, {slot: 6, r: is(6), boot: true}, {slot: 7, r: is(6)}}
	for n := range len(steps) + 1 {
		s, _ := play(&oxygen, 1, steps[:n])
		b, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var back State
		if err := json.Unmarshal(b, &back); err != nil || back != s {
			t.Errorf("%s came back as %+v, %v", b, back, err)
		}
		// Six limits open at once on a panel with 4 kB of state leave about 600 bytes for each.
		if len(b) > 600 {
			t.Errorf("%d bytes: %s", len(b), b)
		}
	}
	if err := json.Unmarshal([]byte(`{"held":"perhaps"}`), &State{}); err == nil {
		t.Error("an unknown word was accepted")
	}
}

// Numbers that do not fit must not leave a state that cannot be written.
func TestSumsStayFinite(t *testing.T) {
	l := site.Limit{Side: site.High, Value: -math.MaxFloat64}
	steps := []step{{slot: 1, r: is(math.MaxFloat64)}, {slot: 2, r: is(math.MaxFloat64)}, {slot: 1e6, r: is(math.MaxFloat64)},
		{slot: 1e6 + 1, r: is(math.MaxFloat64), boot: true, away: math.MaxInt64}, {slot: 1e6 + 2, r: is(math.MaxFloat64), off: true}, {slot: math.MaxUint64, r: silent}}
	for n := range len(steps) + 1 {
		s, _ := play(&l, 0, steps[:n])
		if _, err := json.Marshal(s); err != nil {
			t.Errorf("after %d readings: %v", n, err)
		}
		if r := s.Record(); r.Unknown < 0 || r.Suspended < 0 || math.IsInf(r.Mean, 0) || math.IsInf(r.IntegralUpper, 0) {
			t.Errorf("after %d readings: %+v", n, r)
		}
	}
}
