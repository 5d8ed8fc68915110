package config

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// watery is a panel with everything that is computed, entered and checked. The golden table below breaks it in one place at a time.
const watery = `[site]
name       = "larkfield-mill"
altitude_m = 120
sensor.deaerator = { map = "plc", bus = "net", station = 9 }
sensor.vacuum    = { map = "vac", bus = "net", station = 10 }
[bus.net]
link = "tcp://10.0.40.21:502"
[map.rack.point]
oxygen       = { holding = 40001, type = "float32", quantity = "dissolved-oxygen", unit = "ppb" }
temperature  = { holding = 40003, type = "int16", scale = 0.1, unit = "degC" }
conductivity = { holding = 40004, type = "uint16", scale = 0.01, unit = "uS/cm", compensation = "linear", temperature = "temperature" }
raw          = { holding = 40005, type = "uint16", scale = 0.01, unit = "uS/cm", compensation = "none", temperature = "temperature" }
flow         = { input = 30005, type = "uint16", unit = "mL/min" }
ph           = { holding = 40006, type = "int16", scale = 0.01, quantity = "ph" }
sulfite      = { holding = 40007, type = "uint16", quantity = "sulfite", unit = "ppm" }
dye          = { holding = 40008, type = "uint16", quantity = "dye", unit = "ppb" }
[map.plc.point]
pressure    = { input = 30001, type = "uint16", scale = 0.01, unit = "bar(g)" }
temperature = { input = 30002, type = "uint16", scale = 0.1, unit = "degC" }
[map.vac.point]
pressure    = { input = 30001, type = "uint16", scale = 0.01, unit = "bar(a)" }
[panel.b2]
sensor.rack = { map = "rack", bus = "net", station = 1 }
line        = { length_m = 15, bore_mm = 4, cell_mL = 100, flow = "rack.flow" }
entered.chloride = { quantity = "chloride", unit = "mg/L", max_age = "26h" }
entered.residual = { quantity = "sulfite", unit = "ppm", basis = "SO3", max_age = "26h" }
derive.saturation = { percent_saturation_of = "rack.oxygen", temperature = "rack.temperature" }
derive.at-25      = { conductivity_at_25_of = "rack.raw", temperature = "rack.temperature", rule = "linear" }
derive.cycles     = { cycles_from_chloride = "chloride", feedwater = "5 mg/L" }
derive.blowdown-of-steam = { blowdown_of_steam_from = "cycles" }
derive.feed       = { scavenger_feed_of = "rack.oxygen", residual = "residual", cycles = "cycles", scavenger = "SO3" }
derive.dose       = { product_from_tracer = "rack.dye", tracer_share = "0.1 %" }
derive.approach   = { below_saturation_of = "site.deaerator.temperature", gauge_pressure = "site.deaerator.pressure", barometer = "1013 hPa(a)" }
derive.expected   = { ph_expected_from = "at-25" }
derive.lead       = { lead_time_of = "rack.flow" }
[panel.b2.cross_check]
ph     = { ph = "rack.ph", conductivity = "at-25", temperature = "rack.temperature", fed = "ammonia" }
oxygen = { oxygen = "rack.oxygen", oxygen_above = "20 ppb", sulfite = "rack.sulfite", sulfite_above = "5 ppm" }
[logbook]
dir = "/var/lib/rillwatch"
`

