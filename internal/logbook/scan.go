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
// memory. A block that cannot be read is left out and told by Gaps, so that it costs itself alone. An error of fn ends the scan and
// comes back, as does the end of ctx.
func (b *Book) Scan(ctx context.Context, q Query, fn func(Recorded) error) error {
	rows, err := b.Boots()
	if err != nil {
		return err
	}
	want := q.wanted()
	for i := range rows {
		from, to, any := q.span(&rows[i])
		if !any {
			continue
		}
		s := scan{ctx: ctx, row: &rows[i], from: from, to: to, want: want, fn: fn, judges: map[*Entry]*judge{}}
		if err := b.scanHot(&s); err != nil {
			return err
		}
	}
	return nil
}

// wanted is nil when all points are.
func (q *Query) wanted() map[string]bool {
	if len(q.Points) == 0 {
		return nil
	}
	want := make(map[string]bool, len(q.Points))
	for _, p := range q.Points {
		want[p] = true
	}
	return want
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
	row      *BootRow
	from, to time.Duration
	want     map[string]bool
	fn       func(Recorded) error
	judges   map[*Entry]*judge
	waiting  []queued
}

type queued struct {
	Kept
	id uint32
}

// scanHot gives out what stands in the hot blocks of a boot.
func (b *Book) scanHot(s *scan) error {
	var before time.Duration
	err := b.blocksOf(s.row.Ordinal, func(block *Block) error {
		if err := s.ctx.Err(); err != nil {
			return err
		}
		if before > s.to && before-s.to > lateMax {
			return errEnough
		}
		before = block.At.Up
		if block.At.Up < s.from { // nothing in it is younger than its commit
			return nil
		}
		_ = block.each(func(id uint32, k Kept) error { // a rotten block costs itself
			s.take(id, k)
			return nil
		})
		return s.emit(block.At.Up - lateMax)
	})
	if err != nil && err != errEnough {
		return err
	}
	return s.emit(math.MaxInt64)
}

var errEnough = fmt.Errorf("enough") // ends a walk from inside; never leaves this room

func (s *scan) take(id uint32, k Kept) {
	if k.Up < s.from || k.Up >= s.to || s.want != nil && !s.want[k.Point.Path] {
		return
	}
	s.waiting = append(s.waiting, queued{k, id})
}

// emit gives out all that is older than a moment.
func (s *scan) emit(before time.Duration) error {
	slices.SortStableFunc(s.waiting, func(a, b queued) int { return cmp.Or(cmp.Compare(a.Up, b.Up), cmp.Compare(a.id, b.id)) })
	n, _ := slices.BinarySearchFunc(s.waiting, before, func(k queued, t time.Duration) int { return cmp.Compare(k.Up, t) })
	n = max(n, len(s.waiting)-lateCount)
	for i := range n {
		if i%1024 == 0 && s.ctx.Err() != nil {
			return s.ctx.Err()
		}
		if err := s.fn(s.recorded(s.waiting[i].Kept)); err != nil {
			return err
		}
	}
	s.waiting = slices.Delete(s.waiting, 0, n)
	return nil
}

func (s *scan) recorded(k Kept) Recorded {
	j := s.judges[k.Point]
	if j == nil {
		made := newJudge(k.Point)
		j = &made
		s.judges[k.Point] = j
	}
	r := Recorded{Path: k.Point.Path, Quantity: k.Point.Quantity, Unit: k.Point.Unit, Resolution: k.Point.Resolution,
		Boot: s.row.Ordinal, Slot: k.Slot, Up: k.Up, At: s.row.wall(k.Up), Certain: s.row.WallCertain,
		Raw: k.Raw, Fault: k.Fault, Reason: k.Reason, FaultName: k.FaultName, ReasonName: k.ReasonName, Entry: k.Point}
	r.Value, r.Bound = j.value(k.Raw, k.Fault, k.Reason)
	return r
}

// blocksOf gives the hot blocks of one boot.
func (b *Book) blocksOf(ordinal uint32, fn func(*Block) error) error {
	return b.Blocks(BlockKey{Boot: ordinal}, func(block *Block) error {
		if block.Key.Boot != ordinal {
			return errEnough
		}
		return fn(block)
	})
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
