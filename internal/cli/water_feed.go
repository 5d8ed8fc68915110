package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
)

// scavengerNames are what --scavenger takes. Sulfite has two: the basis decides.
var scavengerNames = []string{"sulfite", "bisulfite", "metabisulfite", "hydrazine", "deha", "erythorbic-acid", "carbohydrazide"}

func scavengerCommand() *cobra.Command {
	return calculation("scavenger", "Oxygen scavenger: what the oxygen takes, and what to feed", `Say how much of a scavenger, 100 % active, the oxygen in feedwater takes up, and
what must be fed to hold a residual in the boiler too. Sulfite is counted as
SO3 or as Na2SO3, which differ by 57 %: --basis must say which.
Scavengers: sulfite, bisulfite, metabisulfite, hydrazine, deha,
erythorbic-acid, carbohydrazide.

Example:
  rillwatch water scavenger --scavenger sulfite --basis SO3 --oxygen "7 ug/L" \
    --residual "30 mg/L as SO3" --cycles 20`, func(s *sheet) func() error {
		name := s.choice("scavenger", "which one", scavengerNames...)
		basis := s.choice("basis", "of sulfite: SO3 or Na2SO3", "SO3", "Na2SO3")
		oxygen := s.amount("oxygen", `in the feedwater, before the scavenger: "7 ug/L", or "0.005 cc/L" of gas`, quantity.DissolvedOxygen, quantity.OxygenGas)
		residual := s.amount("residual", `to hold in the boiler, "30 mg/L as SO3" or "30 mg/L"`, quantity.SulfiteSO3, quantity.SulfiteNa2SO3, quantity.Solute)
		cycles := s.number("cycles", "", "of concentration; needed for a residual")
		return func() error {
			if err := s.need(name, oxygen); err != nil {
				return err
			}
			which, kind, as, err := scavengerOf(s, name.said, basis.said)
			if err != nil {
				return err
			}
			ug_L, err := s.oxygen(oxygen)
			if err != nil {
				return err
			}
			if oxygen.is(quantity.OxygenGas) {
				s.tell(figure{key: "dissolved_oxygen", name: "dissolved oxygen", value: ug_L, unit: unitOf(quantity.DissolvedOxygen, "ug/L"), from: byOxygenGas})
			}
			ratio, err := chem.ScavengerRatio(which)
			if err != nil {
				return err
			}
			demand, err := chem.ScavengerDemand(which, ug_L)
			if err != nil {
				return err
			}
			mg := unitOf(kind, "mg/L"+as)
			s.tell(figure{key: "ratio", name: "taken up by a mg of oxygen", value: ratio, label: "mg" + as, from: byReaction})
			s.tell(figure{key: "demand", name: "used up by oxygen, in feedwater", value: demand, unit: mg, from: byReaction})
			if residual.set {
				if err := s.need(cycles); err != nil {
					return err
				}
				left, err := residualIn(s, residual, kind, as, name.said == "sulfite")
				if err != nil {
					return err
				}
				f, err := chem.ScavengerFeed(which, ug_L, left, cycles.v)
				if err != nil {
					return err
				}
				s.tell(figure{key: "residual_loss", name: "to hold the residual, in feedwater", value: f.Blowdown_mg_L, unit: mg, from: byFeed})
				s.tell(figure{key: "feed", name: "to feed in all, in feedwater", value: f.Total_mg_L, unit: mg, from: byFeed})
				demand = f.Total_mg_L
			}
			s.note("100 % active; plants feed more, for none works to the end at once")
			return otherBasis(s, which, demand)
		}
	})
}

// scavengerOf gives the scavenger, the quantity its amounts are of, and the end of their unit.
func scavengerOf(s *sheet, name, basis string) (which chem.Scavenger, kind quantity.Quantity, as string, err error) {
	switch {
	case name == "sulfite" && basis == "":
		return 0, 0, "", s.wrong("--basis is missing: sulfite is counted as SO3 or as Na2SO3, and the two differ by 57 %%")
	case name == "sulfite" && basis == "SO3":
		return chem.SulfiteAsSO3, quantity.SulfiteSO3, " as SO3", nil
	case name == "sulfite":
		return chem.SodiumSulfite, quantity.SulfiteNa2SO3, " as Na2SO3", nil
	case basis != "":
		return 0, 0, "", s.wrong("--basis is for sulfite only")
	}
	which = map[string]chem.Scavenger{"bisulfite": chem.SodiumBisulfite, "metabisulfite": chem.SodiumMetabisulfite, "hydrazine": chem.Hydrazine,
		"deha": chem.DEHA, "erythorbic-acid": chem.ErythorbicAcid, "carbohydrazide": chem.Carbohydrazide}[name]
	return which, quantity.Solute, "", nil
}

