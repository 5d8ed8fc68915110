package logbook

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// findingsMax bounds a report: a file with more than this many faults is not repaired line by line.
const findingsMax = 1000

// Report is what a check found.
type Report struct {
	Findings []string // nothing when the book is sound; each one line
	More     int      // findings beyond the bound, counted only

	Bytes                              int64
	Boots, Entries, Names              int
	Blocks, Samples, PackedBytes       int
	States, Events, Excursions         int
	Recipients, Waiting, DeliveryCount int
	Files, Chunks, Hours, Aside        int // files beside logbook.db, chunks in them, hours put together, files set aside
}

func (r *Report) found(format string, args ...any) {
	if len(r.Findings) >= findingsMax {
		r.More++
		return
	}
	r.Findings = append(r.Findings, fmt.Sprintf(format, args...))
}

// Check reads the whole logbook of dir and says all that is wrong with it: the pages of the file, the trees, and every row. It
// changes nothing. An error means that it could not look: no such file, in use by a running daemon, no permission. A rotten file
// is no error but findings.
func Check(dir string) (Report, error) { return CheckWith(dir, nil) }

// CheckWith is Check that says how many of the files beside logbook.db it has been through.
func CheckWith(dir string, progress func(done, of int)) (Report, error) {
	var r Report
	err := withFile(dir, func(path string, f *os.File) error {
		if info, err := f.Stat(); err == nil {
			r.Bytes = info.Size()
		}
		walkPages(f, r.found)
		if len(r.Findings) > 0 {
			return nil // what the pages say cannot be trusted with the library
		}
		var parts []fileRow
		var known *dictionary
		err := viewFile(path, func(tx *bolt.Tx) (err error) {
			for err := range tx.Check() {
				r.found("%v", err)
			}
			if len(r.Findings) == 0 {
				r.rows(tx)
				known = loadDictionary(tx, func(error) {})
				parts, err = files(tx)
			}
			return err
		})
		if err == nil {
			r.parts(dir, parts, known, progress)
		}
		if errors.Is(err, ErrDamaged) {
			r.found("%v", err)
			err = nil
		}
		return err
	})
	return r, err
}

// DumpState reads the judge state of every panel, sorted by name, from a logbook that nobody has open. It changes nothing.
func DumpState(dir string) ([]engine.StateRow, error) {
	var rows []engine.StateRow
	err := withFile(dir, func(path string, f *os.File) error {
		var r Report
		if walkPages(f, r.found); len(r.Findings) > 0 {
			return fmt.Errorf("%w: %s", ErrDamaged, r.Findings[0])
		}
		return viewFile(path, func(tx *bolt.Tx) (err error) {
			if err := checkVersion(tx); err != nil {
				return err
			}
			rows, err = states(tx)
			return err
		})
	})
	return rows, err
}

// withFile opens the file for reading and holds a reader's lock on it, so that no daemon writes while it is read.
func withFile(dir string, fn func(path string, f *os.File) error) error {
	path := filepath.Join(dir, fileName)
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: %s", ErrNotThere, path)
	}
	if err != nil {
		return explain(path, err)
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return fmt.Errorf("%w: %s (stop the daemon first, or look at a copy)", ErrInUse, path)
		}
		return explain(path, err)
	}
	return fn(path, f)
}

// viewFile opens the file with the library, for reading, after its pages were found sound.
func viewFile(path string, fn func(*bolt.Tx) error) error {
	return guard("reading", func() error {
		// The lock is shared with ours, so it is there at once: the second is only there so as never to wait for ever.
		db, err := bolt.Open(path, 0, &bolt.Options{ReadOnly: true, Timeout: time.Second})
		if err != nil {
			return explain(path, err)
		}
		defer db.Close()
		return db.View(fn)
	})
}

// rows reads every row of every bucket.
func (r *Report) rows(tx *bolt.Tx) {
	if err := checkVersion(tx); err != nil {
		r.found("%v", err)
		return
	}
	all, err := boots(tx)
	if err != nil {
		r.found("%v", err)
		return
	}
	r.boots(tx, all)
	r.Names = count(tx.Bucket(bucketNames))
	d := loadDictionary(tx, func(err error) { r.found("%v", err) })
	r.Entries = len(d.entries)
	r.blocks(tx, d, len(all))
	r.each(tx, bucketState, func(k, v []byte) error {
		r.States++
		body, err := unseal(k, v)
		if err == nil && !json.Valid(body) {
			err = errors.New("it is not JSON")
		}
		return err
	})
	r.events(tx, all)
	r.excursions(tx)
	r.messages(tx)
	if tx.Bucket(bucketMoved) != nil {
		r.each(tx, bucketMoved, func(k, v []byte) error {
			var m movedRow
			return unsealJSON(k, v, &m)
		})
		r.each(tx, bucketGaps, func(k, v []byte) error {
			var g gapRow
			return unsealJSON(k, v, &g)
		})
	}
}

// each gives every row of a bucket to fn and records what fn says of it.
func (r *Report) each(tx *bolt.Tx, name []byte, fn func(k, v []byte) error) {
	r.eachIn(string(name), tx.Bucket(name), fn)
}

func (r *Report) eachIn(where string, b *bolt.Bucket, fn func(k, v []byte) error) {
	c := b.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		if err := fn(k, v); err != nil {
			r.found("%s, row %x: %v", where, k, err)
		}
	}
}

