package peertest

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"
	"testing"
)

// Every point of this file is a plain number or a state, whose metric families convert nothing.
const (
	numberFamily = "rillwatch_number"
	stateFamily  = "rillwatch_state"
)

// kind is a way in which words make a number, with what the server is given first and afterwards. The place of the point is added to
// whole numbers and half of it to the others, so that no two points have the same value and a neighbour's is noticed.
type kind struct {
	name   string // in the configuration
	setter string // of the peer
	words  int
	whole  bool
	given  [2]string
}

var kinds = []kind{
	{"int16", "i16", 1, true, [2]string{"-12345", "32000"}},
	{"uint16", "u16", 1, true, [2]string{"54321", "300"}},
	{"int32", "i32", 2, true, [2]string{"-123456789", "2147480000"}},
	{"uint32", "u32", 2, true, [2]string{"4000000001", "66051"}}, // the second is 00 01 02 03: every byte another
	{"float32", "f32", 2, false, [2]string{"18.4", "-273.15"}},
	{"float64", "f64", 4, false, [2]string{"1234.56789", "-0.015625"}},
}

var orders = []string{"ABCD", "CDAB", "BADC", "DCBA"}

// scalings are used in turn. Offsets are whole multiples of the scale, so that a whole number stays one of steps.
var scalings = []struct{ scale, offset string }{{"1", "0"}, {"0.1", "-40"}, {"0.01", "100"}, {"2", "0"}, {"-0.5", "20"}, {"0.001", "0"}, {"10", "-100"}}

// numbering is how a map writes register numbers: as on the wire, or as manuals print them.
type numbering struct {
	name  string // of the sensor and the map
	style string
	plus  map[string]int // from the wire address to the written number, by table
}

// The prefixes of the printed styles are custom: 4 holding, 3 input, 1 discrete, 0 coil, counted from 1. The protocol itself has only
// addresses from 0 (Modbus Application Protocol V1.1b3, 4.4).
var numberings = []numbering{
	{"wire", "wire", map[string]int{"holding": 0, "input": 0, "coil": 0, "discrete": 0}},
	{"five", "manual", map[string]int{"holding": 40001, "input": 30001, "coil": 1, "discrete": 10001}},
	{"six", "manual", map[string]int{"holding": 400001, "input": 300001, "coil": 1, "discrete": 100001}},
	{"plain", "manual", map[string]int{"holding": 1, "input": 1, "coil": 1, "discrete": 1}},
}

// typed is one point: what the configuration says of it and what the server was given.
type typed struct {
	path    string // "wire.p7"
	unit    int
	table   string
	addr    int
	k       *kind // nil for a bit
	order   string
	scale   string
	offset  string
	step    string // resolution
	invert  bool
	place   int
	bit     bool
	last    *big.Rat // what the server was given last, before scaling
	written string   // the same as text
}

