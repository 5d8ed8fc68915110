package derive

import (
	"testing"

	"rillwatch/internal/site"
)

// Pure water as each device shows it, uS/cm: the IAPWS 1990 guideline (python source of iapws 1.5.5) and what the linear 2 %/K rule makes of
// it; 0.0547 is the least that a trace of base can make of it at 25 degC (ASTM D5391: slightly below the theoretical value for 0 to 1 ug/L
// NaOH). None of these may ever be flagged, though cell and thermometer are a little wrong.
func TestTheFloorLiesBelowEveryLegitimateReading(t *testing.T) {
	raw := site.Water{Compensation: site.Uncompensated}
	linear := site.Water{Compensation: site.Linear, Slope: 2}
	ultrapure := site.Water{Compensation: site.Ultrapure}
	for _, c := range []struct {
		w        site.Water
		t, shown float64
	}{
		{raw, 5, 0.01593}, {raw, 10, 0.02207}, {raw, 15, 0.03038}, {raw, 20, 0.04124}, {raw, 25, 0.05499}, {raw, 30, 0.07197}, {raw, 40, 0.11669}, {raw, 50, 0.17736}, {raw, 75, 0.40848}, {raw, 98, 0.75389},
		{linear, 5, 0.0266}, {linear, 10, 0.0315}, {linear, 15, 0.0380}, {linear, 20, 0.0458}, {linear, 25, 0.0547}, {linear, 30, 0.0654}, {linear, 40, 0.0898}, {linear, 50, 0.1182},
		{ultrapure, 10, 0.0547}, {ultrapure, 25, 0.0547}, {ultrapure, 50, 0.0547},
	} {
		for _, off := range []float64{-1, 0, 1} { // the thermometer shows up to 1 K beside the water
			floor, ok := Floor(c.w, c.t+off)
			if !ok || floor >= 0.98*c.shown { // and the cell 2 % less
				t.Errorf("%s at %v degC shown as %v: floor %v, %v; pure water shows %v", c.w.Compensation, c.t, c.t+off, floor, ok, c.shown)
			}
			if floor < 0.75*c.shown {
				t.Errorf("%s at %v degC: floor %v finds nothing below %v", c.w.Compensation, c.t, floor, c.shown)
			}
		}
	}
	// 0.02 uS/cm stated at 25 degC is below any water, and raw at 8 degC it is pure water
	for _, w := range []site.Water{raw, linear, ultrapure} {
		if floor, ok := Floor(w, 25); !ok || floor < 0.02 {
			t.Errorf("%s: 0.02 passes at 25 degC: %v", w.Compensation, floor)
		}
	}
	if floor, _ := Floor(raw, 8); floor > 0.02 {
		t.Errorf("raw at 8 degC: %v", floor)
	}
	for _, w := range []site.Water{{}, {Compensation: "natural"}, {Compensation: site.Linear}} {
		if _, ok := Floor(w, 25); ok {
			t.Errorf("%+v has a floor", w)
		}
	}
	if _, ok := Floor(raw, 120); ok {
		t.Error("a floor beyond the source")
	}
}

// Where nobody states the compensation a device may be set to any of them, and its temperature may stand elsewhere in it: whatever pure water
// shows in any mode, with a thermometer five kelvin off and a cell that reads 2 % low, is legitimate. 0.02 uS/cm, 50 MOhm.cm, is impossible
// at 25 degC in every mode and honest raw water of 8.5 degC (IAPWS 1990).
func TestAFloorWithoutAStatedCompensationLiesBelowThatOfEveryMode(t *testing.T) {
	w := site.Water{Compensation: site.NotStated}
	for _, c := range []struct{ t, shown float64 }{
		{8.5, 0.020}, {10, 0.02207}, {15, 0.03038}, {20, 0.04124}, {25, 0.0547}, // not compensated, the lowest below 25 degC
		{30, 0.0547}, {40, 0.0547}, {60, 0.0547}, // as ultrapure, the lowest above
		{30, 0.0626}, {50, 0.17736 / 1.75}, // linear, 3 %/K
	} {
		for _, off := range []float64{-5, -1, 0, 5} {
			floor, ok := Floor(w, c.t+off)
			if !ok || floor >= 0.98*c.shown {
				t.Errorf("%v degC shown as %v: floor %v, %v; pure water may show %v", c.t, c.t+off, floor, ok, c.shown)
			}
		}
	}
	for at, want := range map[float64]float64{20: 0.02, 25: 0.02, 30: 0.02, 40: 0.02} {
		if floor, ok := Floor(w, at); !ok || floor < want {
			t.Errorf("%v uS/cm passes at %v degC: the floor is %v, %v", want, at, floor, ok)
		}
	}
	for at := 0.0; at <= 80; at++ { // never above that of a mode that is stated, and never below that of any water
		floor, ok := Floor(w, at)
		if !ok || floor < FloorAnywhere() {
			t.Errorf("%v degC: %v, %v", at, floor, ok)
		}
		for _, stated := range []site.Water{{Compensation: site.Uncompensated}, {Compensation: site.Linear, Slope: 1}, {Compensation: site.Linear, Slope: 2}, {Compensation: site.Linear, Slope: 3}, {Compensation: site.Ultrapure}} {
			if s, ok := Floor(stated, at); !ok || floor > s {
				t.Errorf("%v degC: %v, and %+v has %v, %v", at, floor, stated, s, ok)
			}
		}
	}
	for _, at := range []float64{-1, 81, 150} {
		if _, ok := Floor(w, at); ok {
			t.Errorf("a floor at %v degC, beyond the source of one of the modes", at)
		}
	}
	// 0.01149 uS/cm at 0 degC by PHREEQC, the lower of the two routes, less 3 %
	if v := FloorAnywhere(); v < 0.0110 || v > 0.0113 {
		t.Errorf("anywhere: %v", v)
	}
}
