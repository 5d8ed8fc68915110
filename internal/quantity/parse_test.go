package quantity

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"
)

func TestUnitsAsPeopleAndManualsWriteThem(t *testing.T) {
	for _, c := range []struct {
		spelled string
		q       Quantity
		want    string
	}{
		{"\u00b5S/cm", Conductivity, "uS/cm"}, // micro sign
		{"\u03bcS/cm", Conductivity, "uS/cm"}, // Greek mu
		{"umho/cm", Conductivity, "uS/cm"},
		{"\u00b5g/L", DissolvedOxygen, "ug/L"},
		{"\u00b0C", Temperature, "degC"},
		{"\u00baF", Temperature, "degF"}, // the ordinal sign beside it on keyboards
		{"\u2103", Temperature, "degC"},
		{"Cel", Temperature, "degC"},
		{"M\u2126\u00b7cm", Resistivity, "MOhm.cm"},
		{"M\u03a9 cm", Resistivity, "MOhm.cm"},
		{"kOhm.cm", Resistivity, "kOhm.cm"},
		{"m\u00b3/h", Flow, "m3/h"},
		{"ml/min", Flow, "mL/min"},
		{" L/h ", Flow, "L/h"},
		{"psig", Pressure, "psi(g)"},
		{"bara", Pressure, "bar(a)"},
		{"umhos/cm", Conductivity, "uS/cm"},
		{"\u00b5mhos/cm", Conductivity, "uS/cm"},
		{"mmhos/cm", Conductivity, "mS/cm"},
		{"dS/m", Conductivity, "mS/cm"},
		{"kPag", Pressure, "kPa(g)"},
		{"kPaa", Pressure, "kPa(a)"},
		{"MPag", Pressure, "MPa(g)"},
		{"mg/m3", DissolvedOxygen, "ug/L"},
		{"g/m3", Sulfite, "mg/L"},
		{"mg/dm\u00b3", Chloride, "mg/L"},
		{"g/m3", Solute, "mg/L"},
		{"pH", PH, "pH"}, // a picohenry to UCUM
		{"%", Ratio, "%"},
		{"degC", None, "degC"}, // one quantity alone has it
		{"mV", None, "mV"},
	} {
		if u, err := ParseUnit(c.spelled, c.q); err != nil || u.Name() != c.want {
			t.Errorf("ParseUnit(%q, %q) = %q, %v; want %q", c.spelled, c.q, u, err, c.want)
		}
	}
}

