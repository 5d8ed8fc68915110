// Package plan works out which registers are asked in which request.
//
// Owns: the requests of a round, their order, and when each is due.
// Never: asks an address that no register map lists or opens, splits a value over two requests, or talks to a device.
package plan

import (
	"cmp"
	"slices"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// The most addresses one request may ask (Modbus Application Protocol V1.1b3, 6.1 to 6.4).
const (
	RegistersMax = 125
	BitsMax      = 2000
)

// Request is one read of a round: Count addresses from Addr (0-based) of one table of one station.
type Request struct {
	Station   uint8
	Table     reading.Table
	Addr      uint16
	Count     uint16
	Every     uint64 // due at slots divisible by it; at least 1
	Interlock bool   // the station gives the temperature of an interlock
}

// Plan is the requests of a round over one bus, in the order in which they are asked: stations that guard first, then stations in the
// order of the bus's sensors; within a station by table, address and Every.
type Plan struct {
	Requests []Request
	// Unlisted holds the points, by index, that no request covers because their registers are not among the addresses their sensor may
	// be asked. A loaded configuration has none.
	Unlisted []int

	Rooms map[Request]Room // of each of the requests
}

// Room is how far a request may be bent: what it may be asked as instead without asking an address that is not listed or parting a value.
type Room struct {
	Values []Span // the addresses of its values, ascending; none may be parted
	Open   Span   // the listed addresses around it, without a hole
	Most   int    // the most addresses in one request
}

// Span is Count addresses from Addr.
type Span struct{ Addr, Count uint16 }

// End is the address after the last.
func (s Span) End() int { return int(s.Addr) + int(s.Count) }

// Due is the requests of one slot, in order.
func (p Plan) Due(slot uint64) []Request {
	return p.due(func(every uint64) bool { return slot%every == 0 })
}

// DueAfter is the requests that became due after the slot last and up to the slot now. A slow round skips slots, and a sensor whose turn
// came in a skipped slot must not wait for its next turn: where every other slot is skipped, it might never come.
func (p Plan) DueAfter(last, now uint64) []Request {
	return p.due(func(every uint64) bool { return now/every > last/every })
}

func (p Plan) due(is func(every uint64) bool) []Request {
	out := make([]Request, 0, len(p.Requests))
	for _, r := range p.Requests {
		if is(r.Every) {
			out = append(out, r)
		}
	}
	return out
}

// group is what may share a request: one table of one station, asked equally often. A sensor that may be fitted later never shares: an
// absent one would refuse the whole request with exception 02.
type group struct {
	station uint8
	table   reading.Table
	every   uint64
	later   int // the sensor's index when it may be fitted later, else site.None
	longest int
	sensors []int
	atoms   []span
	allowed []span
}

// span is addresses first to last, both included.
type span struct{ first, last int }

// Of plans a bus. It is a pure function of the site.
func Of(s *site.Site, bus int) Plan {
	var p Plan
	guards := guardStations(s, bus)
	var groups []group
	var stations []uint8
	// Two passes, so that the stations that guard come first even when the bus's sensors are in another order.
	for _, guarding := range []bool{true, false} {
		for _, si := range s.Buses[bus].Sensors {
			sensor := &s.Sensors[si]
			if slices.Contains(guards, sensor.Station) != guarding {
				continue
			}
			if !slices.Contains(stations, sensor.Station) {
				stations = append(stations, sensor.Station)
			}
			groups = addSensor(groups, s, si, &p)
		}
	}
	p.Rooms = map[Request]Room{}
	for _, g := range groups {
		atoms, allowed := merge(g.atoms, most(g.table)), merge(g.allowed, 0)
		for _, r := range cover(atoms, allowed, g.longest) {
			q := Request{
				Station: g.station, Table: g.table, Addr: uint16(r.first), Count: uint16(r.last - r.first + 1),
				Every: g.every, Interlock: slices.Contains(guards, g.station),
			}
			p.Requests = append(p.Requests, q)
			p.Rooms[q] = room(r, atoms, allowed, g.longest)
		}
	}
	slices.SortStableFunc(p.Requests, func(a, b Request) int {
		return cmp.Or(
			cmp.Compare(slices.Index(stations, a.Station), slices.Index(stations, b.Station)),
			cmp.Compare(a.Table, b.Table), cmp.Compare(a.Addr, b.Addr), cmp.Compare(a.Every, b.Every))
	})
	slices.Sort(p.Unlisted)
	return p
}

// guardStations is the stations of the bus that give an interlock a temperature.
func guardStations(s *site.Site, bus int) []uint8 {
	var out []uint8
	for i := range s.Panels {
		lock := &s.Panels[i].Interlock
		if !lock.Configured {
			continue
		}
		guards := []int{lock.Temperature}
		if lock.HasSecond {
			guards = append(guards, lock.Second)
		}
		for _, pt := range guards {
			if pt < 0 || pt >= len(s.Points) {
				continue
			}
			sensor := s.Points[pt].Sensor
			if sensor == site.None || s.Sensors[sensor].Bus != bus || slices.Contains(out, s.Sensors[sensor].Station) {
				continue
			}
			out = append(out, s.Sensors[sensor].Station)
		}
	}
	return out
}

func addSensor(groups []group, s *site.Site, si int, p *Plan) []group {
	sensor := &s.Sensors[si]
	var allowed, listed [reading.Input + 1][]span // by table: as written, and merged
	for t := range allowed {
		allowed[t] = allowedIn(sensor, reading.Table(t))
		listed[t] = merge(allowed[t], 0)
	}
	for _, pi := range sensor.Points {
		point := &s.Points[pi]
		if point.Derived() {
			continue
		}
		value := span{int(point.Addr), int(point.Addr) + point.Decode.Type.Words() - 1}
		if point.Table == reading.NoTable || point.Table > reading.Input || value.last < value.first || !within(value, listed[point.Table]) {
			p.Unlisted = append(p.Unlisted, pi)
			continue
		}
		groups = addValue(groups, sensor, si, point.Table, value, sensor.Every, allowed[point.Table])
	}
	// The serial number is asked rarely, and on its own but by a sensor as rare: it costs wire time that readings need, and a device that
	// does not have it must not lose its readings to the refusal.
	if id := &sensor.Identity; id.Configured && !id.Table.Bits() && id.Table != reading.NoTable {
		value := span{int(id.Addr), int(id.Addr) + id.Count - 1}
		if within(value, listed[id.Table]) {
			groups = addValue(groups, sensor, si, id.Table, value, max(id.Every, sensor.Every), allowed[id.Table])
		}
	}
	return groups
}

// addValue puts a value into the group it may share a request with.
func addValue(groups []group, sensor *site.Sensor, si int, table reading.Table, value span, every uint64, allowed []span) []group {
	later := site.None
	if sensor.FittedLater {
		later = si
	}
	key := group{station: sensor.Station, table: table, every: max(every, 1), later: later}
	i := slices.IndexFunc(groups, func(g group) bool {
		return g.station == key.station && g.table == key.table && g.every == key.every && g.later == key.later
	})
	if i < 0 {
		key.longest = most(table)
		groups = append(groups, key)
		i = len(groups) - 1
	}
	g := &groups[i]
	if sensor.LongestRead > 0 { // of sensors that share a station the shortest holds
		g.longest = min(g.longest, sensor.LongestRead)
	}
	g.atoms = append(g.atoms, value)
	if !slices.Contains(g.sensors, si) {
		g.sensors = append(g.sensors, si)
		g.allowed = append(g.allowed, allowed...)
	}
	return groups
}

// room is what surrounds one request of a group, and what is in it.
func room(r span, atoms, allowed []span, longest int) Room {
	out := Room{Open: r.public(), Most: max(longest, r.last-r.first+1)}
	for _, a := range allowed {
		if a.first <= r.first && r.last <= a.last {
			out.Open = a.public()
		}
	}
	for _, a := range atoms {
		if r.first <= a.first && a.last <= r.last {
			out.Values = append(out.Values, a.public())
		}
	}
	return out
}

// public is the span as others see it. A table's 65536 addresses do not fit a count; no request asks more than 2000 of them.
func (s span) public() Span { return Span{uint16(s.first), uint16(min(s.last-s.first+1, 65535))} }

func allowedIn(sensor *site.Sensor, t reading.Table) []span {
	var out []span
	for _, a := range sensor.Allowed {
		if a.Table == t && a.Count > 0 {
			out = append(out, span{int(a.Addr), int(a.Addr) + a.Count - 1})
		}
	}
	return out
}

func most(t reading.Table) int {
	if t.Bits() {
		return BitsMax
	}
	return RegistersMax
}

// merge sorts spans and joins them: with longest 0 those that touch or overlap, without a bound on length; else only those that
// overlap, and only while the join is no longer than longest. The latter makes the atoms of a plan: addresses that no request may
// part, because values share them.
func merge(in []span, longest int) []span {
	spans := slices.Clone(in)
	slices.SortFunc(spans, func(a, b span) int { return cmp.Or(cmp.Compare(a.first, b.first), cmp.Compare(b.last, a.last)) })
	var out []span
	for _, s := range spans {
		if n := len(out) - 1; n >= 0 {
			joined := span{out[n].first, max(out[n].last, s.last)}
			touch := 0
			if longest == 0 {
				touch = 1
			}
			if s.first <= out[n].last+touch && (longest == 0 || joined.last-joined.first < longest) {
				out[n] = joined
				continue
			}
		}
		out = append(out, s)
	}
	return out
}

// within tells whether s lies in one of the merged spans.
func within(s span, merged []span) bool {
	i, found := slices.BinarySearchFunc(merged, s.first, func(m span, first int) int { return cmp.Compare(m.first, first) })
	if !found {
		i--
	}
	return i >= 0 && s.last <= merged[i].last
}

// cover finds the fewest requests that hold every atom whole, and of those the ones that ask the fewest addresses, since bridged ones
// cost wire time for nothing. An atom longer than longest is asked on its own: part of a value is no value.
func cover(atoms, allowed []span, longest int) []span {
	type best struct {
		requests, words int
		from            int // the request that ends with this atom starts with atom from
	}
	plans := make([]best, len(atoms)+1) // plans[n] covers the first n atoms
	for n := 1; n <= len(atoms); n++ {
		last := atoms[n-1].last
		for from := n - 1; from >= 0; from-- {
			r := span{atoms[from].first, last}
			words := r.last - r.first + 1
			if from < n-1 && (words > longest || !within(r, allowed)) {
				break // starting earlier only makes it longer
			}
			b := best{plans[from].requests + 1, plans[from].words + words, from}
			old := plans[n]
			if old.requests == 0 || b.requests < old.requests || b.requests == old.requests && b.words < old.words {
				plans[n] = b
			}
		}
	}
	var out []span
	for n := len(atoms); n > 0; n = plans[n].from {
		out = append(out, span{atoms[plans[n].from].first, atoms[n-1].last})
	}
	slices.Reverse(out)
	return out
}

// Bendable tells whether a request can be asked in more ways than one, over listed addresses or by some of its values.
func (p Plan) Bendable(r Request) bool {
	room := p.Rooms[r]
	longest := min(room.Most, int(room.Open.Count))
	return len(room.Values) > 1 || longest > int(r.Count) && site.ReplyBytes(r.Table, longest) != site.ReplyBytes(r.Table, int(r.Count))
}

// Single tells whether a request has one legal shape: it cannot be made longer over listed addresses, nor be parted between two of its
// values into two questions that differ from it and from each other. After a fault its shape rests, and so must the request.
func (p Plan) Single(r Request) bool {
	room := p.Rooms[r]
	base := site.ReplyBytes(r.Table, int(r.Count))
	if site.ReplyBytes(r.Table, min(room.Most, int(room.Open.Count))) != base {
		return false
	}
	longest := base - 2 // of a part, which may be padded over the other but not to the whole
	if r.Table.Bits() {
		longest = base - 1
	}
	for i := 1; i < len(room.Values); i++ {
		cut := int(room.Values[i].Addr) - int(r.Addr)
		a, b := site.ReplyBytes(r.Table, cut), site.ReplyBytes(r.Table, int(r.Count)-cut)
		if a < base && b < base && (a < longest || b < longest) {
			return false
		}
	}
	return true
}
