package logbook

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
)

// The page format of bbolt, version 2, as its library lays it out in memory and so on disk. It is read here by hand, because the
// library maps the file and trusts it: a page past the end of a truncated file is a bus error, and a tree that leads back into
// itself an endless recursion. Neither can be recovered in the library's own goroutine, so both are looked for first.
const (
	pageHeader    = 16
	pageElement   = 16
	metaSize      = 64
	metaSum       = 56
	boltMagic     = 0xED0CDAED
	boltVersion   = 2
	flagBranch    = 0x01
	flagLeaf      = 0x02
	flagFreelist  = 0x10
	elementBucket = 0x01
	noFreelist    = 1<<64 - 1
	pageSizeMin   = 1 << 10
	pageSizeMax   = 16 << 20
)

// meta is what one of the two meta pages says.
type meta struct {
	pageSize, root, freelist, pages, tx uint64
}

func readMeta(f io.ReaderAt, at int64) (meta, bool) {
	var b [pageHeader + metaSize]byte
	if _, err := f.ReadAt(b[:], at); err != nil {
		return meta{}, false
	}
	m, e := b[pageHeader:], binary.NativeEndian
	h := fnv.New64a()
	_, _ = h.Write(m[:metaSum])
	if e.Uint32(m) != boltMagic || e.Uint32(m[4:]) != boltVersion || e.Uint64(m[metaSum:]) != h.Sum64() {
		return meta{}, false
	}
	v := meta{uint64(e.Uint32(m[8:])), e.Uint64(m[16:]), e.Uint64(m[32:]), e.Uint64(m[40:]), e.Uint64(m[48:])}
	return v, v.pageSize >= pageSizeMin && v.pageSize <= pageSizeMax
}

// newestMeta finds the meta page that counts: the valid one of the later transaction. The second stands one page in, and how long
// a page is only a meta page knows.
func newestMeta(f io.ReaderAt) (meta, error) {
	first, ok := readMeta(f, 0)
	if ok {
		if second, ok := readMeta(f, int64(first.pageSize)); ok && second.pageSize == first.pageSize && second.tx > first.tx {
			return second, nil
		}
		return first, nil
	}
	for size := int64(pageSizeMin); size <= pageSizeMax; size *= 2 {
		if second, ok := readMeta(f, size); ok && second.pageSize == uint64(size) {
			return second, nil
		}
	}
	return meta{}, errors.New("neither of its two meta pages is valid: it is not a database, or its beginning is lost")
}

// measure finds the meta page that counts and checks that the file is as long as it says. The size is asked after the page was
// read: a file in use only grows, so this is right beside a running daemon too.
func measure(f *os.File) (meta, int64, error) {
	m, err := newestMeta(f)
	info, statErr := f.Stat()
	if statErr != nil {
		return meta{}, 0, statErr
	}
	size := info.Size()
	switch {
	case size == 0:
		return meta{}, 0, errors.New("it is empty")
	case err != nil:
		return meta{}, size, err
	case m.pages > uint64(size)/m.pageSize:
		return meta{}, size, fmt.Errorf("it is cut short: %d bytes, but %d pages of %d bytes are in use", size, m.pages, m.pageSize)
	}
	return m, size, nil
}

// checkFile refuses a file the library could not be given without danger.
func checkFile(path string) error {
	err := measureFile(path)
	if errors.Is(err, ErrDamaged) {
		return fmt.Errorf("%w (move %s away to begin a new one; it is left as it is)", err, path)
	}
	return err
}

// measureFile is checkFile for a file that nobody need do anything about.
func measureFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return explain(path, err)
	}
	defer f.Close()
	if _, _, err := measure(f); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return nil
}

// walk visits every page once, checks that all it points at lies within the file, and hands its findings to found.
type walk struct {
	f     io.ReaderAt
	m     meta
	seen  []bool
	found func(string, ...any)
}

func walkPages(f *os.File, found func(string, ...any)) {
	m, _, err := measure(f)
	if err != nil {
		found("%v", err)
		return
	}
	for i := range int64(2) {
		if other, ok := readMeta(f, i*int64(m.pageSize)); !ok || other.pageSize != m.pageSize {
			// Of the two the library takes the other, so the book opens, at the commit before. A write torn by a power cut looks the
			// same and loses nothing that was acknowledged; nobody can tell the two apart afterwards.
			found("meta page %d is not valid: the last commit is missing if it was acknowledged", i)
		}
	}
	w := walk{f: f, m: m, seen: make([]bool, m.pages), found: found}
	if m.freelist != noFreelist {
		w.freelist(m.freelist)
	}
	w.tree(m.root)
}

