package alarm

import (
	"fmt"
	"math"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// slot is the poll slot of every story here.
const slot = time.Minute

func wall(n int64) reading.Wall { return reading.Wall(n) }

func is(v float64) reading.Reading {
	return reading.Of(v, reading.Exact, reading.Believed, reading.Stamp{})
}
func over(v float64) reading.Reading {
	return reading.Of(v, reading.Above, reading.AboveCeiling, reading.Stamp{})
}
func under(v float64) reading.Reading {
	return reading.Of(v, reading.Below, reading.BelowDetection, reading.Stamp{})
}
func not(why reading.Reason) reading.Reading { return reading.Not(why, reading.Stamp{}) }

// oxygen is the limit of the stories: above 7, clear at 6 or less, on-delay 3 slots, off-delay 4.
func oxygen() site.Limit {
	return site.Limit{Name: "oxygen-high", Side: site.High, Value: 7, Deadband: 1, OnDelay: 3 * slot, OffDelay: 4 * slot}
}

// A step of a story: what was read at which poll slot, and what it changed.
type step struct {
	slot uint64
	r    reading.Reading
	want Edge
	off  bool          // the boiler is off line
	lag  time.Duration // of the line at that reading
	boot time.Duration // above 0: the first reading of a new process, away so long; slots count on from here
}

func tell(t *testing.T, name string, l site.Limit, steps []step) {
	t.Helper()
	t.Run(name, func(t *testing.T) {
		t.Helper()
		var j Judge
		for i, st := range steps {
			in := Judged{Reading: st.r, Period: slot, OnLine: !st.off, Lag: st.lag}
			switch {
			case st.boot > 0:
				in.Away = st.boot
			case i > 0:
				in.Steps = st.slot - steps[i-1].slot
			}
			var e Edge
			if j, e = StepLimit(&l, 1, j, in); e != st.want {
				t.Fatalf("slot %d, %s%v %v: %v, want %v (%+v)", st.slot, st.r.Bound, st.r.Value, st.r.Reason, e, st.want, j)
			}
		}
	})
}

// Ruling 1, against: at the limit is beyond; clear only below the deadband's end.
func TestAtTheLimitIsWithinAndAtItsDeadbandIsClear(t *testing.T) {
	low := site.Limit{Side: site.Low, Value: 20, Deadband: 2}
	high := oxygen()
	for _, c := range []struct {
		l             site.Limit
		v             float64
		beyond, clear bool
	}{
		{high, 8, true, false}, {high, 7, false, false}, {high, 6, false, true}, {high, 5, false, true}, {high, 6.6, false, false},
		{low, 19, true, false}, {low, 20, false, false}, {low, 21, false, false}, {low, 22, false, true}, {low, 23, false, true},
	} {
		if b, cl, d := c.l.Places(1, is(c.v)); b != c.beyond || cl != c.clear || !d {
			t.Errorf("%v %v: %v is beyond %v, clear %v, decides %v; want %v, %v, true", c.l.Side, c.l.Value, c.v, b, cl, d, c.beyond, c.clear)
		}
	}
	if b, cl, d := (&site.Limit{Value: 7}).Places(1, is(9)); b || cl || d {
		t.Error("a limit without a side decided something")
	}
	tell(t, "raised at 8, not at 7", high, []step{
		{slot: 1, r: is(7)}, {slot: 2, r: is(8), want: Began}, {slot: 5, r: is(8), want: Opened},
		{slot: 6, r: is(7)}, {slot: 7, r: is(6), want: Clearing}, {slot: 9, r: is(6)}, {slot: 11, r: is(6), want: Closed},
	})
}

// Ruling 2, against: comparing the floats. 63 x 0.1 is 6.300000000000001.
func TestTheNumberOnTheDisplayDecides(t *testing.T) {
	tenth := 0.1 // a variable: constant arithmetic would be exact
	v := 63 * tenth
	if v <= 6.3 {
		t.Fatal("the example no longer shows anything")
	}
	l := site.Limit{Side: site.High, Value: 6.3, Deadband: 0.3}
	if b, _, _ := l.Places(0.1, is(v)); b {
		t.Errorf("%v shows as 6.3 and was judged beyond 6.3", v)
	}
	if b, _, _ := l.Places(0.1, is(64*tenth)); !b {
		t.Error("6.4 was not judged beyond 6.3")
	}
	// 6.3 less 0.3 and 60 x 0.1 are the same number on the display, whatever their last bits.
	for _, l := range []site.Limit{l, {Side: site.High, Value: 0.3, Deadband: 0.1}} { // 0.3 - 0.1 is 0.19999999999999998
		clearAt := math.Round((l.Value-l.Deadband)/0.1) * 0.1
		if _, c, _ := l.Places(0.1, is(clearAt)); !c {
			t.Errorf("%v was not clear of %v less %v", clearAt, l.Value, l.Deadband)
		}
	}
	if b, _, _ := l.Places(0, is(v)); !b {
		t.Error("without a resolution the numbers themselves decide")
	}
}

// Ruling 3, against: the deadband keeps a pending on-delay alive; a clear value is needed only once; a value in the
// deadband lets a closing run on.
func TestEachDelayRunsOnlyOnItsOwnSide(t *testing.T) {
	tell(t, "a value in the deadband drops a pending on-delay", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 2, r: is(8)}, {slot: 3, r: is(7), want: Dropped},
		{slot: 4, r: is(8), want: Began}, {slot: 5, r: is(8)}, {slot: 6, r: is(8)}, {slot: 7, r: is(8), want: Opened},
	})
	open := []step{{slot: 1, r: is(8), want: Began}, {slot: 4, r: is(8), want: Opened}}
	tell(t, "a value in the deadband starts the closing again", oxygen(), append(open[:2:2],
		step{slot: 5, r: is(6), want: Clearing}, step{slot: 8, r: is(7), want: Broken}, step{slot: 9, r: is(6), want: Clearing},
		step{slot: 12, r: is(6)}, step{slot: 13, r: is(6), want: Closed}))
	tell(t, "one reading beyond starts the closing again, without an on-delay", oxygen(), append(open[:2:2],
		step{slot: 5, r: is(6), want: Clearing}, step{slot: 8, r: is(9), want: Broken}, step{slot: 9, r: is(7)},
		step{slot: 10, r: is(5), want: Clearing}, step{slot: 13, r: is(5)}, step{slot: 14, r: is(5), want: Closed}))
}