func (r *Report) boots(tx *bolt.Tx, all []BootRow) {
	r.Boots = len(all)
	for i := range all {
		row := &all[i]
		if row.Ordinal != uint32(i+1) {
			r.found("boots: row %d has the ordinal %d", i+1, row.Ordinal)
		}
		if got := ordinalOf(tx, row.Nonce); got != row.Ordinal {
			r.found("boots: nonce %s of boot %d leads to boot %d", row.Nonce, row.Ordinal, got)
		}
	}
	if n := count(tx.Bucket(bucketNonces)); n != len(all) {
		r.found("nonces: %d for %d boots", n, len(all))
	}
	if n, ok, _ := readNow(tx); ok && (n.Ordinal == 0 || n.Ordinal > uint32(len(all))) {
		r.found("now: of boot %d, there are %d", n.Ordinal, len(all))
	}
}

func (r *Report) blocks(tx *bolt.Tx, d *dictionary, boots int) {
	var before BlockKey
	var beforeAt reading.Stamp
	last, _, _ := readNow(tx)
	r.each(tx, bucketHot, func(k, v []byte) error {
		ordinal, seq, err := split96(k)
		if err != nil {
			return err
		}
		r.Blocks++
		r.PackedBytes += len(v)
		here := Block{Key: BlockKey{ordinal, seq}, raw: v, dictionary: d}
		if err := here.Each(func(Kept) error { r.Samples++; return nil }); err != nil {
			return err
		}
		head, _, _, _, _ := openBlock(k, v)
		switch {
		case ordinal == 0 || ordinal > uint32(boots):
			return fmt.Errorf("of boot %d, there are %d", ordinal, boots)
		case ordinal == before.Boot && seq <= before.Through:
			return fmt.Errorf("outcome %d after %d", seq, before.Through)
		case ordinal == before.Boot && head.at.Up < beforeAt.Up:
			return fmt.Errorf("committed at %v since the start, the one before at %v", head.at.Up, beforeAt.Up)
		case ordinal == last.Ordinal && seq > last.Through:
			return fmt.Errorf("outcome %d, but the last commit was %d", seq, last.Through)
		}
		before, beforeAt = here.Key, head.at
		return nil
	})
}

func (r *Report) events(tx *bolt.Tx, all []BootRow) {
	r.each(tx, bucketEvents, func(k, v []byte) error {
		r.Events++
		e, err := readEvent(k, v)
		if err != nil {
			return err
		}
		ordinal, seq, _ := split96(k)
		if ordinal == 0 || ordinal > uint32(len(all)) {
			return fmt.Errorf("of boot %d, there are %d", ordinal, len(all))
		}
		// Keys are unique, so ids are when each says what its key says.
		if want := (event.ID{Boot: all[ordinal-1].Nonce, Seq: seq}); e.ID != want {
			return fmt.Errorf("its id is %s, its place that of %s", e.ID, want)
		}
		return nil
	})
}

func (r *Report) excursions(tx *bolt.Tx) {
	r.each(tx, bucketExcursions, func(k, v []byte) error {
		r.Excursions++
		var x event.Excursion
		if err := unsealJSON(k, v, &x); err != nil {
			return err
		}
		want := excursionKey(x.ID, func(nonce string) uint32 { return ordinalOf(tx, nonce) })
		if string(want) != string(k) {
			return fmt.Errorf("its id is %s, which has another place", x.ID)
		}
		if tx.Bucket(bucketEvents).Get(want[:12]) == nil {
			return fmt.Errorf("the event %s that raised it is not there", x.ID)
		}
		return nil
	})
}

func (r *Report) messages(tx *bolt.Tx) {
	for _, name := range recipients(tx) {
		r.Recipients++
		queue := tx.Bucket(bucketOutbox).Bucket([]byte(name))
		ids := map[event.ID]uint64{} // at most WaitingMax
		r.eachIn("outbox of "+name, queue, func(k, v []byte) error {
			r.Waiting++
			number, err := split64(k)
			if err != nil {
				return err
			}
			row, err := unsealMessage(name, number, v)
			if err != nil {
				return err
			}
			if number == 0 || number > queue.Sequence() {
				return fmt.Errorf("number %d, but the queue has given %d", number, queue.Sequence())
			}
			if twin, ok := ids[row.ID]; ok {
				return fmt.Errorf("message %s waits as number %d too", row.ID, twin)
			}
			ids[row.ID] = number
			return nil
		})
		if n := waiting(tx, name); n > WaitingMax {
			r.found("outbox of %s: %d messages wait, more than the bound", name, n)
		}
	}
	for _, name := range namesIn(tx.Bucket(bucketDeliveries)) {
		queue := tx.Bucket(bucketOutbox).Bucket([]byte(name))
		if queue == nil {
			r.found("deliveries to %s: there is no queue of that name", name)
			continue
		}
		r.eachIn("deliveries to "+name, tx.Bucket(bucketDeliveries).Bucket([]byte(name)), func(k, v []byte) error {
			r.DeliveryCount++
			d, err := readDelivery(name, k, v)
			if err != nil {
				return err
			}
			if queue.Get(k) != nil {
				return fmt.Errorf("message %s is ended and waits", d.ID)
			}
			return nil
		})
	}
}
