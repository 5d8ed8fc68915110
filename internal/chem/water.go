package chem

import (
	"fmt"
	"math"
)

var liquidTemperature = span{name: "water temperature", unit: "degC", min: 0, max: 100}

// density of water in kg/m3 at t_degC, 0 to 100, under one atmosphere, or where it would boil under its own vapour:
// IAPWS-IF97 region 1.
func density(t_degC float64) (kg_m3 float64) {
	T := t_degC + kelvin
	_, rho := if97Water(T, max(0.101325, if97Saturation(T)))
	return rho
}

// viscosity of water in Pa s at t_degC, 0 to 100, under 0.1 MPa: IAPWS SR6-08(2011), equation 7 (read in python3-iapws
// 1.5.3), 253.15 to 383.15 K.
func viscosity(t_degC float64) (Pa_s float64) {
	x := (t_degC + kelvin) / 300
	return 1e-6 * (280.68*math.Pow(x, -1.9) + 511.45*math.Pow(x, -7.7) + 61.131*math.Pow(x, -19.6) + 0.45903*math.Pow(x, -40))
}

// WaterIonProduct is pKw, the negative decimal logarithm of the ion product of water, on molality, at t_degC under one
// atmosphere (above the boiling point under its own vapour).
//
// Source: IAPWS R11-24, the release of 2024 (coefficients read in the source of iapws 1.5.5). Below 100 degC it is within
// 0.002 of the release before it, R11-07. Valid from 0 to 100 degC. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func WaterIonProduct(t_degC float64) (pKw float64, err error) {
	if err := liquidTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	return ionProduct2024(t_degC+kelvin, density(t_degC)/1000), nil
}

// ionProduct2024 is pKw by IAPWS R11-24 at T in K and d in g/cm3.
func ionProduct2024(T, d float64) float64 {
	const n = 6 // molecules of water around an ion
	q := d * math.Exp(-0.702132+8681.05/T-24145.1/(T*T)*math.Pow(d, 2.0/3))
	gas := 0.61415 + 4.825133e4/T - 6.770793e4/(T*T) + 1.01021e7/(T*T*T)
	return -2*n*(math.Log10(1+q)-q/(q+1)*d*(0.813876-51.4471/T-0.46992*d)) + gas + 2*math.Log10(water_g_mol/1000)
}

// ionProduct1981 is pKw by Marshall and Franck, J. Phys. Chem. Ref. Data 10 (1981) 295, at T in K and d in g/cm3
// (coefficients from memory; they give the four digits of the table in the CRC Handbook). It is the one that the IAPWS
// guideline on the conductivity of water was made with.
func ionProduct1981(T, d float64) float64 {
	return -(-4.098 - 3245.2/T + 2.2362e5/(T*T) - 3.984e7/(T*T*T) + (13.957-1262.3/T+8.5641e5/(T*T))*math.Log10(d))
}

// NeutralPH is the pH at which water of t_degC is neutral, pKw/2: 7.00 at 25 degC only. Source, range and errors as
// WaterIonProduct.
func NeutralPH(t_degC float64) (pH float64, err error) {
	pKw, err := WaterIonProduct(t_degC)
	return pKw / 2, err
}

// PureWaterConductivity is the theoretical conductivity of pure water in uS/cm at t_degC, not compensated: 0.0550 at 25.
//
// Source: IAPWS guideline on the electrolytic conductivity of water (1990), Marshall, J. Chem. Eng. Data 32 (1987) 221,
// with the ion product of Marshall and Franck 1981 (read in the source of iapws 1.5.5) and the density of IAPWS-IF97.
// Independent routes differ from it by 0.4 % at 25 degC, by up to 5 % elsewhere. Valid from 0 to 100 degC. Errors:
// ErrNotFinite, ErrBelowRange, ErrAboveRange.
func PureWaterConductivity(t_degC float64) (uS_cm float64, err error) {
	if err := liquidTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	return pureWater(t_degC), nil
}

func pureWater(t float64) (uS_cm float64) {
	d := density(t) / 1000
	// Limiting molar conductance of H+ and OH- together, S cm2/mol, and how the density takes off it.
	limit := 1850 - 1/(1.0/1410+2.16417e-6*t+1.81609e-7*t*t-1.75297e-9*t*t*t+7.20708e-12*t*t*t*t)
	dh := 16 - 1/(1/11.6+3.26e-4*t-2.3e-6*t*t+1.1e-8*t*t*t)
	return 1e3 * d * limit * (dh - d) / dh * math.Pow(10, -ionProduct1981(t+kelvin, d)/2)
}

// PureWaterResistivity is the reciprocal of PureWaterConductivity, in MOhm cm: 18.18 at 25 degC. Source, range and errors
// as there.
func PureWaterResistivity(t_degC float64) (MOhm_cm float64, err error) {
	kappa, err := PureWaterConductivity(t_degC)
	if err != nil {
		return 0, err
	}
	return 1 / kappa, nil
}

