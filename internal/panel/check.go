package panel

import (
	"math"
	"time"

	"rillwatch/internal/panel/advise"
	"rillwatch/internal/panel/derive"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// checks is what a process remembers of its cross-checks.
type checks struct {
	ph, oxygen time.Duration // seen time for which the two have contradicted each other
	unfit      bool          // the line was seen stopped or open since the start
	fresh      time.Duration // and seen time since
}

const (
	// contradictsFor is how long two sensors must contradict each other before one of them is doubted: a change reaches them one after the
	// other. Judgement.
	contradictsFor = time.Minute
	// settlesWithin is how long air from an opened line may be read as oxygen: the four hours after which a sensor is no longer waited for.
	settlesWithin = 4 * time.Hour
)

var (
	celsius      = unitNamed("degC", quantity.Temperature)
	microsiemens = unitNamed("uS/cm", quantity.Conductivity)
)

// in gives the value of a reading in another unit of its point's quantity; false where it has none, or only a bound.
func (pl *Panel) in(r reading.Reading, point int, to quantity.Unit) (float64, bool) {
	return in(pl.s.Points, r, point, to)
}

func in(points []site.Point, r reading.Reading, point int, to quantity.Unit) (float64, bool) {
	if !r.HasValue() || r.Bound != reading.Exact || point < 0 || point >= len(points) {
		return 0, false
	}
	v, _, err := quantity.Convert(r.Value, points[point].Unit, to)
	return v, err == nil
}

// belowWater disbelieves a conductivity that no water can have.
func (pl *Panel) belowWater() {
	for i, pt := range pl.p.Points {
		p := &pl.s.Points[pt]
		if p.Derived() || p.Water.Compensation == "" || pl.inHand(pl.sensorOf(pt)) != site.None {
			continue // what a sensor reads in a person's hand is no water of the plant
		}
		if BelowWater(pl.s.Points, pt, pl.mem[i].own, pl.at(p.Water.Temperature).Own) {
			pl.mem[i].own = pl.mem[i].own.Demote(reading.BelowWater)
		}
	}
}

// BelowWater tells whether the own reading of a conductivity is one that no water can have; temperature is that of its thermometer, the zero Reading
// where there is none. A legitimate one must never be flagged: the floor has the uncertainty of the cell in it already, and of its temperature;
// without a temperature it is the lowest of any. The conductivity is taken a step of its display higher, because the device may have cut off
// what it could not show. Of what is no conductivity it says nothing.
func BelowWater(points []site.Point, point int, own, temperature reading.Reading) bool {
	p := &points[point]
	if p.Water.Compensation == "" {
		return false
	}
	kappa, ok := in(points, own, point, microsiemens)
	if !ok {
		return false
	}
	step, _, err := quantity.ConvertDifference(p.Resolution, p.Unit, microsiemens)
	if err != nil {
		return false
	}
	floor := derive.FloorAnywhere()
	if t, ok := in(points, temperature, p.Water.Temperature, celsius); ok {
		if there, ok := derive.Floor(p.Water, t); ok {
			floor = there
		}
	}
	return kappa+step < floor
}

// crossCheck doubts readings that another sensor of the stream contradicts. It tells whether it has doubted any.
func (pl *Panel) crossCheck(since, elapsed time.Duration) bool {
	c := &pl.checks
	switch d := pl.doubt(); {
	case d == reading.ValveClosed, d == reading.NoFlow && pl.flowRead, pl.sensorOut():
		c.unfit, c.fresh = true, 0
	case d == reading.NoFlow, d == reading.Flushing, len(pl.state.Settling) > 0: // what a start owes by itself is no stop that anybody saw
		c.fresh = 0
	default:
		c.fresh = min(c.fresh+since, settlesWithin)
	}
	x, doubted := &pl.p.Cross, false
	check := func(run *time.Duration, point int, contradicts bool) {
		if !contradicts {
			*run = 0
			return
		}
		if *run = min(*run+elapsed, contradictsFor); *run < contradictsFor {
			return
		}
		if i := pl.pos(point); i != site.None && reading.CrossCheck.Worse(pl.mem[i].shown.Reason) {
			pl.show(&pl.mem[i], pl.mem[i].shown.Demote(reading.CrossCheck))
			doubted = true
		}
	}
	if x.PH.Configured {
		check(&c.ph, x.PH.PH, pl.phContradicts(&x.PH))
	}
	if x.Oxygen.Configured {
		o, s := pl.at(x.Oxygen.Oxygen).Shown, pl.at(x.Oxygen.Sulfite).Shown
		check(&c.oxygen, x.Oxygen.Oxygen, o.Counts() && o.Bound != reading.Below && o.Value > x.Oxygen.OxygenAbove &&
			s.Counts() && s.Bound != reading.Below && s.Value > x.Oxygen.SulfiteAbove)
	}
	return doubted
}

// perKelvin is how the pH of ammonia in water falls with temperature: 9.550, 9.385, 9.228 and 8.933 at 20, 25, 30 and 40 degC for 1 mg/kg
// (PHREEQC with Amm.dat).
const perKelvin = -0.032

// The temperatures between which that is used, and by how much an amine may lift the pH beyond ammonia's (from the conductances).
const (
	crossColdest = 15.0
	crossHottest = 40.0
	amineAbove   = 0.05
)

// phContradicts tells whether a pH cannot go with the conductivity. The electrode may show the pH at its own temperature or brought to
// 25 degC; both are allowed.
func (pl *Panel) phContradicts(c *site.CrossPH) bool {
	ph, sc, temp := pl.at(c.PH).Shown, pl.at(c.Conductivity).Shown, pl.at(c.Temperature).Own
	kappa, ok1 := pl.in(sc, c.Conductivity, microsiemens)
	t, ok2 := pl.in(temp, c.Temperature, celsius)
	if !ok1 || !ok2 || !ph.Counts() || !sc.Counts() || ph.Bound != reading.Exact || t < crossColdest || t > crossHottest {
		return false
	}
	expected, doubt := derive.Expected(kappa)
	if doubt != reading.Believed {
		return false
	}
	warm := expected + perKelvin*(t-25)
	low, high := math.Min(expected, warm)-c.Band, math.Max(expected, warm)+c.Band
	if c.Amine {
		high += amineAbove
	}
	step := pl.s.Points[c.PH].Resolution
	return ph.Value < low-step || ph.Value > high+step
}

// Advice is arithmetic and questions about a point; side is the side on which it stands beyond a limit, if it does.
func (pl *Panel) Advice(point int, side site.Side) []string {
	return advise.Lines(advise.Facts{Site: pl.s, Panel: pl.p, Side: side, Normal: pl.usual(point), Reopened: pl.Reopened(),
		Of: func(p int) reading.Reading { return pl.at(p).Shown }}, point)
}

// Reopened tells whether the line was seen stopped or open so lately that air in it may still be read as oxygen.
func (pl *Panel) Reopened() bool { return pl.checks.unfit && pl.checks.fresh < settlesWithin }
