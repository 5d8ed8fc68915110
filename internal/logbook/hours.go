package logbook

import (
	"cmp"
	"context"
	"encoding/binary"
	"math"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/reading"
)

// hourLength is the length of what is put together: a day of one point is 24 rows, a year some 9000.
const hourLength = time.Hour

// Hour says in one row what a point did in an hour.
type Hour struct {
	Path       string
	Quantity   string
	Unit       string
	Resolution float64

	Boot     uint32
	From, To reading.Wall // the hour, cut at the start of the boot
	Certain  bool         // the wall clock is certain

	Good, Uncertain, Bad uint32 // readings of each quality
	Counted              uint32 // those that counted for limits; the four below are over them, and 0 where there is none
	Min, Mean, Max, Last float64
}

// hourOf numbers the hours of a boot. The row's phase puts their ends on the full hours of the wall clock as the boot found it; where that
// was wrong they end a fixed part of an hour beside them, and no number ever changes.
func (r *BootRow) hourOf(up time.Duration) int64 {
	n, rest := int64((up+r.Phase)/hourLength), (up+r.Phase)%hourLength
	if rest < 0 {
		n--
	}
	return n
}

// phaseOf is how long before a moment the wall clock showed a full hour.
func phaseOf(w reading.Wall) time.Duration {
	phase := time.Duration(w) % hourLength
	if phase < 0 {
		phase += hourLength
	}
	return phase
}

// hourEnd is the moment of the boot at which an hour ends.
func (r *BootRow) hourEnd(n int64) time.Duration {
	return time.Duration(n+1)*hourLength - r.Phase
}

// tally puts readings of one point together.
type tally struct {
	good, uncertain, bad, counted uint32
	min, max, last, sum           float64
}

// add counts one reading. What is not of the sample, or whose sensor cannot be believed, does not count for limits and is in no mean.
func (t *tally) add(value float64, why reading.Reason) {
	switch why.Quality() {
	case reading.Good:
		t.good++
	case reading.Uncertain:
		t.uncertain++
	default:
		t.bad++
		return
	}
	if !why.Row().Counts {
		return
	}
	if t.counted == 0 {
		t.min, t.max = value, value
	}
	t.counted++
	t.min, t.max, t.last = min(t.min, value), max(t.max, value), value
	t.sum += value
}

func (t *tally) mean() float64 {
	if t.counted == 0 {
		return 0
	}
	return t.sum / float64(t.counted)
}

// Hours calls fn for every hour of every point that touches the range, boot by boot in order of time and of one hour by path. Hours still
// in the hot blocks are put together on the way. Bounds, errors and what cannot be read are as with Scan.
func (b *Book) Hours(ctx context.Context, q Query, fn func(Hour) error) error {
	rows, err := b.Boots()
	if err != nil {
		return err
	}
	for i := range rows {
		row := &rows[i]
		from, to, any := q.span(row)
		if !any {
			continue
		}
		first, last := row.hourOf(max(from, -hourLength)), int64(math.MaxInt64)
		if to < math.MaxInt64-hourLength {
			last = row.hourOf(to - 1)
		}
		s := scan{ctx: ctx, book: b, row: row, from: max(0, row.hourEnd(first-1)), to: math.MaxInt64, points: q.Points}
		if last < math.MaxInt64 {
			s.to = row.hourEnd(last)
		}
		if err := s.hours(first, last, fn); err != nil {
			return err
		}
	}
	return nil
}

// hoursAtOnce is how many hours are copied out of a file at once: a month and a half, 2 MB of one panel.
const hoursAtOnce = 1024

func (s *scan) hours(first, last int64, fn func(Hour) error) error {
	st, err := s.book.stateOf(s.row.Ordinal, nil)
	if err != nil {
		return err
	}
	s.reasons = map[uint32]*meaning{}
	s.know(st.dict)
	h := hours{scan: s, fn: fn}
	for i := range st.files {
		f := &st.files[i]
		if f.ID.kind != kindHours || !f.live() || f.Last.compare(hourRef{s.row.Ordinal, first}) < 0 || f.First.compare(hourRef{s.row.Ordinal, last}) > 0 {
			continue
		}
		until := last
		if f.Last.Boot == s.row.Ordinal {
			until = min(until, f.Last.Hour)
		}
		for at := first; at <= until; {
			if err := s.ctx.Err(); err != nil {
				return err
			}
			page, next, err := s.book.togetherPage(f.ID, s.row.Ordinal, at, until)
			if err != nil {
				break // Gaps and the list of files tell of it
			}
			for i := range page {
				if err := h.put(page[i].hour, page[i].row); err != nil {
					return err
				}
			}
			at = next
		}
	}
	if err := h.end(); err != nil {
		return err
	}
	if st.moved.Hour >= last {
		return nil
	}
	if st.moved.Hour > math.MinInt64 {
		s.from = max(s.from, s.row.hourEnd(st.moved.Hour)) // one that came too late for its hour is in no sum until it moves
	}
	s.fn = func(r Recorded) error { return h.add(&r, s.given.id) }
	if err := s.run(); err != nil {
		return err
	}
	return h.end()
}