func TestUnitsThatAreRefusedSayWhatToWrite(t *testing.T) {
	for _, c := range []struct {
		spelled string
		q       Quantity
		want    error
		hint    string
	}{
		{"C", Temperature, ErrAmbiguousUnit, `"degC"`}, // coulomb
		{"F", Temperature, ErrAmbiguousUnit, `"degF"`}, // farad
		{"bar", Pressure, ErrAmbiguousUnit, `"bar(g)" or "bar(a)"`},
		{"mbar", Pressure, ErrAmbiguousUnit, "gauge or absolute"},
		{"kPa", Pressure, ErrAmbiguousUnit, `"kPa(g)"`},
		{"MPa", None, ErrAmbiguousUnit, `"MPa(a)"`},
		{"hPa", Pressure, ErrAmbiguousUnit, `"hPa(a)"`},
		{"psi", Pressure, ErrAmbiguousUnit, `"psi(g)"`},
		{"gal/min", Flow, ErrAmbiguousUnit, `"gal(imp)/min"`},
		{"ppt", DissolvedOxygen, ErrAmbiguousUnit, "trillion"},
		{"ppb", None, ErrAmbiguousUnit, "dissolved-oxygen, sulfite, dye"},
		{"L/hr", Flow, ErrUnknownUnit, `"L/h"`},
		{"ML/MIN", Flow, ErrUnknownUnit, `"mL/min"`},
		{"us/cm", None, ErrUnknownUnit, `"uS/cm"`},
		{"PPB", None, ErrUnknownUnit, `"ppb"`},
		// Case is a factor: of a thousand million between mS and MS, of a pascal and nothing between Pa and PA.
		{"MS/cm", Conductivity, ErrUnknownUnit, `"mS/cm"`},
		{"MS/m", None, ErrUnknownUnit, `"mS/m"`},
		{"US/CM", Conductivity, ErrUnknownUnit, `"uS/cm"`},
		{"UMHO/CM", Conductivity, ErrUnknownUnit, `"uS/cm"`},
		{"uS", Conductivity, ErrUnknownUnit, `"uS/cm"`},
		{"mS", Conductivity, ErrUnknownUnit, `"mS/cm"`},
		{"mOhm.cm", Resistivity, ErrUnknownUnit, `"MOhm.cm"`},
		{"Mohm-cm", Resistivity, ErrUnknownUnit, `"MOhm.cm"`},
		{"megohm-cm", Resistivity, ErrUnknownUnit, `"MOhm.cm"`},
		{"PSI", Pressure, ErrAmbiguousUnit, `"psi(g)" or "psi(a)"`},
		{"PSIG", Pressure, ErrUnknownUnit, `"psi(g)"`},
		{"psiG", Pressure, ErrUnknownUnit, `"psi(g)"`},
		{"Bar", Pressure, ErrAmbiguousUnit, `"bar(g)" or "bar(a)"`},
		{"BARG", Pressure, ErrUnknownUnit, `"bar(g)"`},
		{"Pa", Pressure, ErrUnknownUnit, `"kPa(g)" or "kPa(a)"`},
		{"PA", Pressure, ErrUnknownUnit, `"kPa(g)" or "kPa(a)"`},
		{"mPa", Pressure, ErrUnknownUnit, `"MPa(g)" or "MPa(a)"`},
		{"KPA", Pressure, ErrAmbiguousUnit, `"kPa(g)"`},
		{"torr", Pressure, ErrUnknownUnit, `"mmHg(a)"`},
		{"Torr", Pressure, ErrUnknownUnit, `"mmHg(a)"`},
		{"mm Hg", Pressure, ErrUnknownUnit, `"mmHg(a)"`},
		{"in Hg", Pressure, ErrUnknownUnit, `"inHg(a)"`},
		{"inHG", Pressure, ErrAmbiguousUnit, `"inHg(a)"`},
		{"inH2O", Pressure, ErrUnknownUnit, `"hPa(g)"`},
		{"kg/cm\u00b2", Pressure, ErrUnknownUnit, `0.980665`},
		{"g/L", Sulfite, ErrUnknownUnit, `"mg/L"`},
		{"G/L", Chloride, ErrUnknownUnit, `"mg/L"`},
		{"mcg/L", DissolvedOxygen, ErrUnknownUnit, `"ug/L"`},
		{"PPM", Sulfite, ErrUnknownUnit, `"ppm"`},
		{"% sat", DissolvedOxygen, ErrOtherQuantity, `quantity = "ratio"`},
		{"%", DissolvedOxygen, ErrOtherQuantity, `quantity = "ratio"`},
		{"celsius", Temperature, ErrUnknownUnit, `"degC"`},
		{"DEGF", Temperature, ErrUnknownUnit, `"degF"`},
		{"ML/min", Flow, ErrUnknownUnit, `"mL/min"`},
		{"CC/MIN", Flow, ErrUnknownUnit, `"mL/min"`},
		{"ccm", Flow, ErrUnknownUnit, `"mL/min"`},
		{"MV", ORP, ErrUnknownUnit, `"mV"`},
		{"s.u.", PH, ErrUnknownUnit, `"pH"`},
		{"ph", PH, ErrUnknownUnit, `"pH"`},
		{"inches", Length, ErrUnknownUnit, `"in"`},
		{"hrs", Duration, ErrUnknownUnit, `"h"`},
		{"furlong", Length, ErrUnknownUnit, "length takes m, mm, cm, in, ft"},
		{"degC", Flow, ErrOtherQuantity, "of temperature, not of flow"},
		{"ppm", Conductivity, ErrOtherQuantity, "solids"},
		{"", Temperature, ErrNoUnit, "degC, degF, K"},
		{" ", None, ErrNoUnit, ""},
		{strings.Repeat("x", 500), Flow, ErrUnknownUnit, "longer"},
	} {
		u, err := ParseUnit(c.spelled, c.q)
		if u != (Unit{}) || !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.hint) {
			t.Errorf("ParseUnit(%q, %q) = %q, %v; want %v with %s", c.spelled, c.q, u, err, c.want, c.hint)
		}
		if err != nil && len(err.Error()) > 250 {
			t.Errorf("ParseUnit(%.20q...): a refusal of %d bytes", c.spelled, len(err.Error()))
		}
	}
}

func TestEverySlipIsReachedAndNoSlipHidesAUnit(t *testing.T) {
	for _, s := range slips {
		if u, ok := find(s.spelling, s.quantity); ok {
			t.Errorf("slip %q hides the unit %q", s.spelling, u)
		}
		if s.quantity == None {
			for _, q := range Quantities() {
				if u, ok := find(s.spelling, q); ok {
					t.Errorf("slip %q hides the unit %q of %s", s.spelling, u, q)
				}
			}
		}
		if _, err := ParseUnit(s.spelling, s.quantity); !errors.Is(err, s.refusal) {
			t.Errorf("slip %q: %v", s.spelling, err)
		}
	}
}