func TestWhatIsDerivedStandsAfterWhatItComesFrom(t *testing.T) {
	s, report, err := Parse("watery.toml", []byte(watery))
	if err != nil {
		t.Fatal(err)
	}
	var order []string
	for _, pt := range s.Panels[0].Points {
		if p := &s.Points[pt]; p.Derived() {
			order = append(order, p.Name)
		}
	}
	want := []string{"approach", "at-25", "chloride", "cycles", "blowdown-of-steam", "dose", "expected", "residual", "feed", "lead", "saturation"}
	if !slices.Equal(order, want) {
		t.Errorf("%v\nwant %v", order, want)
	}
	at := func(path string) *site.Point {
		for i := range s.Points {
			if s.Points[i].Path == path {
				return &s.Points[i]
			}
		}
		t.Fatal(path)
		return nil
	}
	// the usual air at 120 m: 1013.25 (1 - 2.25577e-5 x 120)^5.25588 = 998.9 hPa (International Standard Atmosphere)
	if in := at("b2.saturation").Derive.Inputs[2]; !in.Given || math.Abs(in.Value-998.9) > 0.1 || in.Point != site.None {
		t.Errorf("air: %+v", in)
	}
	if in := at("b2.lead").Derive.Inputs[1]; !in.Given || math.Abs(in.Value-math.Pi*4*15) > 1e-9 {
		t.Errorf("volume of the line: %+v", in)
	}
	if in := at("b2.cycles").Derive.Inputs; s.Points[in[0].Point].Path != "b2.chloride" || !in[1].Given || in[1].Value != 5 {
		t.Errorf("cycles: %+v", in)
	}
	if in := at("b2.approach").Derive.Inputs; s.Points[in[0].Point].Path != "site.deaerator.temperature" || in[2].Value != 1013 || in[3].Given || in[3].Point != site.None {
		t.Errorf("approach: %+v", in)
	}
	if p := at("b2.rack.conductivity"); p.Water.Compensation != site.Linear || p.Water.Slope != 2 || s.Points[p.Water.Temperature].Path != "b2.rack.temperature" {
		t.Errorf("%+v", p.Water)
	}
	if p := at("b2.residual"); !p.Entered.Configured || p.Entered.MaxAge.Hours() != 26 || p.Entered.Basis != "SO3" || !p.Fault.HasHigh || p.Fault.High != 5000 {
		t.Errorf("%+v", p)
	}
	x := s.Panels[0].Cross
	if !x.PH.Configured || s.Points[x.PH.Conductivity].Path != "b2.at-25" || x.PH.Band != 0.3 || !x.Oxygen.Configured || x.Oxygen.OxygenAbove != 20 || s.Points[x.Oxygen.Sulfite].Path != "b2.rack.sulfite" {
		t.Errorf("%+v", x)
	}
	if buses := s.Panels[0].Buses; len(buses) != 1 {
		t.Errorf("buses %v", buses)
	}
	moves := map[string]string{"b2.saturation": "b2.rack.oxygen", "b2.cycles": "b2.chloride", "b2.blowdown-of-steam": "b2.chloride", "b2.feed": "b2.rack.oxygen", "b2.expected": "b2.rack.raw", "b2.rack.ph": "b2.rack.ph"}
	for i := range s.Points {
		if of, ok := moves[s.Points[i].Path]; ok {
			if m := s.MovesWith(i); m == site.None || s.Points[m].Path != of {
				t.Errorf("%s moves with %d, want %s", s.Points[i].Path, m, of)
			}
		}
	}
	var told []string
	for _, d := range report.Defaults {
		if strings.Contains(d.Path, "derive.") || strings.Contains(d.Path, "cross_check") {
			told = append(told, d.Path+" "+d.Value)
		}
	}
	for _, w := range []string{"panel.b2.derive.saturation.barometer 998.9 hPa(a)", "panel.b2.derive.at-25.slope_percent_per_K 2", "panel.b2.derive.saturation.resolution 0.001 %", "panel.b2.cross_check.ph.band 0.3"} {
		if !slices.Contains(told, w) {
			t.Errorf("the report does not say %q: %q", w, told)
		}
	}
}

