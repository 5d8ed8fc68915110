package chem

import (
	"fmt"
	"math"
)

var (
	// Above 1000 the blowdown is a thousandth of the feed: no meter sees it, and the quotient is one of two small errors.
	cyclesRange = span{name: "cycles of concentration", unit: "", min: 1, max: 1000, positive: true}
	// At 100 % of feed there is no steam. Inside the range of the cycles, so that the way back is open.
	blowdownOfFeed  = span{name: "blowdown of feedwater", unit: "%", min: 0.11, max: 98, positive: true}
	blowdownOfSteam = span{name: "blowdown of steam", unit: "%", min: 0.11, max: 9800, positive: true}

	chloride = span{name: "chloride", unit: "mg/L", min: 0.001, max: 10e3, positive: true}
	tracer   = span{name: "tracer", unit: "ug/kg", min: 0.01, max: 1e6, positive: true}
	// 10 000 t/h is several times the largest boiler there is.
	massFlow = span{name: "flow", unit: "kg/h", min: 0, max: 10e6}
)

// CyclesFromConductivity is the cycles of concentration from the conductivity of boiler water and of feedwater, both in
// uS/cm at the same reference temperature. Hydroxide conducts 2.5 times what chloride does: where there is much of it, the
// samples are neutralised first. Ammonia and amines in the feedwater conduct and leave with the steam: the answer is too
// low with them.
//
// Source: UFC 3-240-13FN, equation 5. Valid from 0.01 to 1 000 000 uS/cm; cycles from 1 to 1000. Errors: ErrNotFinite,
// ErrNotPositive, ErrBelowRange (boiler water thinner than feedwater), ErrAboveRange.
func CyclesFromConductivity(boiler_uS_cm, feedwater_uS_cm float64) (cycles float64, err error) {
	return ratioOf(conductivity, boiler_uS_cm, feedwater_uS_cm)
}

// CyclesFromChloride is the cycles of concentration from chloride in boiler water and feedwater, both in mg/L. Source and
// errors as CyclesFromConductivity. Valid from 0.001 to 10 000 mg/L.
func CyclesFromChloride(boiler_mg_L, feedwater_mg_L float64) (cycles float64, err error) {
	return ratioOf(chloride, boiler_mg_L, feedwater_mg_L)
}

// CyclesFromTracer is the cycles of concentration from a tracer that does not leave with the steam and keeps in the boiler,
// both in ug/kg. Source and errors as CyclesFromConductivity. Valid from 0.01 to 1 000 000 ug/kg.
func CyclesFromTracer(boiler_ug_kg, feedwater_ug_kg float64) (cycles float64, err error) {
	return ratioOf(tracer, boiler_ug_kg, feedwater_ug_kg)
}

func ratioOf(s span, boiler, feedwater float64) (float64, error) {
	inBoiler, inFeed := s, s
	inBoiler.name, inFeed.name = s.name+" of boiler water", s.name+" of feedwater"
	if err := first(inBoiler.refuse(boiler), inFeed.refuse(feedwater)); err != nil {
		return 0, err
	}
	cycles := boiler / feedwater
	if err := cyclesRange.refuse(cycles); err != nil {
		return 0, err
	}
	return cycles, nil
}

// Blowdown is one flow as two percentages, which the trade both calls "blowdown %": 5.00 and 5.26 at 20 cycles.
type Blowdown struct {
	OfFeedwater_percent float64 // 100 / cycles
	OfSteam_percent     float64 // 100 / (cycles - 1)
}

// BlowdownFromCycles is the blowdown that goes with cycles of concentration.
//
// Source: mass balance of what does not leave with the steam; UFC 3-240-13FN, equation 6, is the one of feedwater. Valid
// above 1, where all the feed would be blown down, from 100/99 to 1000. Errors: ErrNotFinite, ErrNotPositive,
// ErrBelowRange, ErrAboveRange.
func BlowdownFromCycles(cycles float64) (Blowdown, error) {
	if err := steaming.refuse(cycles); err != nil {
		return Blowdown{}, err
	}
	return Blowdown{OfFeedwater_percent: 100 / cycles, OfSteam_percent: 100 / (cycles - 1)}, nil
}

// steaming are the cycles of a boiler that makes steam: at 100/99 one part in a hundred of the feed leaves as steam.
var steaming = span{name: "cycles of concentration", unit: "", min: 100.0 / 99, max: 1000, positive: true}

// CyclesFromBlowdownOfFeedwater is the cycles of concentration of a boiler that blows down percent of its feedwater. Source
// and errors as BlowdownFromCycles. Valid from 0.11 to 98 %.
func CyclesFromBlowdownOfFeedwater(percent float64) (cycles float64, err error) {
	if err := blowdownOfFeed.refuse(percent); err != nil {
		return 0, err
	}
	return 100 / percent, nil
}

// CyclesFromBlowdownOfSteam is the cycles of concentration of a boiler that blows down percent of the steam it makes. Source
// and errors as BlowdownFromCycles. Valid from 0.11 to 9800 %.
func CyclesFromBlowdownOfSteam(percent float64) (cycles float64, err error) {
	if err := blowdownOfSteam.refuse(percent); err != nil {
		return 0, err
	}
	return 1 + 100/percent, nil
}

