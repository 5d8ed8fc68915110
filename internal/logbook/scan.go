package logbook

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/reading"
)

const (
	// lateMax is how much later than its own moment a reading may be committed and still come out in order of time: a round over the
	// slowest line with every station silent takes some ten seconds, and a disk that stalls delays whole commits, not readings
	// against each other.
	lateMax = time.Minute
	// lateCount bounds what waits for its place, whatever the size of the plant: 2^18 samples, some 20 MB. Beyond it the older half is
	// given out as it stands.
	lateCount = 1 << 18
)

// Query says which readings are wanted.
type Query struct {
	From, To time.Time // wall clock; From is included, To is not; the zero time leaves that end open
	Points   []string  // paths; empty: all
}

// Scan calls fn for every recorded reading in the range, boot by boot and within a boot in order of time; of one moment in the order in
// which the points were entered. The wall clock in At goes back where the clock did. Derived points are not recorded.
//
// No transaction is open while fn works, so it may take its time; what it may need is a page of blocks and a minute of readings in
// memory, and of what has been packed an hour as it is packed. What cannot be read is left out and told by Gaps, so that it costs
// itself alone. An error of fn ends the scan and comes back, as does the end of ctx.
func (b *Book) Scan(ctx context.Context, q Query, fn func(Recorded) error) error {
	rows, err := b.Boots()
	if err != nil {
		return err
	}
	for i := range rows {
		from, to, any := q.span(&rows[i])
		if !any {
			continue
		}
		s := scan{ctx: ctx, book: b, row: &rows[i], from: from, to: to, points: q.Points, fn: fn}
		if err := s.run(); err != nil {
			return err
		}
	}
	return nil
}

// span is the part of a boot, on its own clock, that the query asks for.
func (q *Query) span(row *BootRow) (from, to time.Duration, any bool) {
	from, to = math.MinInt64, math.MaxInt64
	if !q.From.IsZero() {
		from = between(row.WallAtZero, q.From)
	}
	if !q.To.IsZero() {
		to = between(row.WallAtZero, q.To)
	}
	if row.Last != nil && from > row.Last.At.Up {
		return from, to, false
	}
	return from, to, to > 0 && from < to
}

// between is t on the clock of a boot. A time of other centuries than UnixNano can say is as far off as it can be.
func between(zero reading.Wall, t time.Time) time.Duration {
	d := t.Sub(zero.Time()) // saturates
	return d
}

// scan is one boot of a query.
type scan struct {
	ctx      context.Context
	book     *Book
	row      *BootRow
	from, to time.Duration
	points   []string
	fn       func(Recorded) error

	dict    *dictionary
	ids     []uint32 // sorted; nil: all
	byID    []*pointNow
	reasons map[uint32]*meaning
	nowM    *meaning // of the last reading
	nowN    uint32   // whose it is
	waiting []queued
	given   mark // the last that was given out
	skip    bool // what lies up to that has been given out before: it was hot then and is packed now
}

type queued struct {
	kept
	codes
}

// mark is a place in the order of a scan.
type mark struct {
	up time.Duration
	id uint32
}

func (m mark) compare(o mark) int { return cmp.Or(cmp.Compare(m.up, o.up), cmp.Compare(m.id, o.id)) }

// state is what a scan must know of the book before it reads on.
type state struct {
	moved movedRow
	files []fileRow
	dict  *dictionary
}

func (b *Book) stateOf(ordinal uint32, known *dictionary) (st state, err error) {
	err = guard("looking where readings are", func() error {
		return b.db.View(func(tx *bolt.Tx) (err error) {
			if st.moved, err = movedOf(tx, ordinal); err != nil {
				return err
			}
			if st.files, err = files(tx); err != nil {
				return err
			}
			if st.dict = known; known == nil || known.size != dictionarySize(tx) {
				st.dict = loadDictionary(tx, func(error) {}) // a rotten entry costs what needs it
			}
			return nil
		})
	})
	return st, err
}