// plan lays the points out: every type in every order in both tables of registers, and bits, for each numbering. Gaps between some of them
// make several requests of one table; with room the addresses between and behind may be asked too, as a serial line wants it.
func plan(room bool) (points []*typed, maps string) {
	var b strings.Builder
	place := 0
	for u, n := range numberings {
		fmt.Fprintf(&b, "[map.%s]\nnumbering = %q\n", n.name, n.style)
		if room {
			var runs []string
			for table, plus := range n.plus {
				first, most := 7+40*u, 119
				if table == "coil" || table == "discrete" {
					first, most = 11+9*u, 119
				}
				runs = append(runs, fmt.Sprintf("%q", fmt.Sprintf("%s %d-%d", table, first+plus, first+plus+most)))
			}
			slices.Sort(runs)
			fmt.Fprintf(&b, "also_readable = [%s]\n", strings.Join(runs, ", "))
		}
		fmt.Fprintf(&b, "[map.%s.point]\n", n.name)
		for _, table := range []string{"holding", "input"} {
			addr := 7 + 40*u
			for k := range kinds {
				for o, order := range orders {
					if kinds[k].words == 1 && o > 0 {
						continue // the protocol itself fixes the bytes of one register, and the configuration takes no order for it
					}
					sc := scalings[place%len(scalings)]
					p := &typed{path: fmt.Sprintf("%s.p%d", n.name, place), unit: u + 1, table: table, addr: addr, k: &kinds[k], order: order,
						scale: sc.scale, offset: sc.offset, step: "0.001", place: place}
					fmt.Fprintf(&b, "p%d = { %s = %d, type = %q, unit = \"number\", scale = %s, offset = %s, resolution = %s", place, table, addr+n.plus[table], p.k.name, p.scale, p.offset, p.step)
					if p.k.words > 1 {
						fmt.Fprintf(&b, ", order = %q", order)
					}
					b.WriteString(" }\n")
					points = append(points, p)
					addr += p.k.words
					if place++; place%5 == 0 {
						addr += 3
					}
				}
			}
		}
		for _, table := range []string{"coil", "discrete"} {
			for i := range 4 {
				p := &typed{path: fmt.Sprintf("%s.p%d", n.name, place), unit: u + 1, table: table, addr: 11 + 9*u + i, invert: i%2 == 1, place: place}
				fmt.Fprintf(&b, "p%d = { %s = %d, invert = %t }\n", place, table, p.addr+n.plus[table], p.invert)
				points = append(points, p)
				place++
			}
		}
	}
	return points, b.String()
}

// give sets the point in the server to its round-th value.
func (p *typed) give(server *peer, round int) {
	server.do("unit %d", p.unit)
	if p.k == nil {
		p.bit = (p.place/2+round)%2 == 1
		v := 0
		if p.bit {
			v = 1
		}
		server.do("%s %d %d", p.table, p.addr, v)
		return
	}
	v := rat(p.k.given[round])
	by := big.NewRat(int64(p.place), 1)
	if !p.k.whole {
		by = big.NewRat(int64(p.place), 2)
	}
	v.Add(v, by)
	p.last, p.written = v, v.FloatString(0)
	if !p.k.whole {
		p.written = v.FloatString(6)
	}
	server.do("%s %s %d %s %s", p.k.setter, p.table, p.addr, p.order, p.written)
}

func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("not a number: " + s)
	}
	return r
}

// want is what the daemon must say: the given number x scale + offset, in exact arithmetic.
func (p *typed) want() *big.Rat {
	if p.k == nil {
		if p.bit != p.invert {
			return big.NewRat(1, 1)
		}
		return new(big.Rat)
	}
	v := new(big.Rat).Mul(p.last, rat(p.scale))
	return v.Add(v, rat(p.offset))
}

// wrong compares the point with what /metrics and the API say; empty when both are right. A whole number must be exact: in the API to the
// digit, in a metric to the last bits of a float64 (two roundings, of the product and of the sum). Others may be off by one step of the
// resolution, which a float32 is not allowed to use up.
func (p *typed) wrong(m scrape, rows map[string]reading) string {
	family := numberFamily
	if p.k == nil {
		family = stateFamily
	}
	want := p.want()
	wantFloat, _ := want.Float64()
	exact := p.k == nil || p.k.whole
	off := func(got float64) bool {
		if exact {
			return math.Abs(got-wantFloat) > 4*math.Abs(math.Nextafter(wantFloat, math.Inf(1))-wantFloat)
		}
		step, _ := rat(p.step).Float64()
		return math.Abs(got-wantFloat) > step
	}

	values := m.values("b2", p.path)
	switch {
	case len(values) != 1 || values[0].family != family:
		return fmt.Sprintf("/metrics has %v, want one sample of %s", values, family)
	case off(values[0].value):
		return fmt.Sprintf("/metrics says %v, want %s", values[0].value, want.FloatString(6))
	case m.reason("b2", p.path) != "believed":
		return fmt.Sprintf("/metrics gives the reason %q", m.reason("b2", p.path))
	}
	row, ok := rows[p.path]
	if !ok || row.Value == nil {
		return fmt.Sprintf("the API has no value: %+v", row)
	}
	got, ok := new(big.Rat).SetString(row.Value.String())
	if !ok {
		return fmt.Sprintf("the API says %q", row.Value)
	}
	gotFloat, _ := got.Float64()
	switch {
	case exact && got.Cmp(want) != 0, !exact && off(gotFloat):
		return fmt.Sprintf("the API says %s, want %s", row.Value, want.FloatString(6))
	case row.Quality != "good" || row.Reason != "believed" || !row.InMetrics:
		return fmt.Sprintf("the API gives %s, %s, in_metrics %t", row.Quality, row.Reason, row.InMetrics)
	}
	return ""
}

