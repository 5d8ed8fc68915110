package stats

import (
	"errors"
	"math"
	"testing"
)

// NIST/SEMATECH e-Handbook, 6.3.2.4: printed to two decimals. The handbook's limits, 52.5884 and 47.4115, come from a
// square root rounded to 0.4201; exact are 52.5884 and 47.4116.
func TestEWMAMeetsTheHandbook(t *testing.T) {
	table := readTable(t, "nist_ewma.csv")
	c := EWMA{Target: 50, Sigma: 2.0539, Lambda: 0.3, Width: 3, Steady: true}
	var s EWMAState
	for i, x := range table["x"] {
		var p EWMAPoint
		var err error
		if s, p, err = c.Step(s, x); err != nil {
			t.Fatal(err)
		}
		near(t, "printed", p.Z, table["EWMA_printed"][i], 0.0051)
		near(t, "exact", p.Z, table["EWMA_exact"][i], 0.5e-6)
		near(t, "upper limit", p.Upper, 52.5884, 0.0001)
		near(t, "lower limit", p.Lower, 47.4115, 0.00015)
		if p.Signal != Within {
			t.Errorf("value %d: %v; the handbook has no signal", i+1, p.Signal)
		}
	}
	if s.N != 20 {
		t.Errorf("%d values seen", s.N)
	}
}

// 30 points after Montgomery, computed with R; the last ten are shifted by one sigma.
func TestChartsMeetMontgomery(t *testing.T) {
	table := readTable(t, "montgomery.csv")
	ewma := EWMA{Target: 10, Sigma: 1, Lambda: 0.1, Width: 2.7}
	cusum := CUSUM{Target: 10, Slack: 0.5, Decision: 5}
	var e EWMAState
	var c CUSUMState
	for i, x := range table["x"] {
		var p EWMAPoint
		var signal Signal
		var err error
		if e, p, err = ewma.Step(e, x); err != nil {
			t.Fatal(err)
		}
		if c, signal, err = cusum.Step(c, x); err != nil {
			t.Fatal(err)
		}
		near(t, "z", p.Z, table["ewma_lambda0.1"][i], 0.6e-5)
		near(t, "upper", p.Upper, table["ucl_L2.7"][i], 0.6e-4)
		near(t, "lower", p.Lower, table["lcl_L2.7"][i], 0.6e-4)
		near(t, "C+", c.High, table["C_plus_k0.5"][i], 0.0051)
		near(t, "C-", c.Low, table["C_minus_k0.5"][i], 0.0051)
		want := Within
		if i+1 >= 29 {
			want = High
		}
		if p.Signal != want || signal != want {
			t.Errorf("point %d: EWMA %v, CUSUM %v; want %v", i+1, p.Signal, signal, want)
		}
	}
}

// NIST/SEMATECH e-Handbook, 6.3.2.3, with its printed columns and the exact ones.
func TestCUSUMMeetsTheHandbook(t *testing.T) {
	table := readTable(t, "nist_cusum.csv")
	c := CUSUM{Target: 325, Slack: 0.3175, Decision: 4.1959}
	var s CUSUMState
	for i, x := range table["x"] {
		var signal Signal
		var err error
		if s, signal, err = c.Step(s, x); err != nil {
			t.Fatal(err)
		}
		near(t, "high, exact", s.High, table["S_hi_exact"][i], 1e-4)
		near(t, "low, exact", s.Low, table["S_lo_exact"][i], 1e-4)
		near(t, "high, printed", s.High, table["S_hi_printed"][i], 0.0055) // the handbook rounds each step
		near(t, "low, printed", s.Low, table["S_lo_printed"][i], 0.0055)
		want := Within
		if i+1 >= 14 {
			want = High
		}
		if signal != want {
			t.Errorf("group %d: %v; want %v", i+1, signal, want)
		}
	}
}

