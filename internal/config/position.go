package config

import (
	"bytes"
	"errors"
	"fmt"
	"sort"
	"strings"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
	"github.com/pelletier/go-toml/v2/unstable"
)

// place is where something stands, counted from 1; columns in characters, as editors do.
type place struct{ line, column int }

// spot is where a key stands and where its value does. A table written only in a header has no value of its own.
type spot struct {
	key, value place
	said       bool // by a header or a key of its own
	dotted     bool // on the way of a dotted key, which a header may not open again
}

// index knows where every path of a document stands. Array elements are "[0]", "[1]", ...
type index struct{ at map[string]spot }

func joined(path []string) string { return strings.Join(path, "\x00") }

// key is the place of a key, or of the nearest table above it that was written.
func (x index) key(path []string) place {
	for n := len(path); n > 0; n-- {
		if s, ok := x.at[joined(path[:n])]; ok {
			return s.key
		}
	}
	return place{1, 1}
}

// value is the place of a key's value, or of the key where it is a table with a header.
func (x index) value(path []string) place {
	if s, ok := x.at[joined(path)]; ok && s.value != (place{}) {
		return s.value
	}
	return x.key(path)
}

// decode gives the document as plain maps and fills the index. Mistakes of the language itself stand alone, because behind
// them nothing can be told.
func (d *doc) decode(text []byte) (map[string]any, bool) {
	// The parser that gives the places runs first: it bounds the nesting of arrays, so no file can exhaust the stack.
	if !d.locate(text) {
		return nil, false
	}
	var root map[string]any
	if _, err := toml.Decode(string(text), &root); err != nil {
		at, what := place{1, 1}, err.Error()
		var parse toml.ParseError
		if errors.As(err, &parse) {
			at, what = place{max(1, parse.Position.Line), max(1, parse.Position.Col)}, parse.Message
		}
		d.add(&d.mistakes, at, "", "this is not TOML: "+oneLine(what), "correct this line first; what follows could not be read")
		return nil, false
	}
	return root, true
}

// locator fills an index.
type locator struct {
	d      *doc
	text   []byte
	lines  []int          // offset at which each line starts
	arrays map[string]int // elements seen so far of each array of tables
	header []string
}

func (d *doc) locate(text []byte) bool {
	text = bytes.Clone(text)
	text = text[:len(text):len(text)] // the parser finds offsets by capacity
	l := locator{d: d, text: text, lines: []int{0}, arrays: map[string]int{}}
	for i, c := range text {
		if c == '\n' {
			l.lines = append(l.lines, i+1)
		}
	}
	d.at = index{at: map[string]spot{}}

	var p unstable.Parser
	p.Reset(text)
	for p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			l.table(e)
		case unstable.KeyValue:
			l.keyValue(l.header, e)
		}
	}
	if err := p.Error(); err != nil {
		at, what := place{1, 1}, err.Error()
		var parse *unstable.ParserError
		if errors.As(err, &parse) {
			what = parse.Message
			if parse.Highlight != nil {
				at = l.place(p.Range(parse.Highlight).Offset)
			}
		}
		d.add(&d.mistakes, at, "", "this is not TOML: "+oneLine(what), "correct this line first; what follows could not be read")
	}
	d.mistakes.sort()
	return len(d.mistakes) == 0
}

func (l *locator) place(offset uint32) place {
	line := sort.SearchInts(l.lines, int(offset)+1) - 1
	return place{line + 1, utf8.RuneCount(l.text[l.lines[line]:offset]) + 1}
}

// depthMax bounds the parts of a path. The deepest there is, a word of no_value, has six; each part costs a copy of those
// before it, so a key of a hundred thousand dots would keep the machine busy for hours.
const depthMax = 12

func (l *locator) tooDeep(at unstable.Range) {
	l.d.add(&l.d.mistakes, l.place(at.Offset), "", fmt.Sprintf("is nested more than %d deep", depthMax), "nothing in a configuration is; look for a stray dot or bracket")
}

