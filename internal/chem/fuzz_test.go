package chem

import (
	"math"
	"testing"
)

// answer is what one function of this package says.
type answer struct {
	name   string
	values []float64
	err    error
}

// everything asks every function of this package the same four numbers and the same choice.
func everything(a, b, c, d float64, choice uint8) []answer {
	var all []answer
	tell := func(name string, v float64, err error) { all = append(all, answer{name, []float64{v}, err}) }
	many := func(name string, err error, v ...float64) { all = append(all, answer{name, v, err}) }

	for name, f := range map[string]func(float64) (float64, error){
		"ResistivityFromConductivity": ResistivityFromConductivity, "OxygenFromVolume": OxygenFromVolume, "OxygenVolume": OxygenVolume,
		"AltitudePressure": AltitudePressure, "WaterIonProduct": WaterIonProduct, "NeutralPH": NeutralPH,
		"PureWaterConductivity": PureWaterConductivity, "PureWaterResistivity": PureWaterResistivity, "NaturalWaterFactor": NaturalWaterFactor,
		"CationConductivityFromChloride": CationConductivityFromChloride, "ChlorideFromCationConductivity": ChlorideFromCationConductivity,
		"NernstSlope": NernstSlope, "SodiumSulfiteFromSO3": SodiumSulfiteFromSO3, "SO3FromSodiumSulfite": SO3FromSodiumSulfite,
		"CyclesFromBlowdownOfFeedwater": CyclesFromBlowdownOfFeedwater, "CyclesFromBlowdownOfSteam": CyclesFromBlowdownOfSteam,
		"SaturationPressure": SaturationPressure, "SaturationTemperature": SaturationTemperature, "SaturatedWaterEnthalpy": SaturatedWaterEnthalpy,
		"SaturatedWaterDensity": SaturatedWaterDensity, "SaturatedSteamEnthalpy": SaturatedSteamEnthalpy, "FlushedLaminar": FlushedLaminar,
		"FlushedMixed": FlushedMixed, "VolumesToFlushLaminar": VolumesToFlushLaminar, "VolumesToFlushMixed": VolumesToFlushMixed,
	} {
		v, err := f(a)
		tell(name, v, err)
	}
	for name, f := range map[string]func(_, _ float64) (float64, error){
		"OxygenSolubility": OxygenSolubility, "CompensateNatural": CompensateNatural, "CompensateSaltTrace": CompensateSaltTrace,
		"UncompensateSaltTrace": UncompensateSaltTrace, "CyclesFromConductivity": CyclesFromConductivity, "CyclesFromChloride": CyclesFromChloride,
		"CyclesFromTracer": CyclesFromTracer, "MakeUp": MakeUp, "FuelForHeat": FuelForHeat, "ProductFromTracer": ProductFromTracer,
		"ProductFromPump": ProductFromPump, "BoilerSettling": BoilerSettling, "WaterEnthalpy": WaterEnthalpy, "FlashShare": FlashShare,
		"LineVolume": LineVolume, "LeadTime": LeadTime, "Velocity": Velocity,
	} {
		v, err := f(a, b)
		tell(name, v, err)
	}
	for name, f := range map[string]func(_, _, _ float64) (float64, error){
		"OxygenPercentSaturation": OxygenPercentSaturation, "OxygenFromPercentSaturation": OxygenFromPercentSaturation,
		"OxygenPartialPressure": OxygenPartialPressure, "OxygenFromPartialPressure": OxygenFromPartialPressure,
		"CompensateLinear": CompensateLinear, "UncompensateLinear": UncompensateLinear, "Reynolds": Reynolds,
	} {
		v, err := f(a, b, c)
		tell(name, v, err)
	}

	v, err := LowestConductivity(a, Compensation(choice), b)
	tell("LowestConductivity", v, err)
	_, v, err = ImpossibleConductivity(a, b, Compensation(choice), c)
	tell("ImpossibleConductivity", v, err)
	_, err = TracerReadsLow(a)
	tell("TracerReadsLow", 0, err)
	v, err = BufferPH(Buffer(choice), a)
	tell("BufferPH", v, err)
	v, err = ORPStandardPotential(ORPStandard(choice), a)
	tell("ORPStandardPotential", v, err)
	v, err = ReferenceOffset(Reference(choice), a)
	tell("ReferenceOffset", v, err)
	v, err = ORPAgainst(a, Reference(choice), StandardHydrogen, b)
	tell("ORPAgainst", v, err)
	v, err = ScavengerRatio(Scavenger(choice))
	tell("ScavengerRatio", v, err)
	v, err = ScavengerDemand(Scavenger(choice), a)
	tell("ScavengerDemand", v, err)
	f, err := ScavengerFeed(Scavenger(choice), a, b, c)
	many("ScavengerFeed", err, f.Oxygen_mg_L, f.Blowdown_mg_L, f.Total_mg_L)
	for name, f := range map[string]func(float64) (AmmoniaWater, error){
		"WaterWithAmmonia": WaterWithAmmonia, "AmmoniaFromConductivity": AmmoniaFromConductivity, "AmmoniaFromPH": AmmoniaFromPH,
	} {
		w, err := f(a)
		many(name, err, w.Ammonia_ug_kg, w.PH, w.Conductivity_uS_cm)
	}
	bd, err := BlowdownFromCycles(a)
	many("BlowdownFromCycles", err, bd.OfFeedwater_percent, bd.OfSteam_percent)
	w, err := WaterBalance(a, b)
	many("WaterBalance", err, w.Steam_kg_h, w.Blowdown_kg_h, w.Feedwater_kg_h)
	s, err := SavingFromCycles(CyclesChange{Steam_kg_h: a, Before: b, After: c, Boiler_kPa: d, MakeUp_degC: b, Efficiency_percent: c, Hours: a, Treatment_mg_kg: a})
	many("SavingFromCycles", err, s.Water_kg, s.Heat_MJ, s.Fuel_MJ, s.Treatment_kg)
	s, err = SavingFromCycles(CyclesChange{Steam_kg_h: 1000, Before: a, After: b, Boiler_kPa: c, MakeUp_degC: d, Efficiency_percent: 80, Hours: 10, Treatment_mg_kg: 1})
	many("SavingFromCycles", err, s.Water_kg, s.Heat_MJ, s.Fuel_MJ, s.Treatment_kg)
	p, err := DeaeratorApproach(a, b, c, d)
	many("DeaeratorApproach", err, p.Absolute_kPa, p.Saturation_degC, p.Below_K, p.GaugeShare_K)
	return all
}

