package logbook

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	bolt "go.etcd.io/bbolt"
)

// growing gives the file of a kind that grows, open for writing, and makes one where there is none.
func (b *Book) growing(rows []fileRow, kind byte, book string, m *Moved) (*fileRow, error) {
	last := uint32(0)
	for i := range rows {
		row := rows[i]
		if row.ID.kind != kind {
			continue
		}
		last = max(last, row.ID.number)
		if row.State != stateOpen {
			continue
		}
		err := b.writable(row.ID, book)
		if err == nil {
			return &row, nil
		}
		if !errors.Is(err, ErrDamaged) && !errors.Is(err, errMissing) {
			return nil, err
		}
		if err := b.setAside(&row, err, m); err != nil {
			return nil, err
		}
	}
	for number := last + 1; ; number++ {
		row := &fileRow{ID: fileID{kind, number}, State: stateOpen}
		if _, err := os.Lstat(b.part(row.ID)); errors.Is(err, fs.ErrNotExist) {
			if err := b.createPart(row.ID, book); err != nil {
				return nil, err
			}
		}
		err := b.writable(row.ID, book)
		switch {
		case err == nil:
			return row, nil
		case errors.Is(err, errOtherBook):
			// of a logbook that was moved away: it is not ours to write over, and its number is taken
		case errors.Is(err, ErrDamaged):
			// made by a Tend that was cut short before it was noted: nothing in it counts
			if err := os.Remove(b.part(row.ID)); err != nil {
				return nil, explain(b.part(row.ID), err)
			}
			number--
		default:
			return nil, err
		}
	}
}

var errOtherBook = errors.New("a file of another logbook")

// writable opens a file for writing and leaves it open.
func (b *Book) writable(id fileID, book string) error {
	b.shelfLock.Lock()
	defer b.shelfLock.Unlock()
	if why := b.suspect[id]; why != nil {
		return why
	}
	if h := b.shelf.handles[id]; h != nil && h.write {
		return nil
	}
	b.drop(id)
	db, file, err := b.openPart(id, true)
	if err != nil {
		return err
	}
	if err := settlePages(file, db.Info().PageSize); err != nil {
		return errors.Join(err, db.Close())
	}
	theirs := ""
	if err := db.View(func(tx *bolt.Tx) error { theirs = bookOf(tx); return nil }); err != nil {
		return errors.Join(err, db.Close())
	}
	if theirs != book {
		return errors.Join(errOtherBook, db.Close())
	}
	b.shelf.handles[id] = &handle{db: db, file: file, write: true}
	return nil
}

// writePart runs one transaction that writes a file that is open for writing.
func (b *Book) writePart(id fileID, fn func(*bolt.Tx) error) error {
	b.shelfLock.Lock()
	h := b.shelf.handles[id]
	if h != nil {
		h.users++
	}
	b.shelfLock.Unlock()
	if h == nil {
		return fmt.Errorf("%s is not open for writing", id.name())
	}
	defer b.giveBack(h)
	if h.doubt {
		if err := settlePages(h.file, h.db.Info().PageSize); err != nil {
			return err
		}
		h.doubt = false
	}
	whole, refused := false, false
	err := guard("writing "+id.name(), func() error {
		err := h.db.Update(func(tx *bolt.Tx) error {
			err := fn(tx)
			refused = err != nil // then nothing was written
			return err
		})
		whole = true
		return err
	})
	h.doubt = err != nil && !refused
	if !whole { // the library's lock may stay taken; the file is let go and set aside by the next Tend
		b.shelfLock.Lock()
		b.suspect[id] = err
		delete(b.shelf.handles, id)
		b.shelfLock.Unlock()
		_ = letGo(h.file)
	}
	return err
}

// settlePages writes the two pages at the head of a file again as they are seen, and syncs them: after a sync that failed the kernel shows
// a page that the device may not hold, and nothing may be built on it before it does. At each opening too, because the process before
// may have ended on such a failure.
func settlePages(f *os.File, size int) error {
	page := make([]byte, size)
	for i := range int64(2) { // one after the other, so that a write that breaks off leaves one whole
		if _, err := f.ReadAt(page, i*int64(size)); err != nil {
			return err
		}
		if _, err := f.WriteAt(page, i*int64(size)); err != nil {
			return err
		}
	}
	return f.Sync()
}

func (b *Book) sizeOf(id fileID) int64 {
	info, err := os.Stat(b.part(id))
	if err != nil {
		return 0
	}
	return info.Size()
}

