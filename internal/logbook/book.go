package logbook

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"rillwatch/internal/reading"
)

// Name of the file in the logbook's directory, and the name under which it is made.
const (
	fileName = "logbook.db"
	newName  = "logbook.db.new"
)

// version of the layout. A change that an older program would read wrong makes it higher.
const version = 1

// Errors of opening.
var (
	ErrInUse          = errors.New("the logbook is in use by another process")
	ErrNotThere       = errors.New("there is no logbook")
	ErrNotADirectory  = errors.New("the logbook's path is not a directory")
	ErrNoAccess       = errors.New("the logbook may not be opened by this user")
	ErrReadOnlySystem = errors.New("the logbook lies on a read-only file system")
	ErrVersion        = errors.New("the logbook was written by a newer version of this program")
	ErrDamaged        = errors.New("the logbook is damaged")
)

// Errors of writing and reading.
var (
	ErrNotBegun       = errors.New("the boot is not entered in the logbook")
	ErrNonceUsed      = errors.New("another boot has this nonce")
	ErrDictionaryFull = errors.New("the dictionary is full")
	ErrTooManySamples = errors.New("too many samples")
	ErrNoSuchPoint    = errors.New("no such point")
	ErrOutOfOrder     = errors.New("a later commit is on disk already")
	ErrWrongBoot      = errors.New("an event of another boot")
	ErrNoRecipient    = errors.New("a message without a recipient")
	ErrNoSuchRow      = errors.New("no such message")
	ErrBlock          = errors.New("a block cannot be read")
)

// Book is an open logbook. Its methods may be called from several goroutines.
type Book struct {
	db       *bolt.DB
	file     *os.File // the same file as in db
	path     string
	pageSize int

	// writing guards the fields below it, which must move with the transactions. bbolt lets one writer in at a time, but gives
	// its lock back before a writer could note what it has made durable. No channel: writer and notifier are two goroutines that
	// both need the answer before they go on.
	writing sync.Mutex
	boot    *BootRow // nil until Begin
	columns *columns
	acked   ack

	// broken is set when a write ran into a rotten page. The library's write lock may then stay taken for ever, so nobody asks for
	// it again; reading goes on.
	broken atomic.Bool

	commits, failures, samples, packed, dropped atomic.Uint64

	// tending lets one Tend run at a time. It is never held by who commits.
	tending sync.Mutex
	aged    map[byte]time.Duration // Up when age last took a file of a kind

	// shelfLock guards the files that are open beside logbook.db and what is known against them. Opening one takes a millisecond, and
	// nobody who commits ever needs it.
	shelfLock sync.Mutex
	shelf     shelf
	suspect   map[fileID]error
	rotten    map[string]gapRow // chunks that cannot be read, not yet on disk

	step func(string) error // tests stop a Tend here, between any two steps; nil otherwise
}

// ack is what is known to be durable: the floor below a commit and the ceiling after it. A commit that failed may be on disk
// or not; whatever lies above the floor is written anew by the next.
type ack struct {
	through, floor uint64            // outcome of the last commit that succeeded, and of the one before it
	after, before  map[string]uint64 // highest message number per recipient, after the last that succeeded and before it
}

// BootRow is one row of the table of boots: it turns the time since a process start into a wall clock.
type BootRow struct {
	Ordinal     uint32       `json:"-"` // 1 for the first boot; given by the book
	Nonce       string       `json:"nonce"`
	WallAtZero  reading.Wall `json:"wall_at_zero"` // wall clock at Up = 0; put right once the wall clock is certain
	WallCertain bool         `json:"wall_certain"`
	// Phase is where in an hour the wall clock stood at Up = 0, as the boot found it. It is given by the book and never put right, because
	// hours are numbered by it. 0 in rows of older programs.
	Phase   time.Duration `json:"phase_ns,omitempty"`
	Hash    string        `json:"hash"`    // of the configuration
	Version string        `json:"version"` // of the program
	Last    *Last         `json:"last,omitempty"`
}

// Last is the last commit of a boot; nil in a BootRow when it made none.
type Last struct {
	Through uint64        `json:"through"`
	At      reading.Stamp `json:"at"`
	Certain bool          `json:"certain"`
}

// now is the only row of its bucket.
type now struct {
	Ordinal uint32 `json:"boot"`
	Last
}

// Open opens the logbook in dir and makes both where they are not there: the directory with mode 0750, the file with 0640.
// Another process's lock is waited for as long as lock says. Errors are those listed above, with their cause and what to do.
// A file that cannot be read is left as it is: nothing is repaired and nothing is begun anew over it.
func Open(dir string, lock time.Duration) (*Book, error) {
	if err := makeDir(dir); err != nil {
		return nil, err
	}
	path := filepath.Join(dir, fileName)
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		if err := create(dir, lock); err != nil {
			return nil, err
		}
	}
	db, file, err := openFile(path, lock, false, 0)
	if err != nil {
		return nil, err
	}
	b := newBook(db, file, path)
	err = guard("opening", b.inspect)
	if err == nil {
		err = b.addBuckets()
	}
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return b, nil
}