var wateryGolden = []struct{ name, from, to, want string }{
	{"an input of another unit", `temperature = "rack.temperature" }
derive.at-25`, `temperature = "21 mL/min" }
derive.at-25`, `watery.toml:27:76: panel.b2.derive.saturation.temperature: "21 mL/min": unit of another quantity: "mL/min" is of flow, not of temperature; temperature takes degC, degF, K (write a number in degC, or a text with its own unit, such as "20 degC")`},
	{"an input of another quantity", `percent_saturation_of = "rack.oxygen"`, `percent_saturation_of = "rack.flow"`,
		"watery.toml:27:47: panel.b2.derive.saturation.percent_saturation_of: b2.rack.flow is a point of flow, and dissolved-oxygen is wanted (name a point of that quantity)"},
	{"an unknown input", `percent_saturation_of = "rack.oxygen"`, `percent_saturation_of = "rack.oxigen"`,
		`watery.toml:27:47: panel.b2.derive.saturation.percent_saturation_of: there is no point "rack.oxigen": did you mean "rack.oxygen"? (write SENSOR.POINT of this panel, or "site.SENSOR.POINT")`},
	{"a missing input", `percent_saturation_of = "rack.oxygen", temperature = "rack.temperature"`, `percent_saturation_of = "rack.oxygen"`,
		`watery.toml:27:8: panel.b2.derive.saturation.temperature: is missing (write temperature = "SENSOR.POINT", or a number with its unit, such as "1 degC": the temperature of the water at the oxygen sensor)`},
	{"no air and no altitude", "altitude_m = 120\n", "",
		`watery.toml:26:8: panel.b2.derive.saturation.barometer: is missing (write barometer = "SENSOR.POINT" or "1013 hPa(a)", or altitude_m of the site; at 1600 m the same water is 22 % nearer saturation)`},
	{"a barometer that may be a gauge", `barometer = "1013 hPa(a)"`, `barometer = "1013 hPa"`,
		`watery.toml:33:131: panel.b2.derive.approach.barometer: "1013 hPa": ambiguous unit "hPa": say whether the pressure is gauge or absolute: "hPa(g)" or "hPa(a)" (write a number in hPa(a), or a text with its own unit, such as "20 hPa(a)")`},
	{"an absolute pressure for a gauge", `gauge_pressure = "site.deaerator.pressure"`, `gauge_pressure = "site.vacuum.pressure"`,
		`watery.toml:33:92: panel.b2.derive.approach.gauge_pressure: site.vacuum.pressure is in bar(a), and bar(g) cannot be had from it: gauge and absolute pressure do not convert without a barometer: bar(a) to bar(g) (write gauge_pressure = "SENSOR.POINT", or a number with its unit, such as "1 bar(g)": the deaerator's own pressure)`},
	{"a first input that is a constant", `percent_saturation_of = "rack.oxygen"`, `percent_saturation_of = "12 ppb"`,
		`watery.toml:27:47: panel.b2.derive.saturation.percent_saturation_of: there is no point "12 ppb" (this panel may use "rack.conductivity", "rack.dye", "rack.flow", "rack.oxygen", "rack.ph", "rack.raw", "rack.sulfite", "rack.temperature", "approach", "at-25", "blowdown-of-steam", "chloride" and 10 more)`},
	{"a number without its unit", `feedwater = "5 mg/L"`, "feedwater = 5",
		`watery.toml:29:70: panel.b2.derive.cycles.feedwater: must be a text in quotes, and is a number (write feedwater = "SENSOR.POINT", or a number with its unit, such as "1 mg/L": the chloride of the feedwater)`},
	{"a circle", `derive.dose       = { product_from_tracer = "rack.dye", tracer_share = "0.1 %" }`, `derive.dose-of-steam = { blowdown_of_steam_from = "cycles" }
derive.circle = { cycles_from_conductivity = "rack.conductivity", feedwater = "turn" }
derive.turn   = { conductivity_at_25_of = "turn-again", temperature = "rack.temperature", rule = "natural" }
derive.turn-again = { conductivity_at_25_of = "turn", temperature = "rack.temperature", rule = "natural" }`,
		`watery.toml:34:43: panel.b2.derive.turn.conductivity_at_25_of: comes from itself: turn from turn-again from turn (a derived point must come from measured or entered ones in the end)`},
	{"a point from itself", `conductivity_at_25_of = "rack.raw"`, `conductivity_at_25_of = "at-25"`,
		`watery.toml:28:47: panel.b2.derive.at-25.conductivity_at_25_of: comes from itself: at-25 from at-25 (a derived point must come from measured or entered ones in the end)`},
	{"no computation", `derive.lead       = { lead_time_of = "rack.flow" }`, `derive.lead       = { unit = "s" }`,
		"watery.toml:35:8: panel.b2.derive.lead: names no computation (write one of " + strings.Join(kindKeys(), ", ") + ")"},
	{"a slip in the computation", "lead_time_of", "lead_time_off",
		"watery.toml:35:23: panel.b2.derive.lead.lead_time_off: is no key of a derived point (did you mean lead_time_of?)"},
	{"two computations", `lead_time_of = "rack.flow"`, `lead_time_of = "rack.flow", resistivity_of = "rack.conductivity"`,
		"watery.toml:35:23: panel.b2.derive.lead.lead_time_of: is a second computation besides resistivity_of (keep one; a derived point may be the input of another)"},
	{"an input of another computation", `lead_time_of = "rack.flow"`, `lead_time_of = "rack.flow", barometer = "1013 hPa(a)"`,
		"watery.toml:35:51: panel.b2.derive.lead.barometer: is no key of lead time of the line (it takes unit, resolution, lead_time_of, volume)"},
	{"a blowdown that does not say of what", "derive.blowdown-of-steam", "derive.blowdown",
		"watery.toml:30:8: panel.b2.derive.blowdown: does not say in its name of what it is a share: blowdown of steam (call it blowdown-of-steam; at 20 cycles 5.00 % of the feedwater are 5.26 % of the steam)"},
	{"cycles of less than one", `cycles = "cycles", scavenger`, `cycles = 0.5, scavenger`,
		`watery.toml:31:90: panel.b2.derive.feed.cycles: 0.5 is outside 1 to 1000, the range of the method, so nothing could ever be computed with it (write cycles = "SENSOR.POINT", or a number: the cycles of concentration)`},
	{"a barometer of no air", `barometer = "1013 hPa(a)"`, `barometer = "-1013 hPa(a)"`,
		`watery.toml:33:131: panel.b2.derive.approach.barometer: -1013 hPa(a) is outside 506.625 to 1114.575 hPa(a), the range of the method, so nothing could ever be computed with it (write barometer = "SENSOR.POINT", or a number with its unit, such as "1013 hPa(a)": the pressure of the air at the place, not reduced to sea level)`},
	{"a barometer in a unit of another size", `barometer = "1013 hPa(a)"`, `barometer = "1013 kPa(a)"`,
		`watery.toml:33:131: panel.b2.derive.approach.barometer: 1013 kPa(a) is outside 506.625 to 1114.575 hPa(a), the range of the method, so nothing could ever be computed with it (write barometer = "SENSOR.POINT", or a number with its unit, such as "1013 hPa(a)": the pressure of the air at the place, not reduced to sea level)`},
	{"a temperature past the rule", `temperature = "rack.temperature", rule = "linear"`, `temperature = "40 degC", rule = "natural"`,
		`watery.toml:28:73: panel.b2.derive.at-25.temperature: 40 degC is outside 0 to 35.9 degC, the range of the method, so nothing could ever be computed with it (write temperature = "SENSOR.POINT", or a number with its unit, such as "1 degC": its temperature)`},
	{"a share of more than all", `tracer_share = "0.1 %"`, `tracer_share = "120 %"`,
		`watery.toml:32:72: panel.b2.derive.dose.tracer_share: 120 % is outside 0.0001 to 100 %, the range of the method, so nothing could ever be computed with it (write tracer_share = "SENSOR.POINT", or a number with its unit, such as "1 %": the share of tracer in the product)`},
	{"a difference of pH for cycles", `blowdown_of_steam_from = "cycles" }`, "blowdown_of_steam_from = \"apart\" }\nderive.apart = { ph_above_expected = \"rack.ph\", conductivity = \"at-25\" }",
		`watery.toml:30:55: panel.b2.derive.blowdown-of-steam.blowdown_of_steam_from: b2.apart is pH above the one expected from conductivity, and cycles of concentration is wanted (write blowdown_of_steam_from = "SENSOR.POINT", or a number: the cycles of concentration)`},
	{"cycles for a slope", `rule = "linear"`, `rule = "linear", slope_percent_per_K = "cycles"`,
		`watery.toml:28:132: panel.b2.derive.at-25.slope_percent_per_K: b2.cycles is cycles of concentration, and slope of the linear rule is wanted (write slope_percent_per_K and a number: the slope of the linear rule)`},
	{"a rule that is none", `rule = "linear"`, `rule = "liner"`,
		`watery.toml:28:100: panel.b2.derive.at-25.rule: "liner" is not known here: did you mean "linear"? (write one of "linear", "natural", "salt-trace")`},
	{"a slope for a rule without one", `rule = "linear"`, `rule = "natural", slope_percent_per_K = 2`,
		`watery.toml:28:111: panel.b2.derive.at-25.slope_percent_per_K: means nothing for rule = "natural" (leave it out)`},
	{"compensated twice", `conductivity_at_25_of = "rack.raw"`, `conductivity_at_25_of = "rack.conductivity"`,
		`watery.toml:28:47: panel.b2.derive.at-25.conductivity_at_25_of: b2.rack.conductivity is at 25 degC already: its compensation is "linear" (use it as it is; compensated twice it would be wrong)`},
	{"a pH from a raw conductivity", `ph_expected_from = "at-25"`, `ph_expected_from = "rack.raw"`,
		`watery.toml:34:42: panel.b2.derive.expected.ph_expected_from: b2.rack.raw is not at 25 degC: its compensation is "none" (derive one with conductivity_at_25_of, and name that)`},
	{"a feed without its scavenger", `, scavenger = "SO3" }`, " }",
		`watery.toml:31:8: panel.b2.derive.feed.scavenger: is missing (write one of "SO3", "Na2SO3", "NaHSO3", "Na2S2O5")`},
	{"a residual in another substance", `cycles = "cycles", scavenger = "SO3"`, `cycles = "cycles", scavenger = "Na2SO3"`,
		`watery.toml:31:69: panel.b2.derive.feed.residual: b2.residual is as SO3, and scavenger is "Na2SO3" (write the same substance in both; SO3 and Na2SO3 differ by 57 %)`},
	{"a limit in another basis than its value", "[logbook]", "[panel.b2.limit.low]\npoint = \"residual\"\nlow = 40\nbasis = \"Na2SO3\"\nsource = { document = \"Larkfield specification\" }\n[logbook]",
		`watery.toml:42:9: panel.b2.limit.low.basis: b2.residual is entered as SO3 (write the same basis in both; SO3 and Na2SO3 differ by 57 %)`},
	{"one name for two", "derive.lead ", "derive.chloride ",
		"watery.toml:35:8: panel.b2.derive.chloride: has the name of a value that a person enters (take another name; two points cannot share one path)"},
	{"an entered value that never grows old", `unit = "mg/L", max_age = "26h"`, `unit = "mg/L"`,
		`watery.toml:25:9: panel.b2.entered.chloride.max_age: is missing (write max_age = "26h", how long a value may stand before it is stale: a round of the laboratory and a little more)`},
	{"an entered sulfite without a basis", `basis = "SO3", max_age`, "max_age",
		`watery.toml:26:9: panel.b2.entered.residual.basis: is missing (write basis = "SO3" or basis = "Na2SO3"; the two differ by 57 %)`},
	{"an entered value of nothing", `quantity = "chloride", unit = "mg/L"`, `resolution = "1 mg/L"`,
		`watery.toml:25:9: panel.b2.entered.chloride.quantity: is missing (write quantity = "chloride" and unit = "mg/L", or others)`},
	{"a flow a person enters", `flow = "rack.flow" }
entered.chloride = { quantity = "chloride", unit = "mg/L"`, `flow = "chloride" }
entered.chloride = { quantity = "flow", unit = "L/h"`,
		"watery.toml:24:67: panel.b2.line.flow: b2.chloride is not measured (name a point of a sensor)\n" +
			"watery.toml:29:46: panel.b2.derive.cycles.cycles_from_chloride: b2.chloride is a point of flow, and chloride is wanted (name a point of that quantity)"},
	{"a compensation that is none", `compensation = "linear"`, `compensation = "quadratic"`,
		`watery.toml:11:97: map.rack.point.conductivity.compensation: "quadratic" is not known here (write one of "none", "linear", "ultrapure")`},
	{"a compensation without its temperature", `compensation = "linear", temperature = "temperature"`, `compensation = "linear"`,
		`watery.toml:11:1: map.rack.point.conductivity.temperature: is missing (write temperature = "NAME", the point of this map that gives the temperature of the cell; without it nobody can say what water can be)`},
	{"a temperature of no point", `compensation = "linear", temperature = "temperature"`, `compensation = "linear", temperature = "temperatur"`,
		`watery.toml:11:121: map.rack.point.conductivity.temperature: there is no point "temperatur" in this map: did you mean "temperature"? (write the name of a temperature of this map)`},
	{"a temperature that is none", `compensation = "linear", temperature = "temperature"`, `compensation = "linear", temperature = "flow"`,
		`watery.toml:11:121: map.rack.point.conductivity.temperature: flow is a point of flow, and temperature is wanted (write the name of a temperature of this map)`},
	{"a slope for nothing", `compensation = "none"`, `slope_percent_per_K = 2, compensation = "none"`,
		`watery.toml:12:82: map.rack.point.raw.slope_percent_per_K: is for the linear rule (leave it out)`},
	{"a compensation of a flow", `flow         = { input = 30005,`, `flow         = { compensation = "none", input = 30005,`,
		"watery.toml:13:18: map.rack.point.flow.compensation: is for a conductivity only (leave it out; this point is flow)"},
	{"a check of pH where nobody says what is fed", `, fed = "ammonia" }`, " }",
		`watery.toml:37:1: panel.b2.cross_check.ph.fed: is missing (write fed = "ammonia" or fed = "amine"; where caustic, phosphate or anything else is fed, pH and conductivity say nothing of each other, and this check must be left out)`},
	{"a check of pH by a raw conductivity", `conductivity = "at-25"`, `conductivity = "rack.raw"`,
		`watery.toml:37:43: panel.b2.cross_check.ph.conductivity: b2.rack.raw is not known to be at 25 degC (write compensation = "linear" or "ultrapure" on its point in the map, or derive one with conductivity_at_25_of)`},
	{"a check of oxygen without its values", `oxygen_above = "20 ppb", `, "",
		`watery.toml:38:1: panel.b2.cross_check.oxygen.oxygen_above: is missing (write oxygen_above = "20 ppb", where oxygen is more than this water should hold beside sulfite)`},
	{"a check of something else", "[panel.b2.cross_check]\n", "[panel.b2.cross_check]\norp = 1\n",
		"watery.toml:37:1: panel.b2.cross_check.orp: is no key of the cross-checks (it takes ph, oxygen)"},
}