// Balance is the water of a boiler, each in the unit of the steam.
type Balance struct {
	Steam_kg_h     float64
	Blowdown_kg_h  float64 // steam / (cycles - 1)
	Feedwater_kg_h float64 // steam + blowdown
}

// WaterBalance is the feedwater and the blowdown of a boiler that makes steam_kg_h at the given cycles.
//
// Source: UFC 3-240-13FN, equations 7 and 8 (the machine-readable text of 7 has lost its sign of division; its worked
// number, 2105 lb/h from 40 000 at 20 cycles, shows it). Valid from 0 to 10 000 000 kg/h and 100/99 to 1000 cycles. Errors:
// ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func WaterBalance(steam_kg_h, cycles float64) (Balance, error) {
	if err := first(massFlow.refuse(steam_kg_h), steaming.refuse(cycles)); err != nil {
		return Balance{}, err
	}
	b := Balance{Steam_kg_h: steam_kg_h, Blowdown_kg_h: steam_kg_h / (cycles - 1)}
	b.Feedwater_kg_h = b.Steam_kg_h + b.Blowdown_kg_h
	return b, nil
}

// MakeUp is the make-up in kg/h of a boiler that takes feedwater_kg_h, of which condensate_kg_h come back.
//
// Source: UFC 3-240-13FN, figure 3-9. Valid from 0 to 10 000 000 kg/h; more condensate than feedwater is ErrAboveRange.
// Errors besides: ErrNotFinite, ErrBelowRange.
func MakeUp(feedwater_kg_h, condensate_kg_h float64) (kg_h float64, err error) {
	if err := first(massFlow.refuse(feedwater_kg_h), massFlow.refuse(condensate_kg_h)); err != nil {
		return 0, err
	}
	if condensate_kg_h > feedwater_kg_h {
		return 0, fmt.Errorf("condensate %s kg/h: %w, feedwater %s kg/h", plain(condensate_kg_h), ErrAboveRange, plain(feedwater_kg_h))
	}
	return feedwater_kg_h - condensate_kg_h, nil
}

// CyclesChange is a boiler run at other cycles of concentration.
type CyclesChange struct {
	Steam_kg_h         float64
	Before, After      float64 // cycles of concentration
	Boiler_kPa         float64 // absolute
	MakeUp_degC        float64 // of the water that replaces the blowdown
	Efficiency_percent float64 // of the boiler, fuel to steam
	Hours              float64 // at this load
	Treatment_mg_kg    float64 // what is fed per kg of feedwater, of all treatment together
}

// Saving is what a CyclesChange saves; negative where it costs.
type Saving struct {
	Water_kg     float64 // of make-up, and of blowdown
	Heat_MJ      float64 // in the blowdown above the make-up
	Fuel_MJ      float64 // for that heat
	Treatment_kg float64
}

var (
	boilerPressure = span{name: "boiler pressure", unit: "kPa", min: atmosphere_hPa / 10 / 2, max: 16500, positive: true} // up to 350 degC
	makeUpWater    = span{name: "make-up temperature", unit: "degC", min: 0, max: 100}
	efficiency     = span{name: "efficiency of the boiler", unit: "%", min: 10, max: 110, positive: true} // on the net calorific value 100 may be passed
	hours          = span{name: "time", unit: "h", min: 0, max: 87600}                                    // ten years
	treatment      = span{name: "treatment", unit: "mg/kg", min: 0, max: 10e3}
)

// SavingFromCycles is what is saved by another setting of the blowdown. The blowdown leaves as boiling water: its heat is
// that of the liquid above the make-up, without any heat of evaporation. Flash steam and heat recovered are not taken off.
//
// Source: US DOE Steam Tip 9, with IAPWS-IF97. Valid: steam 0 to 10 000 000 kg/h, cycles 100/99 to 1000, boiler 50.7 to
// 16 500 kPa, make-up 0 to 100 degC, efficiency 10 to 110 %, 0 to 87 600 h, treatment 0 to 10 000 mg/kg.
// Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func SavingFromCycles(c CyclesChange) (Saving, error) {
	if err := first(boilerPressure.refuse(c.Boiler_kPa), makeUpWater.refuse(c.MakeUp_degC),
		hours.refuse(c.Hours), treatment.refuse(c.Treatment_mg_kg)); err != nil {
		return Saving{}, err
	}
	before, err := WaterBalance(c.Steam_kg_h, c.Before)
	if err != nil {
		return Saving{}, fmt.Errorf("before: %w", err)
	}
	after, err := WaterBalance(c.Steam_kg_h, c.After)
	if err != nil {
		return Saving{}, fmt.Errorf("after: %w", err)
	}
	boiling := if97Boiling(c.Boiler_kPa / 1000)
	blowdown, _ := if97Water(boiling, c.Boiler_kPa/1000)
	// The make-up stands under the air; where it would boil it stands under its own vapour, which is next to the same.
	makeUp, _ := if97Water(c.MakeUp_degC+kelvin, max(0.101325, if97Saturation(c.MakeUp_degC+kelvin)))
	s := Saving{Water_kg: (before.Blowdown_kg_h - after.Blowdown_kg_h) * c.Hours}
	s.Heat_MJ = s.Water_kg * (blowdown - makeUp) / 1000
	s.Treatment_kg = s.Water_kg * c.Treatment_mg_kg / 1e6
	if s.Fuel_MJ, err = FuelForHeat(s.Heat_MJ, c.Efficiency_percent); err != nil {
		return Saving{}, err
	}
	return s, nil
}

