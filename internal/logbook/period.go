package logbook

import (
	"cmp"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"
)

// Kinds of files beside logbook.db.
const (
	kindReadings = 'r' // chunks, at least a week each
	kindHours    = 'h' // hours put together, a year each
)

// fileID names a file. Numbers only grow and are never given twice.
type fileID struct {
	kind   byte
	number uint32
}

func (id fileID) name() string {
	if id.kind == kindHours {
		return fmt.Sprintf("hours-%06d.db", id.number)
	}
	return fmt.Sprintf("readings-%06d.db", id.number)
}

func (id fileID) key() []byte { return append([]byte{id.kind}, key32(id.number)...) }

// Buckets of a file.
var (
	bucketChunks   = []byte("chunks")   // boot, hour, dictionary id: chunk
	bucketCovered  = []byte("hours")    // boot, hour: what the hour holds, JSON
	bucketTogether = []byte("together") // boot, hour, dictionary id / pointsInRow: hours put together

	keyBook = []byte("book") // nonce of the first start of the logbook the file belongs to
)

func bucketsOf(kind byte) [][]byte {
	if kind == kindHours {
		return [][]byte{bucketFormat, bucketDictionary, bucketTogether}
	}
	return [][]byte{bucketFormat, bucketDictionary, bucketNames, bucketCovered, bucketChunks}
}

// States of a file.
const (
	stateOpen   = "open"   // the one that grows
	stateClosed = "closed" // whole
	stateGone   = "gone"   // deleted, or about to be
	stateAside  = "aside"  // unreadable: set aside under another name
)

// hourRef is an hour of a boot.
type hourRef struct {
	Boot uint32 `json:"boot"`
	Hour int64  `json:"hour"`
}

func (a hourRef) compare(b hourRef) int {
	return cmp.Or(cmp.Compare(a.Boot, b.Boot), cmp.Compare(a.Hour, b.Hour))
}

// fileRow is what logbook.db knows of a file. It is written in the transaction that gives up the hot blocks, so what it does not tell
// is not yet in the file for anybody.
type fileRow struct {
	ID      fileID        `json:"-"`
	State   string        `json:"state"`
	First   hourRef       `json:"first"`
	Last    hourRef       `json:"last"`
	LastUp  time.Duration `json:"last_up"` // of the last reading of the last hour
	Covered time.Duration `json:"covered"` // time with readings
	Hours   int           `json:"hours"`
	Samples uint64        `json:"samples,omitempty"`
	Bytes   int64         `json:"bytes"`
	Name    string        `json:"name,omitempty"` // under which it was set aside
	Why     string        `json:"why,omitempty"`
}

func (r *fileRow) live() bool { return r.State == stateOpen || r.State == stateClosed }

// add notes that an hour is in the file.
func (r *fileRow) add(h hourRef, lastUp, covered time.Duration, samples uint64) {
	if r.Hours == 0 {
		r.First = h
	}
	r.Last, r.LastUp = h, lastUp
	r.Hours++
	r.Covered += covered
	r.Samples += samples
}

// movedRow says how far a boot's readings have left the hot blocks: those in blocks up to Through, of hours up to Hour.
type movedRow struct {
	Hour    int64  `json:"hour"`
	Through uint64 `json:"through"`
}

func (m movedRow) has(through uint64, hour int64) bool { return through <= m.Through && hour <= m.Hour }

var noneMoved = movedRow{Hour: math.MinInt64}

// hourKey sorts hours of a boot as numbers, those before its first full hour too.
func hourKey(ordinal uint32, hour int64) []byte {
	return binary.BigEndian.AppendUint64(key32(ordinal), uint64(hour)^1<<63)
}

func chunkKey(ordinal uint32, hour int64, id uint32) []byte {
	return append(hourKey(ordinal, hour), key32(id)...)
}

func splitHour(k []byte) (ordinal uint32, hour int64, rest []byte, err error) {
	if len(k) < 12 {
		return 0, 0, nil, fmt.Errorf("a key of %d bytes, want 12 or more", len(k))
	}
	return binary.BigEndian.Uint32(k), int64(binary.BigEndian.Uint64(k[4:]) ^ 1<<63), k[12:], nil
}

