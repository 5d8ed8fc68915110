package config

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// regMap is one register map: the registers of one kind of device.
type regMap struct {
	t          table
	wire       bool // numbers are 0-based as on the wire
	longest    int
	turnaround time.Duration // 0: not said
	turnTold   bool
	points     []*mapPoint // by name, then those of status and alive
	also       []site.Span
	used       bool

	status   *status
	alive    *mapPoint
	identity *identity
}

// mapPoint is a point as the map describes it. p has no path, panel or sensor.
type mapPoint struct {
	t        table
	p        site.Point
	ok       bool // false: it has a mistake of its own, and nothing more is said about it
	placed   bool // table and address are known
	tableKey string
	number   int64
	warmth   string // of a conductivity: the point of its temperature
}

func (mp *mapPoint) span() site.Span {
	return site.Span{Table: mp.p.Table, Addr: mp.p.Addr, Count: mp.p.Decode.Type.Words()}
}

// space is the number of addresses in one table: Modbus Application Protocol V1.1b3, 4.4.
const space = 65536

var tableKeys = []string{"holding", "input", "coil", "discrete"}

func (d *doc) readMaps(top table) {
	for _, t := range top.named("map", "[map.NAME.point]") {
		t.check(shapeMap)
		m := &regMap{t: t, longest: longestDefault}
		d.maps[t.name()] = m
		if style, ok := t.choice("numbering", []string{"manual", "wire"}); ok {
			m.wire = style == "wire"
		} else if !t.has("numbering") {
			t.took("numbering", "manual", "numbers as the device's manual prints them, counted from 1")
		}
		if n, ok := t.whole("longest_read", 1, longestDefault, "a device takes 1 to 125 registers in one read"); ok {
			m.longest = int(n)
		} else if !t.has("longest_read") {
			t.took("longest_read", strconv.Itoa(longestDefault), "registers; what the protocol allows")
		}
		for _, pt := range t.named("point", `NAME = { holding = 40001, type = "uint16", unit = "mL/min" }`) {
			m.points = append(m.points, m.readPoint(pt))
		}
		if len(m.points) == 0 && !hasTable(t, "point") {
			t.missing("point", "write ["+written(t.under("point"))+"] and one line for each register")
		}
		if turn, ok := t.span("turnaround", time.Millisecond, turnaroundMax); ok {
			m.turnaround = turn
		}
		m.readStatus()
		m.readAlive()
		m.readIdentity()
		m.checkNumbers()
		m.checkOverlap()
		m.checkWarmth()
		m.readAlso()
	}
}

func hasTable(t table, key string) bool {
	v, ok := t.m[key]
	if !ok {
		return false
	}
	inner, ok := v.(map[string]any)
	return !ok || len(inner) > 0 // what is there and no table has been told already
}

func (m *regMap) readPoint(t table) *mapPoint {
	t.check(shapePoint)
	mp := &mapPoint{t: t}
	before := len(t.d.mistakes)
	mp.p.Name = t.name()
	m.readRegister(mp)
	known := mp.readType() && mp.readUnit()
	if known {
		mp.readNumbers()
		mp.readRange()
		mp.readHabits()
		mp.readWater()
		mp.readBasis()
		noteDensity(t, mp.p.Unit)
	}
	if mp.placed && mp.p.Decode.Type != site.NoType {
		mp.checkSpace(m)
	}
	mp.ok = len(t.d.mistakes) == before
	if mp.ok {
		mp.tellAddress()
	}
	return mp
}

// readRegister finds the table and the wire address.
func (m *regMap) readRegister(mp *mapPoint) {
	t := mp.t
	var found []string
	for _, key := range tableKeys {
		if t.has(key) {
			found = append(found, key)
		}
	}
	switch {
	case len(found) == 0 && t.slipped(tableKeys...):
		return
	case len(found) == 0:
		t.wrongHere("names no register", "write one of holding, input, coil or discrete and its number")
		return
	case len(found) > 1:
		t.wrongKey(found[1], "is a second register besides "+found[0], "keep one; a point has one register, and longer types go on from it")
		return
	}
	mp.tableKey = found[0]
	mp.p.Table, _ = reading.ParseTable(mp.tableKey)
	n, ok := t.whole(mp.tableKey, 0, 465536, "write the register's number, without quotes")
	if !ok {
		return
	}
	mp.number = n
	addr, what, do := wireAddress(mp.p.Table, n, m.wire)
	if what != "" {
		t.wrong(mp.tableKey, what, do)
		return
	}
	mp.p.Addr, mp.p.Manual, mp.placed = addr, strconv.FormatInt(n, 10), true
}

// digits are the leading digits by which manuals name a table. They are custom; the protocol knows none (Modbus Application
// Protocol V1.1b3, 4.3 and 4.4: element X is addressed X-1).
var digits = []struct {
	table reading.Table
	digit int64
}{{reading.Discrete, 1}, {reading.Input, 3}, {reading.Holding, 4}}

// numberStyle is how a number is printed.
type numberStyle uint8

