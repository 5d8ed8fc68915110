package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
)

const usualSlope = 2 // %/K: what most analysers are delivered with (common practice)

func pureCommand() *cobra.Command {
	return calculation("pure", "Pure water: conductivity, resistivity, lowest possible reading", `Say what pure water conducts at a temperature, and the lowest reading a sound
cell can show in any water there, for each way an analyser may compensate. A
reading below it is not of water: a bubble, air, an open cell, or another
compensation than was thought.

Example:
  rillwatch water pure --temperature "25 degC" --reading "0.02 uS/cm" --compensation ultrapure`, func(s *sheet) func() error {
		temperature := s.amount("temperature", "of the water", quantity.Temperature)
		reading := s.amount("reading", `to hold against the lowest possible, such as "0.02 uS/cm"`, quantity.Conductivity, quantity.Resistivity)
		compensation := s.choice("compensation", "of the reading: none, linear or ultrapure", "none", "linear", "ultrapure")
		slope := s.number("slope", "%/K", "of the linear compensation, %/K; 2 unless said")
		return func() error {
			if err := s.need(temperature); err != nil {
				return err
			}
			t, err := s.in(temperature, "degC")
			if err != nil {
				return err
			}
			perK := float64(usualSlope)
			if slope.set {
				perK = slope.v
			}
			if err := tellPureWater(s, t); err != nil {
				return err
			}
			for _, mode := range []struct {
				mode      chem.Compensation
				key, name string
			}{
				{chem.Uncompensated, "lowest_reading_uncompensated", "lowest reading, uncompensated"},
				{chem.LinearTo25, "lowest_reading_linear", fmt.Sprintf("lowest reading, linear %v %%/K to 25 degC", perK)},
				{chem.UltrapureTo25, "lowest_reading_ultrapure", "lowest reading, ultrapure to 25 degC"},
			} {
				floor, err := chem.LowestConductivity(t, mode.mode, perK)
				if err != nil {
					if mode.mode == chem.Compensation(compensation.index()) || mode.mode == chem.LinearTo25 {
						return err
					}
					s.note(mode.name + ": not at this temperature: " + err.Error())
					continue
				}
				s.tell(figure{key: mode.key, name: mode.name, value: floor, unit: unitOf(quantity.Conductivity, "uS/cm"), digits: 3, from: byFloor})
			}
			if !reading.set {
				return nil
			}
			if !compensation.isSet() {
				return s.wrong("%w: say --compensation, for the lowest reading depends on it", chem.ErrNoMode)
			}
			return judgeReading(s, t, perK, reading, chem.Compensation(compensation.index()))
		}
	})
}

func tellPureWater(s *sheet, t_degC float64) error {
	kappa, err := chem.PureWaterConductivity(t_degC)
	if err != nil {
		return err
	}
	rho, err := chem.PureWaterResistivity(t_degC)
	if err != nil {
		return err
	}
	pKw, err := chem.WaterIonProduct(t_degC)
	if err != nil {
		return err
	}
	neutral, err := chem.NeutralPH(t_degC)
	if err != nil {
		return err
	}
	s.tell(figure{key: "conductivity", name: "conductivity of pure water, uncompensated", value: kappa, unit: unitOf(quantity.Conductivity, "uS/cm"), from: byGuideline})
	s.tell(figure{key: "resistivity", name: "resistivity of pure water, uncompensated", value: rho, unit: unitOf(quantity.Resistivity, "MOhm.cm"), from: byGuideline})
	s.tell(figure{key: "ion_product", name: "ion product, pKw", value: pKw, digits: 5, from: byIonProduct})
	s.tell(figure{key: "neutral_ph", name: "neutral pH", value: neutral, unit: unitOf(quantity.PH, "pH"), from: byIonProduct})
	return nil
}

func judgeReading(s *sheet, t_degC, slope float64, reading *amount, mode chem.Compensation) error {
	kappa, err := s.siemens(reading)
	if err != nil {
		return err
	}
	impossible, floor, err := chem.ImpossibleConductivity(kappa, t_degC, mode, slope)
	if err != nil {
		return err
	}
	s.tell(figure{key: "reading", name: "reading", value: kappa, unit: unitOf(quantity.Conductivity, "uS/cm"), from: byGiven})
	if kappa > 1e-9 {
		s.tell(figure{key: "reading_as_resistivity", name: "reading as resistivity", value: 1 / kappa, unit: unitOf(quantity.Resistivity, "MOhm.cm"), from: byDefinition})
	}
	s.tell(figure{key: "impossible", name: "impossible as stated", word: impossible, from: byFloor})
	if impossible {
		s.note(fmt.Sprintf("no water reads below %s uS/cm here: a bubble, air, an open cell, or another compensation than stated", significant(floor, 3)))
	}
	return nil
}

