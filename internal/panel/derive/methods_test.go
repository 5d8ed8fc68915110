package derive

import (
	"math"
	"testing"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// made is a derived point of a kind, each input a point in the kind's own unit; an absent one is none.
func made(t *testing.T, by site.Derivation, choice string, present int) (*site.Point, []site.Point) {
	t.Helper()
	k := by.Kind()
	var points []site.Point
	p := site.Point{Path: "b2.made", Quantity: k.Result, Unit: spell(t, k.Unit, k.Result), Sensor: site.None, Derive: site.Derive{By: by, Choice: choice}}
	for i, in := range k.Inputs {
		at := site.Input{Point: site.None}
		if i < present {
			at.Point = i
		}
		points = append(points, site.Point{Path: "b2.rack." + in.Key, Quantity: in.Quantity, Unit: spell(t, in.Unit, in.Quantity)})
		p.Derive.Inputs = append(p.Derive.Inputs, at)
	}
	points = append(points, p)
	return &points[len(points)-1], points
}

func good(values ...float64) []reading.Reading {
	var r []reading.Reading
	for _, v := range values {
		r = append(r, reading.Of(v, reading.Exact, reading.Believed, at(time.Second)))
	}
	return r
}

// walked is one point in the middle of the range of every kind.
var walked = []struct {
	by     site.Derivation
	choice string
	v      []float64
}{
	{site.ResistivityOf, "", []float64{4}},
	{site.PercentSaturationOf, "", []float64{12, 25, 1013}},
	{site.ConductivityAt25Of, site.Linear, []float64{4, 35, 2}},
	{site.ConductivityAt25Of, "natural", []float64{400, 15}},
	{site.ConductivityAt25Of, "salt-trace", []float64{0.5, 35}},
	{site.CyclesFromConductivity, "", []float64{5000, 250}},
	{site.CyclesFromChloride, "", []float64{100, 5}},
	{site.CyclesFromTracer, "", []float64{200, 10}},
	{site.BlowdownOfFeedwater, "", []float64{20}},
	{site.BlowdownOfSteam, "", []float64{20}},
	{site.ScavengerDemandOf, "SO3", []float64{7}},
	{site.ScavengerFeedOf, "SO3", []float64{7, 30, 20}},
	{site.ProductFromTracer, "", []float64{10, 0.1, 9}},
	{site.BelowSaturationOf, "", []float64{103.1, 0.20, 1013, 0.02}},
	{site.PHExpectedFrom, "", []float64{4.2}},
	{site.PHAboveExpected, "", []float64{9.3, 4.2}},
	{site.LeadTimeOf, "", []float64{200, 290}},
}

// inputsOf fills up what is not given.
func inputsOf(k site.DeriveKind, v []float64) []reading.Reading {
	r := good(v...)
	for len(r) < len(k.Inputs) {
		r = append(r, reading.Reading{})
	}
	return r
}

// Values with their source. The equations have tests of their own in the chemistry room; what is proved here is that each kind asks the
// right one, with its inputs in their places and units.
func TestEachKindMeetsAPublishedPoint(t *testing.T) {
	for _, c := range []struct {
		by      site.Derivation
		choice  string
		v       []float64
		want    float64
		within  float64
		because string
	}{
		{site.PercentSaturationOf, "", []float64{8263.5, 25, 1013.25}, 100, 0.01, "CRAN rMR 1.1.0 Eq.Ox.conc: 8.2635 mg/L at 25 degC and 760 mmHg"},
		{site.PercentSaturationOf, "", []float64{7, 25, 1013.25}, 0.0847, 0.0001, "7 ug/L of 8263.5"},
		{site.PercentSaturationOf, "", []float64{7134.1, 20, 799.934}, 100, 0.02, "CRAN rMR 1.1.0: 7.1341 mg/L at 20 degC and 600 mmHg"},
		{site.ConductivityAt25Of, site.Linear, []float64{1273.03, 20, 1.94}, 1409.8, 0.1, "1273.03/(1 - 0.097), within 0.12 % of the 1408.23 of 0.01 mol/kg KCl (CRC Handbook, NIST values)"},
		{site.ConductivityAt25Of, "natural", []float64{100, 10}, 142.8, 0.4, "ISO 7888, f25(10 degC) = 1.428 (from memory)"},
		{site.ConductivityAt25Of, "salt-trace", []float64{0.03038, 15}, 0.055, 0.0005, "IAPWS 1990 guideline: 0.03038 uS/cm at 15 degC, 0.0550 at 25"},
		{site.CyclesFromConductivity, "", []float64{5000, 250}, 20, 1e-9, "UFC 3-240-13FN, equation 5"},
		{site.CyclesFromChloride, "", []float64{100, 5}, 20, 1e-9, "mass balance"},
		{site.CyclesFromTracer, "", []float64{200, 10}, 20, 1e-9, "mass balance"},
		{site.BlowdownOfFeedwater, "", []float64{20}, 5, 1e-9, "UFC 3-240-13FN, equation 6"},
		{site.BlowdownOfSteam, "", []float64{20}, 5.2632, 0.0001, "UFC 3-240-13FN, equations 7 and 8: 2105 lb/h of 40 000"},
		{site.BlowdownOfSteam, "", []float64{5}, 25, 1e-9, "mass balance: 20 % of feedwater is 25 % of steam"},
		{site.ScavengerDemandOf, "Na2SO3", []float64{1000}, 7.878, 0.001, "2 Na2SO3 + O2, IUPAC atomic weights"},
		{site.ScavengerDemandOf, "N2H4", []float64{1000}, 1.0015, 0.0001, "N2H4 + O2, IUPAC atomic weights"},
		{site.ScavengerFeedOf, "SO3", []float64{7, 30, 20}, 1.535, 0.0005, "5.004 x 0.007 + 30/20, by hand"},
		{site.ScavengerFeedOf, "SO3", []float64{7000, 30, 10}, 38.03, 0.01, "5.004 x 7 + 30/10, by hand: a cold start"},
		{site.ProductFromTracer, "", []float64{10, 0.1}, 10, 1e-9, "0.50 kg/h of product with 0.10 % of tracer into 50 t/h, by hand"},
		{site.BelowSaturationOf, "", []float64{103.1, 0.20, 1013}, 2.0, 0.05, "IAPWS-IF97: 105.0 degC at 120.90 kPa, 105.26 at 122.01"},
		{site.BelowSaturationOf, "", []float64{100, 0.3447379, 1013.25}, 8.391, 0.001, "IAPWS-IF97 by python3-iapws: 108.391 degC at 5 psig"},
		{site.PHExpectedFrom, "", []float64{5}, 9.260, 0.003, "charge balance by hand; PHREEQC with Amm.dat within 0.001"},
		{site.PHExpectedFrom, "", []float64{1}, 8.562, 0.003, "the same; the trade's 8.57 + log10 gives 8.57"},
		{site.PHAboveExpected, "", []float64{9.0, 5}, -0.260, 0.003, "9.0 less 9.260"},
		{site.LeadTimeOf, "", []float64{100, 164.17}, 98.5, 0.01, "10 m of 1/4 in x 0.035 in tube, 16.417 mL/m, at 100 mL/min"},
	} {
		p, points := made(t, c.by, c.choice, len(c.v))
		got := Step(p, points, inputsOf(c.by.Kind(), c.v), at(2*time.Second))
		if got.Reason != reading.Believed || math.Abs(got.Value-c.want) > c.within {
			t.Errorf("%s %s of %v: %+v, want %v: %s", p.Derive.By, c.choice, c.v, got, c.want, c.because)
		}
	}
}

// A rack may speak ppm, degF and psi: each input is taken into the unit of its kind.
func TestInputsMayBeInAnyUnitOfTheirQuantity(t *testing.T) {
	p, points := made(t, site.PercentSaturationOf, "", 3)
	points[0].Unit, points[1].Unit, points[2].Unit = spell(t, "ppm", quantity.DissolvedOxygen), spell(t, "degF", quantity.Temperature), spell(t, "kPa(a)", quantity.Pressure)
	p.Unit = spell(t, "ratio", quantity.Ratio)
	if got := Step(p, points, good(8.2635, 77, 101.325), at(1)); math.Abs(got.Value-1) > 1e-4 {
		t.Errorf("%+v, want 1", got)
	}
	p, points = made(t, site.BelowSaturationOf, "", 3)
	p.Unit = spell(t, "degF(diff)", quantity.TemperatureDifference)
	points[0].Unit, points[1].Unit = spell(t, "degF", quantity.Temperature), spell(t, "psi(g)", quantity.Pressure)
	// 227.10 degF at 5 psig (IAPWS-IF97 by python3-iapws), less 212
	if got := Step(p, points, inputsOf(site.BelowSaturationOf.Kind(), []float64{212, 5, 1013.25}), at(1)); math.Abs(got.Value-15.10) > 0.01 {
		t.Errorf("%+v, want 15.10 degF of difference", got)
	}
}

func TestAConstantCountsAsAnInputThatIsAlwaysBelieved(t *testing.T) {
	p, points := made(t, site.PercentSaturationOf, "", 2)
	p.Derive.Inputs[2] = site.Input{Point: site.None, Given: true, Value: 1013.25}
	got := Step(p, points, inputsOf(site.PercentSaturationOf.Kind(), []float64{8263.5, 25}), at(2*time.Second))
	if got.Reason != reading.Believed || math.Abs(got.Value-100) > 0.01 || got.Oldest != at(time.Second) {
		t.Errorf("%+v", got)
	}
}

// Every kind walks up and down with each input as its row says, so that a bound goes through the right way round.
func TestEveryMethodRisesAndFallsAsItSays(t *testing.T) {
	seen := map[site.Derivation]bool{}
	for _, w := range walked {
		seen[w.by] = true
		k := w.by.Kind()
		p, points := made(t, w.by, w.choice, len(w.v))
		for i := range w.v {
			last := math.NaN()
			for step := range 21 {
				v := append([]float64(nil), w.v...)
				v[i] *= 0.90 + 0.01*float64(step) // a tenth to either side
				got := Step(p, points, inputsOf(k, v), at(1))
				if !got.HasValue() {
					t.Fatalf("%s %s of %v: %+v", p.Derive.By, w.choice, v, got)
				}
				d := got.Value - last
				switch rises := methods[w.by].rises[i]; {
				case math.IsNaN(last):
				case rises > 0 && d <= 0, rises < 0 && d >= 0:
					t.Errorf("%s %s: input %s says %+d, and %v moved it by %v", p.Derive.By, w.choice, k.Inputs[i].Key, rises, v, d)
				case rises == 0 && d != 0 && w.by != site.ConductivityAt25Of:
					t.Errorf("%s: input %s is said not to enter, and moved it by %v", p.Derive.By, k.Inputs[i].Key, d)
				}
				last = got.Value
			}
		}
	}
	for i := 1; i < site.DerivationCount; i++ {
		if !seen[site.Derivation(i)] {
			t.Errorf("%s is not walked", site.Derivation(i))
		}
	}
}

func TestBoundsGoThroughTheRightWayRoundOrLeaveNoValue(t *testing.T) {
	above, below := reading.AboveCeiling, reading.BelowDetection
	of := func(v float64, b reading.Bound) reading.Reading {
		why := reading.Believed
		switch b {
		case reading.Above:
			why = above
		case reading.Below:
			why = below
		}
		return reading.Of(v, b, why, at(1))
	}
	for _, c := range []struct {
		name   string
		by     site.Derivation
		inputs []reading.Reading
		want   reading.Bound
		why    reading.Reason
	}{
		{"oxygen above its ceiling is more saturated than that", site.PercentSaturationOf, []reading.Reading{of(500, reading.Above), of(25, reading.Exact), of(1013, reading.Exact)}, reading.Above, above},
		{"oxygen below detection is less", site.PercentSaturationOf, []reading.Reading{of(0.2, reading.Below), of(25, reading.Exact), of(1013, reading.Exact)}, reading.Below, below},
		{"feedwater below detection makes more cycles", site.CyclesFromChloride, []reading.Reading{of(100, reading.Exact), of(0.5, reading.Below)}, reading.Above, below},
		{"both push the same way", site.CyclesFromChloride, []reading.Reading{of(2000, reading.Above), of(5, reading.Below)}, reading.Above, above},
		{"they pull to opposite sides", site.CyclesFromChloride, []reading.Reading{of(2000, reading.Above), of(5, reading.Above)}, reading.Exact, reading.FaultRange},
		{"hardly any flow takes longer", site.LeadTimeOf, []reading.Reading{of(5, reading.Below), of(290, reading.Exact)}, reading.Above, below},
	} {
		p, points := made(t, c.by, "", len(c.inputs))
		got := Step(p, points, c.inputs, at(2))
		if got.Bound != c.want || got.Reason != c.why || got.HasValue() == (c.why == reading.FaultRange) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// The promise of this room: whatever one input is, the result is never better than it, and without a value where it has none.
func TestNoResultIsBetterThanItsWorstInput(t *testing.T) {
	for _, w := range walked {
		k := w.by.Kind()
		p, points := made(t, w.by, w.choice, len(w.v))
		for i := range w.v {
			for n := range reading.ReasonCount {
				why := reading.Reason(n)
				inputs := inputsOf(k, w.v)
				inputs[i] = reading.Of(w.v[i], reading.Exact, why, at(time.Second/2))
				got := Step(p, points, inputs, at(2*time.Second))
				if got.Reason != why || got.HasValue() != (why.Quality() != reading.Bad) || (!got.HasValue() && got.Value != 0) {
					t.Errorf("%s: input %s is %s: %+v", p.Derive.By, k.Inputs[i].Key, why, got)
				}
				if got.Oldest != at(time.Second/2) || got.At != at(2*time.Second) {
					t.Errorf("%s: at %v, oldest %v", p.Derive.By, got.At, got.Oldest)
				}
			}
		}
	}
}

func TestOutsideTheRangeOfTheMethodThereIsNoNumber(t *testing.T) {
	for _, c := range []struct {
		by     site.Derivation
		choice string
		v      []float64
		want   reading.Reason
	}{
		{site.PercentSaturationOf, "", []float64{12, 101, 1013}, reading.FaultRange}, // past boiling
		{site.PercentSaturationOf, "", []float64{12, 25, 300}, reading.FaultRange},   // no air a person breathes
		{site.PercentSaturationOf, "", []float64{-0.1, 25, 1013}, reading.FaultRange},
		{site.ConductivityAt25Of, site.Linear, []float64{4, 25, 0}, reading.FaultRange}, // a slope nobody means
		{site.ConductivityAt25Of, site.Linear, []float64{4, -3, 2}, reading.FaultRange},
		{site.ConductivityAt25Of, "natural", []float64{400, 50}, reading.FaultRange},
		{site.ConductivityAt25Of, "salt-trace", []float64{0.01, 25}, reading.BelowWater},
		{site.ConductivityAt25Of, site.Linear, []float64{0.001, 25, 2}, reading.BelowWater},
		{site.ConductivityAt25Of, "as one likes", []float64{4, 25, 2}, reading.Unknown},
		{site.CyclesFromConductivity, "", []float64{200, 250}, reading.FaultRange}, // thinner than its feed
		{site.CyclesFromConductivity, "", []float64{200, 0}, reading.FaultRange},
		{site.BlowdownOfFeedwater, "", []float64{1}, reading.FaultRange},
		{site.BlowdownOfSteam, "", []float64{1}, reading.FaultRange}, // all of it blown down: no steam, and no share of it
		{site.ScavengerDemandOf, "hope", []float64{7}, reading.FaultRange},
		{site.ScavengerFeedOf, "SO3", []float64{7, 30, 0}, reading.FaultRange},
		{site.ProductFromTracer, "", []float64{10, 0}, reading.FaultRange},
		{site.ProductFromTracer, "", []float64{10, 0.1, 15}, reading.FaultRange},
		{site.BelowSaturationOf, "", []float64{103, 0.2, 0}, reading.FaultRange},
		{site.PHExpectedFrom, "", []float64{0.1}, reading.FaultRange}, // anything else decides the pH as much as the ammonia
		{site.PHExpectedFrom, "", []float64{30}, reading.FaultRange},
		{site.PHAboveExpected, "", []float64{9, 30}, reading.FaultRange},
		{site.LeadTimeOf, "", []float64{0, 290}, reading.FaultRange},
	} {
		p, points := made(t, c.by, c.choice, len(c.v))
		if got := Step(p, points, inputsOf(c.by.Kind(), c.v), at(1)); got.Reason != c.want || got.HasValue() || got.Value != 0 {
			t.Errorf("%s %s of %v: %+v, want %s", p.Derive.By, c.choice, c.v, got, c.want)
		}
	}
}

// Below pH 7.5 fluorescein shines less (pKa about 6.4, from memory): the dose looks too small.
func TestATracerThatReadsLowIsContradicted(t *testing.T) {
	p, points := made(t, site.ProductFromTracer, "", 3)
	for ph, want := range map[float64]reading.Reason{7: reading.CrossCheck, 9: reading.Believed} {
		if got := Step(p, points, good(10, 0.1, ph), at(1)); got.Reason != want || got.Value != 10 {
			t.Errorf("pH %v: %+v, want %s", ph, got, want)
		}
	}
}

func TestAKindWithoutAnInputItNeedsIsUnknown(t *testing.T) {
	for _, w := range walked {
		k := w.by.Kind()
		for i, in := range k.Inputs {
			p, points := made(t, w.by, w.choice, len(k.Inputs))
			p.Derive.Inputs[i] = site.Input{Point: site.None}
			inputs := inputsOf(k, w.v)
			got := Step(p, points, inputs, at(1))
			if !in.Needs(w.choice) {
				continue
			}
			if got.HasValue() || got.Value != 0 {
				t.Errorf("%s without %s: %+v", p.Derive.By, in.Key, got)
			}
		}
	}
}

// A constant outside the range that the table of kinds gives could never give a value, and one inside it does: the table is held against the
// methods themselves, a hair to either side of both ends.
func TestTheRangesOfTheTableAreThoseOfTheMethods(t *testing.T) {
	bounded := 0
	for _, w := range walked {
		k := w.by.Kind()
		for i := 1; i < len(w.v); i++ {
			low, high, ok := k.Inputs[i].Range(w.choice)
			if !ok {
				t.Errorf("%s %s: input %s has no range", k.Name, w.choice, k.Inputs[i].Key)
				continue
			}
			bounded++
			for v, in := range map[float64]bool{low: true, high: true, low - 1e-6*max(1e-6, math.Abs(low)): false, high + 1e-6*math.Abs(high): false} {
				// The others where the method has a value for the end of this one.
				found := false
				for _, first := range []float64{w.v[0], 0, 4, 9, 0.011, 0.5, 1e3, 1e4, 1e5, 1e6, 1e-2} {
					p, points := made(t, w.by, w.choice, len(w.v))
					values := append([]float64{first}, w.v[1:]...)
					values[i] = v
					if k.By == site.PercentSaturationOf && i == 1 {
						values[2] = 1100 // where water of 100 degC does not boil yet
					}
					if k.By == site.BelowSaturationOf && i != 3 {
						values[3] = 0 // a vacuum less the error of its gauge is none
					}
					if k.By == site.BelowSaturationOf && i == 3 {
						values[1] = 2
					}
					found = found || Step(p, points, inputsOf(k, values), at(1)).HasValue()
				}
				if found != in {
					t.Errorf("%s %s: input %s at %v has a value: %v; its range is %v to %v", k.Name, w.choice, k.Inputs[i].Key, v, found, low, high)
				}
			}
		}
	}
	if bounded < 14 {
		t.Errorf("only %d inputs are bounded", bounded)
	}
}
