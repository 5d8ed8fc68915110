package bus

import (
	"bytes"
	"context"
	"encoding/binary"
	"log/slog"
	"math/rand/v2"
	"net"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// tick is how often every register of a simulated device changes.
const tick = 100 * time.Millisecond

// register is what a register of a simulated device holds at a time: never twice the same in the memory of a test, and no two alike.
func register(station uint8, table reading.Table, addr uint16, at time.Duration) uint16 {
	x := uint64(station)<<40 ^ uint64(table)<<32 ^ uint64(addr)<<48 ^ uint64(at/tick)
	x ^= x >> 31
	x *= 0x9e3779b97f4a7c15
	x ^= x >> 29
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 32
	if table.Bits() {
		return uint16(x & 1)
	}
	return uint16(x)
}

// answerTo is the whole right answer of a device at a time.
func answerTo(q query, at time.Duration) []byte {
	b := []byte{q.station, q.function(), byte(q.shape().bytes)}
	if q.table.Bits() {
		bits := make([]byte, q.shape().bytes)
		for i := range q.count {
			bits[i/8] |= byte(register(q.station, q.table, q.addr+i, at)) << (i % 8)
		}
		b = append(b, bits...)
	} else {
		for i := range q.count {
			b = binary.BigEndian.AppendUint16(b, register(q.station, q.table, q.addr+i, at))
		}
	}
	return withSum(b)
}

func exceptionTo(q query, code byte) []byte {
	return withSum([]byte{q.station, q.function() | 0x80, code})
}

// after is bytes that come so long after the request was whole.
type after struct {
	wait time.Duration
	data []byte
}

// simLine is a simulated line with devices on it, in the time of the bubble it runs in.
type simLine struct {
	t       *testing.T
	start   time.Time
	wire    wire
	answers func(n int, q query, right []byte) []after // n counts the questions

	mu      sync.Mutex
	conn    net.Conn
	held    []byte        // what came while nobody was connected
	buffers bool          // a serial server keeps it
	refuses time.Duration // no connection before
	asked   []asking
	dials   int
	bytes   atomic.Int64 // that came from us

	obeys  func(frame []byte) []after // what becomes of a write; nil: none may come
	orders []time.Duration            // when one came
}

type asking struct {
	q  query
	at time.Duration
}

// change makes the devices behave otherwise from now on; nil leaves things as they are.
func (s *simLine) change(answers func(int, query, []byte) []after, obeys func([]byte) []after) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if answers != nil {
		s.answers = answers
	}
	if obeys != nil {
		s.obeys = obeys
	}
}

func (s *simLine) questions() []asking {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.asked)
}

func (s *simLine) ordered() []time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.orders)
}

func (s *simLine) up() time.Duration { return time.Since(s.start) }

// dial makes a new connection to the line.
func (s *simLine) dial(context.Context) (stream, error) {
	if s.up() < s.refuses {
		return nil, syscall.ECONNREFUSED
	}
	ours, theirs := net.Pipe()
	s.mu.Lock()
	s.conn = theirs
	s.dials++
	held := s.held
	s.held = nil
	s.mu.Unlock()
	go s.listen(theirs)
	if len(held) > 0 {
		go s.say(held)
	}
	return ours, nil
}

// say puts bytes on the line.
func (s *simLine) say(b []byte) {
	s.mu.Lock()
	conn := s.conn
	s.mu.Unlock()
	if conn != nil {
		if _, err := conn.Write(b); err == nil {
			return
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.buffers && len(s.held) < 4096 {
		s.held = append(s.held, b...)
	}
}

// hangUp ends the connection as a serial server does.
func (s *simLine) hangUp() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		_ = s.conn.Close()
	}
	s.conn = nil
}

func (s *simLine) listen(conn net.Conn) {
	b := make([]byte, 512)
	for {
		n, err := conn.Read(b)
		s.bytes.Add(int64(n))
		if err != nil {
			return
		}
		if n != requestBytes || !sound(b[:n]) {
			s.t.Errorf("a request of %x", b[:n])
			continue
		}
		s.mu.Lock()
		obeys, answers := s.obeys, s.answers
		s.mu.Unlock()
		if obeys != nil && (b[1] == 5 || b[1] == 6) {
			s.mu.Lock()
			s.orders = append(s.orders, s.up())
			s.mu.Unlock()
			for _, a := range obeys(bytes.Clone(b[:n])) {
				time.AfterFunc(requestBytes*s.wire.char+a.wait, func() { s.say(a.data) })
			}
			continue
		}
		if b[1] < 1 || b[1] > 4 {
			s.t.Errorf("function %d was sent: only reads may be", b[1])
		}
		q := query{b[0], reading.Table(b[1]), binary.BigEndian.Uint16(b[2:]), binary.BigEndian.Uint16(b[4:])}
		s.mu.Lock()
		number := len(s.asked)
		s.asked = append(s.asked, asking{q, s.up()})
		s.mu.Unlock()
		arrived := time.Duration(requestBytes) * s.wire.char
		for _, a := range answers(number, q, answerTo(q, s.up())) {
			if len(a.data) > 0 {
				time.AfterFunc(arrived+a.wait, func() { s.say(a.data) })
			}
		}
	}
}

