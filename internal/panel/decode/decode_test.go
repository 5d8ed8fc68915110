package decode

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

var (
	allTypes  = []site.Type{site.Bit, site.Int16, site.Uint16, site.Int32, site.Uint32, site.Float32, site.Float64}
	allOrders = []site.Order{site.ABCD, site.CDAB, site.BADC, site.DCBA}
)

// Every vector is written out by hand. 18.4 as float32 is worked so: 18.4 = 1.15 x 2^4, exponent 127+4 = 131 = 0x83, fraction
// 0.15 x 2^23 = 1258291.2 = 0x133333, together 0 10000011 0010011 00110011 00110011 = 41 93 33 33.
// 123456789 = 0x075BCD15. Pi as float64 is 40 09 21 FB 54 44 2D 18 (the double nearest to pi, in any table of constants).
func TestEveryTypeInEveryByteOrder(t *testing.T) {
	tests := []struct {
		name  string
		d     site.Decode
		words []uint16
		raw   uint64
		value float64
	}{
		{"18.4f ABCD", site.Decode{Type: site.Float32, Order: site.ABCD}, []uint16{0x4193, 0x3333}, 0x41933333, 18.399999618530273},
		{"18.4f CDAB", site.Decode{Type: site.Float32, Order: site.CDAB}, []uint16{0x3333, 0x4193}, 0x41933333, 18.399999618530273},
		{"18.4f BADC", site.Decode{Type: site.Float32, Order: site.BADC}, []uint16{0x9341, 0x3333}, 0x41933333, 18.399999618530273},
		{"18.4f DCBA", site.Decode{Type: site.Float32, Order: site.DCBA}, []uint16{0x3333, 0x9341}, 0x41933333, 18.399999618530273},

		{"int32 ABCD", site.Decode{Type: site.Int32, Order: site.ABCD}, []uint16{0x075B, 0xCD15}, 0x075BCD15, 123456789},
		{"int32 CDAB", site.Decode{Type: site.Int32, Order: site.CDAB}, []uint16{0xCD15, 0x075B}, 0x075BCD15, 123456789},
		{"int32 BADC", site.Decode{Type: site.Int32, Order: site.BADC}, []uint16{0x5B07, 0x15CD}, 0x075BCD15, 123456789},
		{"int32 DCBA", site.Decode{Type: site.Int32, Order: site.DCBA}, []uint16{0x15CD, 0x5B07}, 0x075BCD15, 123456789},
		{"int32 minus two CDAB", site.Decode{Type: site.Int32, Order: site.CDAB}, []uint16{0xFFFE, 0xFFFF}, 0xFFFFFFFFFFFFFFFE, -2},
		{"int32 least", site.Decode{Type: site.Int32, Order: site.ABCD}, []uint16{0x8000, 0x0000}, 0xFFFFFFFF80000000, -2147483648},

		{"uint32 ABCD", site.Decode{Type: site.Uint32, Order: site.ABCD}, []uint16{0xFFFF, 0xFFFE}, 0xFFFFFFFE, 4294967294},
		{"uint32 CDAB", site.Decode{Type: site.Uint32, Order: site.CDAB}, []uint16{0xFFFE, 0xFFFF}, 0xFFFFFFFE, 4294967294},
		{"uint32 BADC", site.Decode{Type: site.Uint32, Order: site.BADC}, []uint16{0xFFFF, 0xFEFF}, 0xFFFFFFFE, 4294967294},
		{"uint32 DCBA", site.Decode{Type: site.Uint32, Order: site.DCBA}, []uint16{0xFEFF, 0xFFFF}, 0xFFFFFFFE, 4294967294},

		{"pi ABCD", site.Decode{Type: site.Float64, Order: site.ABCD}, []uint16{0x4009, 0x21FB, 0x5444, 0x2D18}, 0x400921FB54442D18, math.Pi},
		{"pi CDAB", site.Decode{Type: site.Float64, Order: site.CDAB}, []uint16{0x2D18, 0x5444, 0x21FB, 0x4009}, 0x400921FB54442D18, math.Pi},
		{"pi BADC", site.Decode{Type: site.Float64, Order: site.BADC}, []uint16{0x0940, 0xFB21, 0x4454, 0x182D}, 0x400921FB54442D18, math.Pi},
		{"pi DCBA", site.Decode{Type: site.Float64, Order: site.DCBA}, []uint16{0x182D, 0x4454, 0xFB21, 0x0940}, 0x400921FB54442D18, math.Pi},

		// One register: the protocol fixes the order of its bytes, so the order changes nothing.
		{"int16 ABCD", site.Decode{Type: site.Int16, Order: site.ABCD}, []uint16{0xFFF6}, 0xFFFFFFFFFFFFFFF6, -10},
		{"int16 DCBA", site.Decode{Type: site.Int16, Order: site.DCBA}, []uint16{0xFFF6}, 0xFFFFFFFFFFFFFFF6, -10},
		{"uint16 ABCD", site.Decode{Type: site.Uint16, Order: site.ABCD}, []uint16{0xFFF6}, 0xFFF6, 65526},
		{"uint16 BADC", site.Decode{Type: site.Uint16, Order: site.BADC}, []uint16{0xFFF6}, 0xFFF6, 65526},
		{"bit off", site.Decode{Type: site.Bit}, []uint16{0}, 0, 0},
		{"bit on", site.Decode{Type: site.Bit}, []uint16{1}, 1, 1},

		// IEEE 754 binary32 and binary64, worked values.
		{"one", site.Decode{Type: site.Float32}, []uint16{0x3F80, 0x0000}, 0x3F800000, 1},
		{"minus two", site.Decode{Type: site.Float32}, []uint16{0xC000, 0x0000}, 0xC0000000, -2},
		{"least normal", site.Decode{Type: site.Float32}, []uint16{0x0080, 0x0000}, 0x00800000, 0x1p-126},
		{"least subnormal", site.Decode{Type: site.Float32}, []uint16{0x0000, 0x0001}, 0x00000001, 0x1p-149},
		{"greatest", site.Decode{Type: site.Float32}, []uint16{0x7F7F, 0xFFFF}, 0x7F7FFFFF, 0x1.fffffep127},
		{"a tenth, double", site.Decode{Type: site.Float64}, []uint16{0x3FB9, 0x9999, 0x9999, 0x999A}, 0x3FB999999999999A, 0.1},
	}
	for _, tt := range tests {
		tt.d.Scale = 1
		raw, ok := Raw(tt.d, tt.words)
		if !ok || raw != tt.raw {
			t.Errorf("%s: Raw(%04X) = %X, %v, want %X", tt.name, tt.words, raw, ok, tt.raw)
		}
		if words := Words(tt.d, tt.raw); !slices.Equal(words, tt.words) {
			t.Errorf("%s: Words(%X) = %04X, want %04X", tt.name, tt.raw, words, tt.words)
		}
		value, why := Value(tt.d, raw)
		if value != tt.value || why != reading.Believed {
			t.Errorf("%s: Value = %v, %v, want %v believed", tt.name, value, why, tt.value)
		}
	}
}

