package cli

import (
	"errors"

	"github.com/spf13/cobra"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
)

// cyclesFlags are what the cycles of concentration come from, and what is to be reckoned with them.
type cyclesFlags struct {
	by                           *choice
	boilerText, feedText         string
	boiler, feed                 *amount // read when by is known
	cycles, to                   *number
	ofFeed, ofSteam, toOfFeed    *amount
	steam, condensate, water     *amount
	pressure, makeUp, efficiency *amount
	hours, treatment             *amount
	air                          air
}

func cyclesCommand() *cobra.Command {
	return calculation("cycles", "Cycles of concentration, blowdown, and what other cycles save", `Say the cycles of concentration and the blowdown: as percent of feedwater and
as percent of steam, which the trade both calls "blowdown %". The cycles come
from --cycles, from a blowdown, or from --boiler and --feedwater, both in
conductivity, chloride or tracer (--by). With --steam the flows are told; with
--to, --pressure, --make-up, --efficiency and --hours what other cycles save.

Example:
  rillwatch water cycles --boiler "5000 uS/cm" --feedwater "250 uS/cm" --steam "40000 lb/h"`, func(s *sheet) func() error {
		f := &cyclesFlags{}
		flags := s.flags.Flags()
		f.by = s.choice("by", "these are conductivity (unless said), chloride or tracer", "conductivity", "chloride", "tracer")
		flags.StringVar(&f.boilerText, "boiler", "", "in the boiler water")
		flags.StringVar(&f.feedText, "feedwater", "", "in the feedwater")
		f.boiler, f.feed = &amount{name: "boiler"}, &amount{name: "feedwater"}
		s.given = append(s.given, f.boiler, f.feed)
		f.cycles = s.number("cycles", "", "or the cycles themselves")
		f.ofFeed = s.amount("of-feedwater", "or the blowdown as a share of the feedwater", quantity.Ratio)
		f.ofSteam = s.amount("of-steam", "or the blowdown as a share of the steam", quantity.Ratio)
		f.steam = s.amount("steam", "flow of steam", quantity.MassFlow)
		f.condensate = s.amount("condensate", "flow of condensate that comes back", quantity.MassFlow)
		f.water = s.amount("boiler-water", "water in the boiler, for the time it takes to settle", quantity.Mass)
		f.to = s.number("to", "", "cycles to compare with")
		f.toOfFeed = s.amount("to-of-feedwater", "or blowdown of feedwater to compare with", quantity.Ratio)
		f.pressure = s.amount("pressure", "of the boiler; gauge needs --barometer or --altitude", quantity.Pressure)
		f.makeUp = s.amount("make-up", "temperature of the make-up", quantity.Temperature)
		f.efficiency = s.amount("efficiency", "of the boiler, fuel to steam", quantity.Ratio)
		f.hours = s.amount("hours", `time at this load, such as "8760 h"`, quantity.Duration)
		f.treatment = s.amount("treatment", "fed in all, per kg of feedwater", quantity.Solute)
		f.air = s.air()
		return func() error { return f.reckon(s) }
	})
}

func (f *cyclesFlags) reckon(s *sheet) error {
	if err := f.readPair(s); err != nil {
		return err
	}
	cycles, err := f.from(s)
	if err != nil {
		return err
	}
	s.tell(figure{key: "cycles", name: "cycles of concentration", value: cycles, from: byUFC})
	b, err := chem.BlowdownFromCycles(cycles)
	if err != nil {
		return err
	}
	percent := unitOf(quantity.Ratio, "%")
	s.tell(figure{key: "blowdown_of_feedwater", name: "blowdown, of the feedwater", value: b.OfFeedwater_percent, unit: percent, from: byUFC})
	s.tell(figure{key: "blowdown_of_steam", name: "blowdown, of the steam", value: b.OfSteam_percent, unit: percent, from: byUFC})
	if f.steam.set {
		if err := f.flows(s, cycles); err != nil {
			return err
		}
	} else if f.condensate.set || f.water.set {
		return s.need(f.steam)
	}
	if f.to.set || f.toOfFeed.set {
		return f.saving(s, cycles)
	}
	return nil
}

// readPair reads --boiler and --feedwater as what --by says.
func (f *cyclesFlags) readPair(s *sheet) error {
	q := map[string]quantity.Quantity{"": quantity.Conductivity, "conductivity": quantity.Conductivity, "chloride": quantity.Solute, "tracer": quantity.Dye}[f.by.said]
	for _, p := range []struct {
		text string
		a    *amount
	}{{f.boilerText, f.boiler}, {f.feedText, f.feed}} {
		if p.text == "" {
			continue
		}
		p.a.wants = []quantity.Quantity{q}
		if err := p.a.Set(p.text); err != nil {
			if errors.Is(err, quantity.ErrOtherQuantity) && f.by.said == "" {
				return s.wrong("--%s: %w; say --by chloride or --by tracer where it is that", p.a.name, err)
			}
			return s.wrong("--%s: %w", p.a.name, err)
		}
	}
	if f.boiler.set != f.feed.set {
		return s.wrong("--boiler and --feedwater go together")
	}
	return nil
}