func newBook(db *bolt.DB, file *os.File, path string) *Book {
	return &Book{db: db, file: file, path: path, pageSize: db.Info().PageSize,
		shelf: shelf{handles: map[fileID]*handle{}}, suspect: map[fileID]error{}, rotten: map[string]gapRow{}, aged: map[byte]time.Duration{}}
}

// addBuckets brings a logbook of an older program up to date. Such a program would still read and write what it knows, so the
// version stays.
func (b *Book) addBuckets() error {
	missing := false
	err := b.db.View(func(tx *bolt.Tx) error {
		for _, name := range added {
			missing = missing || tx.Bucket(name) == nil
		}
		return nil
	})
	if err != nil || !missing {
		return err
	}
	return b.update("adding parts", func(tx *bolt.Tx) error {
		for _, name := range added {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		return nil
	})
}

// Close ends the use of the book. It waits for transactions under way.
func (b *Book) Close() error {
	b.closeShelf()
	if b.broken.Load() {
		return letGo(b.file) // the library would wait for its own lock
	}
	return b.db.Close()
}

// letGo closes the file behind the library's back. The memory map keeps the file open, and with it the lock, so that is given
// back by name.
func letGo(f *os.File) error {
	return errors.Join(syscall.Flock(int(f.Fd()), syscall.LOCK_UN), f.Close())
}

// update runs one transaction that writes. b.writing is held.
func (b *Book) update(doing string, fn func(*bolt.Tx) error) error {
	if b.broken.Load() {
		return fmt.Errorf("%w: an earlier write met a rotten page (run the logbook's check)", ErrDamaged)
	}
	whole := false
	err := guard(doing, func() error {
		err := b.db.Update(fn)
		whole = true
		return err
	})
	if !whole {
		b.broken.Store(true)
	}
	return err
}

// inspect refuses a newer layout and notes where the queues of messages stand.
func (b *Book) inspect() error {
	return b.db.View(func(tx *bolt.Tx) error {
		if err := checkVersion(tx); err != nil {
			return err
		}
		b.acked.after = queueNumbers(tx)
		return nil
	})
}

func checkVersion(tx *bolt.Tx) error {
	for _, name := range buckets {
		if tx.Bucket(name) == nil {
			if string(name) == string(bucketFormat) {
				return fmt.Errorf("%w: %s says no version: it is a database, but not a logbook", ErrDamaged, tx.DB().Path())
			}
			if v, err := versionOf(tx); err != nil {
				return err
			} else if v <= version {
				return fmt.Errorf("%w: the part %q is missing", ErrDamaged, name)
			}
		}
	}
	v, err := versionOf(tx)
	if err != nil {
		return err
	}
	if v > version {
		return fmt.Errorf("%w: layout %d, this program knows %d (install the newer program again, or move the directory away)", ErrVersion, v, version)
	}
	return nil
}

func versionOf(tx *bolt.Tx) (uint32, error) {
	body, err := unseal(keyVersion, tx.Bucket(bucketFormat).Get(keyVersion))
	if err != nil {
		return 0, fmt.Errorf("%w: version: %w", ErrDamaged, err)
	}
	v, err := split32(body)
	if err != nil || v == 0 {
		return 0, fmt.Errorf("%w: version %x is none", ErrDamaged, body)
	}
	return v, nil
}

func makeDir(dir string) error {
	_, err := os.Stat(dir)
	if err == nil || errors.Is(err, fs.ErrNotExist) {
		err = os.MkdirAll(dir, 0o750)
	}
	if err != nil {
		return explain(dir, err)
	}
	return syncDir(filepath.Dir(dir))
}

// syncDir makes the names in a directory durable. Some network file systems cannot; they say EINVAL and nothing is lost by
// going on. A parent that may be passed through but not read cannot be synced either, and was not made by us then.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if errors.Is(err, fs.ErrPermission) {
		return nil
	}
	if err != nil {
		return explain(dir, err)
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) {
		return explain(dir, err)
	}
	return nil
}

