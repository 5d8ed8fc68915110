package logbook

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/reading"
)

const (
	// moveSlack is how long after its end an hour stays hot. A reading of a round that began before the end has been committed by then;
	// one that was not is kept with the next hour and nothing of it is lost.
	moveSlack = 2 * time.Minute
	// passMax is how many readings are held in memory at once while an hour is packed: some 24 MB. Larger sites go over the hour's blocks
	// as often as it takes.
	passMax = 1 << 19
	// deleteMax is how many blocks are deleted in one transaction of logbook.db: an hour at the usual flush. A commit waits for one of
	// these at most.
	deleteMax = 512
)

// window is an hour of one boot that is ready to leave the hot blocks.
type window struct {
	row     BootRow
	before  movedRow // what has left already
	hour    int64
	through uint64 // the last block it may be in
	first   BlockKey
	count   map[uint32]int // readings by dictionary id
	codes   codes
	dict    *dictionary
	rotten  []rotten
	lastUp  time.Duration
	firstUp time.Duration
}

// rotten is a hot block that cannot be read.
type rotten struct {
	key BlockKey
	up  time.Duration // of the commit, or of the one before it
	why error
}

// holds tells whether a reading belongs to the hour and has not left yet.
func (w *window) holds(key BlockKey, k *kept) bool {
	hour := w.row.hourOf(k.up)
	return hour <= w.hour && !w.before.has(key.Through, hour)
}

// nextWindow finds the oldest hour that is whole: nothing more can be committed for it. It gives nil when there is none.
func (b *Book) nextWindow() (*window, error) {
	var w *window
	var last now
	err := guard("looking for a full hour", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			k, _ := tx.Bucket(bucketHot).Cursor().First()
			if k == nil {
				return nil
			}
			ordinal, _, err := split96(k)
			if err != nil {
				return err
			}
			if last, _, err = readNow(tx); err != nil {
				return err
			}
			all, err := boots(tx)
			if err != nil {
				return err
			}
			w = &window{hour: math.MaxInt64, count: map[uint32]int{}, first: BlockKey{Boot: ordinal}, row: BootRow{Ordinal: ordinal}}
			for i := range all {
				if all[i].Ordinal == ordinal {
					w.row = all[i]
				}
			}
			w.before, err = movedOf(tx, ordinal)
			return err
		})
	})
	if err != nil || w == nil {
		return nil, err
	}
	current := w.row.Ordinal == b.ordinal()
	whole := false
	err = b.Blocks(w.first, func(block *Block) error {
		if block.Key.Boot != w.row.Ordinal || current && block.Key.Through > last.Through {
			return errEnough
		}
		w.dict = block.dictionary
		if err := w.look(block); err != nil {
			w.rotten = append(w.rotten, rotten{block.Key, max(w.lastUp, block.At.Up), err})
		}
		w.through = block.Key.Through
		if w.hour != math.MaxInt64 && block.At.Up >= w.row.hourEnd(w.hour)+moveSlack {
			whole = true
			return errEnough
		}
		return nil
	})
	if err != nil && err != errEnough {
		return nil, err
	}
	if !whole && current {
		return nil, nil
	}
	if w.hour == math.MaxInt64 { // only what has left already, or what is rotten
		w.hour = max(w.before.Hour, w.row.hourOf(w.lastUp))
	}
	return w, nil
}

// ordinal is that of the boot that commits; 0 before Begin, when every boot in the book has ended.
func (b *Book) ordinal() uint32 {
	b.writing.Lock()
	defer b.writing.Unlock()
	if b.boot == nil {
		return 0
	}
	return b.boot.Ordinal
}