// FuzzNothingButFiniteNumbersComeOut: every answer is finite, and beside an error it is zero.
func FuzzNothingButFiniteNumbersComeOut(f *testing.F) {
	for _, s := range [][4]float64{
		{25, 1013.25, 2, 1}, {7, 25, 1013.25, 0}, {0.055, 25, 2, 0}, {99.97, 1013.25, 1, 0}, {103.1, 0.2, 1013, 0.02}, {1000, 12.5, 16, 1135},
		{100, 4.572, 25, 0}, {0, 0, 0, 0}, {373.946, 22064, 0, 0}, {-1, -1, -1, -1}, {0.02, 80, 3, 1}, {0.11, 0.01, 0.001, 1e-6},
		{math.NaN(), 25, 1013, 0}, {25, math.Inf(1), 0, 0}, {math.MaxFloat64, math.SmallestNonzeroFloat64, 1e308, -1e308}, {20, 10, 1000, 60},
	} {
		for choice := range uint8(10) {
			f.Add(s[0], s[1], s[2], s[3], choice)
		}
	}
	f.Fuzz(func(t *testing.T, a, b, c, d float64, choice uint8) {
		for _, x := range everything(a, b, c, d, choice) {
			for _, v := range x.values {
				if math.IsNaN(v) || math.IsInf(v, 0) || (x.err != nil && v != 0) {
					t.Errorf("%s of %v, %v, %v, %v, %d: %v, %v", x.name, a, b, c, d, choice, x.values, x.err)
				}
			}
		}
	})
}

// TestNothingButFiniteNumbersComeOutNearEveryEdge is the same over all fours of the numbers on which something ends.
func TestNothingButFiniteNumbersComeOutNearEveryEdge(t *testing.T) {
	edges := []float64{0, 0.01, 0.055, 0.11, 0.5, 1, 1.1, 2, 7, 12.5, 20, 25, 40, 50, 80, 99.97, 100, 506.625, 1000, 1013.25, 1114.575, 16500, 1e5, 1e7, math.NaN(), math.Inf(-1)}
	answered := map[string]bool{}
	asked := map[string]bool{}
	for i, a := range edges {
		for j, b := range edges {
			for k := (i + j) % 3; k < len(edges); k += 3 { // a third of the triples: a second instead of three
				c := edges[k]
				d := edges[(i+j+k)%len(edges)]
				for _, x := range everything(a, b, c, d, uint8((i+j+k)%10)) {
					asked[x.name] = true
					if x.err == nil {
						answered[x.name] = true
					}
					for _, v := range x.values {
						if math.IsNaN(v) || math.IsInf(v, 0) || (x.err != nil && v != 0) {
							t.Fatalf("%s of %v, %v, %v, %v: %v, %v", x.name, a, b, c, d, x.values, x.err)
						}
					}
				}
			}
		}
	}
	for name := range asked {
		if !answered[name] {
			t.Errorf("%s answered to none of the numbers: nothing was tested", name)
		}
	}
}
