package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
)

func ammoniaCommand() *cobra.Command {
	return calculation("ammonia", "Ammonia, pH and conductivity of feedwater, each from one of them", `Say what goes with an ammonia content, a pH or a conductivity at 25 degC, in
water with ammonia and nothing else. Where a measured pH and conductivity do
not go together, one of them is wrong, or there is more in the water.

Example:
  rillwatch water ammonia --conductivity "4.2 uS/cm"`, func(s *sheet) func() error {
		ammonia := s.amount("ammonia", `as NH3, such as "500 ug/kg" or "0.5 ppm"`, quantity.Solute)
		kappa := s.amount("conductivity", "truly at 25 degC, before any cation exchanger", quantity.Conductivity)
		pH := s.number("ph", "", "at 25 degC")
		return func() error {
			if err := s.oneOf(ammonia, kappa, pH); err != nil {
				return err
			}
			var v float64
			var w chem.AmmoniaWater
			var err error
			switch {
			case ammonia.set:
				if v, err = s.in(ammonia, "ug/kg"); err == nil {
					w, err = chem.WaterWithAmmonia(v)
				}
			case kappa.set:
				if v, err = s.in(kappa, "uS/cm"); err == nil {
					w, err = chem.AmmoniaFromConductivity(v)
				}
			default:
				w, err = chem.AmmoniaFromPH(pH.v)
			}
			if err != nil {
				return err
			}
			s.tell(figure{key: "ammonia", name: "ammonia, as NH3", value: w.Ammonia_ug_kg, unit: unitOf(quantity.Solute, "ug/kg"), from: byAmmonia})
			s.tell(figure{key: "ph", name: "pH at 25 degC", value: w.PH, unit: unitOf(quantity.PH, "pH"), from: byAmmonia})
			s.tell(figure{key: "conductivity", name: "conductivity at 25 degC", value: w.Conductivity_uS_cm, unit: unitOf(quantity.Conductivity, "uS/cm"), from: byAmmonia})
			s.tell(figure{key: "trusted", name: "may judge a sensor (0.3 to 25 uS/cm)", word: w.Trusted, from: byAmmonia})
			s.note(fmt.Sprintf("a measured pH within %v of this goes with it, if the cation conductivity is below 0.3 uS/cm; pH falls by 0.032 per K", chem.AmmoniaPHBand))
			if !w.Trusted {
				s.note("outside 0.3 to 25 uS/cm a microgram of anything else, or the rule itself, decides: do not judge a sensor by it")
			}
			return nil
		}
	})
}

func cationCommand() *cobra.Command {
	return calculation("cation", "Cation conductivity from chloride, and back", `Say what conductivity chloride gives behind a cation exchanger, at 25 degC, or
how much chloride a cation conductivity can be at most: carbon dioxide and
organic acids count as chloride there.

Example:
  rillwatch water cation --chloride "20 ug/kg"`, func(s *sheet) func() error {
		chloride := s.amount("chloride", `such as "20 ug/kg"`, quantity.Solute)
		kappa := s.amount("conductivity", "behind the cation exchanger, at 25 degC", quantity.Conductivity)
		return func() error {
			if err := s.oneOf(chloride, kappa); err != nil {
				return err
			}
			var ug_kg, uS_cm float64
			var err error
			if chloride.set {
				if ug_kg, err = s.in(chloride, "ug/kg"); err == nil {
					uS_cm, err = chem.CationConductivityFromChloride(ug_kg)
				}
			} else if uS_cm, err = s.in(kappa, "uS/cm"); err == nil {
				ug_kg, err = chem.ChlorideFromCationConductivity(uS_cm)
			}
			if err != nil {
				return err
			}
			name := "chloride"
			if kappa.set {
				name = "chloride, at most"
			}
			s.tell(figure{key: "cation_conductivity", name: "cation conductivity at 25 degC", value: uS_cm, unit: unitOf(quantity.Conductivity, "uS/cm"), from: byCation})
			s.tell(figure{key: "chloride", name: name, value: ug_kg, unit: unitOf(quantity.Solute, "ug/kg"), from: byCation})
			return nil
		}
	})
}

