package httpapi

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/engine"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const enterAt = "/api/v1/points/b2.chloride/enter"

func entering(path, body string) *http.Request {
	r := httptest.NewRequest("POST", path, strings.NewReader(body))
	r.Header.Set("Authorization", "Bearer "+token)
	r.Header.Set("Content-Type", "application/json")
	return r
}

func TestAnEnteredValueReachesTheEngineWhole(t *testing.T) {
	h, got := asked(t, engine.Reply{Words: "entered b2.chloride: 100.0 mg/L, stale after 26h0m0s"}, nil)
	status, _, body := ask(t, h, entering(enterAt, `{"who":"Kim","why":"morning round","id":"v-1","value":100,"unit":"mg/L","basis":"SO3","taken":"2026-11-25T08:30:00+01:00"}`))
	if want := `{"id":"v-1","point":"b2.chloride","result":"entered","words":"entered b2.chloride: 100.0 mg/L, stale after 26h0m0s"}` + "\n"; status != 200 || body != want {
		t.Errorf("%d %s", status, body)
	}
	want := engine.EnterValue{Point: "b2.chloride", Value: 100, Unit: "mg/L", Basis: "SO3", Taken: reading.WallOf(time.Date(2026, 11, 25, 7, 30, 0, 0, time.UTC))}
	if d := cmp.Diff([]engine.Command{{ID: "v-1", Who: "Kim", Why: "morning round", From: "api", At: moment(100.25), Do: want}}, *got); d != "" {
		t.Error(d)
	}
	_, _, _ = ask(t, h, entering(enterAt, `{"who":"Kim","value":0,"unit":"mg/L"}`)) // a zero is a value, and now is the time
	if last := (*got)[len(*got)-1]; last.ID != "made-1" || last.Do != (engine.EnterValue{Point: "b2.chloride", Unit: "mg/L"}) {
		t.Errorf("%+v", last)
	}
}

func TestAValueThatIsNoneIsRefusedByNameAndNeverReachesTheEngine(t *testing.T) {
	for _, c := range []struct {
		what, path, body string
		status           int
		problem          string
	}{
		{"nobody", enterAt, `{"value":1,"unit":"mg/L"}`, 422, "who_is_missing"},
		{"no value", enterAt, `{"who":"Kim","unit":"mg/L"}`, 422, "bad_field"},
		{"a null", enterAt, `{"who":"Kim","value":null,"unit":"mg/L"}`, 422, "bad_field"},
		{"a text", enterAt, `{"who":"Kim","value":"100","unit":"mg/L"}`, 422, "bad_field"},
		{"no unit", enterAt, `{"who":"Kim","value":1}`, 422, "unit_not_taken"},
		{"a unit of two lines", enterAt, `{"who":"Kim","value":1,"unit":"mg\n/L"}`, 422, "unit_not_taken"},
		{"a basis of two words", enterAt, `{"who":"Kim","value":1,"unit":"mg/L","basis":"as SO3"}`, 422, "basis_not_taken"},
		{"yesterday", enterAt, `{"who":"Kim","value":1,"unit":"mg/L","taken":"yesterday"}`, 422, "bad_field"},
		{"the year one", enterAt, `{"who":"Kim","value":1,"unit":"mg/L","taken":"0001-01-01T00:00:00Z"}`, 422, "bad_field"},
		{"a field more", enterAt, `{"who":"Kim","value":1,"unit":"mg/L","point":"b3.chloride"}`, 422, "unknown_field"},
		{"beyond any number", enterAt, `{"who":"Kim","value":1e999,"unit":"mg/L"}`, 422, "bad_field"},
		{"a name no point has", "/api/v1/points/b2.chl~/enter", `{"who":"Kim","value":1,"unit":"mg/L"}`, 404, "no_such_point"},
		{"no point", "/api/v1/points//enter", `{"who":"Kim","value":1,"unit":"mg/L"}`, 404, "not_found"},
	} {
		h, got := asked(t, engine.Reply{}, nil)
		status, header, body := ask(t, h, entering(c.path, c.body))
		wantProblem(t, c.what, status, header, body, c.status, c.problem)
		if len(*got) != 0 {
			t.Errorf("%s: reached the engine: %+v", c.what, *got)
		}
	}
	h, _ := asked(t, engine.Reply{}, nil)
	r := entering(enterAt, "")
	r.Method = "GET"
	status, header, body := ask(t, h, r)
	wantProblem(t, "read", status, header, body, 405, "method_not_allowed")
}

