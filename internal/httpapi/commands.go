package httpapi

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

const (
	nameMax = 160 // characters; the longest name is an alarm's: a panel, a sensor and what stands before and between them
	whatMax = 120 // characters; what a person does with a sensor, in a line of a message
	unitMax = 32  // characters
)

// verb is one command as it is asked for over HTTP. Every verb of the engine has one, also those it refuses, so that a program need not
// change when they are obeyed.
type verb struct {
	name   string
	fields []string // beside who, why and id
	do     func(*fields) engine.Do
}

// verbs, in the order of the engine's own list. A field that is left out is refused unless it says otherwise here.
var verbs = []verb{
	{"acknowledge", []string{"alarm"}, func(f *fields) engine.Do { return engine.Acknowledge{Alarm: f.text("alarm", nameMax)} }},
	{"shelve", []string{"alarm", "for"}, func(f *fields) engine.Do {
		d := engine.Shelve{Alarm: f.text("alarm", nameMax), For: engine.ShelfUsual}
		if f.has("for") { // left out: an hour
			d.For = f.span("for")
		}
		return d
	}},
	{"unshelve", []string{"alarm"}, func(f *fields) engine.Do { return engine.Unshelve{Alarm: f.text("alarm", nameMax)} }},
	{"out_of_service", []string{"alarm", "out"}, func(f *fields) engine.Do {
		return engine.OutOfService{Alarm: f.text("alarm", nameMax), Out: f.flag("out")}
	}},
	// For a sensor that is back neither what nor for says anything.
	{"check_in_hand", []string{"sensor", "what", "for", "back"}, func(f *fields) engine.Do {
		d := engine.CheckInHand{Sensor: f.text("sensor", nameMax), Back: f.has("back") && f.flag("back")}
		if !d.Back {
			d.What, d.For = f.text("what", whatMax), f.span("for")
		}
		return d
	}},
	{"set_on_line", []string{"panel", "on_line", "for"}, func(f *fields) engine.Do {
		return engine.SetOnLine{Panel: f.text("panel", nameMax), OnLine: f.flag("on_line"), For: f.span("for")}
	}},
	{"enter_value", []string{"point", "value", "unit", "basis", "taken"}, func(f *fields) engine.Do {
		d := engine.EnterValue{Point: f.text("point", nameMax), Value: f.number("value"), Unit: f.text("unit", unitMax)}
		if f.has("taken") { // left out: now
			d.Taken = f.moment("taken")
		}
		if f.has("basis") {
			d.Basis = f.text("basis", unitMax)
		}
		return d
	}},
	{"learn_baseline", []string{"limit"}, func(f *fields) engine.Do { return engine.LearnBaseline{Limit: f.text("limit", nameMax)} }},
	{"override", []string{"panel", "for"}, func(f *fields) engine.Do {
		d := engine.Override{Panel: f.text("panel", nameMax)}
		if f.has("for") { // left out: the usual
			d.For = f.span("for")
		}
		return d
	}},
	{"rearm", []string{"panel"}, func(f *fields) engine.Do { return engine.Rearm{Panel: f.text("panel", nameMax)} }},
	{"valve_by_hand", []string{"panel"}, func(f *fields) engine.Do { return engine.ValveByHand{Panel: f.text("panel", nameMax)} }},
	{"prove", []string{"point", "shown", "step", "tolerance"}, func(f *fields) engine.Do {
		return engine.Prove{Point: f.text("point", nameMax), Shown: f.number("shown"), Step: f.number("step"), Tolerance: f.number("tolerance")}
	}},
	{"drill", []string{"recipient"}, func(f *fields) engine.Do {
		var d engine.Drill
		if f.has("recipient") { // left out: everybody
			d.Recipient = f.text("recipient", nameMax)
		}
		return d
	}},
}

// commandBody answers a command that was obeyed and is on disk.
type commandBody struct {
	ID      string `json:"id"`
	Command string `json:"command"`
	Result  string `json:"result"` // "obeyed"
	Words   string `json:"words"`
}

// command takes POST /api/v1/commands/{verb}. 200 means that it is on disk.
func (s *server) command(w http.ResponseWriter, r *http.Request, name string) {
	i := slices.IndexFunc(verbs, func(v verb) bool { return v.name == name })
	if i < 0 {
		noSuchCommand.write(w, "there is no such command; / lists them", nil)
		return
	}
	if !s.allowed(w, r) {
		return
	}
	f, ok := readFields(w, r, verbs[i].fields)
	if !ok {
		return
	}
	ask, ok := f.ask(w)
	if !ok {
		return
	}
	do := verbs[i].do(f)
	if f.wrong != "" {
		badField.write(w, f.wrong, nil)
		return
	}
	if ask.ID == "" {
		ask.ID = s.NewID()
	}
	s.put(w, r, ask, do, map[string]any{"id": ask.ID}, func(words string) any { return commandBody{ask.ID, name, "obeyed", words} })
}

