package httpapi

import (
	"encoding/csv"
	"encoding/json"
	"mime"
	"net/http"
	"strconv"
	"strings"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// readingsBody answers GET /api/v1/readings.
type readingsBody struct {
	Site         string        `json:"site"`
	Definition   string        `json:"definition"` // hash of the configuration the readings were judged by
	At           *string       `json:"at"`         // moment of the View
	ClockCertain bool          `json:"clock_certain"`
	Readings     []readingBody `json:"readings"`
}

// readingBody is one reading. value, bound, at and age_s are null when there is none; a bad reading has no value.
type readingBody struct {
	Panel      string       `json:"panel"` // "site" for sensors of the site
	Point      string       `json:"point"` // path within the panel
	Quantity   string       `json:"quantity"`
	Value      *json.Number `json:"value"` // in unit, with the digits of the point's resolution
	Unit       string       `json:"unit"`
	Basis      string       `json:"basis,omitempty"` // what the amount is given as, of sulfite and of a scavenger: "SO3"
	Bound      *string      `json:"bound"`           // exact, below or above: how the value bounds the truth
	Quality    string       `json:"quality"`         // bad, uncertain, good
	Reason     string       `json:"reason"`
	Words      string       `json:"words"`      // the reason for a person
	Counts     bool         `json:"counts"`     // limits are judged by it
	InMetrics  bool         `json:"in_metrics"` // /metrics shows its value
	At         *string      `json:"at"`         // when the request left
	AgeS       *json.Number `json:"age_s"`
	OldestAt   *string      `json:"oldest_at"`        // of a derived point: when the oldest input was asked for
	LastGoodAt *string      `json:"last_good_at"`     // the last reading that was shown in metrics, since the start
	Proof      *proofBody   `json:"proof,omitempty"`  // of its map line against the device's display; not in CSV
	Advice     []string     `json:"advice,omitempty"` // arithmetic and questions in words, where there is anything to say; not in CSV
}

func (s *server) readings(w http.ResponseWriter, r *http.Request) {
	given, ok := query(w, r, "panel", "format")
	if !ok {
		return
	}
	panel, all, ok := s.wantPanel(w, given)
	if !ok {
		return
	}
	w.Header().Set("Vary", "Accept")
	asCSV := prefersCSV(strings.Join(r.Header.Values("Accept"), ","))
	switch format, isGiven := given["format"]; {
	case !isGiven:
	case format == "json" || format == "csv":
		asCSV = format == "csv"
	default:
		badParameter.write(w, "format is json or csv, not "+strconv.Quote(format), nil)
		return
	}
	v, now := s.View(), s.Now()
	if v == nil {
		notStarted.write(w, "nothing has been judged yet", nil)
		return
	}
	body := readingsBody{Site: s.Site.Name, Definition: s.Site.Hash, At: instant(v.At), ClockCertain: v.Clock.Certain, Readings: []readingBody{}}
	for _, p := range v.Panels {
		if p != nil && (all || p.Panel == panel) {
			body.Readings = s.appendReadings(body.Readings, v, now, p.Points)
		}
	}
	if all || panel == site.None {
		body.Readings = s.appendReadings(body.Readings, v, now, v.Free)
	}
	if asCSV {
		writeCSV(w, body.Readings)
		return
	}
	writeJSON(w, body)
}

func (s *server) appendReadings(to []readingBody, v *engine.View, now reading.Stamp, points []engine.PointView) []readingBody {
	for i := range points {
		p, rd := &s.Site.Points[points[i].Point], standing(v, now, points[i].Reading)
		row := rd.Reason.Row()
		b := readingBody{Panel: panelName(s.Site, p.Panel), Point: pointName(s.Site, p), Quantity: p.Quantity.String(), Unit: p.Unit.Name(), Basis: p.Basis,
			Quality: row.Quality.String(), Reason: row.Name, Words: row.Words, Counts: rd.Counts(), InMetrics: rd.Shown(), At: instant(rd.At),
			LastGoodAt: instant(points[i].LastGood)}
		if rd.HasValue() {
			if b.Value = shown(rd, p); b.Value != nil {
				word := boundName(rd.Bound)
				b.Bound = &word
			}
		}
		if !rd.At.IsZero() {
			age := seconds(max(0, now.Since(rd.At)))
			b.AgeS = &age
		}
		if now.Since(v.At) <= judgedFor { // what nobody judges any more is no ground for advice
			b.Advice = v.Advice(points[i].Point)
		}
		b.Proof = proofOf(s.Site, v, points[i].Point)
		if p.Derived() {
			b.OldestAt = instant(rd.Oldest)
		}
		to = append(to, b)
	}
	return to
}

// prefersCSV reads an Accept header. JSON is given unless text/csv is wanted more, or as much and named first.
func prefersCSV(accept string) bool {
	best, isCSV := 0.0, false
	for part := range strings.SplitSeq(accept, ",") {
		kind, params, err := mime.ParseMediaType(strings.TrimSpace(part))
		if err != nil {
			continue
		}
		q := 1.0
		if text, ok := params["q"]; ok {
			if q, err = strconv.ParseFloat(text, 64); err != nil {
				continue
			}
		}
		switch kind {
		case "text/csv", "text/*", "application/json", "application/*", "*/*":
			if q > best {
				best, isCSV = q, kind == "text/csv" || kind == "text/*"
			}
		}
	}
	return isCSV
}

// csvColumns heads the CSV; the same names as in JSON.
var csvColumns = []string{"panel", "point", "quantity", "value", "unit", "bound", "quality", "reason", "words", "counts", "in_metrics", "at", "age_s", "last_good_at", "basis"}

func writeCSV(w http.ResponseWriter, rows []readingBody) {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", `attachment; filename="rillwatch-readings.csv"`)
	out := csv.NewWriter(w)
	out.UseCRLF = true // RFC 4180
	_ = out.Write(csvColumns)
	for _, b := range rows {
		_ = out.Write([]string{cell(b.Panel), cell(b.Point), cell(b.Quantity), or(b.Value), cell(b.Unit), or(b.Bound), b.Quality, b.Reason, cell(b.Words),
			strconv.FormatBool(b.Counts), strconv.FormatBool(b.InMetrics), or(b.At), or(b.AgeS), or(b.LastGoodAt), cell(b.Basis)})
	}
	out.Flush() // an error here is a reader that went away
}

// cell makes a text safe for a spreadsheet, which runs a cell that begins with one of these as a formula. Numbers are not passed through
// it: a negative value must stay a number.
func cell(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n", rune(text[0])) {
		return "'" + text
	}
	return text
}

func or[T ~string](text *T) string {
	if text == nil {
		return ""
	}
	return string(*text)
}
