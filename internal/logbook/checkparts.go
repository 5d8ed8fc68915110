package logbook

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"

	bolt "go.etcd.io/bbolt"
)

// parts checks the files beside logbook.db, one after the other: every page, every row, and that they hold what logbook.db says. A file
// that another process writes is passed over by the lock and is a finding, because then logbook.db would have been in use too.
func (r *Report) parts(dir string, rows []fileRow, d *dictionary, progress func(done, of int)) {
	growing := map[byte]int{}
	for i := range rows {
		row := &rows[i]
		if progress != nil {
			progress(i, len(rows))
		}
		if !row.live() {
			if row.State == stateAside {
				r.Aside++
			}
			continue
		}
		if row.State == stateOpen {
			growing[row.ID.kind]++
		}
		name := row.ID.name()
		path := filepath.Join(dir, name)
		found := func(format string, args ...any) { r.found("%s", name+": "+fmt.Sprintf(format, args...)) }
		f, err := os.Open(path)
		if errors.Is(err, fs.ErrNotExist) {
			found("%v", errMissing)
			continue
		}
		if err != nil {
			found("%v", err)
			continue
		}
		r.Files++
		if info, err := f.Stat(); err == nil {
			r.Bytes += info.Size()
		}
		before := len(r.Findings) + r.More
		walkPages(f, found)
		_ = f.Close()
		if len(r.Findings)+r.More > before {
			continue // what the pages say cannot be trusted with the library
		}
		err = viewFile(path, func(tx *bolt.Tx) error {
			for err := range tx.Check() {
				found("%v", err)
			}
			if err := checkPart(tx, row.ID.kind); err != nil {
				return err
			}
			if row.ID.kind == kindHours {
				r.hours(tx, row, d, found)
			} else {
				r.chunks(tx, row, d, found)
			}
			return nil
		})
		if err != nil {
			found("%v", err)
		}
	}
	for kind, n := range growing { // at most two findings, of different kinds
		if n > 1 {
			r.found("%d files of kind %c grow at once", n, kind)
		}
	}
}

// chunks reads every sample of a period file. What logbook.db does not tell of yet is left out: the next Tend writes it again.
func (r *Report) chunks(tx *bolt.Tx, row *fileRow, d *dictionary, found func(string, ...any)) {
	hours, samples := 0, uint64(0)
	c := tx.Bucket(bucketCovered).Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		ordinal, hour, _, err := splitHour(k)
		if err == nil {
			var h hourRow
			err = unsealJSON(k, v, &h)
		}
		if err != nil {
			found("hour %x: %v", k, err)
			continue
		}
		if at := (hourRef{ordinal, hour}); at.compare(row.First) >= 0 && at.compare(row.Last) <= 0 {
			hours++
		}
	}
	c = tx.Bucket(bucketChunks).Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		ordinal, hour, rest, err := splitHour(k)
		var id uint32
		if err == nil {
			id, err = split32(rest)
		}
		if at := (hourRef{ordinal, hour}); err == nil && at.compare(row.Last) > 0 {
			continue
		}
		n := 0
		if err == nil {
			n, err = countChunk(tx, k, v, id, d)
		}
		if err != nil {
			found("chunk %x: %v", k, err)
			continue
		}
		r.Chunks++
		r.PackedBytes += len(v)
		samples += uint64(n)
	}
	r.Samples += int(samples)
	if hours != row.Hours || samples != row.Samples {
		found("it holds %d readings of %d hours, and logbook.db says %d of %d", samples, hours, row.Samples, row.Hours)
	}
}

func countChunk(tx *bolt.Tx, k, v []byte, id uint32, d *dictionary) (n int, err error) {
	slot, ok := d.slotOf(id)
	if !ok {
		return 0, fmt.Errorf("dictionary entry %d is missing", id)
	}
	if tx.Bucket(bucketDictionary).Get(key32(id)) == nil {
		return 0, fmt.Errorf("dictionary entry %d is not in the file", id)
	}
	c, err := openChunk(k, v, id, slot)
	if err != nil {
		return 0, err
	}
	if tx.Bucket(bucketNames).Get(key32(c.names)) == nil {
		return 0, fmt.Errorf("names %d are not in the file", c.names)
	}
	for {
		_, ok, err := c.next()
		if err != nil || !ok {
			return n, err
		}
		n++
	}
}

// hours reads every hour put together.
func (r *Report) hours(tx *bolt.Tx, row *fileRow, d *dictionary, found func(string, ...any)) {
	c := tx.Bucket(bucketTogether).Cursor()
	seen := map[hourRef]bool{}
	for k, v := c.First(); k != nil; k, v = c.Next() {
		ordinal, hour, _, err := splitHour(k)
		if err != nil {
			found("hour %x: %v", k, err)
			continue
		}
		if at := (hourRef{ordinal, hour}); at.compare(row.Last) > 0 {
			continue
		}
		seen[hourRef{ordinal, hour}] = true
		body, err := unseal(k, v)
		if err != nil || len(body)%togetherSize != 0 {
			found("hour %x: %d bytes, %v", k, len(v), err)
			continue
		}
		for before := int64(-1); len(body) > 0; body = body[togetherSize:] {
			t := readTogether(body)
			switch _, known := d.slotOf(t.id); {
			case !known:
				found("hour %x: dictionary entry %d is missing", k, t.id)
			case int64(t.id) <= before:
				found("hour %x: point %d after %d", k, t.id, before)
			case t.counted > t.good+t.uncertain || t.counted > 0 && !(t.min <= t.max && t.min <= t.last && t.last <= t.max) || math.IsNaN(t.sum):
				found("hour %x, point %d: %+v cannot be", k, t.id, t)
			}
			before = int64(t.id)
			r.Hours++
		}
	}
	if len(seen) != row.Hours {
		found("it holds %d hours, and logbook.db says %d", len(seen), row.Hours)
	}
}