func phCommand() *cobra.Command {
	return calculation("ph", "pH at a temperature: electrode slope, primary buffers, neutral point", `Say the ideal slope of a pH electrode, the pH of the primary buffers and the
neutral pH at a temperature.

Example:
  rillwatch water ph --temperature "77 degF"`, func(s *sheet) func() error {
		temperature := s.amount("temperature", "of the water and of the buffer", quantity.Temperature)
		return func() error {
			if err := s.need(temperature); err != nil {
				return err
			}
			t, err := s.in(temperature, "degC")
			if err != nil {
				return err
			}
			slope, err := chem.NernstSlope(t)
			if err != nil {
				return err
			}
			neutral, err := chem.NeutralPH(t)
			if err != nil {
				return err
			}
			s.tell(figure{key: "nernst_slope", name: "slope of a pH electrode", value: slope, label: "mV/pH", digits: 5, from: byNernst})
			s.tell(figure{key: "neutral_ph", name: "neutral pH", value: neutral, unit: unitOf(quantity.PH, "pH"), from: byIonProduct})
			for _, b := range []struct {
				buffer    chem.Buffer
				key, name string
			}{
				{chem.Phthalate, "buffer_phthalate", "buffer, phthalate 0.05 mol/kg"}, {chem.Phosphate, "buffer_phosphate", "buffer, equimolal phosphate"},
				{chem.Borax, "buffer_borax", "buffer, borax 0.01 mol/kg"}, {chem.Carbonate, "buffer_carbonate", "buffer, carbonate"},
			} {
				pH, err := chem.BufferPH(b.buffer, t)
				if err != nil {
					s.note(b.name + ": " + err.Error())
					continue
				}
				digits := 4 // three decimals, as the table has them
				if pH >= 10 {
					digits = 5
				}
				s.tell(figure{key: b.key, name: b.name, value: pH, unit: unitOf(quantity.PH, "pH"), digits: digits, from: byBuffers})
			}
			return nil
		}
	})
}

// electrodes in the order of chem.Reference, after the one not stated.
var electrodes = []string{"hydrogen", "ag-agcl-3.5M", "ag-agcl-sat", "calomel-sat"}

func orpCommand() *cobra.Command {
	return calculation("orp", "ORP against another reference electrode, and the ORP standards", `Turn an ORP measured against one reference electrode into that against another,
and say what the ORP standards should read. Electrodes: hydrogen,
ag-agcl-3.5M, ag-agcl-sat, calomel-sat.

Example:
  rillwatch water orp --temperature "25 degC" --against ag-agcl-sat --reading "229 mV"`, func(s *sheet) func() error {
		temperature := s.amount("temperature", "of the sample or the standard", quantity.Temperature)
		against := s.choice("against", "reference electrode of the sensor", electrodes...)
		reading := s.amount("reading", "ORP against that electrode", quantity.ORP)
		wanted := s.choice("wanted", "reference electrode to turn it to; hydrogen unless said", electrodes...)
		return func() error {
			if err := s.need(temperature, against); err != nil {
				return err
			}
			t, err := s.in(temperature, "degC")
			if err != nil {
				return err
			}
			from, to := chem.Reference(against.index()), chem.StandardHydrogen
			if wanted.isSet() {
				to = chem.Reference(wanted.index())
			}
			mV := unitOf(quantity.ORP, "mV")
			offset, err := chem.ReferenceOffset(from, t)
			if err != nil {
				return err
			}
			s.tell(figure{key: "reference_offset", name: against.said + " against hydrogen", value: offset, unit: mV, from: byReferences})
			if reading.set {
				v, err := s.in(reading, "mV")
				if err != nil {
					return err
				}
				turned, err := chem.ORPAgainst(v, from, to, t)
				if err != nil {
					return err
				}
				s.tell(figure{key: "orp", name: "ORP against " + electrodes[to-1], value: turned, unit: mV, from: byReferences})
			}
			for _, standard := range []struct {
				standard  chem.ORPStandard
				key, name string
				from      source
			}{
				{chem.ZoBell, "zobell", "ZoBell", byZoBell},
				{chem.QuinhydronePhthalate, "quinhydrone_phthalate", "quinhydrone in phthalate", byQuinhydrone},
				{chem.QuinhydronePhosphate, "quinhydrone_phosphate", "quinhydrone in phosphate", byQuinhydrone},
			} {
				v, err := chem.ORPStandardPotential(standard.standard, t)
				if err == nil {
					v, err = chem.ORPAgainst(v, chem.StandardHydrogen, from, t)
				}
				if err != nil {
					s.note(standard.name + ": " + err.Error())
					continue
				}
				s.tell(figure{key: standard.key, name: standard.name + " reads, against " + against.said, value: v, unit: mV, from: standard.from})
			}
			return nil
		}
	})
}