// from is the cycles from the one way that was said.
func (f *cyclesFlags) from(s *sheet) (float64, error) {
	if err := s.oneOf(f.cycles, f.ofFeed, f.ofSteam, f.boiler); err != nil {
		return 0, err
	}
	switch {
	case f.cycles.set:
		return f.cycles.v, nil
	case f.ofFeed.set:
		return cyclesOfFeedwater(s, f.ofFeed)
	case f.ofSteam.set:
		percent, err := s.in(f.ofSteam, "%")
		if err != nil {
			return 0, err
		}
		return chem.CyclesFromBlowdownOfSteam(percent)
	}
	ratio, unit := chem.CyclesFromConductivity, "uS/cm"
	switch f.by.said {
	case "chloride": // by mass or by volume, as long as both are the same: only the ratio counts
		ratio, unit = chem.CyclesFromChloride, "mg/L"
		if _, err := s.in(f.boiler, unit); err != nil {
			unit = "mg/kg"
		}
	case "tracer":
		ratio, unit = chem.CyclesFromTracer, "ug/kg"
	default:
		s.note("both at the same reference temperature; much hydroxide is neutralised first; ammonia and amines in the feedwater make it too low")
	}
	var boiler, feed float64
	if err := s.inAll(want{f.boiler, unit, &boiler}, want{f.feed, unit, &feed}); err != nil {
		return 0, err
	}
	return ratio(boiler, feed)
}

func cyclesOfFeedwater(s *sheet, share *amount) (float64, error) {
	percent, err := s.in(share, "%")
	if err != nil {
		return 0, err
	}
	return chem.CyclesFromBlowdownOfFeedwater(percent)
}

// flows are told in the unit in which the steam was said.
func (f *cyclesFlags) flows(s *sheet, cycles float64) error {
	steam, err := s.in(f.steam, "kg/h")
	if err != nil {
		return err
	}
	w, err := chem.WaterBalance(steam, cycles)
	if err != nil {
		return err
	}
	kg_h := unitOf(quantity.MassFlow, "kg/h")
	tell := func(key, name string, v float64, unit quantity.Unit) error {
		turned, _, err := quantity.Convert(v, kg_h, unit)
		s.tell(figure{key: key, name: name, value: turned, unit: unit, digits: 6, from: byUFC})
		return err
	}
	if err := errors.Join(tell("blowdown", "blowdown", w.Blowdown_kg_h, f.steam.unit), tell("feedwater", "feedwater", w.Feedwater_kg_h, f.steam.unit)); err != nil {
		return err
	}
	if f.condensate.set {
		condensate, err := s.in(f.condensate, "kg/h")
		if err != nil {
			return err
		}
		m, err := chem.MakeUp(w.Feedwater_kg_h, condensate)
		if err != nil {
			return err
		}
		if err := tell("make_up", "make-up", m, f.steam.unit); err != nil {
			return err
		}
	}
	if !f.water.set {
		return nil
	}
	kg, err := s.in(f.water, "kg")
	if err != nil {
		return err
	}
	h, err := chem.BoilerSettling(kg, w.Blowdown_kg_h)
	if err != nil {
		return err
	}
	s.tell(figure{key: "settling_time", name: "boiler water settled after", value: h, unit: unitOf(quantity.Duration, "h"), from: byMixed})
	return nil
}

func (f *cyclesFlags) saving(s *sheet, before float64) error {
	if err := s.oneOf(f.to, f.toOfFeed); err != nil {
		return err
	}
	if err := s.need(f.steam, f.pressure, f.makeUp, f.efficiency, f.hours); err != nil {
		return err
	}
	c := chem.CyclesChange{Before: before, After: f.to.v}
	var err error
	if f.toOfFeed.set {
		if c.After, err = cyclesOfFeedwater(s, f.toOfFeed); err != nil {
			return err
		}
	}
	if c.Boiler_kPa, err = s.absolute(f.pressure, f.air); err != nil {
		return err
	}
	all := []want{{f.steam, "kg/h", &c.Steam_kg_h}, {f.makeUp, "degC", &c.MakeUp_degC}, {f.efficiency, "%", &c.Efficiency_percent}, {f.hours, "h", &c.Hours}}
	if f.treatment.set {
		all = append(all, want{f.treatment, "mg/kg", &c.Treatment_mg_kg})
	}
	if err := s.inAll(all...); err != nil {
		return err
	}
	saved, err := chem.SavingFromCycles(c)
	if err != nil {
		return err
	}
	s.tell(figure{key: "cycles_after", name: "cycles compared with", value: c.After, from: byUFC})
	s.tell(figure{key: "water_saved", name: "make-up saved", value: saved.Water_kg, unit: unitOf(quantity.Mass, "kg"), digits: 6, from: byTip9})
	s.tell(figure{key: "heat_saved", name: "heat saved", value: saved.Heat_MJ, unit: unitOf(quantity.Energy, "MJ"), from: byTip9})
	s.tell(figure{key: "fuel_saved", name: "fuel saved", value: saved.Fuel_MJ, unit: unitOf(quantity.Energy, "MJ"), from: byTip9})
	if f.treatment.set {
		s.tell(figure{key: "treatment_saved", name: "treatment saved", value: saved.Treatment_kg, unit: unitOf(quantity.Mass, "kg"), from: byTip9})
	}
	if saved.Water_kg < 0 {
		s.note("less than nothing: these cycles cost what stands there")
	}
	return nil
}
