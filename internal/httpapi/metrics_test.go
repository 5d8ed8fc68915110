package httpapi

import (
	"bytes"
	"flag"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/prometheus/common/expfmt"

	"rillwatch/internal/engine"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

var update = flag.Bool("update", false, "write testdata/metrics.txt anew; read the difference")

const golden = "testdata/metrics.txt"

// findings are what Prometheus's own lint has against our names, each with the reason why the name stays.
var findings = []string{
	// every ORP electrode, manual and test kit is in millivolts; people decide by them
	`rillwatch_orp_millivolts: use base unit "volts" instead of "millivolts"`,
}

// unitOf is the unit at the end of every family's name. The lint has no table for most of ours. Written by hand; it repeats no code.
// An empty unit is a number of things, a 0/1 state or an information.
var unitOf = map[string]string{
	"rillwatch_temperature_celsius":                      "celsius",
	"rillwatch_dissolved_oxygen_ppb":                     "ppb",
	"rillwatch_conductivity_microsiemens_per_centimeter": "microsiemens_per_centimeter",
	"rillwatch_resistivity_ohm_meters":                   "ohm_meters",
	"rillwatch_flow_milliliters_per_minute":              "milliliters_per_minute",
	"rillwatch_pressure_above_atmospheric_kilopascals":   "kilopascals",
	"rillwatch_absolute_pressure_kilopascals":            "kilopascals",
	"rillwatch_ph_number":                                "number",
	"rillwatch_orp_millivolts":                           "millivolts",
	"rillwatch_sulfite_ppm":                              "ppm",
	"rillwatch_dye_ppb":                                  "ppb",
	"rillwatch_ratio":                                    "ratio",
	"rillwatch_number":                                   "number",
	"rillwatch_length_meters":                            "meters",
	"rillwatch_volume_liters":                            "liters",
	"rillwatch_state":                                    "",
	"rillwatch_chloride_ppm":                             "ppm",
	"rillwatch_dose_ppm":                                 "ppm",
	"rillwatch_duration_seconds":                         "seconds",
	"rillwatch_temperature_difference_kelvin":            "kelvin",

	"rillwatch_reading_believed":                    "",
	"rillwatch_reading_bound":                       "",
	"rillwatch_reading_quality":                     "",
	"rillwatch_reading_reason":                      "",
	"rillwatch_reading_last_good_timestamp_seconds": "seconds",
	"rillwatch_point_info":                          "",
	"rillwatch_bus_connected":                       "",
	"rillwatch_bus_rounds_total":                    "",
	"rillwatch_bus_missed_slots_total":              "",
	"rillwatch_bus_faults_total":                    "",
	"rillwatch_station_answering":                   "",
	"rillwatch_alarm_state":                         "",
	"rillwatch_alarm_active":                        "",
	"rillwatch_alarms_active":                       "", "rillwatch_alarms": "", "rillwatch_alarms_unsteady": "", "rillwatch_alarms_held_back": "",
	"rillwatch_excursions_open":                       "",
	"rillwatch_sample_valve_state":                    "",
	"rillwatch_interlock_state":                       "",
	"rillwatch_sample_representative":                 "",
	"rillwatch_boiler_on_line":                        "",
	"rillwatch_judged_rounds_total":                   "",
	"rillwatch_clock_certain":                         "",
	"rillwatch_logbook_commits_total":                 "",
	"rillwatch_logbook_commit_failures_total":         "",
	"rillwatch_logbook_last_commit_timestamp_seconds": "seconds",
	"rillwatch_logbook_samples_dropped_total":         "",
	"rillwatch_logbook_size_bytes":                    "bytes",
	"rillwatch_outbox_waiting":                        "",
	"rillwatch_deliveries_total":                      "",
	"rillwatch_heartbeats_total":                      "",
	"rillwatch_delivery_attempts_total":               "",
	"rillwatch_build_info":                            "",
}

func registry(t testing.TB, c Config) *prometheus.Registry {
	t.Helper()
	reg := prometheus.NewPedanticRegistry()
	if err := reg.Register(newCollector(c)); err != nil {
		t.Fatal(err)
	}
	return reg
}

// exposition is what a scrape gives, in the text format, of the house's own families.
func exposition(t testing.TB, c Config) string {
	t.Helper()
	families, err := registry(t, c).Gather()
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	for _, f := range families {
		if _, err := expfmt.MetricFamilyToText(&b, f); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

// series finds the samples of a family whose labels hold all the given ones, and gives name{labels} -> value.
func series(text, family string, labels ...string) map[string]string {
	found := map[string]string{}
	for line := range strings.SplitSeq(text, "\n") {
		at := strings.LastIndexByte(line, ' ')
		if at < 0 || line[0] == '#' {
			continue
		}
		name, rest, _ := strings.Cut(line[:at], "{")
		if name != family || slices.ContainsFunc(labels, func(l string) bool { return !strings.Contains(rest, l) }) {
			continue
		}
		found[line[:at]] = line[at+1:]
	}
	return found
}

func TestMetricsOfEveryQuantityAndReasonAreAsRecorded(t *testing.T) {
	got := exposition(t, newPlant(t).config())
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("run with -update and read the difference:\n%s", d)
	}
}

func TestLintFindsExactlyWhatIsRecorded(t *testing.T) {
	reg := registry(t, newPlant(t).config())
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range problems {
		got = append(got, p.Metric+": "+p.Text)
	}
	if d := cmp.Diff(findings, got); d != "" {
		t.Errorf("lint (- recorded, + found):\n%s", d)
	}
}

func TestPromtoolFindsExactlyWhatIsRecorded(t *testing.T) {
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("promtool is not installed, and with CI=true that is a failure")
		}
		t.Skip("skipped: promtool is not installed (Debian package prometheus)")
	}
	text, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = bytes.NewReader(text)
	said, err := cmd.CombinedOutput()
	// promtool ends with 3 when it has findings, and prints "METRIC TEXT" a line
	if cmd.ProcessState == nil || cmd.ProcessState.ExitCode() != 3 {
		t.Fatalf("promtool: %v, want exit 3: %s", err, said)
	}
	var got []string
	for line := range strings.Lines(string(said)) {
		metric, what, _ := strings.Cut(strings.TrimSpace(line), " ")
		got = append(got, metric+": "+what)
	}
	if d := cmp.Diff(findings, got); d != "" {
		t.Errorf("promtool (- recorded, + found):\n%s", d)
	}
}