// Ruling 4, against: the off-delay alone closes. Three lags of 2 slots are 6, more than the off-delay of 4.
func TestClosingTakesTheLargerOfOffDelayAndThreeLags(t *testing.T) {
	story := func(lag time.Duration, at uint64) []step {
		s := []step{{slot: 1, r: is(8), want: Began}, {slot: 4, r: is(8), want: Opened}, {slot: 5, r: is(6), want: Clearing, lag: lag}}
		for n := uint64(6); n <= at; n++ {
			s = append(s, step{slot: n, r: is(6), lag: lag})
		}
		s[len(s)-1].want = Closed
		return s
	}
	tell(t, "lag 2 slots: closed at 5 + 6", oxygen(), story(2*slot, 11))
	tell(t, "lag 1 slot: closed at 5 + 4", oxygen(), story(slot, 9))
}

// Ruling 5, against: a delay is over at a reading that does not count; blind time counts; blind time starts it again.
func TestDelaysCountSeenTimeAndEndAtACountingReading(t *testing.T) {
	silent := not(reading.Silent)
	tell(t, "unknown time pauses the on-delay and does not end it", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 2, r: is(8)}, {slot: 3, r: silent}, {slot: 4, r: silent}, // seen: 1 to 3
		{slot: 5, r: is(8)}, {slot: 6, r: is(8), want: Opened}, // seen: 5 to 6
	})
	tell(t, "full at a silent reading: over at the next counting one", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 4, r: silent}, {slot: 5, r: is(8), want: Opened},
	})
	tell(t, "full at a silent reading, then within: never raised", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 4, r: silent}, {slot: 5, r: is(7), want: Dropped},
	})
	tell(t, "unknown time pauses the closing, however long", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 4, r: is(8), want: Opened}, {slot: 5, r: is(6), want: Clearing},
		{slot: 6, r: silent}, {slot: 600, r: silent}, {slot: 601, r: is(6)}, {slot: 603, r: is(6)}, {slot: 604, r: is(6), want: Closed},
	})
	tell(t, "off-line time pauses both, and is not blind time", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 3, r: is(8), off: true}, {slot: 3000, r: is(5), off: true}, {slot: 3001, r: is(8)},
		{slot: 3002, r: is(8), want: Opened}, {slot: 3003, r: is(6), want: Clearing}, {slot: 3004, r: is(9), off: true},
		{slot: 4000, r: is(6)}, {slot: 4003, r: is(6), want: Closed},
	})
	tell(t, "more unknown time than the closing drops a pending on-delay", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 3, r: silent}, {slot: 7, r: silent}, {slot: 8, r: silent, want: Dropped},
		{slot: 9, r: is(8), want: Began}, {slot: 12, r: is(8), want: Opened},
	})
	tell(t, "as much as the closing does not", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 3, r: silent}, {slot: 7, r: is(8)}, {slot: 8, r: is(8), want: Opened},
	})
	tell(t, "a reading beyond ends the unknown time", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 2, r: silent}, {slot: 5, r: is(8)}, {slot: 6, r: silent}, {slot: 9, r: is(8)},
		{slot: 10, r: silent}, {slot: 13, r: is(8), want: Opened},
	})
	tell(t, "a pending of long ago does not lend its start to this one", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 3, r: silent}, {slot: 8, r: is(8), want: Began}, {slot: 11, r: is(8), want: Opened},
	})
	tell(t, "the dropping waits three lags where they are longer", oxygen(), []step{
		{slot: 1, r: is(8), want: Began, lag: 2 * slot}, {slot: 2, r: silent}, {slot: 8, r: silent}, {slot: 9, r: silent, want: Dropped},
	})
}