func (p *typed) String() string {
	if p.k == nil {
		return fmt.Sprintf("%s (%s %d of unit %d, given %t, invert %t)", p.path, p.table, p.addr, p.unit, p.bit, p.invert)
	}
	return fmt.Sprintf("%s (%s %s at %s %d of unit %d, given %s, x %s + %s)", p.path, p.k.name, p.order, p.table, p.addr, p.unit, p.written, p.scale, p.offset)
}

// compare waits until every point is right and gives how many were compared.
func compare(t *testing.T, d *daemon, points []*typed) int {
	t.Helper()
	until(t, "every value as the server was given", patience, func() (bool, string) {
		m, rows := d.metrics(), d.readings()
		var wrong []string
		for _, p := range points {
			if why := p.wrong(m, rows); why != "" {
				wrong = append(wrong, p.String()+": "+why)
			}
		}
		few := wrong[:min(len(wrong), 10)]
		return len(wrong) == 0, fmt.Sprintf("%d of %d points are wrong:\n%s", len(wrong), len(points), strings.Join(few, "\n"))
	})
	return len(points)
}

const typesSite = `
[site]
name = "larkfield-types"
timezone = "UTC"
[bus.panel-net]
link = "PEER"
timeout = "150ms"
%s
[panel.b2]
title = "Boiler 2 feedwater"
%s
[http]
listen = "127.0.0.1:0"
[logbook]
dir = "DIR"
flush = "1s"
`

func TestEveryTypeOrderAndTableReadsAsTheServerWasGiven(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	readsAsGiven(t, binary, startPeer(t, program), typesSite, "200ms")
}

// readsAsGiven has the daemon read every type, order and table from a server, and again after every value has changed. The text is a site
// that wants maps and sensors of the bus panel-net.
func readsAsGiven(t *testing.T, binary string, server *peer, text, period string) {
	t.Helper()
	points, maps := plan(strings.Contains(text, "baud"))
	var sensors strings.Builder
	for u, n := range numberings {
		fmt.Fprintf(&sensors, "sensor.%s = { map = %q, bus = \"panel-net\", station = %d, period = %q }\n", n.name, n.name, u+1, period)
	}
	for _, p := range points {
		p.give(server, 0)
	}
	// The vector the servers' own setters are measured by, set here as words that no code has composed: 18.4 is 4193 3333 in IEEE 754,
	// and the CDAB order puts the lower half first. It overwrites a point that was given something else.
	fixed := points[slices.IndexFunc(points, func(p *typed) bool { return p.k != nil && p.k.name == "float32" && p.order == "CDAB" })]
	fixed.last, fixed.written = rat("18.4"), "words 3333 4193"
	server.do("unit %d", fixed.unit)
	server.do("%s %d 3333 4193", fixed.table, fixed.addr)

	file, _ := site(t, server.port, "", fmt.Sprintf(text, maps, sensors.String()))
	d := startDaemon(t, binary, file)
	n := compare(t, d, points)
	t.Logf("figure: %d points compared, twice: in /metrics and in the API", n)

	for _, p := range points {
		p.give(server, 1)
	}
	n = compare(t, d, points)
	t.Logf("figure: %d points compared again after every value changed", n)
}

