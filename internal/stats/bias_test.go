package stats

import (
	"errors"
	"math"
	"testing"
)

// Student's data on sleep (from memory), as every textbook has it; computed with scipy 1.10.1, ttest_rel; the
// interval with the quantile below.
func TestPairedBiasMeetsStudent(t *testing.T) {
	a := []float64{0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0}
	b := []float64{1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4}
	got, err := PairedBias(a, b)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", got.Mean, -1.58, 1e-14)
	near(t, "sd", got.SD, 1.2299954832798732, 1e-14)
	near(t, "t", got.T, -4.062127683382037, 1e-12)
	near(t, "p", got.P, 0.00283289019738427, 1e-14)
	near(t, "low", got.Low, -2.4598857632769824, 1e-13)
	near(t, "high", got.High, -0.7001142367230176, 1e-13)
	if got.N != 10 || !got.Significant() {
		t.Errorf("%+v; want ten pairs and a bias", got)
	}
	// The other way round it is the other way round.
	back, err := PairedBias(b, a)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "turned round", back.Mean, -got.Mean, 0)
	near(t, "turned round", back.Low, -got.High, 1e-15)
	near(t, "turned round", back.P, got.P, 0)
}

// NIST/SEMATECH e-Handbook, 7.2.2.1 (data from memory): against 50, t 1.782, t(0.95, 9) 1.833: not significant. scipy
// 1.10.1: 1.78176801043, two-sided 0.108472908783.
func TestBiasThatIsNotSignificant(t *testing.T) {
	x := []float64{50, 48, 44, 56, 61, 52, 53, 55, 67, 51}
	against := make([]float64, len(x))
	for i := range against {
		against[i] = 50
	}
	got, err := PairedBias(x, against)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", got.Mean, 3.7, 1e-12)
	near(t, "s", got.SD, 6.567, 0.0005)
	near(t, "t", got.T, 1.78176801043, 1e-11)
	near(t, "p", got.P, 0.108472908783, 1e-12)
	if got.Significant() || got.Low > 0 || got.High < 0 {
		t.Errorf("%+v; want zero inside the interval", got)
	}
}

// scipy 1.10.1: the t at which special.stdtr gives 0.025, found by brentq to the last bit (its own t.ppf is good to eleven
// digits only). NIST/SEMATECH e-Handbook, 1.3.6.7.2, has 12.706, 2.262 and 1.960 to three.
func TestStudentQuantiles(t *testing.T) {
	last := math.Inf(1)
	for _, c := range []struct{ df, want float64 }{
		{1, 12.7062047361747}, {2, 4.302652729749464}, {3, 3.182446305283709}, {4, 2.776445105197794}, {5, 2.570581835636315},
		{9, 2.262157162798205}, {10, 2.228138851986274}, {29, 2.045229642132704}, {34, 2.032244509317719}, {120, 1.97993040508244},
		{1e4, 1.9602012398906}, {valuesMax - 1, 1.95996635682},
	} {
		got := studentQuantile(c.df)
		tolerance := 1e-13 * c.want
		if c.df > 1000 { // the logarithms of three large gamma functions leave fewer digits of their difference
			tolerance = 2e-10
		}
		near(t, "quantile", got, c.want, tolerance)
		if got >= last {
			t.Errorf("%v degrees of freedom: %v, after %v", c.df, got, last)
		}
		last = got
	}
	for _, c := range []struct{ t, df, want float64 }{
		{1.78177, 9, 0.10847256791805}, {0.5, 3, 0.65144796484815}, {2, 1, 0.29516723530087}, {10, 5, 0.00017094757574296}, {-3, 1000, 0.0027667090442382},
		{0, 7, 1},
	} {
		near(t, "chance", studentTwoSided(c.t, c.df), c.want, 2e-13)
	}
	// One degree of freedom is Cauchy's distribution: 1 - 2/pi atan t.
	for _, x := range []float64{0.01, 0.3, 1, 5, 100} {
		near(t, "Cauchy", studentTwoSided(x, 1), 1-2/math.Pi*math.Atan(x), 1e-14)
	}
}

func TestBiasRefusesWhatItCannotReckon(t *testing.T) {
	for _, c := range []struct {
		a, b []float64
		want error
	}{
		{nil, nil, ErrTooFew}, {[]float64{1}, []float64{2}, ErrTooFew}, {[]float64{1, 2}, []float64{1}, ErrNotPaired},
		{[]float64{1, 2, 3}, []float64{1, 2, 3}, ErrNoSpread},
		{[]float64{0.1, 0.2, 0.7}, []float64{0.2, 0.3, 0.8}, ErrNoSpread}, // equal in decimals, not quite in binary
		{[]float64{1, math.NaN()}, []float64{1, 2}, ErrNotFinite}, {[]float64{1, 2}, []float64{1, math.Inf(-1)}, ErrNotFinite},
		{[]float64{1, 2e100}, []float64{1, 2}, ErrTooLarge}, {make([]float64, valuesMax+1), make([]float64, valuesMax+1), ErrTooMany},
	} {
		if got, err := PairedBias(c.a, c.b); got != (Bias{}) || !errors.Is(err, c.want) {
			t.Errorf("%d values: %+v, %v; want %v", len(c.a), got, err, c.want)
		}
	}
}
