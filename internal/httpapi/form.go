package httpapi

import (
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// siteSensors is the panel under which the points of site sensors are shown.
const siteSensors = "site"

// panelName names a panel by its index.
func panelName(s *site.Site, panel int) string {
	if panel == site.None {
		return siteSensors
	}
	return s.Panels[panel].Name
}

// pointName is the path of a point within its panel: "rack.oxygen" of "b2.rack.oxygen".
func pointName(s *site.Site, p *site.Point) string {
	return strings.TrimPrefix(p.Path, panelName(s, p.Panel)+".")
}

// instant writes a moment as RFC 3339 in UTC to the millisecond; nil, which is null in JSON, for none.
func instant(at reading.Stamp) *string {
	if at.IsZero() {
		return nil
	}
	text := at.Wall.Time().Format("2006-01-02T15:04:05.000Z")
	return &text
}

// digits writes a number so that JSON carries it without binary dust; nil for what is no number. A zero has no sign.
func digits(v float64, decimals int) *json.Number {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return unsignedZero(strconv.FormatFloat(v, 'f', decimals, 64))
}

// atResolution writes a value in the steps its point is shown in.
func atResolution(v float64, p *site.Point) *json.Number {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return unsignedZero(engine.Decimal(v, p.Resolution))
}

// shown is atResolution of a reading, finer where it bounds the truth from above and would round to none: nothing is below nothing.
func shown(rd reading.Reading, p *site.Point) *json.Number {
	n := atResolution(rd.Value, p)
	for step := p.Resolution / 10; n != nil && rd.Bound == reading.Below && rd.Value > 0 && step > 5e-7 && strings.Trim(n.String(), "0.") == ""; step /= 10 {
		n = unsignedZero(engine.Decimal(rd.Value, step))
	}
	return n
}

func unsignedZero(text string) *json.Number {
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	n := json.Number(text)
	return &n
}

// seconds writes a duration to the millisecond.
func seconds(d time.Duration) json.Number {
	return json.Number(strconv.FormatFloat(d.Seconds(), 'f', 3, 64))
}

// boundName is the word for a bound in JSON, CSV and metrics. Not "=" and "<": a spreadsheet takes a cell that begins with "=" for a
// formula.
func boundName(b reading.Bound) string {
	switch b {
	case reading.Above:
		return "above"
	case reading.Below:
		return "below"
	}
	return "exact"
}

func boundWord(b string) string {
	switch b {
	case reading.Above.String():
		return "above"
	case reading.Below.String():
		return "below"
	}
	return "exact"
}

// judgedFor is how long a View may be used for readings after its moment. The engine makes one at least every second, in silence too,
// so fifteen missed in a row mean that judgement has stopped; the watchdog of the service, at 30 s, has not acted by then.
const judgedFor = 15 * time.Second

// standing is the reading as it may be shown now. When judgement has stopped nobody else is left to say that it is stale.
func standing(v *engine.View, now reading.Stamp, r reading.Reading) reading.Reading {
	if now.Since(v.At) > judgedFor {
		return r.Demote(reading.Stale)
	}
	return r
}

// standingPanel is the panel as it may be shown now. When judgement has stopped the sample is no longer proved and the valve no longer
// confirmed. Alarms and the interlock keep their last state: a hot sample must not look settled because its watcher died.
func standingPanel(v *engine.View, now reading.Stamp, p *engine.PanelView) *engine.PanelView {
	if now.Since(v.At) <= judgedFor {
		return p
	}
	old := *p
	old.Line.Representative = false
	if reading.Stale.Worse(old.Line.Reason) {
		old.Line.Reason = reading.Stale
	}
	old.Interlock.Valve, old.Interlock.ValveFrom, old.Interlock.ValveBy = reading.ValveNotConfirmed, "none", ""
	return &old
}

// writeJSON sends a body that is known to marshal.
func writeJSON(w http.ResponseWriter, body any) {
	raw, err := json.Marshal(body)
	if err != nil {
		panic("the body of an answer: " + err.Error())
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(append(raw, '\n')) // a reader that went away needs no answer
}

// query takes the parameters a path knows. An unknown or doubled one is refused: "?panle=b2" must not give every panel.
func query(w http.ResponseWriter, r *http.Request, known ...string) (map[string]string, bool) {
	given := map[string]string{}
	values, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil { // dropping what cannot be read would answer another question than the one that was asked
		badParameter.write(w, "the part behind ? cannot be read: "+err.Error(), nil)
		return nil, false
	}
	for _, k := range known {
		if v := values[k]; len(v) == 1 {
			given[k] = v[0]
			delete(values, k)
		}
	}
	for k, v := range values {
		badParameter.write(w, strconv.Quote(k)+", given "+strconv.Itoa(len(v))+" time(s): this path knows "+knownList(known), nil)
		return nil, false
	}
	return given, true
}

func knownList(known []string) string {
	if len(known) == 0 {
		return "no parameter"
	}
	return strings.Join(known, ", ") + ", each at most once"
}

// wantPanel reads the parameter panel: all true when it is not given, else the index, site.None for the site's own sensors.
func (s *server) wantPanel(w http.ResponseWriter, given map[string]string) (panel int, all, ok bool) {
	name, isGiven := given["panel"]
	if !isGiven {
		return 0, true, true
	}
	for i := range s.Site.Panels {
		if s.Site.Panels[i].Name == name {
			return i, false, true
		}
	}
	if name == siteSensors {
		return site.None, false, true
	}
	noSuchPanel.write(w, "there is no panel "+strconv.Quote(name), nil)
	return 0, false, false
}
