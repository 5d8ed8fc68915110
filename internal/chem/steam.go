package chem

import "fmt"

const criticalPressure_kPa = 22064 // of water: IAPWS R7-97

var (
	// IF97 region 4 ends at the critical point, 647.096 K.
	saturationTemperature = span{name: "saturation temperature", unit: "degC", min: 0, max: 373.946}
	saturationPressure    = span{name: "absolute pressure", unit: "kPa", min: 0.611213, max: criticalPressure_kPa, positive: true}
	// IF97 regions 1 and 2 meet the saturation line up to 623.15 K; above, region 3 would be needed, and no boiler of the
	// kind this program watches is there (16.5 MPa).
	waterTemperature = span{name: "water temperature", unit: "degC", min: 0, max: 350}
	waterPressure    = span{name: "absolute pressure", unit: "kPa", min: 0.611213, max: 100e3, positive: true}
)

// SaturationPressure is the pressure in kPa, absolute, at which water of t_degC boils.
//
// Source: IAPWS-IF97 region 4, equation 30 (IAPWS R7-97(2012), read in python3-iapws 1.5.3). Against IAPWS-95 below 0.025 %
// (from memory). Valid from 0 to 373.946 degC. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func SaturationPressure(t_degC float64) (kPa float64, err error) {
	if err := saturationTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	// The end of the range is rounded to a thousandth of a degree; the pressure does not go past the critical one.
	return min(1000*if97Saturation(t_degC+kelvin), criticalPressure_kPa), nil
}

// SaturationTemperature is the temperature in degC at which water boils under pressure_kPa, absolute.
//
// Source: IAPWS-IF97 region 4, equation 31 (IAPWS R7-97(2012), read in python3-iapws 1.5.3). On ITS-90 water boils at
// 99.974 degC under 101.325 kPa, not at 100. Valid from 0.611213 to 22 064 kPa. Errors: ErrNotFinite, ErrNotPositive,
// ErrBelowRange, ErrAboveRange.
func SaturationTemperature(pressure_kPa float64) (degC float64, err error) {
	if err := saturationPressure.refuse(pressure_kPa); err != nil {
		return 0, err
	}
	// At the two ends the fourth root leaves the span by some 1e-7 K.
	return min(max(if97Boiling(pressure_kPa/1000)-kelvin, saturationTemperature.min), saturationTemperature.max), nil
}

// SaturatedWaterEnthalpy is the specific enthalpy in kJ/kg of boiling water of t_degC, such as blowdown as it leaves the
// boiler; 0 near 0 degC.
//
// Source: IAPWS-IF97 region 1 at the pressure of region 4. Valid from 0 to 350 degC. Errors: ErrNotFinite, ErrBelowRange,
// ErrAboveRange.
func SaturatedWaterEnthalpy(t_degC float64) (kJ_kg float64, err error) {
	if err := waterTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	h, _ := if97Water(t_degC+kelvin, if97Saturation(t_degC+kelvin))
	return h, nil
}

// SaturatedWaterDensity is the density in kg/m3 of boiling water of t_degC.
//
// Source: IAPWS-IF97 region 1 at the pressure of region 4. Valid from 0 to 350 degC. Errors: ErrNotFinite, ErrBelowRange,
// ErrAboveRange.
func SaturatedWaterDensity(t_degC float64) (kg_m3 float64, err error) {
	if err := waterTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	_, rho := if97Water(t_degC+kelvin, if97Saturation(t_degC+kelvin))
	return rho, nil
}

// SaturatedSteamEnthalpy is the specific enthalpy in kJ/kg of dry saturated steam of t_degC.
//
// Source: IAPWS-IF97 region 2 at the pressure of region 4. Valid from 0 to 350 degC. Errors: ErrNotFinite, ErrBelowRange,
// ErrAboveRange.
func SaturatedSteamEnthalpy(t_degC float64) (kJ_kg float64, err error) {
	if err := waterTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	return if97Steam(t_degC+kelvin, if97Saturation(t_degC+kelvin)), nil
}

