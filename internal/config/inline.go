package config

import (
	"bytes"
	"fmt"
	"path/filepath"
	"regexp"
)

// Inline gives the configuration at path as one text that needs no other file: what it includes stands in it. The error is that of reading it, or
// that the parts do not make one text, as where a map stands half in one file.
func Inline(path string) ([]byte, error) {
	text, err := readFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the configuration: %w", err)
	}
	d := newDoc(path)
	d.look, d.open = lookAtFile, readFile
	if _, _, err := d.read(text); err != nil {
		return nil, err
	}
	if len(d.texts) == 0 {
		return text, nil
	}
	mark := []byte("\xef\xbb\xbf")
	out := withoutInclude(bytes.TrimPrefix(text, mark))
	for i, more := range d.texts {
		out = fmt.Appendf(out, "\n# from %s\n%s\n", filepath.Base(d.included[i].file), bytes.TrimPrefix(more, mark))
	}
	if _, _, err := Parse(path, out); err != nil {
		return nil, fmt.Errorf("%s and the files that it includes do not make one text: %w", path, err)
	}
	return out, nil
}

var includeKey = regexp.MustCompile(`(?m)^[ \t]*(?:include|"include"|'include')[ \t]*=[ \t]*\[`)

// withoutInclude leaves out the list of what is included. It stands before all tables, so the first such key is it.
func withoutInclude(text []byte) []byte {
	at := includeKey.FindIndex(text)
	if at == nil {
		return text
	}
	var quote byte
	for i := at[1]; i < len(text); i++ {
		switch c := text[i]; {
		case quote != 0:
			if c == '\\' && quote == '"' {
				i++
			} else if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '#':
			for i+1 < len(text) && text[i+1] != '\n' {
				i++
			}
		case c == ']':
			return append(append([]byte{}, text[:at[0]]...), text[i+1:]...)
		}
	}
	return text
}
