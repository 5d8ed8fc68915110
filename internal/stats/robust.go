package stats

import (
	"fmt"
	"slices"
)

// madToSD makes a standard deviation of a median absolute deviation, for values with a normal scatter: 1 / 0.6745, the third quartile of the
// normal distribution (Hampel, J. Am. Stat. Assoc. 69 (1974) 383).
const madToSD = 1.4826

// slopesMax bounds the pairs of one median slope: each costs a place in a list that is sorted.
const slopesMax = 64

// Normal is the middle of values and their scatter, as found by statistics that half of the values less one cannot move without bound.
type Normal struct {
	N      int
	Middle float64 // median
	SD     float64 // 1.4826 x the median distance from the median: the standard deviation, where the scatter is normal
}

// MiddleOf is the median of values with its scatter. Of an even number it is the mean of the two in the middle. Given means of blocks it is
// the median of means, which keeps most of the sharpness of a mean and takes no harm from a few bad blocks (Jerrum, Valiant and
// Vazirani, Theor. Comput. Sci. 43 (1986) 169).
//
// One value at least. Errors: ErrTooFew, ErrTooMany, ErrNotFinite, ErrTooLarge. The values are not changed.
func MiddleOf(values []float64) (Normal, error) {
	if err := refuseAll("values", values, 1); err != nil {
		return Normal{}, err
	}
	v := slices.Clone(values)
	m := median(v)
	for i := range v {
		v[i] = max(v[i]-m, m-v[i])
	}
	return Normal{N: len(v), Middle: m, SD: madToSD * median(v)}, nil
}

// median sorts values.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return v[n/2-1] + (v[n/2]-v[n/2-1])/2
}

// MedianSlope is the median of the slopes of the pairs of points that lie in one run, and how many pairs there are. Points of one run are
// those whose run is the same number; a slope over the gap between two runs is never taken. The pairs may be fewer than one: then there is no slope.
//
// Source: Theil (1950) and Sen, J. Am. Stat. Assoc. 63 (1968) 1379; up to 29 % of the points may be wrong by any amount before the slope is
// (of least squares one is enough). At most 64 points. x must rise from point to point. Errors: ErrNotPaired, ErrTooFew, ErrTooMany,
// ErrNotFinite, ErrTooLarge, and ErrNoSpread where x does not rise.
func MedianSlope(x, y []float64, run []int) (slope float64, pairs int, err error) {
	if len(x) != len(y) || len(x) != len(run) {
		return 0, 0, fmt.Errorf("%d x, %d y and %d runs: %w", len(x), len(y), len(run), ErrNotPaired)
	}
	if len(x) > slopesMax {
		return 0, 0, fmt.Errorf("%d points: %w, %d at most", len(x), ErrTooMany, slopesMax)
	}
	if err := first(refuseAll("x", x, 1), refuseAll("y", y, 1)); err != nil {
		return 0, 0, err
	}
	for i := 1; i < len(x); i++ {
		if x[i]-x[i-1] <= smallest {
			return 0, 0, fmt.Errorf("x %v after %v: %w", x[i], x[i-1], ErrNoSpread)
		}
	}
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if run[i] == run[j] {
				slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
			}
		}
	}
	if len(slopes) == 0 {
		return 0, 0, nil
	}
	m := median(slopes)
	if err := refuse("slope", m); err != nil {
		return 0, 0, err
	}
	return m, len(slopes), nil
}
