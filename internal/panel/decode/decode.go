// Package decode makes a number of the words a device sent, and words of a number.
//
// A register holds 16 bits, most significant byte first (Modbus Application Protocol V1.1b3, 4.2); everything wider is the device
// maker's habit. The habits are named by site.Order, and nothing here guesses which one a device has.
//
// Owns: words to raw, raw to words, raw to value; the device's own "no value" words.
// Never: lets a NaN or an infinity out, or panics whatever the words are.
package decode

import (
	"math"
	"math/bits"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Raw joins words, in the order they came over the wire, into the raw number that a reading.Sample keeps: integers sign-extended
// to 64 bits, float32 as its IEEE 754 bits in the low half, float64 as its bits, a bit as 0 or 1 (any word that is not zero is 1).
// ok is false when the number of words is not what the type takes, and always for site.NoType.
func Raw(d site.Decode, words []uint16) (raw uint64, ok bool) {
	n := d.Type.Words()
	if n == 0 || len(words) != n {
		return 0, false
	}
	for i := range n {
		raw = raw<<16 | uint64(onWire(d.Order, n, words[place(d.Order, n, i)]))
	}
	if d.Type == site.Bit && raw != 0 {
		raw = 1
	}
	return canonical(d.Type, raw), true
}

// Words is the inverse of Raw: the words a device with this decode would send for raw. It is empty for site.NoType.
func Words(d site.Decode, raw uint64) []uint16 {
	n := d.Type.Words()
	words := make([]uint16, n)
	raw = canonical(d.Type, raw)
	for i := n - 1; i >= 0; i-- {
		words[place(d.Order, n, i)] = onWire(d.Order, n, uint16(raw))
		raw >>= 16
	}
	return words
}

// Value gives the point's value, in the point's unit: raw x Scale + Offset, or 0 or 1 for a bit. The reason is Believed, NoValue
// (the device's own word for it, compared before scaling) or NotANumber (NaN, infinite, beyond a float64, or a scale that can
// make no number); the value is 0 unless it is Believed.
func Value(d site.Decode, raw uint64) (float64, reading.Reason) {
	raw = canonical(d.Type, raw)
	for _, none := range d.NoValue {
		// Both sides are cut to the width of the type, so that 0x8000 and -32768 name the same word.
		if canonical(d.Type, none) == raw {
			return 0, reading.NoValue
		}
	}
	var x float64
	switch d.Type {
	case site.Bit:
		if (raw != 0) != d.Invert {
			return 1, reading.Believed
		}
		return 0, reading.Believed
	case site.Int16, site.Int32:
		x = float64(int64(raw))
	case site.Uint16, site.Uint32:
		x = float64(raw)
	case site.Float32:
		x = float64(math.Float32frombits(uint32(raw)))
	case site.Float64:
		x = math.Float64frombits(raw)
	default:
		return 0, reading.NotANumber
	}
	x = scaled(x, d.Scale) + d.Offset
	if d.Scale == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, reading.NotANumber
	}
	return x, reading.Believed
}

// scaled is x times scale, as the decimal a person expects: a scale of 0.1 has no exact float64, so 63 x 0.1 is
// 6.300000000000001, but 63 / 10 is rounded once, to the float64 nearest to 6.3. It divides whenever scale is the float64
// nearest to one over a whole number.
func scaled(x, scale float64) float64 {
	if by := math.Round(1 / scale); math.Abs(by) > 1 && !math.IsInf(by, 0) && 1/by == scale {
		return x / by
	}
	return float64(x * scale) // the conversion forbids a fused multiply-add, whose last bit differs between machines
}

// canonical is raw cut to the width of the type and, for signed types, extended again.
func canonical(t site.Type, raw uint64) uint64 {
	switch t {
	case site.Bit:
		return raw & 1
	case site.Int16:
		return uint64(int64(int16(raw)))
	case site.Uint16:
		return uint64(uint16(raw))
	case site.Int32:
		return uint64(int64(int32(raw)))
	case site.Uint32, site.Float32:
		return uint64(uint32(raw))
	case site.Float64:
		return raw
	}
	return 0
}

// place is where on the wire the i-th most significant of n words stands.
func place(o site.Order, n, i int) int {
	if o == site.CDAB || o == site.DCBA {
		return n - 1 - i
	}
	return i
}

// onWire turns a word between its place in the number and its form on the wire; doing it twice changes nothing. The order of
// bytes is a habit of values wider than a register: in a single register the protocol itself fixes it.
func onWire(o site.Order, n int, w uint16) uint16 {
	if n > 1 && (o == site.BADC || o == site.DCBA) {
		return bits.ReverseBytes16(w)
	}
	return w
}