func TestEnteringNeedsTheToken(t *testing.T) {
	h, got := asked(t, engine.Reply{}, nil)
	r := entering(enterAt, `{"who":"Kim","value":1,"unit":"mg/L"}`)
	r.Header.Del("Authorization")
	status, header, body := ask(t, h, r)
	wantProblem(t, "no token", status, header, body, 401, "token_missing")
	if len(*got) != 0 {
		t.Error("it went through")
	}
}

func TestEveryRefusalOfAnEnteredValueHasAProblem(t *testing.T) {
	for _, why := range []engine.Refusal{engine.NoSuchPoint, engine.UnitNotTaken, engine.BasisNotTaken, engine.ValueNotPossible, engine.TimeNotTaken} {
		h, _ := asked(t, engine.Reply{Refusal: why, Words: "because"}, nil)
		status, header, body := ask(t, h, entering(enterAt, `{"who":"Kim","value":1,"unit":"mg/L"}`))
		if problemOf(why).title == refusedOtherwise.title {
			t.Errorf("%s has no problem of its own", why)
		}
		wantProblem(t, string(why), status, header, body, problemOf(why).status, string(why))
	}
}

// A derived point says its arithmetic; once judgement has stopped it says none.
func TestReadingsCarryAdviceWhileTheyAreJudged(t *testing.T) {
	p := newPlant(t)
	number := unit(t, "number", quantity.Number)
	cycles := len(p.site.Points)
	p.add(0, "b2.cycles", number, 0.1, reading.Of(20, reading.Exact, reading.Believed, moment(99)))
	p.add(0, "b2.blowdown-of-steam", unit(t, "%", quantity.Ratio), 0.01, reading.Of(5.2632, reading.Exact, reading.Believed, moment(99)))
	d := &p.site.Points[len(p.site.Points)-1]
	d.Sensor, d.Derive = site.None, site.Derive{By: site.BlowdownOfSteam, Inputs: []site.Input{{Point: cycles}}}
	conf := p.config()
	advice := func() []any {
		_, _, body := ask(t, New(conf), httptest.NewRequest("GET", "/api/v1/readings?panel=b2", nil))
		for _, r := range parse(t, body)["readings"].([]any) {
			if r := r.(map[string]any); r["point"] == "blowdown-of-steam" {
				a, _ := r["advice"].([]any)
				return a
			}
		}
		t.Fatal("no such reading")
		return nil
	}
	want := "at 20.0 cycles 5.00 % of the feedwater is blown down (100 over the cycles), which is 5.26 % of the steam (100 over the cycles less one)"
	if got := advice(); len(got) != 1 || got[0] != want {
		t.Errorf("%q", got)
	}
	p.view.At = moment(0) // the asker comes at 100 s
	if got := advice(); got != nil {
		t.Errorf("advice from what nobody judges: %q", got)
	}
}

// 4 ppb of oxygen take 0.004 mg/L of hydrazine; what SO3 and Na2SO3 are told by differs by 57 %.
func TestADemandIsPublishedWithWhatItCountsAndNeverBelowNothing(t *testing.T) {
	p := newPlant(t)
	dose := unit(t, "mg/L", quantity.Dose)
	p.add(0, "b2.demand", dose, 0.0001, reading.Of(0.004006, reading.Exact, reading.Believed, moment(99)))
	p.site.Points[len(p.site.Points)-1].Basis = "N2H4"
	p.add(0, "b2.coarse", dose, 0.1, reading.Of(0.0012, reading.Below, reading.Believed, moment(99)))
	p.site.Points[len(p.site.Points)-1].Basis = "SO3"
	_, _, body := ask(t, New(p.config()), httptest.NewRequest("GET", "/api/v1/readings?panel=b2", nil))
	for _, want := range []string{`"value":0.0040,"unit":"mg/L","basis":"N2H4","bound":"exact"`, `"value":0.001,"unit":"mg/L","basis":"SO3","bound":"below"`} {
		if !strings.Contains(body, want) {
			t.Errorf("%s\nlacks %s", body, want)
		}
	}
	_, _, body = ask(t, New(p.config()), httptest.NewRequest("GET", "/api/v1/readings?panel=b2&format=csv", nil))
	if !strings.Contains(body, ",N2H4\r\n") {
		t.Error(body)
	}
}
