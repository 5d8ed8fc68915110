package stats

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// 1, 1, 2, 2, 4, 6, 9: the median is 2 and the distances from it are 1, 1, 0, 0, 2, 4, 7, whose median is 1. The worked example that textbooks
// give for the median absolute deviation (common practice, from memory); the arithmetic stands here.
func TestTheMiddleAndItsScatterByHand(t *testing.T) {
	in := []float64{6, 1, 2, 9, 1, 4, 2}
	got, err := MiddleOf(in)
	if err != nil || got != (Normal{N: 7, Middle: 2, SD: 1.4826}) {
		t.Errorf("%+v, %v", got, err)
	}
	if in[0] != 6 || in[6] != 2 {
		t.Error("the values were moved")
	}
	if got, _ = MiddleOf([]float64{1, 2, 3, 10}); got.Middle != 2.5 {
		t.Errorf("of an even number: %+v", got)
	}
	if got, _ = MiddleOf([]float64{5}); got != (Normal{N: 1, Middle: 5}) {
		t.Errorf("of one: %+v", got)
	}
}

// 1.4826 is 1 / 0.67449, the third quartile of the normal distribution: of a normal sample both middle and scatter come back.
func TestTheScatterOfANormalSampleIsItsStandardDeviation(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	v := make([]float64, 20_001)
	for i := range v {
		v[i] = 50 + 3*rng.NormFloat64()
	}
	got, err := MiddleOf(v)
	if err != nil || math.Abs(got.Middle-50) > 0.1 || math.Abs(got.SD-3) > 0.1 { // both have a standard error near 0.03
		t.Errorf("%+v, %v", got, err)
	}
}

// Of 21 values ten may be anything.
func TestFewerThanHalfOfTheValuesCannotMoveTheMiddleOut(t *testing.T) {
	v := make([]float64, 0, 21)
	for i := range 11 {
		v = append(v, 10+float64(i)/10)
	}
	for range 10 {
		v = append(v, 1e9)
	}
	got, err := MiddleOf(v)
	if err != nil || got.Middle != 11 || got.SD > 10 {
		t.Errorf("%+v, %v", got, err)
	}
}

// y = 1, 2, 4, 4, 50 at x = 0 .. 4: the ten slopes are 1, 1.5, 1, 12.25; 2, 1, 16; 0, 23; 46. Sorted: 0, 1, 1, 1, 1.5, 2, 12.25, 16, 23, 46, and the middle
// two are 1.5 and 2.
func TestTheMedianSlopeByHand(t *testing.T) {
	x, y := []float64{0, 1, 2, 3, 4}, []float64{1, 2, 4, 4, 50}
	got, pairs, err := MedianSlope(x, y, make([]int, 5))
	if err != nil || got != 1.75 || pairs != 10 {
		t.Errorf("%v of %d, %v", got, pairs, err)
	}
	// In two runs, of the first three and the last two: 1, 1.5, 2 and 46.
	got, pairs, err = MedianSlope(x, y, []int{1, 1, 1, 2, 2})
	if err != nil || got != 1.75 || pairs != 4 {
		t.Errorf("in runs: %v of %d, %v", got, pairs, err)
	}
	if got, pairs, err = MedianSlope(x, y, []int{1, 2, 3, 4, 5}); err != nil || got != 0 || pairs != 0 {
		t.Errorf("each alone: %v of %d, %v", got, pairs, err)
	}
}

// A straight line keeps its slope with 5 of 20 points wrong; the same line by least squares does not.
func TestAQuarterOfWrongPointsDoesNotMakeASlope(t *testing.T) {
	var x, y []float64
	for i := range 20 {
		x, y = append(x, float64(i)), append(y, 3+0.5*float64(i))
	}
	for _, bad := range []int{15, 16, 17, 18, 19} {
		y[bad] += 1000
	}
	got, _, err := MedianSlope(x, y, make([]int, 20))
	if err != nil || math.Abs(got-0.5) > 0.5 { // within the step of the line itself
		t.Errorf("%v, %v", got, err)
	}
	line, err := Regression(x, y)
	if err != nil || line.Slope < 50 {
		t.Errorf("least squares gives %v, %v: the example shows nothing", line.Slope, err)
	}
}

func TestRobustFunctionsRefuseByName(t *testing.T) {
	many := slices.Repeat([]float64{1}, slopesMax+1)
	for i := range many {
		many[i] = float64(i)
	}
	slope := func(x, y []float64, run []int) error { _, _, err := MedianSlope(x, y, run); return err }
	middle := func(v ...float64) error { _, err := MiddleOf(v); return err }
	for name, c := range map[string]struct{ got, want error }{
		"no values":         {middle(), ErrTooFew},
		"not a number":      {middle(1, math.NaN()), ErrNotFinite},
		"infinite":          {middle(math.Inf(1)), ErrNotFinite},
		"too large":         {middle(1e200), ErrTooLarge},
		"not paired":        {slope([]float64{1, 2}, []float64{1}, []int{0, 0}), ErrNotPaired},
		"no runs":           {slope([]float64{1, 2}, []float64{1, 2}, nil), ErrNotPaired},
		"too many":          {slope(many, many, make([]int, len(many))), ErrTooMany},
		"no points":         {slope(nil, nil, nil), ErrTooFew},
		"x that stands":     {slope([]float64{1, 1}, []float64{1, 2}, []int{0, 0}), ErrNoSpread},
		"x that goes back":  {slope([]float64{2, 1}, []float64{1, 2}, []int{0, 0}), ErrNoSpread},
		"y not a number":    {slope([]float64{1, 2}, []float64{1, math.NaN()}, []int{0, 0}), ErrNotFinite},
		"a slope too steep": {slope([]float64{0, 1e-90}, []float64{0, 1e99}, []int{0, 0}), ErrTooLarge},
	} {
		if !errors.Is(c.got, c.want) {
			t.Errorf("%s: %v, want %v", name, c.got, c.want)
		}
	}
}