// Compensation says what an analyser has done to a conductivity before it showed it.
type Compensation uint8

const (
	CompensationNotStated Compensation = iota // refused with ErrNoMode: the floor depends on it by a factor of four
	Uncompensated                             // as measured, at the temperature of the sample
	LinearTo25                                // divided by 1 + slope (t - 25)
	UltrapureTo25                             // pure water and a trace of salt each brought to 25 degC: CompensateSaltTrace
)

// What separates the lowest honest reading from the theory.
const (
	// A trace of sodium or lithium hydroxide takes H+ away, the best conductor of all: at pH 7.04 the conductivity passes
	// through a minimum 0.6 to 1.1 % below that of pure water (ASTM STP "Resistivity of Very Pure Water and Its Maximum
	// Value": 18.28 against 18.18 MOhm cm).
	baseShare = 0.01
	// Of the cell constant of a sound cell (judgement).
	cellShare = 0.02
)

// pureWaterSpread is the conductivity of pure water by a second, independent route, divided by that of
// PureWaterConductivity: computed with PHREEQC (USGS), database phreeqc.dat. The truth lies near the two.
var pureWaterSpread = []row{
	{0, 0.9948}, {5, 1.0333}, {10, 1.0403}, {15, 1.0300}, {18, 1.0205}, {20, 1.0133}, {25, 0.9962}, {30, 0.9814},
	{35, 0.9703}, {40, 0.9628}, {45, 0.9586}, {50, 0.9571}, {55, 0.9577}, {60, 0.9600}, {65, 0.9634}, {70, 0.9675},
	{75, 0.9718}, {80, 0.9761}, {85, 0.9801}, {90, 0.9835}, {95, 0.9861}, {100, 0.9856},
}

// LowestConductivity is the lowest conductivity in uS/cm that a sound cell can show in any water of t_degC, after the
// analyser's own compensation. What is below is not water: a bubble, air, an open cell, or a compensation other than
// stated. It takes the lower of two routes to the conductivity of pure water, less 1 % for a trace of base and 2 % for the
// cell; for UltrapureTo25 also what the analyser's own model of pure water may differ from the truth.
// slope_percent_per_K counts for LinearTo25 only.
//
// Source: PureWaterConductivity and PHREEQC with phreeqc.dat. Valid from 0 to 100 degC, for UltrapureTo25 to 80, with a
// slope of 1 to 3 %/K (ASTM D5391: adequate for moderate ionic strength). Errors: ErrNotFinite, ErrNotPositive,
// ErrBelowRange, ErrAboveRange, ErrNoMode.
func LowestConductivity(t_degC float64, mode Compensation, slope_percent_per_K float64) (uS_cm float64, err error) {
	if err := liquidTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	switch mode {
	case Uncompensated:
		return (1 - cellShare) * lowestWater(t_degC), nil
	case LinearTo25:
		if err := linearSlope.refuse(slope_percent_per_K); err != nil {
			return 0, err
		}
		return (1 - cellShare) * lowestWater(t_degC) / linear(t_degC, slope_percent_per_K), nil
	case UltrapureTo25:
		if err := saltTemperature.refuse(t_degC); err != nil {
			return 0, err
		}
		// The water may follow the lower route and the analyser the higher one.
		apart := pureWater(t_degC) * math.Abs(1-lookUp(pureWaterSpread, t_degC))
		return (1 - cellShare) * (lowestWater(25) - apart/saltTraceRatio(t_degC)), nil
	default:
		return 0, fmt.Errorf("%w (%d)", ErrNoMode, mode)
	}
}

// lowestWater is the lowest conductivity of any water, in uS/cm, at its own temperature, for a perfect cell.
func lowestWater(t_degC float64) float64 {
	return (1 - baseShare) * pureWater(t_degC) * min(1, lookUp(pureWaterSpread, t_degC))
}

// ImpossibleConductivity says whether kappa_uS_cm, shown by an analyser that compensates as stated, is below what any
// water can show at t_degC, and where that floor lies. A reading at the floor is possible. Source, range and errors as
// LowestConductivity; kappa may be any finite number, for a broken cell shows anything.
func ImpossibleConductivity(kappa_uS_cm, t_degC float64, mode Compensation, slope_percent_per_K float64) (impossible bool, floor_uS_cm float64, err error) {
	if math.IsNaN(kappa_uS_cm) || math.IsInf(kappa_uS_cm, 0) {
		return false, 0, fmt.Errorf("conductivity %v uS/cm: %w", kappa_uS_cm, ErrNotFinite)
	}
	floor, err := LowestConductivity(t_degC, mode, slope_percent_per_K)
	return err == nil && kappa_uS_cm < floor, floor, err
}
