package chem

import (
	"fmt"
	"math"
)

var (
	conductivity = span{name: "conductivity", unit: "uS/cm", min: conductivityMin, max: conductivityMax, positive: true}
	// ASTM D5391: 1 to 3 %/K are adequate for moderate ionic strength, not for pure water. 2 is usual.
	linearSlope = span{name: "slope of the compensation", unit: "%/K", min: 1, max: 3, positive: true}
	// The table of ISO 7888 ends at 35.9 degC (from memory).
	naturalTemperature = span{name: "water temperature", unit: "degC", min: 0, max: 35.9}
	// As far as saltTrace reaches.
	saltTemperature = span{name: "water temperature", unit: "degC", min: 0, max: 80}
	// The factor was computed for 1e-4 mol/kg of salt, which conducts some 12 uS/cm at 25 degC. Beyond a few times that the
	// water itself is no part of the reading and the linear rule serves.
	traceMax_uS_cm = 50.0
)

func linear(t_degC, slope_percent_per_K float64) float64 {
	return 1 + slope_percent_per_K/100*(t_degC-25)
}

// CompensateLinear is the conductivity in uS/cm at 25 degC of water that conducts kappa_uS_cm at t_degC, on the straight
// line kappa / (1 + slope (t - 25)). The slope is a choice of the plant: natural waters 1.75 to 1.98 %/K (Hayashi 2004,
// abstract), 0.01 mol/kg KCl 1.94 at 25 degC (CRC Handbook); pure water 5.6, for which this rule is wrong.
//
// Source: IEC 60746-3 and ASTM D1125 name it (from memory); ASTM D5391 for the range of the slope. Valid from 0.01 to
// 1 000 000 uS/cm, 0 to 100 degC, 1 to 3 %/K. Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func CompensateLinear(kappa_uS_cm, t_degC, slope_percent_per_K float64) (kappa25_uS_cm float64, err error) {
	if err := first(conductivity.refuse(kappa_uS_cm), liquidTemperature.refuse(t_degC), linearSlope.refuse(slope_percent_per_K)); err != nil {
		return 0, err
	}
	return kappa_uS_cm / linear(t_degC, slope_percent_per_K), nil
}

// UncompensateLinear takes the compensation of CompensateLinear out again: what an analyser that shows kappa25_uS_cm has
// measured at t_degC. Range and errors as there.
func UncompensateLinear(kappa25_uS_cm, t_degC, slope_percent_per_K float64) (kappa_uS_cm float64, err error) {
	if err := first(conductivity.refuse(kappa25_uS_cm), liquidTemperature.refuse(t_degC), linearSlope.refuse(slope_percent_per_K)); err != nil {
		return 0, err
	}
	return kappa25_uS_cm * linear(t_degC, slope_percent_per_K), nil
}

// NaturalWaterFactor is f25, by which the conductivity of natural water of t_degC is multiplied to bring it to 25 degC.
//
// Source: the rule of ISO 7888 / EN 27888, here as the 0.93th power of the ratio of the viscosities (IAPWS
// SR6-08(2011)); within 0.25 % of the table of the standard as far as that is remembered. Valid from 0 to 35.9 degC.
// Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func NaturalWaterFactor(t_degC float64) (f25 float64, err error) {
	if err := naturalTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	return math.Pow(viscosity(t_degC)/viscosity(25), 0.93), nil
}

// CompensateNatural is the conductivity in uS/cm at 25 degC of natural water (wells, rivers, make-up before treatment) that
// conducts kappa_uS_cm at t_degC. Source and range of t_degC as NaturalWaterFactor; valid from 0.01 to 1 000 000 uS/cm,
// sensible from some 60 to 1000. Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func CompensateNatural(kappa_uS_cm, t_degC float64) (kappa25_uS_cm float64, err error) {
	f, err := NaturalWaterFactor(t_degC)
	if err := first(conductivity.refuse(kappa_uS_cm), err); err != nil {
		return 0, err
	}
	return kappa_uS_cm * f, nil
}

// saltTrace is the conductivity of 1e-4 mol/kg of NaCl at t in degC divided by that at 25, the water's own taken off:
// reciprocals of the factors computed with PHREEQC (USGS), database phreeqc.dat. Between the rows a straight line is within
// 0.06 % (a quarter of the second differences).
var saltTrace = []row{
	{0, 1 / 1.9097}, {5, 1 / 1.6344}, {10, 1 / 1.4206}, {15, 1 / 1.2507}, {20, 1 / 1.1132}, {25, 1}, {30, 1 / 0.9056},
	{35, 1 / 0.8260}, {40, 1 / 0.7581}, {50, 1 / 0.6491}, {60, 1 / 0.5660}, {80, 1 / 0.4498},
}

func saltTraceRatio(t_degC float64) float64 { return lookUp(saltTrace, t_degC) }

// CompensateSaltTrace is the conductivity in uS/cm at 25 degC of nearly pure water with a trace of neutral salt that
// conducts kappa_uS_cm at t_degC: the water's own part is taken off at t_degC and put on at 25, and the salt's part is
// brought to 25 as NaCl. After a cation exchanger the trace is acid, and ammonia-dosed water is alkaline: both follow other
// factors, and this one is wrong there.
//
// Source: the idea of the annex of IEC 60746-3 (its table was not to be had), with PureWaterConductivity and PHREEQC,
// phreeqc.dat, for NaCl. Valid from 0 to 80 degC, from what pure water can conduct there (LowestConductivity,
// Uncompensated) to 50 uS/cm. Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func CompensateSaltTrace(kappa_uS_cm, t_degC float64) (kappa25_uS_cm float64, err error) {
	if err := refuseTrace(kappa_uS_cm, t_degC, t_degC); err != nil {
		return 0, err
	}
	return pureWater(25) + (kappa_uS_cm-pureWater(t_degC))/saltTraceRatio(t_degC), nil
}

// UncompensateSaltTrace takes the compensation of CompensateSaltTrace out again: what an analyser that shows kappa25_uS_cm
// has measured at t_degC. Valid from what pure water can conduct at 25 degC; else range and errors as there.
func UncompensateSaltTrace(kappa25_uS_cm, t_degC float64) (kappa_uS_cm float64, err error) {
	if err := refuseTrace(kappa25_uS_cm, t_degC, 25); err != nil {
		return 0, err
	}
	return pureWater(t_degC) + (kappa25_uS_cm-pureWater(25))*saltTraceRatio(t_degC), nil
}

// refuseTrace holds a conductivity stated at stated_degC against the least there is at that temperature.
func refuseTrace(kappa_uS_cm, t_degC, stated_degC float64) error {
	if err := saltTemperature.refuse(t_degC); err != nil {
		return err
	}
	s := span{name: fmt.Sprintf("conductivity at %s degC", plain(stated_degC)), unit: "uS/cm", min: (1 - cellShare) * lowestWater(stated_degC), max: traceMax_uS_cm, positive: true}
	return s.refuse(kappa_uS_cm)
}
