package stats

import (
	"fmt"
	"math"
)

// Signal is where a chart's statistic stands against its limits. On a limit is within.
type Signal uint8

const (
	Within Signal = iota
	High
	Low
	Both // a two-sided CUSUM with both sums beyond: the scatter has grown, or the chart is too narrow
)

func (s Signal) String() string {
	switch s {
	case Within:
		return "within"
	case High:
		return "high"
	case Low:
		return "low"
	case Both:
		return "both"
	}
	return fmt.Sprintf("signal %d", uint8(s))
}

// EWMA is a chart of exponentially weighted moving averages: z = lambda x + (1 - lambda) z, from the target on, with limits
// target +/- width sigma sqrt(lambda/(2-lambda) (1 - (1-lambda)^(2i))).
//
// Source: Roberts 1959, Lucas and Saccucci 1990; NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4. With lambda 0.2
// and width 2.962, or 0.4 and 3.054, a false alarm comes once in 500 values.
type EWMA struct {
	Target float64 // in the unit of the data, as is Sigma
	Sigma  float64 // of a single value, above 0
	Lambda float64 // above 0, 1 at most
	Width  float64 // of the limits, in sigmas of z; above 0, 10 at most
	// Steady limits are those of the long run from the first value on, as the published run lengths assume; the limits of
	// the handbook start narrow and widen.
	Steady bool
}

// EWMAState is a chart under way. The zero value has seen nothing.
type EWMAState struct {
	N int     // values seen
	Z float64 // once N is above 0
}

// EWMAPoint is one point of the chart, all in the unit of the data.
type EWMAPoint struct {
	Z, Lower, Upper float64
	Signal          Signal
}

// widest of all charts in use is 3.1; 10 sigmas never signal.
const widest = 10

func (c EWMA) refuse() error {
	if err := first(refuse("target", c.Target), refuseNotPositive("sigma", c.Sigma), refuseNotPositive("lambda", c.Lambda), refuseNotPositive("width", c.Width)); err != nil {
		return err
	}
	if c.Lambda > 1 {
		return fmt.Errorf("lambda %v: %w, 0 to 1", c.Lambda, ErrAboveRange)
	}
	if c.Width > widest {
		return fmt.Errorf("width %v: %w, 0 to %d", c.Width, ErrAboveRange, widest)
	}
	return nil
}

// Step takes one value into the chart. What to do after a signal is the caller's: most start again from EWMAState{}.
// Errors, with the state as it was: ErrNotFinite, ErrTooLarge, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func (c EWMA) Step(s EWMAState, x float64) (EWMAState, EWMAPoint, error) {
	if err := first(c.refuse(), refuse("value", x), refuse("state", s.Z)); err != nil {
		return s, EWMAPoint{}, err
	}
	if s.N < 0 {
		return s, EWMAPoint{}, fmt.Errorf("values seen %d: %w", s.N, ErrBelowRange)
	}
	z := s.Z
	if s.N == 0 {
		z = c.Target
	}
	next := EWMAState{N: s.N, Z: c.Lambda*x + (1-c.Lambda)*z}
	if next.N < valuesMax { // by then the limits stand still, whatever lambda above 1e-5
		next.N++
	}
	share := 1.0
	if !c.Steady {
		// 1 - (1-lambda)^(2n), kept exact where lambda is small.
		share = -math.Expm1(2 * float64(next.N) * math.Log1p(-c.Lambda))
	}
	half := c.Width * c.Sigma * math.Sqrt(c.Lambda/(2-c.Lambda)*share)
	p := EWMAPoint{Z: next.Z, Lower: c.Target - half, Upper: c.Target + half}
	switch {
	case p.Z > p.Upper:
		p.Signal = High
	case p.Z < p.Lower:
		p.Signal = Low
	}
	return next, p, nil
}

// CUSUM is a two-sided tabular chart of cumulated sums: high = max(0, high + x - target - slack), low = max(0, low + target
// - slack - x), a signal beyond the decision.
//
// Source: Page 1954; NIST/SEMATECH e-Handbook, 6.3.2.3. A slack of half a sigma and a decision of 4.77 sigmas give a false
// alarm once in 370 values, and find a shift of one sigma after ten. One-sided run lengths are twice as long: tables mix
// the two.
type CUSUM struct {
	Target   float64 // all in the unit of the data
	Slack    float64 // k: above 0; half of the shift to be found
	Decision float64 // h: above 0
}

// CUSUMState is a chart under way: both sums, in the unit of the data. The zero value has seen nothing.
type CUSUMState struct{ High, Low float64 }

// Step takes one value into the chart and says which sum, if any, is beyond the decision. What to do after a signal is the
// caller's: most start again from CUSUMState{}. Errors, with the state as it was: ErrNotFinite, ErrTooLarge,
// ErrNotPositive, ErrBelowRange.
func (c CUSUM) Step(s CUSUMState, x float64) (CUSUMState, Signal, error) {
	if err := first(refuse("target", c.Target), refuseNotPositive("slack", c.Slack), refuseNotPositive("decision", c.Decision),
		refuse("value", x), refuse("sum of the high side", s.High), refuse("sum of the low side", s.Low)); err != nil {
		return s, Within, err
	}
	if s.High < 0 || s.Low < 0 {
		return s, Within, fmt.Errorf("sums %v and %v: %w of 0", s.High, s.Low, ErrBelowRange)
	}
	next := CUSUMState{High: max(0, s.High+(x-c.Target)-c.Slack), Low: max(0, s.Low+(c.Target-x)-c.Slack)}
	high, low := next.High > c.Decision, next.Low > c.Decision
	switch {
	case high && low:
		return next, Both, nil
	case high:
		return next, High, nil
	case low:
		return next, Low, nil
	}
	return next, Within, nil
}

// Individuals is a chart of single values with the moving range as measure of their scatter, all in the unit of the data.
type Individuals struct {
	Mean            float64
	MeanMovingRange float64 // of neighbours
	Lower, Upper    float64 // mean +/- 3 MeanMovingRange / 1.128
	RangeUpper      float64 // 3.267 MeanMovingRange
}

// IndividualsChart makes the chart from values in the order of time, two at least.
//
// Source: NIST/SEMATECH e-Handbook, 6.3.2.2; 1.128 and 3.267 are d2 and D4 of pairs. Errors: ErrTooFew, ErrTooMany,
// ErrNotFinite, ErrTooLarge, ErrNoSpread.
func IndividualsChart(values []float64) (Individuals, error) {
	if err := refuseAll("values", values, 2); err != nil {
		return Individuals{}, err
	}
	var c Individuals
	for i, v := range values {
		c.Mean += v / float64(len(values))
		if i > 0 {
			c.MeanMovingRange += math.Abs(v-values[i-1]) / float64(len(values)-1)
		}
	}
	if c.MeanMovingRange < smallest {
		return Individuals{}, ErrNoSpread
	}
	const d2, d4 = 1.128, 3.267
	c.Lower, c.Upper = c.Mean-3*c.MeanMovingRange/d2, c.Mean+3*c.MeanMovingRange/d2
	c.RangeUpper = d4 * c.MeanMovingRange
	return c, nil
}
