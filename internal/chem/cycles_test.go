package chem

import (
	"math"
	"testing"
)

// UFC 3-240-13FN, chapter on boiler water, equations 5 to 8 and figure 3-9, to the digits it prints. A pound is as good a
// unit as a kilogram where only flows are compared.
func TestBlowdownMeetsTheHandbook(t *testing.T) {
	cycles, err := CyclesFromConductivity(5000, 250)
	near(t, "equation 5", cycles, err, 20, 1e-12)
	b, err := BlowdownFromCycles(cycles)
	near(t, "equation 6, of feedwater", b.OfFeedwater_percent, err, 5, 1e-12)
	near(t, "the other percentage, by hand", b.OfSteam_percent, nil, 5.26, 0.005)
	w, err := WaterBalance(40000, cycles)
	near(t, "equation 7", w.Blowdown_kg_h, err, 2105, 0.5)
	near(t, "equation 8", w.Feedwater_kg_h, nil, 42105, 0.5)
	w, err = WaterBalance(5.0, cycles) // kg/s in the handbook
	near(t, "equation 7, metric", w.Blowdown_kg_h, err, 0.26, 0.005)
	near(t, "equation 8, metric", w.Feedwater_kg_h, nil, 5.26, 0.005)
	m, err := MakeUp(42105, 30316)
	near(t, "figure 3-9, make-up", m, err, 11789, 0.5)
	m, err = MakeUp(40000, 30316) // steam that does not come back
	near(t, "figure 3-9, steam lost", m, err, 9684, 0.5)
	b, err = BlowdownFromCycles(5)
	near(t, "5 cycles, of feedwater, by hand", b.OfFeedwater_percent, err, 20, 1e-12)
	near(t, "5 cycles, of steam, by hand", b.OfSteam_percent, nil, 25, 1e-12)
}

// US DOE Steam Tip 9, as reprinted: 100 000 lb/h of steam, blowdown from 8 to 6 % of feedwater. The sheet cuts 108 695.65 and
// 106 382.98 to whole pounds its own way; a pound is the print.
func TestSavingMeetsSteamTip9(t *testing.T) {
	const lb, btu = 0.45359237, 1055.05585262 // kg and J, definitions
	eight, err := CyclesFromBlowdownOfFeedwater(8)
	near(t, "8 %", eight, err, 12.5, 1e-12)
	six, err := CyclesFromBlowdownOfFeedwater(6)
	if err != nil {
		t.Fatal(err)
	}
	before, err := WaterBalance(100000, eight)
	near(t, "feedwater at 8 %", before.Feedwater_kg_h, err, 108695, 1)
	after, err := WaterBalance(100000, six)
	near(t, "feedwater at 6 %", after.Feedwater_kg_h, err, 106383, 1)

	for _, c := range []struct{ efficiency, price, dollars float64 }{
		{83, 3, 22732}, {80, 8, 62891}, // arithmetic on IF97 with the bases of the two editions; the printed totals were not to be had
	} {
		s, err := SavingFromCycles(CyclesChange{Steam_kg_h: 100000 * lb, Before: eight, After: six, Boiler_kPa: 101.325 + 150*6.894757,
			MakeUp_degC: (60.0 - 32) / 1.8, Efficiency_percent: c.efficiency, Hours: 8760, Treatment_mg_kg: 50})
		near(t, "water an hour, lb", s.Water_kg/lb/8760, err, 2312.67, 0.005)
		near(t, "heat, Btu/lb", s.Heat_MJ*1e6/btu/(s.Water_kg/lb), nil, 310.43, 0.01)
		near(t, "fuel a year, $", s.Fuel_MJ/btu*c.price, nil, c.dollars, 2) // MJ/1055.06 = MMBtu; 310.43 was rounded: 3e-5
		near(t, "treatment", s.Treatment_kg, nil, s.Water_kg*50e-6, 1e-9*s.Treatment_kg)
		// The other way round it costs the same.
		back, err := SavingFromCycles(CyclesChange{Steam_kg_h: 100000 * lb, Before: six, After: eight, Boiler_kPa: 101.325 + 150*6.894757,
			MakeUp_degC: (60.0 - 32) / 1.8, Efficiency_percent: c.efficiency, Hours: 8760, Treatment_mg_kg: 50})
		near(t, "a loss", back.Fuel_MJ, err, -s.Fuel_MJ, 1e-9*s.Fuel_MJ)
	}
	// 2312 lb/h are 9714 $ a year at 8.34 lb/gal and 0.004 $/gal: by hand.
	near(t, "water, $", (before.Feedwater_kg_h-after.Feedwater_kg_h)*8760/8.34*0.004, nil, 9714, 4)
}

