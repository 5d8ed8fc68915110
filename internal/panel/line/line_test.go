package line

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// The figures come from the geometry: volume / flow. 290 mL: 87 s at 200 mL/min, 348 s at 50, 34.8 s at 500.
func TestTheLagIsTheLeadOverThePresentFlowWithoutTheCell(t *testing.T) {
	for mL, want := range map[float64]time.Duration{200: 87 * time.Second, 50: 348 * time.Second, 500: 34800 * time.Millisecond} {
		st := begin(t, usual()).flow(mL).run(time.Minute)
		if !st.out.LagKnown || (st.out.Lag-want).Abs() > time.Millisecond {
			t.Errorf("%v mL/min: lag %v, want %v", mL, st.out.Lag, want)
		}
	}
	exact := usual()
	exact.LeadML = math.Pi/4*4*4*15 + 100
	st := begin(t, exact).flow(200).run(time.Minute)
	if got := st.out.Lag.Seconds(); math.Abs(got-86.5) > 0.1 {
		t.Errorf("15 m x 4 mm + 100 mL at 200 mL/min: lag %.2f s, want 86.5", got)
	}
	if st.flow(0).run(time.Minute); st.out.LagKnown {
		t.Errorf("a stopped line has the lag %v", st.out.Lag)
	}
	if st.flow(1e-12).run(time.Minute); st.out.LagKnown {
		t.Errorf("a drip in a million years has the lag %v", st.out.Lag)
	}
}

// What a stop owes, in mL and so in seconds of flow. One lead + three cells = 590 mL, three leads + ten cells = 1870 mL.
func TestAStopOwesByItsLengthAndInVolume(t *testing.T) {
	tests := []struct {
		stop  time.Duration
		owed  float64
		at200 time.Duration
	}{
		{2 * time.Second, 300, 90 * time.Second},
		{4*time.Minute + 58*time.Second, 300, 90 * time.Second}, // under the other reading: one lead more
		{5 * time.Minute, 590, 177 * time.Second},
		{59*time.Minute + 58*time.Second, 590, 177 * time.Second},
		{time.Hour, 1870, 561 * time.Second}, // an hour and more counts as opened to air
		{60 * time.Hour, 1870, 561 * time.Second},
	}
	for _, tt := range tests {
		for flow, times := range map[float64]time.Duration{200: 1, 50: 4} { // the same volume, four times the seconds
			st := fresh(t, usual())
			st.flow(0).run(tt.stop).want(reading.NoFlow)
			if st.out.OwedML != st.willOwe(tt.stop) || st.out.FlushedML != 0 {
				t.Errorf("stopped %v: owes %v, flushed %v", tt.stop, st.out.OwedML, st.out.FlushedML)
			}
			st.flow(flow).poll(period)
			if st.out.OwedML != tt.owed {
				t.Errorf("stopped %v: owes %v mL, want %v", tt.stop, st.out.OwedML, tt.owed)
			}
			st.want(reading.Flushing)
			want := (times*tt.at200 + period - 1) / period * period // seen at the next poll
			if got := st.untilBelieved(); got != want {
				t.Errorf("stopped %v, %v mL/min: believed after %v, want %v", tt.stop, flow, got, want)
			}
		}
	}
}

func TestTheFirstStartOwesTheLongFlush(t *testing.T) {
	st := begin(t, usual()).flow(200)
	st.poll(0)
	st.want(reading.Flushing)
	if st.out.OwedML != 1870 {
		t.Errorf("owes %v mL, want 1870", st.out.OwedML)
	}
	if got := st.untilBelieved(); got != 562*time.Second { // 561 s, seen at the next poll
		t.Errorf("believed after %v, want 562 s", got)
	}
	var zero Output
	if zero.Reason != reading.Unknown || zero.Valve != reading.ValveNotConfirmed {
		t.Error("the zero output believes something")
	}
}