// run gives out what is packed and then what is hot. Where an hour moves meanwhile it goes back to what is packed, and passes over what it
// has given out already.
func (s *scan) run() error {
	s.reasons = map[uint32]*meaning{}
	done := s.row.hourOf(max(s.from, -hourLength)) - 1
	for {
		st, err := s.book.stateOf(s.row.Ordinal, s.dict)
		if err != nil {
			return err
		}
		s.know(st.dict)
		if last := min(st.moved.Hour, s.lastHour()); last > done {
			if err := s.book.eachPacked(st.files, s.row.Ordinal, done+1, last, s.ids, s.hour); err != nil {
				return err
			}
			done = last
		}
		moved, err := s.hot(st.moved)
		if err != nil || !moved {
			return err
		}
		s.waiting, s.skip = nil, true
	}
}

// lastHour is the last hour a reading of the range can be packed in: one that came late stands in the next.
func (s *scan) lastHour() int64 {
	if s.to >= math.MaxInt64-2*hourLength {
		return math.MaxInt64
	}
	return s.row.hourOf(s.to) + 1
}

func (s *scan) know(d *dictionary) {
	if d == s.dict {
		return
	}
	s.dict = d
	if s.points == nil {
		return
	}
	s.ids = []uint32{}
	for id, e := range d.entries {
		if slices.Contains(s.points, e.Path) {
			s.ids = append(s.ids, id)
		}
	}
	slices.Sort(s.ids)
}

// hour gives out a packed hour.
func (s *scan) hour(p *packed) error {
	if err := s.ctx.Err(); err != nil {
		return err
	}
	m := merge{rotten: func(id uint32, err error) { s.book.rottenChunk(s.row, p.hour, id, err) }}
	for _, c := range p.chunks {
		slot, known := s.dict.slotOf(c.id)
		if !known {
			m.rotten(c.id, fmt.Errorf("%w: dictionary entry %d is missing", ErrBlock, c.id))
			continue
		}
		k, err := openChunk(c.place, c.raw, c.id, slot)
		if err != nil {
			m.rotten(c.id, err)
			continue
		}
		m.add(k)
	}
	n := 0
	return m.each(func(c codes, k *kept) error {
		if k.up < s.from || k.up >= s.to || s.skip && (mark{k.up, k.id}).compare(s.given) <= 0 {
			return nil
		}
		if n++; n%4096 == 0 {
			if err := s.ctx.Err(); err != nil {
				return err
			}
		}
		return s.give(c, k)
	})
}

// hot gives out what stands in hot blocks. moved says that an hour has left them meanwhile.
func (s *scan) hot(m movedRow) (moved bool, err error) {
	var before time.Duration
	after := BlockKey{Boot: s.row.Ordinal}
	for {
		page, st, err := s.book.hotPage(after, s.dict)
		if err != nil {
			return false, err
		}
		if st.moved != m {
			return true, nil
		}
		s.know(st.dict)
		if len(page) == 0 {
			return false, s.emit(math.MaxInt64)
		}
		for _, block := range page {
			if err := s.ctx.Err(); err != nil {
				return false, err
			}
			after = block.Key
			if before > s.to && before-s.to > lateMax {
				return false, s.emit(math.MaxInt64)
			}
			if before = block.At.Up; before < s.from { // nothing in it is younger than its commit
				continue
			}
			head, _, answered, usual, err := openBlock(block.Key.bytes(), block.raw)
			if err != nil {
				continue // a rotten block costs itself
			}
			c := codes{head.names, answered, usual}
			_ = block.walk(func(k kept) error {
				if k.up >= s.from && k.up < s.to && !m.has(block.Key.Through, s.row.hourOf(k.up)) && s.wants(k.id) {
					s.waiting = append(s.waiting, queued{k, c})
				}
				return nil
			})
			if err := s.emit(block.At.Up - lateMax); err != nil {
				return false, err
			}
		}
	}
}

func (s *scan) wants(id uint32) bool {
	if s.ids == nil {
		return true
	}
	_, ok := slices.BinarySearch(s.ids, id)
	return ok
}

