package line

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// settling is an oxygen point read every 2 s.
type settling struct {
	t    *testing.T
	s    Settle
	in   SettleInput
	now  time.Duration
	late int
	from float64
}

func opened(t *testing.T) *settling {
	st := &settling{t: t, in: SettleInput{Elapsed: period, Fresh: true, Sampled: true}}
	st.s, _ = st.s.Step(SettleInput{Elapsed: period, Opened: true, Sampled: true, Oxygen: 8000})
	if !st.s.Owed {
		t.Fatal("an opening owes nothing")
	}
	return st
}

// run falls by perTen ug/L in ten minutes for so long; it ends early when nothing is owed.
func (st *settling) run(long time.Duration, perTen float64) *settling {
	for end := st.now + long; st.now < end && st.s.Owed; {
		st.now += period
		st.from -= perTen / 300
		in := st.in
		in.Oxygen = st.from
		var late bool
		if st.s, late = st.s.Step(in); late {
			st.late++
		}
	}
	return st
}

// Ruling: settled is a slope below 1 ug/L in the last ten minutes. At 1 it is not, either way.
func TestOxygenHasSettledWhenItsSlopeIsBelowOneInTenMinutes(t *testing.T) {
	for _, c := range []struct {
		slope   float64
		settled bool
	}{{0, true}, {0.98, true}, {-0.98, true}, {1.02, false}, {-1.02, false}, {40, false}} {
		st := opened(t).run(11*time.Minute, c.slope)
		if st.s.Owed == c.settled {
			t.Errorf("a slope of %v: owed %t after %v", c.slope, st.s.Owed, st.now)
		}
		if c.settled && st.now != 10*time.Minute {
			t.Errorf("a slope of %v settled after %v, want ten minutes", c.slope, st.now)
		}
	}
	// A fall that ends settles ten minutes after its end, not before.
	st := opened(t).run(30*time.Minute, 30).run(20*time.Minute, 0)
	if st.s.Owed || st.now < 39*time.Minute || st.now > 41*time.Minute {
		t.Errorf("settled after %v, want 40 min", st.now)
	}
}

func TestAfterFourHoursItIsToldOnceAndJudged(t *testing.T) {
	st := opened(t).run(4*time.Hour-period, 1.5)
	if !st.s.Owed || st.late != 0 {
		t.Fatalf("before four hours: owed %t, told %d times", st.s.Owed, st.late)
	}
	if st.run(period, 1.5); st.s.Owed || st.late != 1 {
		t.Errorf("at four hours: owed %t, told %d times", st.s.Owed, st.late)
	}
	for range 100 {
		var late bool
		if st.s, late = st.s.Step(st.in); late || st.s.Owed {
			t.Fatal("it is owed or told again")
		}
	}
}

// Pulses of two minutes settle as well as ten minutes in one; what was read in between is not in the slope.
func TestABoilerFedInPulsesSettlesAcrossThem(t *testing.T) {
	st := opened(t)
	for pulse := range 5 {
		st.in.Fresh, st.in.Sampled = true, true
		st.run(2*time.Minute, 0)
		if got := !st.s.Owed; got != (pulse == 4) {
			t.Fatalf("after pulse %d settled is %t", pulse+1, got)
		}
		st.in.Fresh = false
		st.run(25*time.Minute, 300)
		st.from = 0
	}
}

func TestAnOpeningAndAMinuteWithoutAReadingBeginAgainOrWait(t *testing.T) {
	st := opened(t).run(9*time.Minute, 0)
	st.s, _ = st.s.Step(SettleInput{Elapsed: period, Opened: true})
	if st.run(9*time.Minute, 0); !st.s.Owed {
		t.Error("an opening did not begin the ten minutes again")
	}
	st = opened(t)
	st.in.Sampled = false
	if st.run(time.Hour, 0); !st.s.Owed {
		t.Error("settled without a reading")
	}
	st.in.Sampled = true
	if st.run(10*time.Minute, 0); st.s.Owed {
		t.Error("not settled by ten minutes of readings")
	}
	if s, late := (Settle{}).Step(SettleInput{Elapsed: time.Hour, Fresh: true, Sampled: true, Oxygen: 9}); s != (Settle{}) || late {
		t.Errorf("nothing was owed, and now %+v", s)
	}
}

// What changes with every poll is not written with every poll.
func TestSettlingWritesOnceAMinute(t *testing.T) {
	st := opened(t)
	texts := map[string]bool{}
	for range 300 {
		st.run(period, 30)
		b, err := json.Marshal(st.s)
		if err != nil {
			t.Fatal(err)
		}
		texts[string(b)] = true
	}
	if len(texts) > 11 {
		t.Errorf("%d different states in ten minutes", len(texts))
	}
	var back Settle
	if err := json.Unmarshal([]byte(`{"owed":true,"waited":14340000000000}`), &back); err != nil { // 3 h 59 min
		t.Fatal(err)
	}
	st.s, st.late = back, 0
	if st.run(time.Minute, 30); st.late != 1 {
		t.Error("a restart began the four hours again")
	}
}

