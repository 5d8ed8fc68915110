package quantity

import (
	"encoding/json"
	"regexp"
	"testing"
)

func TestZeroQuantityAndZeroUnitAreNotKnown(t *testing.T) {
	var q Quantity
	if q != None || q.String() != "" || q.Family() != "" || len(q.Units()) != 0 {
		t.Errorf("zero Quantity: %q, family %q, units %v", q, q.Family(), q.Units())
	}
	if suffix, u := q.Metric(); suffix != "" || u != (Unit{}) {
		t.Errorf("None has metric %q %q", suffix, u)
	}
	if _, ok := ParseQuantity(""); ok {
		t.Error("the empty text is a quantity")
	}
	var u Unit
	if u.Quantity() != None || u.Name() != "" || u.UCUM() != "" || u.Display() != "" {
		t.Errorf("zero Unit: %+v", table[0])
	}
	if name, unit := u.Metric(); name != "" || unit != (Unit{}) {
		t.Errorf("zero Unit has metric %q %q", name, unit)
	}
	if s := Quantity(250).String(); s != "" {
		t.Errorf("Quantity(250) is %q", s)
	}
}

func TestQuantityNamesReadBackInExactCase(t *testing.T) {
	if n := len(Quantities()); n != 19 {
		t.Errorf("%d quantities, want 19", n)
	}
	for _, q := range Quantities() {
		got, ok := ParseQuantity(q.String())
		if !ok || got != q {
			t.Errorf("ParseQuantity(%q) = %v, %v", q, got, ok)
		}
	}
	for _, s := range []string{"Temperature", "dissolved_oxygen", " flow", "oxygen"} {
		if q, ok := ParseQuantity(s); ok {
			t.Errorf("ParseQuantity(%q) = %v, want none", s, q)
		}
	}
}

// The spellings other programs, configurations and dashboards depend on.
func TestMetricNamesAreTheTradesUnits(t *testing.T) {
	want := map[string]string{ // unit given in a configuration: family and unit served
		"degF temperature":      "temperature_celsius degC",
		"ug/L dissolved-oxygen": "dissolved_oxygen_ppb ppb",
		"mS/cm conductivity":    "conductivity_microsiemens_per_centimeter uS/cm",
		"MOhm.cm resistivity":   "resistivity_ohm_meters Ohm.m",
		"L/h flow":              "flow_milliliters_per_minute mL/min",
		"bar(g) pressure":       "pressure_above_atmospheric_kilopascals kPa(g)",
		"psi(a) pressure":       "absolute_pressure_kilopascals kPa(a)",
		"pH ph":                 "ph_number pH",
		"V orp":                 "orp_millivolts mV",
		"mg/L sulfite":          "sulfite_ppm ppm",
		"ug/L dye":              "dye_ppb ppb",
		"% ratio":               "ratio ratio",
		"number number":         "number number",
		"ft length":             "length_meters m",
		"mL volume":             "volume_liters L",
		"state state":           "state state",
		"mg/L chloride":         "chloride_ppm ppm",
		"mg/kg dose":            "dose_ppm ppm",
		"min duration":          "duration_seconds s",

		"degF(diff) temperature-difference": "temperature_difference_kelvin K(diff)",
	}
	seen := make(map[Quantity]bool)
	for given, served := range want {
		m := regexp.MustCompile(`^(\S+) (\S+)$`).FindStringSubmatch(given)
		q, ok := ParseQuantity(m[2])
		u, err := ParseUnit(m[1], q)
		if !ok || err != nil {
			t.Errorf("%s: %v", given, err)
			continue
		}
		seen[q] = true
		name, unit := u.Metric()
		if got := name + " " + unit.Name(); got != served {
			t.Errorf("%s is served as %q, want %q", given, got, served)
		}
	}
	for _, q := range Quantities() {
		if !seen[q] {
			t.Errorf("%s: metric name not checked", q)
		}
	}
}

