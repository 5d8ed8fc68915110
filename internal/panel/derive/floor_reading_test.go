package derive

import (
	"testing"

	"rillwatch/internal/chem"
	"rillwatch/internal/site"
)

// TestPureWaterUnderAThermometerAKelvinOffIsNotBelowWater: pure water is the lowest there is, and a device compensates by the temperature it
// shows. What it then shows of pure water, with a cell that reads 2 % low, must not be called below what water can be. The conductivity of
// pure water is chem's, held against published tables in its own tests; the arithmetic of the device is worked out here apart from it.
func TestPureWaterUnderAThermometerAKelvinOffIsNotBelowWater(t *testing.T) {
	k25, err := chem.PureWaterConductivity(25)
	if err != nil {
		t.Fatal(err)
	}
	for _, water := range []float64{10, 15, 20, 24, 26, 30, 40} {
		for _, off := range []float64{-1, 0, 1} {
			shown := water + off
			raw, err := chem.PureWaterConductivity(water)
			if err != nil {
				t.Fatal(err)
			}
			raw *= 0.98
			pure, err := chem.PureWaterConductivity(shown)
			if err != nil {
				t.Fatal(err)
			}
			a, errA := chem.UncompensateSaltTrace(1, shown)
			b, errB := chem.UncompensateSaltTrace(0.5, shown)
			if errA != nil || errB != nil {
				t.Fatal(errA, errB)
			}
			perTrace := (a - b) / 0.5 // what a trace of salt conducts at this temperature over what it does at 25 degC
			for _, c := range []struct {
				w     site.Water
				shows float64
			}{
				{site.Water{Compensation: site.Uncompensated}, raw},
				{site.Water{Compensation: site.Linear, Slope: 2}, raw / (1 + 0.02*(shown-25))},
				{site.Water{Compensation: site.Ultrapure}, k25 + (raw-pure)/perTrace},
			} {
				floor, ok := Floor(c.w, shown)
				if !ok || c.shows < floor {
					t.Errorf("%s: pure water of %v degC, shown as %v degC, reads %.4f, and the floor is %.4f (%v)", c.w.Compensation, water, shown, c.shows, floor, ok)
				}
			}
		}
	}
	// It is still a floor: 0.02 uS/cm at 25 degC is below any water however it was compensated (50 MOhm.cm by arithmetic).
	for _, comp := range []string{site.Uncompensated, site.Linear, site.Ultrapure} {
		if floor, ok := Floor(site.Water{Compensation: comp, Slope: 2}, 25); !ok || floor < 0.04 {
			t.Errorf("%s: the floor at 25 degC is %.4f", comp, floor)
		}
	}
}
