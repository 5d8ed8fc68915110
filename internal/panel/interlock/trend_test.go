package interlock

import (
	"encoding/json"
	"strings"
	"testing"
)

// What a new process measures anew is not written: a steady panel must not change its row on disk with every poll.
func TestASteadyTemperatureLeavesNothingOfItsTrendOnDisk(t *testing.T) {
	s := State{Trend: trend{rate: 1.5, known: true, steep: true, marks: [marksMax]mark{{set: true}}}}
	row, err := json.Marshal(s)
	if err != nil || string(row) != "{}" {
		t.Errorf("%s, %v", row, err)
	}
	s.Trend.Rising = true
	if row, err = json.Marshal(s); err != nil || !strings.Contains(string(row), `"rising":true`) {
		t.Errorf("%s, %v", row, err)
	}
}
