package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

const (
	// The longest spelling in the table has 15 bytes; anything past this is not
	// a unit, and must not fill a log line.
	unitMax = 48
	// A float64 prints in at most 24 bytes; longer numbers are pasted by mistake.
	numberMax = 64
)

// plainASCII writes the symbols a person or a manual may use in the table's own
// letters. Each has more than one code point that looks the same: micro sign
// U+00B5 and Greek mu U+03BC, ohm sign U+2126 and Greek omega U+03A9, degree
// sign U+00B0 and the ordinal U+00BA next to it on keyboards, the middle dots.
var plainASCII = strings.NewReplacer(
	"\u00b5", "u", "\u03bc", "u",
	"\u2126", "Ohm", "\u03a9", "Ohm",
	"\u00b0", "deg", "\u00ba", "deg", "\u2103", "degC", "\u2109", "degF",
	"\u00b7", ".", "\u22c5", ".",
	"\u00b3", "3", "\u00b2", "2",
)

// ParseUnit finds the unit of q that is spelled s, in exact case: mS and MS are
// a thousand million apart. Space around s is ignored. "pH" is the unit of PH
// here, although UCUM reads it as the picohenry: no point of a water panel is an
// inductance, and every manual writes it so.
//
// With q None the spelling must belong to one quantity of Quantities alone: "degC"
// does, "ppb" does not.
//
// Errors: ErrNoUnit for an empty s, ErrUnknownUnit, ErrAmbiguousUnit,
// ErrOtherQuantity; each text says what to write instead, where that is known.
func ParseUnit(s string, q Quantity) (Unit, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return Unit{}, fmt.Errorf("%w%s", ErrNoUnit, choices(q))
	}
	if len(s) > unitMax {
		return Unit{}, fmt.Errorf("%w %.20q...: longer than any in the table", ErrUnknownUnit, s)
	}
	ascii := plainASCII.Replace(s)
	if err := slipped(ascii, q, func(a, b string) bool { return a == b }); err != nil {
		return Unit{}, err
	}
	if q != None {
		if u, ok := find(ascii, q); ok {
			return u, nil
		}
	}

	var found Unit
	var owners []string
	for _, other := range Quantities() {
		if u, ok := find(ascii, other); ok {
			found = u
			owners = append(owners, other.String())
		}
	}
	if q != None && len(owners) == 0 { // a unit that no point has is told only where nothing nearer is
		for _, other := range Reckoned() {
			if _, ok := find(ascii, other); ok {
				owners = append(owners, other.String())
			}
		}
	}
	switch {
	case q == None && len(owners) == 1:
		return found, nil
	case q == None && len(owners) > 1:
		return Unit{}, fmt.Errorf("%w %q: say the quantity: %s", ErrAmbiguousUnit, s, strings.Join(owners, ", "))
	case len(owners) > 0:
		return Unit{}, fmt.Errorf("%w: %q is of %s, not of %s%s", ErrOtherQuantity, s, strings.Join(owners, ", "), q, choices(q))
	}
	if near := otherCase(ascii, q); near != "" {
		return Unit{}, fmt.Errorf("%w %q: case matters; is it %s?", ErrUnknownUnit, s, near)
	}
	if err := slipped(ascii, q, strings.EqualFold); err != nil {
		return Unit{}, err
	}
	return Unit{}, fmt.Errorf("%w %q%s", ErrUnknownUnit, s, choices(q))
}

// choices lists the units of q for the end of a refusal.
func choices(q Quantity) string {
	units := q.Units()
	if len(units) == 0 {
		return ""
	}
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = u.Name()
	}
	return fmt.Sprintf("; %s takes %s", q, strings.Join(names, ", "))
}

// otherCase lists the names of units that are spelled as s but for the case,
// under q or, with None, under every quantity.
func otherCase(s string, q Quantity) string {
	var near []string
	for id := firstUnit; id < len(table); id++ {
		r := &table[id]
		if q != None && r.quantity != q || !spelledLike(r, s) {
			continue
		}
		quoted := strconv.Quote(r.name)
		if len(near) == 0 || near[len(near)-1] != quoted {
			near = append(near, quoted)
		}
	}
	return strings.Join(near, " or ")
}

func spelledLike(r *row, s string) bool {
	if strings.EqualFold(r.name, s) {
		return true
	}
	for _, a := range r.aliases {
		if strings.EqualFold(a, s) {
			return true
		}
	}
	return false
}

// ParseValue reads a decimal number and its unit, such as "120 degF" or
// "20ppb", and gives both as written: nothing is converted. want is the quantity
// the unit must belong to; None as in ParseUnit.
//
// Errors: those of ParseUnit; ErrNotANumber where s does not start with a
// decimal number ("NaN", "inf", "0x10" and "1_000" are none); ErrOutsideFloat
// where the number is too large for a float64, or so small that it would become 0.
func ParseValue(s string, want Quantity) (float64, Unit, error) {
	s = strings.TrimSpace(s)
	n := numberLen(s)
	if n == 0 {
		return 0, Unit{}, fmt.Errorf("%w at the start of %.24q: write a decimal number and a unit", ErrNotANumber, s)
	}
	number, rest := s[:n], s[n:]
	if n > numberMax {
		return 0, Unit{}, fmt.Errorf("%w: %.24q... has more than %d characters", ErrNotANumber, number, numberMax)
	}
	rest = strings.TrimSpace(rest) // a space may mark thousands: "1 000 ppb"
	if len(rest) > 1 && rest[0] == ',' && isDigit(rest[1]) {
		return 0, Unit{}, fmt.Errorf("%w: %.24q: the decimal sign is a point, and thousands are not marked", ErrNotANumber, s)
	}
	if rest != "" && (strings.IndexByte("_.xX", rest[0]) >= 0 || isDigit(rest[0])) {
		return 0, Unit{}, fmt.Errorf("%w: %.24q", ErrNotANumber, s)
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, Unit{}, fmt.Errorf("%w: %.24q", ErrOutsideFloat, number)
	}
	if v == 0 && !writtenZero(number) {
		return 0, Unit{}, fmt.Errorf("%w: %.24q is too small and would become 0", ErrOutsideFloat, number)
	}
	u, err := ParseUnit(rest, want)
	if err != nil {
		return 0, Unit{}, fmt.Errorf("%.24q: %w", s, err)
	}
	return v, u, nil
}

// numberLen is the length of the decimal number s starts with; 0 for none. An
// exponent counts only when complete, so that no unit loses a leading "e".
func numberLen(s string) int {
	i := 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	whole := digits(s, i)
	end := i + whole
	if end < len(s) && s[end] == '.' {
		part := digits(s, end+1)
		if whole+part == 0 {
			return 0
		}
		end += 1 + part
	} else if whole == 0 {
		return 0
	}
	if end < len(s) && (s[end] == 'e' || s[end] == 'E') {
		exp := end + 1
		if exp < len(s) && (s[exp] == '+' || s[exp] == '-') {
			exp++
		}
		if n := digits(s, exp); n > 0 {
			end = exp + n
		}
	}
	return end
}

// digits counts the decimal digits of s from i on.
func digits(s string, i int) int {
	n := 0
	for i+n < len(s) && isDigit(s[i+n]) {
		n++
	}
	return n
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// writtenZero says whether the number, exponent aside, has no digit but 0.
func writtenZero(number string) bool {
	mantissa, _, _ := strings.Cut(strings.ToLower(number), "e")
	return !strings.ContainsAny(mantissa, "123456789")
}
