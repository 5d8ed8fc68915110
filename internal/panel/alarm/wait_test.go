package alarm

import (
	"testing"

	"rillwatch/internal/site"
)

// TestWhileTheBoilerStartsTheDelayRunsAndNothingOpens: the start-up counts, so what is beyond at its end opens with the first reading after it, and
// what is not beyond any more never does. What is open closes as ever.
func TestWhileTheBoilerStartsTheDelayRunsAndNothingOpens(t *testing.T) {
	for _, delay := range []int{0, 3} {
		l := &site.Limit{Side: site.High, Value: 20, Deadband: 2, OnDelay: slot * 3, OffDelay: 0}
		if delay == 0 {
			l.OnDelay = 0
		}
		in := func(v float64, wait bool) Judged {
			return Judged{Reading: is(v), Steps: 1, Period: slot, OnLine: true, Wait: wait}
		}
		j, edge := StepLimit(l, 1, Judge{}, in(25, true))
		if edge != Began || j.Stage != Pending {
			t.Fatalf("on-delay of %d slots: %v, %v", delay, edge, j.Stage)
		}
		for range 20 {
			if j, edge = StepLimit(l, 1, j, in(25, true)); edge != NoEdge || j.Stage != Pending {
				t.Fatalf("while waiting: %v, %v", edge, j.Stage)
			}
		}
		gone, edge := StepLimit(l, 1, j, in(19, true))
		if edge != Dropped || gone != (Judge{}) {
			t.Errorf("within while waiting: %v, %+v", edge, gone)
		}
		if j, edge = StepLimit(l, 1, j, in(25, false)); edge != Opened || j.Stage != Open {
			t.Errorf("at the end: %v, %v", edge, j.Stage)
		}
		if j, edge = StepLimit(l, 1, j, in(25, true)); j.Stage != Open || edge != NoEdge {
			t.Errorf("on line again: %v, %v", edge, j.Stage)
		}
		if _, edge = StepLimit(l, 1, j, in(10, true)); edge != Closed && edge != Clearing {
			t.Errorf("the wait keeps open: %v", edge)
		}
	}
}