func TestMistakesInWhatIsDerivedAreToldWithTheirPlace(t *testing.T) {
	for _, g := range wateryGolden {
		t.Run(g.name, func(t *testing.T) {
			if strings.Count(watery, g.from) != 1 {
				t.Fatalf("%q stands %d times in the file", g.from, strings.Count(watery, g.from))
			}
			_, _, err := Parse("watery.toml", []byte(strings.Replace(watery, g.from, g.to, 1)))
			if err == nil {
				t.Fatal("taken as right")
			}
			if got := err.Error(); got != g.want {
				t.Errorf("\n got %s\nwant %s", got, g.want)
			}
		})
	}
}

// Every kind can be written down: its units are units of its quantities, and no two kinds have one key.
func TestTheTableOfKindsIsSound(t *testing.T) {
	seen := map[string]bool{}
	for i := 1; i < site.DerivationCount; i++ {
		k := site.Derivation(i).Kind()
		if k.Name == "" || len(k.Inputs) == 0 || k.Inputs[0].Need != site.Required || seen[k.Inputs[0].Key] {
			t.Errorf("%+v", k)
		}
		seen[k.Inputs[0].Key] = true
		if _, err := quantity.ParseUnit(k.Unit, k.Result); err != nil {
			t.Errorf("%s: %v", k.Name, err)
		}
		for _, in := range k.Inputs {
			if _, err := quantity.ParseUnit(in.Unit, in.Quantity); err != nil || in.Says == "" {
				t.Errorf("%s %s: %v", k.Name, in.Key, err)
			}
		}
		if (k.Choice == "") != (len(k.Choices) == 0) {
			t.Errorf("%s: a choice without choices, or the reverse", k.Name)
		}
	}
}

