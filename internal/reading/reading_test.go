package reading

import (
	"os"
	"strings"
	"testing"
	"time"
)

// The table as agreed, written out a second time: quality, NE 107 letter, counts for limits, shown in metrics. NE 107 letters from memory of
// NAMUR NE 107 (F failure, C function check, S out of specification, M maintenance required).
const agreed = `
unknown          bad       F  -      -
silent           bad       F  -      -
refused          bad       F  -      -
not_a_number     bad       F  -      -
no_value         bad       F  -      -
fault_range      bad       F  -      -
below_water      bad       F  -      -
sensor_fault     bad       F  -      -
sensor_hold      bad       C  -      -
not_updating     bad       F  -      -
stale            bad       F  -      -
check_in_hand    uncertain C  -      -
valve_closed     uncertain S  -      -
not_confirmed    uncertain S  -      -
hot_sample       uncertain S  -      -
no_flow          uncertain S  -      -
flow_outside     uncertain S  -      -
flushing         uncertain S  -      -
settling         uncertain C  -      -
frozen           uncertain S  counts shown
jumped           uncertain S  counts shown
cross_check      uncertain S  counts shown
above_ceiling    uncertain S  counts shown
flow_unproven    uncertain S  counts shown
time_uncertain   uncertain M  counts shown
below_detection  good      ok counts shown
believed         good      ok counts shown
`

func TestTheReasonTableIsAsAgreedAndWorstFirst(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(agreed), "\n")
	if len(lines) != ReasonCount {
		t.Fatalf("%d reasons, %d agreed", ReasonCount, len(lines))
	}
	yes := func(b bool, word string) string {
		if b {
			return word
		}
		return "-"
	}
	seen := map[string]bool{}
	for i, l := range lines {
		r := Reason(i)
		row := r.Row()
		got := strings.Join([]string{row.Name, row.Quality.String(), row.Category.String(), yes(row.Counts, "counts"), yes(row.Shown, "shown")}, " ")
		if want := strings.Join(strings.Fields(l), " "); got != want {
			t.Errorf("row %d: %q, agreed %q", i, got, want)
		}
		if row.Words == "" || seen[row.Words] {
			t.Errorf("%s has no words of its own: %q", row.Name, row.Words)
		}
		seen[row.Words] = true
		if back, ok := ParseReason(row.Name); !ok || back != r {
			t.Errorf("%s does not read back", row.Name)
		}
		if row.Quality == Bad && (row.Counts || row.Shown) {
			t.Errorf("%s is bad and yet counts or shows", row.Name)
		}
		if i > 0 && row.Quality < Reason(i-1).Row().Quality {
			t.Errorf("%s is less believed than the one before it: the table must be worst first", row.Name)
		}
	}
}

// TestTheReadmeShowsTheSameTable: the people who read it have only that.
func TestTheReadmeShowsTheSameTable(t *testing.T) {
	raw, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	yes := func(b bool) string {
		if b {
			return "yes"
		}
		return "no"
	}
	cells := map[string][]string{}
	for _, l := range strings.Split(string(raw), "\n") {
		f := strings.Split(l, "|")
		if len(f) < 8 {
			continue
		}
		for i := range f {
			f[i] = strings.Trim(strings.TrimSpace(f[i]), "`")
		}
		cells[f[1]] = f[2:8]
	}
	for i := range ReasonCount {
		row := Reason(i).Row()
		got := cells[row.Name]
		if got == nil {
			t.Errorf("the README's table has no row for %s", row.Name)
			continue
		}
		want := []string{row.Quality.String(), row.Category.String(), yes(row.Counts), yes(row.Shown), row.Words}
		for k := range want {
			if got[k] != want[k] {
				t.Errorf("%s: the README says %q, the table %q", row.Name, got[k], want[k])
			}
		}
	}
}

func TestTheZeroReadingIsBadAndUnknown(t *testing.T) {
	var r Reading
	if r.Quality() != Bad || r.Reason != Unknown || r.HasValue() || r.Counts() || r.Shown() {
		t.Errorf("the zero reading is %+v", r)
	}
	var read Read
	if read.Fault != NotAsked || read.Fault.Reason() != Unknown {
		t.Errorf("the zero read has fault %s", read.Fault)
	}
	if Reason(200).Quality() != Bad || Fault(200).Reason() != Unknown {
		t.Error("a number that is no reason or fault must be the unknown one")
	}
}

func TestABadReadingHasNoValueAnywhere(t *testing.T) {
	at := Stamp{Wall: 1, Up: time.Second}
	for i := range ReasonCount {
		why := Reason(i)
		for _, r := range []Reading{Of(31.4, Above, why, at), Of(31.4, Above, Believed, at).Demote(why)} {
			if r.Reason != why {
				t.Errorf("%s became %s", why, r.Reason)
			}
			if r.Quality() == Bad && (r.Value != 0 || r.Bound != Exact) {
				t.Errorf("%s: a bad reading with value %v", why, r.Value)
			}
			if r.Quality() != Bad && (r.Value != 31.4 || r.Bound != Above) {
				t.Errorf("%s lost its value", why)
			}
		}
	}
}

func TestDemotingNeverImproves(t *testing.T) {
	for i := range ReasonCount {
		for k := range ReasonCount {
			if got := Of(1, Exact, Reason(i), Stamp{}).Demote(Reason(k)).Reason; got != Reason(min(i, k)) {
				t.Errorf("%s demoted by %s is %s", Reason(i), Reason(k), got)
			}
		}
	}
}

func TestEveryFaultHasANameWordsAndAReasonThatIsNotBelief(t *testing.T) {
	names := map[string]bool{}
	for i := range FaultCount {
		f := Fault(i)
		if f.String() == "" || f.Words() == "" || names[f.String()] {
			t.Errorf("fault %d: name %q, words %q", i, f, f.Words())
		}
		names[f.String()] = true
		if (f.Reason() == Believed) != (f == Answered) {
			t.Errorf("%s gives reason %s", f, f.Reason())
		}
		if f != Answered && f.Reason().Quality() != Bad {
			t.Errorf("%s gives a reading that is %s", f, f.Reason().Quality())
		}
		if back, ok := ParseFault(f.String()); !ok || back != f {
			t.Errorf("%s does not read back", f)
		}
	}
}