func TestValuesAsWrittenInAConfiguration(t *testing.T) {
	for _, c := range []struct {
		s    string
		q    Quantity
		v    float64
		unit string
	}{
		{"120 degF", Temperature, 120, "degF"},
		{"40 degC", None, 40, "degC"},
		{"20ppb", DissolvedOxygen, 20, "ppb"},
		{" -2.5e-1  mV ", ORP, -0.25, "mV"},
		{"+.5 %", Ratio, 0.5, "%"},
		{"7. pH", PH, 7, "pH"},
		{"0e9 ppb", Dye, 0, "ppb"},
		{"1e3\u00b5S/cm", Conductivity, 1000, "uS/cm"},
		{"1.013 bar(a)", Pressure, 1.013, "bar(a)"},
	} {
		if v, u, err := ParseValue(c.s, c.q); err != nil || v != c.v || u.Name() != c.unit {
			t.Errorf("ParseValue(%q) = %v, %q, %v; want %v %s", c.s, v, u, err, c.v, c.unit)
		}
	}
}

func TestValuesThatAreRefused(t *testing.T) {
	for _, c := range []struct {
		s    string
		q    Quantity
		want error
	}{
		{"120", Temperature, ErrNoUnit},
		{"120 C", Temperature, ErrAmbiguousUnit},
		{"1 bar", Pressure, ErrAmbiguousUnit},
		{"120 degF", Flow, ErrOtherQuantity},
		{"1e ppb", DissolvedOxygen, ErrUnknownUnit},
		{"", Temperature, ErrNotANumber},
		{"degC", Temperature, ErrNotANumber},
		{"NaN degC", Temperature, ErrNotANumber},
		{"-inf degC", Temperature, ErrNotANumber},
		{". ppb", DissolvedOxygen, ErrNotANumber},
		{"0x10 ppb", DissolvedOxygen, ErrNotANumber},
		{"1_000 ppb", DissolvedOxygen, ErrNotANumber},
		{"1 000 ppb", DissolvedOxygen, ErrNotANumber},
		{"1,5 bar(g)", Pressure, ErrNotANumber},
		{"1.2.3 ppb", DissolvedOxygen, ErrNotANumber},
		{strings.Repeat("9", 65) + " ppb", DissolvedOxygen, ErrNotANumber},
		{"1e309 ppb", DissolvedOxygen, ErrOutsideFloat},
		{"1e-400 ppb", DissolvedOxygen, ErrOutsideFloat},
	} {
		v, u, err := ParseValue(c.s, c.q)
		if v != 0 || u != (Unit{}) || !errors.Is(err, c.want) {
			t.Errorf("ParseValue(%q, %s) = %v, %q, %v; want %v", c.s, c.q, v, u, err, c.want)
		}
	}
}

var parseRefusals = []error{ErrNoUnit, ErrUnknownUnit, ErrAmbiguousUnit, ErrOtherQuantity, ErrNotANumber, ErrOutsideFloat}

func FuzzParseValue(f *testing.F) {
	for _, s := range []string{
		"120 degF", "20 ppb", "1,5 bar(g)", "1 bar", "NaN degC", "1e309 ppb", "5e-324 K", "\u00b5S/cm", "18.2 M\u2126\u00b7cm",
		"-40\u00b0C", "7.2 pH", "", "1e+ %", "0x1p-2 m", "\xff\xfe", "1 gal(US)/min", "+.e1 L", "00000000000000000000000000000001 mL",
	} {
		for q := None; q < quantityEnd; q++ {
			f.Add(s, uint8(q))
		}
	}
	f.Fuzz(func(t *testing.T, s string, n uint8) {
		want := Quantity(n)
		v, u, err := ParseValue(s, want)
		if err != nil {
			named := 0
			for _, r := range parseRefusals {
				if errors.Is(err, r) {
					named++
				}
			}
			if named != 1 || v != 0 || u != (Unit{}) {
				t.Fatalf("ParseValue(%q, %v) = %v, %q, %v: not one named refusal", s, want, v, u, err)
			}
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) || u == (Unit{}) || (want != None && u.Quantity() != want) {
			t.Fatalf("ParseValue(%q, %v) = %v %q of %v", s, want, v, u, u.Quantity())
		}
		again := strconv.FormatFloat(v, 'g', -1, 64) + " " + u.Name()
		if v2, u2, err := ParseValue(again, u.Quantity()); err != nil || v2 != v || u2 != u {
			t.Fatalf("%q was read as %q, which reads as %v %q, %v", s, again, v2, u2, err)
		}
	})
}