// Each of sixty points comes from the two before it: a search that walks every way would not end in this century (2.5e12 ways).
func TestManyWaysToOnePointAreWalkedOnce(t *testing.T) {
	var row []*point
	p := &panel{derived: map[string]*point{}}
	for i := range 60 {
		pt := &point{p: site.Point{Name: fmt.Sprintf("n%02d", i)}}
		if i >= 2 {
			pt.inputs = []*point{row[i-1], row[i-2]}
		}
		row, p.derived[pt.p.Name] = append(row, pt), pt
	}
	if circle := circleFrom(row[59], map[*point]bool{}, nil); circle != nil {
		t.Errorf("a circle of %d in a row", len(circle))
	}
	if order := p.inOrder(); !slices.Equal(order, row) {
		t.Error("not each after those it is computed from")
	}
	row[0].inputs = []*point{row[59]}
	if circle := circleFrom(row[59], map[*point]bool{}, nil); len(circle) < 2 {
		t.Error("a circle was not found")
	}
}

// Two conductivities of different reference, one compensated twice, and a laboratory's value against a live pH: each would publish or doubt
// what is not so.
func TestConductivitiesThatDoNotBelongTogetherAreRefused(t *testing.T) {
	for what, c := range map[string][2]string{
		"two references": {`derive.mixed = { cycles_from_conductivity = "rack.conductivity", feedwater = "rack.raw" }`,
			"b2.rack.raw is as it is in the line, and b2.rack.conductivity at 25 degC"},
		"twice": {"derive.once = { conductivity_at_25_of = \"rack.raw\", temperature = \"rack.temperature\", rule = \"natural\" }\n" +
			`derive.twice = { conductivity_at_25_of = "once", temperature = "rack.temperature", rule = "natural" }`,
			"b2.once is at 25 degC already: it is computed so"},
	} {
		_, _, err := Parse("watery.toml", []byte(strings.Replace(watery, "[panel.b2.cross_check]", c[0]+"\n[panel.b2.cross_check]", 1)))
		if err == nil || !strings.Contains(err.Error(), c[1]) {
			t.Errorf("%s: %v, want %q", what, err, c[1])
		}
	}
}

