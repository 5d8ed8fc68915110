package site

import "testing"

// row is a line of points, each from the two before it, of one measured, entered or derived first point.
func row(first Point, n int) *Site {
	s := &Site{Points: []Point{first, first}}
	for i := 2; i < n; i++ {
		s.Points = append(s.Points, Point{Sensor: None, Derive: Derive{By: CyclesFromConductivity, Inputs: []Input{{Point: i - 1}, {Point: i - 2}}}})
	}
	return s
}

// Fibonacci of 90 is 2.9e18: a walk that takes every way would not end.
func TestAPointMovesWithWhatIsMeasuredAndIsFoundAtOnce(t *testing.T) {
	entered := Point{Sensor: None, Entered: Entered{Configured: true}}
	for name, c := range map[string]struct {
		s    *Site
		of   int
		want int
	}{
		"measured itself":            {row(Point{}, 2), 1, 1},
		"entered itself":             {row(entered, 2), 0, 0},
		"through many from measured": {row(Point{}, 90), 89, 1},
		"through many from entered":  {row(entered, 90), 89, 1},
		"from nothing":               {row(Point{Sensor: None}, 90), 89, None},
		"no such point":              {row(Point{}, 2), 7, None},
		"none":                       {row(Point{}, 2), None, None},
		"measured before entered": {&Site{Points: []Point{entered, {}, {Sensor: None, Derive: Derive{By: CyclesFromChloride,
			Inputs: []Input{{Point: 0}, {Point: 1}}}}}}, 2, 1},
		"a circle": {&Site{Points: []Point{{Sensor: None, Derive: Derive{By: BlowdownOfSteam, Inputs: []Input{{Point: 0}}}}}}, 0, None},
	} {
		if got := c.s.MovesWith(c.of); got != c.want {
			t.Errorf("%s: %d, want %d", name, got, c.want)
		}
	}
}
