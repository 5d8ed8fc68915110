package advise

import (
	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// Mass of sulfite that one mass of oxygen uses up, by the reaction and the IUPAC atomic weights.
const (
	asSO3    = 5.004
	asNa2SO3 = 7.878
)

// scavenger says how far sulfite has fallen from its own normal and what that would be worth, and asks where it may have gone.
func (f *Facts) scavenger(point int) (said, asked []string) {
	p := &f.Site.Points[point]
	if p.Quantity != quantity.Sulfite || f.Side != site.Low || !f.Of(point).HasValue() {
		return nil, nil
	}
	now, ok := f.value(point, milligram)
	if ok && f.Normal > 0 {
		usual, _, err := quantity.Convert(f.Normal, p.Unit, milligram)
		if err == nil && usual > now {
			said = append(said, "sulfite of "+f.amount(point)+" is "+number(100*now/usual, 0)+" % of its own normal of "+number(f.Normal, digits(p.Resolution))+" "+p.Unit.Display())
			missing := number(usual-now, 1) + " mg/L are missing: "
			switch f.basis(point) {
			case "SO3":
				said = append(said, missing+"as SO3, at 5.0 to one of oxygen, they would take up "+number((usual-now)/asSO3, 2)+" mg/L of oxygen")
			case "Na2SO3":
				said = append(said, missing+"as Na2SO3, at 7.9 to one of oxygen, they would take up "+number((usual-now)/asNa2SO3, 2)+" mg/L of oxygen")
			}
		}
	}
	for _, i := range f.Panel.Points {
		if o := &f.Site.Points[i]; o.Quantity == quantity.DissolvedOxygen && !o.Derived() && f.Of(i).Counts() && len(said) < 3 {
			said = append(said, "oxygen of the same stream reads "+f.amount(i)+" ("+o.Name+")")
		}
	}
	return said, []string{
		"does the scavenger's pump run, is there anything in its tank, and does it draw air?",
		"has the strength of the solution, its setting or the feed flow changed?",
		"does a drop test for sulfite of the same sample agree (common practice)?"}
}

// basis is what the sulfite of a point is given as: by the point itself, else by the first limit that says so.
func (f *Facts) basis(point int) string {
	if b := f.Site.Points[point].Basis; b != "" {
		return b
	}
	for i := range f.Panel.Limits {
		if l := &f.Panel.Limits[i]; l.Point == point && l.Basis != "" {
			return l.Basis
		}
	}
	return ""
}
