package httpapi

import (
	"encoding/csv"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/engine"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func itoa(n int) string { return strconv.Itoa(n) }

func readingsOf(t *testing.T, body string) []map[string]any {
	t.Helper()
	var all []map[string]any
	for _, r := range parse(t, body)["readings"].([]any) {
		all = append(all, r.(map[string]any))
	}
	return all
}

func TestReadingHasTheDocumentedFieldsAndTheDisplaysDigits(t *testing.T) {
	status, header, body := get(t, New(newPlant(t).config()), "/api/v1/readings?panel=b2")
	if status != 200 || header.Get("Content-Type") != "application/json" {
		t.Fatalf("%d %v %s", status, header, body)
	}
	// 63 x 0.1 is not 6.3 in binary; -0.04 at a resolution of 0.1 is no minus zero
	want := `{"site":"larkfield-mill","definition":"0123456789ab","at":"2026-11-25T10:01:40.000Z","clock_certain":true,"readings":[` +
		`{"panel":"b2","point":"rack.oxygen","quantity":"dissolved-oxygen","value":6.3,"unit":"ppb","bound":"exact","quality":"good","reason":"believed",` +
		`"words":"nothing speaks against it","counts":true,"in_metrics":true,"at":"2026-11-25T10:01:39.000Z","age_s":1.250,"oldest_at":null,` +
		`"last_good_at":"2026-11-25T10:01:39.000Z",` + // its limit stands in alarm, so there is something to ask
		`"advice":["does oxygen fall when the sample flow is raised? Then suspect an air leak in the line (common practice)",` +
		`"does an ampoule test of the same sample agree?",` +
		`"is the deaerator at saturation for its own pressure, and has the feed of cold make-up or returned condensate changed?",` +
		`"these are questions, not orders: the plant's chemist, the boiler maker's instructions and local codes decide"]},` +
		`{"panel":"b2","point":"rack.temperature","quantity":"temperature","value":0.0,"unit":"degC","bound":"exact","quality":"good","reason":"believed",` +
		`"words":"nothing speaks against it","counts":true,"in_metrics":true,"at":"2026-11-25T10:01:39.000Z","age_s":1.250,"oldest_at":null,` +
		`"last_good_at":"2026-11-25T10:01:39.000Z"},` +
		`{"panel":"b2","point":"rack.valve_closed","quantity":"state","value":0,"unit":"state","bound":"exact","quality":"good","reason":"believed",` +
		`"words":"nothing speaks against it","counts":true,"in_metrics":true,"at":"2026-11-25T10:01:39.000Z","age_s":1.250,"oldest_at":null,` +
		`"last_good_at":"2026-11-25T10:01:39.000Z"}]}` + "\n"
	if d := cmp.Diff(want, body); d != "" {
		t.Error(d)
	}
}

func TestADerivedPointSaysHowOldItsOldestInputIs(t *testing.T) {
	p := newPlant(t)
	r := reading.Of(18.2, reading.Exact, reading.Believed, moment(99))
	r.Oldest = moment(90)
	p.add(0, "b2.resistivity", unit(t, "MOhm.cm", quantity.Resistivity), 0.1, r)
	p.site.Points[len(p.site.Points)-1].Sensor = site.None
	_, _, body := get(t, New(p.config()), "/api/v1/readings?panel=b2")
	all := readingsOf(t, body)
	if got := all[len(all)-1]; got["point"] != "resistivity" || got["oldest_at"] != "2026-11-25T10:01:30.000Z" || got["at"] != "2026-11-25T10:01:39.000Z" {
		t.Errorf("%v", got)
	}
}

func TestABadReadingHasNoValueAndADoubtedOneHas(t *testing.T) {
	_, _, body := get(t, New(newPlant(t).config()), "/api/v1/readings?panel=every")
	seen := 0
	for _, r := range readingsOf(t, body) {
		if !strings.HasPrefix(r["point"].(string), "reason.") {
			continue
		}
		seen++
		bad := r["quality"] == "bad"
		if (r["value"] == nil) != bad || (r["bound"] == nil) != bad {
			t.Errorf("%v", r)
		}
		if _, ok := r["value"]; !ok {
			t.Errorf("%v: the field value is missing; it is null when there is none", r)
		}
	}
	if seen != reading.ReasonCount {
		t.Errorf("%d reasons of %d", seen, reading.ReasonCount)
	}
}

func TestAPointNeverHeardOfHasNoMoment(t *testing.T) {
	p := newPlant(t)
	p.add(0, "b2.rack.new", unit(t, "degC", quantity.Temperature), 0.1, reading.Reading{})
	_, _, body := get(t, New(p.config()), "/api/v1/readings?panel=b2")
	all := readingsOf(t, body)
	r := all[len(all)-1]
	if r["value"] != nil || r["at"] != nil || r["age_s"] != nil || r["last_good_at"] != nil || r["reason"] != "unknown" {
		t.Errorf("%v", r)
	}
}

func TestReadingsOfOnePanelOfTheSiteAndOfAll(t *testing.T) {
	p := newPlant(t)
	h := New(p.config())
	count := map[string]int{}
	for _, panel := range []string{"", "?panel=b2", "?panel=every", "?panel=site"} {
		_, _, body := get(t, h, "/api/v1/readings"+panel)
		count[panel] = len(readingsOf(t, body))
	}
	if count["?panel=b2"] != 3 || count["?panel=site"] != 1 || count[""] != len(p.site.Points) || count[""] != count["?panel=b2"]+count["?panel=every"]+count["?panel=site"] {
		t.Errorf("%v", count)
	}
}

func TestTheAPIGoesStaleWithJudgement(t *testing.T) {
	c := newPlant(t).config()
	c.Now = func() reading.Stamp { return moment(116) }
	_, _, body := get(t, New(c), "/api/v1/status")
	if !strings.Contains(body, `"representative":false,"reason":"stale"`) || !strings.Contains(body, `"valve":{"state":"not_confirmed","from":"none"}`) {
		t.Errorf("%s", body)
	}
	_, _, body = get(t, New(c), "/api/v1/readings?panel=b2")
	for _, r := range readingsOf(t, body) {
		if r["value"] != nil || r["reason"] != "stale" {
			t.Errorf("%v", r)
		}
	}
}

func TestReadingsAsCSV(t *testing.T) {
	p := newPlant(t)
	p.site.Panels[0].Name = "-b2" // a name the configuration allows, and a formula to a spreadsheet
	for i := range 3 {
		p.site.Points[i].Path = "-" + p.site.Points[i].Path
	}
	p.view.Panels[0].Points[1].Reading = reading.Of(-12.34, reading.Exact, reading.Believed, moment(99))
	p.view.Panels[0].Points[2].Reading = reading.Not(reading.Silent, moment(99))
	_, header, body := get(t, New(p.config()), "/api/v1/readings?panel=-b2&format=csv")
	if !strings.HasPrefix(header.Get("Content-Type"), "text/csv") {
		t.Errorf("%v", header)
	}
	want := "panel,point,quantity,value,unit,bound,quality,reason,words,counts,in_metrics,at,age_s,last_good_at,basis\r\n" +
		"'-b2,rack.oxygen,dissolved-oxygen,6.3,ppb,exact,good,believed,nothing speaks against it,true,true,2026-11-25T10:01:39.000Z,1.250,2026-11-25T10:01:39.000Z,\r\n" +
		"'-b2,rack.temperature,temperature,-12.3,degC,exact,good,believed,nothing speaks against it,true,true,2026-11-25T10:01:39.000Z,1.250,2026-11-25T10:01:39.000Z,\r\n" +
		"'-b2,rack.valve_closed,state,,state,,bad,silent,the sensor does not answer,false,false,2026-11-25T10:01:39.000Z,1.250,2026-11-25T10:01:39.000Z,\r\n"
	if d := cmp.Diff(want, body); d != "" {
		t.Error(d)
	}
	_, _, body = get(t, New(p.config()), "/api/v1/readings?format=csv")
	rows, err := csv.NewReader(strings.NewReader(body)).ReadAll()
	if err != nil || len(rows) != len(p.site.Points)+1 {
		t.Errorf("%v: %d rows", err, len(rows))
	}
	for _, row := range rows {
		for _, c := range row {
			if c != "" && strings.ContainsRune("=+@\t\r", rune(c[0])) {
				t.Errorf("the cell %q runs as a formula", c)
			}
		}
	}
}

func TestTheAcceptHeaderChoosesTheForm(t *testing.T) {
	h := New(newPlant(t).config())
	for _, c := range []struct {
		accept, query, want string
	}{
		{"", "", "application/json"}, {"*/*", "", "application/json"}, {"text/csv", "", "text/csv"}, {"application/json, text/csv", "", "application/json"},
		{"text/csv, application/json", "", "text/csv"}, {"text/csv;q=0.5, application/json", "", "application/json"}, {"text/csv;q=0", "", "application/json"},
		{"text/html, */*;q=0.1", "", "application/json"}, {"text/csv;;;", "", "application/json"}, {"text/csv", "?format=json", "application/json"}, {"", "?format=csv", "text/csv"},
	} {
		r := httptest.NewRequest("GET", "/api/v1/readings"+c.query, nil)
		r.Header.Set("Accept", c.accept)
		status, header, _ := ask(t, h, r)
		if status != 200 || !strings.HasPrefix(header.Get("Content-Type"), c.want) || header.Get("Vary") != "Accept" {
			t.Errorf("Accept %q%s: %d %v, want %s", c.accept, c.query, status, header, c.want)
		}
	}
}

func TestAlarmsCarryTheirLimitAndTheOpenExcursion(t *testing.T) {
	_, _, body := get(t, New(newPlant(t).config()), "/api/v1/alarms?panel=b2")
	want := `{"site":"larkfield-mill","definition":"0123456789ab","at":"2026-11-25T10:01:40.000Z","alarms":[` +
		`{"alarm":"b2.oxygen-high","panel":"b2","point":"rack.oxygen","state":"unacknowledged","priority":"high","active":true,"since":"2026-11-25T10:00:40.000Z",` +
		`"raised_event":"0badcafe-17","pending_s":0.000,"excursion":"0badcafe-17","limit":{"side":"high","value":20,"unit":"ppb","source":{"document":` +
		`"Larkfield feedwater specification","edition":"rev 3, clause 4.2","band":"20 to 40 bar","tap":"before-scavenger"},"action":"confirm by an ampoule test","judges":"value"},"told":false,"unsteady":false,"must_not_be_silenced":false},` +
		`{"alarm":"b2.sample-warm","panel":"b2","state":"normal","priority":"medium","active":false,"since":null,"pending_s":0.000,"told":false,"unsteady":false,"must_not_be_silenced":false}],"excursions":[` +
		`{"id":"0badcafe-17","alarm":"b2.oxygen-high","panel":"b2","point":"b2.rack.oxygen","unit":"ppb","start":"2026-11-25T10:00:10.000Z","peak":6.3,"peak_bound":"above",` +
		`"peak_at":"2026-11-25T10:00:50.000Z","beyond_s":80.000,"within_s":1.000,"unknown_s":9.000,"suspended_s":0.000,"length_not_known":false,"integral_unit_h":0.1235,` +
		`"integral_is_lower_bound":false,"mean_beyond":5.55,"mean_bound":"exact","acknowledged_at":null,"integral_upper_unit_h":null,"valid_share":null,"longest_gap_s":0.000,"start_certain":true,"links":[]}],` +
		`"counts":{"acknowledged":0,"active":1,"held_back":0,"normal":1,"out_of_service":0,"returned_unacknowledged":0,"shelved":0,"suppressed":0,"unacknowledged":1,"unsteady":0}}` + "\n"
	if d := cmp.Diff(want, body); d != "" {
		t.Error(d)
	}
	_, _, body = get(t, New(newPlant(t).config()), "/api/v1/alarms?panel=every")
	if m := parse(t, body); len(m["alarms"].([]any)) != 0 || len(m["excursions"].([]any)) != 0 {
		t.Errorf("%s", body)
	}
}

func TestStatusTellsOfBusesPanelsLogbookAndOutbox(t *testing.T) {
	_, _, body := get(t, New(newPlant(t).config()), "/api/v1/status")
	want := `{"site":"larkfield-mill","definition":"0123456789ab","version":"v0.0.0-test","boot":"0badcafe","at":"2026-11-25T10:01:40.000Z","clock_certain":true,` +
		`"judged_rounds":100,"restored":true,"panels":[{"panel":"b2","title":"Boiler 2 feedwater","tap":"before-scavenger","on_line":true,"on_line_from":"b2.rack.feed_on","start_up_left_s":90.000,` +
		`"representative":true,"reason":"believed","words":"nothing speaks against it","flushed_ml":2346,"owed_ml":0,"lag_s":95.000,"interlock":{"state":"watching",` +
		`"mode":"observe","first_out_at":null},"valve":{"state":"open","from":"feedback"},"alarms_active":1,"excursions_open":1,"said":[]},` +
		`{"panel":"every","title":"","tap":"unknown","on_line":true,"on_line_from":"assumed","start_up_left_s":null,"representative":false,"reason":"flow_unproven",` +
		`"words":"no flow is measured, so nobody can say whether the sensor saw flow","flushed_ml":0,"owed_ml":0,"lag_s":null,"interlock":null,` +
		`"valve":{"state":"not_confirmed","from":""},"alarms_active":0,"excursions_open":0,"said":[]}],"buses":[{"bus":"panel-net","connected":true,"rounds":100,"missed_slots":2,` +
		`"at":"2026-11-25T10:01:40.000Z","faults":{"timeout":3},"stations":[{"station":1,"answering":true,"fault":"answered","words":"answered","took_s":0.012},` +
		`{"station":9,"answering":false,"fault":"timeout","words":"the station does not answer","took_s":0.000}]}],"logbook":{"commits":20,"commit_failures":1,` +
		`"last_commit_at":"2026-11-25T10:01:37.000Z","samples_dropped":4,"bytes":65536},"outbox":[{"recipient":"on-call","waiting":1,"delivered":5,"refused":1,"expired":2,` +
		`"in_summary":4,"attempts":11,"heartbeats":7,"heartbeats_failed":3}]}` + "\n"
	if d := cmp.Diff(want, body); d != "" {
		t.Error(d)
	}
}

func TestHealthFollowsJudgementAndNotThePlant(t *testing.T) {
	p := newPlant(t)
	c := p.config()
	for _, k := range []struct {
		after float64
		want  int
	}{{0, 200}, {15, 200}, {15.1, 503}, {3600, 503}} {
		c.Now = func() reading.Stamp { return moment(100 + k.after) }
		status, header, body := get(t, New(c), "/healthz")
		if status != k.want {
			t.Errorf("%v s after the last judgement: %d %s", k.after, status, body)
		}
		if k.want == 503 {
			wantProblem(t, "stands", status, header, body, 503, "judgement_stands_still")
		}
	}
	// a wall clock that steps by a year bends nothing
	c.Now = func() reading.Stamp {
		return reading.Stamp{Wall: moment(0).Wall + 365*86400*1e9, Up: moment(101).Up}
	}
	if status, _, body := get(t, New(c), "/healthz"); status != 200 || body != `{"status":"ok","judged_at":"2026-11-25T10:01:40.000Z","judged_age_s":1.000,"judged_rounds":100}`+"\n" {
		t.Errorf("%d %s", status, body)
	}
	c.View = func() *engine.View { return nil }
	status, header, body := get(t, New(c), "/healthz")
	wantProblem(t, "no view", status, header, body, 503, "not_started")
}

func TestReadyOnceBootedEveryBusAskedAndTheLogbookWritten(t *testing.T) {
	p := newPlant(t)
	p.site.Buses = append(p.site.Buses, site.Bus{Name: "line-b"})
	p.view.Buses = append(p.view.Buses, engine.BusView{})
	p.view.Boot, p.view.Buses[0].Rounds = "", 0
	c := p.config()
	facts := Facts{}
	c.Facts = func() Facts { return facts }
	at := 100.0
	c.Now = func() reading.Stamp { return moment(at) }
	h := New(c)
	for _, step := range []struct {
		what    string
		do      func()
		waiting []any
	}{
		{"at first", func() {}, []any{"the logbook is being read"}},
		{"booted", func() { p.view.Boot = "0badcafe" }, []any{"bus panel-net has not made its first round", "bus line-b has not made its first round", "nothing has been committed to the logbook yet"}},
		{"one bus asked", func() { p.view.Buses[0].Rounds = 1 }, []any{"bus line-b has not made its first round", "nothing has been committed to the logbook yet"}},
		{"both, in silence", func() { p.view.Buses[1].Rounds = 1 }, []any{"nothing has been committed to the logbook yet"}},
		{"committed", func() { facts.LastCommit = moment(101); at = 102 }, nil},
		{"three flushes and ten seconds later", func() { at = 126 }, nil},
		{"later still", func() { at = 126.6 }, []any{"the last commit to the logbook is 26s old"}},
	} {
		step.do()
		status, header, body := get(t, h, "/readyz")
		if step.waiting == nil {
			if status != 200 || body != `{"status":"ok"}`+"\n" {
				t.Errorf("%s: %d %s", step.what, status, body)
			}
			continue
		}
		m := wantProblem(t, step.what, status, header, body, 503, "not_ready")
		if d := cmp.Diff(any(step.waiting), m["waiting"]); d != "" {
			t.Errorf("%s: %s", step.what, d)
		}
	}
}

func TestEverythingElseIsAProblemWithAName(t *testing.T) {
	h := New(newPlant(t).config())
	for _, c := range []struct {
		method, path string
		status       int
		name         string
	}{
		{"GET", "/nothing", 404, "not_found"}, {"GET", "/api/v1/", 404, "not_found"}, {"GET", "/api/v1/readings/", 404, "not_found"}, {"GET", "//metrics", 404, "not_found"},
		{"GET", "/api/v1/alarms/b2.oxygen-high", 404, "not_found"}, {"POST", "/api/v1/alarms//acknowledge", 404, "not_found"}, {"POST", "/api/v1/alarms/acknowledge", 404, "not_found"},
		{"POST", "/api/v1/alarms/a/b/acknowledge", 404, "not_found"}, {"GET", "/api/v1/../../etc/passwd", 404, "not_found"},
		{"POST", "/metrics", 405, "method_not_allowed"}, {"DELETE", "/api/v1/readings", 405, "method_not_allowed"}, {"OPTIONS", "/api/v1/readings", 405, "method_not_allowed"},
		{"GET", "/api/v1/alarms/b2.oxygen-high/acknowledge", 405, "method_not_allowed"}, {"POST", "/", 405, "method_not_allowed"},
		{"GET", "/api/v1/readings?panel=b9", 404, "no_such_panel"}, {"GET", "/api/v1/alarms?panel=", 404, "no_such_panel"},
		{"GET", "/api/v1/readings?panle=b2", 400, "bad_parameter"}, {"GET", "/api/v1/readings?panel=b2&panel=every", 400, "bad_parameter"},
		{"GET", "/api/v1/readings?format=xml", 400, "bad_parameter"}, {"GET", "/api/v1/status?x", 400, "bad_parameter"}, {"GET", "/healthz?x=1", 400, "bad_parameter"},
	} {
		status, header, body := ask(t, h, httptest.NewRequest(c.method, c.path, nil))
		wantProblem(t, c.method+" "+c.path, status, header, body, c.status, c.name)
		if (c.status == 405) != (header.Get("Allow") != "") {
			t.Errorf("%s %s: Allow %q", c.method, c.path, header.Get("Allow"))
		}
	}
}

func TestEveryAnswerCarriesTheSafeHeadersAndNoneOpensToOtherSites(t *testing.T) {
	h := New(newPlant(t).config())
	for _, path := range []string{"/", "/metrics", "/healthz", "/readyz", "/api/v1/readings", "/api/v1/alarms", "/api/v1/status", "/nothing"} {
		r := httptest.NewRequest("GET", path, nil)
		r.Header.Set("Origin", "https://elsewhere.example")
		_, header, _ := ask(t, h, r)
		if header.Get("X-Content-Type-Options") != "nosniff" || header.Get("Cache-Control") != "no-store" || header.Get("Content-Security-Policy") == "" {
			t.Errorf("%s: %v", path, header)
		}
		for name := range header {
			if strings.HasPrefix(name, "Access-Control-") {
				t.Errorf("%s: %s", path, name)
			}
		}
	}
}

// The list at / must not promise a path that is not there, nor keep one back.
func TestTheListOfPathsIsTrue(t *testing.T) {
	c := newPlant(t).config()
	c.Past = past(nil)
	h := New(c)
	_, header, body := get(t, h, "/")
	if !strings.HasPrefix(header.Get("Content-Type"), "text/plain") {
		t.Errorf("%v", header)
	}
	listed := 0
	for line := range strings.Lines(body) {
		f := strings.Fields(line)
		if len(f) < 2 || f[0] != http.MethodGet {
			continue
		}
		listed++
		path, _, _ := strings.Cut(f[1], "[")
		if status, _, body := get(t, h, path); status != 200 {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
	if listed != 9 || !strings.Contains(body, "POST /api/v1/alarms/{alarm}/acknowledge") {
		t.Errorf("%d paths in\n%s", listed, body)
	}
}

func TestNoNumberThatIsNoneReachesJSON(t *testing.T) {
	var zero float64
	for _, v := range []float64{zero / 1, 1 / 3.0} {
		if n := digits(v, 2); n == nil || !json.Valid([]byte(*n)) {
			t.Errorf("%v: %v", v, n)
		}
	}
	p := &site.Point{Resolution: 0.1}
	for _, v := range []float64{zero / zero, 1 / zero, -1 / zero} {
		if digits(v, 1) != nil || atResolution(v, p) != nil {
			t.Errorf("%v was written", v)
		}
	}
}