// emit gives out all that is older than a moment.
func (s *scan) emit(before time.Duration) error {
	slices.SortStableFunc(s.waiting, func(a, b queued) int {
		return (mark{a.kept.up, a.id}).compare(mark{b.kept.up, b.id})
	})
	n, _ := slices.BinarySearchFunc(s.waiting, before, func(k queued, t time.Duration) int { return cmp.Compare(k.kept.up, t) })
	n = max(n, len(s.waiting)-lateCount)
	for i := range n {
		k := &s.waiting[i]
		if s.skip && (mark{k.kept.up, k.id}).compare(s.given) <= 0 {
			continue
		}
		if i%1024 == 0 && s.ctx.Err() != nil {
			return s.ctx.Err()
		}
		if err := s.give(k.codes, &k.kept); err != nil {
			return err
		}
	}
	s.waiting = slices.Delete(s.waiting, 0, n)
	return nil
}

// meaning is what the numbers of blocks stand for.
type meaning struct {
	names   *names
	reasons []reading.Reason
	faults  []reading.Fault
}

func (d *dictionary) meaning(id uint32) *meaning {
	n := d.names[id]
	if n == nil {
		n = &names{}
	}
	m := &meaning{names: n}
	for _, s := range n.Reasons {
		r, _ := reading.ParseReason(s)
		m.reasons = append(m.reasons, r)
	}
	for _, s := range n.Faults {
		f, _ := reading.ParseFault(s)
		m.faults = append(m.faults, f)
	}
	return m
}

func (m *meaning) reason(code uint64) reading.Reason {
	if code < uint64(len(m.reasons)) {
		return m.reasons[code]
	}
	return reading.Unknown
}

func (m *meaning) fault(code uint64) reading.Fault {
	if code < uint64(len(m.faults)) {
		return m.faults[code]
	}
	return reading.NotAsked
}

func (s *scan) give(c codes, k *kept) error {
	p := s.pointOf(k.id)
	if p == nil {
		return nil
	}
	if s.nowM == nil || s.nowN != c.names {
		s.nowM, s.nowN = s.meaning(c.names), c.names
	}
	r, m := &p.Recorded, s.nowM
	r.Slot, r.Up, r.At, r.Raw = k.slot, k.up, s.row.wall(k.up), k.raw
	if k.fault != p.fault || k.reason != p.reason || c.names != p.names || !p.said {
		p.fault, p.reason, p.names, p.said = k.fault, k.reason, c.names, true
		r.Fault, r.Reason = m.fault(k.fault), m.reason(k.reason)
		r.FaultName, r.ReasonName = name(m.names.Faults, k.fault), name(m.names.Reasons, k.reason)
	}
	r.Value, r.Bound = p.judge.value(k.raw, r.Fault, r.Reason)
	s.given = mark{k.up, k.id}
	return s.fn(*r)
}

// pointNow is what is the same from one reading of a point to the next.
type pointNow struct {
	Recorded
	judge
	fault, reason uint64 // of the last, in its own numbers
	names         uint32
	said          bool
}

func (s *scan) pointOf(id uint32) *pointNow {
	if int(id) < len(s.byID) && s.byID[id] != nil {
		return s.byID[id]
	}
	e := s.dict.entries[id]
	if e == nil {
		return nil
	}
	p := &pointNow{judge: newJudge(e), Recorded: Recorded{Path: e.Path, Quantity: e.Quantity, Unit: e.Unit, Resolution: e.Resolution,
		Boot: s.row.Ordinal, Certain: s.row.WallCertain, Entry: e}}
	if n := int(id) + 1 - len(s.byID); n > 0 { // at most entriesMax
		s.byID = append(s.byID, make([]*pointNow, n)...)
	}
	s.byID[id] = p
	return p
}

func (s *scan) meaning(names uint32) *meaning {
	m := s.reasons[names]
	if m == nil {
		m = s.dict.meaning(names)
		s.reasons[names] = m
	}
	return m
}

// Points gives the paths of all points that were ever entered, sorted, each once.
func (b *Book) Points() ([]string, error) {
	var paths []string
	err := guard("reading the dictionary", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			for _, e := range loadDictionary(tx, func(error) {}).entries {
				paths = append(paths, e.Path)
			}
			return nil
		})
	})
	slices.Sort(paths)
	return slices.Compact(paths), err
}
