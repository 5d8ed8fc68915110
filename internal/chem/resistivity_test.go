package chem

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// Source: see the head of the file. Its two columns were rounded apart, so the
// reciprocal of the one must meet the other within both roundings.
func TestResistivityOfPureWaterMeetsTheTable(t *testing.T) {
	file, err := os.Open("testdata/pure_water_conductivity.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 20 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		kappa, halfKappa := printed(t, row[1])
		want, halfWant := printed(t, row[2])
		got, err := ResistivityFromConductivity(kappa)
		tolerance := halfWant + halfKappa/(kappa*kappa)
		if err != nil || math.Abs(got-want) > tolerance {
			t.Errorf("%s degC: %v uS/cm is %v MOhm cm, %v; the table has %v +- %.2g", row[0], kappa, got, err, want, tolerance)
		}
	}
}

// printed reads a number and half a unit of its last printed digit.
func printed(t *testing.T, s string) (value, half float64) {
	t.Helper()
	value, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	_, decimals, _ := strings.Cut(s, ".")
	return value, 0.5 * math.Pow10(-len(decimals))
}

func TestResistivityAsTheTradeStatesIt(t *testing.T) {
	for _, c := range []struct {
		kappa, want, tolerance float64
		source                 string
	}{
		{0.02, 50, 1e-12, "0.02 uS/cm is stated as 50 MOhm cm: common practice, no source"},
		{0.055, 18.18, 0.005, "18.18 MOhm cm at 25 degC: ASTM STP, Resistivity of Very Pure Water and Its Maximum Value"},
		{1, 1, 0, "definition"},
		{conductivityMin, 100, 1e-12, "definition, at the low end of the range"},
		{conductivityMax, 1e-6, 1e-20, "definition, at the high end of the range"},
	} {
		got, err := ResistivityFromConductivity(c.kappa)
		if err != nil || math.Abs(got-c.want) > c.tolerance {
			t.Errorf("%v uS/cm is %v MOhm cm, %v; want %v: %s", c.kappa, got, err, c.want, c.source)
		}
	}
}

func TestResistivityOutsideTheRangeIsAnErrorNotAValue(t *testing.T) {
	for _, c := range []struct {
		kappa float64
		want  error
	}{
		{math.NaN(), ErrNotFinite},
		{math.Inf(1), ErrNotFinite},
		{math.Inf(-1), ErrNotFinite},
		{0, ErrNotPositive},
		{math.Copysign(0, -1), ErrNotPositive},
		{-0.055, ErrNotPositive},
		{math.SmallestNonzeroFloat64, ErrBelowRange},
		{math.Nextafter(conductivityMin, 0), ErrBelowRange},
		{math.Nextafter(conductivityMax, math.Inf(1)), ErrAboveRange},
		{math.MaxFloat64, ErrAboveRange},
	} {
		got, err := ResistivityFromConductivity(c.kappa)
		if got != 0 || !errors.Is(err, c.want) {
			t.Errorf("ResistivityFromConductivity(%v) = %v, %v; want %v", c.kappa, got, err, c.want)
		}
	}
}
