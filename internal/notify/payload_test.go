package notify

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/event"
)

var (
	fieldName   = regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
	fieldMoment = regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$`)
)

// payloadDigits is how many digits after the point a number of the payload may have at most, by its place. A place that is not here may
// hold no number.
func payloadDigits(e *event.Event) map[string]int {
	most := map[string]int{"count": 0, "nth": 0, "limit.value": 6, "limit.normal.value": 6, "limit.normal.quarter_hours": 0, "trust.flow_ml_per_min": 0, "trust.temperature": 1, "trust.owed_ml": 0, "lasted_s": 3, "override.left_s": 3, "highest": 1,
		"held_alarms": 0, "readings_missing": 0, "excursion.longest_gap_s": 3, "excursion.valid_share": 3, "excursion.more_links": 0,
		"excursion.beyond_s": 3, "excursion.within_s": 3, "excursion.unknown_s": 3, "excursion.suspended_s": 3}
	if v := e.Value; v != nil {
		most["reading.value"], most["highest"] = max(v.Decimals, 0), max(v.Decimals, 0)
	}
	if v := e.LastGood; v != nil {
		most["last_good.value"] = max(v.Decimals, 0)
	}
	if x := e.Excursion; x != nil {
		d := max(x.Decimals, 0)
		most["excursion.peak"], most["excursion.mean_beyond"], most["excursion.integral_unit_h"] = d, d, d+1
		most["excursion.integral_upper_unit_h"] = d + 1
	}
	return most
}

// payloadFaults gives what a program would stumble over in the payload of an event.
func payloadFaults(body []byte, e *event.Event) (wrong []string) {
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.UseNumber()
	var envelope struct{ Data map[string]any }
	if err := dec.Decode(&envelope); err != nil {
		return []string{err.Error()}
	}
	add := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	most := payloadDigits(e)
	var walk func(place string, v any)
	walk = func(place string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, inner := range v {
				if !fieldName.MatchString(k) {
					add("the field %q is not snake_case", k)
				}
				walk(strings.TrimPrefix(place+"."+k, "."), inner)
			}
		case json.Number:
			_, after, _ := strings.Cut(v.String(), ".")
			if d, ok := most[place]; !ok || len(after) > d {
				add("%s is %s, more digits than it can carry", place, v)
			}
			if strings.HasPrefix(v.String(), "-") && strings.Trim(v.String(), "-0.") == "" {
				add("%s is minus zero", place)
			}
		case string:
			leaf := place[strings.LastIndex(place, ".")+1:]
			if moment := leaf == "at" || leaf == "start" || leaf == "end" || strings.HasSuffix(leaf, "_at"); moment && !fieldMoment.MatchString(v) {
				add("%s is %q, not a moment", place, v)
			}
		case []any:
			if len(v) == 0 {
				add("%s is an empty list: absent is absent", place)
			}
			for _, inner := range v {
				walk(place, inner)
			}
		case nil:
			add("%s is %v: absent is absent", place, v)
		}
	}
	walk("", envelope.Data)
	for place, v := range map[string]*event.Value{"reading": e.Value, "last_good": e.LastGood} {
		read, _ := envelope.Data[place].(map[string]any)
		_, ok := believed(v)
		_, value := read["value"]
		_, bound := read["bound"]
		if v != nil && (value != ok || bound != ok) {
			add("%s is believed: %t; has a value: %t, a bound: %t", place, ok, value, bound)
		}
	}
	return wrong
}

func TestAProgramFindsNoDustAndNoNumberThatIsNotBelieved(t *testing.T) {
	for _, c := range tales() {
		e := c.e
		e.Lasted += 1234567 * time.Nanosecond
		if e.Value != nil {
			v := *e.Value
			v.Value += 1.0 / 3
			e.Value = &v
		}
		for _, w := range payloadFaults(body(larkfield(t, c.zone), &e), &e) {
			t.Errorf("%s: %s", c.name, w)
		}
	}
	r := rand.New(rand.NewPCG(20261025, 8))
	s := larkfield(t, "Europe/London")
	for i := range 600 {
		k := event.Kind(r.IntN(event.KindCount))
		if !k.Told() {
			continue
		}
		e := randomEvent(r, k)
		if w := payloadFaults(body(s, &e), sober(&e, clips[0])); len(w) > 0 {
			t.Fatalf("event %d, %s: %s", i, k, strings.Join(w, "\n"))
		}
	}
}

// TestATroubleOfTheDiskIsNamedWithoutTheProgramsError: the error holds paths of the machine; the log has it.
func TestATroubleOfTheDiskIsNamedWithoutTheProgramsError(t *testing.T) {
	for _, c := range tales() {
		if c.e.Kind != event.CommitFailing && c.e.Kind != event.StateLost {
			continue
		}
		b := string(body(larkfield(t, c.zone), &c.e))
		if strings.Contains(b, "/var/lib") || strings.Contains(b, "invalid character") || strings.Contains(b, "EOF") || strings.Contains(b, "page 4") {
			t.Errorf("%s tells the program's error: %s", c.name, b)
		}
		if want := map[string]string{"logbook.failing-disk-full": `"cause":"disk_full"`, "logbook.failing-unknown": `"cause":"not_known"`}[c.name]; !strings.Contains(b, want) {
			t.Errorf("%s lacks %s", c.name, want)
		}
	}
}

// TestOneTemperatureIsSaidInOneUnit: Larkfield wrote its closing value in degF and its display shows degC.
func TestOneTemperatureIsSaidInOneUnit(t *testing.T) {
	said := 0
	for _, c := range tales() {
		if c.e.Value == nil || c.e.Value.Unit != "degF" {
			continue
		}
		said++
		if m := compose(larkfield(t, c.zone), &c.e); strings.Contains(m.headline+m.text, "degC") {
			t.Errorf("%s says degC beside degF:\n%s\n%s", c.name, m.headline, m.text)
		}
	}
	if said < 10 {
		t.Errorf("%d messages say a temperature in degF", said)
	}
}

// TestABareClosingValueIsSaidWithTheUnitOfItsPoint: "40 degC, should close above 49" leaves the reader to guess of what.
func TestABareClosingValueIsSaidWithTheUnitOfItsPoint(t *testing.T) {
	for text, want := range map[string]string{"49": "close above 49 degC.", "120 degF": "close above 120 degF.", "120degF": "close above 120 degF."} {
		s := larkfield(t, "Europe/London")
		s.Panels[0].Interlock.CloseText, s.Panels[0].Interlock.CloseAbove = text, 49
		for _, c := range tales() {
			if c.e.Kind != event.SampleWarm {
				continue
			}
			if m := compose(s, &c.e); !strings.Contains(m.text, want) {
				t.Errorf("%q: %s", text, m.text)
			}
		}
	}
}
