package cli

import (
	"github.com/spf13/cobra"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
)

func oxygenCommand() *cobra.Command {
	return calculation("oxygen", "Oxygen in water: solubility, percent saturation, partial pressure", `Say what fresh water holds of oxygen in equilibrium with air, and what a reading
is worth: as ug/L, percent saturation, partial pressure, and mL of gas in a
litre (the cc/L of deaerator guarantees: 0.005 cc/L is 7.1 ug/L).

The pressure of the air is needed: sea level is not assumed.

Example:
  rillwatch water oxygen --temperature "25 degC" --altitude "1600 m" --reading "95 %"`, func(s *sheet) func() error {
		temperature := s.amount("temperature", "of the water", quantity.Temperature)
		a := s.air()
		reading := s.amount("reading", `"7 ug/L", "95 %", "0.005 mL/L" or "20.7 kPa"`, quantity.DissolvedOxygen, quantity.Ratio, quantity.OxygenGas, quantity.Pressure)
		reading.side = "(a)"
		return func() error {
			if !temperature.set && !a.said() && (reading.is(quantity.DissolvedOxygen) || reading.is(quantity.OxygenGas)) {
				return oxygenAsGas(s, reading) // that much needs neither
			}
			if err := s.need(temperature); err != nil {
				return err
			}
			t, err := s.in(temperature, "degC")
			if err != nil {
				return err
			}
			hPa, err := a.pressure(s)
			if err != nil {
				return err
			}
			return oxygenAt(s, t, hPa, reading)
		}
	})
}

// oxygenAt tells the solubility and, where there is one, what the reading is in every form.
func oxygenAt(s *sheet, t_degC, hPa float64, reading *amount) error {
	full, err := chem.OxygenSolubility(t_degC, hPa)
	if err != nil {
		return err
	}
	from := byBensonKrause
	switch { // the join is where package chem has it
	case t_degC >= 50:
		from = byHenry
	case t_degC > 40:
		from = byBlend
	}
	s.tell(figure{key: "oxygen_solubility", name: "oxygen solubility", value: full / 1000, unit: unitOf(quantity.DissolvedOxygen, "mg/L"), from: from})
	if !reading.set {
		return nil
	}
	var ug_L float64
	switch reading.unit.Quantity() {
	case quantity.DissolvedOxygen, quantity.OxygenGas:
		ug_L, err = s.oxygen(reading)
	case quantity.Ratio:
		if ug_L, err = s.in(reading, "%"); err == nil {
			ug_L, err = chem.OxygenFromPercentSaturation(ug_L, t_degC, hPa)
		}
	case quantity.Pressure:
		if ug_L, err = s.in(reading, "hPa(a)"); err == nil {
			ug_L, err = chem.OxygenFromPartialPressure(ug_L, t_degC, hPa)
		}
	}
	if err != nil {
		return err
	}
	percent, err := chem.OxygenPercentSaturation(ug_L, t_degC, hPa)
	if err != nil {
		return err
	}
	part, err := chem.OxygenPartialPressure(ug_L, t_degC, hPa)
	if err != nil {
		return err
	}
	volume, err := chem.OxygenVolume(ug_L)
	if err != nil {
		return err
	}
	of := byGiven
	if !reading.is(quantity.DissolvedOxygen) {
		of = from
	}
	if reading.is(quantity.OxygenGas) {
		of = byOxygenGas
	}
	s.tell(figure{key: "dissolved_oxygen", name: "dissolved oxygen", value: ug_L, unit: unitOf(quantity.DissolvedOxygen, "ug/L"), from: of})
	s.tell(figure{key: "percent_saturation", name: "percent saturation", value: percent, unit: unitOf(quantity.Ratio, "%"), from: from})
	s.tell(figure{key: "partial_pressure", name: "partial pressure of oxygen", value: part, unit: unitOf(quantity.Pressure, "hPa(a)"), from: byDalton})
	s.tell(figure{key: "oxygen_as_gas", name: "as gas at 0 degC, 1013.25 hPa", value: volume, unit: unitOf(quantity.OxygenGas, "mL/L"), from: byOxygenGas})
	return nil
}

func oxygenAsGas(s *sheet, reading *amount) error {
	ug_L, err := s.oxygen(reading)
	if err != nil {
		return err
	}
	mL_L, err := chem.OxygenVolume(ug_L)
	if err != nil {
		return err
	}
	s.tell(figure{key: "dissolved_oxygen", name: "dissolved oxygen", value: ug_L, unit: unitOf(quantity.DissolvedOxygen, "ug/L"), from: byOxygenGas})
	s.tell(figure{key: "oxygen_as_gas", name: "as gas at 0 degC, 1013.25 hPa", value: mL_L, unit: unitOf(quantity.OxygenGas, "mL/L"), from: byOxygenGas})
	return nil
}
