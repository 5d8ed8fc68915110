package interlock

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Where the line between two verdicts runs, to the step of the display and to the second.

// Two updates of every temperature at or below the warning value end a hot sample; of one alone they do not.
func TestAHotSampleEndsWhenEveryTemperatureWasCoolTwice(t *testing.T) {
	st := begin(t)
	st.cfg.HasSecond, st.cfg.SecondLostAfter = true, 10*time.Second
	second := func(v float64) *story {
		st.in.Second = Sense{Update: true, HasValue: true, Good: true, Value: v, Resolution: resolution}
		return st
	}
	second(25).temp(55).temp(55).want(Hot)
	second(40).temp(40.1).want(Hot) // one step above the warning value
	second(40.1).temp(40).want(Hot)
	second(40).temp(40).want(Hot)
	second(40).temp(40)
	if st.out.Hot {
		t.Error("two updates of both at the warning value do not end it")
	}
}

// At its floor a temperature is below the number: that decides a limit it equals.
func TestATemperatureAtItsFloorIsBelowALimitThatItEquals(t *testing.T) {
	for _, c := range []struct {
		floor   float64
		refused Refusal
	}{{39.9, Obeyed}, {40, Obeyed}, {40.1, NotProvenLow}} {
		st := driven(t).temp(55).temp(55).closed().flow(0)
		for range 2 {
			st.step(period, c.floor, reading.Below, true, true)
		}
		if r := st.rearm(); r != c.refused {
			t.Errorf("below %v: %q, want %q", c.floor, r, c.refused)
		}
	}
}

// A bus that gives no word of an order is told after ten seconds.
func TestABusWithoutAWordIsToldAfterTenSeconds(t *testing.T) {
	st := driven(t).temp(55).temp(55)
	if st.step(9999*time.Millisecond, 25, reading.Exact, true, true); st.out.CannotAsk {
		t.Fatal("told before ten seconds")
	}
	if st.step(time.Millisecond, 25, reading.Exact, true, true); !st.out.CannotAsk || st.out.Trouble != reading.NotAsked.String() || st.out.Request != RequestFailing {
		t.Errorf("after ten seconds: %+v", st.out.Holding)
	}
}

// Closer than the limit by one kelvin ends the distance from the cooling water; a step further does not.
func TestTheDistanceFromTheCoolingWaterEndsOneKelvinBelowItsLimit(t *testing.T) {
	st := begin(t)
	st.cfg.HasCooling, st.cfg.ApproachAbove = true, 8
	st.in.CoolingKnown, st.in.Cooling = true, 18
	if st.run(2*time.Minute, 27); !st.out.Apart {
		t.Fatal("not told")
	}
	if st.temp(25.1); !st.out.Apart {
		t.Error("ended at 7.1 K")
	}
	if st.temp(25); st.out.Apart {
		t.Error("does not end at 7 K")
	}
}

// The rise is compared with the youngest mark that is a minute old; marks are ten seconds apart and live two minutes. Beyond the limit twice
// in a row is a rise, half of it ends one.
func TestTheEdgesOfARise(t *testing.T) {
	rise := func(perMin float64, every time.Duration, values ...float64) []bool {
		st := &story{t: t, cfg: usual()}
		st.cfg.RisePerMin = perMin
		st.in = Input{FeedbackConfigured: true, FlowKnown: true, FlowLow: 50, LineFresh: true}
		st.open().flow(200)
		var told []bool
		for _, v := range values {
			told = append(told, st.step(every, v, reading.Exact, true, true).out.Rising)
		}
		return told
	}
	for _, c := range []struct {
		name   string
		perMin float64
		every  time.Duration
		values []float64
		told   int // from this value on; -1: never
		ends   int // at this value; 0: it does not
	}{
		{"exactly at the limit", 2, 30 * time.Second, []float64{25, 26, 27, 28, 29, 30, 31, 32}, -1, 0},
		{"a step above it", 2, 30 * time.Second, []float64{25, 26.1, 27.2, 28.3}, 3, 0},
		{"no limit", 0, 30 * time.Second, []float64{25, 27, 29, 31, 33, 35}, -1, 0},
		{"a mark that is exactly a minute old", 2, 30 * time.Second, []float64{25, 25, 25, 28, 28}, 4, 0},
		{"a mark that is exactly two minutes old", 2, 2 * time.Minute, []float64{25, 30, 35}, 2, 0},
		{"marks exactly ten seconds apart", 2, 10 * time.Second, []float64{25, 25, 25, 25, 25, 25, 25, 27.1, 27.1}, 8, 0},
		{"half the limit ends it", 2, 30 * time.Second, []float64{25, 27, 29, 31, 31.5, 32}, 3, 5},
		{"more than half does not", 2, 30 * time.Second, []float64{25, 27, 29, 31, 31.6, 32.2, 32.8}, 3, 0},
	} {
		for i, is := range rise(c.perMin, c.every, c.values...) {
			if want := c.told >= 0 && i >= c.told && (c.ends == 0 || i < c.ends); is != want {
				t.Errorf("%s: at value %d (%v) told %v, want %v", c.name, i, c.values[i], is, want)
			}
		}
	}
}

// What was seen to close before there was a drive is held by that cause, and not as found closed for none.
func TestAClosingOnRecordIsHeldByItsCauseWhenADriveComes(t *testing.T) {
	for _, c := range []struct {
		name  string
		cause Cause
		do    func(*story)
	}{
		{"closed by the panel because its temperature was lost", TemperatureLostCause, func(st *story) {
			for range 7 {
				st.silent()
			}
			st.closed().flow(0).silent().temp(25).temp(25)
		}},
		{"closed by nobody known", FoundClosed, func(st *story) { st.closed().flow(0).temp(25).temp(25) }},
	} {
		st := begin(t)
		c.do(st)
		st.cfg.Drive = site.Drive{Configured: true, Station: 1, Table: reading.Coil, Addr: 4, Value: 1}
		st.restart()
		st.s, _ = Restart(st.cfg, st.s)
		st.in.RoundDone = true
		if st.temp(25); !st.out.Held || st.out.Cause != c.cause {
			t.Errorf("%s: held %v as %v, want %v", c.name, st.out.Held, st.out.Cause, c.cause)
		}
	}
}

// What reads cool without flow is the room, and ends nothing, however fresh the line was when it stopped.
func TestAHotSampleDoesNotEndWithoutFlow(t *testing.T) {
	st := begin(t).temp(55).temp(55).want(Hot)
	st.open().flow(0).temp(25).temp(25).temp(25).want(Hot)
	if st.flow(1).temp(25).temp(25); st.out.Hot {
		t.Error("two cool updates in flowing sample do not end it")
	}
}
