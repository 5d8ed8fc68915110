package alarm

import (
	"testing"
	"time"
)

// minutes of the returns; the third within ten minutes of the first makes it unsteady, to the second.
func TestThreeReturnsInTenMinutesAreUnsteady(t *testing.T) {
	for _, c := range []struct {
		returns []time.Duration
		at      int // which return made it so; 0: none
	}{
		{[]time.Duration{1 * time.Minute, 5 * time.Minute, 11 * time.Minute}, 3},
		{[]time.Duration{1 * time.Minute, 5 * time.Minute, 11*time.Minute + 1}, 0},
		{[]time.Duration{1 * time.Minute, 9 * time.Minute, 17 * time.Minute, 18 * time.Minute}, 4},
		{[]time.Duration{1 * time.Minute, 2 * time.Minute, 12 * time.Minute, 13 * time.Minute, 23 * time.Minute}, 0},
	} {
		var w Swings
		at := 0
		for i, up := range c.returns {
			w = w.Rose(up - 1)
			var began bool
			if w, began = w.Returned(up); began {
				at = i + 1
			}
		}
		if at != c.at || w.Unsteady != (c.at > 0) {
			t.Errorf("%v: unsteady at return %d (%v), want %d", c.returns, at, w.Unsteady, c.at)
		}
	}
}

func TestAnUnsteadyAlarmCountsUntilItHasRestedForHalfAnHour(t *testing.T) {
	var w Swings
	up := time.Duration(0)
	for range 20 { // a return a minute: the third makes it unsteady, the others are counted
		up += time.Minute
		w, _ = w.Returned(up)
	}
	if !w.Unsteady || w.Count != 20 {
		t.Fatalf("after 20 returns: %+v", w)
	}
	if next, over := w.Rested(up + UnsteadyRest - 1); over || !next.Unsteady {
		t.Error("rested too early")
	}
	w = w.Rose(up + 29*time.Minute)
	if _, over := w.Rested(up + 31*time.Minute); over {
		t.Error("it came again two minutes ago and counts as resting")
	}
	next, over := w.Rested(up + 59*time.Minute)
	if !over || next.Unsteady || next.Count != 0 {
		t.Errorf("after the rest: %+v, over %v", next, over)
	}
	if _, over := next.Rested(up + 100*time.Minute); over {
		t.Error("the end is told twice")
	}
}
