package notify

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"strings"
	"text/template"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// formMax bounds what a template may make of a message.
const formMax = 64 << 10

// Refusals of ParseForm.
var (
	ErrFormParse = errors.New("the template cannot be read")
	ErrFormFails = errors.New("the template fails")
	ErrFormEmpty = errors.New("the template makes nothing")
	ErrFormJSON  = errors.New("the template does not make JSON, as its content type says")
	ErrFormLong  = errors.New("the template makes too much")
)

// Form is a recipient's own template over a message, with the content type of what it makes. A nil Form is the message as it is.
type Form struct {
	t    *template.Template
	kind string
	json bool
}

// Message is what a template sees: the fields of data by their names in Go, beside the identity of the message. A field that a message does not
// have is empty, and a whole part that it does not have (Reading, Limit, Excursion, Trust, Override, Heartbeat) is nil: ask with {{with}}.
type Message struct {
	ID     string // the same on every try
	Source string
	Type   string
	payload
}

// functions beside those of text/template.
var formFunctions = template.FuncMap{
	// json writes a value as JSON, so that what a person wrote cannot break the body.
	"json": func(v any) (string, error) {
		var b bytes.Buffer
		enc := json.NewEncoder(&b)
		enc.SetEscapeHTML(false)
		err := enc.Encode(v)
		return strings.TrimSuffix(b.String(), "\n"), err
	},
	// clip cuts a text to so many characters, at a word.
	"clip": func(n int, s string) string { return clip(s, max(n, 4)) },
}

// ParseForm reads a template and tries it on every kind of message, with all of its parts and with as few as there can be.
//
// Errors: ErrFormParse, ErrFormFails, ErrFormEmpty, ErrFormJSON, ErrFormLong, with the kind of message.
func ParseForm(s *site.Site, text, contentType string) (*Form, error) {
	t, err := template.New("template").Funcs(formFunctions).Parse(text)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFormParse, err)
	}
	f := &Form{t: t, kind: contentType}
	if kind, _, err := mime.ParseMediaType(contentType); err == nil {
		f.json = kind == "application/json" || strings.HasSuffix(kind, "+json")
	}
	for _, sp := range Specimens(s) {
		made, _, err := f.render(sp.Body)
		switch {
		case err != nil:
			return nil, fmt.Errorf("%w on a message of the kind %s: %w", ErrFormFails, sp.ID, err)
		case len(bytes.TrimSpace(made)) == 0:
			return nil, fmt.Errorf("%w of a message of the kind %s", ErrFormEmpty, sp.ID)
		case len(made) > formMax:
			return nil, fmt.Errorf("%w: %d bytes of a message of the kind %s", ErrFormLong, len(made), sp.ID)
		case f.json && !json.Valid(made):
			return nil, fmt.Errorf("%w: of a message of the kind %s", ErrFormJSON, sp.ID)
		}
	}
	return f, nil
}

// render makes a body of a message. On an error it gives the message as it is.
func (f *Form) render(body []byte) (made []byte, kind string, err error) {
	if f == nil {
		return body, ownKind, nil
	}
	var e cloudEvent
	if err := json.Unmarshal(body, &e); err != nil {
		return body, ownKind, err
	}
	var b bytes.Buffer
	if err := f.t.Execute(&b, Message{ID: e.ID, Source: e.Source, Type: e.Type, payload: e.Data}); err != nil {
		return body, ownKind, err
	}
	return b.Bytes(), f.kind, nil
}

// Specimens gives a message of every kind, each with all of its parts and with as few as there can be, with the kind as the ID: what a template is
// tried on.
func Specimens(s *site.Site) []Item {
	at := reading.Stamp{Wall: clockSetAfter + reading.Wall(time.Hour), Up: time.Hour}
	c := *s
	if len(c.Panels) > 0 && c.Zone == nil {
		c.Zone = time.UTC
	}
	panel := ""
	if len(s.Panels) > 0 {
		panel = s.Panels[0].Name
	}
	degC := quantity.Temperature.Units()[0].Name()
	v := event.Value{Point: panel + ".a.b", Value: 31.4, Unit: degC, Decimals: 1, Bound: "=", Quality: reading.Good.String(), Reason: reading.Believed.String(), At: at}
	l := event.LimitValue{Name: "a-limit", Side: site.High.String(), Value: 20, Written: 20, Unit: degC, OnDelay: "5m0s", OffDelay: "5m0s", Source: site.Source{Document: `a "document"`}, Action: `what was "written"`}
	x := event.Excursion{ID: "00000000-1", Unit: degC, Decimals: 1, Start: at, End: at, Peak: 40, PeakBound: "=", PeakAt: at, Beyond: time.Hour, Limit: l}
	var all []Item
	add := func(kind string, body []byte) { all = append(all, Item{ID: kind, Body: body, Created: at.Wall}) }
	for k := range event.Kind(event.KindCount) {
		if !k.Told() {
			continue
		}
		few := event.Event{ID: event.ID{Boot: "00000000", Seq: 1}, Kind: k, At: at}
		add(k.String(), body(&c, &few))
		full := few
		full.Panel, full.Point, full.Alarm, full.Priority, full.Who, full.Why = panel, v.Point, panel+".a-limit", site.MediumPriority, `A "person"`, "why\nnot"
		full.Value, full.LastGood, full.Beside, full.Limit, full.Excursion = &v, &v, &v, &l, &x
		full.Lasted, full.Highest, full.Count, full.Nth, full.Raised, full.Cause = time.Hour, 50, 3, 2, "00000000-1", "a cause"
		full.Trust = event.Trust{FlowKnown: true, Flow: 200, TempKnown: true, Temp: 30, TempUnit: degC, Valve: "open", OverrideBy: "A person", OverrideWhy: "a job", OverrideUntil: at.Wall, OverrideLeft: time.Hour}
		add(k.String(), body(&c, &full))
	}
	items := []Item{{ID: "00000000-1", Body: all[0].Body, Created: at.Wall}, {ID: "00000000-2", Body: all[1].Body, Created: at.Wall}}
	for _, why := range []hold{byQuiet, byCause, byFlood, byDelay} {
		add("summary", summaryOf(&c, &site.Recipient{Name: "a"}, items, why).Body)
	}
	add("heartbeat", beatBody(&c, &Beat{At: at, Nth: 1}, nil, &site.Recipient{Name: "a"}))
	add("heartbeat", beatBody(&c, &Beat{At: at, Nth: 2, Alarms: 3, Oldest: time.Second, OldestPoint: v.Point, ClockCertain: true}, &at, &site.Recipient{Name: "a", Heartbeat: time.Minute}))
	return all
}