// A small boiler feeds 100 s in every 5 min. 100 s at 200 mL/min are 333 mL: more than three cells, less than a lead and three.
func TestABoilerFedInPulsesIsBelievedAtTheEndOfEach(t *testing.T) {
	st := fresh(t, usual())
	for pulse := range 50 {
		st.flow(0).run(200 * time.Second).want(reading.NoFlow)
		st.flow(200).run(4 * time.Second).want(reading.Flushing)
		st.run(96 * time.Second)
		if st.out.Reason != reading.Believed {
			t.Fatalf("pulse %d ended with %v", pulse, st.out.Reason)
		}
	}
}

// The same boiler from a first start, and after an idle night: the long flush is paid from pulse to pulse (1870 mL at about 330
// a pulse: the sixth), not asked for in one piece, which no pulse could ever bring.
func TestPulsesPayOffAnOpeningToAir(t *testing.T) {
	for name, st := range map[string]*story{
		"first start": begin(t, usual()),
		"idle night":  fresh(t, usual()).flow(0).run(8 * time.Hour),
	} {
		st.flow(0).run(10 * time.Second)
		first := 0
		for pulse := 1; pulse <= 12; pulse++ {
			st.flow(200).run(100 * time.Second)
			if st.out.Reason == reading.Believed && first == 0 {
				first = pulse
			}
			if first != 0 && st.out.Reason != reading.Believed {
				t.Errorf("%s: pulse %d ended with %v", name, pulse, st.out.Reason)
			}
			st.flow(0).run(200 * time.Second)
		}
		if first != 6 {
			t.Errorf("%s: first believed in pulse %d, want 6", name, first)
		}
	}
}

// What an opening to air owes and was not flushed stays owed: two short stops later it is still not three cells.
func TestAnUnflushedOpeningToAirStaysOwed(t *testing.T) {
	st := fresh(t, usual())
	st.flow(0).run(2 * time.Hour).flow(200).run(time.Minute)
	for range 2 {
		st.flow(0).run(time.Minute).flow(200).run(time.Minute).want(reading.Flushing)
	}
	// 1870 mL, of which three runs have brought 60, 60 and 60 s at 200 mL/min less the poll that saw each begin.
	if got := st.untilBelieved(); got < 380*time.Second || got > 400*time.Second {
		t.Errorf("believed after %v more, want 1870 mL less three runs of about 58 s", got)
	}
}

// Ten minutes in which nobody looked would be 2000 mL at the flow seen before; they pay nothing.
func TestTimeNobodySawPaysNothing(t *testing.T) {
	st := begin(t, usual()).flow(200).run(time.Minute)
	st.poll(10 * time.Minute)
	st.want(reading.Flushing)
	if st.out.OwedML < 1870-201 || st.out.FlushedML != 0 {
		t.Errorf("owes %v, flushed %v, want 1870 less the first minute", st.out.OwedML, st.out.FlushedML)
	}
}

// After ten minutes' stop a lead and three cells are owed; a short stop meanwhile owes three cells only, whatever came before.
func TestAShortStopAfterALongerOneOwesThreeCells(t *testing.T) {
	st := fresh(t, usual())
	st.flow(0).run(10 * time.Minute).flow(200).run(20 * time.Second)
	if st.out.OwedML != 590 {
		t.Fatalf("owes %v", st.out.OwedML)
	}
	st.flow(0).run(20 * time.Second).flow(200).poll(period)
	if st.out.OwedML != 300 || st.out.FlushedML != 0 {
		t.Errorf("owes %v, flushed %v, want 300 counted anew", st.out.OwedML, st.out.FlushedML)
	}
}

