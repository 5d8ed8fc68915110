package site

import (
	"slices"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// TestABoundDecidesWhereEveryTruthItAllowsSaysTheSame goes through the truths, in whole numbers: "above 20" may be 20, 21 and so on, and what
// they do not all say is not decided.
func TestABoundDecidesWhereEveryTruthItAllowsSaysTheSame(t *testing.T) {
	const deadband, far = 2, 60
	n := 0
	for _, side := range []Side{NoSide, High, Low} {
		for limit := range 30 {
			l := Limit{Side: side, Value: float64(limit), Deadband: deadband}
			for value := range 30 {
				for _, bound := range []reading.Bound{reading.Exact, reading.Above, reading.Below} {
					for _, why := range []reading.Reason{reading.Believed, reading.AboveCeiling, reading.Flushing, reading.Silent} {
						truths := []int{value}
						for step := 1; step < far && bound != reading.Exact; step++ {
							if bound == reading.Above {
								truths = append(truths, value+step)
							} else {
								truths = append(truths, value-step)
							}
						}
						allBeyond, noneBeyond, allClear := true, true, true
						for _, v := range truths {
							beyond, clear := v > limit, v <= limit-deadband
							if side == Low {
								beyond, clear = v < limit, v >= limit+deadband
							}
							allBeyond, noneBeyond, allClear = allBeyond && beyond, noneBeyond && !beyond, allClear && clear
						}
						decides := (allBeyond || noneBeyond) && side != NoSide && (why == reading.Believed || why == reading.AboveCeiling)
						b, c, d := l.Places(1, reading.Of(float64(value), bound, why, reading.Stamp{}))
						if d != decides || b != (decides && allBeyond) || d && c != allClear {
							t.Fatalf("%v %d: %v%d %v is beyond %v, clear %v, decides %v; every truth says %v, %v, %v", side, limit, bound, value, why, b, c, d, decides && allBeyond, allClear, decides)
						}
						n++
					}
				}
			}
		}
	}
	if n != 3*30*30*3*4 {
		t.Errorf("%d readings looked at", n)
	}
}

// TestABoundBeatsTheEqualNumberAsPeak: "above 500" lies further out than a measured 500, and of equals the earlier stays.
func TestABoundBeatsTheEqualNumberAsPeak(t *testing.T) {
	of := func(v float64, b reading.Bound) reading.Reading {
		return reading.Of(v, b, reading.AboveCeiling, reading.Stamp{})
	}
	high, low := Limit{Side: High, Value: 20}, Limit{Side: Low, Value: 20}
	for _, c := range []struct {
		l     Limit
		r     reading.Reading
		peak  float64
		bound reading.Bound
		want  bool
	}{
		{high, of(500, reading.Above), 500, reading.Exact, true},
		{high, of(500, reading.Above), 500, reading.Above, false},
		{high, of(500, reading.Exact), 500, reading.Exact, false},
		{high, of(500.04, reading.Exact), 500, reading.Exact, false}, // the same number on the display
		{high, of(501, reading.Exact), 500, reading.Above, true},
		{high, of(499, reading.Exact), 500, reading.Exact, false},
		{low, of(1, reading.Below), 1, reading.Exact, true},
		{low, of(1, reading.Above), 1, reading.Exact, false},
		{low, of(0, reading.Exact), 1, reading.Below, true},
		{low, of(2, reading.Exact), 1, reading.Exact, false},
	} {
		if got := c.l.Further(0.1, c.r, c.peak, c.bound); got != c.want {
			t.Errorf("%v: %v%v against a peak of %v%v: %v", c.l.Side, c.r.Bound, c.r.Value, c.bound, c.peak, got)
		}
	}
}

func TestAStepOfARateIsOneStepOfTheDisplayOverTheWholeWindow(t *testing.T) {
	l := Limit{Of: Rises, Window: 30 * time.Minute, Per: time.Hour}
	if got := l.Step(0.1); got != 0.2 { // 0.1 ppb in half an hour
		t.Errorf("%v", got)
	}
	l.Of = TheValue
	if got := l.Step(0.1); got != 0.1 {
		t.Errorf("%v", got)
	}
}

func TestALimitNamesItsStatesOrNone(t *testing.T) {
	var a Applies
	if a.Names() != nil || a.In(OnLineState) {
		t.Errorf("%v", a.Names())
	}
	a = a.With(OffLineState).With(OnLineState)
	if got := a.Names(); !slices.Equal(got, []string{"on-line", "off-line"}) || a.In(StartUpState) {
		t.Errorf("%v", got)
	}
}
