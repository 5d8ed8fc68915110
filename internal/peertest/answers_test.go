package peertest

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strings"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
)

// sample is one line of /metrics.
type sample struct {
	family string
	labels map[string]string
	value  float64
}

// scrape is one answer of /metrics.
type scrape []sample

// metrics scrapes, with the parser of the Prometheus project.
func (d *daemon) metrics() scrape {
	d.t.Helper()
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(d.get("/metrics")))
	if err != nil {
		d.t.Fatalf("/metrics: %v", err)
	}
	var out scrape
	for _, name := range slices.Sorted(maps.Keys(families)) {
		if !strings.HasPrefix(name, "rillwatch_") {
			continue
		}
		for _, m := range families[name].GetMetric() {
			s := sample{family: name, labels: map[string]string{}}
			for _, l := range m.GetLabel() {
				s.labels[l.GetName()] = l.GetValue()
			}
			switch {
			case m.GetGauge() != nil:
				s.value = m.GetGauge().GetValue()
			case m.GetCounter() != nil:
				s.value = m.GetCounter().GetValue()
			default:
				d.t.Fatalf("/metrics: %s is neither gauge nor counter", name)
			}
			out = append(out, s)
		}
	}
	return out
}

// one gives the sample of a family with exactly these labels.
func (s scrape) one(family string, labels map[string]string) (float64, bool) {
	for _, x := range s {
		if x.family == family && maps.Equal(x.labels, labels) {
			return x.value, true
		}
	}
	return 0, false
}

// about are the families that speak of a point without giving its value.
var about = []string{"rillwatch_reading_believed", "rillwatch_reading_bound", "rillwatch_reading_quality", "rillwatch_reading_reason",
	"rillwatch_reading_last_good_timestamp_seconds", "rillwatch_point_info"}

// values gives every sample that could be taken for the value of a point, whatever its family is called.
func (s scrape) values(panel, point string) []sample {
	var out []sample
	for _, x := range s {
		if x.labels["panel"] == panel && x.labels["point"] == point && !slices.Contains(about, x.family) {
			out = append(out, x)
		}
	}
	return out
}

// reason gives the one reason of a point; empty when there is none, or more than one.
func (s scrape) reason(panel, point string) string {
	found := ""
	for _, x := range s {
		if x.family != "rillwatch_reading_reason" || x.labels["panel"] != panel || x.labels["point"] != point {
			continue
		}
		if x.value != 1 || found != "" {
			return ""
		}
		found = x.labels["reason"]
	}
	return found
}

// reading is one row of /api/v1/readings.
type reading struct {
	Panel     string       `json:"panel"`
	Point     string       `json:"point"`
	Value     *json.Number `json:"value"`
	Unit      string       `json:"unit"`
	Bound     *string      `json:"bound"`
	Quality   string       `json:"quality"`
	Reason    string       `json:"reason"`
	InMetrics bool         `json:"in_metrics"`
}

// readings gives the rows of the API by point.
func (d *daemon) readings() map[string]reading {
	d.t.Helper()
	var body struct {
		Readings []reading `json:"readings"`
	}
	d.getJSON("/api/v1/readings", &body)
	out := map[string]reading{}
	for _, r := range body.Readings {
		if _, twice := out[r.Point]; twice {
			d.t.Fatalf("/api/v1/readings: %s stands there twice", r.Point)
		}
		out[r.Point] = r
	}
	return out
}

// excursion is an open one, as /api/v1/alarms gives it.
type excursion struct {
	ID      string      `json:"id"`
	Alarm   string      `json:"alarm"`
	Start   string      `json:"start"`
	Peak    json.Number `json:"peak"`
	Beyond  json.Number `json:"beyond_s"`
	Within  json.Number `json:"within_s"`
	Unknown json.Number `json:"unknown_s"`
	NoLen   bool        `json:"length_not_known"`
}

func (d *daemon) excursions() []excursion {
	d.t.Helper()
	var body struct {
		Excursions []excursion `json:"excursions"`
	}
	d.getJSON("/api/v1/alarms", &body)
	return body.Excursions
}
