package crashtest

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// change is one thing asked of the device that no sync has covered yet.
type change struct {
	done int    // step at which the call returned; 0 while it has not
	call int    //
	off  int64  // of data
	data []byte // nil: the length is set to off
}

// inode is one file: what the device surely holds, what a process sees, and what lies between.
type inode struct {
	durable, cache []byte
	pending        []change
}

func apply(content []byte, c change) []byte {
	if c.data == nil {
		return resize(content, c.off)
	}
	if need := c.off + int64(len(c.data)); need > int64(len(content)) {
		content = resize(content, need)
	}
	copy(content[c.off:], c.data)
	return content
}

func resize(content []byte, size int64) []byte {
	if size <= int64(len(content)) {
		return content[:size:size]
	}
	return append(content, make([]byte, size-int64(len(content)))...)
}

// naming is one change of a directory that no sync of it has covered.
type naming struct {
	done int // step at which the call returned
	path string
	node *inode // nil: the name goes
	dir  bool   // a directory was made
}

// opened is one file description.
type opened struct {
	node   *inode
	path   string
	dir    bool
	off    int64
	append bool
}

// disk is the model of the device below one folder; what a process does elsewhere does not concern it.
type disk struct {
	root        string
	fds         map[int]*opened
	names       map[string]*inode // as a process sees them
	dirs        map[string]bool
	sure        map[string]*inode // as the device surely holds them
	sureDirs    map[string]bool
	namings     []naming
	inFlight    map[int]int // call → step of its entry, of syncs
	told        []string    // in their order
	at          int         // steps taken
	syncs       int         // that have returned
	failed      int         // that have returned with an error
	writes      int
	ignoreSyncs bool       // the control: syncs cover nothing
	chance      *rand.Rand // for what a failed sync has lost
	tells       func(fd int, text []byte) []string
}

func newDisk(root string, chance *rand.Rand, tells func(fd int, text []byte) []string) *disk {
	return &disk{root: root, fds: map[int]*opened{}, names: map[string]*inode{}, dirs: map[string]bool{root: true}, sure: map[string]*inode{}, sureDirs: map[string]bool{root: true},
		inFlight: map[int]int{}, chance: chance, tells: tells}
}

func (d *disk) below(path string) bool { return strings.HasPrefix(path, d.root+"/") }

// take takes one step of the record. Changes are pending from the entry of their call: they may happen at any time in it.
func (d *disk) take(s step) {
	d.at++
	if s.enters {
		d.enter(s)
		return
	}
	d.back(s)
}

func (d *disk) enter(s step) {
	switch s.name {
	case "fsync", "fdatasync":
		d.inFlight[s.call] = d.at
	case "pwrite64":
		if f := d.fds[s.fd(0)]; f != nil && f.node != nil {
			d.change(f.node, change{call: s.call, off: s.number(3), data: s.text(1)})
		}
	case "write":
		f := d.fds[s.fd(0)]
		if f == nil {
			d.told = append(d.told, d.tells(s.fd(0), s.text(1))...)
			return
		}
		if f.node != nil {
			if f.append {
				f.off = int64(len(f.node.cache))
			}
			data := s.text(1)
			d.change(f.node, change{call: s.call, off: f.off, data: data})
			f.off += int64(len(data))
		}
	case "ftruncate":
		if f := d.fds[s.fd(0)]; f != nil && f.node != nil {
			d.change(f.node, change{call: s.call, off: s.number(1)})
		}
	case "writev", "pwritev", "pwritev2", "sync_file_range", "truncate", "rmdir", "dup", "dup3":
		if len(s.args) > 0 {
			if f := d.fds[s.fd(0)]; f != nil {
				panic(s.name + " on " + f.path + ": the model does not know it")
			}
		}
	}
}

func (d *disk) change(n *inode, c change) {
	d.writes++
	n.cache = apply(n.cache, c)
	n.pending = append(n.pending, c)
}

// absolute gives a path argument, which follows a directory's descriptor where at is true.
func (d *disk) absolute(s step, i int) string {
	p := string(s.text(i))
	if !filepath.IsAbs(p) {
		return "" // nothing here works with relative paths
	}
	return filepath.Clean(p)
}

