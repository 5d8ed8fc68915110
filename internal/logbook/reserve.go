package logbook

import (
	"errors"
	"fmt"
	"syscall"

	bolt "go.etcd.io/bbolt"
)

const (
	// reserveSize is the room kept behind the pages in use, which nobody else on the disk can take: an event with its message and its
	// excursion adds some 4 kB, so it is a thousand events on a full disk, more than a plant in trouble tells in a day.
	reserveSize = 4 << 20
	// reserveLow is when it is filled up again. Filling it costs writes of the file system's own, so not with every commit.
	reserveLow = reserveSize / 2
)

// keepSize asks for blocks behind the end of the file and leaves its length alone (FALLOC_FL_KEEP_SIZE, linux/falloc.h).
const keepSize = 0x1

// ErrFull says that the disk has no room for readings. Events, messages and judge state still go into the reserve: offered without
// samples, the same commit is taken as long as that lasts.
var ErrFull = errors.New("the disk is full")

// reserve sees to it that the file has room ahead of the pages in use, on the device and not only by name. A commit with samples needs
// it whole; others use it up. Where the file system cannot set room aside, there is none, and a full disk is met by the commit itself.
// b.writing is held.
func (b *Book) reserve() error {
	if b.noReserve {
		return nil
	}
	used := int64(0)
	err := guard("measuring", func() error {
		return b.db.View(func(tx *bolt.Tx) error { used = tx.Size(); return nil })
	})
	if err != nil || b.reserved-used >= reserveLow {
		return err
	}
	for {
		err = syscall.Fallocate(int(b.file.Fd()), keepSize, used, reserveSize)
		switch {
		case errors.Is(err, syscall.EINTR):
			continue
		case err == nil:
			b.reserved = used + reserveSize
			return nil
		case noRoom(err):
			b.reserved = 0 // what part of it there is nobody says
			return fmt.Errorf("%w: keeping %d MB for events: %w", ErrFull, reserveSize>>20, err)
		}
		b.noReserve = true // EOPNOTSUPP, mostly: asking each time would change nothing
		return nil
	}
}

// noRoom tells whether an error of the system means that there is no room: no blocks, no quota, or a bound on the size of files.
func noRoom(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EFBIG)
}
