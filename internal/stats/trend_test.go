package stats

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// NIST Statistical Reference Datasets, linear regression, Norris: certified to fifteen digits. What the float64 of decimal
// data and of the last operations leave of them is some thirteen.
func TestRegressionMeetsNorrisToItsCertifiedDigits(t *testing.T) {
	table := readTable(t, "nist_norris.csv")
	l, err := Regression(table["x"], table["y"])
	if err != nil || l.N != 36 {
		t.Fatalf("%+v, %v", l, err)
	}
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"B0", l.Intercept, -0.262323073774029}, {"sd of B0", l.InterceptSD, 0.232818234301152},
		{"B1", l.Slope, 1.00211681802045}, {"sd of B1", l.SlopeSD, 0.429796848199937e-3},
		{"residual sd", l.ResidualSD, 0.884796396144373}, {"R2", l.R2, 0.999993745883712},
	} {
		digits := -math.Log10(math.Abs(c.got-c.want) / math.Abs(c.want))
		t.Logf("%s: %.1f digits", c.what, min(digits, 15))
		near(t, c.what, c.got, c.want, certified*math.Abs(c.want))
	}
	// t(0.975, 34) = 2.032244509317719 by scipy 1.10.1.
	near(t, "interval", (l.SlopeHigh-l.SlopeLow)/2, 2.032244509317719*0.429796848199937e-3, 1e-13)
	if !l.Drifts() {
		t.Error("a slope of one is no drift?")
	}
}

// certified is what is asked of each: twelve digits and a half. The points of 36 decimal numbers, none exact in binary, and
// the difference of 430 and 430 in B0 cost the rest.
const certified = 3e-13

// Worked by hand: (1,2) (2,3) (3,5) (4,4): slope 0.8, intercept 1.5, residuals -0.3 -0.1 1.1 -0.7, sd 0.9486833,
// sd of the slope 0.9486833/sqrt(5), R2 1 - 1.8/5.
func TestRegressionWorkedByHand(t *testing.T) {
	l, err := Regression([]float64{1, 2, 3, 4}, []float64{2, 3, 5, 4})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", l.Slope, 0.8, 1e-15)
	near(t, "intercept", l.Intercept, 1.5, 1e-15)
	near(t, "residual sd", l.ResidualSD, math.Sqrt(1.8/2), 1e-15)
	near(t, "sd of the slope", l.SlopeSD, math.Sqrt(0.9/5), 1e-15)
	near(t, "sd of the intercept", l.InterceptSD, math.Sqrt(0.9*(0.25+6.25/5)), 1e-15)
	near(t, "R2", l.R2, 0.64, 1e-15)
	near(t, "interval", l.SlopeHigh-l.Slope, 4.302652729749464*math.Sqrt(0.9/5), 1e-13)
	if l.Drifts() {
		t.Errorf("%+v: four points do not make this a drift", l)
	}
}

func TestRegressionDoesNotMindOrderShiftOrScale(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	x, y := make([]float64, 50), make([]float64, 50)
	for i := range x {
		x[i], y[i] = float64(i), 7+0.02*float64(i)+r.NormFloat64()
	}
	base, err := Regression(x, y)
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		x2, y2 := make([]float64, 50), make([]float64, 50)
		for i, j := range r.Perm(50) {
			x2[i], y2[i] = 1.7e9+86400*x[j], -3*y[j]+1000 // seconds of this century, another scale
		}
		l, err := Regression(x2, y2)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "slope", l.Slope*86400, -3*base.Slope, 1e-11)
		near(t, "residual sd", l.ResidualSD, 3*base.ResidualSD, 1e-10)
		near(t, "R2", l.R2, base.R2, 1e-11)
		near(t, "low", l.SlopeLow*86400, -3*base.SlopeHigh, 1e-11)
	}
}

// A 95 % interval holds the truth in 95 of 100 cases; 2000 cases from one seed are good to 2 % (four standard errors).
func TestIntervalsHoldTheTruthNineteenTimesInTwenty(t *testing.T) {
	r := rand.New(rand.NewPCG(95, 1))
	const cases = 2000
	slope, bias := 0, 0
	for range cases {
		var x, y, zero [8]float64
		for i := range x {
			x[i], y[i] = float64(i), 0.3*float64(i)+r.NormFloat64()
		}
		l, err := Regression(x[:], y[:])
		if err != nil {
			t.Fatal(err)
		}
		if l.SlopeLow <= 0.3 && 0.3 <= l.SlopeHigh {
			slope++
		}
		for i := range y {
			y[i] = 0.3 + r.NormFloat64()
		}
		b, err := PairedBias(y[:], zero[:])
		if err != nil {
			t.Fatal(err)
		}
		if b.Low <= 0.3 && 0.3 <= b.High {
			bias++
		}
	}
	near(t, "slope", float64(slope)/cases, 0.95, 0.02)
	near(t, "bias", float64(bias)/cases, 0.95, 0.02)
}

