package derive

import (
	"math"
	"testing"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func spell(t *testing.T, s string, q quantity.Quantity) quantity.Unit {
	t.Helper()
	u, err := quantity.ParseUnit(s, q)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// pair is a conductivity point and the resistivity derived from it.
func pair(t *testing.T, in, out string) (*site.Point, []site.Point) {
	points := []site.Point{
		{Path: "b2.rack.conductivity", Quantity: quantity.Conductivity, Unit: spell(t, in, quantity.Conductivity)},
		{Path: "b2.resistivity", Quantity: quantity.Resistivity, Unit: spell(t, out, quantity.Resistivity), Sensor: site.None,
			Derive: site.Derive{By: site.ResistivityOf, Inputs: []site.Input{{Point: 0}}}},
	}
	return &points[1], points
}

func at(up time.Duration) reading.Stamp { return reading.Stamp{Wall: reading.Wall(up), Up: up} }

// By definition resistivity is one over conductivity: 1 uS/cm is 1e-6 S/cm, so 1e6 Ohm.cm = 1 MOhm.cm = 1e4 Ohm.m.
// 0.055 uS/cm and 18.18 MOhm.cm are how the trade names the purest water at 25 degC (common practice).
func TestResistivityIsOneOverConductivityWhateverTheUnits(t *testing.T) {
	tests := []struct {
		in   string
		v    float64
		out  string
		want float64
	}{
		{"uS/cm", 0.055, "MOhm.cm", 18.1818},
		{"uS/cm", 1, "MOhm.cm", 1},
		{"uS/cm", 4, "kOhm.cm", 250},
		{"mS/cm", 0.004, "kOhm.cm", 250},
		{"mS/m", 0.4, "kOhm.cm", 250},
		{"uS/cm", 1, "Ohm.m", 10000},
		{"S/m", 1, "Ohm.m", 1},
	}
	for _, tt := range tests {
		p, points := pair(t, tt.in, tt.out)
		got := Step(p, points, []reading.Reading{reading.Of(tt.v, reading.Exact, reading.Believed, at(time.Second))}, at(2*time.Second))
		if got.Reason != reading.Believed || math.Abs(got.Value/tt.want-1) > 1e-5 || got.Bound != reading.Exact {
			t.Errorf("%v %s: %+v, want %v %s", tt.v, tt.in, got, tt.want, tt.out)
		}
	}
}

func TestABoundTurnsRoundAndTheReasonStays(t *testing.T) {
	p, points := pair(t, "uS/cm", "MOhm.cm")
	tests := []struct {
		in   reading.Reading
		want reading.Bound
	}{
		{reading.Of(0.05, reading.Below, reading.BelowDetection, at(1)), reading.Above}, // "< 0.05 uS/cm" is "> 20 MOhm.cm"
		{reading.Of(2000, reading.Above, reading.AboveCeiling, at(1)), reading.Below},
		{reading.Of(4, reading.Exact, reading.Frozen, at(1)), reading.Exact},
	}
	for _, tt := range tests {
		got := Step(p, points, []reading.Reading{tt.in}, at(1))
		if got.Bound != tt.want || got.Reason != tt.in.Reason || got.Value != 1/tt.in.Value {
			t.Errorf("%+v gave %+v, want bound %v", tt.in, got, tt.want)
		}
	}
}

func TestNoReasonOfTheInputIsLost(t *testing.T) {
	p, points := pair(t, "uS/cm", "MOhm.cm")
	for i := range reading.ReasonCount {
		why := reading.Reason(i)
		got := Step(p, points, []reading.Reading{reading.Of(4, reading.Exact, why, at(5*time.Second))}, at(9*time.Second))
		if got.Reason != why || got.HasValue() != (why.Quality() != reading.Bad) {
			t.Errorf("%v: %+v", why, got)
		}
		if !got.HasValue() && got.Value != 0 {
			t.Errorf("%v: a bad reading has the value %v", why, got.Value)
		}
		if got.At != at(9*time.Second) || got.Oldest != at(5*time.Second) {
			t.Errorf("%v: at %v, oldest %v", why, got.At, got.Oldest)
		}
	}
}

func TestNoWaterConductsNothing(t *testing.T) {
	p, points := pair(t, "uS/cm", "MOhm.cm")
	for v, want := range map[float64]reading.Reason{
		0: reading.BelowWater, -0.1: reading.BelowWater, 1e-300: reading.BelowWater, 0.009: reading.BelowWater,
		0.011: reading.Believed, 1e6: reading.Believed, 1.1e6: reading.FaultRange, 1e300: reading.FaultRange,
	} {
		got := Step(p, points, []reading.Reading{reading.Of(v, reading.Exact, reading.Believed, at(1))}, at(1))
		if got.Reason != want || math.IsInf(got.Value, 0) || math.IsNaN(got.Value) {
			t.Errorf("%v uS/cm: %+v, want %v", v, got, want)
		}
	}
}

func TestWhatIsNoDerivationIsUnknown(t *testing.T) {
	good := reading.Of(4, reading.Exact, reading.Believed, at(1))
	p, points := pair(t, "uS/cm", "MOhm.cm")
	none, lost, wrong := *p, *p, []site.Point{{Unit: spell(t, "mL/min", quantity.Flow)}}
	none.Derive.By = site.NoDerivation
	lost.Derive.Inputs = []site.Input{{Point: 7}}
	for name, got := range map[string]reading.Reading{
		"no derivation":            Step(&none, points, []reading.Reading{good}, at(1)),
		"no input":                 Step(p, points, nil, at(1)),
		"too many inputs":          Step(p, points, []reading.Reading{good, good}, at(1)),
		"an input that is nowhere": Step(&lost, points, []reading.Reading{good}, at(1)),
		"an input of another kind": Step(p, wrong, []reading.Reading{good}, at(1)),
		"the zero point":           Step(&site.Point{}, points, []reading.Reading{good}, at(1)),
	} {
		if got.Reason != reading.Unknown || got.Value != 0 {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