// prompt answers everything well after 10 ms and the time on the wire.
func (s *simLine) prompt(_ int, _ query, right []byte) []after {
	return []after{{s.usual(right), right}}
}

func (s *simLine) usual(b []byte) time.Duration {
	return 10*time.Millisecond + time.Duration(len(b))*s.wire.char
}

// value is one point of a device in a test of a line.
type value struct {
	station uint8
	table   reading.Table
	addr    uint16
	typ     site.Type
}

// lineSite is a site with one serial line; the first value guards when asked. Open spans may be read beside the values.
func lineSite(guards bool, open map[uint8][]site.Span, values ...value) *site.Site {
	s := &site.Site{Buses: []site.Bus{{
		Name: "line", Scheme: "rtuovertcp", Period: time.Second, Baud: 19200, Parity: "even", StopBits: 1, SoleMaster: true,
	}}}
	for _, v := range values {
		i := len(s.Sensors) - 1
		if i < 0 || s.Sensors[i].Station != v.station {
			i++
			s.Sensors = append(s.Sensors, site.Sensor{Station: v.station, Every: 1, Turnaround: 20 * time.Millisecond, Allowed: open[v.station]})
			s.Buses[0].Sensors = append(s.Buses[0].Sensors, i)
		}
		sensor := &s.Sensors[i]
		sensor.Points = append(sensor.Points, len(s.Points))
		sensor.Allowed = append(sensor.Allowed, site.Span{Table: v.table, Addr: v.addr, Count: v.typ.Words()})
		s.Points = append(s.Points, site.Point{Sensor: i, Table: v.table, Addr: v.addr, Decode: site.Decode{Type: v.typ}})
	}
	if guards {
		s.Panels = []site.Panel{{Interlock: site.Interlock{Configured: true, Temperature: 0}}}
	}
	return s
}

func registers(station uint8, table reading.Table, from, count uint16) (out []value) {
	typ := site.Uint16
	if table.Bits() {
		typ = site.Bit
	}
	for i := range count {
		out = append(out, value{station, table, from + i, typ})
	}
	return out
}

// tally is what was published over a line, judged by what the devices held.
type tally struct {
	rounds, whole   int // rounds, and those in which every request was answered
	values          int
	wrong, old      int           // wrong; right once, but before the round before began
	anchor          time.Duration // of the grid
	slots           [2]uint64     // of this round and of the one before it
	aged            int           // as old as the round before
	faults          [reading.FaultCount]int
	last, gaps      map[value]time.Duration // when each value was last published, and its longest wait
	batches         int
	firstWrong      reading.Read
	keep            []reading.Batch
	points          map[uint8][]value
	incompleteRound bool
}

func (y *tally) take(s *site.Site, b reading.Batch, whole bool) {
	y.batches++
	if whole {
		y.keep = append(y.keep, b)
	}
	if y.last == nil {
		y.last = map[value]time.Duration{}
		y.points = map[uint8][]value{}
		y.gaps = map[value]time.Duration{}
		for _, p := range s.Points {
			id := s.Sensors[p.Sensor].Station
			y.points[id] = append(y.points[id], value{id, p.Table, p.Addr, p.Decode.Type})
		}
	}
	if start := b.At.Up - time.Duration(b.Slot)*s.Buses[0].Period; y.batches == 1 || start < y.anchor {
		y.anchor = start // of the grid, once a round was over at once
	}
	for _, r := range b.Reads {
		y.anchor = min(y.anchor, r.Sent.Up-time.Duration(b.Slot)*s.Buses[0].Period)
	}
	if b.Segment == 0 {
		y.slots = [2]uint64{b.Slot, y.slots[0]}
	}
	before := y.anchor + time.Duration(y.slots[1])*s.Buses[0].Period // when the round before this one began
	for _, r := range b.Reads {
		y.faults[r.Fault]++
		if r.Fault != reading.Answered {
			y.incompleteRound = true
			continue
		}
		n := 0
		for _, v := range y.points[r.Station] {
			if v.table == r.Table && v.addr >= r.Addr && int(v.addr)+v.typ.Words() <= int(r.Addr)+int(r.Count) {
				n++
				if before, ok := y.last[v]; ok {
					y.gaps[v] = max(y.gaps[v], r.Sent.Up-before)
				}
				y.last[v] = r.Sent.Up
			}
		}
		y.values += n
		switch age := ageOf(r); {
		case age < 0:
			if y.wrong == 0 {
				y.firstWrong = r
			}
			y.wrong += n
		case age > r.Sent.Up-before+tick:
			y.old += n
		case age > 0:
			y.aged += n
		}
	}
	if b.Last {
		y.rounds++
		if !y.incompleteRound {
			y.whole++
		}
		y.incompleteRound = false
	}
}

