package guess_test

import (
	"math"
	"math/rand/v2"

	"rillwatch/internal/guess"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// device is a random register map: what a maker may have built, with one order of bytes as one compiler makes, whole numbers by powers of
// ten, holes, standing words, words that mean "no value", a longest read, and a manual that counts from 0 or from 1.
type device struct {
	table   reading.Table
	order   site.Order
	base    int // of the manual's numbers
	longest int
	points  []point
	fixed   map[int]uint16 // registers that stand still
	holes   map[int]bool   // addresses that are refused
	first   int
	last    int
}

type point struct {
	addr      int
	typ       site.Type
	power     int
	q         quantity.Quantity
	unit      quantity.Unit
	low, top  float64 // of the sensor
	digits    int     // behind the point on the display
	value     float64
	noValue   bool
	noiseRel  float64
	withOrder site.Order
}

// sensors are ranges as sensors of a sample panel have them, with the digits their displays show. Common practice.
var sensors = []struct {
	q        quantity.Quantity
	unit     string
	low, top float64
	digits   int
}{
	{quantity.DissolvedOxygen, "ppb", 0.2, 200, 2},
	{quantity.DissolvedOxygen, "ug/L", 0.1, 2000, 1},
	{quantity.Temperature, "degC", 1, 60, 1},
	{quantity.Temperature, "degF", 40, 150, 1},
	{quantity.Conductivity, "uS/cm", 0.05, 20, 3},
	{quantity.Conductivity, "uS/cm", 1, 500, 1},
	{quantity.PH, "pH", 2, 12, 2},
	{quantity.ORP, "mV", -600, 600, 0},
	{quantity.Flow, "mL/min", 5, 500, 0},
	{quantity.Sulfite, "ppm", 0.5, 100, 1},
	{quantity.Dye, "ppb", 1, 300, 1},
	{quantity.Pressure, "bar(g)", 0.1, 16, 2},
}

func pick[T any](r *rand.Rand, of []T) T { return of[r.IntN(len(of))] }

func newDevice(r *rand.Rand) *device {
	d := &device{
		table: pick(r, []reading.Table{reading.Holding, reading.Input}), order: pick(r, []site.Order{site.ABCD, site.ABCD, site.CDAB, site.CDAB, site.BADC, site.DCBA}),
		base: r.IntN(2), longest: pick(r, []int{125, 32, 16, 8}), fixed: map[int]uint16{}, holes: map[int]bool{},
	}
	addr := pick(r, []int{0, 1, 9, 99, 100, 255, 1000})
	d.first = addr
	gap := func() {
		for n := r.IntN(4); n > 0; n-- {
			switch r.IntN(3) {
			case 0:
				d.holes[addr] = true
			case 1:
				d.fixed[addr] = 0
			default:
				d.fixed[addr] = uint16(r.IntN(1 << 16)) // a serial number, a setting
			}
			addr++
		}
	}
	for n := 3 + r.IntN(8); n > 0; n-- {
		if r.IntN(3) == 0 {
			gap()
		}
		s := pick(r, sensors)
		unit, err := quantity.ParseUnit(s.unit, s.q)
		if err != nil {
			panic(err)
		}
		p := point{addr: addr, q: s.q, unit: unit, low: s.low, top: s.top, digits: s.digits, noiseRel: pick(r, []float64{0, 1e-4, 1e-3, 1e-2}), withOrder: d.order}
		p.typ = pick(r, []site.Type{site.Int16, site.Uint16, site.Int16, site.Uint16, site.Int32, site.Uint32, site.Float32, site.Float32, site.Float32, site.Float64})
		if p.low < 0 && (p.typ == site.Uint16 || p.typ == site.Uint32) {
			p.typ--
		}
		if p.typ.Words() == 1 {
			p.withOrder = site.ABCD
		}
		if p.typ == site.Int16 || p.typ == site.Uint16 || p.typ == site.Int32 || p.typ == site.Uint32 {
			p.power = -p.digits - r.IntN(2) // as fine as the display, or one digit finer
			for !p.holds() {
				p.power++
			}
			p.digits = min(p.digits, -p.power) // a display shows no more than its register holds
			p.digits = max(p.digits, 0)
		}
		p.value = p.draw(r)
		p.noValue = r.IntN(12) == 0
		d.points = append(d.points, p)
		addr += p.typ.Words()
	}
	d.last = addr - 1
	return d
}

func (p *point) holds() bool {
	most := map[site.Type]float64{site.Int16: math.MaxInt16, site.Uint16: math.MaxUint16, site.Int32: math.MaxInt32, site.Uint32: math.MaxUint32}[p.typ]
	return math.Max(math.Abs(p.low), p.top)/math.Pow10(p.power) <= most
}

// draw is a value within the sensor's range: as often in its lowest tenth as in the rest.
func (p *point) draw(r *rand.Rand) float64 {
	span := p.top - p.low
	if r.IntN(2) == 0 {
		span /= 10
	}
	return p.low + span*r.Float64()
}

// raw and compose are written here once more, from IEEE 754 and the meaning of the orders, and share nothing with package decode.
func (p *point) raw(v float64) (bits uint64, words int) {
	switch p.typ {
	case site.Float32:
		return uint64(math.Float32bits(float32(v))), 2
	case site.Float64:
		return math.Float64bits(v), 4
	}
	n := int64(math.Round(v / math.Pow10(p.power)))
	if p.typ == site.Int16 || p.typ == site.Uint16 {
		return uint64(uint16(n)), 1
	}
	return uint64(uint32(n)), 2
}

func compose(bits uint64, n int, o site.Order) []uint16 {
	out := make([]uint16, n)
	for i := range n {
		w := uint16(bits >> (16 * (n - 1 - i)))
		if o == site.BADC || o == site.DCBA {
			w = w<<8 | w>>8
		}
		if o == site.CDAB || o == site.DCBA {
			out[n-1-i] = w
		} else {
			out[i] = w
		}
	}
	return out
}

// words is the image of the device, with the point at value v when it is asked for.
func (d *device) image(target int, v float64) map[int]uint16 {
	out := map[int]uint16{}
	for a, w := range d.fixed {
		out[a] = w
	}
	for i, p := range d.points {
		x := p.value
		if i == target {
			x = v
		}
		bits, n := p.raw(x)
		if p.noValue && i != target {
			bits = map[site.Type]uint64{site.Int16: 0x8000, site.Uint16: 0xFFFF, site.Int32: 0x80000000, site.Uint32: 0xFFFFFFFF, site.Float32: 0x7FC00000, site.Float64: 0x7FF8000000000000}[p.typ]
		}
		for k, w := range compose(bits, n, p.withOrder) {
			out[p.addr+k] = w
		}
	}
	return out
}

// read is what a technician gets: the image in reads no longer than the device takes, joined where addresses follow each other.
func (d *device) read(image map[int]uint16) []guess.Span {
	var out []guess.Span
	for a := d.first; a <= d.last; a++ {
		w, there := image[a]
		if d.holes[a] || !there {
			continue
		}
		if n := len(out); n > 0 && int(out[n-1].Addr)+len(out[n-1].Words) == a {
			out[n-1].Words = append(out[n-1].Words, w)
			continue
		}
		out = append(out, guess.Span{Table: d.table, Addr: uint16(a), Words: []uint16{w}})
	}
	return out
}

// shown is what the display of a point shows for a value: rounded to its digits, of what the registers hold.
func (p *point) shown(v float64) guess.Shown {
	if p.typ != site.Float32 && p.typ != site.Float64 {
		v = math.Round(v/math.Pow10(p.power)) * math.Pow10(p.power)
	}
	if p.typ == site.Float32 {
		v = float64(float32(v))
	}
	s, err := guess.ParseShown(fixed(v, p.digits))
	if err != nil {
		panic(err)
	}
	return s
}

// move lets the time between two looks pass: the others drift by their noise.
func (d *device) move(r *rand.Rand) {
	for i := range d.points {
		p := &d.points[i]
		p.value = min(max(p.value*(1+p.noiseRel*r.NormFloat64()), p.low), p.top)
	}
}
