package derive

import (
	"errors"

	"rillwatch/internal/chem"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// inputsMax bounds the inputs of one kind; four is the most there is.
const inputsMax = 4

// args are the inputs in the units of the kind.
type args struct {
	v      [inputsMax]float64
	has    [inputsMax]bool
	choice string
}

// method is how one kind is computed. rises says of each input whether the result rises (+1) or falls (-1) with it; 0 where it does not
// enter the number. Every method here rises or falls with each of its inputs over the whole range of its source: a test walks them.
// of gives the result in the unit of the kind, and a doubt of its own: Believed, or why there is none.
type method struct {
	rises [inputsMax]int8
	of    func(*args) (float64, reading.Reason)
}

var methods = [site.DerivationCount]method{
	// A bound turns round: less than the least conductivity the cell can tell is more than the resistivity that belongs to it. No water
	// conducts nothing, so a conductivity that is refused as too low is below water, and one refused as too high no measurement.
	site.ResistivityOf: {[inputsMax]int8{-1}, func(x *args) (float64, reading.Reason) {
		return refusedWater(chem.ResistivityFromConductivity(x.v[0]))
	}},
	site.PercentSaturationOf: {[inputsMax]int8{+1, +1, -1}, func(x *args) (float64, reading.Reason) {
		return refused(chem.OxygenPercentSaturation(x.v[0], x.v[1], x.v[2]))
	}},
	site.ConductivityAt25Of: {[inputsMax]int8{+1, -1, 0}, conductivityAt25},
	site.CyclesFromConductivity: {[inputsMax]int8{+1, -1}, func(x *args) (float64, reading.Reason) {
		return refused(chem.CyclesFromConductivity(x.v[0], x.v[1]))
	}},
	site.CyclesFromChloride: {[inputsMax]int8{+1, -1}, func(x *args) (float64, reading.Reason) {
		return refused(chem.CyclesFromChloride(x.v[0], x.v[1]))
	}},
	site.CyclesFromTracer: {[inputsMax]int8{+1, -1}, func(x *args) (float64, reading.Reason) {
		return refused(chem.CyclesFromTracer(x.v[0], x.v[1]))
	}},
	site.BlowdownOfFeedwater: {[inputsMax]int8{-1}, func(x *args) (float64, reading.Reason) {
		b, err := chem.BlowdownFromCycles(x.v[0])
		return refused(b.OfFeedwater_percent, err)
	}},
	site.BlowdownOfSteam: {[inputsMax]int8{-1}, func(x *args) (float64, reading.Reason) {
		b, err := chem.BlowdownFromCycles(x.v[0])
		return refused(b.OfSteam_percent, err)
	}},
	site.ScavengerDemandOf: {[inputsMax]int8{+1}, func(x *args) (float64, reading.Reason) {
		return refused(chem.ScavengerDemand(Scavenger(x.choice), x.v[0]))
	}},
	site.ScavengerFeedOf: {[inputsMax]int8{+1, +1, -1}, func(x *args) (float64, reading.Reason) {
		f, err := chem.ScavengerFeed(Scavenger(x.choice), x.v[0], x.v[1], x.v[2])
		return refused(f.Total_mg_L, err)
	}},
	site.ProductFromTracer: {[inputsMax]int8{+1, -1, 0}, func(x *args) (float64, reading.Reason) {
		v, doubt := refused(chem.ProductFromTracer(x.v[0], x.v[1]))
		if !x.has[2] || doubt != reading.Believed {
			return v, doubt
		}
		low, err := chem.TracerReadsLow(x.v[2])
		if err != nil {
			return 0, reading.FaultRange
		}
		if low { // the pH contradicts the tracer: a dose reckoned from it is too small, and raising the pump on it doses too much
			return v, reading.CrossCheck
		}
		return v, reading.Believed
	}},
	site.BelowSaturationOf: {[inputsMax]int8{-1, +1, +1, 0}, func(x *args) (float64, reading.Reason) {
		a, err := chem.DeaeratorApproach(x.v[0], x.v[1], x.v[2], x.v[3])
		return refused(a.Below_K, err)
	}},
	site.PHExpectedFrom: {[inputsMax]int8{+1}, func(x *args) (float64, reading.Reason) { return Expected(x.v[0]) }},
	site.PHAboveExpected: {[inputsMax]int8{+1, -1}, func(x *args) (float64, reading.Reason) {
		pH, doubt := Expected(x.v[1])
		return x.v[0] - pH, doubt
	}},
	site.LeadTimeOf: {[inputsMax]int8{-1, +1}, func(x *args) (float64, reading.Reason) {
		return refused(chem.LeadTime(x.v[1], x.v[0]))
	}},
}

// refused turns a refusal of the chemistry into a reason.
func refused(v float64, err error) (float64, reading.Reason) {
	if err != nil {
		return 0, reading.FaultRange
	}
	return v, reading.Believed
}

// refusedWater is refused where what is too low is a conductivity.
func refusedWater(v float64, err error) (float64, reading.Reason) {
	if errors.Is(err, chem.ErrNotPositive) || errors.Is(err, chem.ErrBelowRange) {
		return 0, reading.BelowWater
	}
	return refused(v, err)
}

func conductivityAt25(x *args) (float64, reading.Reason) {
	if x.v[1] < 0 { // the source begins at freezing; below range would be taken for a conductivity
		return 0, reading.FaultRange
	}
	// No compensation makes a conductivity of what no water can show: within a kelvin of the thermometer.
	if low, err := chem.LowestConductivity(max(0, x.v[1]-floorWithin), chem.Uncompensated, 0); err == nil && x.v[0] < low {
		return 0, reading.BelowWater
	}
	switch x.choice {
	case site.Linear:
		if s := x.v[2]; s < 1 || s > 3 { // of the source; a slope is no conductivity
			return 0, reading.FaultRange
		}
		return refusedWater(chem.CompensateLinear(x.v[0], x.v[1], x.v[2]))
	case "natural":
		return refusedWater(chem.CompensateNatural(x.v[0], x.v[1]))
	case "salt-trace":
		return refusedWater(chem.CompensateSaltTrace(x.v[0], x.v[1]))
	}
	return 0, reading.Unknown
}

// Expected is the pH at 25 degC that goes with a conductivity in uS/cm at 25 degC where nothing but ammonia is fed. Outside 0.3 to 25 uS/cm
// it is none: below, a microgram of anything else decides the pH as much as the ammonia does.
func Expected(conductivity_uS_cm float64) (float64, reading.Reason) {
	w, err := chem.AmmoniaFromConductivity(conductivity_uS_cm)
	if err != nil || !w.Trusted {
		return 0, reading.FaultRange
	}
	return w.PH, reading.Believed
}

// Scavenger is the scavenger that a configuration names so; none for no name it may use.
func Scavenger(name string) chem.Scavenger {
	switch name {
	case "SO3":
		return chem.SulfiteAsSO3
	case "Na2SO3":
		return chem.SodiumSulfite
	case "NaHSO3":
		return chem.SodiumBisulfite
	case "Na2S2O5":
		return chem.SodiumMetabisulfite
	case "N2H4":
		return chem.Hydrazine
	case "DEHA":
		return chem.DEHA
	case "erythorbic-acid":
		return chem.ErythorbicAcid
	case "carbohydrazide":
		return chem.Carbohydrazide
	}
	return chem.ScavengerNotStated
}