// fields are the members of a command's body, and the first thing that is wrong with them.
type fields struct {
	m     map[string]json.RawMessage
	wrong string
}

// readFields reads the body of a command that may hold the fields and who, why and id. Names are exact: "Who" is not who.
func readFields(w http.ResponseWriter, r *http.Request, may []string) (*fields, bool) {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		notJSON.write(w, "send the header Content-Type: application/json", nil)
		return nil, false
	}
	f := &fields{}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, bodyMax))
	err := d.Decode(&f.m)
	if err == nil {
		if _, more := d.Token(); more != io.EOF {
			err = errors.New("something follows the object")
			if tooLarge := new(http.MaxBytesError); errors.As(more, &tooLarge) {
				err = more
			}
		}
	}
	if err != nil {
		if tooLarge := new(http.MaxBytesError); errors.As(err, &tooLarge) {
			bodyTooLarge.write(w, fmt.Sprintf("at most %d bytes", bodyMax), nil)
		} else {
			bodyMalformed.write(w, err.Error(), nil)
		}
		return nil, false
	}
	all := append([]string{"who", "why", "id"}, may...)
	var strange []string
	for k := range f.m {
		if !slices.Contains(all, k) {
			strange = append(strange, k)
		}
	}
	if slices.Sort(strange); len(strange) > 0 {
		unknownField.write(w, fmt.Sprintf("%q is not known; this command has %s", strange[0], strings.Join(all, ", ")), nil)
		return nil, false
	}
	return f, true
}

// ask takes who, why and id, and refuses them as acknowledge does.
func (f *fields) ask(w http.ResponseWriter) (askBody, bool) {
	var ask askBody
	for _, m := range []struct {
		key string
		to  *string
	}{{"who", &ask.Who}, {"why", &ask.Why}, {"id", &ask.ID}} {
		if f.has(m.key) && json.Unmarshal(f.m[m.key], m.to) != nil {
			badField.write(w, m.key+" must be a text", nil)
			return ask, false
		}
	}
	return ask, ask.check(w)
}

func (f *fields) has(key string) bool { _, ok := f.m[key]; return ok }

func (f *fields) fail(format string, args ...any) {
	if f.wrong == "" {
		f.wrong = fmt.Sprintf(format, args...)
	}
}

// take reads one member into v; what is missing or null is not there.
func (f *fields) take(key, wanted string, v any) bool {
	raw, ok := f.m[key]
	switch {
	case !ok || string(raw) == "null":
		f.fail("%s is missing: it must be %s", key, wanted)
	case json.Unmarshal(raw, v) != nil:
		f.fail("%s must be %s", key, wanted)
	default:
		return true
	}
	return false
}

func (f *fields) text(key string, longest int) string {
	var s string
	wanted := fmt.Sprintf("one line of text of at most %d characters", longest)
	if !f.take(key, wanted, &s) {
		return ""
	}
	if s = strings.TrimSpace(s); s == "" || !oneLine(s, longest) {
		f.fail("%s must be %s", key, wanted)
		return ""
	}
	return s
}

func (f *fields) flag(key string) bool {
	var b bool
	f.take(key, "true or false", &b)
	return b
}

func (f *fields) number(key string) float64 {
	var v float64 // JSON knows no number that is not finite, and one that does not fit is an error
	f.take(key, "a number", &v)
	return v
}

func (f *fields) span(key string) time.Duration {
	const wanted = `a length of time such as "8h" or "90m"`
	var s string
	if !f.take(key, wanted, &s) {
		return 0
	}
	d, err := time.ParseDuration(s)
	if err != nil || d <= 0 {
		f.fail("%s must be %s", key, wanted)
		return 0
	}
	return d
}

func (f *fields) moment(key string) reading.Wall {
	const wanted = `a time such as "2026-11-25T10:00:00Z"`
	var s string
	if !f.take(key, wanted, &s) {
		return 0
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil || t.Year() < 2000 || t.Year() > 2200 { // beyond this, nanoseconds do not fit 64 bits
		f.fail("%s must be %s", key, wanted)
		return 0
	}
	return reading.WallOf(t)
}
