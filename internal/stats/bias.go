package stats

import (
	"fmt"
	"math"
)

// Bias is the difference between two methods on the same samples, in the unit of the data.
type Bias struct {
	N             int
	Mean          float64 // of analyser less check
	SD            float64 // of the differences
	StandardError float64 // SD / sqrt(N)
	Low, High     float64 // 95 % interval of the mean
	T             float64 // Mean / StandardError, with N-1 degrees of freedom
	P             float64 // the chance of so large a T, to either side, were there no bias
}

// Significant says whether the 95 % interval leaves zero out: there is a bias. That it matters is another question.
func (b Bias) Significant() bool { return b.Low > 0 || b.High < 0 }

// PairedBias is the bias of an analyser against a check method, from pairs taken of the same water at the same time; two
// pairs at least, and under five the interval is wide.
//
// Source: paired t test, "Student" 1908; NIST/SEMATECH e-Handbook, 7.2.2.1 on the differences. Errors: ErrNotPaired, ErrTooFew,
// ErrTooMany, ErrNotFinite, ErrTooLarge, and ErrNoSpread where all differences are alike.
func PairedBias(analyser, check []float64) (Bias, error) {
	if len(analyser) != len(check) {
		return Bias{}, fmt.Errorf("%d and %d: %w", len(analyser), len(check), ErrNotPaired)
	}
	if err := first(refuseAll("the analyser's values", analyser, 2), refuseAll("check values", check, 2)); err != nil {
		return Bias{}, err
	}
	n := float64(len(analyser))
	b := Bias{N: len(analyser)}
	for i := range analyser {
		b.Mean += (analyser[i] - check[i]) / n
	}
	var squares, largestPart float64
	for i := range analyser {
		d := analyser[i] - check[i] - b.Mean
		squares += d * d
		largestPart = max(largestPart, math.Abs(analyser[i]), math.Abs(check[i]))
	}
	b.SD = math.Sqrt(squares / (n - 1))
	// Equal differences of decimal numbers are not equal in binary: what rounding alone can make is no spread.
	if b.SD <= max(smallest, 4*epsilon*largestPart) {
		return Bias{}, ErrNoSpread
	}
	b.StandardError = b.SD / math.Sqrt(n)
	half := studentQuantile(n-1) * b.StandardError
	b.Low, b.High = b.Mean-half, b.Mean+half
	b.T = b.Mean / b.StandardError
	b.P = studentTwoSided(b.T, n-1)
	return b, nil
}

const epsilon = 0x1p-52 // of a float64