// files reads the list of files, oldest first, readings before hours within one call's kind.
func files(tx *bolt.Tx) ([]fileRow, error) {
	bucket := tx.Bucket(bucketFiles)
	if bucket == nil { // a logbook of an older program, open for reading
		return nil, nil
	}
	var rows []fileRow
	err := bucket.ForEach(func(k, v []byte) error {
		if len(k) != 5 {
			return fmt.Errorf("files: a key of %d bytes, want 5", len(k))
		}
		row := fileRow{ID: fileID{k[0], binary.BigEndian.Uint32(k[1:])}}
		if err := unsealJSON(k, v, &row); err != nil {
			return fmt.Errorf("file %s: %w", row.ID.name(), err)
		}
		rows = append(rows, row)
		return nil
	})
	return rows, err
}

func putFile(tx *bolt.Tx, row *fileRow) error {
	v, err := sealJSON(row.ID.key(), row)
	if err != nil {
		return err
	}
	return tx.Bucket(bucketFiles).Put(row.ID.key(), v)
}

// movedOf reads how far a boot has moved.
func movedOf(tx *bolt.Tx, ordinal uint32) (movedRow, error) {
	m := noneMoved
	bucket := tx.Bucket(bucketMoved)
	if bucket == nil {
		return m, nil
	}
	v := bucket.Get(key32(ordinal))
	if v == nil {
		return m, nil
	}
	if err := unsealJSON(key32(ordinal), v, &m); err != nil {
		return m, fmt.Errorf("moved, boot %d: %w", ordinal, err)
	}
	return m, nil
}

// openMax is how many closed files are open at once: a query goes through them one after the other, and two may run beside each other.
const openMax = 4

// handle is one file that is open.
type handle struct {
	db     *bolt.DB
	file   *os.File
	users  int
	used   uint64 // when it was last used, as a count
	ending bool   // to be closed by its last user
	write  bool
	doubt  bool // the last transaction failed on the way to the disk
}

// shelf holds the open files.
type shelf struct {
	handles map[fileID]*handle
	count   uint64
}

var errMissing = errors.New("it is not there any more")

// inPart runs fn in a transaction that reads a file, opened on demand. What it finds rotten is remembered, so that Tend sets the file
// aside and nobody trips over it twice.
func (b *Book) inPart(id fileID, fn func(*bolt.Tx) error) error {
	b.shelfLock.Lock()
	if why := b.suspect[id]; why != nil {
		b.shelfLock.Unlock()
		return why
	}
	h, err := b.take(id)
	b.shelfLock.Unlock()
	if err == nil {
		var own error // of fn, which is not the file's fault
		err = guard("reading "+id.name(), func() error {
			return h.db.View(func(tx *bolt.Tx) error { own = fn(tx); return nil })
		})
		b.giveBack(h)
		if err == nil {
			return own
		}
	}
	if errors.Is(err, ErrDamaged) || errors.Is(err, errMissing) {
		b.shelfLock.Lock()
		b.suspect[id] = err
		b.shelfLock.Unlock()
	}
	return err
}

// take gives an open file to one more user. The lock is held.
func (b *Book) take(id fileID) (*handle, error) {
	h := b.shelf.handles[id]
	if h == nil {
		db, file, err := b.openPart(id, false)
		if err != nil {
			return nil, err
		}
		h = &handle{db: db, file: file}
		b.shelf.handles[id] = h
	}
	b.shelf.count++
	h.users++
	h.used = b.shelf.count
	b.tidy()
	return h, nil
}

// tidy closes the file that was not used for longest when too many are open. The lock is held.
func (b *Book) tidy() {
	for {
		n := 0
		var oldest fileID
		for id, h := range b.shelf.handles { // the order does not matter: uses are counted one by one, so there is one oldest
			if h.write {
				continue
			}
			n++
			if h.users == 0 && (oldest == fileID{} || h.used < b.shelf.handles[oldest].used) {
				oldest = id
			}
		}
		if n <= openMax || oldest == (fileID{}) {
			return
		}
		b.drop(oldest)
	}
}

func (b *Book) giveBack(h *handle) {
	b.shelfLock.Lock()
	defer b.shelfLock.Unlock()
	if h.users--; h.users == 0 && h.ending {
		_ = h.db.Close()
	}
}

// drop takes a file off the shelf; its last user closes it. The lock is held.
func (b *Book) drop(id fileID) {
	h := b.shelf.handles[id]
	if h == nil {
		return
	}
	delete(b.shelf.handles, id)
	if h.ending = true; h.users == 0 {
		_ = h.db.Close()
	}
}

// closeShelf closes all of them.
func (b *Book) closeShelf() {
	b.shelfLock.Lock()
	defer b.shelfLock.Unlock()
	for id := range b.shelf.handles { // they do not depend on each other
		b.drop(id)
	}
}

func (b *Book) part(id fileID) string { return filepath.Join(filepath.Dir(b.path), id.name()) }

