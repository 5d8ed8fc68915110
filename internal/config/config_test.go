package config

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

var exact = cmp.Options{
	cmp.Comparer(func(a, b quantity.Unit) bool { return a == b }),
	cmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() }),
}

func mustParse(t *testing.T, text string) (*site.Site, Report) {
	t.Helper()
	s, r, err := Parse("test.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s, r
}

// change replaces one piece of the plain file, which must be there exactly once.
func change(t *testing.T, pairs ...string) string {
	t.Helper()
	text := plain
	for i := 0; i < len(pairs); i += 2 {
		if strings.Count(text, pairs[i]) != 1 {
			t.Fatalf("%q stands %d times", pairs[i], strings.Count(text, pairs[i]))
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	return text
}

// beside gives the doubts of a file but for the one that the plain file always has: a sulfite in a sample drawn before the scavenger.
func beside(all Mistakes) Mistakes {
	return slices.DeleteFunc(all, func(m Mistake) bool { return m.Path == "panel.b2.tap" })
}

func examples(t testing.TB) []string {
	t.Helper()
	files, err := filepath.Glob("../../configs/*.toml")
	if err != nil || len(files) < 2 {
		t.Fatalf("examples: %v %v", files, err)
	}
	return files
}

func pointAt(t *testing.T, s *site.Site, path string) (int, site.Point) {
	t.Helper()
	for i, p := range s.Points {
		if p.Path == path {
			return i, p
		}
	}
	t.Fatalf("no point %s", path)
	return 0, site.Point{}
}

// Every place a mistake names must be the start of the key, or of the value behind its equals sign; computed from the text
// alone, without either TOML library.
func TestEveryPlaceIsTheStartOfTheKeyOrItsValue(t *testing.T) {
	for _, g := range golden {
		text := strings.Replace(plain, g.from, g.to, 1)
		_, _, err := Parse("plain.toml", []byte(text))
		var list Mistakes
		if !errors.As(err, &list) {
			t.Fatalf("%s: %v is not Mistakes", g.name, err)
		}
		for _, m := range list {
			line := strings.Split(text, "\n")[m.Line-1]
			before, rest := strings.TrimRight(line[:m.Column-1], " "), line[m.Column-1:]
			parts := strings.FieldsFunc(m.Path, func(r rune) bool { return r == '.' || r == '[' })
			ok := m.Path == "" || strings.HasSuffix(before, "=") || strings.HasSuffix(m.Path, "]") && strings.HasSuffix(before, "[")
			for _, part := range parts {
				ok = ok || strings.HasPrefix(rest, part)
			}
			ok = ok || m.Line == 1 && m.Column == 1
			if !ok {
				t.Errorf("%s: %s points at %.20q", g.name, m, rest)
			}
		}
	}
}

func TestAllMistakesOfAFileComeAtOnceInItsOrder(t *testing.T) {
	text := change(t,
		"Europe/London", "Europe/Larkfield",
		`tcp://10.0.40.21:502`, `udp://10.0.40.21:502`,
		`unit = "ppb"`, `unit = "ppq"`,
		`scale = 0.1,`, `scale = 0,`,
		`cell_mL`, `cell_ml`,
		`close_above = "120 degF"`, `close_above = "40 degC"`,
		`high   = "20 ppb"`, `hihg   = "20 ppb"`,
		`dir = "/var`, `retention = "1y"`+"\n"+`dir = "var`)
	_, _, err := Parse("many.toml", []byte(text))
	var list Mistakes
	if !errors.As(err, &list) {
		t.Fatal(err)
	}
	want := []string{
		"many.toml:3:14: site.timezone",
		"many.toml:8:11: bus.net.link",
		"many.toml:12:107: map.rack.point.oxygen.unit",
		"many.toml:13:59: map.rack.point.temperature.scale",
		"many.toml:29:60: panel.b2.line.cell_ml",
		"many.toml:36:1: panel.b2.limit.oxygen-high.hihg",
		"many.toml:49:1: logbook.retention",
		"many.toml:50:7: logbook.dir",
	}
	var got []string
	for _, m := range list {
		got = append(got, strings.Join(strings.SplitN(m.String(), ": ", 3)[:2], ": "))
	}
	// The interlock's threshold is judged by the temperature's unit and range, and that point is wrong itself: no second word.
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s\n%v", diff, err)
	}
}

func TestTheExamplesLoadClean(t *testing.T) {
	for _, file := range examples(t) {
		s, report, err := Load(file)
		if err != nil {
			t.Fatal(err)
		}
		if s.Name == "" || len(s.Panels) == 0 || len(s.Recipients) == 0 {
			t.Errorf("%s: nothing in it", file)
		}
		for _, w := range report.Warnings { // no example ships a secret
			if !strings.HasSuffix(w.Path, "_file") {
				t.Errorf("%s", w)
			}
		}
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if _, report, _ := Parse(file, text); len(report.Warnings) > 0 {
			t.Errorf("%s", report.Warnings)
		}
	}
}

func TestTwoLoadsOfOneFileAreEqual(t *testing.T) {
	for _, file := range examples(t) {
		a, ra, err := Load(file)
		if err != nil {
			t.Fatal(err)
		}
		for range 20 { // maps are walked in another order each time
			b, rb, err := Load(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(a, b, exact); diff != "" {
				t.Fatal(diff)
			}
			if diff := cmp.Diff(ra, rb); diff != "" {
				t.Fatal(diff)
			}
		}
	}
}

func TestTheHashNamesTheBytesOfTheFile(t *testing.T) {
	a, _ := mustParse(t, plain)
	b, _ := mustParse(t, plain+"# a comment\n")
	if len(a.Hash) != 12 || a.Hash == b.Hash {
		t.Errorf("%q %q", a.Hash, b.Hash)
	}
}

func TestTheOrderOfTablesDoesNotMoveAnIndex(t *testing.T) {
	for _, file := range examples(t) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		want, _ := mustParse(t, string(text))
		blocks := splitTables(string(text))
		if len(blocks) < 6 {
			t.Fatalf("%s: only %d tables", file, len(blocks))
		}
		for turn := 1; turn < len(blocks); turn++ {
			turned := append(slices.Clone(blocks[turn:]), blocks[:turn]...)
			if turn%2 == 0 {
				slices.Reverse(turned)
			}
			got, _ := mustParse(t, strings.Join(turned, ""))
			if got.Hash == want.Hash {
				t.Fatal("the text was not permuted")
			}
			got.Hash = want.Hash
			if diff := cmp.Diff(want, got, exact); diff != "" {
				t.Fatalf("%s turned by %d: %s", file, turn, diff)
			}
		}
	}
}

// splitTables cuts a file before each header, so that each piece is a table with its keys.
func splitTables(text string) []string {
	var blocks []string
	for _, line := range strings.SplitAfter(text, "\n") {
		if strings.HasPrefix(line, "[") || len(blocks) == 0 {
			blocks = append(blocks, "")
		}
		blocks[len(blocks)-1] += line
	}
	return blocks
}

func TestThePlainFileBecomesTheSiteItDescribes(t *testing.T) {
	s, _ := mustParse(t, plain)
	i, oxygen := pointAt(t, s, "b2.rack.oxygen")
	want := site.Point{Path: "b2.rack.oxygen", Name: "oxygen", Panel: 0, Sensor: 0, Quantity: quantity.DissolvedOxygen, Unit: oxygen.Unit,
		Resolution: 0.1, Table: reading.Holding, Addr: 0, Manual: "40001", Decode: site.Decode{Type: site.Float32, Order: site.CDAB, Scale: 1},
		Floor: 0.2, HasFloor: true, Ceiling: 500, HasCeil: true, Fault: site.Range{Low: -10, High: 20000, HasLow: true, HasHigh: true}, FrozenAfter: 4 * time.Hour, Jump: 50}
	if diff := cmp.Diff(want, oxygen, exact); diff != "" || oxygen.Unit.Name() != "ppb" {
		t.Error(diff, oxygen.Unit)
	}
	p := s.Panels[0]
	if got, want := p.Line.LeadML, math.Pi*4*15+100; math.Abs(got-want) > 1e-9 { // pi r2 l: 12.6 mL/m of 4 mm bore
		t.Errorf("lead %v, want %v", got, want)
	}
	_, temperature := pointAt(t, s, "b2.rack.temperature")
	if p.Interlock.WarnAbove != 40 || math.Abs(p.Interlock.CloseAbove-48.888888888888886) > 1e-9 || p.Interlock.CloseText != "120 degF" ||
		p.Interlock.Travel != 15*time.Second || p.Interlock.LostAfter != 10*time.Second || temperature.Decode.NoValue[0] != math.MaxUint64-32767 {
		t.Errorf("%+v %+v", p.Interlock, temperature.Decode)
	}
	l := p.Limits[0]
	if l.Point != i || l.Value != 20 || l.Deadband != 2 || l.OnDelay != 5*time.Minute || l.OffDelay != 10*time.Minute || l.Priority != site.MediumPriority || l.Side != site.High {
		t.Errorf("%+v", l)
	}
	last := s.Points[p.Points[len(p.Points)-1]]
	if last.Path != "b2.resistivity" || !last.Derived() || last.Derive.By != site.ResistivityOf || s.Points[last.Derive.Inputs[0].Point].Path != "b2.rack.conductivity" || last.Panel != 0 {
		t.Errorf("%+v", last)
	}
	wantAllowed := []site.Span{{Table: reading.Discrete, Addr: 0, Count: 1}, {Table: reading.Holding, Addr: 0, Count: 4}, {Table: reading.Holding, Addr: 9, Count: 1}, {Table: reading.Input, Addr: 4, Count: 1}}
	if diff := cmp.Diff(wantAllowed, s.Sensors[0].Allowed); diff != "" {
		t.Error(diff)
	}
	wantPLC := []site.Span{{Table: reading.Holding, Addr: 100, Count: 32}, {Table: reading.Input, Addr: 0, Count: 1}}
	if diff := cmp.Diff(wantPLC, s.Sensors[1].Allowed); diff != "" {
		t.Error(diff)
	}
	if s.Sensors[1].Panel != site.None || s.Sensors[1].Path != "site.plc" {
		t.Errorf("%+v", s.Sensors[1])
	}
}

// Element X is addressed X-1: Modbus Application Protocol V1.1b3, 4.4. The digits are custom.
func TestNumbersOfManualsBecomeWireAddresses(t *testing.T) {
	for _, c := range []struct {
		table reading.Table
		n     int64
		wire  bool
		want  int // below 0: refused
	}{
		{reading.Holding, 40001, false, 0}, {reading.Holding, 49999, false, 9998}, {reading.Holding, 400001, false, 0}, {reading.Holding, 465536, false, 65535},
		{reading.Holding, 1, false, 0}, {reading.Holding, 9999, false, 9998}, {reading.Holding, 65536, false, 65535}, {reading.Holding, 65537, false, -1},
		{reading.Holding, 30005, false, -1}, {reading.Holding, 10001, false, -1}, {reading.Holding, 300005, false, -1}, {reading.Holding, 0, false, -1}, {reading.Holding, 400000, false, -1},
		{reading.Input, 30001, false, 0}, {reading.Input, 365536, false, 65535}, {reading.Input, 40001, false, -1},
		{reading.Discrete, 10001, false, 0}, {reading.Discrete, 100001, false, 0},
		{reading.Coil, 1, false, 0}, {reading.Coil, 9999, false, 9998}, {reading.Coil, 10001, false, -1},
		{reading.Holding, 0, true, 0}, {reading.Holding, 40001, true, 40001}, {reading.Holding, 65535, true, 65535}, {reading.Holding, 65536, true, -1},
	} {
		addr, what, do := wireAddress(c.table, c.n, c.wire)
		if what != "" && (do == "" || c.want >= 0) || what == "" && int(addr) != c.want {
			t.Errorf("%s %d wire=%v: %d %q, want %d", c.table, c.n, c.wire, addr, what, c.want)
		}
	}
}

func TestNoValueWordsAreWhatTheDeviceSends(t *testing.T) {
	for _, c := range []struct {
		v    any
		typ  site.Type
		want uint64
		bad  bool
	}{
		{int64(-32768), site.Int16, 0xFFFF_FFFF_FFFF_8000, false}, {int64(0x8000), site.Int16, 0xFFFF_FFFF_FFFF_8000, false}, {"0x8000", site.Int16, 0xFFFF_FFFF_FFFF_8000, false},
		{int64(0xFFFF), site.Uint16, 0xFFFF, false}, {int64(-1), site.Uint16, 0, true}, {int64(65536), site.Uint16, 0, true},
		{int64(0x7FFFFFFF), site.Int32, 0x7FFFFFFF, false}, {"0xFFFFFFFF", site.Uint32, 0xFFFFFFFF, false},
		{18.4, site.Float32, 0x41933333, false}, // IEEE 754 single of 18.4
		{int64(-9999), site.Float32, 0xC61C3C00, false}, {"0xFFC00000", site.Float32, 0xFFC00000, false}, {math.NaN(), site.Float64, 0, true}, {9999.5, site.Int16, 0, true},
	} {
		got, what := rawOf(c.v, c.typ)
		if (what != "") != c.bad || got != c.want {
			t.Errorf("%v as %s: %#x %q, want %#x", c.v, c.typ, got, what, c.want)
		}
	}
}

func TestTheInterlocksSensorIsAskedFirst(t *testing.T) {
	s, _ := mustParse(t, change(t, "[panel.b2.limit.oxygen-high]", `sensor.aux = { map = "plc", bus = "net", station = 3, period = "3s" }`+"\n[panel.b2.limit.oxygen-high]"))
	var order []string
	for _, i := range s.Buses[0].Sensors {
		order = append(order, s.Sensors[i].Path)
	}
	if diff := cmp.Diff([]string{"b2.rack", "b2.aux", "site.plc"}, order); diff != "" {
		t.Error(diff)
	}
	if aux := s.Sensors[0]; aux.Every != 3 || aux.Period != 3*time.Second || s.Buses[0].Period != time.Second {
		t.Errorf("%+v", aux)
	}
}

func TestOnePointMayBeReadTwiceButNeverHalf(t *testing.T) {
	twice := `valve_closed = { discrete = 10001 }` + "\n" + `valve_open = { discrete = 10001, invert = true }`
	s, _ := mustParse(t, change(t, "valve_closed = { discrete = 10001 }", twice))
	if _, p := pointAt(t, s, "b2.rack.valve_open"); !p.Decode.Invert {
		t.Error("not turned round")
	}
	if want := (site.Span{Table: reading.Discrete, Addr: 0, Count: 1}); s.Sensors[0].Allowed[0] != want {
		t.Errorf("%+v", s.Sensors[0].Allowed)
	}
}

func TestDoubtsAreWarnedOfAndNotRefused(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{`listen     = "127.0.0.1:9618"`, `listen = "0.0.0.0:9618"`, "test.toml:45:10: http.listen: other machines can read everything, without a password and in the clear (listen on 127.0.0.1 behind a reverse proxy, unless the network is the plant's own)"},
		{`high   = "20 ppb"`, `high = "600 ppb"`, "test.toml:36:8: panel.b2.limit.oxygen-high.high: 600 ppb is not below the ceiling of b2.rack.oxygen, 500 ppb, so the sensor cannot see it passed (check the limit and the sensor's range)"},
		{`band = "20 to 40 bar", tap = "before-scavenger"`, `band = "20 to 40 bar", tap = "after-scavenger"`, "test.toml:37:98: panel.b2.limit.oxygen-high.source.tap: the limit is for after-scavenger, and the panel's tap is before-scavenger (check that the limit is meant for this sample)"},
		{`edition = "rev 3", band = "20 to 40 bar", tap = "before-scavenger"`, `tap = "before-scavenger"`, "test.toml:37:10: panel.b2.limit.oxygen-high.source: does not say edition, band (add it; the same document has other limits for other pressures and taps)"},
		{`, refresh = "2s"`, ``, "test.toml:31:31: panel.b2.interlock.temperature: the sensor has no refresh, so one held word counts as two hot updates and is told as hot (set refresh of b2.rack to the time its device takes for a new measurement)"},
		{`, compensation = "linear", temperature = "temperature"`, ``, `test.toml:14:1: map.rack.point.conductivity: does not say how the device compensates: its lowest possible value depends on that by a factor of two and more, so only what no device at all can show of water of that temperature is refused (write compensation = "none", "linear" or "ultrapure", as the device is set, and temperature = "NAME" of this map)`},
		{`https://`, `http://`, "test.toml:41:15: recipient.on-call.url: messages cross the network in the clear (use https; the signature proves who sent it, and hides nothing)"},
	} {
		_, report := mustParse(t, change(t, c.from, c.to))
		report.Warnings = beside(report.Warnings)
		if len(report.Warnings) != 1 || report.Warnings[0].String() != c.want {
			t.Errorf("\n got %v\nwant %s", report.Warnings, c.want)
		}
	}
}

func TestSecretFilesAreLookedForOnlyOnLoad(t *testing.T) {
	dir := t.TempDir()
	open, closed, file := filepath.Join(dir, "open"), filepath.Join(dir, "closed"), filepath.Join(dir, "site.toml")
	for path, mode := range map[string]os.FileMode{open: 0o644, closed: 0o600} {
		if err := os.WriteFile(path, []byte("x"), mode); err != nil {
			t.Fatal(err)
		}
	}
	text := change(t, "/etc/rillwatch/on-call.secret", open, "/etc/rillwatch/token", closed)
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	_, report, err := Load(file)
	if err != nil {
		t.Fatal(err)
	}
	want := file + ":42:15: recipient.on-call.secret_file: " + open + " can be read or changed by every user of this machine (chmod it to 0640 or 0600; rillwatch will not start while it is open)"
	if report.Warnings = beside(report.Warnings); len(report.Warnings) != 1 || report.Warnings[0].String() != want {
		t.Errorf("\n got %v\nwant %s", report.Warnings, want)
	}
	if _, _, err := Load(filepath.Join(dir, "absent.toml")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("absent: %v", err)
	}
}

func TestEveryDefaultOfTheTableConvertsToEveryUnit(t *testing.T) {
	for _, q := range quantity.Quantities() {
		if q == quantity.State {
			continue
		}
		h := habitOf(q)
		if h.quantity != q {
			t.Errorf("%s has no defaults", q)
		}
		for _, u := range q.Units() {
			if r := resolutionOf(h, u); r <= 0 {
				t.Errorf("%s in %s: resolution %v", q, u, r)
			}
			for _, s := range []string{h.faultBelow, h.faultAbove} {
				if _, ok := inUnit(s, u, false); s != "" && !ok {
					t.Errorf("%s: %q does not convert to %s", q, s, u)
				}
			}
			if d, why := deadbandOf(h, 10, u); d <= 0 || why == "" || h.onDelay == 0 || h.offDelay == 0 {
				t.Errorf("%s in %s: deadband %v %q, delays %v %v", q, u, d, why, h.onDelay, h.offDelay)
			}
		}
	}
}

// Analyser deadbands go by the limit: 5 % of a 500 ppb span would be 25 ppb, and an alarm at 7 ppb would never clear.
func TestTheDeadbandOfALowOxygenLimitIsHalfAPpb(t *testing.T) {
	s, report := mustParse(t, change(t, `high   = "20 ppb"`, `high = "3 ug/L"`))
	if l := s.Panels[0].Limits[0]; l.Deadband != 0.5 || l.Value != 3 || l.Unit.Name() != "ug/L" {
		t.Errorf("%+v", l)
	}
	var b bytes.Buffer
	report.Write(&b)
	for _, want := range []string{"panel.b2.limit.oxygen-high.deadband", "= 0.5 ppb", "10 % of the limit, at least 0.5 ppb", "3 ug/L is 3 ppb, taken at a density of 1 kg/L",
		"map.rack.point.oxygen            holding 40001 is wire address 0, 2 registers, float32 CDAB"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the report does not say %q:\n%s", want, b.String())
		}
	}
}