func TestEveryRawComesBackFromItsWords(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 2))
	for _, typ := range allTypes {
		for _, order := range allOrders {
			d := site.Decode{Type: typ, Order: order, Scale: 1}
			raws := []uint64{0, 1, math.MaxUint64, 1 << 15, 1 << 16, 1 << 31, 1 << 32, 1 << 63, 0x0123456789ABCDEF}
			for range 1000 {
				raws = append(raws, chance.Uint64())
			}
			for _, raw := range raws {
				raw = canonical(typ, raw)
				words := Words(d, raw)
				if got, ok := Raw(d, words); !ok || got != raw || len(words) != typ.Words() {
					t.Fatalf("%v %v: Raw(Words(%X)) = %X, %v by %04X", typ, order, raw, got, ok, words)
				}
			}
		}
	}
}

// A byte-order mistake must not hide in symmetric numbers: on a number of eight different bytes no two orders agree.
func TestNoTwoOrdersAgree(t *testing.T) {
	for _, typ := range []site.Type{site.Uint32, site.Float64} {
		seen := map[string]site.Order{}
		for _, order := range allOrders {
			var key string
			for _, w := range Words(site.Decode{Type: typ, Order: order}, 0x0123456789ABCDEF) {
				key += string([]byte{byte(w >> 8), byte(w)})
			}
			if other, twice := seen[key]; twice {
				t.Errorf("%v: %v and %v give the same words", typ, order, other)
			}
			seen[key] = order
		}
	}
}

func TestAWrongNumberOfWordsIsNoNumber(t *testing.T) {
	for _, typ := range append(allTypes, site.NoType) {
		for n := range 6 {
			_, ok := Raw(site.Decode{Type: typ, Scale: 1}, make([]uint16, n))
			if want := n > 0 && n == typ.Words(); ok != want {
				t.Errorf("%v from %d words: ok = %v, want %v", typ, n, ok, want)
			}
		}
	}
}

