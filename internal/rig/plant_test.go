package rig

import (
	"math"
	"slices"
	"testing"
	"time"
)

func newPlant(t *testing.T, c Constants) *Plant {
	t.Helper()
	p, err := NewPlant(c, 1)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// when steps the plant until the claim holds and returns the plant's time, failing after limit more.
func when(t *testing.T, p *Plant, limit time.Duration, what string, claim func(Snapshot) bool) time.Duration {
	t.Helper()
	for end := p.At() + limit; p.At() < end; {
		p.Step(50 * time.Millisecond)
		if claim(p.Snapshot()) {
			return p.At()
		}
	}
	t.Fatalf("%s: not within %v; at the end %+v", what, limit, p.Snapshot())
	return 0
}

func closed(s Snapshot) bool { return s.ValveClosed }

func TestSteadyServiceStaysWhereItIs(t *testing.T) {
	for name, c := range map[string]Constants{"default": DefaultConstants(), "demo": DemoConstants()} {
		p := newPlant(t, c)
		p.Step(time.Hour)
		s := p.Snapshot()
		if math.Abs(s.Water-25.1) > 0.01 || math.Abs(s.WaterOxygen-5) > 1e-6 || s.ValveClosed || !s.FeedOn || s.Closures != 0 {
			t.Errorf("%s after an hour: %+v", name, s)
		}
		if math.Abs(s.Flow-200) > 1 {
			t.Errorf("%s flow %v, want 200 within 1 mL/min", name, s.Flow)
		}
	}
}

func TestFlowMeterWandersByAtMostOne(t *testing.T) {
	p := newPlant(t, DemoConstants())
	low, high := math.Inf(1), math.Inf(-1)
	for range 2000 {
		p.Step(50 * time.Millisecond)
		f := p.Snapshot().Flow
		low, high = min(low, f), max(high, f)
	}
	if low < 199 || high > 201 || high-low < 1 {
		t.Errorf("flow ran from %v to %v, want a wander within 199 to 201", low, high)
	}
}

func TestPlugFlowDelayIsLineVolumeOverFlow(t *testing.T) {
	const step = 50 * time.Millisecond
	for _, flow := range []float64{50, 200, 500} {
		c := DefaultConstants()
		c.FlowSetPoint = flow
		p := newPlant(t, c)
		p.DeaeratorUpset()
		before := p.Snapshot().WaterOxygen
		arrived := when(t, p, time.Hour, "oxygen at the cell", func(s Snapshot) bool { return s.WaterOxygen > before+1e-9 })
		// 15 m of 4 mm bore is 12.566 mL/m, plus 100 mL: 288.5 mL.
		want := time.Duration(288.496 / flow * float64(time.Minute))
		if off := arrived - want; off < -step || off > step {
			t.Errorf("at %v mL/min the front came after %v, want %v within one step", flow, arrived, want)
		}
	}
}

func TestPlugFlowLosesNothing(t *testing.T) {
	// What left plus what is still inside is what went in, at odd step sizes and through the merging of drips.
	l := fill(12, water{oxygen: 0}, 25, 8260)
	in, out := 0.0, 0.0
	for i := range 50000 {
		mL := 0.0001 + 0.01*float64(i%7)
		w := water{oxygen: float64(i % 11)}
		in += mL * w.oxygen
		out += mL * l.push(mL, w).oxygen
	}
	held, volume := 0.0, 0.0
	for _, p := range l.parcels[l.head:] {
		held += p.mL * p.oxygen
		volume += p.mL
	}
	if math.Abs(in-out-held) > 1e-6*in || math.Abs(volume-12) > 1e-6 {
		t.Errorf("in %v, out %v, held %v; volume %v", in, out, held, volume)
	}
	if n := len(l.parcels); n > 3*parcelsMax {
		t.Errorf("%d parcels for a 12 mL line", n)
	}
}

func TestCellMixesAsOneStirredVolume(t *testing.T) {
	// Textbook stirred tank: e^-3 = 5.0 % of the old water is left after three cell volumes, e^-7 = 0.09 % after seven.
	for _, volumes := range []float64{1, 3, 7} {
		c := DefaultConstants()
		c.LineLengthM, c.CoilML = 0, 0.1
		p := newPlant(t, c)
		p.cell.oxygen = 1005
		p.Step(time.Duration(volumes * c.CellML / c.FlowSetPoint * float64(time.Minute)))
		left := (p.Snapshot().WaterOxygen - 5) / 1000
		if want := math.Exp(-volumes); math.Abs(left-want) > 0.001*want {
			t.Errorf("after %v cell volumes %v of the old water is left, want %v", volumes, left, want)
		}
	}
}

func TestClosingMomentMovesWithCoolerLossTauAlone(t *testing.T) {
	closing := func(tau time.Duration) time.Duration {
		c := DefaultConstants()
		c.CoolerLossTau = tau
		p := newPlant(t, c)
		p.CoolerLost()
		return when(t, p, time.Hour, "closing", closed)
	}
	last := time.Duration(0)
	for _, tau := range []time.Duration{0, 30 * time.Second, 60 * time.Second, 120 * time.Second} {
		at := closing(tau)
		if at <= last {
			t.Errorf("with tau %v closed at %v, not after the %v of a faster loss", tau, at, last)
		}
		last = at
	}
	// The tap passes 48.9 degC at tau x ln(79.9/56.1) after the loss; doubling tau must move the closing by about that much more.
	moved := closing(120*time.Second) - closing(60*time.Second)
	want := time.Duration(math.Log(79.9/56.1) * 60 * float64(time.Second))
	if d := moved - want; d < -5*time.Second || d > 5*time.Second {
		t.Errorf("doubling tau moved the closing by %v, want about %v", moved, want)
	}
}

func TestMotorisedValveOvershootsItsSetPoint(t *testing.T) {
	// A slower stroke lets more hot water through; nothing else changes.
	peak := func(stroke time.Duration) float64 {
		c := DefaultConstants()
		c.ValveStroke = stroke
		p := newPlant(t, c)
		p.CoolerLost()
		top := 0.0
		when(t, p, time.Hour, "closing", func(s Snapshot) bool { top = max(top, s.Water); return s.ValveClosed })
		return top
	}
	last := DefaultConstants().CloseAbove
	for _, stroke := range []time.Duration{time.Second, 15 * time.Second, 60 * time.Second} {
		top := peak(stroke)
		if top <= last {
			t.Errorf("stroke %v: peak %.1f degC, want above %.1f", stroke, top, last)
		}
		last = top
	}
}

func TestAfterClosingTheHazardCannotBeSeen(t *testing.T) {
	p := newPlant(t, DefaultConstants())
	p.CoolerLost()
	when(t, p, time.Hour, "closing", closed)
	atClosing := p.Snapshot()
	if atClosing.ClosedBy != ByPanel || atClosing.Temperature < 48 {
		t.Fatalf("at closing %+v", atClosing)
	}
	p.Step(30 * time.Minute)
	s := p.Snapshot()
	if s.Effectiveness > 0.001 {
		t.Fatalf("the cooler is not dead: %v", s.Effectiveness)
	}
	// Source at 105 degC, no cooling, and the sensor reads the room.
	if math.Abs(s.Temperature-25) > 0.5 || s.Flow != 0 || !s.ValveClosed {
		t.Errorf("half an hour closed: %+v", s)
	}
}

func TestFirstSlugAfterReopeningIsColdAndProvesNothing(t *testing.T) {
	p := newPlant(t, DefaultConstants())
	p.CoolerLost()
	when(t, p, time.Hour, "closing", closed)
	p.Step(30 * time.Minute)
	p.OpenByHand() // with the cooler still dead
	opened := p.At()
	when(t, p, time.Minute, "one minute open", func(s Snapshot) bool {
		if s.Temperature > 40 {
			t.Fatalf("%v after opening already %.1f degC: no cold slug", s.At-opened, s.Temperature)
		}
		return s.At-opened >= 55*time.Second
	})
	again := when(t, p, 10*time.Minute, "closing again", closed)
	if again-opened < 87*time.Second {
		t.Errorf("closed again %v after opening, sooner than the lead lasts", again-opened)
	}
	if n := p.Snapshot().Closures; n != 2 {
		t.Errorf("closures %d, want 2", n)
	}
}

func TestOxygenAfterReopeningIsStagnantFirstThenFresh(t *testing.T) {
	c := DefaultConstants()
	p := newPlant(t, c)
	p.CloseByHand()
	p.Step(2 * time.Hour)
	stagnant := p.Snapshot().WaterOxygen
	if stagnant < 1000 {
		t.Fatalf("two hours open to the room gave only %.0f ug/L in the cell", stagnant)
	}
	p.OpenByHand()
	volume := 0.0 // mL since opening
	at := func(mL float64) float64 {
		for volume < mL {
			p.Step(50 * time.Millisecond)
			volume += p.flow * (50 * time.Millisecond).Minutes()
		}
		return p.Snapshot().WaterOxygen
	}
	lead := c.LeadML()
	atLead := at(lead)
	if atLead < 40 {
		t.Errorf("after one lead the cell shows %.1f ug/L: the stagnant leg was not seen", atLead)
	}
	// Fresh water from here: each cell volume leaves e^-1 of what was there.
	three := at(lead + 3*c.CellML)
	if want := 5 + (atLead-5)*math.Exp(-3); math.Abs(three-want) > 0.05*want {
		t.Errorf("three cells later %.2f ug/L, want %.2f", three, want)
	}
	if ten := at(lead + 10*c.CellML); math.Abs(ten-5) > 0.1 {
		t.Errorf("ten cells later %.2f ug/L, want the source's 5", ten)
	}
}

// TestReopeningOnTemperatureCyclesAndHoldingDoesNot: a rule that re-opens below some temperature is answered by the room, so it brings
// hot water over the sensors again and again; a smaller margin does it more often; holding closed does it once.
func TestReopeningOnTemperatureCyclesAndHoldingDoesNot(t *testing.T) {
	closures := func(reopen func(Snapshot) bool) int {
		c := DefaultConstants()
		c.CloseAbove = 49
		p := newPlant(t, c)
		p.CoolerLost()
		for p.At() < 2*time.Hour {
			p.Step(100 * time.Millisecond)
			if s := p.Snapshot(); s.ValveClosed && reopen(s) {
				p.OpenByHand()
			}
		}
		return p.Snapshot().Closures
	}
	below := func(degC float64) func(Snapshot) bool {
		return func(s Snapshot) bool { return s.Temperature <= degC }
	}
	got := []int{
		closures(below(48)), closures(below(47)), closures(below(44)), closures(below(39)),
		closures(func(Snapshot) bool { return false }),
	}
	t.Logf("closures in two hours, re-opening 1, 2, 5, 10 degC below, and holding: %v", got)
	if got[4] != 1 {
		t.Errorf("holding closed %d times, want once", got[4])
	}
	if got[3] < 10 {
		t.Errorf("re-opening 10 degC below closed only %d times", got[3])
	}
	if !slices.IsSortedFunc(got, func(a, b int) int { return b - a }) {
		t.Errorf("a larger margin must not close more often: %v", got)
	}
}

func TestPulledSensorReadsAirAndBlindsTheShutOff(t *testing.T) {
	p := newPlant(t, DefaultConstants())
	p.SensorPulled()
	p.CoolerLost()
	p.Step(10 * time.Minute)
	s := p.Snapshot()
	if math.Abs(s.Oxygen-8260) > 1 || math.Abs(s.Temperature-25) > 0.1 {
		t.Errorf("in air: %+v", s)
	}
	if s.Closures != 0 || s.Water < 90 {
		t.Errorf("hot water should have passed unseen: %+v", s)
	}
	p.SensorBack()
	p.Step(time.Second)
	if o := p.Snapshot().WaterOxygen; o < 7500 {
		t.Errorf("put back into water of %.0f ug/L: the open cell took up no air", o)
	}
	when(t, p, 5*time.Minute, "closing once the RTD is back", closed)
}

func TestASpikeShorterThanTheConfirmTimeDoesNotClose(t *testing.T) {
	for confirm, want := range map[time.Duration]int{0: 1, 4 * time.Second: 0} {
		c := DefaultConstants()
		c.CloseConfirm, c.RTDTau = confirm, time.Second
		p := newPlant(t, c)
		p.rtd, p.cell.temperature = 60, 49.5 // the fresh water pulls it down within three seconds
		p.Step(time.Minute)
		if n := p.Snapshot().Closures; n != want {
			t.Errorf("confirm %v: closed %d times on a spike, want %d", confirm, n, want)
		}
	}
}

func TestSwitchesShowWhatTheySay(t *testing.T) {
	type claim struct {
		do   string
		want func(Snapshot) bool
	}
	for _, c := range []claim{
		{"flow-lost", func(s Snapshot) bool { return s.Flow == 0 && !s.ValveClosed }},
		{"flow-restored", func(s Snapshot) bool { return s.Flow > 190 }},
		{"boiler-off-line", func(s Snapshot) bool { return !s.FeedOn }},
		{"boiler-on-line", func(s Snapshot) bool { return s.FeedOn }},
		{"condensate-leak", func(s Snapshot) bool { return s.Conductivity > 13.9 }},
		{"condensate-clean", func(s Snapshot) bool { return s.Conductivity < 4.1 }},
		{"station-silent", func(s Snapshot) bool { return s.Silent }},
		{"station-answering", func(s Snapshot) bool { return !s.Silent }},
		{"temperature-lost", func(s Snapshot) bool { return int16(s.Words().Holding[2]) == -32768 }},
		{"temperature-back", func(s Snapshot) bool { return s.Words().Holding[2] > 200 && s.Words().Holding[2] < 300 }},
		{"closed-by-hand", func(s Snapshot) bool { return s.ValveClosed && s.ClosedBy == ByHand }},
		{"opened-by-hand", func(s Snapshot) bool { return s.Opening == 1 && s.ClosedBy == ByNobody }},
		{"deaerator-upset", func(s Snapshot) bool { return math.Abs(s.Oxygen-60) < 0.5 }},
		{"deaerator-recovered", func(s Snapshot) bool { return math.Abs(s.Oxygen-5) < 0.5 }},
		{"cooler-lost", func(s Snapshot) bool { return s.Cooler() == "lost" && s.ClosedBy == ByPanel }},
		{"cooler-restored", func(s Snapshot) bool { return s.Cooler() == "working" && s.Effectiveness > 0.93 && s.ValveClosed }},
	} {
		p := newPlant(t, DemoConstants())
		// Each claim follows its opposite, so the word must undo as well as do.
		for i := 0; i < len(upsetWords); i += 2 {
			if upsetWords[i+1].word == c.do {
				if err := p.Do(upsetWords[i].word); err != nil {
					t.Fatal(err)
				}
				p.Step(time.Minute)
			}
		}
		if c.do == "opened-by-hand" {
			p.CloseByHand()
			p.Step(time.Minute)
		}
		if c.want(p.Snapshot()) {
			t.Errorf("%s: its claim held before it was done", c.do)
		}
		if err := p.Do(c.do); err != nil {
			t.Fatal(err)
		}
		p.Step(time.Minute)
		if !c.want(p.Snapshot()) {
			t.Errorf("%s: %+v", c.do, p.Snapshot())
		}
	}
}

func TestSameSeedGivesTheSameBytes(t *testing.T) {
	run := func(seed uint64) []Words {
		script, err := ParseScript(DemoScript)
		if err != nil {
			t.Fatal(err)
		}
		p, err := NewPanel(1, DemoConstants(), seed, script)
		if err != nil {
			t.Fatal(err)
		}
		var all []Words
		for range 2000 {
			p.Step(50 * time.Millisecond)
			all = append(all, p.Snapshot().Words())
		}
		return all
	}
	if !slices.Equal(run(7), run(7)) {
		t.Error("two runs of seed 7 differ")
	}
	if slices.Equal(run(7), run(8)) {
		t.Error("seeds 7 and 8 give the same bytes: the seed does nothing")
	}
}

func TestImpossibleConstantsAreAllNamed(t *testing.T) {
	c := DefaultConstants()
	c.CellML, c.FlowSetPoint, c.RTDTau = 0, math.NaN(), -time.Second
	_, err := NewPlant(c, 1)
	if err == nil {
		t.Fatal("accepted")
	}
	for _, name := range []string{"CellML", "FlowSetPoint", "RTDTau"} {
		if !contains(err, name) {
			t.Errorf("%q does not name %s", err, name)
		}
	}
	if _, err := NewPlant(Constants{}, 1); err == nil {
		t.Error("the zero Constants made a plant")
	}
}
