package httpapi

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/engine"
)

// TestTheStatusSaysWhoSilencedWhat: a panel that is silent because a person said so must say who, and for how long.
func TestTheStatusSaysWhoSilencedWhat(t *testing.T) {
	p := newPlant(t)
	p.view.Panels[0].Words = []engine.WordView{
		{Command: "check_in_hand", Sensor: "b2.rack", What: "zero check", Who: "Kim", Why: "monthly", Over: true},
		{Command: "set_on_line", Who: "Lee", Why: "weekend", Left: 90 * time.Minute},
	}
	off := false
	want := []saidBody{{Command: "check_in_hand", Sensor: "rack", What: "zero check", Who: "Kim", Why: "monthly", LeftS: "0.000", Over: true},
		{Command: "set_on_line", OnLine: &off, Who: "Lee", Why: "weekend", LeftS: "5400.000"}}
	if d := cmp.Diff(want, saidOf(p.site, p.view.Panels[0])); d != "" {
		t.Error(d)
	}
	if none := saidOf(p.site, p.view.Panels[1]); none == nil || len(none) != 0 {
		t.Errorf("of nothing said: %v, want an empty list and not null", none)
	}
}
