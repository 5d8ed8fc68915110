package quantity

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"
)

// outside is how two independent programs spell a unit: GNU units (Debian package units) and pint (python3-pint). Both keep
// their own tables of factors. Neither knows gauge from absolute, nor of what a ppb is.
var outside = map[string]struct{ gnu, pint string }{
	"degC": {"tempC", "degC"}, "degF": {"tempF", "degF"}, "K": {"tempK", "kelvin"},
	"K(diff)": {"K", "1.0*kelvin"}, "degF(diff)": {"degF", "delta_degF"}, // multiplied, without a zero point
	"ppb": {"ppb", "1e-9"}, "ppm": {"ppm", "1e-6"}, // pint 0.19 has neither: the definition
	"ug/kg": {"ug/kg", "microgram/kilogram"}, "mg/kg": {"mg/kg", "milligram/kilogram"},
	"ug/L": {"ug/L", "microgram/liter"}, "mg/L": {"mg/L", "milligram/liter"},
	"gr/gal(US)": {"grain/gallon", "grain/gallon"}, "gr/gal(imp)": {"grain/brgallon", "grain/imperial_gallon"},
	"uS/cm": {"uS/cm", "microsiemens/centimeter"}, "mS/cm": {"mS/cm", "millisiemens/centimeter"}, "uS/m": {"uS/m", "microsiemens/meter"},
	"mS/m": {"mS/m", "millisiemens/meter"}, "S/m": {"S/m", "siemens/meter"},
	"MOhm.cm": {"Mohm cm", "megaohm*centimeter"}, "kOhm.cm": {"kohm cm", "kiloohm*centimeter"}, "Ohm.m": {"ohm m", "ohm*meter"},
	"mL/min": {"mL/min", "milliliter/minute"}, "L/min": {"L/min", "liter/minute"}, "L/h": {"L/hour", "liter/hour"}, "m3/h": {"m^3/hour", "meter**3/hour"},
	"gal(US)/min": {"gallon/min", "gallon/minute"}, "gal(imp)/min": {"brgallon/min", "imperial_gallon/minute"},
	"gal(US)/h": {"gallon/hour", "gallon/hour"}, "gal(imp)/h": {"brgallon/hour", "imperial_gallon/hour"},
	"bar": {"bar", "bar"}, "kPa": {"kPa", "kilopascal"}, "MPa": {"MPa", "megapascal"}, "psi": {"psi", "psi"}, "mbar": {"mbar", "millibar"}, "hPa": {"hPa", "hectopascal"},
	"mmHg": {"mmHg", "millimeter_Hg"}, "inHg": {"inHg", "inch_Hg"}, "atm": {"atm", "standard_atmosphere"},
	"mV": {"mV", "millivolt"}, "V": {"V", "volt"}, "%": {"%", "1e-2"}, "ratio": {"1", "1"},
	"m": {"m", "meter"}, "mm": {"mm", "millimeter"}, "cm": {"cm", "centimeter"}, "in": {"inch", "inch"}, "ft": {"ft", "foot"},
	"mL": {"mL", "milliliter"}, "L": {"L", "liter"}, "m3": {"m^3", "meter**3"}, "gal(US)": {"gallon", "gallon"}, "gal(imp)": {"brgallon", "imperial_gallon"},
	"kg/h": {"kg/hour", "kilogram/hour"}, "t/h": {"tonne/hour", "metric_ton/hour"}, "lb/h": {"lb/hour", "pound/hour"}, "kg/s": {"kg/s", "kilogram/second"}, "g/h": {"g/hour", "gram/hour"},
	"kg": {"kg", "kilogram"}, "t": {"tonne", "metric_ton"}, "lb": {"lb", "pound"},
	"MJ": {"MJ", "megajoule"}, "GJ": {"GJ", "gigajoule"}, "kWh": {"kWh", "kilowatt*hour"}, "MWh": {"MWh", "megawatt*hour"}, "MMBtu": {"1e6 btu", "1e6*Btu_it"},
	"kJ/kg": {"kJ/kg", "kilojoule/kilogram"}, "Btu/lb": {"btu/lb", "Btu_it/pound"},
	"kg/m3": {"kg/m^3", "kilogram/meter**3"}, "kg/L": {"kg/L", "kilogram/liter"}, "lb/ft3": {"lb/ft^3", "pound/foot**3"},
	"m/s": {"m/s", "meter/second"}, "ft/s": {"ft/s", "foot/second"},
	"s": {"s", "second"}, "min": {"min", "minute"}, "h": {"hour", "hour"}, "d": {"day", "day"},
}

// alone are the units that are the only one of their quantity and need no other program.
var alone = map[string]bool{"pH": true, "number": true, "state": true, "mL/L": true}

// spelledOutside takes off what the other programs cannot say: gauge or absolute, and the basis of a sulfite.
func spelledOutside(u Unit) string {
	name := u.Name()
	for _, end := range []string{"(g)", "(a)", " as SO3", " as Na2SO3"} {
		name = strings.TrimSuffix(name, end)
	}
	return name
}