// openPart opens a file that is there.
func (b *Book) openPart(id fileID, write bool) (*bolt.DB, *os.File, error) {
	path := b.part(id)
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, nil, errMissing
	}
	if err := measureFile(path); err != nil {
		return nil, nil, err
	}
	var db *bolt.DB
	var file *os.File
	err := guard("opening "+id.name(), func() (err error) {
		db, err = bolt.Open(path, 0o640, &bolt.Options{ReadOnly: !write, Timeout: partLock, OpenFile: func(name string, flags int, mode os.FileMode) (*os.File, error) {
			f, err := os.OpenFile(name, flags, mode)
			file = f
			return f, err
		}})
		if err != nil {
			return err
		}
		return db.View(func(tx *bolt.Tx) error { return checkPart(tx, id.kind) })
	})
	if err != nil {
		if db != nil {
			_ = db.Close()
		} else if file != nil {
			_ = letGo(file)
		}
		return nil, nil, explain(path, err)
	}
	return db, file, nil
}

// partLock is how long another process's lock on a part is waited for: somebody may be looking at a closed file.
const partLock = time.Second

// checkPart refuses a file that is none of ours or newer than this program.
func checkPart(tx *bolt.Tx, kind byte) error {
	for _, name := range bucketsOf(kind) {
		if tx.Bucket(name) == nil {
			return fmt.Errorf("%w: the part %q is missing", ErrDamaged, name)
		}
	}
	v, err := versionOf(tx)
	if err != nil {
		return err
	}
	if v > partVersion {
		return fmt.Errorf("%w: layout %d of a part, this program knows %d", ErrVersion, v, partVersion)
	}
	return nil
}

// partPage is the size of their pages. A chunk is about 1 kB, and of 4 kB pages a fifth would stay empty, of these a twentieth; an hour is
// written once, so that what a larger page costs each time does not matter.
const partPage = 16 << 10

// partVersion is the layout of the files beside logbook.db.
const partVersion = 1

// createPart makes an empty file, under another name and then its own, so that it is absent or whole.
func (b *Book) createPart(id fileID, book string) error {
	path := b.part(id)
	temp := path + ".new"
	if err := os.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return explain(temp, err)
	}
	db, _, err := openFile(temp, partLock, true, partPage)
	if err != nil {
		return err
	}
	err = guard("creating "+id.name(), func() error {
		return db.Update(func(tx *bolt.Tx) error {
			for _, name := range bucketsOf(id.kind) {
				if _, err := tx.CreateBucketIfNotExists(name); err != nil {
					return err
				}
			}
			f := tx.Bucket(bucketFormat)
			if err := f.Put(keyVersion, seal(keyVersion, key32(partVersion))); err != nil {
				return err
			}
			return f.Put(keyBook, seal(keyBook, []byte(book)))
		})
	})
	if err = errors.Join(err, db.Close()); err == nil {
		err = os.Rename(temp, path)
	}
	if err != nil {
		_ = os.Remove(temp)
		return explain(path, err)
	}
	return syncDir(filepath.Dir(path))
}

// bookOf reads whose file it is.
func bookOf(tx *bolt.Tx) string {
	body, err := unseal(keyBook, tx.Bucket(bucketFormat).Get(keyBook))
	if err != nil {
		return ""
	}
	return string(body)
}

// putEntries writes the dictionary entries a file needs and does not have.
func putEntries(tx *bolt.Tx, d *dictionary, ids []uint32) error {
	bucket := tx.Bucket(bucketDictionary)
	for _, id := range ids {
		k := key32(id)
		if bucket.Get(k) != nil {
			continue
		}
		body, err := json.Marshal(d.entries[id])
		if err != nil {
			return err
		}
		if err := bucket.Put(k, seal(k, body)); err != nil {
			return err
		}
	}
	return nil
}

// putNames writes the names of a file's numbers.
func putNames(tx *bolt.Tx, d *dictionary, id uint32) error {
	k := key32(id)
	if tx.Bucket(bucketNames).Get(k) != nil {
		return nil
	}
	body, err := json.Marshal(d.names[id])
	if err != nil {
		return err
	}
	return tx.Bucket(bucketNames).Put(k, seal(k, body))
}

// slug makes a short part of a file name out of a reason.
func slug(s string) string {
	words := strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return (r < 'a' || r > 'z') && (r < '0' || r > '9') })
	return strings.Join(words[:min(len(words), 6)], "-")
}

// sortedKeys gives a map's keys in order.
func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K {
	keys := make([]K, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
