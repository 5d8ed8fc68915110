package guess

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"rillwatch/internal/panel/decode"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// usual is where a quantity of a sampled feedwater stands, as texts with their unit. Judgement, from what the trade fits: it ranks and never
// excludes. signed: the quantity has a below zero.
var usual = []struct {
	quantity  quantity.Quantity
	low, high string
	signed    bool
}{
	{quantity.Temperature, "2 degC", "100 degC", true},
	{quantity.DissolvedOxygen, "0.1 ppb", "200 ppb", false},
	{quantity.Conductivity, "0.05 uS/cm", "200 uS/cm", false},
	{quantity.Resistivity, "0.005 MOhm.cm", "18.5 MOhm.cm", false},
	{quantity.Flow, "10 mL/min", "1000 mL/min", false},
	{quantity.Pressure, "0.05 bar(g)", "50 bar(g)", true},
	{quantity.Pressure, "0.5 bar(a)", "50 bar(a)", false},
	{quantity.PH, "4 pH", "12 pH", false},
	{quantity.ORP, "-800 mV", "800 mV", true},
	{quantity.Sulfite, "0.5 ppm", "200 ppm", false},
	{quantity.Dye, "1 ppb", "500 ppb", false},
	{quantity.Ratio, "1 %", "100 %", false},
	{quantity.Chloride, "0.1 ppm", "200 ppm", false},
	{quantity.TemperatureDifference, "0.1 K(diff)", "100 K(diff)", true},
}

// Usual is where values of the wanted quantity stand, in its unit; ok is false where nothing is known of it. signed: also below zero.
func (w Wanted) Usual() (low, high float64, signed, ok bool) {
	for _, u := range usual {
		if u.quantity != w.Quantity {
			continue
		}
		a, from, err := quantity.ParseValue(u.low, u.quantity)
		if err != nil {
			continue
		}
		b, _, _ := quantity.ParseValue(u.high, u.quantity)
		la, _, errA := quantity.Convert(a, from, w.Unit)
		lb, _, errB := quantity.Convert(b, from, w.Unit)
		if errA == nil && errB == nil {
			return la, lb, u.signed, true
		}
	}
	return 0, 0, false, false
}

// Aside is a way to read words that was set aside, and why.
type Aside struct {
	Line Line // its Power means nothing
	Why  string
}

// Reading is one way to read words, with what it makes of them.
type Reading struct {
	Line  Line
	Value float64
	Cost  int // tenths of a doubt; the least is the most plausible
}

// wild is a value that no instrument gives in any unit, and faint one that none shows: both come of words in the wrong order.
const wild, faint = 1e15, 1e-9

// sentinels are words that devices send for "no value"; no text of the protocol names any. Common practice.
var sentinels = [...]uint16{0x7FFF, 0x8000, 0xFFFF}

// set tells why a reading of words is set aside, whatever its power of ten; empty when it is not.
func set(l Line, words []uint16, w Wanted) string {
	d := l.Decode()
	d.Scale = 1
	raw, ok := decode.Raw(d, words)
	if !ok {
		return "its registers were not all read"
	}
	v, why := decode.Value(d, raw)
	switch {
	case why != reading.Believed:
		return "not a number"
	case float(l.Type) && math.Abs(v) > wild:
		return "larger than any instrument shows"
	case float(l.Type) && v != 0 && math.Abs(v) < faint:
		return "smaller than any instrument shows"
	}
	if !float(l.Type) && slices.Contains(sentinels[:], words[0]) {
		same := true
		for _, x := range words[1:] {
			same = same && (x == words[0] || x == 0xFFFF || x == 0)
		}
		if same && (len(words) == 1 || words[0] != 0xFFFF || slices.Max(words) == slices.Min(words)) {
			return "a word that devices send for \"no value\""
		}
	}
	return ""
}

// outside tells whether a value cannot be a measurement.
func (w Wanted) outside(v float64) bool {
	p := w.Possible
	return math.IsNaN(v) || math.Abs(v) > wild || p.HasLow && v < p.Low || p.HasHigh && v > p.High
}

