package chem

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// told is one line of testdata/oracle.py.
type told struct {
	What  string
	At    []float64
	Value float64
}

// askOracle runs testdata/oracle.py, and askPython any script, with Debian's own Python. Without it, or without the package, it skips; where CI=true
// that is a failure.
func askOracle(t *testing.T, name, debian string) []told {
	t.Helper()
	return askPython(t, debian, "testdata/oracle.py", name)
}

func askPython(t *testing.T, debian string, args ...string) []told {
	t.Helper()
	name := strings.Join(args, " ")
	missing := func(why string) {
		t.Helper()
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s: install the Debian package %s", why, debian)
		}
		t.Skipf("not compared with %s: %s (Debian package %s)", name, why, debian)
	}
	const python = "/usr/bin/python3" // the one Debian's packages are for
	if _, err := os.Stat(python); err != nil {
		missing(err.Error())
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // it takes a second; the first import on a cold disk ten
	defer cancel()
	var out, errs bytes.Buffer
	run := exec.CommandContext(ctx, python, args...)
	run.Stdout, run.Stderr = &out, &errs
	if err := run.Run(); err != nil {
		if exit := new(exec.ExitError); errors.As(err, &exit) && exit.ExitCode() == 3 {
			missing(string(bytes.TrimSpace(errs.Bytes())))
		}
		t.Fatalf("%v: %s", err, errs.Bytes())
	}
	var all []told
	for lines := bufio.NewScanner(&out); lines.Scan(); {
		var l told
		if err := json.Unmarshal(lines.Bytes(), &l); err != nil {
			t.Fatalf("%s: %v", lines.Bytes(), err)
		}
		all = append(all, l)
	}
	return all
}

// comparison is one function against one name of the oracle.
type comparison struct {
	f        func(at []float64) (float64, error)
	share    float64 // of the value
	absolute float64 // beside it
	why      string
	fewest   int
	furthest float64 // seen, in tolerances
	compared int
}

func compare(t *testing.T, lines []told, with map[string]*comparison) {
	t.Helper()
	for _, l := range lines {
		c := with[l.What]
		if c == nil {
			t.Fatalf("the oracle speaks of %q", l.What)
		}
		got, err := c.f(l.At)
		tolerance := c.share*math.Abs(l.Value) + c.absolute
		if err != nil || math.IsNaN(got) || math.Abs(got-l.Value) > tolerance {
			t.Errorf("%s at %v: %v, %v; the oracle has %v within %.2g: %s", l.What, l.At, got, err, l.Value, tolerance, c.why)
		}
		c.compared++
		c.furthest = max(c.furthest, math.Abs(got-l.Value)/tolerance)
	}
	for what, c := range with {
		if c.compared < c.fewest {
			t.Errorf("%s: %d points compared, want %d at least", what, c.compared, c.fewest)
		}
		t.Logf("%s: %d points, at most %.2f of the tolerance", what, c.compared, c.furthest)
	}
}

func of1(f func(float64) (float64, error)) func([]float64) (float64, error) {
	return func(at []float64) (float64, error) { return f(at[0]) }
}

func of2(f func(_, _ float64) (float64, error)) func([]float64) (float64, error) {
	return func(at []float64) (float64, error) { return f(at[0], at[1]) }
}

func TestWaterAndSteamMeetDebiansIAPWSOnAGrid(t *testing.T) {
	lines := askOracle(t, "iapws", "python3-iapws")
	const same = "the same equation, summed in another order"
	compare(t, lines, map[string]*comparison{
		"psat kPa":                     {f: of1(SaturationPressure), share: 1e-12, why: same, fewest: 100},
		"tsat degC":                    {f: of1(SaturationTemperature), absolute: 1e-9, why: same, fewest: 200},
		"h water kJ/kg":                {f: of1(SaturatedWaterEnthalpy), absolute: 1e-8, why: same, fewest: 100},
		"h steam kJ/kg":                {f: of1(SaturatedSteamEnthalpy), absolute: 1e-8, why: same, fewest: 100},
		"rho water kg/m3":              {f: of1(SaturatedWaterDensity), share: 1e-11, why: same, fewest: 100},
		"h water under pressure kJ/kg": {f: of2(WaterEnthalpy), absolute: 1e-8, why: same, fewest: 60},
		"pKw R11-07":                   {f: of1(WaterIonProduct), absolute: 0.0025, why: "R11-07 against R11-24: 0.002 at most", fewest: 101},
		"kappa uS/cm":                  {f: of1(PureWaterConductivity), share: 0.018, why: "that function takes the ion product of 2007, ours that of 1981: up to 1.8 % apart", fewest: 101},
		"viscosity Pa s":               {f: of1(func(v float64) (float64, error) { return viscosity(v), nil }), share: 1e-12, why: same, fewest: 101},
		"oxygen ug/L":                  {f: of2(OxygenSolubility), share: 1e-3, absolute: 0.5, why: "vapour pressure in Henry's constant by IF97 or by Wagner and Pruss: 0.025 %, and near boiling the difference of two like pressures", fewest: 120},
	})
}

func TestOxygenMeetsDebiansGSWOnAGrid(t *testing.T) {
	lines := askOracle(t, "gsw", "python3-gsw")
	compare(t, lines, map[string]*comparison{
		"oxygen ug/L": {f: of2(OxygenSolubility), share: 3e-4, why: "Garcia and Gordon 1992 fitted the data of Benson and Krause anew: within 0.02 %", fewest: 81},
	})
}
