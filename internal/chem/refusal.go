package chem

import (
	"errors"
	"fmt"
	"math"
	"strconv"
)

// Every refusal of this package wraps exactly one of these.
var (
	ErrNotFinite   = errors.New("not a finite number")
	ErrNotPositive = errors.New("not above zero")
	ErrBelowRange  = errors.New("below the valid range")
	ErrAboveRange  = errors.New("above the valid range")
	// ErrNoPressure: the pressure of the air was not given. Oxygen in water goes with it, and sea level is not assumed.
	ErrNoPressure = errors.New("no pressure of the air: a barometer or the altitude is needed")
	ErrNoMode     = errors.New("compensation of the conductivity not stated")
	ErrNoneSuch   = errors.New("not in the list") // the zero value, or a number past the end, of one of the lists of this package
	// ErrVolatile: it leaves the boiler with the steam, so cycles of concentration say nothing of it.
	ErrVolatile = errors.New("leaves the boiler with the steam")
)

// span is the range in which a number is taken, both ends included.
type span struct {
	name, unit string
	min, max   float64
	positive   bool // of a thing that cannot be zero or less: told as such, not as "below the range"
}

func (s span) refuse(v float64) error {
	unit := s.unit
	if unit != "" {
		unit = " " + unit
	}
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return fmt.Errorf("%s %v%s: %w", s.name, v, unit, ErrNotFinite)
	case s.positive && v <= 0:
		return fmt.Errorf("%s %s%s: %w", s.name, plain(v), unit, ErrNotPositive)
	case v < s.min:
		return fmt.Errorf("%s %s%s: %w, %.6g to %.6g%s", s.name, plain(v), unit, ErrBelowRange, s.min, s.max, unit)
	case v > s.max:
		return fmt.Errorf("%s %s%s: %w, %.6g to %.6g%s", s.name, plain(v), unit, ErrAboveRange, s.min, s.max, unit)
	}
	return nil
}

// first is the first refusal of several, in the order of the arguments they refuse.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

const kelvin = 273.15 // 0 degC: SI brochure, definition of the degree Celsius

// between is the straight line through (x0, y0) and (x1, y1), at x. At the ends it is the end, to the last bit.
func between(x, x0, y0, x1, y1 float64) float64 {
	if x == x1 {
		return y1
	}
	return y0 + (y1-y0)*(x-x0)/(x1-x0)
}

// row is one temperature of a published table.
type row struct{ t, v float64 }

// lookUp reads a table between its rows on a straight line. The caller has seen to it that t is in the table.
func lookUp(table []row, t float64) float64 {
	for i := 1; i < len(table); i++ {
		if t <= table[i].t {
			return between(t, table[i-1].t, table[i-1].v, table[i].t, table[i].v)
		}
	}
	return table[len(table)-1].v
}

// plain writes a number of a refusal without the dust of a conversion: eight digits are more than any instrument gives.
func plain(v float64) string {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 8, 64), 64)
	if err != nil {
		short = v
	}
	return fmt.Sprint(short)
}
