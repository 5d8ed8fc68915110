package advise

import (
	"math"
	"strconv"
	"strings"

	"rillwatch/internal/chem"
	"rillwatch/internal/panel/derive"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// number writes a value with so many digits after the point; a zero has no sign.
func number(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// digits is how many digits after the point a resolution carries, six at most.
func digits(resolution float64) int {
	if resolution <= 0 || resolution >= 1 {
		return 0
	}
	return min(6, int(math.Ceil(-math.Log10(resolution)-1e-9)))
}

// amount says a reading of a point with its unit, and what it bounds.
func (f *Facts) amount(point int) string {
	p, r := &f.Site.Points[point], f.Of(point)
	places := digits(p.Resolution)
	for ; r.Value > 0 && (r.Bound == reading.Below || p.Quantity == quantity.Dose) && places < 6 && strings.Trim(number(r.Value, places), "0.") == ""; places++ {
		// nothing is less than nothing, and a demand is not none
	}
	s := number(r.Value, places)
	switch u := p.Unit.Display(); {
	case p.Quantity == quantity.PH:
		s = "pH " + s
	case u != "":
		s += " " + u
	}
	switch r.Bound {
	case reading.Above:
		return "more than " + s
	case reading.Below:
		return "less than " + s
	}
	return s
}

// name is what the user calls a point, in words.
func name(p *site.Point) string { return strings.NewReplacer("-", " ", "_", " ").Replace(p.Name) }

// sum says how a derived point came about.
func (f *Facts) sum(point int) []string {
	p := &f.Site.Points[point]
	kind := p.Derive.By.Kind()
	var v [4]float64
	var says [4]string
	for i := range kind.Inputs {
		if i >= len(p.Derive.Inputs) || i >= len(v) {
			return nil
		}
		in, unit := p.Derive.Inputs[i], unitOf(&kind.Inputs[i])
		switch {
		case in.Given:
			v[i], says[i] = in.Value, strings.TrimSpace(constant(in.Value)+" "+unit.Display())
		case in.Point >= 0 && in.Point < len(f.Site.Points):
			r := f.Of(in.Point)
			if !r.HasValue() {
				return []string{"no " + kind.Name + " now: of " + name(&f.Site.Points[in.Point]) + " it is said that " + r.Reason.Row().Words}
			}
			x, ok := derive.InUnit(r.Value, f.Site.Points[in.Point].Unit, kind.Inputs[i])
			if !ok {
				return nil
			}
			v[i], says[i] = x, f.amount(in.Point)
		}
	}
	if r := f.Of(point); !r.HasValue() {
		return []string{"no " + kind.Name + " from " + list(says[:]) + ": outside the range in which the method holds"}
	}
	result := f.amount(point)
	switch kind.By {
	case site.ResistivityOf:
		return []string{"one over " + says[0] + ": " + result}
	case site.PercentSaturationOf:
		c, err := chem.OxygenSolubility(v[1], v[2])
		if err != nil {
			return nil
		}
		return []string{"oxygen " + says[0] + " of the " + number(c/1000, 2) + " mg/L that water of " + says[1] + " holds under air of " + says[2] + ": " + result + " of saturation"}
	case site.ConductivityAt25Of:
		by := p.Derive.Choice + " rule"
		if p.Derive.Choice == site.Linear {
			by = "linear rule, " + constant(v[2]) + " % per K"
		}
		return []string{says[0] + " measured at " + says[1] + ", brought to 25 degC by the " + by + ": " + result}
	case site.CyclesFromConductivity, site.CyclesFromChloride, site.CyclesFromTracer:
		return []string{"boiler water " + says[0] + " over feedwater " + says[1] + ": " + result + " cycles of concentration"}
	case site.BlowdownOfFeedwater, site.BlowdownOfSteam:
		b, err := chem.BlowdownFromCycles(v[0])
		if err != nil {
			return nil
		}
		return []string{"at " + says[0] + " cycles " + number(b.OfFeedwater_percent, 2) + " % of the feedwater is blown down (100 over the cycles), which is " +
			number(b.OfSteam_percent, 2) + " % of the steam (100 over the cycles less one)"}
	case site.ScavengerDemandOf:
		ratio, err := chem.ScavengerRatio(derive.Scavenger(p.Derive.Choice))
		if err != nil {
			return nil
		}
		return []string{"oxygen " + says[0] + " times " + number(ratio, 2) + " uses up " + result + " of " + p.Derive.Choice + ", 100 % active; plants feed more, for none works to the end at once"}
	case site.ScavengerFeedOf:
		feed, err := chem.ScavengerFeed(derive.Scavenger(p.Derive.Choice), v[0], v[1], v[2])
		if err != nil {
			return nil
		}
		return []string{number(feed.Oxygen_mg_L, 3) + " mg/L for oxygen of " + says[0] + " and " + number(feed.Blowdown_mg_L, 3) + " mg/L that leave with the blowdown (residual " + says[1] + " over " +
			says[2] + " cycles): " + result + " of " + p.Derive.Choice + ", 100 % active, in the feedwater"}
	case site.ProductFromTracer:
		said := []string{"tracer " + says[0] + " at " + says[1] + " of the product: " + result + " of product"}
		if low, err := chem.TracerReadsLow(v[2]); says[2] != "" && err == nil && low {
			said = append(said, "at "+says[2]+" fluorescein reads low, so the true dose may be higher: raising the pump on this reading would feed too much")
		}
		return said
	case site.BelowSaturationOf:
		return f.approach(v, says, result, p.Derive.Inputs[2].Given)
	case site.PHExpectedFrom:
		return []string{"water with ammonia alone that conducts " + says[0] + " at 25 degC has " + result + " at 25 degC"}
	case site.PHAboveExpected:
		e, doubt := derive.Expected(v[1])
		if doubt != reading.Believed {
			return nil
		}
		return []string{"measured " + says[0] + ", and with ammonia alone " + says[1] + " goes with pH " + number(e, 2) + " at 25 degC: " + number(v[0]-e, 2) + " above it"}
	case site.LeadTimeOf:
		return []string{says[1] + " of line at " + says[0] + ": a sample is " + result + " on its way"}
	}
	return nil
}

const (
	unstatedGauge_K = 0.5  // 0.02 bar, common for a gauge, at 1.2 bar absolute: 0.48 K (IAPWS-IF97)
	weatherShare    = 0.03 // by which the weather moves the usual pressure of the air
	leastAir_hPa    = 507  // half an atmosphere: less is no pressure of the air to the chemistry
)

// approach says how near a deaerator's water is to boiling. What a wrong gauge does belongs beside it, and what the weather does where the
// pressure of the air is a constant: within the two no instrument need be at fault.
func (f *Facts) approach(v [4]float64, says [4]string, result string, usualAir bool) []string {
	a, err := chem.DeaeratorApproach(v[0], v[1], v[2], v[3])
	if err != nil {
		return nil
	}
	said := "deaerator " + says[0] + " at " + says[1] + ", air " + says[2] + ": water boils there at " + number(a.Saturation_degC, 1) + " degC, so it is "
	share := unstatedGauge_K
	gauge := "the error of the gauge is not stated; 0.02 bar would move this by about half a kelvin"
	if says[3] != "" {
		share = a.GaugeShare_K
		gauge = "a gauge wrong by " + strings.TrimSuffix(says[3], " gauge") + " moves this by " + number(share, 1) + " K to either side"
	}
	within := "the gauge may be wrong"
	if usualAir {
		low, err := chem.DeaeratorApproach(v[0], v[1], max(v[2]*(1-weatherShare), leastAir_hPa), 0)
		if err != nil {
			return nil
		}
		share += a.Saturation_degC - low.Saturation_degC
		gauge += "; the air is not measured, and the weather moves this by " + number(a.Saturation_degC-low.Saturation_degC, 1) + " K"
		within = "the gauge may be wrong and the weather makes"
	}
	switch {
	case a.Below_K >= 0:
		said += result + " below saturation"
	case -a.Below_K <= share:
		said += number(-a.Below_K, 1) + " K above saturation, no more than " + within + ": at saturation, as far as can be told"
	default:
		said += number(-a.Below_K, 1) + " K above saturation, which water cannot be: the thermometer or the gauge reads wrong"
	}
	return []string{said, gauge}
}

func unitOf(in *site.DeriveInput) quantity.Unit {
	u, err := quantity.ParseUnit(in.Unit, in.Quantity)
	if err != nil {
		panic("advise: " + err.Error()) // a spelling of the table of kinds
	}
	return u
}

// constant says a constant as it was meant: as written where that is short, else with the digits a person uses.
func constant(v float64) string {
	if s := strconv.FormatFloat(v, 'f', -1, 64); len(s) <= 6 {
		return s
	}
	switch a := math.Abs(v); {
	case a >= 100:
		return number(v, 1)
	case a >= 1:
		return number(v, 2)
	}
	return number(v, 4)
}

// list joins what was said, leaving out what is empty.
func list(says []string) string {
	var said []string
	for _, s := range says {
		if s != "" {
			said = append(said, s)
		}
	}
	if len(said) < 2 {
		return strings.Join(said, "")
	}
	return strings.Join(said[:len(said)-1], ", ") + " and " + said[len(said)-1]
}