// wholeCost is the doubt in a whole number nobody has compared with a display: one of its powers of ten always comes out somewhere usual,
// while of all words one in 25 makes a float32 between 0.1 and 200.
const wholeCost = 10

// All is every sensible reading of spans, the most plausible first, and those set aside with the reason. Of the powers of ten those are left
// that give a possible value.
func All(spans []Span, w Wanted) (all []Reading, aside []Aside) {
	every(spans, func(l Line) {
		if why := set(l, l.words(spans), w); why != "" {
			aside = append(aside, Aside{l, why})
			return
		}
		possible := false
		for l.Power = powerLeast; l.Power <= powerMost; l.Power++ {
			v, ok := l.Value(spans)
			if !ok || w.outside(v) {
				continue
			}
			possible = true
			cost := l.cost(w) + w.distance(v) + l.still([]Look{{Spans: spans}})
			if !float(l.Type) {
				cost += wholeCost
			}
			all = append(all, Reading{l, v, cost})
		}
		if !possible {
			l.Power = 0
			aside = append(aside, Aside{l, "outside what " + w.name() + " can be, by every power of ten"})
		}
	})
	slices.SortStableFunc(all, func(a, b Reading) int { return cmp.Or(cmp.Compare(a.Cost, b.Cost), compare(a.Line, b.Line)) })
	return all, aside
}

func (w Wanted) name() string {
	if w.Quantity == quantity.None {
		return "a value"
	}
	return w.Quantity.String()
}

// compare orders lines of one cost as a manual lists them.
func compare(a, b Line) int {
	return cmp.Or(cmp.Compare(a.Table, b.Table), cmp.Compare(a.Addr, b.Addr), cmp.Compare(a.Type, b.Type), cmp.Compare(a.Order, b.Order), cmp.Compare(abs(a.Power), abs(b.Power)), cmp.Compare(a.Power, b.Power))
}

func abs(n int) int { return max(n, -n) }

// distance is the doubt in a value by where its quantity usually stands.
func (w Wanted) distance(v float64) int {
	low, high, signed, ok := w.Usual()
	switch {
	case !ok && v == 0:
		return 15
	case !ok: // nothing is known: neither very large nor very small
		return int(math.Round(3 * math.Max(0, math.Abs(math.Log10(math.Abs(v))-1)-1.5)))
	case v >= low && v <= high:
		return 0
	case v == 0:
		return 15
	case v < 0 && !signed:
		return 60
	}
	far := 0.0
	if low > 0 && v > 0 && v < low {
		far = math.Log10(low / v)
	}
	if v > high && high > 0 {
		far = math.Log10(v / high)
	}
	return 20 + int(math.Round(10*far))
}

// cost is the doubt in a line before any word is seen: what devices seldom do. All judgement.
func (l Line) cost(w Wanted) int {
	cost := 0
	_, high, signed, known := w.Usual()
	switch l.Type {
	case site.Int16:
		if known && !signed {
			cost += 2 // it reads as uint16 does, up to half its steps
		}
	case site.Uint16:
		if signed {
			cost += 2
		}
	case site.Int32, site.Uint32:
		cost += 4
		if known && (l.Type == site.Int32) != signed {
			cost += 2
		}
	case site.Float32:
		cost++
	case site.Float64:
		cost += 8
	}
	if l.Type.Words() > 1 {
		cost += [...]int{0, 1, 8, 8}[l.Order]
	}
	switch {
	case float(l.Type) && l.Power != 0: // a float needs no power of ten, but for a device that sends another unit: mg/L for ug/L
		cost += 25
		if l.Power == 3 || l.Power == -3 {
			cost -= 10
		}
	case l.Power > 0:
		cost += 10 + 5*l.Power
	case l.Power < -4:
		cost += 5 * (-4 - l.Power)
	}
	if l.Negative {
		cost += 40
	}
	if top, ok := l.top(); ok && known && top < high {
		cost += 12 // the registers of a sensor hold what sensors of its kind show
	}
	return cost + l.said(w)
}