// NIST/SEMATECH e-Handbook, 6.3.2.2.
func TestIndividualsChartMeetsTheHandbook(t *testing.T) {
	c, err := IndividualsChart([]float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", c.Mean, 50.81, 1e-12)
	near(t, "moving range", c.MeanMovingRange, 1.8778, 0.00005)
	near(t, "upper", c.Upper, 55.8041, 0.0001)
	near(t, "lower", c.Lower, 45.8159, 0.0001)
	near(t, "range", c.RangeUpper, 3.267*1.87778, 0.0001)
	for _, bad := range []struct {
		values []float64
		want   error
	}{{nil, ErrTooFew}, {[]float64{1}, ErrTooFew}, {[]float64{1, 1, 1}, ErrNoSpread}, {[]float64{1, math.NaN()}, ErrNotFinite}, {[]float64{1, 1e101}, ErrTooLarge}} {
		if c, err := IndividualsChart(bad.values); c != (Individuals{}) || !errors.Is(err, bad.want) {
			t.Errorf("%v: %+v, %v; want %v", bad.values, c, err, bad.want)
		}
	}
}

func TestOnALimitIsWithin(t *testing.T) {
	// Lambda 1 is Shewhart's chart: the value against target +/- 3 sigma.
	for _, c := range []struct {
		x    float64
		want Signal
	}{{3, Within}, {math.Nextafter(3, 4), High}, {-3, Within}, {math.Nextafter(-3, -4), Low}, {0, Within}} {
		_, p, err := EWMA{Sigma: 1, Lambda: 1, Width: 3}.Step(EWMAState{}, c.x)
		if err != nil || p.Signal != c.want {
			t.Errorf("EWMA of %v: %v, %v; want %v", c.x, p.Signal, err, c.want)
		}
	}
	for _, c := range []struct {
		x    float64
		want Signal
	}{{4.5, Within}, {math.Nextafter(4.5, 5), High}, {-4.5, Within}, {math.Nextafter(-4.5, -5), Low}, {0, Within}} {
		_, signal, err := CUSUM{Slack: 0.5, Decision: 4}.Step(CUSUMState{}, c.x)
		if err != nil || signal != c.want {
			t.Errorf("CUSUM of %v: %v, %v; want %v", c.x, signal, err, c.want)
		}
	}
	if _, signal, err := (CUSUM{Slack: 0.5, Decision: 4}).Step(CUSUMState{High: 6, Low: 6}, 0); err != nil || signal != Both {
		t.Errorf("both sums beyond: %v, %v", signal, err)
	}
}

// The mirror image of a series gives the mirror image of its charts.
func TestChartsAreEvenHanded(t *testing.T) {
	e := EWMA{Sigma: 1, Lambda: 0.2, Width: 3}
	c := CUSUM{Slack: 0.5, Decision: 3}
	var e1, e2 EWMAState
	var c1, c2 CUSUMState
	signals := 0
	for i := range 200 {
		x := 3 * math.Sin(float64(i*i))
		var p1, p2 EWMAPoint
		var s1, s2 Signal
		e1, p1, _ = e.Step(e1, x)
		e2, p2, _ = e.Step(e2, -x)
		c1, s1, _ = c.Step(c1, x)
		c2, s2, _ = c.Step(c2, -x)
		mirror := [...]Signal{Within: Within, High: Low, Low: High, Both: Both}
		if p1.Z != -p2.Z || p1.Signal != mirror[p2.Signal] || c1.High != c2.Low || c1.Low != c2.High || s1 != mirror[s2] {
			t.Fatalf("value %d: %+v %+v, %+v %+v", i, p1, p2, c1, c2)
		}
		if s1 != Within {
			signals++
		}
	}
	if signals == 0 {
		t.Error("no signal at all: nothing was mirrored")
	}
}

func TestLimitsWidenToTheSteadyOnes(t *testing.T) {
	growing := EWMA{Target: 5, Sigma: 2, Lambda: 0.1, Width: 2.7}
	steady := growing
	steady.Steady = true
	_, limit, err := steady.Step(EWMAState{}, 5)
	if err != nil {
		t.Fatal(err)
	}
	// Width sigma sqrt(lambda/(2-lambda)), by hand.
	near(t, "steady", limit.Upper, 5+2.7*2*math.Sqrt(0.1/1.9), 1e-12)
	var s EWMAState
	last := 0.0
	for i := range 300 {
		var p EWMAPoint
		if s, p, err = growing.Step(s, 5); err != nil {
			t.Fatal(err)
		}
		if half := p.Upper - 5; half < last || half > limit.Upper-5+1e-12 {
			t.Fatalf("value %d: half width %v after %v", i+1, half, last)
		} else {
			last = half
		}
		near(t, "at the target", p.Z, 5, 1e-12)
	}
	near(t, "in the long run", 5+last, limit.Upper, 1e-12)
	// The first: width sigma lambda.
	_, p, err := growing.Step(EWMAState{}, 5)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "first", p.Upper, 5+2.7*2*0.1, 1e-12)
}

