package cli

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
)

// weatherShare is by how much the weather moves the usual pressure of the air, which an altitude gives.
const weatherShare = 0.03

func deaeratorCommand() *cobra.Command {
	return calculation("deaerator", "Deaerator: how near to boiling, and how much of that is the gauge", `Say how far below saturation the water of a deaerator is, from its temperature,
its gauge and the barometer, and how much of that the error of the gauge alone
can be: 0.02 bar is about half a kelvin, and 1 K is what is looked for.

Example:
  rillwatch water deaerator --temperature "103.1 degC" --gauge "0.2 bar" --barometer "1013 hPa"`, func(s *sheet) func() error {
		temperature := s.amount("temperature", "of the stored water", quantity.Temperature)
		gauge := s.amount("gauge", `pressure by the gauge, such as "0.2 bar" or "3 psig"`, quantity.Pressure)
		gauge.side = "(g)"
		a := s.air()
		off := s.amount("gauge-error", "by how much the gauge may be wrong", quantity.Pressure)
		off.side = "(g)"
		off.fallback(s, "0.02 bar")
		return func() error {
			if err := s.need(temperature, gauge); err != nil {
				return err
			}
			var t, bar, wrong float64
			if err := s.inAll(want{temperature, "degC", &t}, want{gauge, "bar(g)", &bar}, want{off, "bar(g)", &wrong}); err != nil {
				return err
			}
			hPa, err := a.pressure(s)
			if err != nil {
				return err
			}
			p, err := chem.DeaeratorApproach(t, bar, hPa, wrong)
			if err != nil {
				return err
			}
			kelvin := unitOf(quantity.TemperatureDifference, "K(diff)")
			s.tell(figure{key: "absolute_pressure", name: "pressure in the deaerator", value: p.Absolute_kPa, unit: unitOf(quantity.Pressure, "kPa(a)"), from: byDefinition})
			s.tell(figure{key: "saturation_temperature", name: "saturation temperature", value: p.Saturation_degC, unit: unitOf(quantity.Temperature, "degC"), digits: 5, from: byRegion4})
			s.tell(figure{key: "below_saturation", name: "water below saturation by", value: p.Below_K, unit: kelvin, digits: 3, from: byRegion4})
			s.tell(figure{key: "gauge_share", name: "of which the gauge may be, to either side", value: p.GaugeShare_K, unit: kelvin, digits: 2, from: byRegion4})
			share, what, decide := p.GaugeShare_K, "the gauge", "the gauge decides"
			if !a.barometer.set {
				low, err := chem.DeaeratorApproach(t, bar, hPa*(1-weatherShare), 0)
				if err != nil {
					return fmt.Errorf("less what the weather may take of the air: %w; say --barometer", err)
				}
				weather := p.Saturation_degC - low.Saturation_degC
				s.tell(figure{key: "weather_share", name: "and the weather may be, without a barometer", value: weather, unit: kelvin, digits: 2, from: byRegion4})
				share, what, decide = share+weather, "the gauge and the weather", "the gauge and the weather decide; say --barometer"
			}
			verdict := "not to be told: " + decide
			switch {
			case p.Below_K-share > 1:
				verdict = "no, whatever " + what
			case p.Below_K < -share:
				verdict = "above saturation: a temperature or the gauge is wrong"
			case p.Below_K+share <= 1:
				verdict = "yes, whatever " + what
			}
			s.tell(figure{key: "within_one_kelvin", name: "within 1 K of saturation", word: verdict, from: byUFC1K})
			return nil
		}
	})
}

