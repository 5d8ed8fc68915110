package chem

import (
	"math"
	"testing"
)

func TestPureWaterConductivityMeetsTheTable(t *testing.T) {
	table := readTable(t, "pure_water_conductivity.csv", 20)
	second := readTable(t, "pure_water_second_route.csv", 20)
	for i, row := range table.rows {
		at := table.must(row, "t_C")
		got, err := PureWaterConductivity(at)
		want, half, _ := table.number(row, "kappa_uS_cm")
		// The table took the density from IAPWS-95, here it is IF97: 0.02 kg/m3, which is 2e-4 of the conductivity near 100.
		near(t, "conductivity at "+row[0], got, err, want, half+2e-4*want)
		rho, err := PureWaterResistivity(at)
		want, half, _ = table.number(row, "resistivity_MOhm_cm")
		near(t, "resistivity at "+row[0], rho, err, want, half+2e-4*want)
		// PHREEQC has other conductances and another ion product. 0.5 % at 25 degC, 5 % elsewhere.
		share := 0.05
		if at == 25 {
			share = 0.005
		}
		want = second.must(second.rows[i], "kappa_PHREEQC_uS_cm")
		near(t, "PHREEQC at "+row[0], got, err, want, share*want)
	}
	// Arithmetic on tabulated conductances, 349.65 + 198.0 S cm2/mol, and pKw 13.995 (CRC Handbook).
	got, err := PureWaterConductivity(25)
	near(t, "from the ions", got, err, 0.05492, 0.0003)
	// ASTM STP "Resistivity of Very Pure Water and Its Maximum Value"; DOE-HDBK-1015/2-93, table 3, prints 0.054.
	rho, err := PureWaterResistivity(25)
	near(t, "ASTM STP", rho, err, 18.18, 0.005)
	near(t, "DOE handbook", got, err, 0.054, 0.0011)
	// Light, Licht, Bevilacqua and Morash 2005 and ASTM D5391, from memory, not to be had: 1.7 % is the distance at 20 degC.
	for _, c := range []struct{ at, want float64 }{{20, 0.0419}, {30, 0.0710}, {50, 0.171}, {100, 0.777}} {
		got, err := PureWaterConductivity(c.at)
		near(t, "remembered", got, err, c.want, 0.04*c.want)
	}
	rises(t, "conductivity", 1, 0, 100, 1000, PureWaterConductivity)
	rises(t, "resistivity", -1, 0, 100, 1000, PureWaterResistivity)
}

// Computed: 6.4, 6.5, 5.6 and 3.9 % per K at 0, 10, 25 and 50 degC; ASTM D5391 says "as high as 7 %".
func TestPureWaterChangesBySomePercentPerKelvin(t *testing.T) {
	for _, c := range []struct{ at, percent float64 }{{0.5, 6.4}, {10, 6.5}, {25, 5.6}, {50, 3.9}} {
		low, high := pureWater(c.at-0.5), pureWater(c.at+0.5)
		near(t, "slope", 100*(high-low)/pureWater(c.at), nil, c.percent, 0.1)
	}
}

func TestIonProductMeetsTheReleases(t *testing.T) {
	// IAPWS R11-24, the five points of its table, as the tests of iapws 1.5.5 assert them; printed to six decimals.
	for _, c := range []struct{ d, T, want float64 }{
		{1, 300, 13.906672}, {0.07, 600, 20.161651}, {0.7, 600, 11.147093}, {0.2, 800, 14.487671}, {1.2, 800, 6.405865},
	} {
		near(t, "R11-24", ionProduct2024(c.T, c.d), nil, c.want, 0.6e-6)
	}
	table := readTable(t, "pure_water_second_route.csv", 20)
	for _, row := range table.rows {
		at := table.must(row, "t_C")
		got, err := WaterIonProduct(at)
		want, half, _ := table.number(row, "pKw_R11-24")
		// At the density of the table; 0.0005 kg/m3 of rounding there are 3e-6 here.
		near(t, "R11-24 and the table's density at "+row[0], ionProduct2024(at+kelvin, table.must(row, "rho_kg_m3_IAPWS95")/1000), nil, want, half+3e-6)
		// With IF97 for the density, up to 0.015 kg/m3 off; pKw moves by some 7 per unit of ln d: 1.1e-4.
		near(t, "R11-24 at "+row[0], got, err, want, half+1.2e-4)
		near(t, "R11-07 at "+row[0], got, err, table.must(row, "pKw_R11-07"), 0.0022)
		want, half, _ = table.number(row, "pKw_MarshallFranck1981")
		near(t, "Marshall and Franck at "+row[0], ionProduct1981(at+kelvin, density(at)/1000), nil, want, half+1e-4)
	}
	// CRC Handbook, pKw at 0.1 MPa, three decimals, by the release of 2007.
	for _, c := range []struct{ at, pKw, neutral float64 }{{0, 14.946, 7.473}, {25, 13.995, 6.997}, {50, 13.264, 6.632}, {75, 12.696, 6.348}, {100, 12.252, 6.126}} {
		got, err := WaterIonProduct(c.at)
		near(t, "CRC Handbook", got, err, c.pKw, 0.0027)
		got, err = NeutralPH(c.at)
		near(t, "neutral", got, err, c.neutral, 0.0015)
	}
	rises(t, "pKw", -1, 0, 100, 1000, WaterIonProduct)
	rises(t, "neutral pH", -1, 0, 100, 1000, NeutralPH)
}

