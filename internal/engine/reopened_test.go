package engine_test

import (
	"strings"
	"testing"
)

// A line is said to have been stopped or opened only where that was seen: a daemon that starts, or is away for an hour, has seen nothing.
func TestOnlyAStopThatWasSeenIsGivenAsAReasonForOxygenAtTheCeiling(t *testing.T) {
	const words = "the line was stopped or opened within the last four hours"
	for name, c := range map[string]struct {
		lines []string
		want  bool
	}{
		"a first start":            {[]string{strings.Replace(calm, "=12 ", "=520 ", 1), "900s:"}, false},
		"a start of ten seconds":   {[]string{calm, "restart 10s", "1200s: rack.oxygen=520"}, false},
		"a start of two hours":     {[]string{calm, "restart 7200s", "3600s: rack.oxygen=520"}, false},
		"a stop of ten minutes":    {[]string{calm, "600s: rack.flow=0", "1800s: rack.oxygen=520 rack.flow=200"}, true},
		"a stop before the start":  {[]string{strings.Replace(calm, "=12 rack.flow=200", "=520 rack.flow=0", 1), "1200s: rack.flow=200"}, true},
		"a stop of six hours past": {[]string{calm, "600s: rack.flow=0", "21600s: rack.flow=200", "600s: rack.oxygen=520"}, false},
	} {
		st := began(t, deaerated, c.lines...)
		if r := st.reading("b2.rack.oxygen"); !r.HasValue() {
			t.Fatalf("%s: %+v", name, r)
		}
		if got := strings.Contains(strings.Join(st.e.View().Advice(st.point("b2.rack.oxygen")), "\n"), words); got != c.want {
			t.Errorf("%s: said %v, want %v", name, got, c.want)
		}
	}
}