func TestAFlowIsHeldForThreePeriodsThenNothing(t *testing.T) {
	st := fresh(t, usual())
	st.in.FlowOK = false
	st.in.Flow = 0
	st.run(4 * time.Second).want(reading.Believed)
	st.run(2 * time.Second).want(reading.NoFlow) // 6.1 s: the last reading was 0.1 s old when it came
	st.in.FlowOK = true
	st.flow(200).run(period).want(reading.Flushing)
	if st.out.OwedML != 300 {
		t.Errorf("8 s unseen owe %v mL, want three cells", st.out.OwedML)
	}

	// Two missed polls and back: nothing has stopped.
	st = fresh(t, usual())
	st.in.FlowOK = false
	st.run(4 * time.Second).want(reading.Believed)
	st.in.FlowOK = true
	st.run(period).want(reading.Believed)

	// Six minutes unseen are a stop of six minutes, from the last reading on.
	st = fresh(t, usual())
	st.in.FlowOK = false
	st.run(299 * time.Second)
	st.in.FlowOK = true
	if st.run(time.Second); st.out.OwedML != 590 {
		t.Errorf("300.1 s unseen owe %v mL, want 590: the held time is part of the stop", st.out.OwedML)
	}

	// A process that stood still for a minute has not seen the flow either.
	st = fresh(t, usual())
	st.poll(time.Minute)
	st.want(reading.Flushing)

	// A reading that comes with its own old age is no better than none.
	st = fresh(t, usual())
	st.in.FlowAge = 7 * time.Second
	st.run(4 * time.Second).want(reading.Believed) // the one before it is still held
	st.run(period).want(reading.NoFlow)
}

func TestADaemonAwayForLongerIsAStopOfThatLength(t *testing.T) {
	tests := []struct {
		away    time.Duration
		unknown bool
		owed    float64
	}{
		{6 * time.Second, false, 0},
		{7 * time.Second, false, 300},
		{4 * time.Minute, false, 300},
		{10 * time.Minute, false, 590},
		{time.Hour, false, 1870},
		{0, true, 1870},
		{-time.Second, false, 0}, // cannot be; credited to nobody
	}
	for _, tt := range tests {
		st := fresh(t, usual()).restart(tt.away, tt.unknown)
		if tt.owed == 0 {
			st.want(reading.Believed)
			continue
		}
		st.want(reading.Flushing)
		if st.out.OwedML != tt.owed {
			t.Errorf("away %v (unknown %v): owes %v mL, want %v", tt.away, tt.unknown, st.out.OwedML, tt.owed)
		}
	}
	// A stop goes on while nobody looks: 3 min stopped, 3 min away, and the flow is there at the first look.
	st := fresh(t, usual())
	st.flow(0).run(3*time.Minute).flow(200).restart(3*time.Minute, false)
	if st.out.OwedML != 590 {
		t.Errorf("3 min stopped and 3 min away owe %v mL, want 590", st.out.OwedML)
	}
	// A short restart in which the flow has not been read yet is held like any other.
	st = fresh(t, usual())
	st.in.FlowOK = false
	st.restart(3*time.Second, false).want(reading.Believed)
	st.in.FlowOK = true
	st.run(period).want(reading.Believed)
	// A half-paid flush is remembered, and no volume is credited to the time away.
	st = begin(t, usual()).flow(200).run(5 * time.Minute)
	before := st.out.FlushedML
	if st.restart(5*time.Second, false); st.out.FlushedML != before || st.out.OwedML != 1870 {
		t.Errorf("after a restart flushed %v of %v, before %v", st.out.FlushedML, st.out.OwedML, before)
	}
}

func TestZeroAtTheFloorOrNoNumberIsAStop(t *testing.T) {
	for name, set := range map[string]func(*Input){
		"zero":     func(in *Input) { in.Flow = 0 },
		"negative": func(in *Input) { in.Flow = -3 },
		"at floor": func(in *Input) { in.Flow, in.FlowAtFloor = 5, true },
		"NaN":      func(in *Input) { in.Flow = math.NaN() },
		"infinite": func(in *Input) { in.Flow = math.Inf(1) },
	} {
		st := fresh(t, usual())
		set(&st.in)
		st.run(period)
		if st.out.Reason != reading.NoFlow {
			t.Errorf("%s: %v", name, st.out.Reason)
		}
	}
}

