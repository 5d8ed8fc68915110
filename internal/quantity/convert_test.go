package quantity

import (
	"errors"
	"math"
	"math/rand/v2"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// Exact definitions: the right-hand side is the float64 nearest to a number that
// follows from the definition with pencil and paper. Compared bit for bit.
func TestConversionIsTheNearestFloat64(t *testing.T) {
	checked := map[string]bool{"pH": true, "number": true, "state": true} // alone in their quantity
	for _, c := range []struct {
		v        float64
		q        Quantity
		from, to string
		want     float64
		source   string
	}{
		{120, Temperature, "degF", "degC", 48.888888888888886, "440/9"},
		{100, Temperature, "degF", "degC", 37.77777777777778, "340/9"},
		{77, Temperature, "degF", "degC", 25, "NIST SP 811, B.8: (t - 32)/1.8"},
		{-40, Temperature, "degF", "degC", -40, "where the scales cross"},
		{32, Temperature, "degF", "K", 273.15, "ice point"},
		{0, Temperature, "degC", "K", 273.15, "SI brochure: definition of the degree Celsius"},
		{0, Temperature, "K", "degC", -273.15, "the same"},
		{40, Temperature, "degC", "degF", 104, "40 * 9/5 + 32"},
		{1, Pressure, "psi(g)", "kPa(g)", 6.894757293168361, "0.45359237 * 9.80665 / 0.0254^2; NIST SP 811: 6.894 757"},
		{1, Pressure, "bar(a)", "kPa(a)", 100, "SI brochure, table of non-SI units"},
		{1013.25, Pressure, "hPa(a)", "mbar(a)", 1013.25, "1 mbar = 1 hPa"},
		{1, Flow, "gal(US)/min", "mL/min", 3785.411784, "231 in3 of 16.387064 mL"},
		{1, Flow, "gal(imp)/min", "L/min", 4.54609, "UK Units of Measurement Regulations 1995"},
		{3, Flow, "L/h", "mL/min", 50, "3000/60"},
		{0.006, Flow, "m3/h", "mL/min", 100, "6000/60"},
		{1, Length, "in", "mm", 25.4, "international inch, 1959"},
		{1, Length, "ft", "m", 0.3048, "international foot, 1959"},
		{100, Volume, "mL", "L", 0.1, "prefix"},
		{1, Conductivity, "uS/cm", "S/m", 1e-4, "prefix"},
		{1.41, Conductivity, "mS/cm", "uS/cm", 1410, "prefix"},
		{1, Resistivity, "MOhm.cm", "Ohm.m", 10000, "prefix"},
		{18.2, Resistivity, "MOhm.cm", "kOhm.cm", 18200, "prefix"},
		{20, DissolvedOxygen, "ppb", "ppm", 0.02, "prefix"},
		{43, DissolvedOxygen, "ug/L", "mg/L", 0.043, "prefix"},
		{7, DissolvedOxygen, "ug/kg", "ppb", 7, "1e-9 by mass"},
		{20, Sulfite, "mg/kg", "ug/kg", 20000, "prefix"},
		{250, Conductivity, "uS/m", "mS/m", 0.25, "prefix"},
		{0.5, Conductivity, "mS/m", "uS/cm", 5, "1 mS/m = 1000 uS per 100 cm"},
		{1, Pressure, "MPa(a)", "bar(a)", 10, "prefix"},
		{1, Pressure, "MPa(g)", "mbar(g)", 10000, "prefix"},
		{1, Pressure, "hPa(g)", "kPa(g)", 0.1, "prefix"},
		{14.5, Pressure, "psi(a)", "bar(a)", 0.9997398075094124, "14.5 * 0.45359237 * 9.80665 / 0.0254^2 / 1e5, in Python fractions"},
		{1, Pressure, "bar(g)", "hPa(g)", 1000, "prefix"},
		{15, Length, "cm", "mm", 150, "prefix"},
		{-250, ORP, "mV", "V", -0.25, "prefix"},
		{12.5, Ratio, "%", "ratio", 0.125, "UCUM: 1 % = 1e-2"},
		{1.5, Duration, "h", "min", 90, "SI brochure, table of non-SI units"},
		{1.5, Duration, "min", "s", 90, "the same"},
		{1, Duration, "d", "h", 24, "the same"},
		{9, TemperatureDifference, "degF(diff)", "K(diff)", 5, "NIST SP 811, B.8: a step of 1 degF is 5/9 K"},
		{760, Pressure, "mmHg(a)", "hPa(a)", 1013.250144354, "760 * 13.5951 * 9.80665 Pa; the standard atmosphere to 1.4e-7"},
		{1, Pressure, "atm(a)", "mbar(a)", 1013.25, "definition"},
		{30, Pressure, "inHg(a)", "kPa(a)", 101.59165921023, "25.4 mmHg; NIST SP 811: 3.386 389 kPa"},
		{1, Flow, "gal(US)/h", "L/h", 3.785411784, "231 in3"},
		{2, Flow, "gal(imp)/h", "mL/min", 151.53633333333335, "4546.09 mL over 60 min, twice"},
		{1, Volume, "gal(US)", "mL", 3785.411784, "231 in3"},
		{1, Volume, "gal(imp)", "L", 4.54609, "UK Units of Measurement Regulations 1995"},
		{1, Volume, "m3", "L", 1000, "1 L = 1 dm3"},
	} {
		checked[c.from], checked[c.to] = true, true
		got, assumed, err := Convert(c.v, mustFind(c.from, c.q), mustFind(c.to, c.q))
		if err != nil || assumed != "" || math.Float64bits(got) != math.Float64bits(c.want) {
			t.Errorf("%v %s = %v %s (assumed %q, %v); want %v: %s", c.v, c.from, got, c.to, assumed, err, c.want, c.source)
		}
	}
	for _, r := range table[firstUnit:] { // those only reckoned with: reckoned_test.go
		if r.quantity <= lastOfPoint && !checked[r.name] {
			t.Errorf("no definition is checked for %s", r.name)
		}
	}
}

// gnuUnits is what GNU units 2.22 (Debian 12, package units 2.22-2) printed for
// `units -t -o %.17g FROM TO`. It reckons in binary floating point, so its last
// digit or two are its own.
var gnuUnits = []struct {
	from, to string // as GNU units spells them
	printed  string
	v        float64
	q        Quantity
	a, b     string // as we do
}{
	{"tempF(120)", "tempC", "48.888888888888914", 120, Temperature, "degF", "degC"},
	{"tempF(77)", "tempC", "25", 77, Temperature, "degF", "degC"},
	{"tempF(-40)", "tempC", "-40", -40, Temperature, "degF", "degC"},
	{"tempC(40)", "tempF", "104", 40, Temperature, "degC", "degF"},
	{"tempC(25)", "K", "298.14999999999998", 25, Temperature, "degC", "K"},
	{"tempF(32)", "K", "273.14999999999998", 32, Temperature, "degF", "K"},
	{"1 psi", "kPa", "6.8947572931683601", 1, Pressure, "psi(a)", "kPa(a)"},
	{"1 psi", "bar", "0.068947572931683604", 1, Pressure, "psi(g)", "bar(g)"},
	{"14.5 psi", "mbar", "999.739807509412", 14.5, Pressure, "psi(a)", "mbar(a)"},
	{"10.5 bar", "psi", "152.28962461671972", 10.5, Pressure, "bar(g)", "psi(g)"},
	{"2 MPa", "bar", "20", 2, Pressure, "MPa(g)", "bar(g)"},
	{"35 mbar", "hPa", "35.000000000000007", 35, Pressure, "mbar(g)", "hPa(g)"},
	{"1 gallon/min", "mL/min", "3785.4117839999994", 1, Flow, "gal(US)/min", "mL/min"},
	{"1 brgallon/min", "L/min", "4.5460899999999995", 1, Flow, "gal(imp)/min", "L/min"},
	{"3 L/hour", "mL/min", "49.999999999999993", 3, Flow, "L/h", "mL/min"},
	{"1 m^3/hour", "L/min", "16.666666666666661", 1, Flow, "m3/h", "L/min"},
	{"0.3 gallon/min", "L/hour", "68.137412111999993", 0.3, Flow, "gal(US)/min", "L/h"},
	{"0.055 uS/cm", "S/m", "5.4999999999999999e-06", 0.055, Conductivity, "uS/cm", "S/m"},
	{"1.4 mS/cm", "uS/cm", "1400", 1.4, Conductivity, "mS/cm", "uS/cm"},
	{"25 mS/m", "uS/cm", "250.00000000000003", 25, Conductivity, "mS/m", "uS/cm"},
	{"18.2 Mohm cm", "ohm m", "182000", 18.2, Resistivity, "MOhm.cm", "Ohm.m"},
	{"18.2 Mohm cm", "kohm cm", "18200", 18.2, Resistivity, "MOhm.cm", "kOhm.cm"},
	{"43 ppb", "ppm", "0.043000000000000003", 43, DissolvedOxygen, "ppb", "ppm"},
	{"43 ug/L", "mg/L", "0.042999999999999997", 43, DissolvedOxygen, "ug/L", "mg/L"},
	{"7 ug/kg", "mg/kg", "0.0070000000000000001", 7, Dye, "ug/kg", "mg/kg"},
	{"7 ug/kg", "ppb", "6.9999999999999991", 7, Dye, "ug/kg", "ppb"},
	{"12.5 %", "1", "0.125", 12.5, Ratio, "%", "ratio"},
	{"1 inch", "mm", "25.400000000000002", 1, Length, "in", "mm"},
	{"15 ft", "m", "4.5720000000000001", 15, Length, "ft", "m"},
	{"0.25 inch", "cm", "0.63500000000000001", 0.25, Length, "in", "cm"},
	{"100 mL", "L", "0.099999999999999992", 100, Volume, "mL", "L"},
}

func TestConversionAgreesWithGNUUnits(t *testing.T) {
	program, err := exec.LookPath("units")
	if err != nil {
		t.Log("the units program is not installed: compared with its recorded answers only")
	}
	for _, c := range gnuUnits {
		got, _, err := Convert(c.v, mustFind(c.a, c.q), mustFind(c.b, c.q))
		if err != nil {
			t.Errorf("%s to %s: %v", c.from, c.to, err)
			continue
		}
		tolerance := 1e-15 * math.Abs(got)
		if c.q == Temperature {
			tolerance = 1e-13 // GNU units goes by way of some 300 K: two steps of 5.7e-14
		}
		compare := func(answer, where string) {
			want, err := strconv.ParseFloat(strings.TrimSpace(answer), 64)
			if err != nil || math.Abs(got-want) > tolerance {
				t.Errorf("%s = %v %s; GNU units (%s): %q", c.from, got, c.to, where, answer)
			}
		}
		compare(c.printed, "2.22, recorded")
		if program != "" {
			out, err := exec.Command(program, "-t", "-o", "%.17g", c.from, c.to).Output()
			if err != nil {
				t.Errorf("%s %s %s: %v", program, c.from, c.to, err)
			}
			compare(string(out), "installed")
		}
	}
}

func TestThereAndBackIsWithinTheTwoRoundings(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 20)) // any seed: the property holds for every value
	half := func(x float64) float64 { return (math.Nextafter(math.Abs(x), math.Inf(1)) - math.Abs(x)) / 2 }
	pairs := 0
	for _, q := range Quantities() {
		for _, a := range q.Units() {
			for _, b := range q.Units() {
				slope, _, err := ConvertDifference(1, b, a)
				if errors.Is(err, ErrNeedsBarometer) {
					continue
				}
				pairs++
				for range 50 {
					v := (rng.Float64() - 0.3) * math.Pow(10, float64(rng.IntN(12)-6))
					there, _, err1 := Convert(v, a, b)
					back, _, err2 := Convert(there, b, a)
					// 1e-6 for the rounding of the slope and of this sum
					bound := (half(there)*slope + half(back)) * (1 + 1e-6)
					if err1 != nil || err2 != nil || math.Abs(back-v) > bound {
						t.Fatalf("%v %s -> %v %s -> %v: off by %g, bound %g (%v, %v)", v, a, there, b, back, back-v, bound, err1, err2)
					}
				}
			}
		}
	}
	if pairs < 200 {
		t.Errorf("only %d pairs of units were tried", pairs)
	}
}