// Ruling 6, as far as delays go, against: a gap is bridged however long, or not at all.
func TestMoreThanThreeSlotsWithoutAReadingAreUnknown(t *testing.T) {
	tell(t, "three slots are seen", oxygen(), []step{{slot: 1, r: is(8), want: Began}, {slot: 4, r: is(8), want: Opened}})
	tell(t, "four are not", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 5, r: is(8)}, {slot: 7, r: is(8)}, {slot: 8, r: is(8), want: Opened},
	})
	tell(t, "nor for the closing", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 4, r: is(8), want: Opened}, {slot: 5, r: is(6), want: Clearing}, {slot: 9, r: is(6)},
		{slot: 12, r: is(6)}, {slot: 13, r: is(6), want: Closed},
	})
}

// Ruling 9, against: a bound is taken for its number. Ceiling 20, floor 1.
func TestABoundDecidesOnlyWhatItDecides(t *testing.T) {
	high := func(v float64) site.Limit { return site.Limit{Side: site.High, Value: v, Deadband: 1} }
	low := func(v float64) site.Limit { return site.Limit{Side: site.Low, Value: v, Deadband: 1} }
	for _, c := range []struct {
		l                      site.Limit
		r                      reading.Reading
		beyond, clear, decides bool
	}{
		{high(7), over(20), true, false, true},
		{high(19), over(20), true, false, true},
		{high(20), over(20), false, false, false}, // the truth may be 20, which is within
		{high(50), over(20), false, false, false},
		{low(7), over(20), false, true, true},
		{low(19), over(20), false, true, true},
		{low(20), over(20), false, false, true}, // within, but not past the deadband for certain
		{low(50), over(20), false, false, false},
		{high(7), under(1), false, true, true},
		{high(1), under(1), false, false, true},
		{high(0.5), under(1), false, false, false},
		{low(7), under(1), true, false, true},
		{low(1), under(1), false, false, false},
		{low(0.5), under(1), false, false, false},
	} {
		b, cl, d := c.l.Places(0.1, c.r)
		if b != c.beyond || cl != c.clear || d != c.decides {
			t.Errorf("%v %v at %v%v: beyond %v, clear %v, decides %v; want %v, %v, %v",
				c.l.Side, c.l.Value, c.r.Bound, c.r.Value, b, cl, d, c.beyond, c.clear, c.decides)
		}
	}
	l := oxygen()
	l.Value, l.Deadband = 25, 2
	tell(t, "above the ceiling pauses a delay of a limit it does not decide", l, []step{
		{slot: 1, r: is(26), want: Began}, {slot: 2, r: over(24)}, {slot: 4, r: is(26)}, {slot: 6, r: is(26), want: Opened},
		{slot: 7, r: is(23), want: Clearing}, {slot: 8, r: over(24)}, {slot: 10, r: is(23)}, {slot: 13, r: is(23), want: Closed},
	})
}

// Ruling 10, against: the lag of the last reading, or of the worst, decides; or that of an earlier closing is kept.
func TestTheLagIsTakenAtTheFirstClearReadingOfEachClosing(t *testing.T) {
	tell(t, "each closing has its own", oxygen(), []step{
		{slot: 1, r: is(8), want: Began, lag: 9 * slot}, {slot: 4, r: is(8), want: Opened, lag: 9 * slot},
		{slot: 5, r: is(6), want: Clearing, lag: 3 * slot}, {slot: 8, r: is(6), lag: slot}, {slot: 11, r: is(6), lag: slot}, // 9 needed
		{slot: 12, r: is(7), want: Broken, lag: 5 * slot},
		{slot: 13, r: is(6), want: Clearing, lag: 2 * slot}, {slot: 16, r: is(6), lag: 5 * slot}, {slot: 18, r: is(6), lag: 5 * slot}, // 6 needed
		{slot: 19, r: is(6), want: Closed, lag: 5 * slot},
	})
}

