package config

import (
	"strings"
	"testing"

	"rillwatch/internal/site"
)

const (
	sulfiteLine = `sulfite      = { holding = 40007, type = "uint16", quantity = "sulfite", unit = "ppm" }`
	sulfiteAs   = `sulfite      = { holding = 40007, type = "uint16", quantity = "sulfite", unit = "ppm", basis = "`
	byAnalyser  = `derive.feed       = { scavenger_feed_of = "rack.oxygen", residual = "rack.sulfite", cycles = "cycles", scavenger = "SO3" }`
	byPerson    = `derive.feed       = { scavenger_feed_of = "rack.oxygen", residual = "residual", cycles = "cycles", scavenger = "SO3" }`
	limitAs     = "[panel.b2.limit.low]\npoint = \"rack.sulfite\"\nlow = 20\nsource = { document = \"Larkfield specification\" }\nbasis = \""
)

// 30 mg/L as Na2SO3 are 19.1 as SO3 (126.04 to 80.06): a feed reckoned from the one for the other is 57 % wrong, and nothing shows it.
func TestAMeasuredResidualIsReckonedWithInItsOwnBasisOnly(t *testing.T) {
	for name, c := range map[string]struct{ point, limit, want string }{
		"nobody says it":        {sulfiteLine, "", "panel.b2.derive.feed.residual: nobody has said whether b2.rack.sulfite is as SO3 or as Na2SO3"},
		"its limit says other":  {sulfiteLine, limitAs + "Na2SO3\"\n", `panel.b2.derive.feed.residual: b2.rack.sulfite is as Na2SO3, and scavenger is "SO3"`},
		"its limit says so":     {sulfiteLine, limitAs + "SO3\"\n", ""},
		"its map says other":    {sulfiteAs + `Na2SO3" }`, "", `panel.b2.derive.feed.residual: b2.rack.sulfite is as Na2SO3, and scavenger is "SO3"`},
		"its map says so":       {sulfiteAs + `SO3" }`, "", ""},
		"its map and its limit": {sulfiteAs + `SO3" }`, limitAs + "Na2SO3\"\n", "panel.b2.limit.low.basis: b2.rack.sulfite is as SO3"},
	} {
		text := strings.Replace(strings.Replace(watery, byPerson, byAnalyser, 1), sulfiteLine, c.point, 1)
		s, _, err := Parse("watery.toml", []byte(strings.Replace(text, "[logbook]", c.limit+"[logbook]", 1)))
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", name, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
		if err != nil {
			continue
		}
		for path, want := range map[string]string{"b2.rack.sulfite": "SO3", "b2.residual": "SO3", "b2.feed": "SO3", "b2.rack.oxygen": ""} {
			if got := madeAt(t, s, path).Basis; got != want {
				t.Errorf("%s: %s is as %q, want %q", name, path, got, want)
			}
		}
	}
}

func TestTwoLimitsOfOneSulfiteHaveOneBasis(t *testing.T) {
	two := limitAs + "SO3\"\n" + strings.Replace(limitAs, "limit.low]", "limit.lower]", 1) + "Na2SO3\"\n"
	_, _, err := Parse("watery.toml", []byte(strings.Replace(watery, "[logbook]", two+"[logbook]", 1)))
	if err == nil || !strings.Contains(err.Error(), "panel.b2.limit.lower.basis: b2.rack.sulfite is as SO3") {
		t.Errorf("%v", err)
	}
}

func TestABasisOfAPointIsForSulfiteOnly(t *testing.T) {
	for from, c := range map[string][2]string{
		sulfiteLine:                        {sulfiteAs + `SO4" }`, `map.rack.point.sulfite.basis: "SO4" is not known here`},
		`quantity = "dye", unit = "ppb" }`: {`quantity = "dye", unit = "ppb", basis = "SO3" }`, "map.rack.point.dye.basis: is for sulfite only"},
	} {
		_, _, err := Parse("watery.toml", []byte(strings.Replace(watery, from, c[0], 1)))
		if err == nil || !strings.Contains(err.Error(), c[1]) {
			t.Errorf("%v, want %q", err, c[1])
		}
	}
}

// 4 ppb of oxygen take 0.004 mg/L of hydrazine (32.05 to 32.00): a display of 0.1 mg/L would show none.
func TestADemandIsShownFinelyEnoughToBeSeen(t *testing.T) {
	for scavenger, want := range map[string]float64{"SO3": 0.001, "Na2SO3": 0.001, "N2H4": 0.0001, "DEHA": 0.0001, "carbohydrazide": 0.0001, "erythorbic-acid": 0.001} {
		text := strings.Replace(watery, "[panel.b2.cross_check]", `derive.demand = { scavenger_demand_of = "rack.oxygen", scavenger = "`+scavenger+"\" }\n[panel.b2.cross_check]", 1)
		s, _, err := Parse("watery.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		if p := madeAt(t, s, "b2.demand"); p.Resolution != want || p.Basis != scavenger {
			t.Errorf("%s: step %v as %q", scavenger, p.Resolution, p.Basis)
		}
		if p := madeAt(t, s, "b2.feed"); p.Resolution != 0.001 {
			t.Errorf("feed: step %v", p.Resolution)
		}
	}
}

// Nobody titrates less than nothing; the drift of a zero is an analyser's.
func TestAConcentrationThatAPersonEntersIsNotBelowZero(t *testing.T) {
	text := strings.Replace(watery, "[panel.b2.cross_check]", `entered.oxygen = { quantity = "dissolved-oxygen", unit = "ppb", max_age = "26h" }
entered.dye  = { quantity = "dye", unit = "ppb", max_age = "26h" }
entered.dosed = { quantity = "dose", unit = "mg/L", max_age = "26h" }
entered.odd  = { quantity = "sulfite", unit = "ppm", basis = "SO3", max_age = "26h", fault_below = -1 }
entered.redox = { quantity = "orp", unit = "mV", max_age = "26h" }
entered.full  = { quantity = "conductivity", unit = "uS/cm", max_age = "26h" }
[panel.b2.cross_check]`, 1)
	s, report, err := Parse("watery.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]float64{"b2.chloride": 0, "b2.residual": 0, "b2.oxygen": 0, "b2.dye": 0, "b2.dosed": 0, "b2.full": 0, "b2.odd": -1, "b2.redox": -2000, "b2.rack.sulfite": -5} {
		if f := madeAt(t, s, path).Fault; !f.HasLow || f.Low != want {
			t.Errorf("%s: %+v, want %v", path, f, want)
		}
	}
	told := false
	for _, d := range report.Defaults {
		told = told || d.Path == "panel.b2.entered.residual.fault_below" && d.Value == "0 ppm"
	}
	if !told {
		t.Error("the report does not say it")
	}
}

func madeAt(t *testing.T, s *site.Site, path string) *site.Point {
	t.Helper()
	for i := range s.Points {
		if s.Points[i].Path == path {
			return &s.Points[i]
		}
	}
	t.Fatal(path)
	return nil
}

// 18 ppb are 0.018 ppm; the last digits of the conversion are nobody's.
func TestNoNumberOfTheReportCarriesTheDustOfAConversion(t *testing.T) {
	for v, want := range map[float64]string{0.018000000000000002: "0.018", 10526.315789473683: "10526.3157895", 0.1 + 0.2: "0.3", 506.625: "506.625", 40001: "40001"} {
		if got := num(v); got != want {
			t.Errorf("%v: %s, want %s", v, got, want)
		}
	}
}
