// Package guess finds by what map line the words of a device make the value that its display shows.
//
// A manual says where a number stands, and may count from 0 or from 1, and seldom says in which order the bytes come. The display says
// what the number is. So every type, order of bytes, power of ten and sign is tried at every address, and what two looks at different
// values leave over is the line, or the few lines that nothing seen so far tells apart.
//
// Owns: the readings of a span of words, what is impossible and why, how plausible a line is, and what tells two lines apart.
// Never: claims that a line is certain while another fits, knows an instrument by name, or lets a NaN or an infinity out.
package guess

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"rillwatch/internal/panel/decode"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// WordsMax bounds a span: two of the longest reads. A device's whole table would find chance fits by the dozen.
	WordsMax = 250
	// LooksMax bounds how often one display is looked at for one line.
	LooksMax = 16

	// Powers of ten that are tried. Registers of whole numbers hold tenths to millionths; 1000 and 10000 stand for a device that sends mg/L or
	// mS/cm where ug/L or uS/cm are wanted, and a ten for each way.
	powerLeast, powerMost = -6, 4
)

// powers are the float64 nearest to each power of ten, so that decode divides by a whole number where it can.
var powers = [...]float64{1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1, 1, 1e1, 1e2, 1e3, 1e4}

// Span is words that were read from consecutive addresses. A look may hold several: between them are addresses that were not answered.
type Span struct {
	Table reading.Table
	Addr  uint16 // wire address of the first
	Words []uint16
}

// Line is one way to read a value: what a line of a register map says.
type Line struct {
	Table    reading.Table
	Addr     uint16 // wire address of the first register
	Type     site.Type
	Order    site.Order // ABCD for a single register
	Power    int        // scale is 10 to this power
	Negative bool       // and its sign is turned
}

// Decode is the line as the daemon decodes by it.
func (l Line) Decode() site.Decode {
	scale := powers[l.Power-powerLeast]
	if l.Negative {
		scale = -scale
	}
	return site.Decode{Type: l.Type, Order: l.Order, Scale: scale}
}

// ScaleText is the scale as written in a map line; empty for 1.
func (l Line) ScaleText() string {
	if l.Power == 0 && !l.Negative {
		return ""
	}
	return strconv.FormatFloat(l.Decode().Scale, 'g', -1, 64)
}

// words are the line's own within spans, in the order of the wire; nil where they are not all there.
func (l Line) words(spans []Span) []uint16 {
	for _, s := range spans {
		from := int(l.Addr) - int(s.Addr)
		if n := l.Type.Words(); s.Table == l.Table && from >= 0 && from+n <= len(s.Words) {
			return s.Words[from : from+n]
		}
	}
	return nil
}

// at is the word of one address.
func at(spans []Span, t reading.Table, addr int) (uint16, bool) {
	for _, s := range spans {
		if i := addr - int(s.Addr); s.Table == t && i >= 0 && i < len(s.Words) {
			return s.Words[i], true
		}
	}
	return 0, false
}

// Value is what the line makes of spans; false where its words are not all there or make no number.
func (l Line) Value(spans []Span) (float64, bool) {
	raw, ok := decode.Raw(l.Decode(), l.words(spans))
	if !ok {
		return 0, false
	}
	v, why := decode.Value(l.Decode(), raw)
	return v, why == reading.Believed
}

// Wanted is what is known of the point beforehand. The zero Wanted knows nothing.
type Wanted struct {
	Quantity quantity.Quantity
	Unit     quantity.Unit
	Possible site.Range // outside: not a measurement, in Unit

	HasTop bool // the top of the sensor's range is known, in Unit
	Top    float64

	// What the manual says, which is what may be off by one or swapped.
	Table     reading.Table // NoTable: not said
	HasNumber bool
	Addr      uint16 // wire address of the number as printed, counted from 1 or, with Wire, from 0
	Wire      bool   // the manual's numbers are wire addresses
	Type      site.Type
	HasOrder  bool
	Order     site.Order
}

// Shown is what a display shows: the truth lies within Half of Value.
type Shown struct {
	Text        string
	Value, Half float64
}

// ErrShown is that a text is no number as a display shows it.
var ErrShown = errors.New("no number as a display shows it")

// ParseShown reads a number as a display shows it. Its last digit says how fine it is: "18.4" is 18.35 to 18.45, "18.40" is 18.395 to 18.405.
func ParseShown(s string) (Shown, error) {
	text := strings.TrimSpace(s)
	digits := strings.TrimLeft(text, "+-")
	whole, fraction, _ := strings.Cut(digits, ".")
	for _, part := range []string{whole, fraction} {
		for _, r := range part {
			if r < '0' || r > '9' {
				return Shown{}, fmt.Errorf("%q: %w (write the digits alone, with a point, such as 18.4)", s, ErrShown)
			}
		}
	}
	if len(text)-len(digits) > 1 || whole+fraction == "" || len(digits) > 20 {
		return Shown{}, fmt.Errorf("%q: %w (write the digits alone, with a point, such as 18.4)", s, ErrShown)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return Shown{}, fmt.Errorf("%q: %w", s, ErrShown)
	}
	return Shown{Text: text, Value: v, Half: 0.5 * math.Pow10(-len(fraction))}, nil
}

// Fits tells whether a value may be shown so. The edge belongs to it, with room for the last bits of a float32.
func (s Shown) Fits(v float64) bool {
	return math.Abs(v-s.Value) <= s.Half*(1+1e-9)+math.Abs(s.Value)*0x1p-23
}

// Look is one look at the display beside what the device sent at that moment.
type Look struct {
	Spans  []Span
	Shown  Shown
	Unread []site.Span // asked and not answered: what was looked for may stand there
}

// types are tried in this order.
var types = [...]site.Type{site.Int16, site.Uint16, site.Int32, site.Uint32, site.Float32, site.Float64}

// every calls f with every line that has all its words in spans, in one fixed order.
func every(spans []Span, f func(Line)) {
	for _, s := range spans {
		if s.Table.Bits() {
			continue
		}
		for i := range s.Words {
			for _, t := range types {
				if i+t.Words() > len(s.Words) {
					continue
				}
				for o := site.ABCD; o <= site.DCBA; o++ {
					if t.Words() == 1 && o != site.ABCD {
						break
					}
					f(Line{Table: s.Table, Addr: s.Addr + uint16(i), Type: t, Order: o})
				}
			}
		}
	}
}

// float tells whether a type brings its own point.
func float(t site.Type) bool { return t == site.Float32 || t == site.Float64 }