var heat = span{name: "heat", unit: "MJ", min: -1e18, max: 1e18} // beyond any boiler; so that no infinity comes out

// FuelForHeat is the fuel in MJ that gives heat_MJ at the efficiency of the boiler; a saving may be negative.
//
// Source: definition, as in US DOE Steam Tip 10. Valid from 10 to 110 % and to 1e18 MJ either way. Errors: ErrNotFinite,
// ErrNotPositive, ErrBelowRange, ErrAboveRange.
func FuelForHeat(heat_MJ, efficiency_percent float64) (MJ float64, err error) {
	if err := first(heat.refuse(heat_MJ), efficiency.refuse(efficiency_percent)); err != nil {
		return 0, err
	}
	return heat_MJ / (efficiency_percent / 100), nil
}

var (
	tracerShare = span{name: "tracer in the product", unit: "%", min: 1e-4, max: 100, positive: true}
	aboveZero   = span{name: "feedwater", unit: "kg/h", min: 0.001, max: massFlow.max, positive: true}
)

// ProductFromTracer is the dose of a treatment product in mg per kg of feedwater, from the tracer measured there and the
// part of tracer in the product. Whether the tracer can be read at this pH is TracerReadsLow.
//
// Source: mass balance. Valid: tracer 0.01 to 1 000 000 ug/kg, 0.0001 to 100 % of the product, product up to 1 kg/kg.
// Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func ProductFromTracer(tracer_ug_kg, tracer_percent float64) (product_mg_kg float64, err error) {
	if err := first(tracer.refuse(tracer_ug_kg), tracerShare.refuse(tracer_percent)); err != nil {
		return 0, err
	}
	dose := tracer_ug_kg / 1000 / (tracer_percent / 100)
	s := span{name: "dose of product", unit: "mg/kg", min: 0, max: 1e6}
	if err := s.refuse(dose); err != nil {
		return 0, err
	}
	return dose, nil
}

// ProductFromPump is the dose of a treatment product in mg per kg of feedwater that a pump of product_kg_h gives: what the
// tracer should show. Source: mass balance. Valid: product 0 to 10 000 000 kg/h, feedwater 0.001 to 10 000 000 kg/h, and
// no more product than feedwater. Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func ProductFromPump(product_kg_h, feedwater_kg_h float64) (product_mg_kg float64, err error) {
	if err := first(massFlow.refuse(product_kg_h), aboveZero.refuse(feedwater_kg_h)); err != nil {
		return 0, err
	}
	if product_kg_h > feedwater_kg_h {
		return 0, fmt.Errorf("product %s kg/h: %w, feedwater %s kg/h", plain(product_kg_h), ErrAboveRange, plain(feedwater_kg_h))
	}
	return 1e6 * product_kg_h / feedwater_kg_h, nil
}

// tracerFade_pH is where the fluorescence of fluorescein begins to fall with the pH: its ion with two charges gives the
// light, and the pKa is about 6.4 (from memory).
const tracerFade_pH = 7.5

var acidity = span{name: "pH", unit: "", min: 0, max: 14}

// TracerReadsLow says whether fluorescein reads low because the water is not alkaline enough: below pH 7.5. A dose reckoned
// from such a reading is too small, and raising the pump on it doses too much.
//
// Source: pKa about 6.4 (from memory). Valid from pH 0 to 14. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func TracerReadsLow(pH float64) (low bool, err error) {
	if err := acidity.refuse(pH); err != nil {
		return false, err
	}
	return pH < tracerFade_pH, nil
}

var (
	boilerWater = span{name: "water in the boiler", unit: "kg", min: 1, max: 10e6, positive: true}
	blowdown    = span{name: "blowdown", unit: "kg/h", min: 0.001, max: massFlow.max, positive: true}
)

// BoilerSettling is the time in hours in which the water of a boiler comes within 5 % of what a changed dose or blowdown
// leads to: three times its water over its blowdown, -ln(0.05) to be exact.
//
// Source: mass balance of a mixed vessel. Valid: water 1 to 10 000 000 kg, blowdown 0.001 to 10 000 000 kg/h. Errors:
// ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func BoilerSettling(water_kg, blowdown_kg_h float64) (hours float64, err error) {
	if err := first(boilerWater.refuse(water_kg), blowdown.refuse(blowdown_kg_h)); err != nil {
		return 0, err
	}
	return -math.Log(0.05) * water_kg / blowdown_kg_h, nil
}
