package panel

import (
	"math"
	"strconv"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// measured limits are judged by something else than the value of their point, or by a number that was not written in the configuration.
type measures struct {
	inForce  []site.Limit      // by limit: as it is judged by; of one that hangs on a baseline, with what was learned
	rates    []alarm.Rate      // by limit
	judgedBy []reading.Reading // by limit: what it was last judged by
}

func (pl *Panel) prepareMeasures() {
	n := len(pl.p.Limits)
	pl.inForce, pl.rates, pl.judgedBy = make([]site.Limit, n), make([]alarm.Rate, n), make([]reading.Reading, n)
	for i := range pl.p.Limits {
		pl.force(i)
	}
}

// state says what the boiler is doing, as far as limits ask.
func (pl *Panel) operating() site.OperatingState {
	switch {
	case pl.state.OnLine.off():
		return site.OffLineState
	case pl.state.OnLine.StartUp > 0:
		return site.StartUpState
	}
	return site.OnLineState
}

// applies tells whether a limit is judged in the present state of the boiler, and whether its opening waits. A limit that names its
// states rests in all others; one that names none rests off line where standing still looks like trouble, and waits while the boiler starts.
func (pl *Panel) applies(l *site.Limit, pt *site.Point) (judged, wait bool) {
	now := pl.operating()
	if l.Applies != 0 {
		return l.Applies.In(now), false
	}
	return now != site.OffLineState || !suspends(pt), now == site.StartUpState && pt.Chemistry()
}

// measure gives what a limit is judged by: the reading of its point, or how fast it moves.
func (pl *Panel) measure(i int, in alarm.Judged) alarm.Judged {
	l := &pl.inForce[i]
	if l.Of.Rate() {
		pl.rates[i], in.Reading = alarm.StepRate(l, pl.rates[i], in)
	}
	pl.judgedBy[i] = in.Reading
	return in
}

// inLimit gives what a limit is judged by in the unit it is written in, with the time of a rate.
func (pl *Panel) inLimit(v float64, l *site.Limit) float64 {
	pt := &pl.s.Points[l.Point]
	if !l.Of.Rate() {
		return pl.convert(v, pt, l.Unit)
	}
	return v * pl.step(pt, l.Unit) * l.Per.Hours()
}

// integralIn gives a distance beyond a limit times hours in the unit it is written in.
func (pl *Panel) integralIn(v float64, l *site.Limit) float64 {
	v *= pl.step(&pl.s.Points[l.Point], l.Unit)
	if l.Of.Rate() {
		v *= l.Per.Hours()
	}
	return v
}

// limitDecimals is how many digits after the point what a limit is judged by carries in the unit it is written in.
func (pl *Panel) limitDecimals(l *site.Limit) int {
	pt := &pl.s.Points[l.Point]
	if !l.Of.Rate() {
		return pl.decimalsIn(pt, l.Unit)
	}
	return decimalsOf(l.Step(pt.Resolution) * pl.step(pt, l.Unit) * l.Per.Hours())
}

// decimalsOf is how many digits after the point a step needs.
func decimalsOf(step float64) int {
	if step = math.Abs(step); step <= 0 || step >= 1 {
		return 0
	}
	// 0.1 is one digit; the small allowance keeps 0.001 from becoming four by the last bit of its logarithm
	return min(6, int(math.Ceil(-math.Log10(step)-1e-9)))
}

// limitReading is what a limit was last judged by, in its unit.
func (pl *Panel) limitReading(i int) event.Value {
	l := &pl.inForce[i]
	if !l.Of.Rate() {
		return pl.value(l.Point, l.Unit)
	}
	r := pl.judgedBy[i]
	v := event.Value{Point: pl.s.Points[l.Point].Path, Unit: l.UnitName(), Decimals: pl.limitDecimals(l), Bound: r.Bound.String(),
		Quality: r.Quality().String(), Reason: r.Reason.String(), At: r.At}
	if r.HasValue() {
		v.Value = pl.inLimit(r.Value, l)
	}
	return v
}

// force puts together by what a limit is judged: of one that hangs on a baseline, the nearer of its bound and the distance from what was
// learned, in whole steps of the display, so that the number people read decides. Without a baseline its bound alone; without both nothing.
func (pl *Panel) force(i int) {
	l := pl.p.Limits[i]
	if l.Of.Learned() {
		if b := pl.baseline(l.Name); b != nil && b.Learned {
			l = pl.hang(l, b.Value)
		} else if !l.Normal.HasBound {
			l.Side = site.NoSide
		}
	}
	pl.inForce[i] = l
}

// hang puts a limit at its distance from a normal. The deadband is at most a quarter of what lies between, or the alarm could not clear.
func (pl *Panel) hang(l site.Limit, normal float64) site.Limit {
	pt := &pl.s.Points[l.Point]
	distance := l.Normal.By
	if l.Normal.Share > 0 {
		distance = l.Normal.Share * math.Abs(normal)
	}
	at := normal + distance
	if l.Of == site.BelowNormal {
		at = normal - distance
	}
	bound := l.Normal.HasBound && (l.Of == site.AboveNormal && l.Value <= at || l.Of == site.BelowNormal && l.Value >= at)
	if !bound {
		if pt.Resolution > 0 {
			at = math.Round(at/pt.Resolution) * pt.Resolution
		}
		l.Value, l.Written = at, rounded(pl.convert(at, pt, l.Unit), pl.decimalsIn(pt, l.Unit))
	}
	quarter := math.Abs(l.Value-normal) / 4
	if l.Deadband <= 0 || l.Deadband > quarter {
		l.Deadband = quarter
	}
	return l
}

// rounded gives a number with so many digits after the point.
func rounded(v float64, decimals int) float64 {
	out, err := strconv.ParseFloat(strconv.FormatFloat(v, 'f', decimals, 64), 64)
	if err != nil {
		return v
	}
	return out
}