func TestShareOfMassAndMassInAVolumeNeverConvertInSilence(t *testing.T) {
	for _, q := range []Quantity{DissolvedOxygen, Dye, Sulfite} {
		for _, a := range q.Units() {
			for _, b := range q.Units() {
				_, assumed, err := Convert(31, a, b)
				crosses := strings.HasSuffix(a.Name(), "/L") != strings.HasSuffix(b.Name(), "/L")
				if err != nil || (assumed != "") != crosses {
					t.Errorf("%s: %s to %s: assumed %q, %v", q, a, b, assumed, err)
				}
			}
		}
	}
	got, assumed, err := Convert(31, mustFind("ug/L", DissolvedOxygen), mustFind("ppb", DissolvedOxygen))
	if got != 31 || assumed != AtOneKilogramPerLitre || err != nil {
		t.Errorf("31 ug/L = %v ppb, assumed %q, %v", got, assumed, err)
	}
}

func TestConversionsThatAreRefused(t *testing.T) {
	unit := mustFind
	for _, c := range []struct {
		v        float64
		from, to Unit
		want     error
		text     string
	}{
		{1, unit("bar(g)", Pressure), unit("bar(a)", Pressure), ErrNeedsBarometer, "bar(g) to bar(a)"},
		{1, unit("kPa(a)", Pressure), unit("psi(g)", Pressure), ErrNeedsBarometer, "barometer"},
		{1, unit("ppb", DissolvedOxygen), unit("ppb", Dye), ErrDifferentQuantity, "dissolved-oxygen"},
		{1, unit("uS/cm", Conductivity), unit("MOhm.cm", Resistivity), ErrDifferentQuantity, "reciprocals"},
		{1, unit("mL", Volume), unit("mL/min", Flow), ErrDifferentQuantity, "volume"},
		{1, Unit{}, unit("degC", Temperature), ErrNoUnit, ""},
		{1, unit("degC", Temperature), Unit{}, ErrNoUnit, ""},
		{1, Unit{}, Unit{}, ErrNoUnit, ""},
		{math.NaN(), unit("degC", Temperature), unit("degC", Temperature), ErrOutsideFloat, "NaN"},
		{math.Inf(-1), unit("degC", Temperature), unit("K", Temperature), ErrOutsideFloat, "Inf"},
		{math.MaxFloat64, unit("MPa(g)", Pressure), unit("kPa(g)", Pressure), ErrOutsideFloat, "kPa(g)"},
	} {
		got, assumed, err := Convert(c.v, c.from, c.to)
		if got != 0 || assumed != "" || !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.text) {
			t.Errorf("Convert(%v, %q, %q) = %v, %q, %v; want %v with %q", c.v, c.from, c.to, got, assumed, err, c.want, c.text)
		}
	}
}

func TestADifferenceHasNoZeroPoint(t *testing.T) {
	for _, c := range []struct {
		v        float64
		from, to string
		want     float64
	}{
		{2, "degF", "degC", 1.1111111111111112}, // 10/9
		{2, "K", "degC", 2},
		{5, "degC", "degF", 9},
	} {
		got, _, err := ConvertDifference(c.v, mustFind(c.from, Temperature), mustFind(c.to, Temperature))
		if got != c.want || err != nil {
			t.Errorf("a difference of %v %s = %v %s, %v; want %v", c.v, c.from, got, c.to, err, c.want)
		}
	}
}

func BenchmarkConvert(b *testing.B) {
	from, to := mustFind("degF", Temperature), mustFind("degC", Temperature)
	for b.Loop() {
		_, _, _ = Convert(119.7, from, to)
	}
}