// US DOE Steam Tip 10, editions of 2012 and 2001, as reprinted.
func TestHeatRecoveryMeetsSteamTip10(t *testing.T) {
	// Blowdown 3200 lb/h beside 50 000 of steam is printed as 6.0 %: of feedwater.
	cycles := 1 + 50000.0/3200
	b, err := BlowdownFromCycles(cycles)
	near(t, "blowdown", b.OfFeedwater_percent, err, 6.0, 0.05)
	w, err := WaterBalance(50000, cycles)
	near(t, "blowdown flow", w.Blowdown_kg_h, err, 3200, 1e-6)
	// MMBtu are as good as MJ here.
	fuel, err := FuelForHeat(1.7*0.5*8000, 80)
	near(t, "2012", fuel, err, 8500, 1e-9)
	near(t, "2012, $", fuel*8, nil, 68000, 1e-6)
	fuel, err = FuelForHeat(1.67*0.5*8000, 82)
	near(t, "2001", fuel, err, 8146, 0.5)
	near(t, "2001, $ (8146 taken as printed)", math.Round(fuel)*3, nil, 24438, 24438*2e-4) // 8146.34: the sheet cut it
}

func TestCyclesByEachMeasure(t *testing.T) {
	for _, c := range []struct {
		name               string
		f                  func(boiler, feed float64) (float64, error)
		boiler, feed, want float64
	}{
		{"conductivity", CyclesFromConductivity, 3000, 100, 30}, {"conductivity", CyclesFromConductivity, 100, 100, 1},
		{"chloride", CyclesFromChloride, 50, 2, 25}, {"chloride", CyclesFromChloride, 1000, 1, 1000}, {"tracer", CyclesFromTracer, 200, 10, 20},
	} {
		got, err := c.f(c.boiler, c.feed)
		near(t, c.name, got, err, c.want, 1e-12*c.want)
		got, err = c.f(c.feed*0.99, c.feed)
		refused(t, c.name+", boiler thinner than feed", got, err, ErrBelowRange)
		got, err = c.f(c.feed*1001, c.feed)
		refused(t, c.name+", more than a thousand", got, err, ErrAboveRange)
	}
}

func TestBlowdownGoesThereAndBack(t *testing.T) {
	for cycles := 1.05; cycles < 900; cycles *= 1.1 {
		b, err := BlowdownFromCycles(cycles)
		if err != nil {
			t.Fatal(err)
		}
		back, err := CyclesFromBlowdownOfSteam(b.OfSteam_percent)
		near(t, "of steam", back, err, cycles, 1e-9*cycles)
		back, err = CyclesFromBlowdownOfFeedwater(b.OfFeedwater_percent)
		near(t, "of feedwater", back, err, cycles, 1e-9*cycles)
		// One flow: of steam / of feedwater = feedwater / steam.
		w, err := WaterBalance(1000, cycles)
		near(t, "one flow", b.OfSteam_percent/b.OfFeedwater_percent, err, w.Feedwater_kg_h/w.Steam_kg_h, 1e-9)
		// What goes in goes out: feed at 1, blowdown at cycles, steam at nothing.
		near(t, "mass of salt", w.Blowdown_kg_h*cycles, nil, w.Feedwater_kg_h, 1e-9*w.Feedwater_kg_h)
	}
	rises(t, "blowdown", -1, 1.02, 1000, 500, func(v float64) (float64, error) {
		return one(func(b Blowdown) float64 { return b.OfSteam_percent })(BlowdownFromCycles(v))
	})
}

// Worked by hand: 0.50 kg/h of a product with 0.10 % of tracer into 50 t/h are 10.0 mg/kg, 10.0 ug/kg of tracer; at 20
// cycles 200 ug/kg in the boiler. 20 t of water and 1 t/h of blowdown: 95 % after 60 h.
func TestTracerAsWorkedByHand(t *testing.T) {
	pump, err := ProductFromPump(0.50, 50e3)
	near(t, "pump", pump, err, 10.0, 1e-9)
	dose, err := ProductFromTracer(10.0, 0.10)
	near(t, "tracer", dose, err, 10.0, 1e-9)
	cycles, err := CyclesFromTracer(200, 10)
	near(t, "cycles", cycles, err, 20, 1e-9)
	h, err := BoilerSettling(20e3, 1000)
	near(t, "settling", h, err, 60, 0.1)
	// By counting: a mixed boiler in steps of a thousandth of an hour.
	left, step := 1.0, 0
	for left > 0.05 {
		left -= left * 1000 / 20e3 * 0.001
		step++
	}
	near(t, "settling, counted", h, nil, float64(step)*0.001, 0.01)
	for _, c := range []struct {
		pH  float64
		low bool
	}{{6.4, true}, {7.49, true}, {7.5, false}, {8.5, false}, {0, true}, {14, false}} {
		if low, err := TracerReadsLow(c.pH); err != nil || low != c.low {
			t.Errorf("pH %v: reads low is %v, %v", c.pH, low, err)
		}
	}
	rises(t, "dose", 1, 0.01, 1000, 300, func(v float64) (float64, error) { return ProductFromTracer(v, 0.1) })
}

