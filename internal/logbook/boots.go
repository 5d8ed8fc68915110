package logbook

import (
	"fmt"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

// Restored is what a process needs to go on where the one before it stopped.
type Restored struct {
	States  []engine.StateRow // sorted by name
	Before  engine.Before     // the last boot that made a commit: the states are from it
	Boots   int               // entered so far
	Waiting int               // messages not yet delivered
}

// Restore reads what the logbook knows, before Begin. A boot that made no commit changed nothing and is passed over.
func (b *Book) Restore() (Restored, error) {
	var r Restored
	err := guard("restoring", func() error {
		return b.db.View(func(tx *bolt.Tx) (err error) {
			if r.States, err = states(tx); err != nil {
				return err
			}
			boots, err := boots(tx)
			if err != nil {
				return err
			}
			r.Boots = len(boots)
			for _, row := range boots {
				if row.Last != nil {
					r.Before = engine.Before{Nonce: row.Nonce, Last: row.Last.At.Wall, WallCertain: row.Last.Certain, Hash: row.Hash}
					if row.WallCertain {
						// The row was put right after the last moment was noted: the corrected wall clock is the better one.
						r.Before.Last, r.Before.WallCertain = row.wallAt(row.Last.At), true
					}
				}
			}
			for _, name := range recipients(tx) {
				r.Waiting += waiting(tx, name)
			}
			return nil
		})
	})
	if err != nil {
		return Restored{}, fmt.Errorf("restore: %w", err)
	}
	return r, nil
}

// wallAt is the wall clock of a moment of this boot by its row. This is the one sum over Wall there may be. Where the last
// commit was certain itself, its own wall clock is kept, because the clock may have been trimmed since the row was made.
func (r *BootRow) wallAt(at reading.Stamp) reading.Wall {
	if r.Last != nil && r.Last.Certain && r.Last.At == at {
		return at.Wall
	}
	return r.WallAtZero + reading.Wall(at.Up)
}

// Begin enters a boot and its points. Samples of later commits name points by their place in entries. The same row again, as
// after a failure that left it open whether it was written, changes nothing; a nonce of an earlier boot is ErrNonceUsed.
func (b *Book) Begin(boot BootRow, entries []Entry) error {
	b.writing.Lock()
	defer b.writing.Unlock()
	boot.Last = nil
	boot.Phase = phaseOf(boot.WallAtZero)
	var cols *columns
	err := b.update("entering the boot", func(tx *bolt.Tx) (err error) {
		if boot.Ordinal, err = enterBoot(tx, boot); err != nil {
			return err
		}
		cols, err = enterAll(tx, entries)
		return err
	})
	if err != nil {
		return fmt.Errorf("boot %s: %w", boot.Nonce, err)
	}
	if b.boot == nil || b.boot.Ordinal != boot.Ordinal {
		b.acked.through, b.acked.floor = 0, 0
	}
	b.boot, b.columns = &boot, cols
	return nil
}

func enterBoot(tx *bolt.Tx, boot BootRow) (uint32, error) {
	if boot.Nonce == "" {
		return 0, fmt.Errorf("%w: it is empty", ErrNonceUsed)
	}
	bucket := tx.Bucket(bucketBoots)
	ordinal := uint32(1)
	if k, v := bucket.Cursor().Last(); k != nil {
		last, err := split32(k)
		if err != nil {
			return 0, err
		}
		var before BootRow
		if err := unsealJSON(k, v, &before); err != nil {
			return 0, fmt.Errorf("boot %d: %w", last, err)
		}
		if before == boot { // Last is nil in both: nothing was committed yet
			if n, ok, err := readNow(tx); err != nil || !ok || n.Ordinal != last {
				return last, err
			}
		}
		if err := keepLast(tx, last, before); err != nil {
			return 0, err
		}
		ordinal = last + 1
	}
	nonces := tx.Bucket(bucketNonces)
	if nonces.Get([]byte(boot.Nonce)) != nil {
		return 0, ErrNonceUsed
	}
	if err := nonces.Put([]byte(boot.Nonce), seal([]byte(boot.Nonce), key32(ordinal))); err != nil {
		return 0, err
	}
	row, err := sealJSON(key32(ordinal), boot)
	if err != nil {
		return 0, err
	}
	return ordinal, bucket.Put(key32(ordinal), row)
}

// keepLast writes the last commit of the boot before into its row, since the next commit will overwrite the row of now.
func keepLast(tx *bolt.Tx, ordinal uint32, row BootRow) error {
	n, ok, err := readNow(tx)
	if err != nil || !ok || n.Ordinal != ordinal {
		return err
	}
	row.Last = &n.Last
	v, err := sealJSON(key32(ordinal), row)
	if err != nil {
		return err
	}
	return tx.Bucket(bucketBoots).Put(key32(ordinal), v)
}

func readNow(tx *bolt.Tx) (n now, ok bool, err error) {
	v := tx.Bucket(bucketNow).Get(keyLast)
	if v == nil {
		return n, false, nil
	}
	if err := unsealJSON(keyLast, v, &n); err != nil {
		return n, false, fmt.Errorf("last commit: %w", err)
	}
	return n, true, nil
}

// Boots gives the table of boots, oldest first.
func (b *Book) Boots() ([]BootRow, error) {
	var rows []BootRow
	err := guard("reading the boots", func() error {
		return b.db.View(func(tx *bolt.Tx) (err error) {
			rows, err = boots(tx)
			return err
		})
	})
	return rows, err
}

func boots(tx *bolt.Tx) ([]BootRow, error) {
	n, ok, err := readNow(tx)
	if err != nil {
		return nil, err
	}
	var rows []BootRow
	err = tx.Bucket(bucketBoots).ForEach(func(k, v []byte) error {
		ordinal, err := split32(k)
		if err != nil {
			return fmt.Errorf("boots: %w", err)
		}
		var row BootRow
		if err := unsealJSON(k, v, &row); err != nil {
			return fmt.Errorf("boot %d: %w", ordinal, err)
		}
		row.Ordinal = ordinal
		if ok && n.Ordinal == ordinal {
			row.Last = &n.Last
		}
		rows = append(rows, row)
		return nil
	})
	return rows, err
}

// ordinalOf finds a boot by its nonce; 0 when it is not in this book.
func ordinalOf(tx *bolt.Tx, nonce string) uint32 {
	if nonce == "" {
		return 0
	}
	body, err := unseal([]byte(nonce), tx.Bucket(bucketNonces).Get([]byte(nonce)))
	if err != nil {
		return 0
	}
	ordinal, err := split32(body)
	if err != nil {
		return 0
	}
	return ordinal
}

// States gives the judge state of every panel and of the site, sorted by name.
func (b *Book) States() ([]engine.StateRow, error) {
	var rows []engine.StateRow
	err := guard("reading judge state", func() error {
		return b.db.View(func(tx *bolt.Tx) (err error) {
			rows, err = states(tx)
			return err
		})
	})
	return rows, err
}

func states(tx *bolt.Tx) ([]engine.StateRow, error) {
	var rows []engine.StateRow
	err := tx.Bucket(bucketState).ForEach(func(k, v []byte) error {
		body, err := unseal(k, v)
		if err != nil {
			return fmt.Errorf("state %q: %w", k, err)
		}
		rows = append(rows, engine.StateRow{Name: string(k[1:]), Data: append([]byte(nil), body...)})
		return nil
	})
	return rows, err
}
