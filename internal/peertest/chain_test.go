package peertest

import (
	"fmt"
	"strings"
	"testing"
)

// TestHotSampleChain is a lost cooler as the daemon sees it from outside: it warns, it says that the sample is hot, it finds the valve closed
// by the panel's own controller, and believes the chemistry again by evidence alone. No command is ever sent.
func TestHotSampleChain(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	p := startPlant(t, program)
	h := startHook(t, 0)
	file, _ := site(t, p.port, h.url, fmt.Sprintf(plantSite, period, timeout, delay))
	d := startDaemon(t, binary, file)
	d.believed()

	// what oxygen went through, each reason once in a row; a value may be shown with a reason only when the reason allows it
	var went []string
	look := func() (reason string, shown bool) {
		t.Helper()
		m := d.metrics()
		reason, shown = m.reason("b2", "rack.oxygen"), len(m.values("b2", "rack.oxygen")) > 0
		if len(went) == 0 || went[len(went)-1] != reason {
			went = append(went, reason)
		}
		if shown != (reason == "believed") {
			t.Errorf("oxygen is shown: %t, with the reason %s", shown, reason)
		}
		if len(m.values("b2", "resistivity")) > 0 && !shown {
			t.Errorf("resistivity is shown while its water is not believed (%s)", reason)
		}
		return reason, shown
	}
	wait := func(want string) {
		t.Helper()
		until(t, "oxygen with the reason "+want, patience, func() (bool, string) {
			reason, _ := look()
			return reason == want, reason + " after " + strings.Join(went, ", ")
		})
	}
	wait("believed")

	p.temperature(42) // above the warning of 40 degC
	if m := h.told("sample.warm", 1); m.Type != "dev.rillwatch.sample.warm.v1" {
		t.Errorf("type of the message: %q", m.Type)
	}
	if reason, shown := look(); !shown {
		t.Errorf("a warm sample is still sample; oxygen: %s", reason)
	}
	if hot := h.of("sample.hot"); len(hot) > 0 {
		t.Errorf("hot at 42 degC: %+v", hot)
	}

	p.temperature(52) // above 120 degF, which is 48.9 degC
	h.told("sample.hot", 1)
	wait("hot_sample")

	// The panel's own controller closes the valve: the flow stops, the cell stands, and room air cools it.
	p.valveClosed(true)
	p.flow(0)
	h.told("valve.closed", 1)
	wait("valve_closed")
	p.temperature(24)
	d.roundsMore(10)
	if reason, _ := look(); reason != "valve_closed" {
		t.Errorf("after the dead cell has cooled: %s, want valve_closed: a cool cell proves nothing", reason)
	}
	if v, ok := d.shown(temperatureFamily, "rack.temperature"); ok {
		t.Errorf("the temperature of a dead cell is shown as the sample's: %v degC", v)
	}
	if over := h.of("sample.hot_over"); len(over) > 0 {
		t.Errorf("the hot sample was called over with the valve closed: %+v", over)
	}
	// The values are there all the same, in the API, with what they are worth.
	if row := d.readings()["rack.oxygen"]; row.Value == nil || row.Quality != "uncertain" || row.InMetrics {
		t.Errorf("the API on oxygen behind a closed valve: %+v", row)
	}

	// A person opens it at the panel. At 60 mL/min the three cells that a short stop owes take 30 s: cool is not yet fresh. Then it runs faster.
	p.valveClosed(false)
	p.flow(60)
	h.told("valve.opened", 1)
	wait("flushing")
	if over := h.of("sample.hot_over"); len(over) > 0 {
		t.Errorf("the hot sample was called over before fresh water was there: %+v", over)
	}
	p.flow(2400)
	wait("believed")
	h.told("sample.hot_over", 1)
	d.believed()

	if want := []string{"believed", "hot_sample", "valve_closed", "flushing", "believed"}; !inOrder(went, want) {
		t.Errorf("oxygen went %v, want %v in this order", went, want)
	}
	want := []string{"sample.warm", "sample.hot", "valve.closed", "valve.opened", "sample.hot_over"}
	if got := h.kinds(); !inOrder(got, want) {
		t.Errorf("told %v, want %v in this order", got, want)
	}
	for _, kind := range want {
		if n := len(h.of(kind)); n != 1 {
			t.Errorf("%s was told %d times", kind, n)
		}
	}
	t.Logf("figure: told %s; oxygen went %s", strings.Join(h.kinds(), ", "), strings.Join(went, ", "))
}