// create makes the file under another name and links it into place when it is whole, so that a crash leaves either no logbook
// or a good one. Of two processes that start at once, one finds the other's link and opens that.
func create(dir string, lock time.Duration) error {
	temp, final := filepath.Join(dir, newName), filepath.Join(dir, fileName)
	db, _, err := openFile(temp, lock, true, 0)
	if errors.Is(err, ErrDamaged) {
		// Debris of a crash within create: it never bore the logbook's name, so nothing can be in it.
		if err := os.Remove(temp); err != nil {
			return explain(temp, err)
		}
		db, _, err = openFile(temp, lock, true, 0)
	}
	if err != nil {
		return err
	}
	err = guard("creating", func() error {
		return db.Update(func(tx *bolt.Tx) error {
			for _, name := range slices.Concat(buckets, added) {
				if _, err := tx.CreateBucketIfNotExists(name); err != nil {
					return err
				}
			}
			return tx.Bucket(bucketFormat).Put(keyVersion, seal(keyVersion, key32(version)))
		})
	})
	if err == nil {
		err = os.Link(temp, final)
		if errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.ENOTSUP) { // a file system without links
			err = os.Rename(temp, final)
		}
		if errors.Is(err, fs.ErrExist) {
			err = nil
		}
	}
	if err == nil {
		if err = os.Remove(temp); errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
	}
	if err == nil {
		err = syncDir(dir)
	}
	if err := errors.Join(err, db.Close()); err != nil {
		return explain(final, err)
	}
	return nil
}

// openFile opens a bbolt file for writing. fresh says it may be empty; then it gets pages of that size, 0 for the system's.
func openFile(path string, lock time.Duration, fresh bool, page int) (db *bolt.DB, file *os.File, err error) {
	if !fresh {
		if err := checkFile(path); err != nil {
			return nil, nil, err
		}
	}
	err = guard("opening", func() (err error) {
		db, err = bolt.Open(path, 0o640, &bolt.Options{
			// At least 1 ns: to bbolt 0 means "for ever", and a daemon that waits for ever tells nobody.
			Timeout:  max(lock, 1),
			PageSize: page,
			// The free list is kept on disk. Without it opening reads the whole file: 16 s for 1 GB, cold, measured.
			NoFreelistSync: false,
			OpenFile: func(name string, flags int, mode os.FileMode) (*os.File, error) {
				f, err := os.OpenFile(name, flags, mode)
				file = f
				return f, err
			},
		})
		return err
	})
	if err != nil {
		if file != nil {
			_ = letGo(file) // after a panic bbolt has left it open, and with it the lock; else it is closed already
		}
		return nil, nil, explain(path, err)
	}
	return db, file, nil
}

// explain gives an operating system's error its name here, and says what to do.
func explain(path string, err error) error {
	switch {
	case errors.Is(err, ErrDamaged), errors.Is(err, ErrInUse):
		return err
	case errors.Is(err, berrors.ErrTimeout):
		return fmt.Errorf("%w: %s is locked (stop the other one; one daemon keeps one logbook)", ErrInUse, path)
	case errors.Is(err, syscall.ENOTDIR):
		return fmt.Errorf("%w: %s (name a directory in logbook.dir)", ErrNotADirectory, path)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%w: %w (the directory and the file must belong to the daemon's user)", ErrNoAccess, err)
	case errors.Is(err, syscall.EROFS):
		return fmt.Errorf("%w: %w (mount it for writing, or name another directory in logbook.dir)", ErrReadOnlySystem, err)
	case errors.Is(err, berrors.ErrInvalid), errors.Is(err, berrors.ErrChecksum), errors.Is(err, berrors.ErrVersionMismatch):
		return fmt.Errorf("%w: %s: %w (move it away to begin a new one; it is left as it is)", ErrDamaged, path, err)
	}
	return fmt.Errorf("logbook %s: %w", path, err)
}

// guard turns a panic over a rotten page into an error. This is the one place that recovers: bbolt answers damage by
// panicking, and reads outside its memory map fault; and a logbook that cannot be written must be an alarm, not the end of the
// daemon that is to give it. Callers' code never runs under it.
func guard(doing string, fn func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%w: %s: %v (run the logbook's check; the file is left as it is)", ErrDamaged, doing, r)
		}
	}()
	return fn()
}

// Stats are figures since Open.
type Stats struct {
	Commits   uint64
	Failures  uint64 // commits that did not succeed
	Samples   uint64 // in commits that succeeded
	Packed    uint64 // bytes of their blocks
	Dropped   uint64 // messages dropped because a recipient's queue was full
	Written   uint64 // bytes of pages handed to the file; the device's own multiplication is not in it
	FileBytes int64
}

// Stats gives the figures. It does not wait for a commit under way.
func (b *Book) Stats() Stats {
	s := Stats{Commits: b.commits.Load(), Failures: b.failures.Load(), Samples: b.samples.Load(), Packed: b.packed.Load(), Dropped: b.dropped.Load()}
	t := b.db.Stats().TxStats
	// Each commit also writes one of the two meta pages, which bbolt does not count.
	s.Written = uint64(t.GetPageAlloc()) + s.Commits*uint64(b.pageSize)
	if info, err := os.Stat(b.path); err == nil {
		s.FileBytes = info.Size()
	}
	return s
}