// ageOf is how long before the request left its device held what was published: 0 when at or after, negative when it never did.
func ageOf(r reading.Read) time.Duration {
	holds := func(at time.Duration) bool {
		for i, w := range r.Words {
			if register(r.Station, r.Table, r.Addr+uint16(i), at) != w {
				return false
			}
		}
		return true
	}
	for at := r.Sent.Up; at <= r.Sent.Up+r.Took+tick; at += tick {
		if holds(at) {
			return 0
		}
	}
	for age := tick; age < 30*time.Second; age += tick {
		if holds(r.Sent.Up - age) {
			return age
		}
	}
	return -1
}

// onLine runs a bus over a simulated line for so many rounds in virtual time.
func onLine(t *testing.T, s *site.Site, rounds int, without guards, set func(*simLine)) (y *tally, sim *simLine, logged string) {
	t.Helper()
	y = &tally{}
	var text bytes.Buffer
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		w, err := wireOf(s, &s.Buses[0], plan.Of(s, 0))
		if err != nil {
			t.Fatal(err)
		}
		sim = &simLine{t: t, start: start, wire: w}
		sim.answers = sim.prompt
		set(sim)
		l := newLine(w, w.longest(plan.Of(s, 0)), s.Buses[0].Listen, clock(start))
		l.without = without
		l.ledger.off = without.noShapes
		ctx, cancel := context.WithCancel(t.Context())
		out, done := make(chan reading.Batch), make(chan error, 1)
		log := slog.New(slog.NewTextHandler(&text, &slog.HandlerOptions{ReplaceAttr: withoutTime}))
		go func() { done <- run(ctx, s, 0, clock(start), nil, out, log, &rtuLink{line: l, dial: sim.dial}) }()
		for y.rounds < rounds {
			y.take(s, <-out, rounds <= 2000)
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v, want nil at the end", err)
		}
		sim.hangUp()
		<-time.After(time.Minute) // what is still under way
	})
	wellFormed(t, y.keep)
	return y, sim, text.String()
}

// mix is a fault model: what becomes of one answer, from a seed.
type mix struct {
	rng   *rand.Rand
	sim   *simLine
	late  time.Duration     // the worst lateness
	rate  float64           // of every fault, in percent of the questions
	swaps float64           // of an old answer in a lost one's place; 0: as every other
	echo  bool              // the line hears itself
	hangs bool              // a serial server that hangs up and keeps what comes meanwhile
	held  []byte            // an answer that lets the next one pass
	since time.Duration     // when it was due
	said  map[shape][]after // right answers of each shape, and when they were due, newest last
	made  map[string]int
	ids   []uint8
}

func (m *mix) chance(name string) bool {
	if m.rng.Float64()*100 >= m.rate {
		return false
	}
	m.made[name]++
	return true
}

// swapped is the chance of the one fault that nobody can see.
func (m *mix) swapped() bool {
	rate := m.rate
	if m.swaps > 0 {
		m.rate = m.swaps
	}
	hit := m.chance("lost and an old one doubled")
	m.rate = rate
	return hit
}

func (m *mix) lateness() time.Duration { return time.Duration(m.rng.Int64N(int64(m.late))) }

func (m *mix) noise(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(m.rng.Uint32())
	}
	return b
}

// burst damages at most 16 bits running.
func (m *mix) burst(b []byte) []byte {
	b = bytes.Clone(b)
	bit := m.rng.IntN(8*len(b) - 16)
	b[bit/8] ^= 1 << (bit % 8)
	for i := 1; i < 16; i++ {
		if m.rng.IntN(2) == 0 {
			b[(bit+i)/8] ^= 1 << ((bit + i) % 8)
		}
	}
	return b
}