func TestScaledIntegersAreTheDecimalOnTheDisplay(t *testing.T) {
	tests := []struct {
		raw           uint64
		scale, offset float64
		want          float64
	}{
		{63, 0.1, 0, 6.3}, // 63 x 0.1 is 6.300000000000001
		{489, 0.1, 0, 48.9},
		{7, 0.01, 0, 0.07},
		{3, 0.001, 0, 0.003},
		{3, 1.0 / 3, 0, 1},
		{3, -0.1, 0, -0.3},
		{3, 0.3, 0, 0.8999999999999999}, // not one over a whole number: multiplied
		{12, 10, 0, 120},
		{250, 0.5, -40, 85},
		{0, 0.1, 5, 5},
	}
	for _, tt := range tests {
		got, why := Value(site.Decode{Type: site.Uint16, Scale: tt.scale, Offset: tt.offset}, tt.raw)
		if got != tt.want || why != reading.Believed {
			t.Errorf("%d x %v + %v = %v, %v, want %v", tt.raw, tt.scale, tt.offset, got, why, tt.want)
		}
	}
	// Every register of a device in tenths, against the decimal as strconv reads it.
	for raw := range uint64(65536) {
		got, _ := Value(site.Decode{Type: site.Uint16, Scale: 0.1}, raw)
		want, err := strconv.ParseFloat(fmt.Sprintf("%d.%d", raw/10, raw%10), 64)
		if err != nil || got != want {
			t.Fatalf("%d tenths = %v, want %v", raw, got, want)
		}
	}
}

func TestTheDevicesOwnNoValueWordIsNoValueBeforeScaling(t *testing.T) {
	minus32768 := int16(math.MinInt16)
	tests := []struct {
		name    string
		d       site.Decode
		raw     uint64
		want    float64
		whyNot  reading.Reason
		because string
	}{
		{"int16 -32768", site.Decode{Type: site.Int16, Scale: 0.1, NoValue: []uint64{uint64(int64(minus32768))}}, uint64(int64(minus32768)), 0, reading.NoValue, "as kept"},
		{"the same word written 0x8000", site.Decode{Type: site.Int16, Scale: 0.1, NoValue: []uint64{0x8000}}, uint64(int64(minus32768)), 0, reading.NoValue, "cut to the width"},
		{"its neighbour", site.Decode{Type: site.Int16, Scale: 0.1, NoValue: []uint64{0x8000}}, uint64(int64(minus32768 + 1)), -3276.7, reading.Believed, "one off is a value"},
		{"raw, not scaled", site.Decode{Type: site.Uint16, Scale: 0.1, NoValue: []uint64{9999}}, 9999, 0, reading.NoValue, "999.9 on the display"},
		{"the scaled number is no word", site.Decode{Type: site.Uint16, Scale: 0.1, NoValue: []uint64{999}}, 9990, 999, reading.Believed, "999 scaled is a value"},
		{"the second word of two", site.Decode{Type: site.Uint16, Scale: 1, NoValue: []uint64{1, 0xFFFF}}, 0xFFFF, 0, reading.NoValue, "any of them"},
		{"a quiet NaN named as the word", site.Decode{Type: site.Float32, Scale: 1, NoValue: []uint64{0xFFC00000}}, 0xFFC00000, 0, reading.NoValue, "before NotANumber"},
		{"int32 0x80000000", site.Decode{Type: site.Int32, Scale: 1, NoValue: []uint64{0x80000000}}, 0xFFFFFFFF80000000, 0, reading.NoValue, "cut to the width"},
	}
	for _, tt := range tests {
		got, why := Value(tt.d, tt.raw)
		if got != tt.want || why != tt.whyNot {
			t.Errorf("%s: %v, %v, want %v, %v (%s)", tt.name, got, why, tt.want, tt.whyNot, tt.because)
		}
	}
}

