package chem

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"strings"
	"testing"
)

// fewestPoints is how many points from outside this package every function of it must meet.
const fewestPoints = 5

func of3(f func(_, _, _ float64) (float64, error)) func([]float64) (float64, error) {
	return func(at []float64) (float64, error) { return f(at[0], at[1], at[2]) }
}

// yes is 1 and no is 0.
func yes(is bool, err error) (float64, error) {
	if is {
		return 1, err
	}
	return 0, err
}

// TestEveryFunctionMeetsFivePointsFromOutside holds every exported function against testdata/second.py, which reckons apart
// from this code, and against the published tables beside it. A function without points fails the test by its name.
func TestEveryFunctionMeetsFivePointsFromOutside(t *testing.T) {
	const same = "the same definition, reckoned apart"
	within := func(share, absolute float64, why string, f func([]float64) (float64, error)) *comparison {
		return &comparison{f: f, share: share, absolute: absolute, why: why, fewest: fewestPoints}
	}
	exact := func(f func([]float64) (float64, error)) *comparison { return within(1e-11, 1e-12, same, f) }
	printed := func(half float64, f func([]float64) (float64, error)) *comparison {
		return within(1e-12, half, "half a unit of the last printed digit", f)
	}
	const percentIF97 = "vapour pressure of IF97 in both; Benson and Krause"
	with := map[string]*comparison{
		"OxygenSolubility":              within(0, 0.06, "rMR prints 0.1 ug/L", of2(OxygenSolubility)),
		"OxygenPercentSaturation":       within(1e-10, 0, percentIF97, of3(OxygenPercentSaturation)),
		"OxygenPartialPressure":         within(1e-10, 0, percentIF97, of3(OxygenPartialPressure)),
		"OxygenFromPercentSaturation":   within(1e-10, 0, percentIF97, of3(OxygenFromPercentSaturation)),
		"OxygenFromPartialPressure":     within(1e-10, 0, percentIF97, of3(OxygenFromPartialPressure)),
		"OxygenFromVolume":              exact(of1(OxygenFromVolume)),
		"OxygenVolume":                  exact(of1(OxygenVolume)),
		"AltitudePressure":              within(2e-5, 0, "the short form has rounded constants", of1(AltitudePressure)),
		"WaterWithAmmonia.PH":           within(0, 0.002, "PHREEQC, Amm.dat", of1(func(v float64) (float64, error) { w, err := WaterWithAmmonia(v); return w.PH, err })),
		"WaterWithAmmonia.Conductivity": within(0.0025, 5e-5, "PHREEQC, Amm.dat", of1(func(v float64) (float64, error) { w, err := WaterWithAmmonia(v); return w.Conductivity_uS_cm, err })),
		"AmmoniaFromConductivity.PH":    within(0, 0.003, "charge balance by hand, without activity", of1(func(v float64) (float64, error) { w, err := AmmoniaFromConductivity(v); return w.PH, err })),
		"AmmoniaFromPH.Conductivity":    within(0.012, 0, "PHREEQC, Amm.dat: 0.002 in pH and the print of the pH are 0.6 %", of1(func(v float64) (float64, error) { w, err := AmmoniaFromPH(v); return w.Conductivity_uS_cm, err })),

		"CationConductivityFromChloride": within(1e-9, 0, same, of1(CationConductivityFromChloride)),
		"ChlorideFromCationConductivity": within(1e-6, 0, same, of1(ChlorideFromCationConductivity)),
		"CompensateLinear":               exact(of3(CompensateLinear)),
		"UncompensateLinear":             exact(of3(UncompensateLinear)),
		"NaturalWaterFactor":             within(2e-4, 0, "the short equation of the viscosity is within 0.02 % of the long one", of1(NaturalWaterFactor)),
		"CompensateNatural":              within(2e-4, 0, "the short equation of the viscosity is within 0.02 % of the long one", of2(CompensateNatural)),
		"CompensateSaltTrace":            within(1e-3, 2e-5, "print of four digits, density by IAPWS-95 there", of2(CompensateSaltTrace)),
		"UncompensateSaltTrace":          within(1e-3, 2e-5, "print of four digits, density by IAPWS-95 there", of2(UncompensateSaltTrace)),
		"ResistivityFromConductivity":    exact(of1(ResistivityFromConductivity)),
		"WaterIonProduct":                within(0, 0.0025, "R11-07 against R11-24: 0.002 at most", of1(WaterIonProduct)),
		"NeutralPH":                      within(0, 0.00125, "R11-07 against R11-24: 0.002 at most", of1(NeutralPH)),
		"PureWaterConductivity":          within(2e-4, 6e-6, "density by IAPWS-95 there, IF97 here; five printed digits", of1(PureWaterConductivity)),
		"PureWaterResistivity":           within(5e-5, 5e-3, "three to five printed digits", of1(PureWaterResistivity)),
		"LowestConductivity":             within(6e-4, 0, "both routes were rounded", of3(func(t, mode, slope float64) (float64, error) { return LowestConductivity(t, Compensation(mode), slope) })),
		"ImpossibleConductivity": exact(of3(func(v, t, mode float64) (float64, error) {
			is, _, err := ImpossibleConductivity(v, t, Compensation(mode), 0)
			return yes(is, err)
		})),

		"NernstSlope":          within(1e-10, 0, "k/e for R/F: both quotients carry ten digits in the code", of1(NernstSlope)),
		"BufferPH":             within(0, 0.001, "18 and 37 degC lie between two rows of ours", of2(func(b, t float64) (float64, error) { return BufferPH(Buffer(b), t) })),
		"ORPStandardPotential": within(0, 0.5, "table 2580:I prints whole mV", of2(func(s, t float64) (float64, error) { return ORPStandardPotential(ORPStandard(s), t) })),
		"ReferenceOffset":      printed(1e-9, of2(func(r, t float64) (float64, error) { return ReferenceOffset(Reference(r), t) })),
		"ORPAgainst": printed(1e-9, func(at []float64) (float64, error) {
			return ORPAgainst(at[0], Reference(at[1]), Reference(at[2]), at[3])
		}),

		"ScavengerRatio":  exact(of1(func(s float64) (float64, error) { return ScavengerRatio(Scavenger(s)) })),
		"ScavengerDemand": exact(of2(func(s, ug float64) (float64, error) { return ScavengerDemand(Scavenger(s), ug) })),
		"ScavengerFeed": exact(func(at []float64) (float64, error) {
			f, err := ScavengerFeed(Scavenger(at[0]), at[1], at[2], at[3])
			return f.Total_mg_L, err
		}),
		"SodiumSulfiteFromSO3": exact(of1(SodiumSulfiteFromSO3)),
		"SO3FromSodiumSulfite": exact(of1(SO3FromSodiumSulfite)),

		"CyclesFromConductivity":         exact(of2(CyclesFromConductivity)),
		"CyclesFromChloride":             exact(of2(CyclesFromChloride)),
		"CyclesFromTracer":               exact(of2(CyclesFromTracer)),
		"BlowdownFromCycles.OfFeedwater": exact(of1(func(n float64) (float64, error) { b, err := BlowdownFromCycles(n); return b.OfFeedwater_percent, err })),
		"BlowdownFromCycles.OfSteam":     exact(of1(func(n float64) (float64, error) { b, err := BlowdownFromCycles(n); return b.OfSteam_percent, err })),
		"CyclesFromBlowdownOfFeedwater":  exact(of1(CyclesFromBlowdownOfFeedwater)),
		"CyclesFromBlowdownOfSteam":      exact(of1(CyclesFromBlowdownOfSteam)),
		"WaterBalance.Blowdown":          exact(of2(func(e, n float64) (float64, error) { b, err := WaterBalance(e, n); return b.Blowdown_kg_h, err })),
		"WaterBalance.Feedwater":         exact(of2(func(e, n float64) (float64, error) { b, err := WaterBalance(e, n); return b.Feedwater_kg_h, err })),
		"MakeUp":                         exact(of2(MakeUp)),
		"BoilerSettling":                 exact(of2(BoilerSettling)),
		"ProductFromPump":                exact(of2(ProductFromPump)),
		"ProductFromTracer":              exact(of2(ProductFromTracer)),
		"FuelForHeat":                    exact(of2(FuelForHeat)),
		"TracerReadsLow":                 exact(of1(func(pH float64) (float64, error) { return yes(TracerReadsLow(pH)) })),
		"SavingFromCycles": within(1e-9, 0, same, func(at []float64) (float64, error) {
			s, err := SavingFromCycles(CyclesChange{Steam_kg_h: at[0], Before: at[1], After: at[2], Boiler_kPa: at[3], MakeUp_degC: at[4], Efficiency_percent: 80, Hours: 8000})
			return s.Fuel_MJ, err
		}),

		"SaturationPressure":     within(1e-11, 0, "the same equation", of1(SaturationPressure)),
		"SaturationTemperature":  within(0, 1e-6, "forward and backward equation of region 4 agree to 1e-8 K and the sum of its fourth roots", of1(SaturationTemperature)),
		"SaturatedWaterEnthalpy": within(0, 1e-8, "the same equation", of1(SaturatedWaterEnthalpy)),
		"SaturatedWaterDensity":  within(1e-11, 0, "the same equation", of1(SaturatedWaterDensity)),
		"SaturatedSteamEnthalpy": within(0, 1e-8, "the same equation", of1(SaturatedSteamEnthalpy)),
		"WaterEnthalpy":          within(0, 1e-8, "the same equation", of2(WaterEnthalpy)),
		"FlashShare":             within(1e-9, 0, same, of2(FlashShare)),
		"DeaeratorApproach.Below": within(0, 1e-8, same, func(at []float64) (float64, error) {
			a, err := DeaeratorApproach(at[0], at[1], at[2], at[3])
			return a.Below_K, err
		}),
		"DeaeratorApproach.GaugeShare": within(0, 1e-8, same, func(at []float64) (float64, error) {
			a, err := DeaeratorApproach(at[0], at[1], at[2], at[3])
			return a.GaugeShare_K, err
		}),

		"LineVolume":            exact(of2(LineVolume)),
		"LeadTime":              exact(of2(LeadTime)),
		"Velocity":              exact(of2(Velocity)),
		"Reynolds":              within(2e-4, 0, "the short equation of the viscosity is within 0.02 % of the long one", of3(Reynolds)),
		"FlushedLaminar":        within(0, 2e-4, "20 000 rings of the profile, summed", of1(FlushedLaminar)),
		"FlushedMixed":          exact(of1(FlushedMixed)),
		"VolumesToFlushLaminar": within(1e-9, 0, same, of1(VolumesToFlushLaminar)),
		"VolumesToFlushMixed":   within(1e-9, 1e-12, same, of1(VolumesToFlushMixed)),
	}
	proven := map[string]bool{}
	for name := range with {
		function, _, _ := strings.Cut(name, ".")
		proven[function] = true
	}
	all := exportedFunctions(t)
	for _, name := range all {
		if !proven[name] {
			t.Errorf("%s meets no point from outside", name)
		}
		delete(proven, name)
	}
	for name := range proven {
		t.Errorf("%s is no function of this package", name)
	}
	compare(t, askPython(t, "python3-iapws", "testdata/second.py"), with)
	t.Logf("%d exported functions", len(all))
}

// exportedFunctions are those of the package's own source.
func exportedFunctions(t *testing.T) []string {
	t.Helper()
	//lint:ignore SA1019 build tags do not matter here: there are none
	packages, err := parser.ParseDir(token.NewFileSet(), ".", func(f fs.FileInfo) bool { return !strings.HasSuffix(f.Name(), "_test.go") }, 0)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, file := range packages["chem"].Files {
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil && f.Name.IsExported() {
				names = append(names, f.Name.Name)
			}
		}
	}
	if len(names) < 60 {
		t.Errorf("only %d functions found", len(names))
	}
	return names
}

// TestFuzzAsksEveryFunction: the property that no NaN and no infinity comes out is asked of every function there is.
func TestFuzzAsksEveryFunction(t *testing.T) {
	asked := map[string]bool{}
	for _, a := range everything(25, 1013.25, 2, 1, 1) {
		asked[a.name] = true
	}
	for _, name := range exportedFunctions(t) {
		if !asked[name] {
			t.Errorf("%s is not in everything", name)
		}
	}
}