func TestEveryFamilyEndsInItsUnit(t *testing.T) {
	families, err := registry(t, newPlant(t).config()).Gather()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, f := range families {
		name := f.GetName()
		seen[name] = true
		u, known := unitOf[name]
		if !known {
			t.Errorf("%s is not in the table: which unit has it?", name)
		}
		counts := strings.HasSuffix(name, "_total")
		if counts != (f.GetType().String() == "COUNTER") {
			t.Errorf("%s is a %s", name, f.GetType())
		}
		if u != "" && !strings.HasSuffix(strings.TrimSuffix(name, "_total"), "_"+u) {
			t.Errorf("%s does not end in %s", name, u)
		}
	}
	for name := range unitOf {
		if !seen[name] {
			t.Errorf("%s is in the table and not in a view of every quantity and reason", name)
		}
	}
}

// The columns counts, shown of the reason table, by hand, after the design: these six are shown though doubted, these two are good.
func TestOnlyReadingsThatMayBeBelievedHaveAValue(t *testing.T) {
	text := exposition(t, newPlant(t).config())
	shown := []string{"frozen", "jumped", "cross_check", "above_ceiling", "flow_unproven", "time_uncertain", "below_detection", "believed"}
	for i := range reading.ReasonCount {
		why := reading.Reason(i).String()
		point := `point="reason.` + why + `"`
		want := slices.Contains(shown, why)
		believed := map[bool]string{true: "1", false: "0"}[want]
		if n := len(series(text, "rillwatch_dissolved_oxygen_ppb", point)); (n == 1) != want {
			t.Errorf("%s: %d values", why, n)
		}
		if n := len(series(text, "rillwatch_reading_bound", point)); (n == 3) != want {
			t.Errorf("%s: %d bounds", why, n)
		}
		for name, v := range series(text, "rillwatch_reading_believed", point) {
			if v != believed {
				t.Errorf("%s %s", name, v)
			}
		}
		if got := series(text, "rillwatch_reading_believed", point); len(got) != 1 {
			t.Errorf("%s: believed %v", why, got)
		}
		if got := series(text, "rillwatch_reading_quality", point); len(got) != 3 {
			t.Errorf("%s: qualities %v", why, got)
		}
		if got := series(text, "rillwatch_reading_reason", point); len(got) != 1 || got[`rillwatch_reading_reason{panel="every",`+point+`,reason="`+why+`"}`] != "1" {
			t.Errorf("%s: reason %v", why, got)
		}
		if n := len(series(text, "rillwatch_reading_last_good_timestamp_seconds", point)); (n == 1) != want {
			t.Errorf("%s: %d times of the last good value", why, n)
		}
	}
	for _, nonsense := range []string{"NaN", "Inf"} {
		if strings.Contains(text, nonsense) {
			t.Errorf("the text holds %s", nonsense)
		}
	}
}

