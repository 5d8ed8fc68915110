package chem

import (
	"fmt"
	"math"
)

const (
	atmosphere_hPa = 1013.25 // definition
	oxygenInAir    = 0.20946 // mole fraction in dry air: IAPWS G7-04 and the USGS tables use it (read in python3-gsw and rMR)
	oxygen_g_mol   = 31.998  // IUPAC atomic weight of O, 15.999, twice
	water_g_mol    = 18.015268

	// 1 mL of oxygen gas, as it is, not ideal, at 0 degC and 1013.25 hPa, in mg: USGS Office of Water Quality memo 2011.03.
	// 1.4276, of an ideal gas, stood wrongly in the USGS tables from 1981 to 2011.
	oxygen_mg_mL = 1.42905

	bensonKrauseMax_degC = 40 // end of the equation's range
	henryMin_degC        = 50 // start of the Henry route alone; between the two a straight line leads from one to the other

	// Where air is less than this share of the pressure a tenth of a degree decides everything, and a ratio means nothing.
	leastAirShare = 0.01
)

var (
	oxygenTemperature = span{name: "water temperature", unit: "degC", min: 0, max: 100}
	// 0.5 to 1.1 atm: the validity given with the USGS tables of memo 2011.03.
	airPressure = span{name: "pressure of the air", unit: "hPa", min: 0.5 * atmosphere_hPa, max: 1.1 * atmosphere_hPa, positive: true}
	// Under pure oxygen cold water takes up some 70 mg/L.
	oxygenContent = span{name: "dissolved oxygen", unit: "ug/L", min: 0, max: 100e3}
	oxygenShare   = span{name: "oxygen saturation", unit: "%", min: 0, max: 500}
	oxygenPart    = span{name: "partial pressure of oxygen", unit: "hPa", min: 0, max: 1.1 * atmosphere_hPa}
	oxygenVolume  = span{name: "dissolved oxygen", unit: "mL/L", min: 0, max: 100 / oxygen_mg_mL}
	// The lowest dry land lies at -430 m. Above 5000 m the pressure leaves the range of the solubility.
	altitude = span{name: "altitude", unit: "m", min: -500, max: 5000}
)

func refuseAir(pressure_hPa float64) error {
	if pressure_hPa == 0 {
		return ErrNoPressure
	}
	return airPressure.refuse(pressure_hPa)
}

// OxygenSolubility is the oxygen in ug/L that fresh water of t_degC holds in equilibrium with moist air of pressure_hPa
// (the barometer's own reading at the place, not that reduced to sea level).
//
// Source: up to 40 degC Benson and Krause, Limnol. Oceanogr. 29 (1984) 620, as in Standard Methods 4500-O and, with the
// factor for pressure, in the USGS tables since memo 2011.03 (read in the CRAN packages wql and rMR); the authors give
// 0.1 %. From 50 degC IAPWS G7-04, Henry's constant (read in python3-iapws 1.5.3), with the vapour pressure and the
// density of IAPWS-IF97; against other published fits within 1.5 % to 75 degC, 3 % to 90; above 90 nothing was
// there to hold it against. From 40 to 50 degC a straight
// blend of both. The first equation alone would be 19 % high at 80 degC and never reach zero at the boiling point.
//
// Valid from 0 to 100 degC and 506.625 to 1114.575 hPa, up to the boiling point at that pressure, where it is 0; hotter is
// ErrAboveRange. Errors besides: ErrNotFinite, ErrNotPositive, ErrBelowRange, and ErrNoPressure for a pressure of 0.
func OxygenSolubility(t_degC, pressure_hPa float64) (ug_L float64, err error) {
	if err := first(oxygenTemperature.refuse(t_degC), refuseAir(pressure_hPa)); err != nil {
		return 0, err
	}
	T := t_degC + kelvin
	if vapour_hPa := 1e4 * if97Saturation(T); vapour_hPa > pressure_hPa {
		return 0, fmt.Errorf("water temperature %s degC: %w: water boils there under %s hPa", plain(t_degC), ErrAboveRange, plain(pressure_hPa))
	}
	switch {
	case t_degC <= bensonKrauseMax_degC:
		return bensonKrause(T, pressure_hPa/atmosphere_hPa), nil
	case t_degC >= henryMin_degC:
		return henry(T, pressure_hPa/1e4), nil
	default:
		return between(t_degC, bensonKrauseMax_degC, bensonKrause(T, pressure_hPa/atmosphere_hPa), henryMin_degC, henry(T, pressure_hPa/1e4)), nil
	}
}

// bensonKrause is the solubility in ug/L at T in K under p in atm.
func bensonKrause(T, p float64) float64 {
	t := T - kelvin
	mg_L := math.Exp(-139.34411 + 1.575701e5/T - 6.642308e7/(T*T) + 1.243800e10/(T*T*T) - 8.621949e11/(T*T*T*T))
	vapour := math.Exp(11.8571 - 3840.70/T - 216961/(T*T)) // atm
	theta := 0.000975 - 1.426e-5*t + 6.436e-8*t*t          // how far oxygen is from an ideal gas
	return 1000 * mg_L * (p - vapour) * (1 - theta*p) / ((1 - vapour) * (1 - theta))
}

// henry is the solubility in ug/L at T in K under p in MPa.
func henry(T, p float64) float64 {
	vapour := if97Saturation(T)
	x := oxygenInAir * (p - vapour) / henryConstant(T) // mole fraction in the water
	_, rho := if97Water(T, max(p, vapour))             // kg/m3, that is g/L
	return x * rho / water_g_mol * oxygen_g_mol * 1e6  // g/L to ug/L
}

