package peertest

import (
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestRestartInMidExcursion stops the daemon in an open excursion, once in order and once as a crash does, and starts it again. What it
// knew is compared field by field before the first input, and the excursion goes on under its id, without a second call.
//
// Before the first input means: a second process takes the state up, puts its start on disk and is stopped before any round of polls or
// any tick has reached judgement. The peer does not answer meanwhile, and a round needs its timeout to find that out.
func TestRestartInMidExcursion(t *testing.T) {
	for _, how := range []string{"SIGTERM", "kill -9"} {
		t.Run(how, func(t *testing.T) { restart(t, how) })
	}
}

func restart(t *testing.T, how string) {
	binary, program := tools(t)
	t.Parallel()
	p := startPlant(t, program)
	h := startHook(t, 0)
	// One second between polls and 0.7 s for an answer: a process that is stopped at once has judged nothing.
	file, book := site(t, p.port, h.url, fmt.Sprintf(plantSite, time.Second, 700*time.Millisecond, delay))
	first := startDaemon(t, binary, file)
	first.believed()
	p.oxygen("31.5")
	raised := h.told("alarm.raised", 1)
	open := first.excursions()
	if len(open) != 1 || open[0].ID == "" || open[0].ID != raised.Data.Excursion.ID {
		t.Fatalf("open excursions %+v, the message tells of %q", open, raised.Data.Excursion.ID)
	}
	first.roundsMore(2)
	if how == "SIGTERM" {
		first.terminate()
	} else {
		first.kill()
	}
	checked(t, binary, book)
	before := state(t, binary, book)
	if len(before) < 20 {
		t.Fatalf("only %d fields of judge state in mid-excursion: %v", len(before), before)
	}
	if !hasValue(before, open[0].ID) {
		t.Errorf("the judge state on disk does not name the excursion %s", open[0].ID)
	}

	p.do("silent 1 on")
	p.do("silent 2 on")
	after := tookUp(t, binary, file, book)
	// No exception is made for what time alone may change: judge state holds durations, which only an input moves, and no instants but
	// those of past events.
	fields := slices.Sorted(maps.Keys(before))
	for _, f := range fields {
		if got, ok := after[f]; !ok || !reflect.DeepEqual(got, before[f]) {
			t.Errorf("%s: was %v, is %v after the start", f, before[f], got)
		}
	}
	for _, f := range slices.Sorted(maps.Keys(after)) {
		if _, ok := before[f]; !ok {
			t.Errorf("%s: %v, and was not there before", f, after[f])
		}
	}
	t.Logf("figure: %s: %d fields of judge state compared before the first input", how, len(fields))

	p.do("silent 1 off")
	p.do("silent 2 off")
	again := startDaemon(t, binary, file)
	again.roundsMore(5)
	now := again.excursions()
	if len(now) != 1 || now[0].ID != open[0].ID || now[0].Start != open[0].Start {
		t.Errorf("open after the restart: %+v, before: %+v; want the same one", now, open)
	}
	if n := len(h.of("alarm.raised")); n != 1 {
		t.Errorf("the excursion was raised %d times: %v", n, h.kinds())
	}
	if len(now) == 1 {
		books(t, now[0])
	}

	p.oxygen("5.5")
	returned := h.told("alarm.returned", 1)
	if got := returned.Data.Excursion.ID; got != open[0].ID {
		t.Errorf("what returned is the excursion %q, raised was %q", got, open[0].ID)
	}
	again.roundsMore(2)
	again.terminate()
	checked(t, binary, book)
	if n := len(h.of("alarm.raised")); n != 1 {
		t.Errorf("the excursion was raised %d times: %v", n, h.kinds())
	}
}

// books prints how much of an excursion's length is accounted for.
func books(t *testing.T, x excursion) {
	t.Helper()
	start, err := time.Parse(time.RFC3339, x.Start)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for _, n := range []json.Number{x.Beyond, x.Within, x.Unknown} {
		f, err := n.Float64()
		if err != nil {
			t.Fatal(err)
		}
		sum += f
	}
	t.Logf("figure: the excursion is %.1f s old, its books hold beyond %s s, within %s s, unknown %s s, together %.1f s; length not known: %t",
		time.Since(start).Seconds(), x.Beyond, x.Within, x.Unknown, sum, x.NoLen)
}

// checked has the shipped binary look at every page and row of the logbook.
func checked(t *testing.T, binary, book string) {
	t.Helper()
	if out, talk, code := command(t, binary, "logbook", "check", book); code != 0 {
		t.Errorf("logbook check: exit %d\n%s%s", code, out, talk)
	}
}

// state has the shipped binary dump the judge state, and flattens it: path to value, one entry for every field, list element and empty list.
func state(t *testing.T, binary, book string) map[string]any {
	t.Helper()
	out, talk, code := command(t, binary, "logbook", "state", book)
	if code != 0 {
		t.Fatalf("logbook state: exit %d\n%s", code, talk)
	}
	dec := json.NewDecoder(strings.NewReader(out))
	dec.UseNumber() // a duration in nanoseconds need not fit a float
	var v any
	if err := dec.Decode(&v); err != nil {
		t.Fatalf("logbook state: %v: %.300s", err, out)
	}
	flat := map[string]any{}
	flatten(flat, "", v)
	return flat
}

func flatten(to map[string]any, path string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for k, e := range v {
			flatten(to, path+"/"+k, e)
		}
		if len(v) == 0 {
			to[path] = "{}"
		}
	case []any:
		for i, e := range v {
			flatten(to, fmt.Sprintf("%s/%d", path, i), e)
		}
		if len(v) == 0 {
			to[path] = "[]"
		}
	default:
		to[path] = v
	}
}

func hasValue(flat map[string]any, want string) bool {
	for _, v := range flat {
		if v == want {
			return true
		}
	}
	return false
}

var stoppedLine = regexp.MustCompile(`msg=stopped .*\boutcomes=(\d+)`)

// untouched is how many steps a process takes that has had no input of the world: the boot, the commit that puts it on disk, the stop, and
// the commit of that.
const untouched = "4"

// tookUp starts a process that takes the state up, stops it at once, and gives the state as it left it. On a machine so slow that a tick or a
// round got in between it is started again: then the state may have moved for good reasons. That the last try moved nothing is judged by
// the process itself, which says how many steps it took.
func tookUp(t *testing.T, binary, file, book string) map[string]any {
	t.Helper()
	const tries = 5
	for range tries {
		d := startDaemon(t, binary, file)
		d.terminate()
		m := stoppedLine.FindStringSubmatch(d.said.String())
		if m == nil {
			t.Fatalf("the daemon did not say how many steps it took:\n%s", lastLines(d.said.String(), 20))
		}
		if m[1] == untouched {
			checked(t, binary, book)
			return state(t, binary, book)
		}
		t.Logf("the process took %s steps, not %s, before it was stopped", m[1], untouched)
	}
	t.Fatalf("in %d starts no process was stopped before its first input", tries)
	return nil
}