// A conductivity whose compensation nobody states is judged all the same, by the lowest that any device can show of water of the temperature
// beside it; which one that is, or that there is none, is said.
func TestAConductivityWithoutACompensationIsJudgedAsNotStated(t *testing.T) {
	const stated = `compensation = "linear", temperature = "temperature"`
	for what, c := range map[string]struct{ to, more, temperature, why string }{
		"the only temperature": {"", "", "b2.rack.temperature", "of water of that temperature"},
		"a named one":          {`temperature = "inlet"`, `inlet = { holding = 40020, type = "int16", scale = 0.1, unit = "degC" }`, "b2.rack.inlet", "of water of that temperature"},
		"one of two":           {"", `inlet = { holding = 40020, type = "int16", scale = 0.1, unit = "degC" }`, "", "0.011 uS/cm"},
	} {
		text := strings.Replace(watery, ", "+stated, strings.TrimSuffix(", "+c.to, ", "), 1)
		s, report, err := Parse("watery.toml", []byte(strings.Replace(text, "[map.plc.point]", c.more+"\n[map.plc.point]", 1)))
		if err != nil {
			t.Fatal(what, err)
		}
		for i := range s.Points {
			p := &s.Points[i]
			if p.Path != "b2.rack.conductivity" {
				continue
			}
			if p.Water.Compensation != site.NotStated || (p.Water.Temperature == site.None) != (c.temperature == "") {
				t.Errorf("%s: %+v", what, p.Water)
			} else if c.temperature != "" && s.Points[p.Water.Temperature].Path != c.temperature {
				t.Errorf("%s: of %s", what, s.Points[p.Water.Temperature].Path)
			}
		}
		if n := len(report.Warnings); n != 2 || !strings.Contains(report.Warnings[1].What, c.why) { // the first: nobody is told
			t.Errorf("%s: %v", what, report.Warnings)
		}
		took := false
		for _, d := range report.Defaults {
			took = took || d.Path == "map.rack.point.conductivity.temperature" && strings.Contains(d.Why, "5 K")
		}
		if took != (what == "the only temperature") {
			t.Errorf("%s: default told: %v", what, took)
		}
	}
}