// look counts what of a block belongs to the window. The first block with anything new decides which hour it is.
func (w *window) look(block *Block) error {
	if w.hour == math.MaxInt64 {
		earliest := int64(math.MaxInt64)
		err := block.walk(func(k kept) error {
			if hour := w.row.hourOf(k.up); !w.before.has(block.Key.Through, hour) {
				earliest = min(earliest, hour)
			}
			return nil
		})
		if err != nil {
			return err
		}
		if earliest == math.MaxInt64 {
			return nil
		}
		// A reading that came too late for its own hour goes with the next.
		if w.hour = earliest; w.before.Hour != math.MinInt64 {
			w.hour = max(w.hour, w.before.Hour+1)
		}
	}
	head, _, answered, usual, err := openBlock(block.Key.bytes(), block.raw)
	if err != nil {
		return err
	}
	c := codes{head.names, answered, usual}
	if len(w.count) > 0 && c != w.codes {
		return fmt.Errorf("%w: its numbers have other names than those of the same start", ErrBlock)
	}
	seen := map[uint32]int{}
	err = block.walk(func(k kept) error {
		if k.fault > math.MaxUint8 || k.reason > math.MaxUint8 {
			return fmt.Errorf("%w: fault %d, reason %d", ErrBlock, k.fault, k.reason)
		}
		if w.holds(block.Key, &k) {
			seen[k.id]++
			if len(w.count) == 0 && len(seen) == 1 && seen[k.id] == 1 {
				w.firstUp, w.lastUp = k.up, k.up
			}
			w.firstUp, w.lastUp = min(w.firstUp, k.up), max(w.lastUp, k.up)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(seen) > 0 {
		w.codes = c
	}
	for id, n := range seen { // sums do not depend on the order
		w.count[id] += n
	}
	return nil
}

// walk gives the samples of a block in its own numbers, or none and an error.
func (b *Block) walk(fn func(kept) error) error {
	_, err := walkBlock(b.Key.bytes(), b.raw, b.dictionary.slotOf, fn)
	return err
}

// passes cuts the window's points, in order, into lots that fit into memory.
func (w *window) passes() [][]uint32 {
	var all [][]uint32
	var lot []uint32
	n := 0
	for _, id := range sortedKeys(w.count) {
		if len(lot) > 0 && n+w.count[id] > passMax {
			all, lot, n = append(all, lot), nil, 0
		}
		lot = append(lot, id)
		n += w.count[id]
	}
	if len(lot) > 0 {
		all = append(all, lot)
	}
	return all
}

// collect reads the samples of one lot.
func (b *Book) collect(w *window, lot []uint32) (map[uint32][]kept, error) {
	of := make(map[uint32][]kept, len(lot))
	for _, id := range lot {
		of[id] = make([]kept, 0, w.count[id])
	}
	bad := map[BlockKey]bool{}
	for _, r := range w.rotten {
		bad[r.key] = true
	}
	err := b.Blocks(w.first, func(block *Block) error {
		if block.Key.Boot != w.row.Ordinal || block.Key.Through > w.through {
			return errEnough
		}
		if bad[block.Key] {
			return nil
		}
		return block.walk(func(k kept) error {
			if list, ok := of[k.id]; ok && w.holds(block.Key, &k) {
				of[k.id] = append(list, k)
			}
			return nil
		})
	})
	if err == errEnough {
		err = nil
	}
	return of, err
}

// Moved says what one Tend did.
type Moved struct {
	Hours   int    // hours that left the hot blocks
	Samples uint64 // readings in them
	Gaps    []Gap  // newly recorded
	Closed  []string
	Dropped []string // files that went, by age or for want of room
	Aside   []string // files that were set aside, with their reason
	Events  int      // events that were old enough to go
}

// move takes one full hour out of the hot blocks: into the files first, and only then out of logbook.db. It may end between any two
// steps and be done again: the same keys are written over, and until the last step nobody looks at them.
func (b *Book) move(k Keeping, m *Moved) (more bool, err error) {
	w, err := b.nextWindow()
	if err != nil || w == nil {
		return false, err
	}
	rows, book, err := b.list()
	if err != nil {
		return false, err
	}
	var changed []*fileRow
	if len(w.count) > 0 {
		readings, err := b.growing(rows, kindReadings, book, m)
		if err != nil {
			return false, err
		}
		together, err := b.growing(rows, kindHours, book, m)
		if err != nil {
			return false, err
		}
		samples := uint64(0)
		for _, lot := range w.passes() {
			of, err := b.collect(w, lot)
			if err != nil {
				return false, err
			}
			n, err := b.writeLot(readings.ID, together.ID, w, lot, of)
			if err != nil {
				return false, err
			}
			samples += n
		}
		if err := b.at("packed"); err != nil {
			return false, err
		}
		ref := hourRef{w.row.Ordinal, w.hour}
		covered := w.lastUp - w.firstUp
		readings.add(ref, w.lastUp, covered, samples)
		together.add(ref, w.lastUp, covered, 0)
		readings.Bytes, together.Bytes = b.sizeOf(readings.ID), b.sizeOf(together.ID)
		changed = []*fileRow{readings, together}
		m.Samples += samples
		m.Hours++
	}
	if err := b.giveUp(w, changed, m); err != nil {
		return false, err
	}
	for _, row := range changed {
		if row.Covered >= k.length(row.ID.kind) || row.Bytes > k.Budget/budgetParts && k.Budget > 0 && row.ID.kind == kindReadings {
			if err := b.closePart(row); err != nil {
				return true, err
			}
			m.Closed = append(m.Closed, row.ID.name())
		}
	}
	return true, nil
}

// at is where a test may stop.
func (b *Book) at(step string) error {
	if b.step == nil {
		return nil
	}
	return b.step(step)
}

// giveUp notes that the hour has moved and deletes its blocks. The note and the first deletions are one transaction: from then on the
// chunks are what counts, so that an hour is never packed again from what is left of its blocks.
func (b *Book) giveUp(w *window, changed []*fileRow, m *Moved) error {
	var gone [][]byte
	bad := map[BlockKey]bool{}
	for _, r := range w.rotten {
		bad[r.key] = true
	}
	after := movedRow{Hour: w.hour, Through: max(w.through, w.before.Through)}
	err := b.Blocks(w.first, func(block *Block) error {
		if block.Key.Boot != w.row.Ordinal || block.Key.Through > w.through {
			return errEnough
		}
		still := false // something in it belongs to a later hour
		if !bad[block.Key] {
			if err := block.walk(func(k kept) error {
				still = still || !after.has(block.Key.Through, w.row.hourOf(k.up))
				return nil
			}); err != nil {
				return err
			}
		}
		if !still {
			gone = append(gone, block.Key.bytes())
		}
		return nil
	})
	if err != nil && err != errEnough {
		return err
	}
	noted := false
	for !noted || len(gone) > 0 {
		n := min(len(gone), deleteMax)
		err := b.write("moving an hour", func(tx *bolt.Tx) error {
			if !noted {
				v, err := sealJSON(key32(w.row.Ordinal), after)
				if err != nil {
					return err
				}
				if err := tx.Bucket(bucketMoved).Put(key32(w.row.Ordinal), v); err != nil {
					return err
				}
				for _, row := range changed {
					if err := putFile(tx, row); err != nil {
						return err
					}
				}
				for _, r := range w.rotten {
					g := gapRow{From: bootMoment{w.row.Ordinal, r.up}, To: bootMoment{w.row.Ordinal, r.up}, Cause: GapDamaged, Detail: r.why.Error()}
					if err := putGap(tx, append([]byte{'b'}, r.key.bytes()...), g); err != nil {
						return err
					}
					m.Gaps = append(m.Gaps, g.gap(&w.row, &w.row))
				}
			}
			hot := tx.Bucket(bucketHot)
			for _, k := range gone[:n] {
				if err := hot.Delete(k); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		gone, noted = gone[n:], true
		if err := b.at("noted"); err != nil {
			return err
		}
	}
	return nil
}

// write runs one transaction that writes logbook.db, between two commits.
func (b *Book) write(doing string, fn func(*bolt.Tx) error) error {
	b.writing.Lock()
	defer b.writing.Unlock()
	return b.update(doing, fn)
}

// writeLot packs a lot of points into the files.
func (b *Book) writeLot(readings, together fileID, w *window, lot []uint32, of map[uint32][]kept) (uint64, error) {
	samples := uint64(0)
	names := w.dict.names[w.codes.names]
	if names == nil {
		return 0, fmt.Errorf("%w: names %d are missing", ErrBlock, w.codes.names)
	}
	reasons := make([]reading.Reason, math.MaxUint8+1)
	for i := range reasons {
		reasons[i], _ = reading.ParseReason(name(names.Reasons, uint64(i)))
	}
	sums := make([]togetherOf, 0, len(lot))
	chunks := make([][]byte, 0, len(lot))
	for _, id := range lot {
		e := w.dict.entries[id]
		if e == nil {
			return 0, fmt.Errorf("%w: dictionary entry %d is missing", ErrBlock, id)
		}
		list := of[id]
		slices.SortStableFunc(list, func(a, b kept) int {
			return int(min(1, max(-1, int64(a.up-b.up))))
		})
		samples += uint64(len(list))
		chunks = append(chunks, encodeChunk(chunkKey(w.row.Ordinal, w.hour, id), w.codes, e, list))
		j, t := newJudge(e), tally{}
		for i := range list {
			fault := reading.NotAsked
			if list[i].fault == w.codes.answered {
				fault = reading.Answered
			}
			why := reasons[list[i].reason]
			v, _ := j.value(list[i].raw, fault, why)
			t.add(v, why)
		}
		sums = append(sums, togetherOf{id, t})
	}
	err := b.writePart(readings, func(tx *bolt.Tx) error {
		if err := errors.Join(putEntries(tx, w.dict, lot), putNames(tx, w.dict, w.codes.names)); err != nil {
			return err
		}
		bucket := tx.Bucket(bucketChunks)
		bucket.FillPercent = 1 // keys only grow
		for i, id := range lot {
			if err := bucket.Put(chunkKey(w.row.Ordinal, w.hour, id), chunks[i]); err != nil {
				return err
			}
		}
		k := hourKey(w.row.Ordinal, w.hour)
		v, err := sealJSON(k, hourRow{Boot: w.row, Through: w.through})
		if err != nil {
			return err
		}
		return tx.Bucket(bucketCovered).Put(k, v)
	})
	if err != nil {
		return 0, err
	}
	if err := b.at("readings"); err != nil {
		return 0, err
	}
	return samples, b.writePart(together, func(tx *bolt.Tx) error {
		if err := putEntries(tx, w.dict, lot); err != nil {
			return err
		}
		return putTogether(tx, w.row.Ordinal, w.hour, sums)
	})
}

// hourRow is what a period file says of an hour, so that it can be read where logbook.db is lost.
type hourRow struct {
	Boot    BootRow `json:"boot"`
	Through uint64  `json:"through"`
}
