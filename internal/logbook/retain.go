package logbook

import (
	"context"
	"errors"
	"os"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// Keeping says what is kept for how long. A zero length keeps for ever, a zero budget knows no bound.
type Keeping struct {
	Readings time.Duration
	Hours    time.Duration // hours put together
	Events   time.Duration // events and excursions
	Budget   int64         // bytes of the whole directory

	file time.Duration // tests: how long a file covers, in place of the lengths below
}

const (
	// A period file covers a week: a year is some fifty files, and what goes at once is a fiftieth of it.
	periodLength = 7 * 24 * time.Hour
	yearLength   = 365 * 24 * time.Hour
	// budgetParts bounds a growing file to this part of the budget, whatever it covers, so that a small budget still has whole files to
	// give up.
	budgetParts = 8
	// eventsAtOnce bounds what one Tend deletes in logbook.db: what is deleted there leaves room that only later rows of the same size
	// fill, and the list of it is written with every commit.
	eventsAtOnce = 200
	// agedEvery is how often age takes a file: a clock that is set to another century and called certain costs a week of readings an hour
	// until somebody sees it, and not all at once.
	agedEvery = time.Hour
	// movesAtOnce bounds one Tend, so that it can be stopped: after a long stand it comes back for the rest.
	movesAtOnce = 24
)

func (k Keeping) length(kind byte) time.Duration {
	switch {
	case k.file > 0:
		return k.file
	case kind == kindHours:
		return yearLength
	}
	return periodLength
}

// Tend does what keeps the logbook small, a step at a time: it moves full hours out of logbook.db, closes files that cover enough, sets
// unreadable ones aside and lets go what is old enough or more than the budget. up is the present moment of the boot that was begun. It
// is for a goroutine of its own: it never holds what a commit waits for longer than one small transaction takes. Done again after an
// error or a crash it goes on where it was. more says that there was more to move than it does at once.
func (b *Book) Tend(ctx context.Context, up time.Duration, k Keeping) (m Moved, more bool, err error) {
	b.tending.Lock()
	defer b.tending.Unlock()
	err = errors.Join(b.asideAll(&m), b.noteRotten(&m))
	for range movesAtOnce {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			break
		}
		if more, err = b.move(k, &m); !more {
			break
		}
	}
	// What is in the way goes even when nothing could be moved: perhaps for want of room.
	now := b.wallNow(up)
	return m, more, errors.Join(err, b.letGoFiles(now, up, k, &m), b.letGoEvents(now, k, &m))
}

// wallNow is the wall clock by the table of boots, and nil while that is not certain: then nothing is old.
func (b *Book) wallNow(up time.Duration) *reading.Wall {
	b.writing.Lock()
	defer b.writing.Unlock()
	if b.boot == nil || !b.boot.WallCertain {
		return nil
	}
	now := b.boot.wall(up)
	return &now
}

// list reads the files and whose they are: the nonce of the first start.
func (b *Book) list() (rows []fileRow, book string, err error) {
	err = guard("reading the list of files", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			if rows, err = files(tx); err != nil {
				return err
			}
			all, err := boots(tx)
			if err == nil && len(all) > 0 {
				book = all[0].Nonce
			}
			return err
		})
	})
	return rows, book, err
}

// letGoFiles deletes whole files by age and then for want of room, oldest first. A wrong clock must not empty the logbook: age is asked only
// by a certain clock, of readings whose own clock was put right, and takes one file of a kind in an hour.
func (b *Book) letGoFiles(now *reading.Wall, up time.Duration, k Keeping, m *Moved) error {
	rows, _, err := b.list()
	if err != nil {
		return err
	}
	all, err := b.Boots()
	if err != nil {
		return err
	}
	for _, kind := range []byte{kindReadings, kindHours} {
		keep := k.Readings
		if kind == kindHours {
			keep = k.Hours
		}
		for i := range rows {
			row := &rows[i]
			if row.ID.kind != kind || row.State != stateClosed {
				continue
			}
			due := b.aged[kind] == 0 || up-b.aged[kind] >= agedEvery
			if now != nil && keep > 0 && due && olderThan(all, row, *now-reading.Wall(keep)) {
				b.aged[kind] = max(up, 1)
				if err := b.letGoFile(row, GapRetention, m); err != nil {
					return err
				}
			}
			break // the oldest decides
		}
	}
	for k.Budget > 0 {
		total := int64(0)
		var oldest *fileRow
		for _, kind := range []byte{kindReadings, kindHours} { // the hours put together go last: they say most in the least room
			for i := range rows {
				row := &rows[i]
				if row.ID.kind != kind || !row.live() {
					continue
				}
				total += row.Bytes
				if oldest == nil && row.State == stateClosed {
					oldest = row
				}
			}
		}
		if info, err := os.Stat(b.path); err == nil {
			total += info.Size()
		}
		if total <= k.Budget || oldest == nil {
			return nil
		}
		if err := b.letGoFile(oldest, GapBudget, m); err != nil {
			return err
		}
	}
	return nil
}

