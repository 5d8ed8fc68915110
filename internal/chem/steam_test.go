package chem

import (
	"math"
	"testing"
)

// IAPWS R7-97(2012), tables 5, 15, 35 and 36: the release's own verification values, printed to nine digits. They hold every
// coefficient: one wrong digit in a term shows.
func TestIF97GivesTheVerificationValuesOfTheRelease(t *testing.T) {
	nine := func(want float64) float64 { // half a unit of the ninth digit
		return 0.5 * math.Pow(10, math.Floor(math.Log10(math.Abs(want)))-8)
	}
	for _, c := range []struct{ T, p, h, volume float64 }{
		{300, 3, 115.331273, 0.100215168e-2}, {300, 80, 184.142828, 0.971180894e-3}, {500, 3, 975.542239, 0.120241800e-2},
	} {
		h, rho := if97Water(c.T, c.p)
		near(t, "region 1, enthalpy", h, nil, c.h, nine(c.h))
		near(t, "region 1, volume", 1/rho, nil, c.volume, nine(c.volume))
	}
	for _, c := range []struct{ T, p, h float64 }{
		{300, 0.0035, 2549.91145}, {700, 0.0035, 3335.68375}, {700, 30, 2631.49474},
	} {
		near(t, "region 2, enthalpy", if97Steam(c.T, c.p), nil, c.h, nine(c.h))
	}
	for _, c := range []struct{ T, p float64 }{{300, 0.353658941e-2}, {500, 0.263889776e1}, {600, 0.123443146e2}} {
		near(t, "region 4, pressure", if97Saturation(c.T), nil, c.p, nine(c.p))
	}
	for _, c := range []struct{ p, T float64 }{{0.1, 372.755919}, {1, 453.035632}, {10, 584.149488}} {
		near(t, "region 4, temperature", if97Boiling(c.p), nil, c.T, nine(c.T))
	}
}

func TestSaturatedWaterAndSteamMeetTheSteamTable(t *testing.T) {
	table := readTable(t, "saturation.csv", 30)
	for _, row := range table.rows {
		at := table.must(row, "t_C")
		for _, c := range []struct {
			column string
			f      func(float64) (float64, error)
		}{
			{"p_kPa_abs", SaturationPressure}, {"h_f_kJ_kg", SaturatedWaterEnthalpy}, {"h_g_kJ_kg", SaturatedSteamEnthalpy},
			{"rho_f_kg_m3", SaturatedWaterDensity},
		} {
			want, half, _ := table.number(row, c.column)
			got, err := c.f(at)
			// The oracle holds region 1 and 2 to the pressure of its own iteration: half a digit more.
			near(t, c.column+" at "+row[0], got, err, want, 2*half)
		}
		p := table.must(row, "p_kPa_abs")
		back, err := SaturationTemperature(p)
		// The pressure was printed to 0.00005 kPa; the curve is steepest in kelvin per kPa at the cold end, 22 K/kPa.
		near(t, "boiling point at "+row[0], back, err, at, 0.0012+1e-6*at)
	}
}

func TestWaterBoilsBelowHundredAtOneAtmosphere(t *testing.T) {
	got, err := SaturationTemperature(101.325)
	near(t, "IF97, ITS-90", got, err, 99.974, 0.0005)
}

func TestSaturationGoesBothWaysAndRises(t *testing.T) {
	rises(t, "saturation pressure", 1, 0, 373.946, 1000, SaturationPressure)
	rises(t, "saturation temperature", 1, 0.611213, 22064, 1000, SaturationTemperature)
	rises(t, "enthalpy of the water", 1, 0, 350, 700, SaturatedWaterEnthalpy)
	// Dry steam holds most heat near 235 degC.
	rises(t, "enthalpy of the steam", 1, 0, 230, 460, SaturatedSteamEnthalpy)
	rises(t, "enthalpy of the steam", -1, 240, 350, 220, SaturatedSteamEnthalpy)
	rises(t, "density", -1, 4, 350, 692, SaturatedWaterDensity)
	for at := 0.0; at <= 373.9; at += 0.7 {
		p, err := SaturationPressure(at)
		if err != nil {
			t.Fatal(err)
		}
		back, err := SaturationTemperature(max(p, 0.611213))
		near(t, "there and back", back, err, at, 1e-5) // equations 30 and 31 are the same quadratic; at 0 degC 0.611213 is rounded
	}
}