// olds is the earlier answers of a question's shape that may still be under way, and remembers this one.
func (m *mix) olds(q query, right []byte) []after {
	if m.said == nil {
		m.said = map[shape][]after{}
	}
	up, s := m.sim.up(), q.shape()
	said := slices.DeleteFunc(m.said[s], func(a after) bool { return up-a.wait >= m.late })
	m.said[s] = append(said, after{up, right})
	return slices.Clone(said)
}

func (m *mix) answers(_ int, q query, right []byte) (out []after) {
	usual := m.sim.usual(right)
	if m.echo {
		out = append(out, after{time.Millisecond, q.frame()})
	}
	add := func(wait time.Duration, b []byte) { out = append(out, after{wait, b}) }
	if m.held != nil {
		if wait := m.lateness() / 4; m.sim.up()+wait-m.since < m.late { // no later than anything else
			add(usual+wait, m.held)
		}
		m.held = nil
	}
	olds := m.olds(q, right)
	switch {
	case m.chance("lost"):
		return out
	case m.chance("late"):
		add(usual+m.lateness(), right)
		return out
	case m.chance("doubled"):
		add(usual, right)
		add(usual+time.Millisecond, right)
		return out
	case m.chance("doubled late"):
		add(usual, right)
		add(usual+m.lateness(), right)
		return out
	case len(olds) > 0 && m.swapped(): // the worst: it comes exactly in the lost one's place
		add(usual, olds[m.rng.IntN(len(olds))].data)
		return out
	case m.chance("reordered"):
		m.held, m.since = right, m.sim.up()
		return out
	case m.chance("wrong station, then the right one"):
		other := q
		other.station = m.ids[m.rng.IntN(len(m.ids))]
		add(usual, answerTo(other, m.sim.up()))
		add(usual+5*time.Millisecond, right)
		return out
	case m.chance("noise before"):
		add(usual, append(m.noise(1+m.rng.IntN(6)), right...))
		return out
	case m.chance("noise after"):
		add(usual, append(bytes.Clone(right), m.noise(1+m.rng.IntN(6))...))
		return out
	case m.chance("noise a little after"):
		add(usual, right)
		add(usual+time.Duration(m.rng.IntN(20))*time.Millisecond, m.noise(1+m.rng.IntN(6)))
		return out
	case m.chance("damaged"):
		add(usual, m.burst(right))
		return out
	case m.chance("truncated"):
		add(usual, right[:1+m.rng.IntN(len(right)-1)])
		return out
	case m.chance("half, a stall, the rest"):
		n := 1 + m.rng.IntN(len(right)-1)
		add(usual, right[:n])
		add(usual+m.lateness(), right[n:])
		return out
	case m.chance("another length"):
		other := q // bits of another number in as many bytes would be a device that lies, not a line
		for other.shape() == q.shape() {
			other.count = uint16(1 + m.rng.IntN(30))
		}
		add(usual, answerTo(other, m.sim.up()))
		return out
	case m.chance("another function"):
		other := q
		other.table = 1 + reading.Table(m.rng.IntN(4))
		add(usual, answerTo(other, m.sim.up()))
		return out
	case m.chance("exception"):
		add(usual, exceptionTo(q, byte(1+m.rng.IntN(11))))
		return out
	case m.chance("exception late, and right"):
		add(usual, right)
		add(usual+m.lateness(), exceptionTo(q, byte(1+m.rng.IntN(11))))
		return out
	case m.rng.IntN(10) == 0 && m.chance("flood"):
		for i := range 40 {
			add(usual+time.Duration(i)*time.Millisecond, m.noise(60))
		}
		return out
	case m.rng.IntN(10) == 0 && m.chance("flood of answers"):
		for i := range 40 {
			add(usual+time.Duration(i)*2*time.Millisecond, right)
		}
		return out
	case m.hangs && m.chance("hung up"):
		m.sim.hangUp()
		add(usual, right)
		return out
	}
	add(usual, right)
	if len(out) > 0 && m.rng.IntN(3) == 0 { // in two pieces, as adapters give it
		n := len(out) - 1
		whole := out[n]
		k := 1 + m.rng.IntN(len(whole.data)-1)
		out[n].data = whole.data[:k]
		out = append(out, after{whole.wait + time.Duration(m.rng.IntN(4))*time.Millisecond, whole.data[k:]})
	}
	return out
}
