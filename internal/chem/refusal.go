package chem

import "errors"

// Every refusal of this package wraps exactly one of these.
var (
	ErrNotFinite   = errors.New("not a finite number")
	ErrNotPositive = errors.New("not above zero")
	ErrBelowRange  = errors.New("below the valid range")
	ErrAboveRange  = errors.New("above the valid range")
)