func conductivityCommand() *cobra.Command {
	return calculation("conductivity", "Bring a conductivity to 25 degC, or take that out again", `Bring a conductivity to 25 degC by one of three rules:
  linear      a slope in %/K; boiler water, salt solutions
  f25         natural water (ISO 7888): wells, rivers, make-up before treatment
  salt-trace  nearly pure water with a trace of neutral salt
--back takes the compensation out again: what the cell has measured.

Example:
  rillwatch water conductivity --reading "0.2 uS/cm" --temperature "40 degC" --rule salt-trace`, func(s *sheet) func() error {
		reading := s.amount("reading", `such as "120 uS/cm" or "10 MOhm.cm"`, quantity.Conductivity, quantity.Resistivity)
		temperature := s.amount("temperature", "of the water", quantity.Temperature)
		rule := s.choice("rule", "linear, f25 or salt-trace", "linear", "f25", "salt-trace")
		slope := s.number("slope", "%/K", "of the linear rule, %/K; must be said with it")
		back := s.mark("back", "the reading is at 25 degC: what was measured?")
		return func() error {
			if err := s.need(reading, temperature, rule); err != nil {
				return err
			}
			t, err := s.in(temperature, "degC")
			if err != nil {
				return err
			}
			kappa, err := s.siemens(reading)
			if err != nil {
				return err
			}
			var answer, factor float64
			var from source
			switch {
			case rule.said == "linear" && !slope.set:
				return s.wrong("--slope is missing: 2 %%/K is usual, natural waters have 1.75 to 1.98")
			case rule.said == "linear" && back.on:
				from = byLinear
				answer, err = chem.UncompensateLinear(kappa, t, slope.v)
			case rule.said == "linear":
				from = byLinear
				answer, err = chem.CompensateLinear(kappa, t, slope.v)
			case rule.said == "f25" && back.on:
				from = byNatural
				if factor, err = chem.NaturalWaterFactor(t); err == nil {
					answer = kappa / factor
				}
			case rule.said == "f25":
				from = byNatural
				answer, err = chem.CompensateNatural(kappa, t)
			case back.on:
				from = bySaltTrace
				answer, err = chem.UncompensateSaltTrace(kappa, t)
			default:
				from = bySaltTrace
				answer, err = chem.CompensateSaltTrace(kappa, t)
			}
			if err != nil {
				return err
			}
			key, name, measured, at25 := "conductivity_25", "conductivity at 25 degC", kappa, answer
			if back.on {
				key, name, measured, at25 = "conductivity_measured", "conductivity as measured", answer, kappa
			}
			if err := refuseBelowWater(s, rule.said, measured, at25, t); err != nil {
				return err
			}
			s.tell(figure{key: key, name: name, value: answer, unit: unitOf(quantity.Conductivity, "uS/cm"), from: from})
			rho, err := chem.ResistivityFromConductivity(answer)
			if err != nil {
				return err
			}
			s.tell(figure{key: "resistivity", name: "the same as resistivity", value: rho, unit: unitOf(quantity.Resistivity, "MOhm.cm"), from: byDefinition})
			return nil
		}
	})
}

// refuseBelowWater refuses what no water conducts at its temperature, whatever the rule, and notes what none conducts at 25 degC: a rule that
// is not for pure water makes the one of the other.
func refuseBelowWater(s *sheet, rule string, measured_uS_cm, at25_uS_cm, t_degC float64) error {
	impossible, floor, err := chem.ImpossibleConductivity(measured_uS_cm, t_degC, chem.Uncompensated, 0)
	if err != nil {
		return err
	}
	if impossible {
		return fmt.Errorf("conductivity of %s uS/cm as measured at %s degC: %w: no water conducts less than %s uS/cm there",
			significant(measured_uS_cm, 4), significant(t_degC, 4), chem.ErrBelowRange, significant(floor, 3))
	}
	impossible, floor, err = chem.ImpossibleConductivity(at25_uS_cm, 25, chem.Uncompensated, 0)
	if err == nil && impossible {
		s.note(fmt.Sprintf("no water conducts less than %s uS/cm at 25 degC: the %s rule is not for nearly pure water, and salt-trace is", significant(floor, 3), rule))
	}
	return nil
}
