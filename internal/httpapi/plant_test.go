package httpapi

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// moment is a stamp so many seconds after 2026-11-25T10:00:00Z, at which the process had run for an hour.
func moment(s float64) reading.Stamp {
	d := time.Duration(s * float64(time.Second))
	return reading.Stamp{Wall: reading.WallOf(time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC).Add(d)), Up: time.Hour + d}
}

func unit(t testing.TB, name string, q quantity.Quantity) quantity.Unit {
	t.Helper()
	u, err := quantity.ParseUnit(name, q)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// plant is an invented site with a View of it: panel b2 as a working panel, panel every with one point of every unit and one of every
// reason, and a pressure of the site. The first reading of a test asks at 100 s.
type plant struct {
	site *site.Site
	view *engine.View
}

func (p *plant) add(panel int, path string, u quantity.Unit, resolution float64, r reading.Reading) {
	s := p.site
	i := len(s.Points)
	s.Points = append(s.Points, site.Point{Path: path, Name: path[strings.LastIndex(path, ".")+1:], Panel: panel, Quantity: u.Quantity(), Unit: u, Resolution: resolution})
	v := engine.PointView{Point: i, Reading: r}
	if r.Shown() {
		v.LastGood = r.At
	}
	if panel == site.None {
		p.view.Free = append(p.view.Free, v)
		return
	}
	s.Panels[panel].Points = append(s.Panels[panel].Points, i)
	p.view.Panels[panel].Points = append(p.view.Panels[panel].Points, v)
}

func newPlant(t testing.TB) *plant {
	ppb, degC := unit(t, "ppb", quantity.DissolvedOxygen), unit(t, "degC", quantity.Temperature)
	s := &site.Site{Name: "larkfield-mill", Hash: "0123456789ab", Buses: []site.Bus{{Name: "panel-net"}}, Sensors: []site.Sensor{{Path: "b2.rack", Name: "rack", Period: time.Second}}, Logbook: site.Logbook{Flush: 5 * time.Second},
		Panels: []site.Panel{
			{Name: "b2", Title: "Boiler 2 feedwater", Tap: site.BeforeScavenger, Line: site.Line{Configured: true}, Interlock: site.Interlock{Configured: true},
				Limits: []site.Limit{{Name: "oxygen-high", Point: 0, Side: site.High, Value: 20, Written: 20, Unit: ppb, Priority: site.HighPriority,
					Source: site.Source{Document: "Larkfield feedwater specification", Edition: "rev 3, clause 4.2", Band: "20 to 40 bar", Tap: "before-scavenger"},
					Action: "confirm by an ampoule test"}}},
			{Name: "every"},
		}}
	raised := event.ID{Boot: "0badcafe", Seq: 17}
	v := &engine.View{Site: s, Boot: "0badcafe", At: moment(100), Seq: 321, Judged: 100, Clock: engine.ClockView{Certain: true},
		Panels: []*engine.PanelView{
			{Panel: 0, At: moment(100), OnLine: true, OnLineFrom: "b2.rack.feed_on", StartUp: 90 * time.Second,
				Line:      engine.LineView{Representative: true, Reason: reading.Believed, FlushedML: 2345.6, Lag: 95 * time.Second, LagKnown: true},
				Interlock: engine.InterlockView{Configured: true, State: "watching", Valve: reading.ValveOpen, ValveFrom: "feedback"},
				Alarms: []engine.AlarmView{
					{Name: "b2.oxygen-high", Limit: 0, State: "unacknowledged", Priority: site.HighPriority, Active: true, Since: moment(40), Raised: raised, Excursion: raised.String()},
					{Name: "b2.sample-warm", Limit: site.None, State: "normal", Priority: site.MediumPriority}},
				Excursions: []event.Excursion{{ID: raised.String(), Alarm: "b2.oxygen-high", Point: "b2.rack.oxygen", Unit: "ppb", Decimals: 1, Start: moment(10), Peak: 63 * 0.1,
					PeakBound: ">", PeakAt: moment(50), Beyond: 80 * time.Second, Within: time.Second, UnknownTime: 9 * time.Second, Integral: 0.12345, Mean: 5.55, Open: true}}},
			{Panel: 1, At: moment(100), OnLine: true, OnLineFrom: "assumed", Line: engine.LineView{Reason: reading.FlowUnproven}},
		}}
	b := engine.BusView{Connected: true, Rounds: 100, Missed: 2, LastSlot: 102, At: moment(100), Stations: []engine.StationView{
		{Station: 1, Answering: true, Fault: reading.Answered, Took: 12 * time.Millisecond}, {Station: 9, Fault: reading.Timeout}}}
	b.Faults[reading.Timeout] = 3
	v.Buses = []engine.BusView{b}

	p := &plant{s, v}
	p.add(0, "b2.rack.oxygen", ppb, 0.1, reading.Of(63*0.1, reading.Exact, reading.Believed, moment(99)))
	p.add(0, "b2.rack.temperature", degC, 0.1, reading.Of(-0.04, reading.Exact, reading.Believed, moment(99)))
	p.add(0, "b2.rack.valve_closed", quantity.State.Units()[0], 0, reading.Of(0, reading.Exact, reading.Believed, moment(99)))
	for _, q := range quantity.Quantities() {
		for i, u := range q.Units() {
			p.add(1, "every.unit."+q.String()+"-"+string(rune('a'+i)), u, 0.001, reading.Of(12, reading.Exact, reading.Believed, moment(99)))
		}
	}
	for i := range reading.ReasonCount {
		why, bound := reading.Reason(i), reading.Exact
		switch why {
		case reading.AboveCeiling:
			bound = reading.Above
		case reading.BelowDetection:
			bound = reading.Below
		}
		p.add(1, "every.reason."+why.String(), ppb, 0.1, reading.Of(7, bound, why, moment(99)))
	}
	p.add(site.None, "site.deaerator.pressure", unit(t, "bar(g)", quantity.Pressure), 0.01, reading.Of(0.25, reading.Exact, reading.Believed, moment(98.5)))
	return p
}

const token = "correct-horse-battery-staple-0123456789"

// config is a house around the plant: commands are answered as obeyed.
func (p *plant) config() Config {
	return Config{Site: p.site, View: func() *engine.View { return p.view }, Token: []byte(token), Version: "v0.0.0-test",
		Ask: func(_ context.Context, c engine.Command) (engine.Reply, error) {
			return engine.Reply{Command: c.ID, Words: "done"}, nil
		},
		Now: func() reading.Stamp { return moment(100.25) }, NewID: func() string { return "made-1" },
		Facts: func() Facts {
			return Facts{Commits: 20, CommitFailures: 1, LastCommit: moment(97), SamplesDropped: 4, LogbookBytes: 65536, Restored: true,
				Outbox: []OutboxFacts{{Recipient: "on-call", Waiting: 1, Delivered: 5, Refused: 1, Expired: 2, InSummary: 4, Attempts: 11, Heartbeats: 7, HeartbeatsFailed: 3}}}
		}}
}

// ask sends one request to the handler and reads the answer.
func ask(t *testing.T, h http.Handler, r *http.Request) (status int, header http.Header, body string) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	raw, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Code, w.Result().Header, string(raw)
}

func get(t *testing.T, h http.Handler, path string) (int, http.Header, string) {
	t.Helper()
	return ask(t, h, httptest.NewRequest(http.MethodGet, path, nil))
}

func parse(t *testing.T, body string) map[string]any {
	t.Helper()
	var m map[string]any
	d := json.NewDecoder(strings.NewReader(body))
	d.UseNumber()
	if err := d.Decode(&m); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	return m
}

// wantProblem checks what RFC 9457 asks of a problem: its media type, its type, and a status member equal to the status.
func wantProblem(t *testing.T, what string, status int, header http.Header, body string, wantStatus int, name string) map[string]any {
	t.Helper()
	m := parse(t, body)
	if status != wantStatus || header.Get("Content-Type") != "application/problem+json" || m["type"] != "urn:rillwatch:problem:"+name ||
		m["status"] != json.Number(itoa(wantStatus)) || m["title"] == "" || m["detail"] == "" {
		t.Errorf("%s: %d %s %s, want %d %s", what, status, header.Get("Content-Type"), body, wantStatus, name)
	}
	return m
}
