package quantity

import "errors"

// Every refusal of this package wraps exactly one of these.
var (
	ErrNoUnit            = errors.New("no unit")                               // none was given, or the zero Unit
	ErrUnknownUnit       = errors.New("unknown unit")                          // in no table
	ErrAmbiguousUnit     = errors.New("ambiguous unit")                        // could mean two things
	ErrOtherQuantity     = errors.New("unit of another quantity")              // in the table, elsewhere
	ErrNotANumber        = errors.New("not a number")                          // no decimal number at the start
	ErrOutsideFloat      = errors.New("not finite or too large for a float64") // NaN, an infinity, or beyond 1.8e308
	ErrDifferentQuantity = errors.New("different quantities do not convert")   // of two units
	ErrNeedsDensity      = errors.New("a share of mass and mass in a volume do not convert without the density of the water")
	ErrNeedsBarometer    = errors.New("gauge and absolute pressure do not convert without a barometer")
)