const (
	plainStyle numberStyle = iota // 1-based, without a table
	fiveStyle                     // 40001
	sixStyle                      // 400001
)

var styleWords = [...]string{"counts from 1 without naming its table", "carries its table in five digits", "carries its table in six digits"}

// styleOf splits a printed number. named is NoTable for plain numbers.
func styleOf(n int64) (style numberStyle, named reading.Table, index int64) {
	for _, d := range digits {
		if i := n - d.digit*10000; i >= 1 && i <= 9999 {
			return fiveStyle, d.table, i
		}
		if i := n - d.digit*100000; i >= 1 && i <= space {
			return sixStyle, d.table, i
		}
	}
	return plainStyle, reading.NoTable, n
}

// wireAddress turns a number as written into the address on the wire, or says what is wrong with it.
func wireAddress(t reading.Table, n int64, wire bool) (addr uint16, what, do string) {
	if wire {
		if n < 0 || n >= space {
			return 0, fmt.Sprintf("%d is no wire address", n), "wire addresses go from 0 to 65535; for numbers as printed take numbering = \"manual\""
		}
		return uint16(n), "", ""
	}
	if n == 0 {
		return 0, "0 is no number of a manual, which count from 1", "add one to every number of this map, or say numbering = \"wire\""
	}
	_, named, index := styleOf(n)
	if named != reading.NoTable && named != t {
		return 0, fmt.Sprintf("the digits of %d name the table %s", n, named),
			fmt.Sprintf("write %s = %d, or say numbering = \"wire\" when the manual counts otherwise", named, n)
	}
	if index < 1 || index > space {
		return 0, fmt.Sprintf("%d is beyond the %d registers of a table", n, space), "look the number up in the device's manual again"
	}
	return uint16(index - 1), "", ""
}

func (mp *mapPoint) checkSpace(m *regMap) {
	words := mp.p.Decode.Type.Words()
	if int(mp.p.Addr)+words > space {
		mp.t.wrong(mp.tableKey, fmt.Sprintf("%s takes %d registers and would run past the last one", mp.p.Decode.Type, words), "look the number up in the device's manual again")
	}
	if words > m.longest {
		mp.t.wrong("type", fmt.Sprintf("%s takes %d registers, and longest_read allows %d", mp.p.Decode.Type, words, m.longest), "raise longest_read; a value must be read in one request")
	}
}

// tellAddress puts the wire address before a person: off by one is the commonest slip of all.
func (mp *mapPoint) tellAddress() {
	d := mp.p.Decode
	what := fmt.Sprintf("%s %d is wire address %d", mp.p.Table, mp.number, mp.p.Addr)
	switch n := d.Type.Words(); {
	case n > 1:
		what += fmt.Sprintf(", %d registers, %s %s", n, d.Type, d.Order)
	case d.Type != site.Bit:
		what += ", " + d.Type.String()
	}
	mp.t.d.note(written(mp.t.path), what)
}

// checkNumbers tells when the numbers of a map cannot come from one manual. Coils up to 9999 are printed alike in both styles.
func (m *regMap) checkNumbers() {
	if m.wire {
		return
	}
	list := slices.Clone(m.points)
	slices.SortStableFunc(list, func(a, b *mapPoint) int {
		x, y := m.t.d.at.key(a.t.path), m.t.d.at.key(b.t.path)
		if x.line != y.line {
			return x.line - y.line
		}
		return x.column - y.column
	})
	var first *mapPoint
	for _, mp := range list {
		if !mp.placed || mp.p.Table == reading.Coil && mp.number <= 9999 {
			continue
		}
		if first == nil {
			first = mp
			continue
		}
		a, _, _ := styleOf(first.number)
		if b, _, _ := styleOf(mp.number); a != b {
			mp.t.wrong(mp.tableKey, fmt.Sprintf("%d %s, but %d of %s %s", mp.number, styleWords[b], first.number, first.p.Name, styleWords[a]),
				"write all numbers of one map in one style, as its manual prints them")
			mp.ok = false
		}
	}
}

// checkOverlap refuses points that share a register, unless both read the very same words in the same way: one value may be
// wanted twice, as in two units, but half a value is always a slip.
func (m *regMap) checkOverlap() {
	for i, a := range m.points {
		for _, b := range m.points[:i] {
			if !a.ok || !b.ok || !overlap(a.span(), b.span()) {
				continue
			}
			if a.p.Addr == b.p.Addr && a.p.Decode.Type == b.p.Decode.Type && a.p.Decode.Order == b.p.Decode.Order {
				continue
			}
			a.t.wrong(a.tableKey, fmt.Sprintf("shares a register with %s, which is %s %s at %s", b.p.Name, b.p.Table, b.p.Decode.Type, b.p.Manual),
				"correct the number or the type of one; a 32-bit value takes two registers, a 64-bit value four")
		}
	}
}

func overlap(a, b site.Span) bool {
	return a.Table == b.Table && int(a.Addr) < int(b.Addr)+b.Count && int(b.Addr) < int(a.Addr)+a.Count
}