// Ruling 15, against: only good readings count. The list is the ruling's own, not the table's.
func TestWhatCountsForLimits(t *testing.T) {
	counts := map[string]bool{"believed": true, "time_uncertain": true, "frozen": true, "jumped": true, "above_ceiling": true,
		"below_detection": true, "cross_check": true, "flow_unproven": true}
	l := oxygen()
	l.OnDelay = 0
	n := 0
	for i := range reading.ReasonCount {
		why := reading.Reason(i)
		_, e := StepLimit(&l, 1, Judge{}, Judged{Reading: reading.Of(9, reading.Exact, why, reading.Stamp{}), OnLine: true, Period: slot})
		if (e == Opened) != counts[why.String()] {
			t.Errorf("9 for the reason %v: %v, want it to count: %v", why, e, counts[why.String()])
		}
		if e == Opened {
			n++
		}
	}
	if n != len(counts) {
		t.Errorf("%d reasons count, want %d", n, len(counts))
	}
}

func TestWithoutDelaysEachReadingDecides(t *testing.T) {
	l := oxygen()
	l.OnDelay, l.OffDelay = 0, 0
	tell(t, "opened and closed at once", l, []step{
		{slot: 1, r: is(8), want: Opened}, {slot: 2, r: is(7)}, {slot: 3, r: is(6), want: Closed}, {slot: 4, r: is(8), want: Opened},
	})
	tell(t, "a lag still delays the closing", l, []step{
		{slot: 1, r: is(8), want: Opened}, {slot: 2, r: is(6), want: Clearing, lag: slot}, {slot: 5, r: is(6), want: Closed},
	})
}

// A restart is not a beginning: what was open stays open, a delay keeps what was seen of it, and nobody saw the time between.
func TestARestartAddsNothingToADelay(t *testing.T) {
	tell(t, "short", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 3, r: is(8)}, {slot: 4, r: is(8), boot: 4 * slot}, {slot: 5, r: is(8), want: Opened},
	})
	tell(t, "longer than the closing", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 3, r: is(8)}, {slot: 4, r: is(8), boot: 5 * slot, want: Began}, {slot: 7, r: is(8), want: Opened},
	})
	tell(t, "an open one", oxygen(), []step{
		{slot: 1, r: is(8), want: Began}, {slot: 4, r: is(8), want: Opened}, {slot: 5, r: is(6), want: Clearing}, {slot: 8, r: is(6)},
		{slot: 9, r: is(6), boot: 100 * time.Hour}, {slot: 10, r: is(6), want: Closed},
	})
}

// What a broken clock or a stuck flow meter may hand in must not wrap a sum or hold a delay for ever below zero.
func TestAbsurdTimesAreBounded(t *testing.T) {
	l := oxygen()
	j := Judge{Stage: Pending, Last: Unseen, Need: math.MaxInt64}
	for _, in := range []Judged{
		{Steps: math.MaxUint64, Period: time.Hour}, {Steps: math.MaxUint64, Period: 1}, {Away: math.MaxInt64}, {Away: -5}, {Steps: 9, Period: -slot},
	} {
		in.OnLine, in.Reading = true, not(reading.Silent)
		next, e := StepLimit(&l, 1, j, in)
		if e != NoEdge || next.Blind < j.Blind || next.Run != 0 {
			t.Errorf("%+v: %v, blind %v to %v", in, e, j.Blind, next.Blind)
		}
		j = next
	}
	if got := closing(&l, math.MaxInt64); got < longest-lagsToClear || got > longest {
		t.Errorf("the closing for an endless lag is %v", got)
	}
	if got := closing(&l, -time.Hour); got != l.OffDelay {
		t.Errorf("the closing for a negative lag is %v", got)
	}
}

func TestEveryWordIsItsOwn(t *testing.T) {
	words := map[string]int{}
	for e := range edgeCount {
		words[fmt.Sprint("edge ", e)]++
	}
	for s := range stageCount {
		words[fmt.Sprint("stage ", s)]++
	}
	for p := range phaseCount {
		words[fmt.Sprint("phase ", p)]++
	}
	for tr := range triggerCount {
		words[fmt.Sprint("trigger ", tr)]++
	}
	for tl := range tellCount {
		words[fmt.Sprint("tell ", tl)]++
	}
	if want := int(edgeCount) + int(stageCount) + int(phaseCount) + int(triggerCount) + int(tellCount); len(words) != want {
		t.Errorf("%d different words, want %d: %v", len(words), want, words)
	}
}