func TestFeedbackWinsOverALeak(t *testing.T) {
	st := fresh(t, usual()).valve(false)
	st.run(period).want(reading.Believed)
	if st.out.Valve != reading.ValveOpen || st.out.ValveFrom != FromFeedback {
		t.Errorf("open: %v from %v", st.out.Valve, st.out.ValveFrom)
	}
	st.valve(true).flow(10).run(20 * time.Minute).want(reading.ValveClosed) // a 5 % leak does not make it open
	if st.out.Valve != reading.ValveClosedState || st.out.ValveFrom != FromFeedback {
		t.Errorf("closed: %v from %v", st.out.Valve, st.out.ValveFrom)
	}
	st.valve(false).flow(200).run(period).want(reading.Flushing)
	if st.out.OwedML != 590 {
		t.Errorf("20 min closed with a leak owe %v mL, want 590", st.out.OwedML)
	}
}

func TestFeedbackLostIsNotConfirmed(t *testing.T) {
	st := fresh(t, usual()).valve(false)
	st.run(period)
	st.in.FeedbackOK = false
	st.run(6 * time.Second).want(reading.Believed) // held for three periods
	st.run(period).want(reading.NotConfirmed)
	if st.out.Valve != reading.ValveNotConfirmed || st.out.ValveFrom != FromNone {
		t.Errorf("lost: %v from %v", st.out.Valve, st.out.ValveFrom)
	}
	st.run(10 * time.Minute)
	st.valve(false).run(period).want(reading.Believed) // the flow was proven all the while: nothing is owed

	st.in.FeedbackPeriod = 10 * time.Second // the valve's own sensor is polled more rarely
	st.in.FeedbackOK = false
	st.run(30 * time.Second).want(reading.Believed)
	st.run(period).want(reading.NotConfirmed)
}

func TestWithoutFeedbackTheValveIsJudgedFromFlow(t *testing.T) {
	st := fresh(t, usual())
	if st.out.Valve != reading.ValveOpen || st.out.ValveFrom != FromFlow {
		t.Errorf("flowing: %v from %v", st.out.Valve, st.out.ValveFrom)
	}
	st.flow(0).run(period).want(reading.NoFlow) // not closed: a blocked line looks the same
	if st.out.Valve != reading.ValveNotConfirmed || st.out.ValveFrom != FromFlow {
		t.Errorf("stopped: %v from %v", st.out.Valve, st.out.ValveFrom)
	}
}

func TestOutsideItsRangeIsDoubtedAtOnceAndOwesNoFlush(t *testing.T) {
	for _, flow := range []float64{49.9, 500.1} {
		st := fresh(t, usual())
		st.flow(flow).run(period).want(reading.FlowOutside)
		st.flow(200).run(period).want(reading.Believed)
	}
	for _, flow := range []float64{50, 500} {
		fresh(t, usual()).flow(flow).run(period).want(reading.Believed)
	}
	// It is told after ten minutes; any reading inside starts them again, a stopped flow makes them wait.
	st := fresh(t, usual())
	st.flow(30).run(10 * time.Minute)
	if st.out.OutsideLong {
		t.Error("told after less than ten minutes")
	}
	if st.run(period); !st.out.OutsideLong {
		t.Error("not told after ten minutes")
	}
	st.flow(200).run(period)
	st.flow(30).run(9 * time.Minute)
	if st.out.OutsideLong {
		t.Error("one reading inside did not start the ten minutes again")
	}
	st.flow(0).run(time.Hour)
	if st.out.OutsideLong {
		t.Error("a stopped flow ran the ten minutes on")
	}
	if st.flow(30).run(66 * time.Second); !st.out.OutsideLong {
		t.Error("a stop started the ten minutes again")
	}
}

