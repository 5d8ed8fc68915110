package logbook

import (
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// Commit is everything that becomes durable in one transaction: all of it or nothing.
type Commit struct {
	Boot        string // nonce given to Begin
	Through     uint64 // the highest outcome in it; higher than that of the commit before
	At          reading.Stamp
	WallCertain bool
	Synced      bool // the system says that its clock is synchronised
	Samples     []Sample
	States      []engine.StateRow // only those that changed
	Events      []event.Event     // of this boot, each with its ID
	Excursions  []event.Excursion
	Outbox      []Row // in the order in which they are to be told
}

// Commit makes c durable. When it gives no error, all of c is on disk. When it gives one, c may be there or not: the caller
// offers it again, alone or within a larger commit, and what then succeeds stands once, however often it was tried. What an
// attempt that failed held in samples and the next one leaves out is removed; its events stay. On a full disk it is ErrFull, and the
// same commit without its samples has room kept for it.
func (b *Book) Commit(c Commit) error {
	b.writing.Lock()
	defer b.writing.Unlock()
	packed, err := b.commit(c)
	if err != nil {
		b.failures.Add(1)
		return fmt.Errorf("commit seq %d: %w", c.Through, err)
	}
	b.commits.Add(1)
	b.samples.Add(uint64(len(c.Samples)))
	b.packed.Add(uint64(packed))
	return nil
}

func (b *Book) commit(c Commit) (packed int, err error) {
	if b.boot == nil || b.boot.Nonce != c.Boot {
		return 0, fmt.Errorf("%w: %q", ErrNotBegun, c.Boot)
	}
	if c.Through < b.acked.through {
		return 0, fmt.Errorf("%w: %d", ErrOutOfOrder, b.acked.through)
	}
	floor, numbers := b.acked.through, b.acked.after
	if c.Through == b.acked.through && c.Through > 0 { // the last one again
		floor, numbers = b.acked.floor, b.acked.before
	}
	w := writer{ordinal: b.boot.Ordinal, numbers: numbers}
	if len(c.Samples) > 0 {
		if w.block, err = b.columns.encode(key96(w.ordinal, c.Through), c.At, c.WallCertain, c.Samples); err != nil {
			return 0, err
		}
	}
	boot := *b.boot
	if c.WallCertain && !boot.WallCertain {
		// From here the wall clock is certain, so the whole boot is: the moment of every sample follows from this one row.
		boot.WallAtZero, boot.WallCertain = c.At.Wall-reading.Wall(c.At.Up), true
	}
	if len(c.Samples) > 0 {
		if err := b.reserve(); err != nil {
			return 0, err
		}
	}
	boot.Synced = boot.Synced || c.Synced
	var after map[string]uint64
	err = b.update("committing", func(tx *bolt.Tx) error {
		if boot != *b.boot {
			row, err := sealJSON(key32(boot.Ordinal), boot)
			if err != nil {
				return err
			}
			if err := tx.Bucket(bucketBoots).Put(key32(boot.Ordinal), row); err != nil {
				return err
			}
		}
		if err := w.write(tx, c, floor); err != nil {
			return err
		}
		after = queueNumbers(tx)
		return nil
	})
	if noRoom(err) {
		err = fmt.Errorf("%w: %w", ErrFull, err)
	}
	if err != nil {
		return 0, err
	}
	b.boot = &boot
	b.acked = ack{through: c.Through, floor: floor, after: after, before: numbers}
	b.sure.Store(&after) // never changed again, as a map: each commit makes its own
	b.dropped.Add(w.dropped)
	return len(w.block), nil
}

// writer is one attempt at a commit.
type writer struct {
	ordinal uint32
	block   []byte
	numbers map[string]uint64 // messages above these come from attempts that failed
	dropped uint64
}

func (w *writer) write(tx *bolt.Tx, c Commit, floor uint64) error {
	if err := w.writeBlock(tx, c.Through, floor); err != nil {
		return err
	}
	for i := range c.States {
		k := stateKey(c.States[i].Name)
		if err := tx.Bucket(bucketState).Put(k, seal(k, c.States[i].Data)); err != nil {
			return fmt.Errorf("state %q: %w", c.States[i].Name, err)
		}
	}
	events := tx.Bucket(bucketEvents)
	events.FillPercent = 1 // keys only grow, so full pages stay full
	for i := range c.Events {
		e := &c.Events[i]
		if e.ID.Boot != c.Boot {
			return fmt.Errorf("%w: %s", ErrWrongBoot, e.ID)
		}
		k := key96(w.ordinal, e.ID.Seq)
		row, err := sealJSON(k, e)
		if err != nil {
			return fmt.Errorf("event %s: %w", e.ID, err)
		}
		if err := events.Put(k, row); err != nil {
			return err
		}
	}
	for i := range c.Excursions {
		x := &c.Excursions[i]
		k := excursionKey(x.ID, func(nonce string) uint32 { return ordinalOf(tx, nonce) })
		row, err := sealJSON(k, x)
		if err != nil {
			return fmt.Errorf("excursion %s: %w", x.ID, err)
		}
		if err := tx.Bucket(bucketExcursions).Put(k, row); err != nil {
			return err
		}
	}
	if err := w.queue(tx, c.Outbox, c.At); err != nil {
		return err
	}
	row, err := sealJSON(keyLast, now{Ordinal: w.ordinal, Last: Last{Through: c.Through, At: c.At, Certain: c.WallCertain}})
	if err != nil {
		return err
	}
	return tx.Bucket(bucketNow).Put(keyLast, row)
}

// writeBlock puts the block and removes those of attempts that failed and may yet have reached the disk: this commit, at a
// higher outcome, takes their place.
func (w *writer) writeBlock(tx *bolt.Tx, through, floor uint64) error {
	hot := tx.Bucket(bucketHot)
	hot.FillPercent = 1
	c := hot.Cursor()
	var stale [][]byte // deleting while a cursor walks would move it
	for k, _ := c.Seek(key96(w.ordinal, floor+1)); k != nil; k, _ = c.Next() {
		ordinal, seq, err := split96(k)
		if err != nil {
			return err
		}
		if ordinal != w.ordinal || seq > through {
			break
		}
		stale = append(stale, append([]byte(nil), k...))
	}
	for _, k := range stale {
		if err := hot.Delete(k); err != nil {
			return err
		}
	}
	if w.block == nil {
		return nil
	}
	return hot.Put(key96(w.ordinal, through), w.block)
}

// queue adds messages to the queues of their recipients. One that an attempt that failed has already put there keeps its number;
// one that has meanwhile been told is not told again.
func (w *writer) queue(tx *bolt.Tx, rows []Row, at reading.Stamp) error {
	var touched []string // a handful
	placed := map[string]map[event.ID]uint64{}
	for i := range rows {
		r := &rows[i]
		if r.Recipient == "" {
			return fmt.Errorf("%w: %s", ErrNoRecipient, r.ID)
		}
		if r.ID.IsZero() {
			return errors.New("a message without an id")
		}
		bucket, err := tx.Bucket(bucketOutbox).CreateBucketIfNotExists([]byte(r.Recipient))
		if err != nil {
			return err
		}
		bucket.FillPercent = 1
		there := placed[r.Recipient]
		if there == nil {
			if there, err = w.placed(tx, bucket, r.Recipient); err != nil {
				return err
			}
			placed[r.Recipient] = there
			touched = append(touched, r.Recipient)
		}
		number, known := there[r.ID]
		if known && number == ended {
			continue
		}
		if !known {
			if number, err = bucket.NextSequence(); err != nil {
				return err
			}
			there[r.ID] = number
		}
		if err := bucket.Put(key64(number), sealMessage(number, *r)); err != nil {
			return err
		}
	}
	for _, recipient := range touched {
		n, err := dropOldest(tx, recipient, at)
		if err != nil {
			return err
		}
		w.dropped += n
	}
	return nil
}

// ended stands for the number of a message that is out of the queue; true numbers begin at 1.
const ended = 0

// placed gives the messages for a recipient that attempts which failed have left: their numbers, or that they are ended.
func (w *writer) placed(tx *bolt.Tx, queue *bolt.Bucket, recipient string) (map[event.ID]uint64, error) {
	there := map[event.ID]uint64{}
	floor := w.numbers[recipient]
	if queue.Sequence() == floor {
		return there, nil
	}
	c := queue.Cursor()
	for k, v := c.Seek(key64(floor + 1)); k != nil; k, v = c.Next() {
		number, err := split64(k)
		if err != nil {
			return nil, err
		}
		r, err := unsealMessage(recipient, number, v)
		if err != nil {
			return nil, fmt.Errorf("message %d for %s: %w", number, recipient, err)
		}
		there[r.ID] = number
	}
	records := tx.Bucket(bucketDeliveries).Bucket([]byte(recipient))
	if records == nil {
		return there, nil
	}
	c = records.Cursor()
	for k, v := c.Seek(key64(floor + 1)); k != nil; k, v = c.Next() {
		d, err := readDelivery(recipient, k, v)
		if err != nil {
			return nil, err
		}
		there[d.ID] = ended
	}
	return there, nil
}