func TestRegressionRefusesWhatItCannotReckon(t *testing.T) {
	for _, c := range []struct {
		x, y []float64
		want error
	}{
		{nil, nil, ErrTooFew}, {[]float64{1, 2}, []float64{1, 2}, ErrTooFew}, {[]float64{1, 2, 3}, []float64{1, 2}, ErrNotPaired},
		{[]float64{1, 1, 1}, []float64{1, 2, 3}, ErrNoSpread}, {[]float64{1, 2, 3}, []float64{4, 4, 4}, ErrNoSpread},
		{[]float64{0.1, 0.1, 0.1}, []float64{1, 2, 3}, ErrNoSpread},
		{[]float64{1, 2, math.NaN()}, []float64{1, 2, 3}, ErrNotFinite}, {[]float64{1, 2, 3}, []float64{1, math.Inf(1), 3}, ErrNotFinite},
		{[]float64{1, 2, 3}, []float64{1, 2, -2e100}, ErrTooLarge}, {make([]float64, valuesMax+1), make([]float64, valuesMax+1), ErrTooMany},
	} {
		if got, err := Regression(c.x, c.y); got != (Line{}) || !errors.Is(err, c.want) {
			t.Errorf("%v %v: %+v, %v; want %v", len(c.x), len(c.y), got, err, c.want)
		}
	}
}

func FuzzNothingButFiniteNumbersComeOut(f *testing.F) {
	for _, s := range [][8]float64{
		{1, 2, 3, 4, 2, 3, 5, 4}, {0, 0, 0, 0, 0, 0, 0, 0}, {1e100, -1e100, 1e100, 3, 1e-100, 1, 2, 3}, {math.NaN(), 1, 2, 3, 4, 5, 6, 7},
		{1e99, 1e99, math.Nextafter(1e99, 0), 1e99, -1e99, 1e99, 0, 1}, {1e-90, 2e-90, 3e-90, 4e-90, 1e99, -1e99, 1e98, 0}, {50, 2.05, 0.3, 3, 52, 47, 53, 49},
		{1, 1e-99, 1, 10, 5, 6, 7, 8},
	} {
		f.Add(s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7])
	}
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g, h, i float64) {
		finite := func(what string, err error, values ...float64) {
			for _, v := range values {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Errorf("%s: %v, %v", what, values, err)
				}
			}
		}
		x, y := []float64{a, b, c, d}, []float64{e, g, h, i}
		l, err := Regression(x, y)
		finite("Regression", err, l.Intercept, l.Slope, l.InterceptSD, l.SlopeSD, l.ResidualSD, l.R2, l.SlopeLow, l.SlopeHigh)
		p, err := PairedBias(x, y)
		finite("PairedBias", err, p.Mean, p.SD, p.StandardError, p.Low, p.High, p.T, p.P)
		n, err := IndividualsChart(x)
		finite("IndividualsChart", err, n.Mean, n.MeanMovingRange, n.Lower, n.Upper, n.RangeUpper)
		var s EWMAState
		var u CUSUMState
		for _, v := range y {
			var point EWMAPoint
			if next, q, err := (EWMA{Target: a, Sigma: b, Lambda: c, Width: d}).Step(s, v); err == nil {
				s, point = next, q
			}
			finite("EWMA", nil, s.Z, point.Z, point.Lower, point.Upper)
			if next, _, err := (CUSUM{Target: a, Slack: b, Decision: c}).Step(u, v); err == nil {
				u = next
			}
			finite("CUSUM", nil, u.High, u.Low)
		}
	})
}

// Zero on the edge of an interval is inside it: no drift, no bias. A hair past it is one.
func TestIntervalDecidesAtZero(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      bool
	}{{-1, 1, false}, {0, 1, false}, {-1, 0, false}, {1e-9, 1, true}, {-1, -1e-9, true}} {
		if got := (Line{SlopeLow: c.low, SlopeHigh: c.high}).Drifts(); got != c.want {
			t.Errorf("slope %v to %v: drifts is %v", c.low, c.high, got)
		}
		if got := (Bias{Low: c.low, High: c.high}).Significant(); got != c.want {
			t.Errorf("bias %v to %v: significant is %v", c.low, c.high, got)
		}
	}
}

func TestNumbersUpToTheLargestAreReckonedWith(t *testing.T) {
	for _, v := range []float64{largest, -largest} {
		if err := refuse("value", v); err != nil {
			t.Error(err)
		}
		if err := refuse("value", math.Nextafter(v, 2*v)); !errors.Is(err, ErrTooLarge) {
			t.Errorf("just past %v: %v", v, err)
		}
	}
	if l, err := Regression([]float64{1, 2, 3}, []float64{-largest, largest, -largest}); err != nil || math.IsInf(l.SlopeHigh, 0) {
		t.Errorf("%+v, %v", l, err)
	}
	if err := refuseNotPositive("sigma", smallest); err != nil {
		t.Error(err)
	}
	if err := refuseNotPositive("sigma", math.Nextafter(smallest, 0)); !errors.Is(err, ErrNotPositive) {
		t.Errorf("just under the smallest: %v", err)
	}
}