func (d *disk) back(s step) {
	if s.errno != "" && s.name != "fsync" && s.name != "fdatasync" {
		d.undone(s)
		return
	}
	switch s.name {
	case "openat", "open", "creat":
		d.opens(s)
	case "close":
		delete(d.fds, s.fd(0))
	case "lseek":
		if f := d.fds[s.fd(0)]; f != nil {
			f.off = s.ret
		}
	case "fallocate":
		if f := d.fds[s.fd(0)]; f != nil && f.node != nil && s.number(2)+s.number(3) > int64(len(f.node.cache)) {
			d.change(f.node, change{call: s.call, done: d.at, off: s.number(2) + s.number(3)})
		}
	case "copy_file_range":
		from, to := d.fds[s.fd(0)], d.fds[s.fd(2)]
		if to != nil && to.node != nil {
			data := bytes.Clone(from.node.cache[from.off : from.off+s.ret])
			d.change(to.node, change{call: s.call, done: d.at, off: to.off, data: data})
			from.off, to.off = from.off+s.ret, to.off+s.ret
		}
	case "sendfile":
		if f := d.fds[s.fd(0)]; f != nil {
			panic("sendfile to " + f.path + ": the model does not know it")
		}
	case "pwrite64", "write", "ftruncate":
		if f := d.fds[s.fd(0)]; f != nil && f.node != nil {
			for i := range f.node.pending {
				if c := &f.node.pending[i]; c.call == s.call {
					if c.data != nil && s.ret < int64(len(c.data)) {
						c.data = c.data[:s.ret]
					}
					c.done = d.at
				}
			}
		}
	case "fsync", "fdatasync":
		d.synced(s)
	case "mkdir", "mkdirat":
		if p := d.absolute(s, len(s.args)-2); d.below(p) {
			d.dirs[p] = true
			d.namings = append(d.namings, naming{done: d.at, path: p, dir: true})
		}
	case "link", "linkat", "rename", "renameat", "renameat2":
		from, to := d.absolute(s, pathArg(s.name, 0)), d.absolute(s, pathArg(s.name, 1))
		n := d.names[from]
		if n == nil {
			return
		}
		d.named(to, n)
		if strings.HasPrefix(s.name, "rename") {
			d.named(from, nil)
		}
	case "unlink", "unlinkat":
		if p := d.absolute(s, pathArg(s.name, 0)); d.names[p] != nil {
			d.named(p, nil)
		}
	}
}

// undone takes back a change whose call failed: nothing of it was done. A process that was killed in the call may have done it.
func (d *disk) undone(s step) {
	f := (*opened)(nil)
	if s.name == "pwrite64" || s.name == "write" || s.name == "ftruncate" {
		f = d.fds[s.fd(0)]
	}
	if f == nil || f.node == nil || s.errno == "GONE" {
		return
	}
	f.node.pending = slices.DeleteFunc(f.node.pending, func(c change) bool { return c.call == s.call })
	f.node.cache = bytes.Clone(f.node.durable)
	for _, c := range f.node.pending {
		f.node.cache = apply(f.node.cache, c)
	}
}

func pathArg(name string, i int) int {
	switch name {
	case "linkat", "renameat", "renameat2":
		return 1 + 2*i
	case "unlinkat":
		return 1
	}
	return i
}

func (d *disk) named(path string, n *inode) {
	if n == nil {
		delete(d.names, path)
	} else {
		d.names[path] = n
	}
	d.namings = append(d.namings, naming{done: d.at, path: path, node: n})
}

func (d *disk) opens(s step) {
	i := 1
	if s.name != "openat" {
		i = 0
	}
	p := d.absolute(s, i)
	fd := int(s.ret)
	delete(d.fds, fd)
	flags := "O_CREAT|O_TRUNC"
	if s.name != "creat" {
		flags = s.args[i+1]
	}
	switch {
	case d.dirs[p]:
		d.fds[fd] = &opened{path: p, dir: true}
	case d.below(p):
		n := d.names[p]
		if n == nil {
			n = &inode{}
			d.named(p, n)
		}
		if strings.Contains(flags, "O_TRUNC") && len(n.cache) > 0 {
			d.change(n, change{done: d.at})
		}
		d.fds[fd] = &opened{node: n, path: p, append: strings.Contains(flags, "O_APPEND")}
	}
}