func TestFloorIsTheLowerOfTwoRoutes(t *testing.T) {
	table := readTable(t, "pure_water_second_route.csv", 20)
	for _, row := range table.rows {
		at := table.must(row, "t_C")
		want := table.must(row, "suggested_floor_uncompensated_uS_cm")
		// The ratio of the routes was rounded to 1e-4, and so were both (5e-6 of 0.0115 is 4e-4).
		near(t, "perfect cell at "+row[0], lowestWater(at), nil, want, 6e-4*want)
		// The second route itself, in every row: half a digit of its print, and of the ratio 1e-4.
		other, half, _ := table.number(row, "kappa_PHREEQC_uS_cm")
		near(t, "second route at "+row[0], pureWater(at)*lookUp(pureWaterSpread, at), nil, other, half+2e-4*other)
		got, err := LowestConductivity(at, Uncompensated, 0)
		near(t, "sound cell at "+row[0], got, err, 0.98*want, 6e-4*want)
	}
	// The theory of the minimum, by hand: 2 sqrt((lH - lM)(lOH + lM)) sqrt(Kw) with lM of lithium, 38.66: 0.0544 at 25 degC.
	byHand := 2 * math.Sqrt((349.65-38.66)*(198+38.66)) * math.Pow(10, -13.995/2) * 0.99705 * 1e3
	near(t, "lithium hydroxide", lowestWater(25), nil, byHand, 0.0003)
	if lowestWater(25) > 0.0547 { // ASTM STP: 18.28 MOhm cm
		t.Errorf("the floor %v would call the purest water on record impossible", lowestWater(25))
	}
}

func TestImpossibleReadingIsFlaggedAndALegitimateOneIsNot(t *testing.T) {
	for _, c := range []struct {
		kappa, at  float64
		mode       Compensation
		slope      float64
		impossible bool
		why        string
	}{
		// Common practice states 0.02 uS/cm as 50 MOhm cm; no source. It cannot be true at 25 degC in any mode.
		{0.02, 25, Uncompensated, 0, true, "0.02 raw at 25 degC"},
		{0.02, 25, LinearTo25, 2, true, "0.02 linear at 25 degC"},
		{0.02, 25, UltrapureTo25, 0, true, "0.02 ultrapure at 25 degC"},
		{0.02, 5, UltrapureTo25, 0, true, "0.02 ultrapure, cold"},
		{0.02, 5, LinearTo25, 2, true, "0.02 linear, cold"},
		{0.02, 0, LinearTo25, 2, true, "0.02 linear, at 0 degC"},
		{0.02, 8, Uncompensated, 0, false, "pure water conducts 0.020 at 8.5 degC (IAPWS 1990), 7.9 (PHREEQC)"},
		{0.02, 20, Uncompensated, 0, true, "pure water conducts twice that at 20 degC"},
		{0.0547, 25, UltrapureTo25, 0, false, "18.28 MOhm cm, the highest on record (ASTM STP)"},
		{0.0550, 25, UltrapureTo25, 0, false, "pure water"},
		{0.052, 25, UltrapureTo25, 0, true, "below 0.053"},
		{0.0380, 15, LinearTo25, 2, false, "pure water wrongly compensated: a flag at 0.055 would be false"},
		{0.0391, 15, LinearTo25, 2, false, "the same by PHREEQC"},
		{0.0266, 5, LinearTo25, 2, false, "the same at 5 degC"},
		{0.0898, 40, LinearTo25, 2, false, "the same at 40 degC"},
		{0.1132, 50, LinearTo25, 2, false, "the same at 50 degC by PHREEQC"},
		{0.034, 15, LinearTo25, 2, true, "10 % below both routes"},
		{-0.01, 25, Uncompensated, 0, true, "a broken cell"},
		{0, 25, Uncompensated, 0, true, "a dry cell"},
		{1e9, 25, Uncompensated, 0, false, "too much is another question"},
	} {
		got, floor, err := ImpossibleConductivity(c.kappa, c.at, c.mode, c.slope)
		if err != nil || got != c.impossible {
			t.Errorf("%s: %v uS/cm against %v: impossible %v, %v", c.why, c.kappa, floor, got, err)
		}
		if at, _, err := ImpossibleConductivity(floor, c.at, c.mode, c.slope); err != nil || at {
			t.Errorf("%s: a reading at the floor %v is impossible; %v", c.why, floor, err)
		}
	}
}