// pair is one conversion that both sides make.
type pair struct {
	v        float64
	from, to Unit
	gnu      [2]string // as GNU units has it: a line "have" and a line "want"
	pint     []any
}

// allPairs is every ordered pair of different units of one quantity between which a factor, or for temperatures a factor and
// a zero, is all there is. Each is asked with a plain number and with one that has all its bits in use.
func allPairs(t *testing.T) []pair {
	t.Helper()
	var pairs []pair
	seen := map[string]bool{}
	for _, q := range append(Quantities(), Reckoned()...) {
		for _, a := range q.Units() {
			name := spelledOutside(a)
			seen[name] = true
			if o := outside[name]; (o.gnu == "" || o.pint == "") && !alone[a.Name()] {
				t.Errorf("%s of %s: no other program has been asked", a, q)
			}
			for _, b := range q.Units() {
				if a == b || table[a.id].basis != table[b.id].basis {
					continue
				}
				from, to := outside[name], outside[spelledOutside(b)]
				for _, v := range []float64{1, 120, math.Pi * 1e3} {
					p := pair{v: v, from: a, to: b, pint: []any{v, from.pint, to.pint}}
					number := strconv.FormatFloat(v, 'g', -1, 64)
					p.gnu = [2]string{number + " (" + from.gnu + ")", to.gnu}
					if q == Temperature {
						p.gnu[0] = from.gnu + "(" + number + ")"
					}
					pairs = append(pairs, p)
				}
			}
		}
	}
	for name := range outside {
		if !seen[name] {
			t.Errorf("%s is in no table", name)
		}
	}
	if len(pairs) < 1000 {
		t.Errorf("only %d pairs", len(pairs))
	}
	return pairs
}

// heldAgainst compares every pair with the answers of a program that reckons in binary floating point.
func heldAgainst(t *testing.T, program string, pairs []pair, answers []string) {
	t.Helper()
	if len(answers) != len(pairs) {
		t.Fatalf("%s gave %d answers to %d pairs", program, len(answers), len(pairs))
	}
	furthest := 0.0
	for i, p := range pairs {
		want, err := strconv.ParseFloat(strings.TrimSpace(answers[i]), 64)
		got, assumed, errs := Convert(p.v, p.from, p.to)
		scale := math.Abs(want)
		if p.from.Quantity() == Temperature {
			scale = max(scale, 300) // they go by way of the kelvin
		}
		if err != nil || errs != nil || assumed != "" || !(math.Abs(got-want) <= 1e-12*scale) {
			t.Errorf("%v %s = %v %s (%q, %v); %s: %q", p.v, p.from, got, p.to, assumed, errs, program, answers[i])
			continue
		}
		furthest = max(furthest, math.Abs(got-want)/scale)
	}
	t.Logf("%s: %d conversions, at most %.1g apart", program, len(pairs), furthest)
}

// absent skips with the reason where a program is not installed, and fails where CI=true.
func absent(t *testing.T, why, debian string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s: install the Debian package %s", why, debian)
	}
	t.Skipf("not compared: %s (Debian package %s)", why, debian)
}

func TestEveryPairOfUnitsMeetsGNUUnits(t *testing.T) {
	pairs := allPairs(t)
	program, err := exec.LookPath("units")
	if err != nil {
		absent(t, err.Error(), "units")
	}
	var in, out, errs bytes.Buffer
	for _, p := range pairs {
		fmt.Fprintf(&in, "%s\n%s\n", p.gnu[0], p.gnu[1])
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // it takes a tenth of a second
	defer cancel()
	run := exec.CommandContext(ctx, program, "-t", "-q", "-o", "%.17g")
	run.Env = append(os.Environ(), "LC_ALL=en_US", "UNITS_ENGLISH=US") // gallons by name are the US ones
	run.Stdin, run.Stdout, run.Stderr = &in, &out, &errs
	if err := run.Run(); err != nil {
		t.Fatalf("%v: %s", err, errs.Bytes())
	}
	heldAgainst(t, "GNU units", pairs, strings.Split(strings.TrimSpace(out.String()), "\n"))
}

func TestEveryPairOfUnitsMeetsDebiansPint(t *testing.T) {
	pairs := allPairs(t)
	const python = "/usr/bin/python3" // the one Debian's packages are for
	if _, err := os.Stat(python); err != nil {
		absent(t, err.Error(), "python3-pint")
	}
	var in, out, errs bytes.Buffer
	lines := json.NewEncoder(&in)
	for _, p := range pairs {
		if err := lines.Encode(p.pint); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute) // it takes some seconds
	defer cancel()
	run := exec.CommandContext(ctx, python, "testdata/oracle.py")
	run.Stdin, run.Stdout, run.Stderr = &in, &out, &errs
	if err := run.Run(); err != nil {
		if exit := new(exec.ExitError); errors.As(err, &exit) && exit.ExitCode() == 3 {
			absent(t, strings.TrimSpace(errs.String()), "python3-pint")
		}
		t.Fatalf("%v: %s", err, errs.Bytes())
	}
	heldAgainst(t, "pint", pairs, strings.Split(strings.TrimSpace(out.String()), "\n"))
}