func TestEveryUnitConvertsToItsMetricUnit(t *testing.T) {
	valid := regexp.MustCompile(`^[a-z]+(_[a-z]+)*$`)
	for _, q := range Quantities() {
		if len(q.Units()) == 0 {
			t.Errorf("%s has no unit", q)
		}
		for _, u := range q.Units() {
			name, metric := u.Metric()
			if !valid.MatchString(name) {
				t.Errorf("%s %s: metric name %q", q, u, name)
			}
			if v, _, err := Convert(1, u, metric); err != nil || v == 0 {
				t.Errorf("1 %s (%s) to %s: %v, %v", u, q, metric, v, err)
			}
			if q == Pressure {
				continue
			}
			if _, same := q.Metric(); same != metric {
				t.Errorf("%s: Quantity.Metric says %s, Unit.Metric of %s says %s", q, same, u, metric)
			}
		}
	}
	if _, u := Pressure.Metric(); u != (Unit{}) {
		t.Errorf("Pressure alone has the metric unit %s: gauge or absolute is not known", u)
	}
}

func TestSpellingsArePlainASCIIAndReadBack(t *testing.T) {
	if len(table) > 256 {
		t.Fatalf("%d units do not fit the index of a Unit", len(table))
	}
	for _, q := range Quantities() {
		taken := make(map[string]string)
		for _, u := range q.Units() {
			r := table[u.id]
			for _, s := range append([]string{r.name}, r.aliases...) {
				if owner, twice := taken[s]; twice {
					t.Errorf("%s: %q is both %s and %s", q, s, owner, r.name)
				}
				taken[s] = r.name
				if got, err := ParseUnit(s, q); err != nil || got != u {
					t.Errorf("ParseUnit(%q, %s) = %q, %v; want %q", s, q, got, err, u)
				}
			}
			for _, s := range []string{u.Name(), u.Display(), u.UCUM()} {
				for _, c := range s {
					if c < ' ' || c > '~' {
						t.Errorf("%s: %q is not plain ASCII", q, s)
					}
				}
			}
			if len(u.Name()) > unitMax || u.UCUM() == "" || u.Quantity() != q || r.factor.Sign() <= 0 {
				t.Errorf("%s: bad row %+v", q, r)
			}
			if u.Display() == "" && q != Ratio && q != Number && q != State {
				t.Errorf("%s: %s prints without a unit", q, u)
			}
		}
	}
}

func TestDisplayAlwaysSaysGaugeOrAbsolute(t *testing.T) {
	says := regexp.MustCompile(` (gauge|absolute)$`)
	for _, u := range Pressure.Units() {
		if !says.MatchString(u.Display()) {
			t.Errorf("%s prints as %q", u, u.Display())
		}
	}
}

// UCUM 2.2; each code listed here was put through the validator of the US
// National Library of Medicine (@lhncbc/ucum-lhc) and found valid.
func TestUCUMCodes(t *testing.T) {
	for _, c := range []struct {
		q          Quantity
		name, ucum string
	}{
		{Temperature, "degC", "Cel"}, {Temperature, "degF", "[degF]"}, {Temperature, "K", "K"},
		{DissolvedOxygen, "ppb", "[ppb]"}, {Sulfite, "ppm", "[ppm]"}, {Dye, "ug/L", "ug/L"},
		{Conductivity, "uS/cm", "uS/cm"}, {Resistivity, "MOhm.cm", "MOhm.cm"},
		{Flow, "m3/h", "m3/h"}, {Flow, "gal(US)/min", "[gal_us]/min"},
		{Pressure, "psi(g)", "[psi]"}, {Pressure, "kPa(a)", "kPa"}, {PH, "pH", "[pH]"}, {Ratio, "%", "%"},
	} {
		if u, err := ParseUnit(c.name, c.q); err != nil || u.UCUM() != c.ucum {
			t.Errorf("%s: UCUM %q, %v; want %q", c.name, u.UCUM(), err, c.ucum)
		}
	}
}

func TestUnitInJSONIsItsName(t *testing.T) {
	got, err := json.Marshal(struct {
		Quantity Quantity
		Unit     Unit
	}{DissolvedOxygen, mustFind("ug/L", DissolvedOxygen)})
	if want := `{"Quantity":"dissolved-oxygen","Unit":"ug/L"}`; err != nil || string(got) != want {
		t.Errorf("got %s, %v; want %s", got, err, want)
	}
}
