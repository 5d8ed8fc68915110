package stats

import (
	"errors"
	"fmt"
	"math"
)

// Every refusal of this package wraps exactly one of these.
var (
	ErrNotFinite   = errors.New("not a finite number")
	ErrTooLarge    = errors.New("too large to reckon with")
	ErrTooFew      = errors.New("too few values")
	ErrTooMany     = errors.New("too many values")
	ErrNotPaired   = errors.New("not as many of the one as of the other")
	ErrNoSpread    = errors.New("no spread in the values") // all alike: the resolution hides it, and no interval follows
	ErrNotPositive = errors.New("not above zero")
	ErrBelowRange  = errors.New("below the valid range")
	ErrAboveRange  = errors.New("above the valid range")
)

const (
	// Squares of values up to here, summed valuesMax times, stay finite; no sensor gives more.
	largest = 1e100
	// Spreads and widths at or under this are rounding, and their squares would vanish.
	smallest = 1e-100
	// Ten years of hourly checks are 88 000 values.
	valuesMax = 1_000_000
)

func refuse(name string, v float64) error {
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return fmt.Errorf("%s %v: %w", name, v, ErrNotFinite)
	case math.Abs(v) > largest:
		return fmt.Errorf("%s %v: %w", name, v, ErrTooLarge)
	}
	return nil
}

func refuseNotPositive(name string, v float64) error {
	if err := refuse(name, v); err != nil {
		return err
	}
	if v < smallest {
		return fmt.Errorf("%s %v: %w", name, v, ErrNotPositive)
	}
	return nil
}

func refuseAll(name string, values []float64, fewest int) error {
	switch n := len(values); {
	case n < fewest:
		return fmt.Errorf("%d of %s: %w, %d are needed", n, name, ErrTooFew, fewest)
	case n > valuesMax:
		return fmt.Errorf("%d of %s: %w, %d at most", n, name, ErrTooMany, valuesMax)
	}
	for i, v := range values {
		if err := refuse(name, v); err != nil {
			return fmt.Errorf("value %d: %w", i+1, err)
		}
	}
	return nil
}

func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
