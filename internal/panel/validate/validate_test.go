package validate

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func at(up time.Duration) reading.Stamp { return reading.Stamp{Wall: reading.Wall(up), Up: up} }

// oxygen is a float32 in ug/L with everything a point may have: no measurement outside -5 to 2500, floor 0.2, ceiling 500.
func oxygen() *site.Point {
	return &site.Point{Path: "b2.rack.oxygen", Resolution: 0.1,
		Decode: site.Decode{Type: site.Float32, Scale: 1, NoValue: []uint64{0xFFC00000}},
		Floor:  0.2, HasFloor: true, Ceiling: 500, HasCeil: true,
		Fault: site.Range{Low: -5, HasLow: true, High: 2500, HasHigh: true}}
}

func f32(v float32) uint64 { return uint64(math.Float32bits(v)) }

func TestOwnQualityIsTheFirstThingWrong(t *testing.T) {
	tests := []struct {
		name  string
		raw   uint64
		fault reading.Fault
		want  reading.Reason
		value float64
		bound reading.Bound
	}{
		{"a plain value", f32(8.5), reading.Answered, reading.Believed, 8.5, reading.Exact},
		{"a timeout, whatever the word", f32(8.5), reading.Timeout, reading.Silent, 0, reading.Exact},
		{"an exception", f32(8.5), reading.IllegalAddress, reading.RefusedRead, 0, reading.Exact},
		{"never asked", f32(8.5), reading.NotAsked, reading.Unknown, 0, reading.Exact},
		{"the no-value word before NaN", 0xFFC00000, reading.Answered, reading.NoValue, 0, reading.Exact},
		{"another NaN", 0x7FC00000, reading.Answered, reading.NotANumber, 0, reading.Exact},
		{"infinite, not above ceiling", 0x7F800000, reading.Answered, reading.NotANumber, 0, reading.Exact},
		{"beyond the fault range, not above ceiling", f32(2501), reading.Answered, reading.FaultRange, 0, reading.Exact},
		{"at the fault range is not outside it", f32(2500), reading.Answered, reading.AboveCeiling, 500, reading.Above},
		{"under the fault range", f32(-5.1), reading.Answered, reading.FaultRange, 0, reading.Exact},
		{"at the low fault is below detection", f32(-5), reading.Answered, reading.BelowDetection, 0.2, reading.Below},
		{"at the ceiling", f32(500), reading.Answered, reading.AboveCeiling, 500, reading.Above},
		{"past the ceiling says only the ceiling", f32(800), reading.Answered, reading.AboveCeiling, 500, reading.Above},
		{"just under the ceiling", f32(499.9), reading.Answered, reading.Believed, float64(float32(499.9)), reading.Exact},
		{"at the floor, as a float32 says 0.2", f32(0.2), reading.Answered, reading.BelowDetection, 0.2, reading.Below},
		{"zero is never 0", f32(0), reading.Answered, reading.BelowDetection, 0.2, reading.Below},
		{"0.24 shows as 0.2 and is not below it", f32(0.24), reading.Answered, reading.Believed, float64(float32(0.24)), reading.Exact},
	}
	for _, tt := range tests {
		_, out := Step(oxygen(), time.Second, State{}, Input{Raw: tt.raw, Fault: tt.fault, At: at(7 * time.Second)})
		r := out.Reading
		if r.Reason != tt.want || r.Value != tt.value || r.Bound != tt.bound || r.At != at(7*time.Second) || r.Oldest != r.At {
			t.Errorf("%s: %+v, want %v %v%v", tt.name, r, tt.want, tt.bound, tt.value)
		}
		if out.Update != r.HasValue() {
			t.Errorf("%s: update = %v, the first read with a value is one, and no other", tt.name, out.Update)
		}
	}
}

func TestEveryFaultGivesItsOwnReasonAndNoValue(t *testing.T) {
	for i := range reading.FaultCount {
		fault := reading.Fault(i)
		if fault == reading.Answered {
			continue
		}
		_, out := Step(oxygen(), time.Second, State{}, Input{Raw: f32(8), Fault: fault})
		if out.Reading.Reason != fault.Reason() || out.Reading.HasValue() || out.Update {
			t.Errorf("%v: %+v", fault, out)
		}
	}
}

func TestABitHasNoRanges(t *testing.T) {
	p := oxygen()
	p.Decode = site.Decode{Type: site.Bit, Scale: 1}
	p.Ceiling, p.Fault.Low = 1, 1
	for raw, want := range []float64{0, 1} {
		_, out := Step(p, time.Second, State{}, Input{Raw: uint64(raw), Fault: reading.Answered})
		if out.Reading.Value != want || out.Reading.Reason != reading.Believed || out.Reading.Bound != reading.Exact {
			t.Errorf("bit %d: %+v", raw, out.Reading)
		}
	}
}

func TestAPointWithoutRangesIsBelievedAnywhere(t *testing.T) {
	p := &site.Point{Decode: site.Decode{Type: site.Int16, Scale: 0.1}}
	below := int16(-400)
	_, out := Step(p, time.Second, State{}, Input{Raw: uint64(int64(below)), Fault: reading.Answered})
	if out.Reading.Value != -40 || out.Reading.Reason != reading.Believed {
		t.Errorf("%+v", out.Reading)
	}
}