var alsoPattern = regexp.MustCompile(`^(holding|input|coil|discrete) ([0-9]{1,6})(?:-([0-9]{1,6}))?$`)

// alsoMax bounds the runs one map may open.
const alsoMax = 64

func (m *regMap) readAlso() {
	const do = `write runs such as ["holding 40100-40131"], in the numbering of the map`
	v, ok := m.t.m["also_readable"]
	if !ok {
		return
	}
	list, ok := v.([]any)
	if !ok {
		m.t.notA("also_readable", "a list of texts", do)
		return
	}
	if len(list) > alsoMax {
		m.t.wrong("also_readable", fmt.Sprintf("holds more than %d runs", alsoMax), "join neighbouring runs")
		return
	}
	for i, e := range list {
		at := m.t.under("also_readable")
		at = append(at, fmt.Sprintf("[%d]", i))
		bad := func(what, do string) { m.t.d.add(&m.t.d.mistakes, m.t.d.at.value(at), written(at), what, do) }
		s, ok := e.(string)
		if !ok {
			bad("must be a text, and is "+kind(e), do)
			continue
		}
		f := alsoPattern.FindStringSubmatch(s)
		if f == nil {
			bad(fmt.Sprintf("%q is no run of registers", s), do)
			continue
		}
		t, _ := reading.ParseTable(f[1])
		if f[3] == "" {
			f[3] = f[2]
		}
		var ends [2]uint16
		good := true
		for j, s := range f[2:4] {
			n, _ := strconv.ParseInt(s, 10, 64) // at most six digits
			addr, what, do := wireAddress(t, n, m.wire)
			if _, named, _ := styleOf(n); do != "" && named != reading.NoTable && named != t { // a list has a syntax of its own
				do = fmt.Sprintf("write %q or the numbers that the manual prints for %s", fmt.Sprintf("%s %d", named, n), t)
			}
			if what != "" {
				bad(what, do)
				good = false
				break
			}
			ends[j] = addr
		}
		if !good {
			continue
		}
		if ends[1] < ends[0] {
			bad("the run ends before it starts", do)
			continue
		}
		span := site.Span{Table: t, Addr: ends[0], Count: int(ends[1]-ends[0]) + 1}
		m.also = append(m.also, span)
		m.t.d.note(written(at), fmt.Sprintf("%s is wire addresses %d to %d", s, ends[0], ends[1]))
	}
}

// allowed is the runs of addresses that may be asked, joined where they touch.
func (m *regMap) allowed() []site.Span {
	all := slices.Clone(m.also)
	for _, mp := range m.points {
		all = append(all, mp.span())
	}
	if m.identity != nil {
		all = append(all, m.identity.s.Span())
	}
	slices.SortFunc(all, func(a, b site.Span) int {
		if a.Table != b.Table {
			return int(a.Table) - int(b.Table)
		}
		return int(a.Addr) - int(b.Addr)
	})
	var out []site.Span
	for _, s := range all {
		if n := len(out); n > 0 && out[n-1].Table == s.Table && int(s.Addr) <= int(out[n-1].Addr)+out[n-1].Count {
			out[n-1].Count = max(out[n-1].Count, int(s.Addr)+s.Count-int(out[n-1].Addr))
			continue
		}
		out = append(out, s)
	}
	return out
}

// rawOf turns one element of no_value into the raw word as the device sends it, sign-extended for signed types and IEEE bits for
// floats, as decoding yields it.
func rawOf(v any, typ site.Type) (raw uint64, what string) {
	bits := 16 * typ.Words()
	if s, ok := v.(string); ok {
		hex, isHex := strings.CutPrefix(s, "0x")
		n, err := strconv.ParseUint(hex, 16, bits)
		if !isHex || err != nil {
			return 0, fmt.Sprintf("%.24q is no word of %d bits in hexadecimal", s, bits)
		}
		return signExtend(n, typ), ""
	}
	switch typ {
	case site.Float32, site.Float64:
		var f float64
		switch n := v.(type) {
		case int64:
			f = float64(n)
		case float64:
			f = n
		default:
			return 0, "must be a number, and is " + kind(v)
		}
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return 0, fmt.Sprintf("%v is never a value anyway", f)
		}
		if typ == site.Float32 {
			return uint64(math.Float32bits(float32(f))), ""
		}
		return math.Float64bits(f), ""
	}
	n, ok := v.(int64)
	if !ok {
		return 0, "must be a whole number, and is " + kind(v)
	}
	low, high := int64(0), int64(1)<<bits-1
	if typ == site.Int16 || typ == site.Int32 {
		low = -(int64(1) << (bits - 1)) // up to high all the same: manuals print the word 0x8000 also for signed types
	}
	if n < low || n > high {
		return 0, fmt.Sprintf("%d is outside %d to %d, the words of %s", n, low, high, typ)
	}
	return signExtend(uint64(n), typ), ""
}

func signExtend(n uint64, typ site.Type) uint64 {
	switch typ {
	case site.Int16:
		return uint64(int64(int16(n)))
	case site.Int32:
		return uint64(int64(int32(n)))
	}
	return n
}