// An analyser that knows pure water by one route, in water that follows the other, must not be called broken at any
// temperature.
func TestPureWaterByEitherRouteIsNeverImpossible(t *testing.T) {
	for at := 0.0; at <= 100; at++ {
		ours := pureWater(at)
		other := ours * lookUp(pureWaterSpread, at)
		for _, raw := range []float64{ours, other} {
			for _, c := range []struct {
				shown float64
				mode  Compensation
				slope float64
			}{
				{raw, Uncompensated, 0}, {raw / linear(at, 1), LinearTo25, 1}, {raw / linear(at, 2), LinearTo25, 2}, {raw / linear(at, 3), LinearTo25, 3},
				{0.0548 + (raw-ours)/saltTraceRatio(min(at, 80)), UltrapureTo25, 0}, {0.0548 + (raw-other)/saltTraceRatio(min(at, 80)), UltrapureTo25, 0},
			} {
				if c.mode == UltrapureTo25 && at > 80 {
					continue
				}
				for _, cell := range []float64{0.981, 1, 1.02} { // a sound cell
					if bad, floor, err := ImpossibleConductivity(cell*c.shown, at, c.mode, c.slope); err != nil || bad {
						t.Errorf("%v degC, mode %d, slope %v: %v is called impossible, floor %v, %v", at, c.mode, c.slope, cell*c.shown, floor, err)
					}
				}
			}
		}
	}
}

// What the linear rule makes of pure water, computed with the conductivity of IAPWS 1990; four decimals.
func TestPureWaterUnderTheLinearRule(t *testing.T) {
	for _, c := range []struct{ at, want float64 }{
		{0, 0.0231}, {5, 0.0266}, {10, 0.0315}, {15, 0.0380}, {20, 0.0458}, {25, 0.0550}, {30, 0.0654}, {40, 0.0898}, {50, 0.1182},
	} {
		got, err := CompensateLinear(pureWater(c.at), c.at, 2)
		near(t, "linear", got, err, c.want, 0.00006)
	}
}

func TestWaterOutsideItsRangeIsAnErrorNotAValue(t *testing.T) {
	for _, e := range []edge{
		{"WaterIonProduct", 0, 100, false, WaterIonProduct},
		{"NeutralPH", 0, 100, false, NeutralPH},
		{"PureWaterConductivity", 0, 100, false, PureWaterConductivity},
		{"PureWaterResistivity", 0, 100, false, PureWaterResistivity},
		{"LowestConductivity raw", 0, 100, false, func(v float64) (float64, error) { return LowestConductivity(v, Uncompensated, 0) }},
		{"LowestConductivity linear", 0, 100, false, func(v float64) (float64, error) { return LowestConductivity(v, LinearTo25, 2) }},
		{"LowestConductivity ultrapure", 0, 80, false, func(v float64) (float64, error) { return LowestConductivity(v, UltrapureTo25, 0) }},
		{"LowestConductivity over slope", 1, 3, true, func(v float64) (float64, error) { return LowestConductivity(10, LinearTo25, v) }},
	} {
		e.holdsItsRange(t)
	}
	for _, mode := range []Compensation{CompensationNotStated, UltrapureTo25 + 1, 255} {
		got, err := LowestConductivity(25, mode, 2)
		refused(t, "mode", got, err, ErrNoMode)
	}
	got, err := LowestConductivity(25, LinearTo25, 0)
	refused(t, "linear without a slope", got, err, ErrNotPositive)
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		bad, floor, err := ImpossibleConductivity(v, 25, Uncompensated, 0)
		if bad {
			t.Error("a NaN is not impossible, it is nothing")
		}
		refused(t, "reading", floor, err, ErrNotFinite)
	}
	if bad, floor, err := ImpossibleConductivity(0.02, 101, Uncompensated, 0); bad || floor != 0 || err == nil {
		t.Errorf("beyond the range: %v, %v, %v", bad, floor, err)
	}
}
