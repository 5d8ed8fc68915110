// Package config turns a configuration file into a site, or into every mistake in it at once.
//
// Owns: the shape of the file, its defaults, and the words and exact places of its mistakes.
// Never: is consulted after the start, guesses what was meant, or ignores a key.
//
// The text is decoded by one TOML library into plain maps, in which keys keep their case; a second one is used only to know
// where each key and value stands. Decoding into structs instead would match keys in any case and lose the places.
package config

import (
	"bytes"
	"fmt"
	"os"
	"slices"

	"rillwatch/internal/site"
)

// sizeMax bounds a configuration file. A panel takes about 2 kB, so this is five hundred panels; a larger file is some other
// file, given by mistake.
const sizeMax = 1 << 20

// Load reads the file at path. The error is Mistakes when anything in the file is wrong, or else the error of reading it. The
// report is filled as far as the file could be read, also beside Mistakes. Files that the configuration names (secrets, the
// token) are looked for, and their absence is a warning: whoever runs the daemon must make it fatal.
func Load(path string) (*site.Site, Report, error) {
	text, err := readFile(path)
	if err != nil {
		return nil, Report{}, fmt.Errorf("read the configuration: %w", err)
	}
	d := newDoc(path)
	d.look, d.open = lookAtFile, readFile
	return d.read(text)
}

// Parse is Load on memory: name stands for the file in messages, and no file is looked at. The error is nil or Mistakes.
func Parse(name string, text []byte) (*site.Site, Report, error) {
	return newDoc(name).read(text)
}

const (
	notFound = "cannot be found"
	isFolder = "is a directory"
)

// lookAtFile says what is wrong with a file that must hold a secret; empty when nothing is.
func lookAtFile(path string) (what, do string) {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return notFound, "put the file there before rillwatch runs; it will not start without it"
	case info.IsDir():
		return isFolder, "name the file in it; rillwatch will not start without it"
	case info.Mode().Perm()&0o007 != 0:
		return "can be read or changed by every user of this machine", "chmod it to 0640 or 0600; rillwatch will not start while it is open"
	}
	return "", ""
}

// doc is one file being read: what is wrong so far, what was assumed, and where everything stands.
type doc struct {
	file     string
	at       index
	mistakes Mistakes
	report   Report
	look     func(path string) (what, do string) // nil: do not look

	open     func(path string) ([]byte, error) // nil: nothing can be included
	included []*doc
	texts    [][]byte // of the included files, in their order
	partial  bool     // something that is included could not be read, so what is missing may stand there

	slips       map[string]bool // keys that a key in the wrong case or a near miss stands for
	maps        map[string]*regMap
	own         map[string]bool // maps of the file itself: one that is included may go unused
	sets        map[string]*set
	buses       map[string]*bus
	sensors     []*sensor // by path, once all are read
	siteSensors map[string]*sensor
	panels      []*panel
	points      int // of all sensors, for the bound
	out         site.Site
}

func newDoc(file string) *doc {
	return &doc{file: file, slips: map[string]bool{}, maps: map[string]*regMap{}, own: map[string]bool{}, sets: map[string]*set{}, buses: map[string]*bus{}, siteSensors: map[string]*sensor{}}
}

func (d *doc) read(text []byte) (*site.Site, Report, error) {
	raw := text
	if len(text) > sizeMax {
		d.add(&d.mistakes, place{1, 1}, "", fmt.Sprintf("the file is larger than %d bytes", sizeMax), "give a configuration file")
		return nil, d.report, d.mistakes
	}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")) // some editors put a byte order mark
	root, ok := d.decode(text)
	if !ok {
		return nil, d.report, d.mistakes
	}
	top := table{d: d, m: root}
	top.check(shapeTop)

	d.readBuses(top)
	d.readMaps(top)
	for _, name := range sortedKeys(d.maps) {
		d.own[name] = true
	}
	d.readSets(top)
	d.readIncludes(top)
	d.readSite(top)
	d.readPanels(top)
	d.checkBuses()
	d.checkStations()
	d.checkDrives()
	d.checkUse()
	d.readLogbook(top) // before the recipients: a heartbeat follows its commits
	d.readMessages(top)
	d.readRecipients(top)
	d.readHTTP(top)

	d.out.Hash = d.hash(raw)
	if d.clean() {
		d.assemble()
		d.checkTimes()
	}
	d.settle()
	if len(d.mistakes) > 0 {
		return nil, d.report, d.mistakes
	}
	return &d.out, d.report, nil
}

func (d *doc) add(list *Mistakes, at place, path, what, do string) {
	m := Mistake{File: d.file, Line: at.line, Column: at.column, Path: path, What: what, Do: do}
	if n := len(*list); n > 0 && (*list)[n-1] == m {
		return // two readers of one table found the same
	}
	*list = append(*list, m)
}

func (d *doc) tookDefault(path, value, why string) {
	d.report.Defaults = append(d.report.Defaults, Default{Path: path, Value: value, Why: why})
}

func (d *doc) note(path, what string) {
	d.report.Notes = append(d.report.Notes, Note{Path: path, What: what})
}

// sortedKeys gives the keys of a map in order, because everything that is counted or reported must not depend on chance.
func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
