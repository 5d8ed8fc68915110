package chem

import (
	"fmt"
	"math"
)

// The range in which a conductivity is taken to be that of water, in uS/cm.
const (
	// Pure water conducts least at 0 degC: 0.0115 uS/cm (computed with Debian
	// python3-iapws 1.5.3, IAPWS 1990 guideline on electrolytic conductivity). A
	// trace of base takes about 1 % off that, and a cell may be some per cent
	// wrong. A reading under 0.01 is an open circuit or a cell in air.
	conductivityMin = 0.01
	// The best conducting solutions in water, strong mineral acids near 30 % by
	// mass, stay just under 1 S/cm at room temperature (from memory). More than
	// that on a water panel is a short circuit or a wrong scale.
	conductivityMax = 1e6
)

// ResistivityFromConductivity is the resistivity in MOhm cm of water whose
// conductivity is kappa, in uS/cm: rho = 1/kappa, by definition, the factors of
// a million cancelling. It holds at the temperature at which kappa holds: a
// compensated conductivity gives a resistivity compensated in the same way.
//
// Valid from 0.01 to 1 000 000 uS/cm. Errors: ErrNotFinite, ErrNotPositive,
// ErrBelowRange, ErrAboveRange.
func ResistivityFromConductivity(kappa_uS_cm float64) (MOhm_cm float64, err error) {
	switch kappa := kappa_uS_cm; {
	case math.IsNaN(kappa) || math.IsInf(kappa, 0):
		return 0, fmt.Errorf("conductivity %v uS/cm: %w", kappa, ErrNotFinite)
	case kappa <= 0:
		return 0, fmt.Errorf("conductivity %s uS/cm: %w", plain(kappa), ErrNotPositive)
	case kappa < conductivityMin:
		return 0, fmt.Errorf("conductivity %s uS/cm: %w, %v to %.0f uS/cm: no water conducts so little", plain(kappa), ErrBelowRange, conductivityMin, conductivityMax)
	case kappa > conductivityMax:
		return 0, fmt.Errorf("conductivity %s uS/cm: %w, %v to %.0f uS/cm: no cooled solution in water conducts so well", plain(kappa), ErrAboveRange, conductivityMin, conductivityMax)
	default:
		return 1 / kappa, nil
	}
}