// togetherAt is a row of hours put together, copied out.
type togetherAt struct {
	hour int64
	row  []byte
}

// togetherPage copies hours out of a file and says with which hour to go on.
func (b *Book) togetherPage(file fileID, ordinal uint32, from, to int64) (page []togetherAt, next int64, err error) {
	if to-from >= hoursAtOnce {
		to = from + hoursAtOnce - 1
	}
	err = b.inPart(file, func(tx *bolt.Tx) error {
		return eachTogether(tx, ordinal, from, to, func(hour int64, row []byte) {
			page = append(page, togetherAt{hour, slices.Clone(row)})
		})
	})
	return page, to + 1, err
}

// hours puts a scan together hour by hour.
type hours struct {
	scan  *scan
	fn    func(Hour) error
	n     int64
	parts []*hourNow // of this hour, in any order
	of    []*hourNow // by id, once seen
	ranks []*hourNow // all, by path
	stale bool       // a new one is not in ranks yet
}

// hourNow is the hour of one point, kept from hour to hour.
type hourNow struct {
	id    uint32
	rank  int
	entry *Entry
	tally
}

func (h *hours) turn(n int64) error {
	if n == h.n {
		return nil
	}
	err := h.end()
	h.n = n
	return err
}

// now gives the place of a point in this hour; nil when the dictionary does not have it.
func (h *hours) now(id uint32) *hourNow {
	if int(id) < len(h.of) && h.of[id] != nil {
		return h.of[id]
	}
	e := h.scan.dict.entries[id]
	if e == nil {
		return nil
	}
	if n := int(id) + 1 - len(h.of); n > 0 { // at most entriesMax
		h.of = append(h.of, make([]*hourNow, n)...)
	}
	p := &hourNow{id: id, entry: e}
	h.of[id] = p
	h.ranks = append(h.ranks, p)
	h.stale = true
	return p
}

// put takes a row of hours that were put together before.
func (h *hours) put(n int64, row []byte) error {
	if n != h.n {
		if err := h.turn(n); err != nil {
			return err
		}
	}
	for ; len(row) > 0; row = row[togetherSize:] {
		id := binary.BigEndian.Uint32(row)
		if !h.scan.wants(id) {
			continue
		}
		if p := h.now(id); p != nil {
			p.tally = readTogether(row).tally
			h.parts = append(h.parts, p)
		}
	}
	return nil
}

func (h *hours) add(r *Recorded, id uint32) error {
	if err := h.turn(h.scan.row.hourOf(r.Up)); err != nil {
		return err
	}
	p := h.now(id)
	if p == nil {
		return nil
	}
	if p.good+p.uncertain+p.bad == 0 {
		h.parts = append(h.parts, p)
	}
	p.tally.add(r.Value, r.Reason)
	return nil
}

// end gives out an hour.
func (h *hours) end() error {
	if len(h.parts) == 0 {
		return nil
	}
	if h.stale {
		slices.SortStableFunc(h.ranks, func(a, b *hourNow) int {
			return cmp.Or(cmp.Compare(a.entry.Path, b.entry.Path), cmp.Compare(a.id, b.id))
		})
		for i, p := range h.ranks {
			p.rank = i
		}
		h.stale = false
	}
	byRank := func(a, b *hourNow) int { return a.rank - b.rank }
	if !slices.IsSortedFunc(h.parts, byRank) {
		slices.SortFunc(h.parts, byRank)
	}
	row := h.scan.row
	out := Hour{Boot: row.Ordinal, From: row.wall(max(0, row.hourEnd(h.n-1))), To: row.wall(row.hourEnd(h.n)), Certain: row.WallCertain}
	for _, p := range h.parts {
		out.Path, out.Quantity, out.Unit, out.Resolution = p.entry.Path, p.entry.Quantity, p.entry.Unit, p.entry.Resolution
		out.Good, out.Uncertain, out.Bad, out.Counted = p.good, p.uncertain, p.bad, p.counted
		out.Min, out.Mean, out.Max, out.Last = p.min, p.mean(), p.max, p.last
		p.tally = tally{}
		if err := h.fn(out); err != nil {
			return err
		}
	}
	h.parts = h.parts[:0]
	return nil
}