func TestCyclesOutsideTheirRangeAreErrorsNotValues(t *testing.T) {
	saving := func(change func(*CyclesChange, float64)) func(float64) (float64, error) {
		return func(v float64) (float64, error) {
			c := CyclesChange{Steam_kg_h: 1000, Before: 10, After: 20, Boiler_kPa: 1000, MakeUp_degC: 15, Efficiency_percent: 80, Hours: 8760, Treatment_mg_kg: 50}
			change(&c, v)
			return one(func(s Saving) float64 { return s.Fuel_MJ })(SavingFromCycles(c))
		}
	}
	of := one(func(b Blowdown) float64 { return b.OfSteam_percent })
	feed := one(func(b Balance) float64 { return b.Feedwater_kg_h })
	for _, e := range []edge{
		{"CyclesFromConductivity", 100, 100e3, false, func(v float64) (float64, error) {
			if v <= 0 && v > math.Inf(-1) { // a number below zero is "not above zero"; one below the feed is below one cycle
				v = 0.5
			}
			return CyclesFromConductivity(v, 100)
		}},
		{"BlowdownFromCycles", 100.0 / 99, 1000, true, func(v float64) (float64, error) { return of(BlowdownFromCycles(v)) }},
		{"CyclesFromBlowdownOfFeedwater", 0.11, 98, true, CyclesFromBlowdownOfFeedwater},
		{"CyclesFromBlowdownOfSteam", 0.11, 9800, true, CyclesFromBlowdownOfSteam},
		{"WaterBalance over steam", 0, 10e6, false, func(v float64) (float64, error) { return feed(WaterBalance(v, 20)) }},
		{"WaterBalance over cycles", 100.0 / 99, 1000, true, func(v float64) (float64, error) { return feed(WaterBalance(1, v)) }},
		{"MakeUp over feedwater", 0, 10e6, false, func(v float64) (float64, error) { return MakeUp(v, 0) }},
		{"MakeUp over condensate", 0, 10e6, false, func(v float64) (float64, error) { return MakeUp(10e6, v) }},
		{"saving over steam", 0, 10e6, false, saving(func(c *CyclesChange, v float64) { c.Steam_kg_h = v })},
		{"saving over before", 100.0 / 99, 1000, true, saving(func(c *CyclesChange, v float64) { c.Before = v })},
		{"saving over after", 100.0 / 99, 1000, true, saving(func(c *CyclesChange, v float64) { c.After = v })},
		{"saving over pressure", 50.6625, 16500, true, saving(func(c *CyclesChange, v float64) { c.Boiler_kPa = v })},
		{"saving over make-up", 0, 100, false, saving(func(c *CyclesChange, v float64) { c.MakeUp_degC = v })},
		{"saving over efficiency", 10, 110, true, saving(func(c *CyclesChange, v float64) { c.Efficiency_percent = v })},
		{"saving over hours", 0, 87600, false, saving(func(c *CyclesChange, v float64) { c.Hours = v })},
		{"saving over treatment", 0, 10e3, false, saving(func(c *CyclesChange, v float64) { c.Treatment_mg_kg = v })},
		{"FuelForHeat", -1e18, 1e18, false, func(v float64) (float64, error) { return FuelForHeat(v, 80) }},
		{"FuelForHeat over efficiency", 10, 110, true, func(v float64) (float64, error) { return FuelForHeat(1, v) }},
		{"ProductFromTracer", 0.01, 1e6, true, func(v float64) (float64, error) { return ProductFromTracer(v, 100) }},
		{"ProductFromTracer over strength", 1e-4, 100, true, func(v float64) (float64, error) { return ProductFromTracer(1, v) }},
		{"ProductFromPump", 0, 10e6, false, func(v float64) (float64, error) { return ProductFromPump(v, 10e6) }},
		{"ProductFromPump over feedwater", 0.001, 10e6, true, func(v float64) (float64, error) { return ProductFromPump(0, v) }},
		{"BoilerSettling", 1, 10e6, true, func(v float64) (float64, error) { return BoilerSettling(v, 1000) }},
		{"BoilerSettling over blowdown", 0.001, 10e6, true, func(v float64) (float64, error) { return BoilerSettling(1000, v) }},
		{"TracerReadsLow", 0, 14, false, func(v float64) (float64, error) {
			_, err := TracerReadsLow(v)
			return 0, err
		}},
	} {
		e.holdsItsRange(t)
	}
	got, err := MakeUp(10, 11)
	refused(t, "more condensate than feedwater", got, err, ErrAboveRange)
	got, err = ProductFromPump(11, 10)
	refused(t, "more product than feedwater", got, err, ErrAboveRange)
	got, err = ProductFromTracer(1e6, 0.05)
	refused(t, "more product than water", got, err, ErrAboveRange)
	_, err = BlowdownFromCycles(1)
	refused(t, "no steam at one cycle", 0, err, ErrBelowRange)
}