func TestNaNAndInfinityNeverLeave(t *testing.T) {
	f32, f64 := site.Float32, site.Float64
	tests := []struct {
		name string
		d    site.Decode
		raw  uint64
	}{
		{"float32 quiet NaN", site.Decode{Type: f32, Scale: 1}, 0x7FC00000},
		{"float32 signalling NaN", site.Decode{Type: f32, Scale: 1}, 0x7F800001},
		{"float32 negative NaN", site.Decode{Type: f32, Scale: 1}, 0xFFFFFFFF},
		{"float32 +Inf", site.Decode{Type: f32, Scale: 1}, 0x7F800000},
		{"float32 -Inf", site.Decode{Type: f32, Scale: 1}, 0xFF800000},
		{"float64 NaN", site.Decode{Type: f64, Scale: 1}, 0x7FF8000000000000},
		{"float64 +Inf", site.Decode{Type: f64, Scale: 1}, 0x7FF0000000000000},
		{"scaled beyond float64", site.Decode{Type: f64, Scale: 10}, 0x7FEFFFFFFFFFFFFF},
		{"moved beyond float64", site.Decode{Type: f64, Scale: 1, Offset: math.MaxFloat64}, 0x7FEFFFFFFFFFFFFF},
		{"the zero Decode", site.Decode{}, 5},
		{"no scale", site.Decode{Type: site.Int16}, 5},
		{"a scale that is not a number", site.Decode{Type: site.Int16, Scale: math.NaN()}, 5},
	}
	for _, tt := range tests {
		if got, why := Value(tt.d, tt.raw); got != 0 || why != reading.NotANumber {
			t.Errorf("%s: %v, %v, want not a number", tt.name, got, why)
		}
	}
}

func TestABitIsZeroOrOneAndInvertTurnsIt(t *testing.T) {
	for _, tt := range []struct {
		word   uint16
		invert bool
		want   float64
	}{{0, false, 0}, {1, false, 1}, {0, true, 1}, {1, true, 0}, {0xFF00, false, 1}, {0xFF00, true, 0}} {
		d := site.Decode{Type: site.Bit, Scale: 1, Invert: tt.invert}
		raw, ok := Raw(d, []uint16{tt.word})
		got, why := Value(d, raw)
		if !ok || got != tt.want || why != reading.Believed {
			t.Errorf("bit %X invert %v = %v, %v", tt.word, tt.invert, got, why)
		}
	}
}

// FuzzDecode: whatever a device sends and a map says, decoding ends, gives a finite number or none, and words come back.
func FuzzDecode(f *testing.F) {
	f.Add(uint8(site.Float32), uint8(site.CDAB), uint16(0x3333), uint16(0x4193), uint16(0), uint16(0), 1.0, 0.0, uint64(0), false)
	f.Add(uint8(site.Float32), uint8(site.ABCD), uint16(0x7FC0), uint16(0), uint16(0), uint16(0), 1.0, 0.0, uint64(0x7FC00000), false)
	f.Add(uint8(site.Float64), uint8(site.DCBA), uint16(0xFFFF), uint16(0xFFFF), uint16(0xFFFF), uint16(0xEF7F), 10.0, 1e308, uint64(1), false)
	f.Add(uint8(site.Int16), uint8(site.BADC), uint16(0x8000), uint16(0), uint16(0), uint16(0), 0.1, -40.0, uint64(0x8000), false)
	f.Add(uint8(site.Bit), uint8(9), uint16(0xFF00), uint16(0), uint16(0), uint16(0), math.Inf(1), math.NaN(), uint64(2), true)
	f.Add(uint8(200), uint8(200), uint16(1), uint16(2), uint16(3), uint16(4), 0.0, 0.0, uint64(0), true)
	f.Fuzz(func(t *testing.T, typ, order uint8, w0, w1, w2, w3 uint16, scale, offset float64, none uint64, invert bool) {
		d := site.Decode{Type: site.Type(typ), Order: site.Order(order), Scale: scale, Offset: offset, Invert: invert, NoValue: []uint64{none}}
		all := []uint16{w0, w1, w2, w3}
		for n := range 5 {
			raw, ok := Raw(d, all[:n])
			if ok != (n > 0 && n == d.Type.Words()) {
				t.Fatalf("%v from %d words: ok = %v", d.Type, n, ok)
			}
			value, why := Value(d, raw)
			if math.IsNaN(value) || math.IsInf(value, 0) {
				t.Fatalf("%+v raw %X: %v came out", d, raw, value)
			}
			switch why {
			case reading.Believed:
			case reading.NoValue, reading.NotANumber:
				if value != 0 {
					t.Fatalf("%+v raw %X: %v with reason %v", d, raw, value, why)
				}
			default:
				t.Fatalf("%+v raw %X: reason %v", d, raw, why)
			}
			if !ok {
				continue
			}
			if back, ok := Raw(d, Words(d, raw)); !ok || back != raw {
				t.Fatalf("%v %v: %X became %X", d.Type, d.Order, raw, back)
			}
		}
		if len(Words(d, none)) != d.Type.Words() {
			t.Fatalf("%v: %d words", d.Type, len(Words(d, none)))
		}
	})
}
