package guess

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Fit is a line that gives what was shown in every look.
type Fit struct {
	Line   Line
	Values []float64 // one a look
	Cost   int       // tenths of a doubt; the least is the most plausible
}

// Fits is every line that gives what was shown in every look, the most plausible first. refused counts lines that gave it and cannot be: they
// cannot hold the sensor's range.
func Fits(looks []Look, w Wanted) (fits []Fit, refused int) {
	if len(looks) == 0 || len(looks) > LooksMax {
		return nil, 0
	}
	moved := Moved(looks)
	every(looks[0].Spans, func(l Line) {
		for l.Power = powerLeast; l.Power <= powerMost; l.Power++ {
			for _, l.Negative = range []bool{false, true} {
				f, ok := l.fit(looks)
				if !ok {
					continue
				}
				if top, whole := l.top(); w.HasTop && whole && top < w.Top {
					refused++
					continue
				}
				f.Cost = l.cost(w) + l.step(looks[0].Shown)
				if moved {
					f.Cost += l.still(looks)
				} else {
					f.Cost += l.still(looks[:1])
				}
				fits = append(fits, f)
			}
		}
	})
	slices.SortStableFunc(fits, func(a, b Fit) int { return cmp.Or(cmp.Compare(a.Cost, b.Cost), compare(a.Line, b.Line)) })
	return fits, refused
}

func (l Line) fit(looks []Look) (Fit, bool) {
	f := Fit{Line: l, Values: make([]float64, 0, len(looks))}
	zero := true
	for _, k := range looks {
		v, ok := l.Value(k.Spans)
		if !ok || !k.Shown.Fits(v) {
			return Fit{}, false
		}
		zero = zero && v == 0
		f.Values = append(f.Values, v)
	}
	return f, !zero || !l.Negative && l.Power == 0 // nothing tells a scale of nothing
}

// Moved tells whether two looks differ by more than both displays' last digits.
func Moved(looks []Look) bool {
	for _, k := range looks[1:] {
		if math.Abs(k.Shown.Value-looks[0].Shown.Value) > 2*(k.Shown.Half+looks[0].Shown.Half) {
			return true
		}
	}
	return false
}

// step is the doubt in a whole number by its step: the display's last digit is one step, or several.
func (l Line) step(s Shown) int {
	if float(l.Type) {
		return 0
	}
	digits := math.Round(math.Log10(2 * s.Half)) // 0.1 is -1
	switch behind := float64(l.Power) - digits; {
	case behind > 0: // the display shows more than the register could tell
		return int(15 * behind)
	case behind < 0:
		return int(min(-behind, 4))
	}
	return 0
}

// Verdict is how far the looks have come.
type Verdict uint8

// Verdicts. The zero Verdict is that nothing fits.
const (
	NothingFits Verdict = iota
	SeveralFit          // more than one line gives what was shown
	OneFits             // one line fits one look, which may be chance
	Narrowed            // one line alone fits two looks that differ
	PartlyRead          // one line alone fits, and not all that was asked was answered
)

// Judge says how far the looks have come. Only Narrowed may be pasted without a doubt, and is still to be proven.
func Judge(looks []Look, fits []Fit) Verdict {
	switch {
	case len(fits) == 0:
		return NothingFits
	case len(fits) > 1:
		return SeveralFit
	case slices.ContainsFunc(looks, func(k Look) bool { return len(k.Unread) > 0 }):
		return PartlyRead
	case len(looks) < 2 || !Moved(looks):
		return OneFits
	}
	return Narrowed
}

