package peertest

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// TestSilentStationLeavesTheMetrics: a station goes silent, and nothing anywhere keeps its last value.
func TestSilentStationLeavesTheMetrics(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	p := startPlant(t, program)
	h := startHook(t, 0)
	file, _ := site(t, p.port, h.url, fmt.Sprintf(plantSite, period, timeout, delay))
	d := startDaemon(t, binary, file)
	d.believed()

	// kept lists what still gives a value to one of these points.
	kept := func(points []string) (values []string, rounds float64) {
		t.Helper()
		m, rows := d.metrics(), d.readings() // the API is asked later, so it knows no less
		rounds, ok := m.one("rillwatch_judged_rounds_total", nil)
		if !ok {
			t.Fatal("/metrics does not count judged rounds")
		}
		for _, point := range points {
			for _, v := range m.values("b2", point) {
				values = append(values, fmt.Sprintf("/metrics: %s of %s = %v", v.family, point, v.value))
			}
			if row := rows[point]; row.Value != nil || row.InMetrics {
				values = append(values, fmt.Sprintf("API: %s: %+v", point, row))
			}
		}
		return values, rounds
	}
	// leaves makes a station silent and waits until nothing gives a value to its points. Whatever the machine does meanwhile: one round may
	// have been under way when it fell silent, and the next one must have found it so.
	leaves := func(station int, points []string) time.Duration {
		t.Helper()
		p.do("silent %d on", station)
		_, before := kept(points)
		left := until(t, fmt.Sprintf("no value of silent station %d", station), patience, func() (bool, string) {
			values, rounds := kept(points)
			if len(values) > 0 && rounds >= before+2 {
				t.Fatalf("%g rounds were judged since station %d fell silent, and its last values stand:\n%s", rounds-before, station, strings.Join(values, "\n"))
			}
			return len(values) == 0, strings.Join(values, "\n")
		})
		if left > 5*time.Second {
			t.Errorf("the last values of station %d stood for %s", station, left)
		}
		return left
	}
	// The goal is timeout + period. It is printed, not asserted: a machine may stall. What must not be is one of the daemon's slower clocks,
	// such as staleness of three periods on top. Each silence begins at another place within the period; a station of one request and one
	// of three are told apart, because the second request after a silent first one is asked as well.
	var one, three []string
	for range 3 {
		one = append(one, fmt.Sprint(leaves(2, []string{"other.level"}).Milliseconds()))
		p.do("silent 2 off")
		d.believed()
		three = append(three, fmt.Sprint(leaves(1, rackPoints).Milliseconds()))
		p.do("silent 1 off")
		d.believed()
	}
	t.Logf("figure: from silence to the first look without a value: %s ms (station with one request a round), %s ms (three requests); timeout + period are %d ms, a look every %d ms",
		strings.Join(one, " "), strings.Join(three, " "), (timeout + period).Milliseconds(), pollEvery.Milliseconds())

	leaves(1, rackPoints)
	h.told("station.silent", 1)
	// It stays that way, and only this station: 15 rounds more, in which it is asked ever more rarely.
	for range 3 {
		d.roundsMore(5)
		if values, _ := kept(rackPoints); len(values) > 0 {
			t.Errorf("a value of the silent station is back:\n%s", strings.Join(values, "\n"))
		}
		m, rows := d.metrics(), d.readings()
		for _, point := range rackPoints {
			want := "silent"
			if got := m.reason("b2", point); got != want || rows[point].Reason != want || rows[point].Quality != "bad" {
				t.Errorf("%s: /metrics says %q, the API %s and %s; want %s", point, got, rows[point].Quality, rows[point].Reason, want)
			}
		}
		if v, ok := m.one("rillwatch_number", map[string]string{"panel": "b2", "point": "other.level"}); !ok || v != 77 {
			t.Errorf("the other station on the bus: %v, %t; want 77", v, ok)
		}
	}

	p.oxygen("6.5") // it comes back with another value, so that an old one would be seen
	p.do("silent 1 off")
	back := until(t, "the new value", patience, func() (bool, string) {
		v, ok := d.shown(oxygenFamily, "rack.oxygen")
		if ok && v != 6.5 {
			t.Fatalf("the station is back with %v; it was given 6.5 before it answered again", v)
		}
		return ok, fmt.Sprintf("reason %q", d.metrics().reason("b2", "rack.oxygen"))
	})
	h.told("station.back", 1)
	d.believed()
	t.Logf("figure: %d ms from the station's return to its first shown oxygen (the line is flushed anew)", back.Milliseconds())
}