func TestTopOfRangeIsShownAsTheCeilingWithItsBound(t *testing.T) {
	text := exposition(t, newPlant(t).config())
	for _, c := range []struct{ point, exact, below, above string }{{"reason.above_ceiling", "0", "0", "1"}, {"reason.below_detection", "0", "1", "0"}, {"reason.believed", "1", "0", "0"}} {
		if got := series(text, "rillwatch_dissolved_oxygen_ppb", `point="`+c.point+`"`); len(got) != 1 || got[`rillwatch_dissolved_oxygen_ppb{panel="every",point="`+c.point+`"}`] != "7" {
			t.Errorf("%s: %v", c.point, got)
		}
		for bound, want := range map[string]string{"exact": c.exact, "below": c.below, "above": c.above} {
			if got := series(text, "rillwatch_reading_bound", `point="`+c.point+`"`, `bound="`+bound+`"`); len(got) != 1 {
				t.Errorf("%s %s: %v", c.point, bound, got)
			} else {
				for _, v := range got {
					if v != want {
						t.Errorf("%s %s is %s", c.point, bound, v)
					}
				}
			}
		}
	}
}

// 120 degF are 48.89 degC and 0.25 bar are 25 kPa (SI brochure; NIST SP 811 for the degree Fahrenheit).
func TestValuesStandInTheUnitOfTheirFamily(t *testing.T) {
	p := newPlant(t)
	p.add(0, "b2.rack.outlet", unit(t, "degF", quantity.Temperature), 0.1, reading.Of(120, reading.Exact, reading.Believed, moment(99)))
	text := exposition(t, p.config())
	for _, c := range []struct{ family, panel, point, want string }{
		{"rillwatch_temperature_celsius", "b2", "rack.outlet", "48.8889"},
		{"rillwatch_pressure_above_atmospheric_kilopascals", "site", "deaerator.pressure", "25.0000"},
	} {
		got := series(text, c.family, `panel="`+c.panel+`"`, `point="`+c.point+`"`)
		if len(got) != 1 {
			t.Errorf("%s: %v", c.point, got)
		}
		for _, v := range got {
			f, err := strconv.ParseFloat(v, 64)
			if short := fmt.Sprintf("%.4f", f); err != nil || short != c.want {
				t.Errorf("%s: %s, want %s", c.point, short, c.want)
			}
		}
	}
	if got := series(text, "rillwatch_point_info", `point="rack.outlet"`, `quantity="temperature"`, `unit="[degF]"`); len(got) != 1 {
		t.Errorf("info: %v", got)
	}
}

func TestNoSampleCarriesATimestamp(t *testing.T) {
	for line := range strings.Lines(exposition(t, newPlant(t).config())) {
		if line[0] != '#' && strings.Contains(line, "} ") && len(strings.Fields(line[strings.LastIndex(line, "}")+1:])) != 1 {
			t.Errorf("%s", line)
		}
	}
}

// When the engine stands still nobody else is left to say so: values go, and the reason is "stale".
func TestReadingsLeaveTheMetricsWhenJudgementStands(t *testing.T) {
	c := newPlant(t).config()
	for _, k := range []struct {
		after float64 // seconds since the View
		want  int
	}{{0, 1}, {15, 1}, {15.1, 0}, {86400, 0}} {
		c.Now = func() reading.Stamp { return moment(100 + k.after) }
		text := exposition(t, c)
		if n := len(series(text, "rillwatch_dissolved_oxygen_ppb", `point="rack.oxygen"`)); n != k.want {
			t.Errorf("%v s after the last judgement: %d values, want %d", k.after, n, k.want)
		}
		if n := len(series(text, "rillwatch_reading_reason", `point="rack.oxygen"`, `reason="stale"`)); n != 1-k.want {
			t.Errorf("%v s after the last judgement: %d times stale", k.after, n)
		}
		for family, stands := range map[string]string{`rillwatch_sample_representative{panel="b2"}`: "0", `rillwatch_sample_valve_state{panel="b2",state="not_confirmed"}`: "1",
			`rillwatch_interlock_state{panel="b2",state="watching"}`: "1", `rillwatch_alarm_active{alarm="b2.oxygen-high",panel="b2"}`: "1"} {
			moves := map[bool]string{true: "1", false: "0"}[!strings.Contains(family, "not_confirmed")]
			name, _, _ := strings.Cut(family, "{")
			if got := series(text, name)[family]; (k.want == 0 && got != stands) || (k.want == 1 && got != moves) {
				t.Errorf("%v s after the last judgement: %s %s", k.after, family, got)
			}
		}
		// a reason worse than stale stays
		if n := len(series(text, "rillwatch_reading_reason", `point="reason.silent"`, `reason="silent"`)); n != 1 {
			t.Errorf("%v s after the last judgement: silent is no longer the reason", k.after)
		}
	}
}