// page reads a page with its overflow. Reading each at most once bounds memory by the file.
func (w *walk) page(id uint64) (b []byte, flags uint16, count int, ok bool) {
	if id < 2 || id >= w.m.pages {
		w.found("page %d: there is none, pages are 2 to %d", id, w.m.pages-1)
		return nil, 0, 0, false
	}
	var h [pageHeader]byte
	if _, err := w.f.ReadAt(h[:], int64(id*w.m.pageSize)); err != nil {
		w.found("page %d: %v", id, err)
		return nil, 0, 0, false
	}
	e := binary.NativeEndian
	self, flags, count, more := e.Uint64(h[:]), e.Uint16(h[8:]), int(e.Uint16(h[10:])), uint64(e.Uint32(h[12:]))
	if self != id || more >= w.m.pages-id {
		w.found("page %d: its head says page %d and %d more", id, self, more)
		return nil, 0, 0, false
	}
	for i := id; i <= id+more; i++ {
		if w.seen[i] {
			w.found("page %d: two ways lead to it", i)
			return nil, 0, 0, false
		}
		w.seen[i] = true
	}
	b = make([]byte, (1+more)*w.m.pageSize)
	if _, err := w.f.ReadAt(b, int64(id*w.m.pageSize)); err != nil {
		w.found("page %d: %v", id, err)
		return nil, 0, 0, false
	}
	return b, flags, count, true
}

func (w *walk) freelist(id uint64) {
	b, flags, count, ok := w.page(id)
	if !ok {
		return
	}
	if flags != flagFreelist {
		w.found("page %d: should hold the free list, is of kind %#x", id, flags)
		return
	}
	ids, n := b[pageHeader:], uint64(count)
	if count == 0xFFFF { // then the true count is the first entry
		n, ids = binary.NativeEndian.Uint64(ids), ids[8:]
	}
	if n > uint64(len(ids)/8) {
		w.found("page %d: claims %d free pages", id, n)
		return
	}
	for i := range n {
		if free := binary.NativeEndian.Uint64(ids[i*8:]); free < 2 || free >= w.m.pages {
			w.found("page %d: calls page %d free, which is none", id, free)
			return
		}
	}
}

func (w *walk) tree(id uint64) {
	b, flags, count, ok := w.page(id)
	if !ok {
		return
	}
	if flags != flagBranch && flags != flagLeaf {
		w.found("page %d: should hold rows, is of kind %#x", id, flags)
		return
	}
	if !w.elements(id, b, flags, count, false) {
		w.found("page %d: its rows do not fit into it", id)
	}
}

// elements checks the rows of a page, or of a small bucket kept inside a row. The library writes the content of the first right
// behind the table of rows and each next right behind the one before, so a count or a place that went rotten shows; without that a
// lower count would lose rows unseen.
func (w *walk) elements(id uint64, b []byte, flags uint16, count int, within bool) bool {
	if count*pageElement > len(b)-pageHeader {
		return false
	}
	if flags == flagBranch && count == 0 {
		return false
	}
	e, size := binary.NativeEndian, uint64(len(b))
	end := uint64(pageHeader + count*pageElement)
	if count == 0 && len(b) >= pageHeader+8 && e.Uint64(b[pageHeader:]) != 0 {
		return false // a page without rows is empty
	}
	for i := range count {
		at := uint64(pageHeader + i*pageElement)
		row := b[at:]
		if flags == flagBranch {
			pos, ksize := uint64(e.Uint32(row)), uint64(e.Uint32(row[4:]))
			if at+pos != end || end+ksize > size {
				return false
			}
			end += ksize
			w.tree(e.Uint64(row[8:]))
			continue
		}
		kind, pos, ksize, vsize := e.Uint32(row), uint64(e.Uint32(row[4:])), uint64(e.Uint32(row[8:])), uint64(e.Uint32(row[12:]))
		if kind > elementBucket || at+pos != end || end+ksize+vsize > size {
			return false
		}
		end += ksize + vsize
		if kind&elementBucket == 0 {
			continue
		}
		if within || vsize < 16 {
			return false
		}
		value := b[at+pos+ksize : at+pos+ksize+vsize]
		if root := e.Uint64(value); root != 0 {
			w.tree(root)
			continue
		}
		inner := value[16:]
		if len(inner) < pageHeader || e.Uint16(inner[8:]) != flagLeaf ||
			!w.elements(id, inner, flagLeaf, int(e.Uint16(inner[10:])), true) {
			return false
		}
	}
	return true
}
