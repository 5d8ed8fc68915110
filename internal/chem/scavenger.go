package chem

import "fmt"

// Atomic weights in g/mol: IUPAC, abridged to five digits.
const (
	weightH  = 1.008
	weightC  = 12.011
	weightN  = 14.007
	weightO  = 15.999
	weightNa = 22.990
	weightS  = 32.06

	weightO2     = 2 * weightO
	weightSO3    = weightS + 3*weightO
	weightNa2SO3 = 2*weightNa + weightSO3
)

// Scavenger is a substance fed to take the last oxygen out of feedwater, as 100 % active.
type Scavenger uint8

const (
	ScavengerNotStated  Scavenger = iota // refused with ErrNoneSuch
	SodiumSulfite                        // counted as Na2SO3
	SulfiteAsSO3                         // any sulfite, counted as SO3: the basis of most tests and limits
	SodiumBisulfite                      // NaHSO3
	SodiumMetabisulfite                  // Na2S2O5
	Hydrazine                            // N2H4. Suspected of causing cancer; US DoD criteria list it as no longer usable
	DEHA                                 // diethylhydroxylamine
	ErythorbicAcid                       // isoascorbic acid, first step only: further oxidation takes up more oxygen
	Carbohydrazide
)

// scavengers: parts of the molar mass of the scavenger that react with parts of oxygen.
var scavengers = [...]struct {
	weight            float64 // g/mol
	molecules, oxygen float64 // of the reaction beside it
	volatile          bool    // leaves with the steam, or falls apart to what does
}{
	SodiumSulfite:       {weight: weightNa2SO3, molecules: 2, oxygen: 1},                                               // 2 Na2SO3 + O2 -> 2 Na2SO4
	SulfiteAsSO3:        {weight: weightSO3, molecules: 2, oxygen: 1},                                                  // 2 SO3-- + O2 -> 2 SO4--
	SodiumBisulfite:     {weight: weightNa + weightH + weightSO3, molecules: 2, oxygen: 1},                             // 2 NaHSO3 + O2 -> 2 NaHSO4
	SodiumMetabisulfite: {weight: 2*weightNa + 2*weightS + 5*weightO, molecules: 1, oxygen: 1},                         // Na2S2O5 + H2O + O2 -> 2 NaHSO4
	Hydrazine:           {weight: 2*weightN + 4*weightH, molecules: 1, oxygen: 1, volatile: true},                      // N2H4 + O2 -> N2 + 2 H2O
	DEHA:                {weight: 4*weightC + 11*weightH + weightN + weightO, molecules: 4, oxygen: 9, volatile: true}, // 4 (C2H5)2NOH + 9 O2 -> 8 CH3COOH + 2 N2 + 6 H2O
	ErythorbicAcid:      {weight: 6*weightC + 8*weightH + 6*weightO, molecules: 2, oxygen: 1},                          // 2 C6H8O6 + O2 -> 2 C6H6O6 + 2 H2O
	Carbohydrazide:      {weight: weightC + 6*weightH + 4*weightN + weightO, molecules: 1, oxygen: 2, volatile: true},  // (N2H3)2CO + 2 O2 -> 2 N2 + 3 H2O + CO2
}

// ScavengerRatio is the mass of a scavenger, 100 % active, that takes up one of oxygen: 7.88 for sodium sulfite. Plants
// feed more, for none works to the end at once.
//
// Source: the reaction and IUPAC atomic weights. Error: ErrNoneSuch.
func ScavengerRatio(s Scavenger) (mg_per_mg_oxygen float64, err error) {
	if s == ScavengerNotStated || int(s) >= len(scavengers) {
		return 0, fmt.Errorf("oxygen scavenger %d: %w", s, ErrNoneSuch)
	}
	c := scavengers[s]
	return c.molecules * c.weight / (c.oxygen * weightO2), nil
}

// ScavengerDemand is the scavenger, 100 % active, in mg/L that oxygen_ug_L of oxygen use up.
//
// Source: ScavengerRatio. Valid from 0 to 100 000 ug/L. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange, ErrNoneSuch.
func ScavengerDemand(s Scavenger, oxygen_ug_L float64) (mg_L float64, err error) {
	ratio, err := ScavengerRatio(s)
	if err := first(err, oxygenContent.refuse(oxygen_ug_L)); err != nil {
		return 0, err
	}
	return ratio * oxygen_ug_L / 1000, nil
}

// More than 1 g/L of scavenger is a mistake in the unit: usual residuals are tens of mg/L.
var residual = span{name: "residual of the scavenger in the boiler", unit: "mg/L", min: 0, max: 1000}

// Feed is what a scavenger is fed for, each 100 % active and in mg/L of feedwater.
type Feed struct {
	Oxygen_mg_L   float64 // used up by oxygen
	Blowdown_mg_L float64 // leaves with the blowdown, to hold the residual
	Total_mg_L    float64
}

// ScavengerFeed is the scavenger in feedwater that uses up oxygen_ug_L of oxygen and holds residual_mg_L in the water of a
// boiler at the given cycles of concentration. The residual and the answer count in the substance s names: a residual as
// SO3 needs SulfiteAsSO3. At 7 ug/L of oxygen nearly all of it is blowdown.
//
// Source: mass balance, ratio * oxygen + residual / cycles. A scavenger that leaves with the steam has no such balance:
// with a residual above 0 it is ErrVolatile. Valid: oxygen 0 to 100 000 ug/L, residual 0 to 1000 mg/L, cycles 1 to 1000.
// Errors besides: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange, ErrNoneSuch.
func ScavengerFeed(s Scavenger, oxygen_ug_L, residual_mg_L, cycles float64) (Feed, error) {
	demand, err := ScavengerDemand(s, oxygen_ug_L)
	if err := first(err, residual.refuse(residual_mg_L), cyclesRange.refuse(cycles)); err != nil {
		return Feed{}, err
	}
	if residual_mg_L > 0 && scavengers[s].volatile {
		return Feed{}, fmt.Errorf("oxygen scavenger: %w: cycles say nothing of its residual", ErrVolatile)
	}
	f := Feed{Oxygen_mg_L: demand, Blowdown_mg_L: residual_mg_L / cycles}
	f.Total_mg_L = f.Oxygen_mg_L + f.Blowdown_mg_L
	return f, nil
}

// SodiumSulfiteFromSO3 turns sulfite counted as SO3 into the same counted as Na2SO3, both in mg/L: times 1.5743.
//
// Source: IUPAC atomic weights. Valid from 0 to 1000 mg/L as SO3. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func SodiumSulfiteFromSO3(so3_mg_L float64) (na2so3_mg_L float64, err error) {
	s := span{name: "sulfite as SO3", unit: "mg/L", min: residual.min, max: residual.max}
	if err := s.refuse(so3_mg_L); err != nil {
		return 0, err
	}
	return so3_mg_L * (weightNa2SO3 / weightSO3), nil
}

// SO3FromSodiumSulfite is SodiumSulfiteFromSO3 turned round. Valid from 0 to 1574 mg/L as Na2SO3. Source and errors as
// there.
func SO3FromSodiumSulfite(na2so3_mg_L float64) (so3_mg_L float64, err error) {
	s := span{name: "sulfite as Na2SO3", unit: "mg/L", min: residual.min, max: residual.max * (weightNa2SO3 / weightSO3)}
	if err := s.refuse(na2so3_mg_L); err != nil {
		return 0, err
	}
	return na2so3_mg_L / (weightNa2SO3 / weightSO3), nil
}