func steamCommand() *cobra.Command {
	return calculation("steam", "Saturated water and steam at a temperature or a pressure", `Say the saturation pressure or temperature, what boiling water and dry steam
hold of heat there, and how much of the water flashes when it is let down.

Gauge pressure needs --barometer or --altitude: sea level is not assumed.

Example:
  rillwatch water steam --pressure "150 psig" --barometer "29.92 inHg" --flash-to "1 bar(a)"`, func(s *sheet) func() error {
		temperature := s.amount("temperature", "of saturation", quantity.Temperature)
		pressure := s.amount("pressure", `or the pressure, such as "10 bar(g)" or "30 psia"`, quantity.Pressure)
		a := s.air()
		flash := s.amount("flash-to", "let down to this pressure", quantity.Pressure)
		return func() error {
			if err := s.oneOf(temperature, pressure); err != nil {
				return err
			}
			var t, kPa float64
			var err error
			if temperature.set {
				if t, err = s.in(temperature, "degC"); err == nil {
					kPa, err = chem.SaturationPressure(t)
				}
			} else if kPa, err = s.absolute(pressure, a); err == nil {
				t, err = chem.SaturationTemperature(kPa)
			}
			if err != nil {
				return err
			}
			absolute := unitOf(quantity.Pressure, "kPa(a)")
			s.tell(figure{key: "saturation_temperature", name: "saturation temperature", value: t, unit: unitOf(quantity.Temperature, "degC"), digits: 6, from: byRegion4})
			s.tell(figure{key: "saturation_pressure", name: "saturation pressure", value: kPa, unit: absolute, digits: 6, from: byRegion4})
			if err := tellHeat(s, t); err != nil {
				return err
			}
			if !flash.set {
				return nil
			}
			to, err := s.absolute(flash, a)
			if err != nil {
				return err
			}
			percent, err := chem.FlashShare(kPa, to)
			if err != nil {
				return err
			}
			s.tell(figure{key: "flash_share", name: fmt.Sprintf("turns to steam, let down to %s", inWords(flash)), value: percent, unit: unitOf(quantity.Ratio, "%"), digits: 3, from: byFlash})
			return nil
		}
	})
}

// tellHeat leaves out, with a note, what is beyond the regions: the saturation line goes on above 350 degC.
func tellHeat(s *sheet, t_degC float64) error {
	water, err := chem.SaturatedWaterEnthalpy(t_degC)
	if errors.Is(err, chem.ErrAboveRange) {
		s.note("heat and density end at 350 degC")
		return nil
	}
	if err != nil {
		return err
	}
	steam, err := chem.SaturatedSteamEnthalpy(t_degC)
	if err != nil {
		return err
	}
	rho, err := chem.SaturatedWaterDensity(t_degC)
	if err != nil {
		return err
	}
	heat := unitOf(quantity.Enthalpy, "kJ/kg")
	s.tell(figure{key: "enthalpy_water", name: "enthalpy of boiling water, such as blowdown", value: water, unit: heat, digits: 5, from: byRegions})
	s.tell(figure{key: "enthalpy_evaporation", name: "heat of evaporation", value: steam - water, unit: heat, digits: 5, from: byRegions})
	s.tell(figure{key: "enthalpy_steam", name: "enthalpy of dry steam", value: steam, unit: heat, digits: 5, from: byRegions})
	s.tell(figure{key: "density_water", name: "density of boiling water", value: rho, unit: unitOf(quantity.Density, "kg/m3"), digits: 5, from: byRegions})
	return nil
}

func lineCommand() *cobra.Command {
	return calculation("line", "Sample line: lead time, velocity, Reynolds number, flush", `Say how long the sample is in the line, how fast it flows and how, and how long
it takes until the water at its end is new. --bore is the inner diameter; or
say --outer and --wall.

Example:
  rillwatch water line --outer "0.25 in" --wall "0.035 in" --length "10 m" --flow "250 mL/min"`, func(s *sheet) func() error {
		bore := s.amount("bore", "inner diameter", quantity.Length)
		outer := s.amount("outer", "or the outer diameter", quantity.Length)
		wall := s.amount("wall", "with its wall", quantity.Length)
		length := s.amount("length", "of the line", quantity.Length)
		flow := s.amount("flow", "of the sample", quantity.Flow)
		cell := s.amount("cell", "volume of the cell at the end, if it is to be flushed", quantity.Volume)
		part := s.amount("new", "part of the water at the end that is to be new", quantity.Ratio).fallback(s, "95 %")
		temperature := s.amount("temperature", "of the sample", quantity.Temperature).fallback(s, "25 degC")
		return func() error {
			if err := s.oneOf(bore, outer); err != nil {
				return err
			}
			if err := s.need(length, flow); err != nil {
				return err
			}
			mm, err := boreOf(s, bore, outer, wall)
			if err != nil {
				return err
			}
			var m, mL_min, t, share float64
			if err := s.inAll(want{length, "m", &m}, want{flow, "mL/min", &mL_min}, want{temperature, "degC", &t}, want{part, "ratio", &share}); err != nil {
				return err
			}
			of := byGiven
			if outer.set {
				of = byWall
			}
			s.tell(figure{key: "bore", name: "bore", value: mm, unit: unitOf(quantity.Length, "mm"), from: of})
			return tellLine(s, mm, m, mL_min, t, share, cell)
		}
	})
}

