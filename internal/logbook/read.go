package logbook

import (
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// Bounds of one page, that is of one read transaction.
const (
	// PageMax is the most rows one call gives. An event has some 1 kB, so a page is about 1 MB.
	PageMax = 1000
	// blocksMax and blockBytesMax bound what is copied out at once while blocks are read, whichever comes first.
	blocksMax     = 64
	blockBytesMax = 1 << 20
)

func bounded(limit int) int {
	if limit <= 0 || limit > PageMax {
		return PageMax
	}
	return limit
}

// Events gives up to limit events after one, oldest first; the zero ID is before all. At most PageMax come at once, and the
// last one's ID asks for those that follow. An ID of a boot that is not in this book gives none.
func (b *Book) Events(after event.ID, limit int) ([]event.Event, error) {
	var events []event.Event
	err := guard("reading events", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			from := key96(0, 0)
			if !after.IsZero() {
				ordinal := ordinalOf(tx, after.Boot)
				if ordinal == 0 {
					return nil
				}
				from = key96(ordinal, after.Seq+1)
			}
			c := tx.Bucket(bucketEvents).Cursor()
			for k, v := c.Seek(from); k != nil && len(events) < bounded(limit); k, v = c.Next() {
				e, err := readEvent(k, v)
				if err != nil {
					return err
				}
				events = append(events, e)
			}
			return nil
		})
	})
	return events, err
}

// LastEvents gives up to limit events before one, newest first; the zero ID is after all.
func (b *Book) LastEvents(before event.ID, limit int) ([]event.Event, error) {
	var events []event.Event
	err := guard("reading events", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			c := tx.Bucket(bucketEvents).Cursor()
			k, v := c.Last()
			if !before.IsZero() {
				ordinal := ordinalOf(tx, before.Boot)
				if ordinal == 0 {
					return nil
				}
				if k, _ = c.Seek(key96(ordinal, before.Seq)); k == nil {
					k, v = c.Last()
				} else {
					k, v = c.Prev()
				}
			}
			for ; k != nil && len(events) < bounded(limit); k, v = c.Prev() {
				e, err := readEvent(k, v)
				if err != nil {
					return err
				}
				events = append(events, e)
			}
			return nil
		})
	})
	return events, err
}

func readEvent(k, v []byte) (event.Event, error) {
	var e event.Event
	ordinal, seq, err := split96(k)
	if err != nil {
		return e, fmt.Errorf("events: %w", err)
	}
	if err := unsealJSON(k, v, &e); err != nil {
		return e, fmt.Errorf("event %d of boot %d: %w", seq, ordinal, err)
	}
	return e, nil
}

func readExcursion(k, v []byte) (event.Excursion, error) {
	var x event.Excursion
	if err := unsealJSON(k, v, &x); err != nil {
		return x, fmt.Errorf("excursion %x: %w", k, err)
	}
	return x, nil
}

// Excursions gives up to limit records after the one with an ID, in the order in which they were raised; "" is before all.
func (b *Book) Excursions(after string, limit int) ([]event.Excursion, error) {
	var xs []event.Excursion
	err := guard("reading excursions", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			c := tx.Bucket(bucketExcursions).Cursor()
			k, v := c.First()
			if after != "" {
				from := excursionKey(after, func(nonce string) uint32 { return ordinalOf(tx, nonce) })
				if k, v = c.Seek(from); string(k) == string(from) {
					k, v = c.Next()
				}
			}
			for ; k != nil && len(xs) < bounded(limit); k, v = c.Next() {
				x, err := readExcursion(k, v)
				if err != nil {
					return err
				}
				xs = append(xs, x)
			}
			return nil
		})
	})
	return xs, err
}

// BlockKey is the place of a block: the ordinal of its boot and the highest outcome in it. The zero key is before all.
type BlockKey struct {
	Boot    uint32
	Through uint64
}

func (k BlockKey) bytes() []byte { return key96(k.Boot, k.Through) }

// Block is one commit's samples, copied out of the file.
type Block struct {
	Key     BlockKey
	At      reading.Stamp // of the commit
	Certain bool          // the wall clock was certain then

	raw        []byte
	dictionary *dictionary
}

