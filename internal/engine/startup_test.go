package engine_test

import (
	"strings"
	"testing"
	"time"
)

// What keeps a limit from opening after the boiler went on line is seen by whoever looks, and runs out.
func TestTheStartUpAllowanceIsInTheView(t *testing.T) {
	text := strings.Replace(twoPanels, `title = "Boiler 2 feedwater"`, "title = \"Boiler 2 feedwater\"\nstart_up = \"10m\"\non_line = \"rack.feed_on\"", 1)
	text = strings.Replace(text, `valve_closed = { discrete = 10001 }`, "valve_closed = { discrete = 10001 }\nfeed_on = { discrete = 10002 }", 1)
	st := run(t, parse(t, text), `start 2026-11-25T02:00:00Z
60s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0 rack.feed_on=0
60s: b2.rack.feed_on=1`)
	for _, c := range []struct {
		story string
		left  time.Duration
	}{{"", 9*time.Minute + time.Second}, {"541s: b2.rack.feed_on=1", 0}} {
		if c.story != "" {
			say(t, st, c.story)
		}
		if got := st.e.View().Panels[1].StartUp; got != c.left {
			t.Errorf("%q: %v left, want %v", c.story, got, c.left)
		}
		if got := st.e.View().Panels[0].StartUp; got != 0 {
			t.Errorf("%v left at a panel without an allowance", got)
		}
	}
}
