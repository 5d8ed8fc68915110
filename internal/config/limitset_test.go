package config

import (
	"bytes"
	"encoding/csv"
	"errors"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// shipped reads the sets that come along, by their file.
func shipped(t *testing.T) map[string]map[string]*set {
	t.Helper()
	files, err := filepath.Glob("../../configs/limits/*.toml")
	if err != nil || len(files) < 8 {
		t.Fatalf("%d files of limits, %v", len(files), err)
	}
	all := map[string]map[string]*set{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		d := newDoc(file)
		root, ok := d.decode(text)
		if !ok {
			t.Fatal(d.mistakes)
		}
		top := table{d: d, m: root}
		top.check(shapeIncluded)
		if d.readSets(top); len(d.mistakes) > 0 {
			t.Fatal(d.mistakes)
		}
		all[file] = d.sets
		for _, want := range []string{"A start, to be confirmed with the boiler maker, the water chemist and local codes", "Nothing here is judged until"} {
			if !bytes.Contains(text, []byte(want)) {
				t.Errorf("%s does not say %q", file, want)
			}
		}
	}
	return all
}

// The second typing is in other units, so that a slip of a nought in one of the two stands out.
func TestEveryShippedValueAgreesWithASecondTypingOfItsTable(t *testing.T) {
	raw, err := os.ReadFile("testdata/limit_values.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(raw))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	// What one of the second typing's units is in the base that both are brought to: ug/L, mg/L, uS/cm, pH.
	second := map[string]struct {
		quantity quantity.Quantity
		factor   float64
	}{"oxygen": {quantity.DissolvedOxygen, 1}, "sulfite": {quantity.Sulfite, 1}, "conductivity": {quantity.Conductivity, 10}, "ph": {quantity.PH, 1}}
	first := map[string]float64{"ppm": 1, "ppb": 1, "mg/L": 1, "mg/kg": 1, "ug/L": 1, "uS/cm": 1, "pH": 1}
	oxygen := map[string]float64{"ppm": 1000, "ppb": 1, "mg/L": 1000, "ug/L": 1}
	want := map[string]bool{}
	for _, row := range rows[1:] {
		of, ok := second[row[1]]
		v, err := strconv.ParseFloat(row[3], 64)
		if !ok || err != nil {
			t.Fatalf("%v", row)
		}
		side := map[string]string{"<": "high", ">": "low"}[row[2]]
		basis := strings.Trim(row[4], "-")
		want[strings.Join([]string{row[0], of.quantity.String(), side, strconv.FormatFloat(v*of.factor, 'g', 9, 64), basis, row[5], row[6]}, " ")] = true
	}
	got := map[string]bool{}
	for _, sets := range shipped(t) {
		for name, s := range sets {
			for _, l := range s.limits {
				text := l.t.m[l.key].(string)
				number, unit, _ := strings.Cut(text, " ")
				v, err := strconv.ParseFloat(number, 64)
				factor, ok := first[unit]
				if l.quantity == quantity.DissolvedOxygen {
					factor, ok = oxygen[unit]
				}
				if err != nil || !ok {
					t.Fatalf("%s: %q", name, text)
				}
				known := "R"
				if l.memory {
					known = "M " + l.confidence
				}
				got[strings.Join([]string{name, l.quantity.String(), l.key, strconv.FormatFloat(v*factor, 'g', 9, 64), l.basis, s.stream, known}, " ")] = true
			}
		}
	}
	for _, row := range slices.Sorted(maps.Keys(want)) {
		if !got[row] {
			t.Errorf("typed the second time, and not in the files: %s", row)
		}
	}
	for _, row := range slices.Sorted(maps.Keys(got)) {
		if !want[row] {
			t.Errorf("in the files, and not typed the second time: %s", row)
		}
	}
	if len(got) < 60 {
		t.Errorf("only %d values", len(got))
	}
}

// One file, one document: where two disagree nobody finds one value in the other's file. And they do disagree.
func TestTwoDocumentsThatDisagreeStayTwoFiles(t *testing.T) {
	documents, files := map[string]string{}, map[string]string{}
	oxygen := map[float64]string{}
	for file, sets := range shipped(t) {
		for name, s := range sets {
			if was, ok := documents[file]; ok && was != s.source.Document {
				t.Errorf("%s holds %q and %q", file, was, s.source.Document)
			}
			documents[file] = s.source.Document
			if was, ok := files[name]; ok {
				t.Errorf("%s stands in %s and in %s", name, was, file)
			}
			files[name] = file
			if l, ok := s.limits["oxygen"]; ok && s.stream == "feedwater" {
				v, u, err := quantity.ParseValue(l.t.m["high"].(string), quantity.DissolvedOxygen)
				if err != nil {
					t.Fatal(err)
				}
				ppb, _, err := quantity.Convert(v, u, quantity.DissolvedOxygen.Units()[0])
				if err != nil {
					t.Fatal(err)
				}
				oxygen[math.Round(ppb)] = s.source.Document
			}
		}
	}
	for _, ppb := range []float64{5, 7, 20, 43, 50} {
		if oxygen[ppb] == "" {
			t.Errorf("no document gives %v ppb of oxygen: %v", ppb, oxygen)
		}
	}
}

// siteWith writes a site that includes files, and gives where it stands.
func siteWith(t *testing.T, include, limit string, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text := "include = " + include + "\n" + plain[:strings.Index(plain, "[panel.b2.limit.oxygen-high]")] + limit + plain[strings.Index(plain, "[recipient.on-call]"):]
	path := filepath.Join(dir, "site.toml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func sets(t *testing.T, names ...string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, n := range names {
		text, err := os.ReadFile("../../configs/limits/" + n)
		if err != nil {
			t.Fatal(err)
		}
		out["limits/"+n] = string(text)
	}
	return out
}

const fromEN = "[panel.b2.limit.oxygen-high]\npoint = \"rack.oxygen\"\nfrom = \"en-12953-10-shell-above-20-bar.oxygen\"\naction = \"confirm by an ampoule test\"\n"

func TestALimitTakesItsValueAndItsOwnerFromASetThatIsIncluded(t *testing.T) {
	path := siteWith(t, `["limits/*.toml"]`, fromEN, sets(t, "en-12953-10.toml", "en-12952-12.toml"))
	s, report, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	l := s.Panels[0].Limits[0]
	want := site.Source{Document: "EN 12953-10:2003", Edition: "Table 5-1", Band: "shell boiler, above 20 bar", Tap: "unknown"}
	if len(s.Panels[0].Limits) != 1 || l.Source != want || l.Value != 20 || l.UnitName() != "mg/L" || l.Written != 0.02 || l.Side != site.High || l.Deadband != 2 {
		t.Errorf("%+v", l)
	}
	var b bytes.Buffer
	report.Write(&b)
	for _, want := range []string{"high 0.02 mg/L, EN 12953-10:2003, Table 5-1, shell boiler, above 20 bar (read", "a start, to be confirmed with the boiler maker, the water chemist and local codes"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the report does not say %q:\n%s", want, b.String())
		}
	}
	if strings.Contains(b.String(), "memory") {
		t.Errorf("what was read is told as remembered:\n%s", b.String())
	}
}

func TestWhatIsIncludedAndNotNamedIsNotJudged(t *testing.T) {
	path := siteWith(t, `["limits/en-12953-10.toml"]`, "", sets(t, "en-12953-10.toml"))
	s, _, err := Load(path)
	if err != nil || len(s.Panels[0].Limits) != 0 {
		t.Errorf("%v, %+v", err, s)
	}
}

func TestAValueFromMemoryIsToldAsThat(t *testing.T) {
	path := siteWith(t, `["limits/en-12952-12.toml"]`, strings.Replace(fromEN, "en-12953-10-shell-above-20-bar", "en-12952-12-watertube-to-40-bar", 1), sets(t, "en-12952-12.toml"))
	s, report, err := Load(path)
	if err != nil || !s.Panels[0].Limits[0].Source.Memory {
		t.Fatalf("%v, %+v", err, s)
	}
	want := path + `:37:8: panel.b2.limit.oxygen-high.from: 0.02 mg/L is known from memory only, with medium confidence, and was not read in EN 12952-12:2003 (look it up in the document before anybody acts on it)`
	if !slices.ContainsFunc(report.Warnings, func(m Mistake) bool { return m.String() == want }) {
		t.Errorf("\n got %v\nwant %s", report.Warnings, want)
	}
}

func TestAValueOfBoilerWaterIsWarnedOf(t *testing.T) {
	limit := "[panel.b2.limit.sulfite-low]\npoint = \"rack.sulfite\"\nfrom = \"ufc-boiler-water-0-599-psig.sulfite-low\"\naction = \"test the boiler water\"\n"
	s, report, err := Load(siteWith(t, `["limits/ufc-3-240-13fn-boiler-water.toml"]`, limit, sets(t, "ufc-3-240-13fn-boiler-water.toml")))
	if err != nil || s.Panels[0].Limits[0].Basis != "SO3" || s.Panels[0].Limits[0].Side != site.Low {
		t.Fatalf("%v, %+v", err, s)
	}
	if !slices.ContainsFunc(report.Warnings, func(m Mistake) bool { return strings.Contains(m.What, "one of boiler water") }) {
		t.Errorf("%v", report.Warnings)
	}
}

func TestTheHashNamesWhatIsIncludedToo(t *testing.T) {
	files := sets(t, "en-12953-10.toml")
	a, _, err := Load(siteWith(t, `["limits/en-12953-10.toml"]`, fromEN, files))
	if err != nil {
		t.Fatal(err)
	}
	files["limits/en-12953-10.toml"] += "# looked up\n"
	b, _, err := Load(siteWith(t, `["limits/en-12953-10.toml"]`, fromEN, files))
	if err != nil || a.Hash == b.Hash || len(b.Hash) != 12 {
		t.Errorf("%v: %s and %s", err, a.Hash, b.Hash)
	}
}

func TestARegisterMapMayStandInAFileOfItsOwn(t *testing.T) {
	start, end := strings.Index(plain, "[map.plc]"), strings.Index(plain, "[panel.b2]")
	path := siteWith(t, `["maps/plc.toml"]`, "", map[string]string{"maps/plc.toml": plain[start:end] + "[map.spare.point]\nlevel = { holding = 3, type = \"uint16\", unit = \"m\" }\n"})
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, bytes.Replace(text, []byte(plain[start:end]), nil, 1), 0o644); err != nil {
		t.Fatal(err)
	}
	s, report, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if i := slices.IndexFunc(s.Points, func(p site.Point) bool { return p.Path == "site.plc.pressure" }); i < 0 {
		t.Errorf("the point of the included map is not there")
	}
	for _, w := range report.Warnings {
		if strings.Contains(w.What, "no sensor uses this map") {
			t.Errorf("a library of maps is warned of: %s", w)
		}
	}
	// A mistake in it names the file in which it stands.
	if err := os.WriteFile(filepath.Join(filepath.Dir(path), "maps/plc.toml"), []byte("[map.plc.point]\npressure = { input = 1, type = \"uint16\", unit = \"bar\" }\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	_, _, err = Load(path)
	if err == nil || !strings.HasPrefix(err.Error(), filepath.Join(filepath.Dir(path), "maps/plc.toml")+":2:49: map.plc.point.pressure.unit: ambiguous unit") {
		t.Errorf("%v", err)
	}
}

func TestMistakesOfWhatIsIncludedAreToldWithTheirPlace(t *testing.T) {
	const good = "[limit_set.s]\ndocument = \"D\"\nedition = \"1\"\nband = \"b\"\ntap = \"unknown\"\nstream = \"feedwater\"\nlimit.o = { quantity = \"dissolved-oxygen\", high = \"7 ppb\", known = \"read\" }\n"
	use := strings.Replace(fromEN, "en-12953-10-shell-above-20-bar.oxygen", "s.o", 1)
	for _, c := range []struct {
		name, include, limit, set, want string
	}{
		{"no such file", `["none.toml"]`, use, good, `site.toml:1:12: include[0]: there is no file `},
		{"no list", `"s.toml"`, use, good, `site.toml:1:11: include: must be a list of files, and is a text (write include`},
		{"a number", `[7]`, use, good, `site.toml:1:12: include[0]: is no name of a file (write include`},
		{"no such set", `["s.toml"]`, strings.Replace(use, "s.o", "t.o", 1), good, `site.toml:37:8: panel.b2.limit.oxygen-high.from: there is no limit set "t": did you mean "s"? (write from = "SET.LIMIT", of a file that the configuration includes)`},
		{"no such limit", `["s.toml"]`, strings.Replace(use, "s.o", "s.p", 1), good, `site.toml:37:8: panel.b2.limit.oxygen-high.from: the limit set "s" has no limit "p": did you mean "o"? (it has "o")`},
		{"a value beside", `["s.toml"]`, use + "high = 9\n", good, `site.toml:39:1: panel.b2.limit.oxygen-high.high: is given by the limit set that from names (remove it, or remove from; a value beside the document's own would bear the document's name)`},
		{"another quantity", `["s.toml"]`, strings.Replace(use, "rack.oxygen", "rack.conductivity", 1), good, `site.toml:37:8: panel.b2.limit.oxygen-high.from: the limit is one of dissolved-oxygen, and b2.rack.conductivity is conductivity (name a point of that quantity, or another limit)`},
		{"a set without a document", `["s.toml"]`, use, strings.Replace(good, "document = \"D\"\n", "", 1), `s.toml:1:12: limit_set.s.document: is missing (write the document that gives these limits)`},
		{"a set without a tap", `["s.toml"]`, use, strings.Replace(good, "tap = \"unknown\"\n", "", 1), `s.toml:1:12: limit_set.s.tap: is missing (write tap = "before-scavenger" or another, or "unknown" where the document does not say)`},
		{"a set without a stream", `["s.toml"]`, use, strings.Replace(good, "stream = \"feedwater\"\n", "", 1), `s.toml:1:12: limit_set.s.stream: is missing (write stream = "feedwater" or "boiler-water": most values hold for one of them only)`},
		{"nobody says how it is known", `["s.toml"]`, use, strings.Replace(good, `, known = "read"`, "", 1), `s.toml:7:7: limit_set.s.limit.o.known: is missing (write known = "read" where the value was read in the document or a reproduction of it, or "memory")`},
		{"a memory without its confidence", `["s.toml"]`, use, strings.Replace(good, `"read"`, `"memory"`, 1), `s.toml:7:7: limit_set.s.limit.o.confidence: is missing (write confidence = "high", "medium" or "low": how far the memory goes)`},
		{"a value in another unit", `["s.toml"]`, use, strings.Replace(good, "7 ppb", "7 pH", 1), `s.toml:7:51: limit_set.s.limit.o.high: "7 pH": unit of another quantity`},
		{"a panel in it", `["s.toml"]`, use, good + "[panel.x]\n", `s.toml:8:2: panel: is no key of an included file (it takes map, limit_set)`},
		{"an include in it", `["s.toml"]`, use, "include = [\"t.toml\"]\n" + good, `s.toml:1:1: include: is not obeyed yet (include it in the file of the site itself)`},
		{"no TOML", `["s.toml"]`, use, good + "x = \n", `s.toml:8:`},
		{"a map twice", `["s.toml"]`, use, good + "[map.rack.point]\no = { holding = 1, type = \"uint16\", quantity = \"dissolved-oxygen\", unit = \"ppb\" }\n", `site.toml:1:12: include[0]: `},
		{"a set twice", `["s.toml", "t.toml"]`, use, good, `t.toml:1:12: limit_set.s: another file has a set of this name (rename one of the two)`},
	} {
		t.Run(c.name, func(t *testing.T) {
			files := map[string]string{"s.toml": c.set}
			if c.name == "a set twice" {
				files["t.toml"] = c.set
			}
			path := siteWith(t, c.include, c.limit, files)
			_, _, err := Load(path)
			var list Mistakes
			if !errors.As(err, &list) {
				t.Fatalf("taken as right: %v", err)
			}
			if got := strings.ReplaceAll(err.Error(), filepath.Dir(path)+"/", ""); !strings.HasPrefix(got, c.want) || c.name != "no TOML" && len(list) != 1 {
				t.Errorf("\n got %s\nwant %s", got, c.want)
			}
		})
	}
}