func TestSteamOutsideItsRangeIsAnErrorNotAValue(t *testing.T) {
	for _, e := range []edge{
		{"SaturationPressure", 0, 373.946, false, SaturationPressure},
		{"SaturationTemperature", 0.611213, 22064, true, SaturationTemperature},
		{"SaturatedWaterEnthalpy", 0, 350, false, SaturatedWaterEnthalpy},
		{"SaturatedWaterDensity", 0, 350, false, SaturatedWaterDensity},
		{"SaturatedSteamEnthalpy", 0, 350, false, SaturatedSteamEnthalpy},
		{"WaterEnthalpy over temperature", 0, 350, false, func(v float64) (float64, error) { return WaterEnthalpy(v, 20e3) }},
		{"WaterEnthalpy over pressure", 0.611213, 100e3, true, func(v float64) (float64, error) { return WaterEnthalpy(0, v) }},
		{"FlashShare from", 0.611213, 16500, true, func(v float64) (float64, error) { return FlashShare(v, 0.611213) }},
	} {
		e.holdsItsRange(t)
	}
	got, err := FlashShare(101.325, 101.325)
	near(t, "no drop, no flash", got, err, 0, 1e-12)
	got, err = FlashShare(101.325, 101.326)
	refused(t, "flash upwards", got, err, ErrAboveRange)
	got, err = FlashShare(101.325, 0)
	refused(t, "flash to nothing", got, err, ErrNotPositive)
	got, err = WaterEnthalpy(120, 101.325)
	refused(t, "water that boils", got, err, ErrBelowRange)
}

// The critical point: 647.096 K, 22.064 MPa (IAPWS R7-97).
func TestSaturationEndsAtTheCriticalPoint(t *testing.T) {
	p, err := SaturationPressure(373.946)
	near(t, "critical pressure", p, err, 22064, 0.05)
	at, err := SaturationTemperature(22064)
	near(t, "critical temperature", at, err, 373.946, 1e-3)
}

// Computed with IAPWS-IF97 (python3-iapws 1.5.3), printed to a tenth of a percent.
func TestFlashOfBlowdownMeetsTheTable(t *testing.T) {
	const psi = 6.894757 // kPa; NIST SP 811
	for _, c := range []struct{ psig, percent float64 }{{15, 3.9}, {50, 9.0}, {100, 13.3}, {150, 16.3}, {250, 20.8}, {600, 30.4}} {
		got, err := FlashShare(101.325+c.psig*psi, 101.325)
		near(t, "flash to one atmosphere", got, err, c.percent, 0.05)
	}
	for _, c := range []struct{ bar, percent float64 }{{1, 3.8}, {5, 11.2}, {10, 16.1}, {20, 22.2}, {40, 29.9}} {
		got, err := FlashShare(101.325+100*c.bar, 101.325)
		near(t, "flash of an uncooled sample", got, err, c.percent, 0.05)
	}
}

// Make-up and blowdown of the worked example of US DOE Steam Tip 9, in Btu/lb: 338.5 and 28 to the digits the sheet shows
// (remembered), 338.55 and 28.12 by IF97.
func TestBlowdownHeatOfTheSteamTip(t *testing.T) {
	const btu_lb = 2.326 // kJ/kg, definition
	boiling, err := SaturationTemperature(101.325 + 150*6.894757)
	if err != nil {
		t.Fatal(err)
	}
	h, err := SaturatedWaterEnthalpy(boiling)
	near(t, "water of 150 psig", h/btu_lb, err, 338.55, 0.005)
	h, err = WaterEnthalpy((60.0-32)/1.8, 101.325)
	near(t, "make-up of 60 degF", h/btu_lb, err, 28.12, 0.005)
}

