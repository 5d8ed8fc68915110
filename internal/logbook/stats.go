package logbook

import (
	"context"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/reading"
)

// FileStats is one file beside logbook.db.
type FileStats struct {
	Name     string
	State    string // open, closed, gone, aside
	From, To reading.Wall
	Certain  bool
	Hours    int
	Readings uint64
	Bytes    int64
	Why      string
}

// Contents says what a logbook holds and what room it takes.
type Contents struct {
	Bytes     int64 // of logbook.db
	FreeBytes int64 // of it that hold nothing; each later commit writes eight bytes for each page of them
	Hot       int   // blocks not yet moved
	Files     []FileStats
}

// Contents reads the list of files. It is as quick as opening.
func (b *Book) Contents(ctx context.Context) (Contents, error) {
	var c Contents
	rows, _, err := b.list()
	if err != nil {
		return c, err
	}
	all, err := b.Boots()
	if err != nil {
		return c, err
	}
	for i := range rows {
		row := &rows[i]
		first, last := bootOf(all, row.First.Boot), bootOf(all, row.Last.Boot)
		c.Files = append(c.Files, FileStats{Name: row.ID.name(), State: row.State, From: first.wall(max(0, first.hourEnd(row.First.Hour-1))),
			To: last.wall(row.LastUp), Certain: first.WallCertain && last.WallCertain, Hours: row.Hours, Readings: row.Samples, Bytes: row.Bytes, Why: row.Why})
	}
	err = guard("counting", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			c.Bytes = tx.Size()
			c.Hot = tx.Bucket(bucketHot).Stats().KeyN
			return nil
		})
	})
	if m, err := newestMeta(b.file); err == nil && m.freelist != noFreelist {
		c.FreeBytes = int64(freePages(b.file, m)) * int64(m.pageSize)
	}
	return c, errors.Join(err, ctx.Err())
}

// freePages reads how many pages the list of free ones names.
func freePages(f *os.File, m meta) int {
	n := 0
	w := walk{f: f, m: m, seen: make([]bool, m.pages), found: func(string, ...any) {}}
	if b, flags, count, ok := w.page(m.freelist); ok && flags == flagFreelist {
		if n = count; count == 0xFFFF {
			n = int(binary.NativeEndian.Uint64(b[pageHeader:]))
		}
	}
	return n
}

// Compact writes logbook.db anew without the room that deleted rows left, and puts the copy in its place when it is durable. No daemon may have it
// open. A crash leaves the one or the other, whole. progress is told the bytes of the copy so far and of the original.
func Compact(dir string, progress func(done, of int64)) (before, after int64, err error) {
	path, temp := filepath.Join(dir, fileName), filepath.Join(dir, "logbook.db.compacted")
	r, err := Check(dir)
	if err != nil {
		return 0, 0, err
	}
	if len(r.Findings) > 0 {
		return 0, 0, errors.Join(ErrDamaged, errors.New(r.Findings[0]))
	}
	from, file, err := openFile(path, time.Second, false, 0) // the lock keeps a daemon out while it lasts
	if err != nil {
		return 0, 0, err
	}
	defer from.Close()
	if info, err := file.Stat(); err == nil {
		before = info.Size()
	}
	if err := ignoreMissing(os.Remove(temp)); err != nil {
		return before, 0, explain(temp, err)
	}
	to, _, err := openFile(temp, time.Second, true, 0)
	if err != nil {
		return before, 0, err
	}
	stop := make(chan struct{})
	told := make(chan struct{})
	go func() {
		defer close(told)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
				if info, err := os.Stat(temp); err == nil && progress != nil {
					progress(info.Size(), before)
				}
			}
		}
	}()
	err = guard("compacting", func() error { return bolt.Compact(to, from, 4<<20) })
	close(stop)
	<-told
	if err = errors.Join(err, to.Close()); err == nil {
		err = syncFile(temp)
	}
	if err == nil {
		err = os.Rename(temp, path)
	}
	if err != nil {
		return before, 0, errors.Join(explain(path, err), ignoreMissing(os.Remove(temp)))
	}
	if info, err := os.Stat(path); err == nil {
		after = info.Size()
	}
	return before, after, syncDir(dir)
}