// said is the doubt in a line by what the manual says.
func (l Line) said(w Wanted) int {
	cost := 0
	if w.HasNumber {
		off := int(l.Addr) - int(w.Addr)
		if w.Wire {
			off = -off // the likely slip is the other way: the manual counts from 1
		}
		switch off {
		case 0:
		case 1: // the manual counts from 0
			cost += 6
		case -1:
			cost += 12
		default:
			cost += 40
		}
	}
	if w.Table != reading.NoTable && l.Table != w.Table {
		cost += 15
	}
	if w.Type != site.NoType && l.Type != w.Type {
		cost += 15
	}
	if w.HasOrder && l.Type.Words() > 1 && l.Order != w.Order {
		cost += 5
	}
	return cost
}

// top is the largest value a line of whole numbers can hold.
func (l Line) top() (float64, bool) {
	most := 0.0
	switch l.Type {
	case site.Int16:
		most = math.MaxInt16
	case site.Uint16:
		most = math.MaxUint16
	case site.Int32:
		most = math.MaxInt32
	case site.Uint32:
		most = math.MaxUint32
	default:
		return 0, false
	}
	return most * powers[l.Power-powerLeast], true
}

// parts are the addresses of the upper and the lower register of a value of two, and whether their bytes are exchanged.
func (l Line) parts() (upper, lower int, swapped bool) {
	a := int(l.Addr)
	if l.Order == site.CDAB || l.Order == site.DCBA {
		return a + 1, a, l.Order == site.DCBA
	}
	return a, a + 1, l.Order == site.BADC
}

// still is the doubt in a value of two registers by how the lower one behaves. The upper register of a float gives its value to 1 part in 128
// or 256, so with a coarse display any word beside it fits, and the one on its wrong side too. But a lower register takes any of 65536
// words, and does not stand still while the value moves.
func (l Line) still(looks []Look) int {
	if l.Type.Words() != 2 {
		return 0
	}
	upper, lower, swapped := l.parts()
	if !float(l.Type) {
		if zero := l.all(looks, upper, func(x uint16) bool { return x == 0 || x == 0xFFFF }); zero {
			return 5 // the narrower line at the lower register says the same
		}
	}
	cost := l.unlike(looks, lower, swapped)
	if l.Type != site.Float32 {
		return cost
	}
	// A row of floats has its lower registers on one side. At the end of the row that side runs into something else.
	step, end := 2*(lower-upper), upper
	for l.all(looks, end+step, func(x uint16) bool { return exponent(x, swapped) }) {
		end += step
	}
	if end != upper {
		cost += l.unlike(looks, end+step/2, swapped)
	}
	return cost
}

// unlike is the doubt in an address as the lower register of a value that moved between the looks.
func (l Line) unlike(looks []Look, addr int, swapped bool) int {
	first, ok := at(looks[0].Spans, l.Table, addr)
	if !ok {
		return 10
	}
	same, small := true, true
	for _, k := range looks {
		x, ok := at(k.Spans, l.Table, addr)
		if !ok {
			return 10
		}
		same = same && x == first
		if swapped {
			x = bits.ReverseBytes16(x)
		}
		small = small && (x < 0x1000 || x >= 0xF000)
	}
	switch {
	case same && len(looks) > 1:
		return 30
	case same: // one look: a lower register of 0 is a round value
		return 0
	case small:
		return 10
	}
	return 0
}

// exponent tells whether a word can be the upper register of a float32 from 0.0001 to 10 million, of either sign.
func exponent(x uint16, swapped bool) bool {
	if swapped {
		x = bits.ReverseBytes16(x)
	}
	x &= 0x7FFF
	return x >= 0x38D1 && x <= 0x4B18
}

func (l Line) all(looks []Look, addr int, is func(uint16) bool) bool {
	for _, k := range looks {
		x, ok := at(k.Spans, l.Table, addr)
		if !ok || !is(x) {
			return false
		}
	}
	return true
}

// Text is the line for a person: "holding wire 2, float32 CDAB, x 0.1".
func (l Line) Text() string {
	s := fmt.Sprintf("%s wire %d, %s", l.Table, l.Addr, l.Type)
	if l.Type.Words() > 1 {
		s += " " + l.Order.String()
	}
	if t := l.ScaleText(); t != "" {
		s += ", x " + t
	}
	return s
}