// Kept is one sample as it was written, with the entry of its point as it was then.
type Kept struct {
	Point      *Entry
	Slot       uint64
	Up         time.Duration // on the grid
	Raw        uint64
	Fault      reading.Fault  // NotAsked where this program has no fault of that name
	Reason     reading.Reason // Unknown where this program has no reason of that name
	FaultName  string
	ReasonName string
}

// Size is the size of the block on disk, in bytes.
func (b *Block) Size() int { return len(b.raw) }

// Each calls fn for every sample, those of one point in the order in which they were committed. An error of fn ends it and
// comes back; a rotten block is ErrBlock, after what could be read.
func (b *Block) Each(fn func(Kept) error) error {
	return b.each(func(_ uint32, k Kept) error { return fn(k) })
}

// each also gives the point's number in the dictionary.
func (b *Block) each(fn func(id uint32, k Kept) error) error {
	head, _, _, _, err := openBlock(b.Key.bytes(), b.raw)
	if err != nil {
		return err
	}
	table := b.dictionary.names[head.names]
	if table == nil {
		return fmt.Errorf("%w: names %d are missing", ErrBlock, head.names)
	}
	_, err = walkBlock(b.Key.bytes(), b.raw, b.dictionary.slotOf, func(k kept) error {
		s := Kept{Point: b.dictionary.entries[k.id], Slot: k.slot, Up: k.up, Raw: k.raw,
			FaultName: name(table.Faults, k.fault), ReasonName: name(table.Reasons, k.reason)}
		s.Fault, _ = reading.ParseFault(s.FaultName)
		s.Reason, _ = reading.ParseReason(s.ReasonName)
		return fn(k.id, s)
	})
	return err
}

// Blocks calls fn for every block after a key, oldest first. Blocks are copied out a page at a time, so that fn may take its
// time without a transaction standing open, and memory stays bounded by a page and the dictionary. Blocks that are committed
// meanwhile are seen. A rotten block comes with its key and fails in Each, so that it costs itself and not those behind it.
func (b *Book) Blocks(after BlockKey, fn func(*Block) error) error {
	var known *dictionary
	for {
		var page []*Block
		err := guard("reading blocks", func() (err error) {
			page, known, err = b.page(after, known)
			return err
		})
		if err != nil || len(page) == 0 {
			return err
		}
		for _, block := range page {
			after = block.Key
			if err := fn(block); err != nil {
				return err
			}
		}
	}
}

func (b *Book) page(after BlockKey, known *dictionary) (page []*Block, d *dictionary, err error) {
	err = b.db.View(func(tx *bolt.Tx) error {
		page, d, err = pageIn(tx, after, known)
		return err
	})
	return page, d, err
}

// hotPage gives a page of blocks of one boot, and where its readings were at that very moment.
func (b *Book) hotPage(after BlockKey, known *dictionary) (page []*Block, st state, err error) {
	err = guard("reading blocks", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			if page, st.dict, err = pageIn(tx, after, known); err != nil {
				return err
			}
			st.moved, err = movedOf(tx, after.Boot)
			return err
		})
	})
	for i, block := range page {
		if block.Key.Boot != after.Boot {
			page = page[:i]
			break
		}
	}
	return page, st, err
}

func pageIn(tx *bolt.Tx, after BlockKey, known *dictionary) (page []*Block, d *dictionary, err error) {
	size := 0
	c := tx.Bucket(bucketHot).Cursor()
	k, v := c.Seek(after.bytes())
	if after != (BlockKey{}) && string(k) == string(after.bytes()) {
		k, v = c.Next()
	}
	for ; k != nil && len(page) < blocksMax && size < blockBytesMax; k, v = c.Next() {
		ordinal, seq, err := split96(k)
		if err != nil {
			return nil, known, fmt.Errorf("hot: %w", err)
		}
		block := &Block{Key: BlockKey{ordinal, seq}, raw: append([]byte(nil), v...)}
		size += len(v)
		if head, _, _, _, err := openBlock(k, block.raw); err == nil {
			block.At, block.Certain = head.at, head.certain
		}
		page = append(page, block)
	}
	if d = known; len(page) > 0 && (d == nil || d.size != dictionarySize(tx)) {
		d = loadDictionary(tx, func(error) {}) // a rotten entry costs the blocks that need it
	}
	for _, block := range page {
		block.dictionary = d
	}
	return page, d, nil
}

var errEnough = errors.New("enough") // ends a walk from inside; never leaves this room