// residualIn is the residual in mg/L of what the answer counts. A sulfite said in the other basis is turned over, and the
// note says so.
func residualIn(s *sheet, residual *amount, kind quantity.Quantity, as string, sulfite bool) (mg_L float64, err error) {
	said := residual.unit.Quantity()
	switch {
	case said == kind:
		return s.in(residual, "mg/L"+as)
	case said == quantity.Solute: // "30 mg/L": --basis has said of what
		s.note("residual taken" + as + ", as --basis says")
		return s.in(residual, "mg/L")
	case !sulfite:
		return 0, s.wrong("--residual: %s is of sulfite; write it in mg/L of the scavenger itself", residual.unit)
	case said == quantity.SulfiteSO3:
		if mg_L, err = s.in(residual, "mg/L as SO3"); err == nil {
			mg_L, err = chem.SodiumSulfiteFromSO3(mg_L)
		}
	default:
		if mg_L, err = s.in(residual, "mg/L as Na2SO3"); err == nil {
			mg_L, err = chem.SO3FromSodiumSulfite(mg_L)
		}
	}
	if err == nil {
		s.note(fmt.Sprintf("residual of %s turned into %s mg/L%s", inWords(residual), significant(mg_L, 4), as))
	}
	return mg_L, err
}

// otherBasis tells a sulfite in the other basis too, each with its name.
func otherBasis(s *sheet, which chem.Scavenger, mg_L float64) error {
	turn, kind, as := chem.SodiumSulfiteFromSO3, quantity.SulfiteNa2SO3, " as Na2SO3"
	switch which {
	case chem.SulfiteAsSO3:
	case chem.SodiumSulfite:
		turn, kind, as = chem.SO3FromSodiumSulfite, quantity.SulfiteSO3, " as SO3"
	default:
		return nil
	}
	v, err := turn(mg_L)
	if err != nil {
		return err
	}
	s.tell(figure{key: "other_basis", name: "the last one in the other basis", value: v, unit: unitOf(kind, "mg/L"+as), from: byWeights})
	return nil
}

func tracerCommand() *cobra.Command {
	return calculation("tracer", "Dose of treatment from its tracer or its pump", `Say how much treatment product is in the feedwater, from the fluorescent tracer
read there, or from the pump; with --share, what the tracer should read.
Fluorescein reads low below pH 7.5: a dose reckoned there is too small.

Example:
  rillwatch water tracer --pump "0.5 kg/h" --feedwater "50 t/h" --share "0.1 %"`, func(s *sheet) func() error {
		tracer := s.amount("tracer", `read in the feedwater, such as "10 ppb"`, quantity.Dye)
		share := s.amount("share", "tracer in the product, by mass", quantity.Ratio)
		pump := s.amount("pump", "product fed", quantity.MassFlow)
		feedwater := s.amount("feedwater", "flow of feedwater", quantity.MassFlow)
		pH := s.number("ph", "", "of the water the tracer is read in")
		return func() error {
			if err := s.oneOf(tracer, pump); err != nil {
				return err
			}
			var dose float64
			if tracer.set {
				if err := s.need(share); err != nil {
					return err
				}
				var ug_kg, percent float64
				err := s.inAll(want{tracer, "ug/kg", &ug_kg}, want{share, "%", &percent})
				if err != nil {
					return err
				}
				if dose, err = chem.ProductFromTracer(ug_kg, percent); err != nil {
					return err
				}
			} else {
				if err := s.need(feedwater); err != nil {
					return err
				}
				var product, water float64
				err := s.inAll(want{pump, "kg/h", &product}, want{feedwater, "kg/h", &water})
				if err != nil {
					return err
				}
				if dose, err = chem.ProductFromPump(product, water); err != nil {
					return err
				}
			}
			s.tell(figure{key: "product", name: "product in the feedwater", value: dose, unit: unitOf(quantity.Solute, "mg/kg"), from: byDose})
			if pump.set && share.set {
				part, err := s.in(share, "ratio")
				if err != nil {
					return err
				}
				if part < 0 || part > 1 {
					return s.wrong("--share is 0 to 100 %%")
				}
				s.tell(figure{key: "tracer", name: "tracer should read", value: 1000 * dose * part, unit: unitOf(quantity.Dye, "ug/kg"), from: byDose})
			}
			if !pH.set {
				s.note("fluorescein reads low below pH 7.5: --ph says whether that matters here")
				return nil
			}
			low, err := chem.TracerReadsLow(pH.v)
			if err != nil {
				return err
			}
			s.tell(figure{key: "tracer_reads_low", name: "tracer reads low at this pH", word: low, from: byPKa})
			if low {
				s.note("below pH 7.5 fluorescein gives less light: the dose is larger than it reads, and more pump doses too much")
			}
			return nil
		}
	})
}