// Apart says what would tell b from a, which both fit.
func Apart(a, b Line) string {
	if a.Table != b.Table {
		return "the same words stand in the other table"
	}
	same := a.Power == b.Power && a.Negative == b.Negative
	if same && a.Addr == b.Addr && a.Order == b.Order && !float(a.Type) && !float(b.Type) && a.Type.Words() == b.Type.Words() {
		top, _ := signed(a).top()
		return fmt.Sprintf("the same up to %s; above it, or below zero, they part", number(top))
	}
	if same && !float(a.Type) && !float(b.Type) && a.lowest() == b.lowest() {
		narrow := a
		if b.Type.Words() < a.Type.Words() {
			narrow = b
		}
		top, _ := narrow.top()
		return fmt.Sprintf("the same up to %s, while the other register is 0", number(top))
	}
	if same && a.Type == b.Type && a.Type.Words() == 2 {
		upperA, lowerA, swapA := a.parts()
		upperB, lowerB, swapB := b.parts()
		if upperA == upperB && lowerA != lowerB && swapA == swapB {
			return "the same upper register, the lower one on its other side: a display with more digits tells"
		}
	}
	if a.Addr == b.Addr && a.Type == b.Type && a.Order == b.Order {
		return "another power of ten or sign: a value that is not 0 tells"
	}
	return "a look at another value tells"
}

func signed(l Line) Line {
	switch l.Type {
	case site.Uint16:
		l.Type = site.Int16
	case site.Uint32:
		l.Type = site.Int32
	}
	return l
}

// lowest is the address of the register with the last 16 bits.
func (l Line) lowest() int {
	if l.Type.Words() == 1 {
		return int(l.Addr)
	}
	_, lower, _ := l.parts()
	return lower
}

func number(v float64) string { return fmt.Sprintf("%.6g", v) }

// Slips names what is not as the manual was read: a number one too low, words or bytes exchanged. Printed gives the number that a manual
// which counts from 1 prints for a wire address.
func Slips(l Line, w Wanted, printed func(reading.Table, uint16) string) []string {
	var out []string
	switch off := int(l.Addr) - int(w.Addr); {
	case !w.HasNumber || off == 0:
	case w.Wire:
		s := fmt.Sprintf("this is wire address %d read as %d", l.Addr, w.Addr)
		switch off {
		case 1:
			s += ": the number is one too low"
		case -1:
			s += ": the number is one too high, so the manual may count from 1"
		}
		out = append(out, s)
	case off == 1:
		out = append(out, fmt.Sprintf("this is register %s read as %s: the manual counts from 0 (numbering = \"wire\" takes such numbers)", printed(l.Table, l.Addr), printed(l.Table, w.Addr)))
	case off == -1:
		out = append(out, fmt.Sprintf("this is register %s read as %s: the number is one too high", printed(l.Table, l.Addr), printed(l.Table, w.Addr)))
	default:
		out = append(out, fmt.Sprintf("this is register %s, and %s was expected", printed(l.Table, l.Addr), printed(l.Table, w.Addr)))
	}
	if w.Table != reading.NoTable && w.Table != l.Table {
		out = append(out, fmt.Sprintf("it stands among the %s registers, not the %s ones", l.Table, w.Table))
	}
	if w.Type != site.NoType && w.Type != l.Type {
		out = append(out, fmt.Sprintf("it is %s, not %s", l.Type, w.Type))
	}
	if l.Type.Words() > 1 {
		said, whose := site.ABCD, "the protocol's own order"
		if w.HasOrder {
			said, whose = w.Order, "what was expected"
		}
		words := (l.Order == site.CDAB || l.Order == site.DCBA) != (said == site.CDAB || said == site.DCBA)
		bytes := (l.Order == site.BADC || l.Order == site.DCBA) != (said == site.BADC || said == site.DCBA)
		switch {
		case words && bytes:
			out = append(out, fmt.Sprintf("its words and the bytes in them are swapped: %s, and %s is %s", l.Order, said, whose))
		case words:
			out = append(out, fmt.Sprintf("its words are swapped: %s, and %s is %s", l.Order, said, whose))
		case bytes:
			out = append(out, fmt.Sprintf("the bytes of its words are swapped: %s, and %s is %s", l.Order, said, whose))
		}
	}
	return out
}