// synced ends a sync: what calls had done before it began is on the device, or lost when it failed.
func (d *disk) synced(s step) {
	began := d.inFlight[s.call]
	delete(d.inFlight, s.call)
	f := d.fds[s.fd(0)]
	if f == nil || s.errno == "GONE" {
		return
	}
	d.syncs++
	if s.errno != "" {
		d.failed++
	}
	if d.ignoreSyncs {
		return
	}
	if f.dir {
		if s.errno != "" {
			return
		}
		d.namings = slices.DeleteFunc(d.namings, func(n naming) bool {
			if filepath.Dir(n.path) != f.path || n.done >= began {
				return false
			}
			d.nameSurely(n)
			return true
		})
		return
	}
	n := f.node
	n.pending = slices.DeleteFunc(n.pending, func(c change) bool {
		if c.done == 0 || c.done >= began {
			return false
		}
		if s.errno == "" || d.chance.IntN(2) == 0 {
			n.durable = apply(n.durable, c)
		}
		return true
	})
}

func (d *disk) nameSurely(n naming) { name(d.sure, d.sureDirs, n) }

func name(files map[string]*inode, dirs map[string]bool, n naming) {
	switch {
	case n.dir:
		dirs[n.path] = true
	case n.node == nil:
		delete(files, n.path)
	default:
		files[n.path] = n.node
	}
}

// loss says what of the changes no sync has covered is on the device.
type loss int

const (
	all   loss = iota // everything got lost that could
	none              // nothing got lost: what kill -9 leaves
	pages             // any pages of 4096 bytes, in any order
	torn              // any sectors of 512 bytes, in any order
	early             // the oldest changes arrived, the last of them in part
	losses
)

func (l loss) String() string {
	return [...]string{"all un-synced lost", "nothing lost", "any pages lost", "any sectors lost", "the latest lost"}[l]
}

// image builds the files as the device may hold them now, below dir. It gives how many changes got lost, in whole or in part.
func (d *disk) image(dir string, l loss, rng *rand.Rand) (lost int, err error) {
	files, dirs := maps.Clone(d.sure), maps.Clone(d.sureDirs)
	keep := func() bool {
		switch l {
		case all:
			return false
		case none:
			return true
		}
		return rng.IntN(2) == 0
	}
	prefix := rng.IntN(len(d.namings) + 1)
	for i, n := range d.namings {
		k := keep()
		if l == early { // a journal keeps the order of names
			k = i < prefix
		}
		if k {
			name(files, dirs, n)
		} else {
			lost++
		}
	}
	var paths []string
	for p := range files {
		paths = append(paths, p)
	}
	slices.Sort(paths)
	seen := map[*inode][]byte{}
	for _, p := range paths {
		n := files[p]
		content, done := seen[n]
		if !done {
			var k int
			content, k = n.hold(l, rng)
			seen[n], lost = content, lost+k
		}
		if !holds(dirs, d.root, filepath.Dir(p)) {
			continue // its directory is not there
		}
		to := filepath.Join(dir, strings.TrimPrefix(p, d.root))
		if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
			return 0, err
		}
		if err := os.WriteFile(to, content, 0o640); err != nil {
			return 0, err
		}
	}
	return lost, nil
}

func holds(dirs map[string]bool, root, dir string) bool {
	for ; dir != root; dir = filepath.Dir(dir) {
		if !dirs[dir] {
			return false
		}
	}
	return true
}

// hold gives a file as the device may hold it.
func (n *inode) hold(l loss, rng *rand.Rand) (content []byte, lost int) {
	content = bytes.Clone(n.durable)
	last := rng.IntN(len(n.pending) + 1)
	for i, c := range n.pending {
		unit := 4096
		if l == torn || l == early {
			unit = 512
		}
		switch {
		case l == none || l == early && i < last:
			content = apply(content, c)
			continue
		case l == all || l == early && i > last:
			lost++
			continue
		}
		if c.data == nil {
			if rng.IntN(2) == 0 {
				content = apply(content, c)
			} else {
				lost++
			}
			continue
		}
		whole := true
		for from := 0; from < len(c.data); {
			to := min(len(c.data), from+unit-int(c.off+int64(from))%unit)
			if rng.IntN(2) == 0 {
				content = apply(content, change{off: c.off + int64(from), data: c.data[from:to]})
			} else {
				whole = false
			}
			from = to
		}
		if !whole {
			lost++
		}
	}
	return content, lost
}

func (d *disk) String() string {
	return fmt.Sprintf("%d writes, %d syncs, %d of them failed", d.writes, d.syncs, d.failed)
}