// A held word must not look like news: what is the same is an update only when refresh has passed.
func TestAnUpdateIsAChangeOrARefresh(t *testing.T) {
	p := &site.Point{Decode: site.Decode{Type: site.Uint16, Scale: 0.1, NoValue: []uint64{0xFFFF}}}
	type poll struct {
		after  time.Duration
		raw    uint64
		fault  reading.Fault
		update bool
		why    string
	}
	ok := reading.Answered
	story := []poll{
		{0, 250, ok, true, "the first value"},
		{2 * time.Second, 250, ok, false, "the same word"},
		{2 * time.Second, 251, ok, true, "another word"},
		{2 * time.Second, 251, ok, false, "2 s since the update"},
		{2 * time.Second, 251, reading.Timeout, false, "no answer is no news"},
		{2 * time.Second, 251, ok, false, "6 s since the update"},
		{2 * time.Second, 251, ok, false, "8 s since the update"},
		{2 * time.Second, 251, ok, true, "10 s: refreshed"},
		{2 * time.Second, 251, ok, false, "2 s after the refresh"},
		{2 * time.Second, 0xFFFF, ok, false, "a word without a value is no update"},
		{2 * time.Second, 251, ok, true, "but the device has spoken since, so the old word is a new one"},
		{9*time.Second - time.Millisecond, 251, ok, false, "more than a tenth early"},
		{time.Millisecond, 251, ok, true, "a tenth early: the poll grid is not exact"},
		{20 * time.Second, 251, reading.Timeout, false, "long silence"},
		{time.Second, 251, ok, true, "the first answer after it is an update"},
	}
	var s State
	for i, step := range story {
		var out Output
		s, out = Step(p, 10*time.Second, s, Input{Raw: step.raw, Fault: step.fault, Elapsed: step.after})
		if out.Update != step.update {
			t.Errorf("poll %d: update = %v, want %v: %s", i, out.Update, step.update, step.why)
		}
	}
}

// Refresh is one period by default: a steady value polled every 2 s, 20 ms late and early in turn, updates at every poll.
func TestAnUnevenPollStillRefreshesEveryTime(t *testing.T) {
	p := &site.Point{Decode: site.Decode{Type: site.Uint16, Scale: 1}}
	var s State
	for i := range 50 {
		elapsed := 2*time.Second + 20*time.Millisecond
		if i%2 == 1 {
			elapsed = 2*time.Second - 20*time.Millisecond
		}
		var out Output
		s, out = Step(p, 2*time.Second, s, Input{Raw: 5, Fault: reading.Answered, Elapsed: elapsed})
		if !out.Update {
			t.Fatalf("poll %d was no update", i)
		}
	}
}

// What was read before a restart is remembered: the same word is no news, because nobody knows what the sensor did meanwhile.
func TestARestartMakesNoUpdateOfAHeldWord(t *testing.T) {
	p := &site.Point{Decode: site.Decode{Type: site.Uint16, Scale: 1}}
	s, _ := Step(p, 10*time.Second, State{}, Input{Raw: 5, Fault: reading.Answered})
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var back State
	if err := json.Unmarshal(text, &back); err != nil || back != s {
		t.Fatalf("%s came back as %+v, %v", text, back, err)
	}
	if _, out := Step(p, 10*time.Second, back, Input{Raw: 5, Fault: reading.Answered}); out.Update {
		t.Error("the held word was taken for an update")
	}
	if _, out := Step(p, 10*time.Second, back, Input{Raw: 6, Fault: reading.Answered}); !out.Update {
		t.Error("the changed word was not taken for an update")
	}
}

func TestTheZeroStateHasSeenNothing(t *testing.T) {
	if text, _ := json.Marshal(State{}); string(text) != "{}" {
		t.Errorf("the zero state is %s", text)
	}
	_, out := Step(&site.Point{Decode: site.Decode{Type: site.Uint16, Scale: 1}}, time.Second, State{}, Input{Raw: 0, Fault: reading.Answered})
	if !out.Update { // raw 0 equals the zero LastRaw and is news all the same
		t.Error("a first raw of 0 was no update")
	}
}

func TestAValueIsStaleAfterThreePeriods(t *testing.T) {
	read := reading.Of(25, reading.Below, reading.BelowDetection, at(10*time.Second))
	if got := Stale(read, at(16*time.Second), 2*time.Second); got != read {
		t.Errorf("at three periods: %+v", got)
	}
	got := Stale(read, at(16*time.Second+1), 2*time.Second)
	if got.Reason != reading.Stale || got.Value != 0 || got.Bound != reading.Exact || got.At != read.At {
		t.Errorf("past three periods: %+v", got)
	}
	for i := range reading.ReasonCount {
		why := reading.Reason(i)
		got := Stale(reading.Of(1, reading.Exact, why, at(0)), at(time.Hour), time.Second)
		want := why
		if reading.Stale.Worse(why) {
			want = reading.Stale
		}
		if got.Reason != want || (got.HasValue() && want.Quality() == reading.Bad) {
			t.Errorf("%v an hour old: %+v, want %v", why, got, want)
		}
	}
}
