package excursion

import (
	"testing"
	"time"
)

// TestATimeAwayOfNothingIsNotKnown: time across a restart is known only where both clocks were certain and it is positive. What make mutate found
// that no story could tell.
func TestATimeAwayOfNothingIsNotKnown(t *testing.T) {
	for _, c := range []struct {
		away  time.Duration
		known bool
	}{{0, false}, {-time.Second, false}, {1, true}, {time.Hour, true}} {
		s, _ := Step(&oxygen, 1, State{}, Input{Do: Begin, Reading: is(9), WallCertain: true, Steps: 1, Period: slot, OnLine: true})
		s, _ = Step(&oxygen, 1, s, Input{Do: Confirm, Reading: is(9), WallCertain: true, Steps: 1, Period: slot, OnLine: true})
		s, _ = Step(&oxygen, 1, s, Input{Reading: is(9), WallCertain: true, Restart: true, Away: c.away, AwayKnown: true, Period: slot, OnLine: true})
		if r := s.Record(); r.LengthUnknown == c.known || c.known && r.Unknown != c.away {
			t.Errorf("away %v: length unknown %t, unknown time %v", c.away, r.LengthUnknown, r.Unknown)
		}
	}
	if d := span(3, 0); d != 0 {
		t.Errorf("three slots of no length are %v", d)
	}
}
