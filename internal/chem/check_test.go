package chem

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"
)

// csvTable is a file of testdata; its source stands at its head.
type csvTable struct {
	t    *testing.T
	name string
	head map[string]int
	rows [][]string
}

func readTable(t *testing.T, name string, atLeast int) csvTable {
	t.Helper()
	file, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 1+atLeast {
		t.Fatalf("%s: %d rows, want %d at least; %v", name, len(rows), 1+atLeast, err)
	}
	table := csvTable{t: t, name: name, head: map[string]int{}, rows: rows[1:]}
	for i, h := range rows[0] {
		table.head[h] = i
	}
	return table
}

func (c csvTable) text(row []string, column string) string {
	c.t.Helper()
	i, ok := c.head[column]
	if !ok {
		c.t.Fatalf("%s has no column %q", c.name, column)
	}
	return row[i]
}

// number is a cell and half a unit of its last digit; not ok where it is empty.
func (c csvTable) number(row []string, column string) (v, half float64, ok bool) {
	c.t.Helper()
	s := c.text(row, column)
	if s == "" {
		return 0, 0, false
	}
	v, half = printed(c.t, s)
	return v, half, true
}

func (c csvTable) must(row []string, column string) float64 {
	c.t.Helper()
	v, _, ok := c.number(row, column)
	if !ok {
		c.t.Fatalf("%s: no %s in %v", c.name, column, row)
	}
	return v
}

// near holds got against a value from outside.
func near(t *testing.T, what string, got float64, err error, want, tolerance float64) {
	t.Helper()
	if err != nil || math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s: %.8g, %v; want %.8g within %.2g", what, got, err, want, tolerance)
	}
}

// refused wants an error of the given name and nothing with it.
func refused(t *testing.T, what string, got float64, err error, want error) {
	t.Helper()
	if got != 0 || !errors.Is(err, want) {
		t.Errorf("%s: %v, %v; want 0, %v", what, got, err, want)
	}
}

// edge is one function of one number with its range, everything else held.
type edge struct {
	name     string
	min, max float64
	positive bool
	f        func(v float64) (float64, error)
}

// holdsItsRange: at both ends there is a finite answer, one float64 beyond and for NaN and the infinities a named refusal.
func (e edge) holdsItsRange(t *testing.T) {
	t.Helper()
	for _, v := range []float64{e.min, e.max, (e.min + e.max) / 2} {
		got, err := e.f(v)
		if err != nil || math.IsNaN(got) || math.IsInf(got, 0) {
			t.Errorf("%s of %v, in the range: %v, %v", e.name, v, got, err)
		}
	}
	below := ErrBelowRange
	if e.positive && math.Nextafter(e.min, math.Inf(-1)) <= 0 {
		below = ErrNotPositive
	}
	for _, c := range []struct {
		v    float64
		want error
	}{
		{math.Nextafter(e.min, math.Inf(-1)), below},
		{math.Nextafter(e.max, math.Inf(1)), ErrAboveRange},
		{math.MaxFloat64, ErrAboveRange},
		{math.NaN(), ErrNotFinite}, {math.Inf(1), ErrNotFinite}, {math.Inf(-1), ErrNotFinite},
	} {
		got, err := e.f(c.v)
		refused(t, e.name+" of "+strconv.FormatFloat(c.v, 'g', -1, 64), got, err, c.want)
	}
	if got, err := e.f(-math.MaxFloat64); e.positive {
		refused(t, e.name+" of a negative", got, err, ErrNotPositive)
	} else {
		refused(t, e.name+" of a very negative", got, err, ErrBelowRange)
	}
}

// one takes the wanted part out of an answer of several.
func one[T any](part func(T) float64) func(T, error) (float64, error) {
	return func(v T, err error) (float64, error) {
		return part(v), err
	}
}

// rises wants f to grow, or with sign -1 to fall, at each of n steps from min to max.
func rises(t *testing.T, name string, sign, from, to float64, n int, f func(float64) (float64, error)) {
	t.Helper()
	last := math.Inf(-1)
	for i := range n + 1 {
		v := from + (to-from)*float64(i)/float64(n)
		got, err := f(v)
		if err != nil || !(sign*got > last) {
			t.Errorf("%s at %v: %v, %v after %v", name, v, got, err, sign*last)
			return
		}
		last = sign * got
	}
}
