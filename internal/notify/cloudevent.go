package notify

import (
	"bytes"
	"encoding/json"
	"math"
	"net/url"
	"time"
	"unicode/utf8"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// bodyMax bounds a body: Standard Webhooks asks for less than 20 kB, and receivers cut what is longer.
const bodyMax = 20_000

// clips are the lengths, in characters, to which what people wrote (titles, actions, notes, sources) is cut, tried in this order until
// the body fits. The first leaves an action of 400 characters whole, and as many characters again.
var clips = [...]int{1000, 250, 60}

// cloudEvent is a CloudEvents 1.0 event in structured JSON.
type cloudEvent struct {
	SpecVersion     string  `json:"specversion"`
	ID              string  `json:"id"`
	Source          string  `json:"source"`
	Type            string  `json:"type"`
	Subject         string  `json:"subject,omitempty"`
	Time            string  `json:"time"`
	DataContentType string  `json:"datacontenttype"`
	Data            payload `json:"data"`
}

// Rows gives the messages of an event, one for each recipient that is told them; nil when nobody is called for events of this kind.
func Rows(s *site.Site, e *event.Event) []Row {
	if !e.Told() || len(s.Recipients) == 0 {
		return nil
	}
	var b []byte
	var rows []Row
	for i := range s.Recipients {
		r := &s.Recipients[i]
		if !goesTo(r, e) {
			continue
		}
		if b == nil {
			b = body(s, e)
		}
		rows = append(rows, Row{ID: e.ID, Recipient: r.Name, Body: b})
	}
	return rows
}

// goesTo tells whether a recipient is told an event. A drill goes to whom it is for, whatever else is told there: it tries out the way.
func goesTo(r *site.Recipient, e *event.Event) bool {
	if e.Kind == event.DrillTold {
		return e.To == "" || e.To == r.Name
	}
	return r.Route.Takes(e.Priority, e.Panel, e.Kind.String())
}

// body composes a message: words and machine fields in at most bodyMax bytes.
func body(s *site.Site, e *event.Event) []byte {
	var b []byte
	for i, n := range clips {
		if b = marshal(told(s, sober(e, n), n)); len(b) <= bodyMax {
			return b
		}
		if i == len(clips)-1 {
			break
		}
	}
	// Only names nobody would write get here. The words matter most, and they are bounded by the clip.
	v := told(s, sober(e, clips[len(clips)-1]), clips[len(clips)-1])
	v.Data.Limit, v.Data.Excursion, v.Data.LastGood = nil, nil, nil
	v.Data.Text = clip(v.Data.Text, 2000)
	return marshal(v)
}

func told(s *site.Site, e *event.Event, most int) cloudEvent {
	return envelope(s, e, compose(s, e), most)
}

func envelope(s *site.Site, e *event.Event, m message, most int) cloudEvent {
	c := cloudEvent{
		SpecVersion: "1.0", ID: e.ID.String(), Source: "urn:rillwatch:" + url.PathEscape(clip(s.Name, most)),
		Type: "dev.rillwatch." + e.Kind.String() + ".v1", Subject: e.Panel, Time: e.At.Wall.Time().Format(time.RFC3339Nano),
		DataContentType: "application/json",
		Data:            payloadOf(e, m),
	}
	c.Data.Site, c.Data.Config = clip(s.Name, most), s.Hash
	if c.Subject == "" {
		c.Subject = e.Bus
	}
	for i := range s.Panels {
		if s.Panels[i].Name == e.Panel {
			c.Data.PanelTitle = clip(s.Panels[i].Title, most)
		}
	}
	return c
}

func marshal(v cloudEvent) []byte {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false) // what people wrote stays as they wrote it; no browser reads this
	if err := enc.Encode(v); err != nil {
		panic("notify: composing a message: " + err.Error()) // sober took out all that JSON cannot say
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}

// sober is a copy of an event that JSON can hold and a message can carry: no number that is none, no text longer than most.
func sober(e *event.Event, most int) *event.Event {
	c := *e
	for _, s := range []*string{&c.Panel, &c.Point, &c.Bus, &c.Alarm, &c.Who, &c.Why, &c.Cause, &c.Raised,
		&c.Trust.TempUnit, &c.Trust.Valve, &c.Trust.Reason, &c.Trust.Silenced, &c.Trust.ValveByWhom,
		&c.Trust.Request, &c.Trust.HeldCause, &c.Trust.OverrideBy, &c.Trust.OverrideWhy} {
		*s = clip(*s, most)
	}
	soberFloats(&c.Trust.Flow, &c.Trust.Temp, &c.Trust.FlushedML, &c.Trust.OwedML, &c.Highest, &c.Rate)
	c.Beside = soberValue(e.Beside, most)
	c.Points = soberList(e.Points, most)
	c.Value, c.LastGood = soberValue(e.Value, most), soberValue(e.LastGood, most)
	if e.Limit != nil {
		l := soberLimit(*e.Limit, most)
		c.Limit = &l
	}
	if e.Excursion != nil {
		x := *e.Excursion
		for _, s := range []*string{&x.ID, &x.Alarm, &x.Point, &x.Unit, &x.PeakBound, &x.AckBy} {
			*s = clip(*s, most)
		}
		soberFloats(&x.Peak, &x.Integral, &x.Mean)
		x.Limit = soberLimit(x.Limit, most)
		c.Excursion = &x
	}
	soberStates(&c, most)
	return &c
}

// soberValue makes a value that is no number a reading without one, as everywhere else.
func soberValue(v *event.Value, most int) *event.Value {
	if v == nil {
		return nil
	}
	c := *v
	for _, s := range []*string{&c.Point, &c.Unit, &c.Bound, &c.Quality, &c.Reason} {
		*s = clip(*s, most)
	}
	if !finite(c.Value) {
		c.Value, c.Bound, c.Quality, c.Reason = 0, reading.Exact.String(), reading.Bad.String(), reading.NotANumber.String()
	}
	return &c
}

func soberLimit(l event.LimitValue, most int) event.LimitValue {
	for _, s := range []*string{&l.Name, &l.Side, &l.Unit, &l.OnDelay, &l.OffDelay, &l.Basis,
		&l.Source.Document, &l.Source.Edition, &l.Source.Band, &l.Source.Tap, &l.Action, &l.Cause, &l.Consequence, &l.Judges, &l.Window} {
		*s = clip(*s, most)
	}
	soberFloats(&l.Value, &l.Written, &l.Deadband)
	l.Applies = soberList(l.Applies, most)
	if l.Normal != nil {
		n := *l.Normal
		for _, s := range []*string{&n.Distance, &n.Who, &n.Why} {
			*s = clip(*s, most)
		}
		soberFloats(&n.Value, &n.Scatter)
		l.Normal = &n
	}
	return l
}

// namesCarried bounds the names a message carries as a list: a panel has not more points that are judged.
const namesCarried = 32

func soberList(all []string, most int) []string {
	var out []string
	for _, s := range all[:min(len(all), namesCarried)] {
		out = append(out, clip(s, most))
	}
	return out
}

func soberFloats(all ...*float64) {
	for _, f := range all {
		if !finite(*f) {
			*f = 0
		}
	}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// clip shortens a text to n characters, at a word where there is one, and says so.
func clip(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	if short := shorten(s, n); short != "" {
		return short
	}
	return event.Clip(s, n) // one word without a place to cut
}