func TestAValueBeyondTheMetricUnitIsAbsent(t *testing.T) {
	p := newPlant(t)
	p.add(0, "b2.rack.huge", unit(t, "MPa(g)", quantity.Pressure), 1, reading.Of(1.7e308, reading.Exact, reading.Believed, moment(99)))
	text := exposition(t, p.config())
	if got := series(text, "rillwatch_pressure_above_atmospheric_kilopascals", "rack.huge"); len(got) != 0 {
		t.Errorf("%v", got)
	}
	if got := series(text, "rillwatch_reading_believed", "rack.huge"); got[`rillwatch_reading_believed{panel="b2",point="rack.huge"}`] != "0" {
		t.Errorf("%v", got)
	}
}

// A panel with neither line nor interlock has no valve, and must not look as if it were in trouble.
func TestAPanelWithoutValveOrInterlockShowsNone(t *testing.T) {
	text := exposition(t, newPlant(t).config())
	for _, family := range []string{"rillwatch_sample_valve_state", "rillwatch_interlock_state"} {
		if b2, every := len(series(text, family, `panel="b2"`)), len(series(text, family, `panel="every"`)); b2 < 3 || every != 0 {
			t.Errorf("%s: %d of b2, %d of every", family, b2, every)
		}
	}
}

func TestMetricsBeforeTheFirstViewTellOfTheHouseOnly(t *testing.T) {
	c := newPlant(t).config()
	c.View = func() *engine.View { return nil }
	text := exposition(t, c)
	if len(series(text, "rillwatch_build_info", `version="v0.0.0-test"`)) != 1 || len(series(text, "rillwatch_reading_believed")) != 0 {
		t.Errorf("%s", text)
	}
}

// Views are swapped while four readers scrape; each scrape must be of one View: every point says the same slot.
func TestAScrapeNeverMixesTwoViews(t *testing.T) {
	s := &site.Site{Name: "larkfield-mill", Panels: []site.Panel{{Name: "a"}, {Name: "b"}}}
	number := quantity.Number.Units()[0]
	view := func(n float64) *engine.View {
		v := &engine.View{Site: s, At: moment(100)}
		for i := range s.Panels {
			v.Panels = append(v.Panels, &engine.PanelView{Panel: i, Points: []engine.PointView{{Point: i, Reading: reading.Of(n, reading.Exact, reading.Believed, moment(100))}}})
		}
		return v
	}
	for i, path := range []string{"a.x.n", "b.x.n"} {
		s.Points = append(s.Points, site.Point{Path: path, Name: "n", Panel: i, Quantity: quantity.Number, Unit: number, Resolution: 1})
	}
	var now atomic.Pointer[engine.View]
	now.Store(view(0))
	c := (&plant{s, nil}).config()
	c.View = now.Load
	h := New(c)

	done := make(chan struct{})
	var swaps int
	var writer sync.WaitGroup
	writer.Go(func() {
		for {
			select {
			case <-done:
				return
			default:
				swaps++
				now.Store(view(float64(swaps)))
			}
		}
	})
	var readers sync.WaitGroup
	for range scrapesMax {
		readers.Go(func() {
			for range 50 {
				status, _, body := get(t, h, "/metrics")
				a := series(body, "rillwatch_number")[`rillwatch_number{panel="a",point="x.n"}`]
				b := series(body, "rillwatch_number")[`rillwatch_number{panel="b",point="x.n"}`]
				if status != 200 || a == "" || a != b {
					t.Errorf("%d: a=%q b=%q", status, a, b)
				}
				if _, _, body := get(t, h, "/api/v1/readings"); !strings.Contains(body, `"panel":"b"`) {
					t.Errorf("%s", body)
				}
			}
		})
	}
	readers.Wait()
	close(done)
	writer.Wait()
	if swaps == 0 {
		t.Error("no view was swapped")
	}
}

func TestMetricsOverHTTPHoldOursAndTheProcess(t *testing.T) {
	status, header, body := get(t, New(newPlant(t).config()), "/metrics")
	if status != 200 || !strings.HasPrefix(header.Get("Content-Type"), "text/plain; version=0.0.4") {
		t.Errorf("%d %v", status, header)
	}
	for _, want := range []string{"rillwatch_reading_believed{", "go_goroutines ", "process_start_time_seconds "} {
		if !strings.Contains(body, "\n"+want) {
			t.Errorf("%s is missing", want)
		}
	}
	// OpenMetrics stays off: a scraper that prefers it is given the text format
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Header.Set("Accept", "application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5")
	if _, header, _ := ask(t, New(newPlant(t).config()), r); !strings.HasPrefix(header.Get("Content-Type"), "text/plain") {
		t.Errorf("%v", header)
	}
}

func BenchmarkScrapeOfAThousandPoints(b *testing.B) {
	p := newPlant(b)
	for i := range 1000 {
		p.add(0, "b2.rack.p"+strconv.Itoa(i), unit(b, "degC", quantity.Temperature), 0.1, reading.Of(20, reading.Exact, reading.Believed, moment(99)))
	}
	h := New(p.config())
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		b.SetBytes(int64(w.Body.Len()))
	}
}