// henryConstant is that of oxygen in water, MPa, at T in K: IAPWS G7-04, equation 3 and table 2, 274.15 to 616.52 K.
func henryConstant(T float64) float64 {
	tr := T / 647.096
	tau := 1 - tr
	return if97Saturation(T) * math.Exp(-9.44833/tr+4.43822*math.Pow(tau, 0.355)/tr+11.42005*math.Pow(tr, -0.41)*math.Exp(tau))
}

// saturated is the solubility in ug/L and the partial pressure of oxygen in hPa that goes with it. It refuses where air is
// too small a share of the pressure for a ratio to mean anything.
func saturated(t_degC, pressure_hPa float64) (ug_L, part_hPa float64, err error) {
	ug_L, err = OxygenSolubility(t_degC, pressure_hPa)
	if err != nil {
		return 0, 0, err
	}
	air := pressure_hPa - 1e4*if97Saturation(t_degC+kelvin)
	if air < leastAirShare*pressure_hPa {
		return 0, 0, fmt.Errorf("water temperature %s degC: %w: too near boiling under %s hPa", plain(t_degC), ErrAboveRange, plain(pressure_hPa))
	}
	return ug_L, oxygenInAir * air, nil
}

// OxygenPercentSaturation is the dissolved oxygen as percent of what OxygenSolubility gives for the same temperature and
// pressure. Without a barometer or AltitudePressure it cannot be had: at 1600 m the same water is 22 % nearer saturation.
//
// Valid from 0 to 100 000 ug/L and as OxygenSolubility, to within 1 % of the pressure at boiling. Errors as there.
func OxygenPercentSaturation(oxygen_ug_L, t_degC, pressure_hPa float64) (percent float64, err error) {
	full, _, err := saturated(t_degC, pressure_hPa)
	if err := first(oxygenContent.refuse(oxygen_ug_L), err); err != nil {
		return 0, err
	}
	return 100 * oxygen_ug_L / full, nil
}

// OxygenFromPercentSaturation is the oxygen in ug/L of water that is percent saturated: OxygenPercentSaturation turned
// round. Valid from 0 to 500 %. Errors as there.
func OxygenFromPercentSaturation(percent, t_degC, pressure_hPa float64) (ug_L float64, err error) {
	full, _, err := saturated(t_degC, pressure_hPa)
	if err := first(oxygenShare.refuse(percent), err); err != nil {
		return 0, err
	}
	return percent / 100 * full, nil
}

// OxygenPartialPressure is the partial pressure of oxygen in hPa with which water of oxygen_ug_L is in equilibrium; it is
// what an oxygen sensor feels. Water saturated under pressure_hPa has 0.20946 of the pressure less that of the vapour.
//
// Source: definition, with OxygenSolubility and IAPWS-IF97 region 4. Valid and errors as OxygenPercentSaturation.
func OxygenPartialPressure(oxygen_ug_L, t_degC, pressure_hPa float64) (hPa float64, err error) {
	full, part, err := saturated(t_degC, pressure_hPa)
	if err := first(oxygenContent.refuse(oxygen_ug_L), err); err != nil {
		return 0, err
	}
	return oxygen_ug_L / full * part, nil
}

// OxygenFromPartialPressure is the oxygen in ug/L of water in equilibrium with a partial pressure of oxygen_hPa:
// OxygenPartialPressure turned round. Valid from 0 to 1114.575 hPa of oxygen. Errors as there.
func OxygenFromPartialPressure(oxygen_hPa, t_degC, pressure_hPa float64) (ug_L float64, err error) {
	full, part, err := saturated(t_degC, pressure_hPa)
	if err := first(oxygenPart.refuse(oxygen_hPa), err); err != nil {
		return 0, err
	}
	return oxygen_hPa / part * full, nil
}

// OxygenFromVolume is the oxygen in ug/L of water that holds oxygen_mL_L: mL of the gas at 0 degC and 1013.25 hPa in a
// litre of water, the cc/L of deaerator guarantees (0.005 cc/L are 7.1 ug/L).
//
// Source: 1.42905 mg/mL, USGS Office of Water Quality memo 2011.03 (read as quoted by the GLEON LakeMetabolizer
// project). Valid from 0 to 100 000 ug/L. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func OxygenFromVolume(oxygen_mL_L float64) (ug_L float64, err error) {
	if err := oxygenVolume.refuse(oxygen_mL_L); err != nil {
		return 0, err
	}
	return 1000 * oxygen_mg_mL * oxygen_mL_L, nil
}

// OxygenVolume is OxygenFromVolume turned round: mL/L, the gas at 0 degC and 1013.25 hPa, from ug/L. Source, range and
// errors as there.
func OxygenVolume(oxygen_ug_L float64) (mL_L float64, err error) {
	if err := oxygenContent.refuse(oxygen_ug_L); err != nil {
		return 0, err
	}
	return oxygen_ug_L / (1000 * oxygen_mg_mL), nil
}

// AltitudePressure is the usual pressure of the air in hPa at altitude_m above the sea. The weather moves it by some 3 %
// to either side: it stands in where there is no barometer.
//
// Source: International Standard Atmosphere (ISO 2533), from its constants: 288.15 K, 6.5 K/km, 9.80665 m/s2 and 287.05287
// J/(kg K) (from memory). Valid from -500 to 5000 m. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func AltitudePressure(altitude_m float64) (hPa float64, err error) {
	if err := altitude.refuse(altitude_m); err != nil {
		return 0, err
	}
	const lapse = 0.0065 // K/m
	return atmosphere_hPa * math.Pow(1-lapse/288.15*altitude_m, 9.80665/(287.05287*lapse)), nil
}