// UFC 3-240-13FN, table 3-2, printed to 0.1 degF. From 12 to 17 psig the print is 0.6 high against every steam table, so
// there only the IF97 column counts.
func TestDeaeratorBoilingPointMeetsTheHandbook(t *testing.T) {
	table := readTable(t, "deaerator.csv", 20)
	ufc := 0
	for _, row := range table.rows {
		gauge_bar := table.must(row, "psig") * 0.06894757
		a, err := DeaeratorApproach(100, gauge_bar, 1013.25, 0)
		want, half, _ := table.number(row, "tsat_IF97_C")
		near(t, row[0]+" psig", a.Saturation_degC, err, want, half+1e-5) // psi was taken to seven digits
		near(t, row[0]+" psig, absolute", a.Absolute_kPa, err, table.must(row, "kPa_abs"), 0.0006)
		if psig := table.must(row, "psig"); psig < 12 || psig > 17 {
			ufc++
			// Two roundings to 0.1 degF and an older steam table.
			near(t, row[0]+" psig, UFC", a.Saturation_degC*1.8+32, err, table.must(row, "UFC_3-240-13FN_T3-2_F"), 0.1)
		}
	}
	if ufc < 15 {
		t.Errorf("only %d rows of the handbook compared", ufc)
	}
}

func TestApproachIsPositiveBelowSaturationAndSaysWhatTheGaugeIsWorth(t *testing.T) {
	// A deaerator at 103.1 degC, 0.20 bar gauge, 1013 hPa. Tsat of 121.3 kPa between the rows 105 degC 120.902 kPa and 108
	// degC 134.007 kPa of IF97: 105.09.
	a, err := DeaeratorApproach(103.1, 0.20, 1013, 0.02)
	near(t, "below saturation", a.Below_K, err, 2.0, 0.05)
	near(t, "saturation", a.Saturation_degC, err, 105.09, 0.01)
	near(t, "share of a gauge 0.02 bar wrong", a.GaugeShare_K, err, 0.5, 0.05)
	// Hotter than the gauge says it can be: the gauge or the thermometer is wrong.
	a, err = DeaeratorApproach(106, 0.20, 1013, 0)
	if err != nil || a.Below_K >= 0 || a.GaugeShare_K != 0 {
		t.Errorf("%+v, %v; want a negative approach and no share", a, err)
	}
	// At 1524 m the altitude note of the handbook says 5.0 K less at every gauge pressure; IF97 says so at 0 only. Computed
	// with python3-iapws 1.5.3.
	high, err := AltitudePressure(1524)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ psig, less float64 }{{0, 5.07}, {5, 3.90}, {10, 3.20}, {15, 2.73}} {
		low, err := DeaeratorApproach(100, c.psig*0.06894757, 1013.25, 0)
		if err != nil {
			t.Fatal(err)
		}
		up, err := DeaeratorApproach(100, c.psig*0.06894757, high, 0)
		near(t, "altitude", low.Saturation_degC-up.Saturation_degC, err, c.less, 0.01)
	}
}

func TestApproachOutsideItsRangeIsAnErrorNotAValue(t *testing.T) {
	below := one(func(a Approach) float64 { return a.Below_K })
	for _, e := range []edge{
		{"water", 0, 350, false, func(v float64) (float64, error) { return below(DeaeratorApproach(v, 0.2, 1013, 0.02)) }},
		{"gauge", -0.9, 20, false, func(v float64) (float64, error) {
			if v > -1e9 && v < -0.9 { // the low end of the gauge is where nothing is left of the pressure: below
				v = -1.1
			}
			return below(DeaeratorApproach(100, v, 1013.25, 0.02))
		}},
		{"barometer", 506.625, 1114.575, true, func(v float64) (float64, error) { return below(DeaeratorApproach(100, 0.2, v, 0.02)) }},
		{"error of the gauge", 0, 1, false, func(v float64) (float64, error) { return below(DeaeratorApproach(100, 0.2, 1013, v)) }},
	} {
		e.holdsItsRange(t)
	}
	_, err := DeaeratorApproach(100, 0.2, 0, 0.02)
	refused(t, "no barometer", 0, err, ErrNoPressure)
	_, err = DeaeratorApproach(30, -1, 900, 0)
	refused(t, "less than nothing", 0, err, ErrNotPositive)
	_, err = DeaeratorApproach(30, -0.95, 1013, 0.1)
	refused(t, "less than nothing by the error of the gauge", 0, err, ErrNotPositive)
}