func TestWithoutAFlowPointNothingIsProven(t *testing.T) {
	cfg := usual()
	st := &story{t: t, cfg: cfg, in: Input{Period: period}}
	st.run(period).want(reading.FlowUnproven)
	if st.out.Lag != 348*time.Second || !st.out.LagKnown || st.out.Valve != reading.ValveNotConfirmed || st.out.ValveFrom != FromNone {
		t.Errorf("%+v, want the lag at the low end of the range and no valve", st.out)
	}
	// A closing that was seen is answered by a flush at the low end: the first water after it is that of the dead line, and a
	// cold slug must not pass for a cooled sample.
	st.valve(false).run(time.Minute).want(reading.FlowUnproven)
	st.valve(true).run(10 * time.Minute).want(reading.ValveClosed)
	st.valve(false).run(708 * time.Second).want(reading.Flushing) // 590 mL at 50 mL/min, from the poll that saw it open
	st.run(period).want(reading.FlowUnproven)
	// Feedback lost is not confirmed, and no opening.
	st.valve(true).run(time.Minute)
	st.in.FeedbackOK = false
	st.run(10 * time.Minute).want(reading.NotConfirmed)
	st.valve(false).run(period).want(reading.Flushing)
	// Where nothing can count a flush none is asked for.
	none := *cfg
	none.FlowLow = 0
	st = &story{t: t, cfg: &none, in: Input{Period: period}}
	st.valve(true).run(time.Minute)
	st.valve(false).run(period).want(reading.FlowUnproven)
	if st.out.LagKnown {
		t.Error("a lag without any flow")
	}
}

func TestALineThatIsNotConfiguredIsUnprovenButAValveIsStillSeen(t *testing.T) {
	st := fresh(t, &site.Line{})
	st.want(reading.FlowUnproven)
	if st.out.LagKnown {
		t.Error("a lag without a line")
	}
	st.valve(true).run(period).want(reading.ValveClosed)
	st.valve(false).run(period).want(reading.FlowUnproven)
}

// The lag a person is shown includes the stop until a lead has passed: three cells after a 4 min stop the water at the cell is
// what stood in the line.
func TestTheWaterIsAsOldAsTheLagAndTheStop(t *testing.T) {
	small := usual()
	small.CellML = 20
	st := fresh(t, small)
	if st.out.Stood != 0 {
		t.Errorf("in steady flow it stood %v", st.out.Stood)
	}
	st.flow(0).run(4 * time.Minute)
	st.flow(200).run(20 * time.Second).want(reading.Believed) // 60 mL
	if st.out.Stood != 4*time.Minute {
		t.Errorf("stood %v, want 4 min", st.out.Stood)
	}
	if st.run(70 * time.Second); st.out.Stood != 0 { // 87 s bring a lead
		t.Errorf("after a lead it stood %v", st.out.Stood)
	}
	// Pulses of half a lead: the water at the cell has stood through two stops, not through all of them.
	for range 100 {
		st.flow(0).run(time.Minute)
		st.flow(145).run(time.Minute)
	}
	if st.out.Stood < 100*time.Second || st.out.Stood > 140*time.Second {
		t.Errorf("in pulses of half a lead it stood %v, want about two stops of 1 min", st.out.Stood)
	}
}

// Only changed rows are written: noise of the flow and a stop of a weekend must not be changes.
func TestASteadyLineWritesNothing(t *testing.T) {
	text := func(st *story) string {
		b, err := json.Marshal(st.s)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	st := fresh(t, usual())
	before := text(st)
	for i := range 100 {
		st.flow(200 + float64(i%7)/10).run(period)
		if text(st) != before {
			t.Fatalf("%s became %s", before, text(st))
		}
	}
	st.flow(0).run(61 * time.Minute)
	before = text(st)
	if st.run(48 * time.Hour); text(st) != before {
		t.Errorf("%s became %s", before, text(st))
	}
	if len(before) > 300 {
		t.Errorf("%d bytes of state", len(before))
	}
	if b, _ := json.Marshal(State{}); string(b) != "{}" {
		t.Errorf("the zero state is %s", b)
	}
}
