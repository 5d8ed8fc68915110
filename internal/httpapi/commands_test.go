package httpapi

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

func asking(verb, body string) *http.Request {
	r := command(body)
	r.URL.Path = "/api/v1/commands/" + verb
	return r
}

// wholeCommands has every verb with all its fields, and what must reach the engine.
var wholeCommands = []struct {
	verb, fields string
	do           engine.Do
}{
	{"acknowledge", `"alarm":"b2.oxygen-high"`, engine.Acknowledge{Alarm: "b2.oxygen-high"}},
	{"shelve", `"alarm":"b2.oxygen-high","for":"90m"`, engine.Shelve{Alarm: "b2.oxygen-high", For: 90 * time.Minute}},
	{"shelve", `"alarm":"b2.oxygen-high"`, engine.Shelve{Alarm: "b2.oxygen-high", For: time.Hour}},
	{"unshelve", `"alarm":"b2.oxygen-high"`, engine.Unshelve{Alarm: "b2.oxygen-high"}},
	{"out_of_service", `"alarm":"b2.oxygen-high","out":true`, engine.OutOfService{Alarm: "b2.oxygen-high", Out: true}},
	{"out_of_service", `"alarm":"b2.oxygen-high","out":false`, engine.OutOfService{Alarm: "b2.oxygen-high"}},
	{"check_in_hand", `"sensor":"b2.rack","what":"zero check","for":"2h"`, engine.CheckInHand{Sensor: "b2.rack", What: "zero check", For: 2 * time.Hour}},
	{"check_in_hand", `"sensor":"b2.rack","back":true`, engine.CheckInHand{Sensor: "b2.rack", Back: true}},
	{"set_on_line", `"panel":"b2","on_line":false,"for":"8h"`, engine.SetOnLine{Panel: "b2", For: 8 * time.Hour}},
	{"enter_value", `"point":"b2.rack.oxygen","value":7.5,"unit":"ppb","basis":"","taken":"2026-11-25T10:00:00Z"`, nil},
	{"enter_value", `"point":"b2.rack.sulfite","value":-7.5,"unit":"ppm","basis":"SO3","taken":"2026-11-25T10:00:00Z"`,
		engine.EnterValue{Point: "b2.rack.sulfite", Value: -7.5, Unit: "ppm", Basis: "SO3", Taken: reading.WallOf(time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC))}},
	{"learn_baseline", `"limit":"b2.conductivity-rise"`, engine.LearnBaseline{Limit: "b2.conductivity-rise"}},
	{"override", `"panel":"b2","for":"30m"`, engine.Override{Panel: "b2", For: 30 * time.Minute}},
	{"rearm", `"panel":"b2"`, engine.Rearm{Panel: "b2"}},
	{"override", `"panel":"b2"`, engine.Override{Panel: "b2"}},
	{"valve_by_hand", `"panel":"b2"`, engine.ValveByHand{Panel: "b2"}},
	{"prove", `"point":"b2.rack.oxygen","shown":18.4,"step":0.1,"tolerance":0.3`, engine.Prove{Point: "b2.rack.oxygen", Shown: 18.4, Step: 0.1, Tolerance: 0.3}},
	{"drill", `"recipient":"on-call"`, engine.Drill{Recipient: "on-call"}},
}

func TestEveryCommandReachesTheEngineWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range wholeCommands {
		seen[c.verb] = true
		h, got := asked(t, engine.Reply{Words: "done"}, nil)
		status, header, body := ask(t, h, asking(c.verb, `{"who":" J. Marsh ","why":"on my way","id":"c-7",`+c.fields+`}`))
		if c.do == nil {
			wantProblem(t, c.verb, status, header, body, 422, "bad_field")
			continue
		}
		if want := `{"id":"c-7","command":"` + c.verb + `","result":"obeyed","words":"done"}` + "\n"; status != 200 || body != want {
			t.Errorf("%s: %d %s", c.verb, status, body)
		}
		if d := cmp.Diff([]engine.Command{{ID: "c-7", Who: "J. Marsh", Why: "on my way", From: "api", At: moment(100.25), Do: c.do}}, *got); d != "" {
			t.Errorf("%s: %s", c.verb, d)
		}
	}
	for _, v := range verbs {
		if !seen[v.name] {
			t.Errorf("no whole command of the verb %s", v.name)
		}
	}
}

