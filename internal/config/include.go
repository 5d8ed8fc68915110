package config

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// includesMax bounds the files of one configuration: more would be a folder named by mistake.
const includesMax = 64

// read at most sizeMax and one byte, so that a larger file is seen to be one.
func readFile(path string) ([]byte, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return io.ReadAll(io.LimitReader(file, sizeMax+1))
}

// readIncludes reads the files that the configuration includes: register maps and sets of limits, which several sites may share. An included file
// includes nothing itself. Mistakes in it name its own places.
func (d *doc) readIncludes(top table) {
	v, ok := top.m["include"]
	if !ok {
		return
	}
	before := len(d.mistakes)
	defer func() { d.partial = d.partial || len(d.mistakes) > before }()
	const do = `write include = ["maps/rack.toml", "limits/*.toml"], seen from the folder of this file`
	list, ok := v.([]any)
	if !ok {
		top.notA("include", "a list of files", do)
		return
	}
	if d.open == nil {
		top.wrongKey("include", "only a file on the disk can include others", "copy the maps and sets into this file")
		return
	}
	var paths []string
	for i, one := range list {
		at := fmt.Sprintf("[%d]", i)
		in := table{d: d, path: top.under("include"), m: map[string]any{at: one}}
		pattern, ok := one.(string)
		if !ok || strings.TrimSpace(pattern) == "" || strings.ContainsFunc(pattern, hidden) {
			in.wrong(at, "is no name of a file", do)
			continue
		}
		if !filepath.IsAbs(pattern) {
			pattern = filepath.Join(filepath.Dir(d.file), pattern)
		}
		found, err := filepath.Glob(pattern)
		if err != nil || len(found) == 0 {
			in.wrong(at, fmt.Sprintf("there is no file %q", pattern), do)
			continue
		}
		for _, path := range found { // in order
			if slices.Contains(paths, path) {
				in.warn(at, fmt.Sprintf("%q is included already", path), "remove one of the two")
				continue
			}
			paths = append(paths, path)
			if len(paths) > includesMax {
				in.wrong(at, fmt.Sprintf("more than %d files are included", includesMax), "name the files that are needed")
				return
			}
			d.include(in, at, path)
		}
	}
}

func (d *doc) include(from table, at, path string) {
	text, err := d.open(path)
	if err != nil {
		why := "cannot be read"
		if errors.Is(err, os.ErrNotExist) {
			why = notFound
		}
		from.wrong(at, fmt.Sprintf("%q %s", path, why), "give a file that rillwatch may read")
		return
	}
	if len(text) > sizeMax {
		from.wrong(at, fmt.Sprintf("%q is larger than %d bytes", path, sizeMax), "give a configuration file")
		return
	}
	d.texts = append(d.texts, text)
	in := newDoc(path)
	in.maps, in.sets, in.own = d.maps, d.sets, d.own
	d.included = append(d.included, in)
	root, ok := in.decode(bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")))
	if !ok {
		d.partial = true
		return
	}
	top := table{d: in, m: root}
	top.check(shapeIncluded)
	for _, name := range sortedKeys(d.maps) { // told here and not in the file itself, which may be right for others
		if maps, _ := top.m["map"].(map[string]any); maps[name] != nil {
			from.wrong(at, fmt.Sprintf("%q describes the register map %q, which another file has already", path, name), "rename one of the two")
			delete(maps, name)
		}
	}
	in.readMaps(top)
	in.readSets(top)
}

// settle puts what the included files told behind what the file itself told.
func (d *doc) settle() {
	d.mistakes.sort()
	d.report.sort()
	for _, in := range d.included {
		in.mistakes.sort()
		d.mistakes = append(d.mistakes, in.mistakes...)
		in.report.Warnings.sort()
		d.report.Warnings = append(d.report.Warnings, in.report.Warnings...)
		d.report.Defaults = append(d.report.Defaults, in.report.Defaults...)
		d.report.Notes = append(d.report.Notes, in.report.Notes...)
	}
}

// clean tells whether nothing is wrong so far, in the file or in what it includes.
func (d *doc) clean() bool {
	return len(d.mistakes) == 0 && !slices.ContainsFunc(d.included, func(in *doc) bool { return len(in.mistakes) > 0 })
}

// hash names all the text of a configuration; that of one file alone is the sum of its bytes.
func (d *doc) hash(text []byte) string {
	h := sha256.New()
	h.Write(text)
	for _, more := range d.texts {
		fmt.Fprintf(h, "\x00%d\x00", len(more))
		h.Write(more)
	}
	return hex.EncodeToString(h.Sum(nil))[:12]
}