// olderThan tells whether the last reading of a file is from before a moment. Where its own boot never learned the time, the next that did was
// later still.
func olderThan(all []BootRow, row *fileRow, moment reading.Wall) bool {
	for i := range all {
		switch boot := &all[i]; {
		case boot.Ordinal < row.Last.Boot || !boot.WallCertain:
		case boot.Ordinal == row.Last.Boot:
			return boot.wall(row.LastUp) < moment
		default:
			return boot.WallAtZero < moment
		}
	}
	return false
}

// letGoFile notes the gap, then deletes.
func (b *Book) letGoFile(row *fileRow, cause string, m *Moved) error {
	row.State = stateGone
	if err := b.noteGap(row, cause, m); err != nil {
		return err
	}
	b.shelfLock.Lock()
	b.drop(row.ID)
	b.shelfLock.Unlock()
	if err := b.at("gone"); err != nil {
		return err
	}
	if err := ignoreMissing(os.Remove(b.part(row.ID))); err != nil {
		return explain(b.part(row.ID), err)
	}
	m.Dropped = append(m.Dropped, row.ID.name())
	return nil
}

// letGoEvents deletes events and the records of their excursions that are old enough, a few at a time. An excursion that is open
// stays, and so does all after it.
func (b *Book) letGoEvents(now *reading.Wall, k Keeping, m *Moved) error {
	if now == nil || k.Events <= 0 {
		return nil
	}
	all, err := b.Boots()
	if err != nil {
		return err
	}
	before := *now - reading.Wall(k.Events)
	page, err := b.Events(event.ID{}, eventsAtOnce)
	if err != nil || len(page) == 0 {
		return err
	}
	return b.write("letting events go", func(tx *bolt.Tx) error {
		events, excursions := tx.Bucket(bucketEvents), tx.Bucket(bucketExcursions)
		n := uint64(0)
		var last bootMoment
		var boot *BootRow
		for i := range page {
			e := &page[i]
			ordinal := ordinalOf(tx, e.ID.Boot)
			if boot = bootOf(all, ordinal); !boot.WallCertain || boot.wall(e.At.Up) >= before {
				break
			}
			key := key96(ordinal, e.ID.Seq)
			stop, err := letGoExcursion(excursions, key)
			if err != nil {
				return err
			}
			if stop {
				break
			}
			if err := events.Delete(key); err != nil {
				return err
			}
			n++
			last = bootMoment{ordinal, e.At.Up}
		}
		if n == 0 {
			return nil
		}
		m.Events += int(n)
		g := gapRow{To: last, Cause: GapEvents}
		if v := tx.Bucket(bucketGaps).Get([]byte{'e'}); v != nil { // one row for all that ever went
			if err := unsealJSON([]byte{'e'}, v, &g); err != nil {
				return err
			}
			g.To = last
		} else {
			g.From = bootMoment{ordinalOf(tx, page[0].ID.Boot), page[0].At.Up}
		}
		g.Events += n
		return putGap(tx, []byte{'e'}, g)
	})
}

// letGoExcursion deletes the records that one event raised; stop says that one is still open.
func letGoExcursion(excursions *bolt.Bucket, event []byte) (stop bool, err error) {
	var gone [][]byte
	c := excursions.Cursor()
	for k, v := c.Seek(event); len(k) > len(event) && string(k[:len(event)]) == string(event); k, v = c.Next() {
		x, err := readExcursion(k, v)
		if err != nil || x.Open {
			return true, err
		}
		gone = append(gone, slices.Clone(k))
	}
	for _, k := range gone {
		if err := excursions.Delete(k); err != nil {
			return false, err
		}
	}
	return false, nil
}