func TestChartsRefuseWhatTheyCannotReckon(t *testing.T) {
	good := EWMA{Target: 50, Sigma: 2, Lambda: 0.3, Width: 3}
	for _, c := range []struct {
		change func(*EWMA)
		state  EWMAState
		x      float64
		want   error
	}{
		{func(e *EWMA) { e.Sigma = 0 }, EWMAState{}, 1, ErrNotPositive},
		{func(e *EWMA) { *e = EWMA{} }, EWMAState{}, 1, ErrNotPositive}, // the zero chart is no chart
		{func(e *EWMA) { e.Lambda = 0 }, EWMAState{}, 1, ErrNotPositive},
		{func(e *EWMA) { e.Lambda = math.Nextafter(1, 2) }, EWMAState{}, 1, ErrAboveRange},
		{func(e *EWMA) { e.Width = 10.1 }, EWMAState{}, 1, ErrAboveRange},
		{func(e *EWMA) { e.Width = -1 }, EWMAState{}, 1, ErrNotPositive},
		{func(e *EWMA) { e.Target = math.NaN() }, EWMAState{}, 1, ErrNotFinite},
		{func(*EWMA) {}, EWMAState{}, math.Inf(1), ErrNotFinite},
		{func(*EWMA) {}, EWMAState{}, 1e101, ErrTooLarge},
		{func(*EWMA) {}, EWMAState{N: 3, Z: math.NaN()}, 1, ErrNotFinite},
		{func(*EWMA) {}, EWMAState{N: -1}, 1, ErrBelowRange},
	} {
		e := good
		c.change(&e)
		s, p, err := e.Step(c.state, c.x)
		if p != (EWMAPoint{}) || s.N != c.state.N || !errors.Is(err, c.want) {
			t.Errorf("%+v, %+v, %v: %+v, %+v, %v; want %v", e, c.state, c.x, s, p, err, c.want)
		}
	}
	for _, c := range []struct {
		chart CUSUM
		state CUSUMState
		x     float64
		want  error
	}{
		{CUSUM{}, CUSUMState{}, 1, ErrNotPositive},
		{CUSUM{Slack: 1}, CUSUMState{}, 1, ErrNotPositive},
		{CUSUM{Slack: 1, Decision: 1}, CUSUMState{High: -1}, 1, ErrBelowRange},
		{CUSUM{Slack: 1, Decision: 1}, CUSUMState{Low: math.Inf(1)}, 1, ErrNotFinite},
		{CUSUM{Slack: 1, Decision: 1}, CUSUMState{}, math.NaN(), ErrNotFinite},
		{CUSUM{Slack: 1, Decision: 1, Target: -1e101}, CUSUMState{}, 0, ErrTooLarge},
	} {
		if s, signal, err := c.chart.Step(c.state, c.x); s != c.state || signal != Within || !errors.Is(err, c.want) {
			t.Errorf("%+v, %+v, %v: %+v, %v, %v; want %v", c.chart, c.state, c.x, s, signal, err, c.want)
		}
	}
}