// ppb is a share of mass and ug/L mass in a volume; that they are taken for one another is said wherever a point has either.
func TestTheConfigurationSaysThatPpbIsTakenForMicrogramsInALitre(t *testing.T) {
	for _, c := range []struct{ q, unit, want string }{
		{"dissolved-oxygen", "ppb", "ppb and ug/L"}, {"dissolved-oxygen", "ug/L", "ug/L and ppb"}, {"dissolved-oxygen", "ppm", "ppm and mg/L"},
		{"dissolved-oxygen", "ug/kg", "ug/kg and ug/L"}, {"dye", "ppb", "ppb and ug/L"}, {"sulfite", "ppb", "ppb and ug/L"}, {"temperature", "degC", ""}, {"flow", "L/h", ""},
	} {
		text := strings.Replace(watery, "[map.plc.point]", fmt.Sprintf("more = { holding = 40020, type = \"float32\", quantity = %q, unit = %q }\n[map.plc.point]", c.q, c.unit), 1)
		_, report, err := Parse("watery.toml", []byte(text))
		if err != nil {
			t.Fatal(c, err)
		}
		got := ""
		for _, n := range report.Notes {
			if n.Path == "map.rack.point.more.unit" {
				got = n.What
			}
		}
		if want := c.want; want != "" && got != want+" are one unit here: "+quantity.AtOneKilogramPerLitre || want == "" && got != "" {
			t.Errorf("%s in %s: %q, want %q", c.q, c.unit, got, c.want)
		}
	}
}