// none is a point that the server gives no value for in a later state.
type none struct {
	name   string
	config string // after the address
	first  string // peer command for a value, without unit
	later  string // peer command for none
	reason string
}

func TestWordsThatMeanNoValueAreAbsentAndNamed(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	server := startPeer(t, program)
	points := []none{
		{"a", `holding = 0, type = "int16", no_value = [-32768]`, "i16 holding 0 ABCD -32767", "holding 0 8000", "no_value"},
		{"b", `holding = 1, type = "uint16", no_value = [65535, 65534]`, "u16 holding 1 ABCD 65533", "holding 1 FFFE", "no_value"},
		{"c", `holding = 2, type = "int32", order = "CDAB", no_value = ["0x80000000"]`, "i32 holding 2 CDAB -2147483647", "holding 2 0000 8000", "no_value"},
		{"d", `input = 4, type = "uint32", order = "DCBA", no_value = ["0xFFFFFFFF"]`, "u32 input 4 DCBA 4294967294", "input 4 FFFF FFFF", "no_value"},
		{"e", `input = 6, type = "float32", order = "BADC", no_value = [-9999]`, "f32 input 6 BADC 1.5", "f32 input 6 BADC -9999", "no_value"},
		{"f", `input = 8, type = "float64", order = "CDAB", no_value = [-9999.5]`, "f64 input 8 CDAB 2.5", "f64 input 8 CDAB -9999.5", "no_value"},
		// IEEE 754: exponent all ones; a fraction makes it no number, none makes it infinite.
		{"g", `holding = 12, type = "float32", order = "CDAB"`, "f32 holding 12 CDAB 3.5", "holding 12 0000 7FC0", "not_a_number"},
		{"h", `holding = 14, type = "float32", order = "ABCD"`, "f32 holding 14 ABCD 4.5", "f32 holding 14 ABCD inf", "not_a_number"},
		{"i", `holding = 16, type = "float64", order = "BADC"`, "f64 holding 16 BADC 5.5", "f64 holding 16 BADC nan", "not_a_number"},
		{"j", `holding = 20, type = "float64", order = "DCBA"`, "f64 holding 20 DCBA 6.5", "f64 holding 20 DCBA -inf", "not_a_number"},
	}
	var maps strings.Builder
	maps.WriteString("[map.rack]\nnumbering = \"wire\"\n[map.rack.point]\n")
	for _, p := range points {
		fmt.Fprintf(&maps, "%s = { %s, unit = \"number\" }\n", p.name, p.config)
		server.do("%s", p.first)
	}
	file, _ := site(t, server.port, "", fmt.Sprintf(typesSite, maps.String(), `sensor.rack = { map = "rack", bus = "panel-net", station = 1, period = "200ms" }`))
	d := startDaemon(t, binary, file)

	// all waits until every point has the reason, and a value exactly where it should.
	all := func(what string, reason func(none) string) {
		t.Helper()
		until(t, what, patience, func() (bool, string) {
			m, rows := d.metrics(), d.readings()
			var wrong []string
			for _, p := range points {
				path, want := "rack."+p.name, reason(p)
				has := 0
				if want == "believed" {
					has = 1
				}
				row := rows[path]
				if values := m.values("b2", path); len(values) != has || m.reason("b2", path) != want || row.Reason != want || (row.Value != nil) != (has == 1) {
					wrong = append(wrong, fmt.Sprintf("%s: want %s; /metrics has %v and says %q, the API says %+v", path, want, values, m.reason("b2", path), row))
				}
			}
			return len(wrong) == 0, strings.Join(wrong, "\n")
		})
	}
	believed := func(none) string { return "believed" }
	all("every point believed", believed)
	for _, p := range points {
		server.do("%s", p.later)
	}
	all("every point without a value, with its reason", func(p none) string { return p.reason })
	for _, p := range points {
		server.do("%s", p.first)
	}
	all("every point believed again", believed)
	t.Logf("figure: %d points without a value, each absent in /metrics, null in the API, and back", len(points))
}