// closePart ends a file: it is copied without the room it grew into, the copy is made durable and takes its place.
func (b *Book) closePart(row *fileRow) error {
	path := b.part(row.ID)
	temp := path + ".new"
	if err := b.at("closing"); err != nil {
		return err
	}
	err := b.inPart(row.ID, func(tx *bolt.Tx) error { return tx.CopyFile(temp, 0o640) })
	if err == nil {
		err = syncFile(temp)
	}
	if err == nil {
		err = b.at("copied")
	}
	if err == nil {
		err = os.Rename(temp, path)
	}
	if err != nil {
		return errors.Join(explain(path, err), ignoreMissing(os.Remove(temp)))
	}
	if err := syncDir(filepath.Dir(path)); err != nil {
		return err
	}
	b.shelfLock.Lock()
	b.drop(row.ID)
	b.shelfLock.Unlock()
	if err := b.at("renamed"); err != nil {
		return err
	}
	row.State, row.Bytes = stateClosed, b.sizeOf(row.ID)
	return b.write("closing a file", func(tx *bolt.Tx) error { return putFile(tx, row) })
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// asideAll sets aside whatever a reader found unreadable, and files that are not there any more.
func (b *Book) asideAll(m *Moved) error {
	rows, _, err := b.list()
	if err != nil {
		return err
	}
	for i := range rows {
		row := &rows[i]
		if !row.live() {
			if row.State == stateGone { // a crash between the note and the deletion
				if err := ignoreMissing(os.Remove(b.part(row.ID))); err != nil {
					return explain(b.part(row.ID), err)
				}
			}
			continue
		}
		b.shelfLock.Lock()
		why := b.suspect[row.ID]
		b.shelfLock.Unlock()
		if why == nil {
			if _, err := os.Lstat(b.part(row.ID)); errors.Is(err, fs.ErrNotExist) {
				why = errMissing
			}
		}
		if why != nil {
			if err := b.setAside(row, why, m); err != nil {
				return err
			}
		}
	}
	return nil
}

// setAside takes an unreadable file out of the way, under a name that says why, and records the gap it leaves. Nothing in it is deleted:
// somebody may still get something out of it.
func (b *Book) setAside(row *fileRow, why error, m *Moved) error {
	b.shelfLock.Lock()
	b.drop(row.ID)
	b.shelfLock.Unlock()
	cause := GapMissing
	if !errors.Is(why, errMissing) {
		cause = GapDamaged
		row.Name = row.ID.name() + "." + slug(reasonOf(why))
		if err := ignoreMissing(os.Rename(b.part(row.ID), filepath.Join(filepath.Dir(b.path), row.Name))); err != nil {
			return explain(b.part(row.ID), err)
		}
		if err := syncDir(filepath.Dir(b.path)); err != nil {
			return err
		}
	}
	row.State, row.Why = stateAside, why.Error()
	if err := b.noteGap(row, cause, m); err != nil {
		return err
	}
	m.Aside = append(m.Aside, fmt.Sprintf("%s: %v", row.ID.name(), why))
	b.shelfLock.Lock()
	delete(b.suspect, row.ID)
	b.shelfLock.Unlock()
	return nil
}

// reasonOf is what a file's name can hold of a reason.
func reasonOf(err error) string {
	text := err.Error()
	for _, known := range []string{"cut short", "it is empty", "neither of its two meta pages is valid", "is missing", "checksum"} {
		if strings.Contains(text, known) {
			return known
		}
	}
	return "damaged"
}

// noteGap records in one transaction that a file is no more and what is missing with it. Of hours put together nothing is missing in the
// sense of a gap as long as the readings are there; the row of the file tells.
func (b *Book) noteGap(row *fileRow, cause string, m *Moved) error {
	var g *gapRow
	if row.ID.kind == kindReadings && row.Hours > 0 {
		g = &gapRow{Cause: cause, Detail: row.ID.name(), Readings: row.Samples}
		if row.Name != "" {
			g.Detail = row.Name + ": " + row.Why
		}
	}
	var told *Gap
	err := b.write("recording a gap", func(tx *bolt.Tx) error {
		if err := putFile(tx, row); err != nil || g == nil {
			return err
		}
		all, err := boots(tx)
		if err != nil {
			return err
		}
		first, last := bootOf(all, row.First.Boot), bootOf(all, row.Last.Boot)
		g.From = bootMoment{row.First.Boot, max(0, first.hourEnd(row.First.Hour-1))}
		g.To = bootMoment{row.Last.Boot, row.LastUp}
		gap := g.gap(first, last)
		told = &gap
		return putGap(tx, append([]byte{'f'}, row.ID.key()...), *g)
	})
	if err == nil && told != nil {
		m.Gaps = append(m.Gaps, *told)
	}
	return err
}
