package logbook

import (
	"cmp"
	"context"
	"slices"
	"time"

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

// Hours calls fn for every hour of every point that touches the range, in order of time and of one hour by path. Hours still in the hot
// blocks are put together on the way.
func (b *Book) Hours(ctx context.Context, q Query, fn func(Hour) error) error {
	rows, err := b.Boots()
	if err != nil {
		return err
	}
	byOrdinal := make(map[uint32]*BootRow, len(rows))
	for i := range rows {
		byOrdinal[rows[i].Ordinal] = &rows[i]
	}
	if !q.From.IsZero() {
		q.From = q.From.Add(-hourLength) // an hour that began before the range is told whole
	}
	if !q.To.IsZero() {
		q.To = q.To.Add(hourLength)
	}
	h := hours{fn: fn, q: q}
	err = b.Scan(ctx, q, func(r Recorded) error { return h.add(byOrdinal[r.Boot], &r) })
	if err != nil {
		return err
	}
	return h.end()
}

// hours puts a scan together hour by hour.
type hours struct {
	q     Query
	fn    func(Hour) error
	row   *BootRow
	n     int64
	parts map[string]*part
}

type part struct {
	tally
	of Recorded // the last
}

func (h *hours) add(row *BootRow, r *Recorded) error {
	if n := row.hourOf(r.Up); h.row != row || n != h.n {
		if err := h.end(); err != nil {
			return err
		}
		h.row, h.n, h.parts = row, n, map[string]*part{}
	}
	p := h.parts[r.Path]
	if p == nil {
		p = &part{}
		h.parts[r.Path] = p
	}
	p.add(r.Value, r.Reason)
	p.of = *r
	return nil
}

func (h *hours) end() error {
	if h.row == nil {
		return nil
	}
	from, to := h.row.wall(max(0, h.row.hourEnd(h.n-1))), h.row.wall(h.row.hourEnd(h.n))
	if !h.q.To.IsZero() && reading.WallOf(h.q.To.Add(-hourLength)) <= from || !h.q.From.IsZero() && reading.WallOf(h.q.From.Add(hourLength)) >= to {
		return nil
	}
	all := make([]*part, 0, len(h.parts))
	for _, p := range h.parts {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b *part) int { return cmp.Compare(a.of.Path, b.of.Path) })
	for _, p := range all {
		err := h.fn(Hour{Path: p.of.Path, Quantity: p.of.Quantity, Unit: p.of.Unit, Resolution: p.of.Resolution, Boot: p.of.Boot,
			From: from, To: to, Certain: h.row.WallCertain, Good: p.good, Uncertain: p.uncertain, Bad: p.bad,
			Counted: p.counted, Min: p.min, Mean: p.mean(), Max: p.max, Last: p.last})
		if err != nil {
			return err
		}
	}
	return nil
}