// WaterEnthalpy is the specific enthalpy in kJ/kg of water that does not boil, such as make-up, at t_degC under
// pressure_kPa, absolute.
//
// Source: IAPWS-IF97 region 1. Valid from 0 to 350 degC and up to 100 000 kPa; ErrBelowRange where the pressure is below
// that at which the water boils. Errors besides: ErrNotFinite, ErrNotPositive, ErrAboveRange.
func WaterEnthalpy(t_degC, pressure_kPa float64) (kJ_kg float64, err error) {
	if err := first(waterTemperature.refuse(t_degC), waterPressure.refuse(pressure_kPa)); err != nil {
		return 0, err
	}
	if boils := 1000 * if97Saturation(t_degC+kelvin); pressure_kPa < boils {
		return 0, fmt.Errorf("absolute pressure %s kPa: %w of water: at %s degC it boils below %.4g kPa", plain(pressure_kPa), ErrBelowRange, plain(t_degC), boils)
	}
	h, _ := if97Water(t_degC+kelvin, pressure_kPa/1000)
	return h, nil
}

var flashPressure = span{name: "absolute pressure", unit: "kPa", min: 0.611213, max: 16500, positive: true} // up to 350 degC

// FlashShare is the part by mass, in percent, of boiling water under from_kPa that turns to steam when it is let down to
// to_kPa, both absolute: (h of the water - h of the water after) / heat of evaporation after. Heat is kept, none is lost.
//
// Valid from 0.611213 to 16 500 kPa; to_kPa above from_kPa is ErrAboveRange. Errors besides: ErrNotFinite, ErrNotPositive,
// ErrBelowRange.
func FlashShare(from_kPa, to_kPa float64) (percent float64, err error) {
	if err := first(flashPressure.refuse(from_kPa), flashPressure.refuse(to_kPa)); err != nil {
		return 0, err
	}
	if to_kPa > from_kPa {
		return 0, fmt.Errorf("%s kPa after the valve: %w, %s kPa before it", plain(to_kPa), ErrAboveRange, plain(from_kPa))
	}
	before, after := if97Boiling(from_kPa/1000), if97Boiling(to_kPa/1000)
	h, _ := if97Water(before, from_kPa/1000)
	left, _ := if97Water(after, to_kPa/1000)
	return 100 * (h - left) / (if97Steam(after, to_kPa/1000) - left), nil
}

var (
	// A vacuum deaerator runs some hundredths of a bar above nothing, a pressure one up to a few bar; 20 bar is far from either.
	gaugePressure = span{name: "gauge pressure", unit: "bar", min: -1, max: 20}
	// A gauge that is a bar wrong shows nothing.
	gaugeError = span{name: "error of the gauge", unit: "bar", min: 0, max: 1}
)

// Approach is how near the water of a deaerator is to boiling, and what that is worth.
type Approach struct {
	Absolute_kPa    float64 // barometer + gauge
	Saturation_degC float64 // at that pressure
	Below_K         float64 // saturation less the water: positive below saturation
	GaugeShare_K    float64 // how much of Below_K the error of the gauge can be, to either side
}

// DeaeratorApproach compares the water of a deaerator with the boiling point at its own pressure, barometer_hPa +
// gauge_bar. The usual criterion is 1 K (2 degF) below saturation or less (UFC 3-240-13FN; read on
// ufgscriteria.tpub.com). gaugeError_bar is by how much the gauge may be wrong; 0.02 bar is about half of that kelvin, so
// GaugeShare_K belongs in every message. The barometer matters as much: rules such as "0.5 degC per 150 m" hold at 0
// bar gauge only.
//
// Source: SaturationTemperature. Valid: gauge -1 to 20 bar, barometer 506.625 to 1114.575 hPa, water 0 to 350 degC, error
// 0 to 1 bar, and what is left of the pressure at or above 0.611213 kPa. Errors: ErrNotFinite, ErrNotPositive,
// ErrBelowRange, ErrAboveRange, and ErrNoPressure for a barometer of 0.
func DeaeratorApproach(water_degC, gauge_bar, barometer_hPa, gaugeError_bar float64) (Approach, error) {
	if err := first(waterTemperature.refuse(water_degC), gaugePressure.refuse(gauge_bar), refuseAir(barometer_hPa), gaugeError.refuse(gaugeError_bar)); err != nil {
		return Approach{}, err
	}
	a := Approach{Absolute_kPa: 100*gauge_bar + barometer_hPa/10}
	var err error
	if a.Saturation_degC, err = SaturationTemperature(a.Absolute_kPa); err != nil {
		return Approach{}, err
	}
	a.Below_K = a.Saturation_degC - water_degC
	// The curve bends: a gauge that reads high is worth more than one that reads low, so that side is the share.
	low, err := SaturationTemperature(a.Absolute_kPa - 100*gaugeError_bar)
	if err != nil {
		return Approach{}, fmt.Errorf("less the error of the gauge: %w", err)
	}
	a.GaugeShare_K = a.Saturation_degC - low
	return a, nil
}
