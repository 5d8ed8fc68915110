package stats

import (
	"fmt"
	"math"
)

// Line is a straight line through points: y = Intercept + Slope x, with standard deviations of what was found.
type Line struct {
	N                   int
	Intercept, Slope    float64
	InterceptSD         float64
	SlopeSD             float64
	ResidualSD          float64 // with N-2 degrees of freedom
	R2                  float64 // the part of the scatter of y that the line takes up, 0 to 1
	SlopeLow, SlopeHigh float64 // 95 % interval
}

// Drifts says whether the 95 % interval of the slope leaves zero out.
func (l Line) Drifts() bool { return l.SlopeLow > 0 || l.SlopeHigh < 0 }

// Regression fits a straight line by least squares; with x as time the slope is the drift. Three points at least.
//
// Source: ordinary least squares; held against the certified values of NIST StRD Norris. Errors: ErrNotPaired, ErrTooFew,
// ErrTooMany, ErrNotFinite, ErrTooLarge, and ErrNoSpread where all x or all y are alike.
func Regression(x, y []float64) (Line, error) {
	if len(x) != len(y) {
		return Line{}, fmt.Errorf("%d x and %d y: %w", len(x), len(y), ErrNotPaired)
	}
	if err := first(refuseAll("x", x, 3), refuseAll("y", y, 3)); err != nil {
		return Line{}, err
	}
	n := float64(len(x))
	mx, my := mean(x), mean(y)
	var sxx, sxy, syy sum
	for i := range x {
		sxx.add(x[i]-mx, x[i]-mx)
		sxy.add(x[i]-mx, y[i]-my)
		syy.add(y[i]-my, y[i]-my)
	}
	// No spread, or no more than the rounding of the mean makes.
	if noSpread(sxx.value(), n, mx) || noSpread(syy.value(), n, my) {
		return Line{}, ErrNoSpread
	}
	l := Line{N: len(x), Slope: sxy.value() / sxx.value()}
	l.Intercept = my - l.Slope*mx
	var left sum // squares of the residuals: from each, not as a difference of large sums
	for i := range x {
		r := (y[i] - my) - l.Slope*(x[i]-mx)
		left.add(r, r)
	}
	l.ResidualSD = math.Sqrt(left.value() / (n - 2))
	l.SlopeSD = l.ResidualSD / math.Sqrt(sxx.value())
	l.InterceptSD = l.ResidualSD * math.Sqrt(1/n+mx/sxx.value()*mx)
	l.R2 = min(1, max(0, 1-left.value()/syy.value()))
	half := studentQuantile(n-2) * l.SlopeSD
	l.SlopeLow, l.SlopeHigh = l.Slope-half, l.Slope+half
	for _, v := range [...]float64{l.Slope, l.Intercept, l.InterceptSD, l.SlopeSD, l.SlopeLow, l.SlopeHigh} {
		if math.IsNaN(v) || math.IsInf(v, 0) || math.Abs(v) > largest*largest {
			return Line{}, fmt.Errorf("slope %v: %w", l.Slope, ErrTooLarge)
		}
	}
	return l, nil
}

func noSpread(squares, n, mean float64) bool {
	return math.Sqrt(squares/n) <= max(smallest, 4*epsilon*math.Abs(mean))
}

// mean is the mean, corrected once by the mean of what is left: right to the last bit or two.
func mean(v []float64) float64 {
	n := float64(len(v))
	var m, left float64
	for _, x := range v {
		m += x / n
	}
	for _, x := range v {
		left += (x - m) / n
	}
	return m + left
}

// sum is a sum of products that keeps what each addition and each product rounds off (Neumaier; the error of a product by
// fused multiply-add), so that the certified digits of a regression come out whatever the order of the points.
type sum struct{ hi, lo float64 }

func (s *sum) add(a, b float64) {
	p := a * b
	t := s.hi + p
	if math.Abs(s.hi) >= math.Abs(p) {
		s.lo += (s.hi - t) + p
	} else {
		s.lo += (p - t) + s.hi
	}
	s.hi = t
	s.lo += math.FMA(a, b, -p)
}

func (s *sum) value() float64 { return s.hi + s.lo }
