package excursion

import (
	"math"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// The share that was seen is (beyond + within) / (beyond + within + unknown), off-line time in no part of it; the longest gap is the longest run
// of unknown time, which ends with time that was beyond, within or off line. Each with its arithmetic.
func TestHowMuchWasSeenAndTheLongestGap(t *testing.T) {
	for _, c := range []struct {
		name  string
		steps []step
		valid float64
		known bool
		gap   time.Duration
	}{
		// 1 beyond, 2 silent (1 slot), 3 to 6 beyond, 6 to 10 nothing (4 slots), 10 beyond, 11 to 31 off line, 31 beyond: 6 slots beyond, 5 unknown.
		// Seen 6/(6 + 5). The gaps are 1 and 4 slots.
		{"each apart", []step{{slot: 1, r: is(8)}, {slot: 2, r: silent}, {slot: 3, r: is(8)}, {slot: 6, r: is(8)}, {slot: 10, r: is(10)},
			{slot: 11, r: is(2), off: true}, {slot: 21, r: silent, off: true}, {slot: 31, r: is(8)}, {slot: 32, r: is(6)}, {slot: 34, r: is(6)}}, 6. / 11, true, 4 * slot},
		// Silent, then five slots without a reading, then silent again: one run of 1 + 5 + 1 slots. 3 beyond, 7 unknown.
		{"one run of three kinds", []step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {slot: 4, r: silent}, {slot: 5, r: because(reading.NoFlow, 3)}, {slot: 10, r: silent},
			{slot: 11, r: is(6)}, {slot: 13, r: is(6)}}, 3. / 10, true, 7 * slot},
		// Two unknown slots, two off line, three unknown: off line ends the run. 3 beyond, 5 unknown, 2 in no share.
		{"off line ends a run", []step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {slot: 4, r: silent}, {slot: 6, r: silent, off: true}, {slot: 8, r: silent},
			{slot: 11, r: is(6)}, {slot: 13, r: is(6)}}, 3. / 8, true, 3 * slot},
		// A start of ten slots joins the silence before it: 1 + 10. 3 beyond, 11 unknown.
		{"a restart of known length", []step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {slot: 4, r: silent}, {slot: 5, r: silent}, {boot: true, away: 10 * slot, slot: 15, r: is(6)},
			{slot: 17, r: is(6)}}, 3. / 14, true, 11 * slot},
		// Nobody knows the length of the time away: no share.
		{"a restart of unknown length", []step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {boot: true, slot: 14, r: is(6)}, {slot: 16, r: is(6)}}, 0, false, 0},
		// What comes after the end is no part of it: silent within the closing.
		{"after the end", []step{{slot: 1, r: is(8)}, {slot: 3, r: is(8)}, {slot: 4, r: is(6)}, {slot: 5, r: silent}, {slot: 8, r: is(6)}, {slot: 9, r: is(6)}}, 1, true, 0},
	} {
		_, got := play(&oxygen, 1, c.steps)
		if len(got) != 1 {
			t.Fatalf("%s: %d records", c.name, len(got))
		}
		r := got[0]
		if math.Abs(r.Valid-c.valid) > 1e-12 || r.ValidKnown != c.known || r.LongestGap != c.gap {
			t.Errorf("%s: seen %v (%v), longest gap %v; want %v (%v), %v", c.name, r.Valid, r.ValidKnown, r.LongestGap, c.valid, c.known, c.gap)
		}
	}
}