// TestACommandThatIsNotWholeIsRefusedBeforeItsIDIsUsed takes each field away, and gives each a value of another kind.
func TestACommandThatIsNotWholeIsRefusedBeforeItsIDIsUsed(t *testing.T) {
	h, got := asked(t, engine.Reply{}, nil)
	try := func(what, verb, body string, status int, problem string) {
		t.Helper()
		s, header, text := ask(t, h, asking(verb, body))
		wantProblem(t, what, s, header, text, status, problem)
		if len(*got) != 0 {
			t.Fatalf("%s reached the engine: %+v", what, *got)
		}
	}
	for _, c := range wholeCommands {
		fields := strings.Split(c.fields, ",")
		for i, f := range fields {
			name, _, _ := strings.Cut(f, ":")
			if name == `"basis"` || name == `"back"` || name == `"taken"` || name == `"for"` && (c.verb == "override" || c.verb == "shelve") || name == `"recipient"` {
				continue
			}
			rest := append(append([]string{`"who":"x"`}, fields[:i]...), fields[i+1:]...)
			try(c.verb+" without "+name, c.verb, "{"+strings.Join(rest, ",")+"}", 422, "bad_field")
			for _, wrong := range []string{`null`, `[]`, `{}`, `""`, `"\n"`, `"` + strings.Repeat("x", 600) + `"`} {
				try(c.verb+" with another "+name, c.verb, "{"+strings.Join(append(rest, name+":"+wrong), ",")+"}", 422, "bad_field")
			}
		}
	}
	for _, bad := range []string{`"0s"`, `"-1h"`, `"8"`, `8`, `"a while"`} {
		try("for "+bad, "set_on_line", `{"who":"x","panel":"b2","on_line":false,"for":`+bad+`}`, 422, "bad_field")
	}
	for _, bad := range []string{`"25.11.2026"`, `"0001-01-01T00:00:00Z"`, `"9999-01-01T00:00:00Z"`, `1764064800`} {
		try("taken "+bad, "enter_value", `{"who":"x","point":"b2.rack.oxygen","value":7,"unit":"ppb","taken":`+bad+`}`, 422, "bad_field")
	}
	try("a value that does not fit", "enter_value", `{"who":"x","point":"p","value":1e999,"unit":"ppb","taken":"2026-11-25T10:00:00Z"}`, 422, "bad_field")
	try("a field of another command", "rearm", `{"who":"x","panel":"b2","for":"8h"}`, 422, "unknown_field")
	try("a field in another case", "rearm", `{"Who":"x","panel":"b2"}`, 422, "unknown_field")
	try("nobody", "rearm", `{"panel":"b2"}`, 422, "who_is_missing")
	try("who is a number", "rearm", `{"who":7,"panel":"b2"}`, 422, "bad_field")
	try("null", "rearm", `null`, 422, "who_is_missing")
	try("a list", "rearm", `[]`, 400, "body_malformed")
	try("two objects", "rearm", `{"who":"x","panel":"b2"}{}`, 400, "body_malformed")
	try("5 kB", "rearm", `{"who":"x","panel":"b2","why":"`+strings.Repeat("y", 5000)+`"}`, 413, "body_too_large")
	try("5 kB of blanks after it", "rearm", `{"who":"x","panel":"b2"}`+strings.Repeat(" ", 5000), 413, "body_too_large")
	try("an id with blanks", "rearm", `{"who":"x","panel":"b2","id":"a b"}`, 422, "bad_field")
	try("an unknown verb", "open_valve", `{"who":"x","panel":"b2"}`, 404, "no_such_command")
	try("no verb", "", `{"who":"x"}`, 404, "no_such_command")
	r := asking("rearm", `{"who":"x","panel":"b2"}`)
	r.Header.Set("Content-Type", "text/plain")
	status, header, body := ask(t, h, r)
	wantProblem(t, "a form", status, header, body, 415, "not_json")
}

func TestACommandNeedsPOSTAndTheTokenAndIsNoSuccessBeforeItIsOnDisk(t *testing.T) {
	h, got := asked(t, engine.Reply{}, nil)
	status, header, body := ask(t, h, httptest.NewRequest("GET", "/api/v1/commands/rearm", nil))
	wantProblem(t, "GET", status, header, body, 405, "method_not_allowed")
	if header.Get("Allow") != "POST" {
		t.Errorf("Allow %q", header.Get("Allow"))
	}
	r := asking("rearm", `{"who":"x","panel":"b2"}`)
	r.Header.Del("Authorization")
	status, header, body = ask(t, h, r)
	wantProblem(t, "no token", status, header, body, 401, "token_missing")
	if len(*got) != 0 {
		t.Errorf("%d commands reached the engine", len(*got))
	}
	h, _ = asked(t, engine.Reply{}, errors.New("the logbook stands"))
	status, header, body = ask(t, h, asking("rearm", `{"who":"x","panel":"b2"}`))
	m := wantProblem(t, "not durable", status, header, body, 503, "not_durable")
	if m["id"] != "made-1" || header.Get("Retry-After") != "5" {
		t.Errorf("%v %v", m, header)
	}
	for refusal, want := range map[engine.Refusal]int{engine.NoReason: 422, engine.NoSuchPanel: 404, engine.NoSuchSensor: 404, engine.BadSpan: 422, engine.NoWhat: 422, "sensor_guards": 409} {
		h, _ := asked(t, engine.Reply{Refusal: refusal, Words: "because"}, nil)
		status, header, body := ask(t, h, asking("rearm", `{"who":"x","panel":"b2","id":"c-7"}`))
		if m := wantProblem(t, string(refusal), status, header, body, want, string(refusal)); m["detail"] != "because" || m["id"] != "c-7" {
			t.Errorf("%s: %v", refusal, m)
		}
	}
}

func TestTheFirstPageListsEveryCommandWithItsFields(t *testing.T) {
	h, _ := asked(t, engine.Reply{}, nil)
	_, _, body := ask(t, h, httptest.NewRequest("GET", "/", nil))
	for _, v := range verbs {
		if !strings.Contains(body, v.name) || !strings.Contains(body, strings.Join(v.fields, ", ")) {
			t.Errorf("%s is not listed:\n%s", v.name, body)
		}
	}
}