// keys gives the parts of a key and where each stands; of a key that is too deep only the first.
func (l *locator) keys(n *unstable.Node) (parts []string, at []unstable.Range) {
	for it := n.Key(); it.Next(); {
		if len(parts) == depthMax {
			l.tooDeep(at[0])
			return parts[:1], at[:1]
		}
		parts = append(parts, string(it.Node().Data))
		at = append(at, it.Node().Raw)
	}
	return parts, at
}

// under is path plus one part, on a copy; where path is an array of tables it goes through the last element.
func (l *locator) under(path []string, part string) []string {
	path = append(append([]string{}, path...), part)
	if n := l.arrays[joined(path)]; n > 0 {
		path = append(path, fmt.Sprintf("[%d]", n-1))
	}
	return path
}

func (l *locator) table(e *unstable.Node) {
	parts, at := l.keys(e)
	var path []string
	for i, part := range parts[:len(parts)-1] {
		path = l.under(path, part)
		l.implied(path, l.place(at[i].Offset))
	}
	last := l.place(at[len(at)-1].Offset)
	plain := append(append([]string{}, path...), parts[len(parts)-1])
	if e.Kind == unstable.ArrayTable {
		l.implied(plain, last)
		l.arrays[joined(plain)]++
		l.header = l.under(path, parts[len(parts)-1])
		return
	}
	l.header = l.under(path, parts[len(parts)-1])
	l.said(l.header, spot{key: last, said: true})
}

func (l *locator) keyValue(under []string, n *unstable.Node) {
	parts, at := l.keys(n)
	path := under
	for i, part := range parts {
		path = append(append([]string{}, path...), part)
		if i < len(parts)-1 {
			l.implied(path, l.place(at[i].Offset))
			s := l.d.at.at[joined(path)]
			s.dotted = true
			l.d.at.at[joined(path)] = s
		}
	}
	last := at[len(at)-1]
	l.said(path, spot{key: l.place(last.Offset), value: l.place(l.valueAfter(last)), said: true})
	l.inside(path, n.Value(), last)
}

// valueAfter is the offset of the value that follows a key. The parser keeps no range for arrays.
func (l *locator) valueAfter(key unstable.Range) uint32 {
	i := int(key.Offset + key.Length)
	for i < len(l.text) && (l.text[i] == ' ' || l.text[i] == '\t' || l.text[i] == '=') {
		i++
	}
	return uint32(min(i, len(l.text)))
}

func (l *locator) inside(path []string, value *unstable.Node, start unstable.Range) {
	if len(path) > depthMax {
		l.tooDeep(start)
		return
	}
	switch value.Kind {
	case unstable.InlineTable:
		for it := value.Children(); it.Next(); {
			l.keyValue(path, it.Node())
		}
	case unstable.Array:
		i := 0
		for it := value.Children(); it.Next(); i++ {
			element := append(append([]string{}, path...), fmt.Sprintf("[%d]", i))
			if it.Node().Kind != unstable.Array {
				at := l.place(it.Node().Raw.Offset)
				l.d.at.at[joined(element)] = spot{key: at, value: at}
			}
			l.inside(element, it.Node(), start)
		}
	}
}

// implied records a table on the way to something deeper. A way through a value is a mistake of the language.
func (l *locator) implied(path []string, at place) {
	before, ok := l.d.at.at[joined(path)]
	if !ok {
		l.d.at.at[joined(path)] = spot{key: at}
	}
	if before.value != (place{}) {
		l.twice(path, at, before)
	}
}

func (l *locator) twice(path []string, at place, before spot) {
	l.d.add(&l.d.mistakes, at, written(path), fmt.Sprintf("is written twice, first on line %d", before.key.line), "keep one of the two")
}

// said records what was written in its own right; the second time is a mistake of the language, which the decoder tells with a
// place behind the value, or takes in silence where one of the two is a dotted key.
func (l *locator) said(path []string, s spot) {
	before, ok := l.d.at.at[joined(path)]
	if ok && (before.said || before.dotted || s.value != (place{})) {
		l.twice(path, s.key, before)
		return
	}
	l.d.at.at[joined(path)] = s
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
