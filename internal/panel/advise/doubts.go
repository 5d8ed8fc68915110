package advise

import (
	"rillwatch/internal/panel/derive"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// nearCeiling is the part of its range above which an oxygen sensor may be looking at air and not at water. Judgement.
const nearCeiling = 0.9

var (
	celsius      = mustUnit("degC", quantity.Temperature)
	microsiemens = mustUnit("uS/cm", quantity.Conductivity)
	microgram    = mustUnit("ug/L", quantity.DissolvedOxygen)
	milligram    = mustUnit("mg/L", quantity.Sulfite)
)

func mustUnit(s string, q quantity.Quantity) quantity.Unit {
	u, err := quantity.ParseUnit(s, q)
	if err != nil {
		panic("advise: " + err.Error()) // a spelling of this file's own
	}
	return u
}

// value gives a point's value in a unit; false where it has none.
func (f *Facts) value(point int, to quantity.Unit) (float64, bool) {
	if point < 0 || point >= len(f.Site.Points) || !f.Of(point).HasValue() {
		return 0, false
	}
	v, _, err := quantity.Convert(f.Of(point).Value, f.Site.Points[point].Unit, to)
	return v, err == nil
}

var compensations = [...]struct{ key, words string }{
	{site.Uncompensated, "not compensated"}, {site.Linear, "compensated by the linear rule"}, {site.Ultrapure, "compensated as ultrapure water"},
	{site.NotStated, "however it is compensated"}}

// belowWater says where the floor is. The reading itself is not believed, so it is not given.
func (f *Facts) belowWater(point int) []string {
	w := f.Site.Points[point].Water
	lowest := "at any temperature no water shows less than " + number(derive.FloorAnywhere(), 4) + " uS/cm, and the device showed less"
	t, ok := f.value(w.Temperature, celsius)
	if !ok {
		return []string{lowest}
	}
	floor, ok := derive.Floor(w, t)
	if !ok {
		return []string{lowest}
	}
	how := w.Compensation
	for _, c := range compensations {
		if c.key == w.Compensation {
			how = c.words
		}
	}
	return []string{"at " + f.amount(w.Temperature) + ", " + how + ", no water shows less than " + number(floor, 4) + " uS/cm, and the device showed less"}
}

// crossPH says why a pH is doubted.
func (f *Facts) crossPH(point int) (said, asked []string) {
	x := &f.Panel.Cross.PH
	if !x.Configured || point != x.PH || f.Of(point).Reason != reading.CrossCheck {
		return nil, nil
	}
	kappa, ok := f.value(x.Conductivity, microsiemens)
	pH := f.Of(point).Value
	e, doubt := derive.Expected(kappa)
	if !ok || doubt != reading.Believed {
		return nil, nil
	}
	side := number(pH-e, 2) + " higher"
	if pH < e {
		side = number(e-pH, 2) + " lower"
	}
	said = []string{"with ammonia alone " + f.amount(x.Conductivity) + " at 25 degC goes with pH " + number(e, 2) + "; the electrode reads " + f.amount(point) + ", " + side +
		" (they may be " + number(x.Band, 2) + " apart, and 0.032 for each kelvin of the sample from 25 degC)"}
	asked = []string{
		"is anything but ammonia or an amine in this water: caustic, phosphate, a leaking condenser, carbon dioxide? Then the conductivity promises too much, and the pH may be right",
		"does the electrode read right in a buffer (common practice), after its flow and reference have been looked at?",
		"does the conductivity agree with a second instrument?"}
	return said, asked
}

// oxygen says what to think of where oxygen is high: water, the line, or the sensor.
func (f *Facts) oxygen(point int) (said, asked []string) {
	p, r := &f.Site.Points[point], f.Of(point)
	if p.Quantity != quantity.DissolvedOxygen || p.Derived() || !r.HasValue() {
		return nil, nil
	}
	x := &f.Panel.Cross.Oxygen
	contradicted := x.Configured && point == x.Oxygen && r.Reason == reading.CrossCheck
	high := r.Bound == reading.Above || p.HasCeil && r.Value >= nearCeiling*p.Ceiling
	air := high && f.Reopened
	if contradicted {
		said = append(said, "sulfite of "+f.amount(x.Sulfite)+" stands beside oxygen of "+f.amount(point)+" in one stream")
		o, ok1 := f.value(point, microgram)
		s, ok2 := f.value(x.Sulfite, milligram)
		if ok1 && ok2 && o > 0 && r.Bound == reading.Exact {
			said = append(said, "to use up this oxygen takes "+number(5.004*o/1000, 3)+" mg/L of sulfite as SO3 or "+number(7.878*o/1000, 3)+" mg/L as Na2SO3; "+number(s, 1)+" mg/L are there")
		}
	}
	if air {
		said = append(said, "the sensor is at or near the top of its range and the line was stopped or opened within the last four hours: air in the line reads the same as air in the water")
	}
	if f.Side != site.High && !contradicted && !air {
		return said, nil
	}
	if f.Side == site.High {
		said = append(said, f.deaerators()...)
	}
	return said, []string{
		"does oxygen fall when the sample flow is raised? Then suspect an air leak in the line (common practice)",
		"does an ampoule test of the same sample agree?",
		"is the deaerator at saturation for its own pressure, and has the feed of cold make-up or returned condensate changed?"}
}

// deaerators is the arithmetic of every deaerator the panel computes.
func (f *Facts) deaerators() []string {
	var said []string
	for _, pt := range f.Panel.Points {
		if f.Site.Points[pt].Derive.By == site.BelowSaturationOf && len(said) < 2 {
			said = append(said, f.sum(pt)...)
		}
	}
	return said
}