func TestALargeFileIsRefusedUnread(t *testing.T) {
	_, _, err := Parse("big.toml", bytes.Repeat([]byte("#"), sizeMax+1))
	if err == nil || !strings.Contains(err.Error(), "larger than") {
		t.Error(err)
	}
}

func TestADeepFileIsRefusedAtOnce(t *testing.T) {
	for _, text := range []string{
		strings.Repeat("a.", 200_000) + "a = 1", "[" + strings.Repeat("a.", 200_000) + "a]", "x = " + strings.Repeat("[", 9000) + strings.Repeat("]", 9000),
		"x = " + strings.Repeat("[", 500_000), "x = " + strings.Repeat("{a=", 9000) + "1" + strings.Repeat("}", 9000),
	} {
		_, _, err := Parse("deep.toml", []byte(text))
		var list Mistakes
		if !errors.As(err, &list) || len(list) != 1 || !strings.Contains(err.Error(), "nested") {
			t.Errorf("%.20s...: %d mistakes, %.200v", text, len(list), err)
		}
	}
}

func TestColumnsCountCharacters(t *testing.T) {
	_, _, err := Parse("test.toml", []byte(change(t, `{ document = "Larkfield specification", edition = "rev 3"`, `{ document = "Größe §4 µg", edition = 3`)))
	if err == nil || !strings.HasPrefix(err.Error(), "test.toml:37:48: ") {
		t.Error(err)
	}
}

func TestALimitCannotBearTheNameOfAnAlarmOfTheInterlock(t *testing.T) {
	raw, err := os.ReadFile("../../configs/larkfield.toml")
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = Parse("larkfield.toml", []byte(strings.Replace(string(raw), "[panel.b2.limit.oxygen-high]", "[panel.b2.limit.sample-hot]", 1)))
	if want := "panel.b2.limit.sample-hot: bears the name of an alarm of the interlock"; err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v, want %q", err, want)
	}
}
