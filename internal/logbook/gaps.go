package logbook

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/reading"
)

// Gap is a stretch of time for which the logbook has no readings, and why.
type Gap struct {
	From, To reading.Wall
	Certain  bool   // both ends are by certain wall clocks
	Cause    string // one of those below
	Detail   string
	Readings uint64 // how many are known to be missing; 0 where nobody knows
	Events   uint64 // with GapEvents: how many events are not kept any more
}

// Causes of a gap.
const (
	GapNotRunning = "not running"      // no daemon was running, or it had not committed yet
	GapRetention  = "kept long enough" // the readings were older than they are kept
	GapBudget     = "disk budget"      // they gave way to newer ones, because the logbook may not take more room
	GapDamaged    = "damaged"          // a file or a part of it cannot be read
	GapMissing    = "missing"          // a file that was here is not here any more
	GapEvents     = "events kept long enough"
)

// bootMoment is a moment by the clock of a boot.
type bootMoment struct {
	Boot uint32        `json:"boot"`
	Up   time.Duration `json:"up_ns"`
}

// gapRow is a gap on disk. Its ends are moments of boots, so that they are re-stamped with them.
type gapRow struct {
	From     bootMoment `json:"from"`
	To       bootMoment `json:"to"`
	Cause    string     `json:"cause"`
	Detail   string     `json:"detail,omitempty"`
	Readings uint64     `json:"readings,omitempty"`
	Events   uint64     `json:"events,omitempty"`
}

func (g *gapRow) gap(first, last *BootRow) Gap {
	return Gap{From: first.wall(g.From.Up), To: last.wall(g.To.Up), Certain: first.WallCertain && last.WallCertain,
		Cause: g.Cause, Detail: g.Detail, Readings: g.Readings, Events: g.Events}
}

func putGap(tx *bolt.Tx, key []byte, g gapRow) error {
	v, err := sealJSON(key, g)
	if err != nil {
		return err
	}
	return tx.Bucket(bucketGaps).Put(key, v)
}

// bootOf finds the row of a boot; an unknown one has a row of zeros, whose wall clock is not certain.
func bootOf(all []BootRow, ordinal uint32) *BootRow {
	for i := range all {
		if all[i].Ordinal == ordinal {
			return &all[i]
		}
	}
	return &BootRow{Ordinal: ordinal}
}

// Gaps gives the gaps that touch a range of the wall clock, oldest first; a zero time leaves that end open. A file that this book found
// unreadable and has not set aside yet is among them.
func (b *Book) Gaps(ctx context.Context, from, to time.Time) ([]Gap, error) {
	rows, err := b.Boots()
	if err != nil {
		return nil, err
	}
	var gaps []Gap
	add := func(g Gap) {
		if (from.IsZero() || !g.To.Time().Before(from)) && (to.IsZero() || g.From.Time().Before(to)) {
			gaps = append(gaps, g)
		}
	}
	var last *BootRow // the last boot that committed anything
	for i := range rows {
		row := &rows[i]
		if last != nil && row.Last != nil {
			g := Gap{From: last.wallAt(last.Last.At), To: row.WallAtZero, Certain: last.WallCertain && row.WallCertain, Cause: GapNotRunning}
			if g.To > g.From {
				add(g)
			}
		}
		if row.Last != nil {
			last = row
		}
	}
	var parts []fileRow
	known := map[string]bool{}
	err = guard("reading gaps", func() error {
		return b.db.View(func(tx *bolt.Tx) (err error) {
			if parts, err = files(tx); err != nil || tx.Bucket(bucketGaps) == nil {
				return err
			}
			return tx.Bucket(bucketGaps).ForEach(func(k, v []byte) error {
				var g gapRow
				if err := unsealJSON(k, v, &g); err != nil {
					return err
				}
				known[string(k)] = true
				add(g.gap(bootOf(rows, g.From.Boot), bootOf(rows, g.To.Boot)))
				return nil
			})
		})
	})
	if err != nil {
		return nil, err
	}
	b.shelfLock.Lock()
	for i := range parts {
		p := &parts[i]
		if why := b.suspect[p.ID]; why != nil && p.live() && p.ID.kind == kindReadings {
			first, last := bootOf(rows, p.First.Boot), bootOf(rows, p.Last.Boot)
			add(Gap{From: first.wall(max(0, first.hourEnd(p.First.Hour-1))), To: last.wall(p.LastUp), Certain: first.WallCertain && last.WallCertain,
				Cause: GapDamaged, Detail: why.Error(), Readings: p.Samples})
		}
	}
	for _, k := range sortedKeys(b.rotten) {
		if g := b.rotten[k]; !known["c"+k] {
			add(g.gap(bootOf(rows, g.From.Boot), bootOf(rows, g.To.Boot)))
		}
	}
	b.shelfLock.Unlock()
	slices.SortStableFunc(gaps, func(a, b Gap) int { return cmp.Compare(a.From, b.From) })
	return gaps, ctx.Err()
}

// rottenMax bounds what is remembered of chunks that cannot be read; a file with more of them is lost as a whole.
const rottenMax = 1000

// rottenChunk remembers that an hour of a point cannot be read. Tend puts it on disk.
func (b *Book) rottenChunk(row *BootRow, hour int64, id uint32, why error) {
	b.shelfLock.Lock()
	defer b.shelfLock.Unlock()
	if len(b.rotten) < rottenMax {
		b.rotten[string(chunkKey(row.Ordinal, hour, id))] = gapRow{From: bootMoment{row.Ordinal, max(0, row.hourEnd(hour-1))}, To: bootMoment{row.Ordinal, row.hourEnd(hour)},
			Cause: GapDamaged, Detail: fmt.Sprintf("an hour of point %d: %v", id, why)}
	}
}

// noteRotten puts on disk what readers found.
func (b *Book) noteRotten(m *Moved) error {
	b.shelfLock.Lock()
	found := maps.Clone(b.rotten)
	b.shelfLock.Unlock()
	if len(found) == 0 {
		return nil
	}
	all, err := b.Boots()
	if err != nil {
		return err
	}
	var fresh []string
	err = b.write("recording gaps", func(tx *bolt.Tx) error {
		for _, k := range sortedKeys(found) {
			if tx.Bucket(bucketGaps).Get(append([]byte{'c'}, k...)) != nil {
				continue
			}
			fresh = append(fresh, k)
			if err := putGap(tx, append([]byte{'c'}, k...), found[k]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	b.shelfLock.Lock()
	defer b.shelfLock.Unlock()
	for _, k := range fresh {
		g := found[k]
		m.Gaps = append(m.Gaps, g.gap(bootOf(all, g.From.Boot), bootOf(all, g.To.Boot)))
	}
	for k := range found { // deleting does not depend on the order
		delete(b.rotten, k)
	}
	return nil
}