func boreOf(s *sheet, bore, outer, wall *amount) (mm float64, err error) {
	if bore.set {
		return s.in(bore, "mm")
	}
	if err := s.need(wall); err != nil {
		return 0, err
	}
	var outside, thick float64
	err = s.inAll(want{outer, "mm", &outside}, want{wall, "mm", &thick})
	return outside - 2*thick, err
}

func tellLine(s *sheet, bore_mm, length_m, flow_mL_min, t_degC, part float64, cell *amount) error {
	volume, err := chem.LineVolume(bore_mm, length_m)
	if err != nil {
		return err
	}
	lead, err := chem.LeadTime(volume, flow_mL_min)
	if err != nil {
		return err
	}
	v, err := chem.Velocity(flow_mL_min, bore_mm)
	if err != nil {
		return err
	}
	re, err := chem.Reynolds(flow_mL_min, bore_mm, t_degC)
	if err != nil {
		return err
	}
	volumes, err := chem.VolumesToFlushLaminar(part)
	if err != nil {
		return err
	}
	kind := "either, laminar or turbulent"
	switch {
	case re < chem.LaminarBelow:
		kind = "laminar"
	case re > chem.TurbulentAbove:
		kind = "turbulent"
	}
	second := unitOf(quantity.Duration, "s")
	s.tell(figure{key: "volume", name: "volume of the line", value: volume, unit: unitOf(quantity.Volume, "mL"), from: byPlug})
	s.tell(figure{key: "lead_time", name: "lead time, as a plug", value: lead, unit: second, from: byPlug})
	s.tell(figure{key: "velocity", name: "mean velocity", value: v, unit: unitOf(quantity.Velocity, "m/s"), from: byPlug})
	s.tell(figure{key: "reynolds", name: "Reynolds number", value: re, digits: 3, from: byReynolds})
	s.tell(figure{key: "flow_kind", name: "kind of flow", word: kind, from: byReynolds})
	if re < chem.LaminarBelow {
		s.tell(figure{key: "first_arrival", name: "first of it arrives after", value: lead / 2, unit: second, from: byLaminar})
		s.tell(figure{key: "flush_volumes", name: fmt.Sprintf("line volumes until %s %% is new", significant(100*part, 4)), value: volumes, digits: 3, from: byLaminar})
		s.tell(figure{key: "flush_time", name: "that takes", value: volumes * lead, unit: second, from: byLaminar})
	} else {
		s.note("the flush by volumes is reckoned for laminar flow, the slow case: here the plug is nearer")
	}
	if !cell.set {
		return nil
	}
	mL, err := s.in(cell, "mL")
	if err != nil {
		return err
	}
	fill, err := chem.LeadTime(mL, flow_mL_min)
	if err != nil {
		return err
	}
	cells, err := chem.VolumesToFlushMixed(part)
	if err != nil {
		return err
	}
	s.tell(figure{key: "cell_flush_volumes", name: "cell volumes until as much is new", value: cells, digits: 3, from: byCell})
	s.tell(figure{key: "cell_flush_time", name: "that takes, after the line", value: cells * fill, unit: second, from: byCell})
	return nil
}
