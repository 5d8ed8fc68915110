package quantity

import (
	"fmt"
	"math"
	"math/big"
)

// AtOneKilogramPerLitre is the assumption Convert returns when it has crossed
// between a share of mass (ppb) and mass in a volume (ug/L). Water is within
// 0.8 % of it up to 40 degC (992.2 kg/m3, IAPWS-95), and a sample is cooled
// below that.
const AtOneKilogramPerLitre = "taken at a density of 1 kg/L, as the trade does for cooled dilute water"

// Convert turns v, in from, into to. The result is the exact one, rounded once
// to the nearest float64. assumed is empty, or says in words what was assumed.
//
// Only what a point measures crosses from a share of mass to mass in a volume: a
// sample is cooled, and the trade writes ppb and ug/L for the same thing. What is
// only reckoned with is ErrNeedsDensity: boiler water is neither cool nor dilute,
// and a chloride is as often given by mass as by volume.
//
// Errors, with value 0: ErrNoUnit, ErrDifferentQuantity, ErrNeedsBarometer,
// ErrNeedsDensity, and ErrOutsideFloat for a v that is NaN or infinite or a result beyond the range
// of a float64.
//
// Convert is for readings and limits. A difference, such as a deadband or a
// rate, has no zero point: use ConvertDifference.
func Convert(v float64, from, to Unit) (value float64, assumed string, err error) {
	return convert(v, from, to, true)
}

// ConvertDifference turns a difference of two values (a deadband, a rise, an
// error) from one unit into another: 2 degF of deadband are 1.11 K, not
// -16.7 degC. All else is as in Convert.
func ConvertDifference(v float64, from, to Unit) (value float64, assumed string, err error) {
	return convert(v, from, to, false)
}

func convert(v float64, from, to Unit, zeroes bool) (float64, string, error) {
	f, t := &table[from.id], &table[to.id]
	if from == (Unit{}) || to == (Unit{}) {
		return 0, "", fmt.Errorf("%w to convert from or to", ErrNoUnit)
	}
	if f.quantity != t.quantity {
		return 0, "", fmt.Errorf("%w: %s is %s, %s is %s%s", ErrDifferentQuantity, f.name, f.quantity, t.name, t.quantity, reciprocal(f.quantity, t.quantity))
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, "", fmt.Errorf("%w: %v %s", ErrOutsideFloat, v, f.name)
	}
	if f.basis != t.basis && (f.basis == gauge || t.basis == gauge) {
		return 0, "", fmt.Errorf("%w: %s to %s", ErrNeedsBarometer, f.name, t.name)
	}
	if f.basis != t.basis && f.quantity > lastOfPoint {
		return 0, "", fmt.Errorf("%w: %s to %s", ErrNeedsDensity, f.name, t.name)
	}
	if from == to {
		return v, "", nil
	}
	assumed := ""
	if f.basis != t.basis {
		assumed = AtOneKilogramPerLitre
	}

	r := new(big.Rat)
	r.SetFloat64(v)
	r.Mul(r, f.factor)
	if zeroes && f.offset != nil {
		r.Add(r, f.offset)
	}
	if zeroes && t.offset != nil {
		r.Sub(r, t.offset)
	}
	r.Quo(r, t.factor)
	value, _ := r.Float64() // nearest, ties to even
	if math.IsInf(value, 0) {
		return 0, "", fmt.Errorf("%w: %v %s in %s", ErrOutsideFloat, v, f.name, t.name)
	}
	return value, assumed, nil
}

// reciprocal is the hint for the pairs people do expect to convert.
func reciprocal(a, b Quantity) string {
	if a == SulfiteSO3 && b == SulfiteNa2SO3 || a == SulfiteNa2SO3 && b == SulfiteSO3 {
		return "; the same sulfite is 1.5743 times as much counted as Na2SO3: say both bases"
	}
	if a == Conductivity && b == Resistivity || a == Resistivity && b == Conductivity {
		return "; they are reciprocals: make a derived point"
	}
	return ""
}