func TestAStrainerIsToldOnceWithTheTwoMeans(t *testing.T) {
	hour := func(s Strainer, flow float64) (Strainer, bool) {
		told := false
		for range 1800 {
			var falls bool
			s, falls = s.Step(period, flow)
			told = told || falls
		}
		return s, told
	}
	var s Strainer
	for i, h := range []struct {
		flow float64
		told bool
	}{{240, false}, {225, false}, {210, false}, {195, false}, {180, false}, {168.1, false}, {167.9, true}, {160, false}, {140, false},
		// cleaned by nine tenths of the best, it falls again
		{160, false}, {190, false}, {217, false}, {190, false}, {160, true}} {
		var told bool
		if s, told = hour(s, h.flow); told != h.told {
			t.Errorf("hour %d at %v: told %t, want %t (%+v)", i, h.flow, told, h.told, s)
		}
		if told && (s.Best != 240 || s.Last < h.flow-1e-6 || s.Last > h.flow+1e-6) {
			t.Errorf("hour %d is told with %v and %v", i, s.Best, s.Last)
		}
	}
	// Somebody sets the flow: by more than a fifth from one hour to the next is no strainer.
	s = Strainer{}
	for _, flow := range []float64{240, 150, 120, 110} {
		var told bool
		if s, told = hour(s, flow); told {
			t.Errorf("told at %v, after somebody had set it", flow)
		}
	}
	if s.Best != 150 {
		t.Errorf("the best since it was set is %v", s.Best)
	}
	// Time without flow is in no mean.
	one, _ := hour(Strainer{}, 200)
	two := Strainer{}
	for range 1800 {
		two, _ = two.Step(period, 200)
		two, _ = two.Step(time.Hour, 0)
		two, _ = two.Step(0, 50)
	}
	if one != two || math.Abs(one.Last-200) > 1e-9 {
		t.Errorf("%+v and %+v", one, two)
	}
	if !(Strainer{Volume: 3, Time: 5}).IsZero() || (Strainer{Told: true}).IsZero() || (Strainer{Best: 1}).IsZero() || (Strainer{Last: 1}).IsZero() {
		t.Error("IsZero")
	}
}

// Ruling: a sensor out makes the others owe the long flush; what flows past an open cell pays nothing of it.
func TestASensorOutOwesTheLongFlushFromItsReturn(t *testing.T) {
	st := fresh(t, usual())
	if st.out.Opened {
		t.Error("a line in service stands open")
	}
	st.in.SensorOut = true
	st.run(time.Hour).want(reading.Flushing)
	if st.out.OwedML != 1870 || st.out.FlushedML != 0 || !st.out.Opened {
		t.Errorf("while out it owes %v, flushed %v, opened %t", st.out.OwedML, st.out.FlushedML, st.out.Opened)
	}
	st.in.SensorOut = false
	// 1870 mL at 200 mL/min are 561 s
	if st.run(560 * time.Second).want(reading.Flushing); !st.out.Opened {
		t.Error("the opening is over before its flush is whole")
	}
	if st.run(period).want(reading.Believed); st.out.Opened {
		t.Error("the opening is not over with its flush")
	}
	// A sensor taken out while the flow is stopped, and put back before it begins.
	st = fresh(t, usual())
	st.flow(0).run(time.Minute)
	st.in.SensorOut = true
	st.run(time.Minute)
	st.in.SensorOut = false
	st.run(time.Minute).flow(200).run(period).want(reading.Flushing)
	if st.out.OwedML != 1870 || !st.out.Opened {
		t.Errorf("owes %v, opened %t", st.out.OwedML, st.out.Opened)
	}
	// Without a flow point the flush is counted at the low end of the range: 1870 mL at 50 mL/min are 2244 s.
	st = &story{t: t, cfg: usual(), in: Input{Period: period}}
	st.run(time.Minute).want(reading.FlowUnproven)
	st.in.SensorOut = true
	st.run(time.Minute).want(reading.Flushing)
	st.in.SensorOut = false
	st.run(2240 * time.Second).want(reading.Flushing)
	st.run(6 * time.Second).want(reading.FlowUnproven)
	// Where nothing can count a flush none is asked for.
	none := *usual()
	none.FlowLow = 0
	st = &story{t: t, cfg: &none, in: Input{Period: period, SensorOut: true}}
	st.run(time.Minute).want(reading.FlowUnproven)
}

func TestAnHourOpensTheLineAndAFirstStartDoesNot(t *testing.T) {
	st := begin(t, usual()).flow(200)
	if st.run(time.Minute).want(reading.Flushing); st.out.Opened {
		t.Error("a first start is an opening")
	}
	st = fresh(t, usual())
	st.flow(0).run(59 * time.Minute)
	if st.out.Opened {
		t.Error("59 min opened it")
	}
	if st.run(2 * time.Minute); !st.out.Opened {
		t.Error("an hour did not open it")
	}
	if st.flow(200).run(9 * time.Minute); !st.out.Opened {
		t.Error("the opening is over before its flush")
	}
	if st.run(time.Minute); st.out.Opened || st.out.Reason != reading.Believed {
		t.Errorf("after the flush: opened %t, %v", st.out.Opened, st.out.Reason)
	}
}
