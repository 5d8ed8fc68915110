package config

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
)

// Mistake is one thing wrong, or to be looked at, and what to do about it. Line and Column count from 1, columns in characters.
type Mistake struct {
	File         string
	Line, Column int
	Path         string // "panel.b2.limit.oxygen-high.high"; empty for the file as a whole
	What         string
	Do           string
}

// String is "file:line:column: path: what is wrong (what to do)", the form editors jump by.
func (m Mistake) String() string {
	s := fmt.Sprintf("%s:%d:%d: ", m.File, m.Line, m.Column)
	if m.Path != "" {
		s += m.Path + ": "
	}
	s += m.What
	if m.Do != "" {
		s += " (" + m.Do + ")"
	}
	return s
}

// Mistakes is every mistake of a file, in the order in which they stand in it.
type Mistakes []Mistake

// Error gives one mistake a line.
func (m Mistakes) Error() string {
	lines := make([]string, len(m))
	for i := range m {
		lines[i] = m[i].String()
	}
	return strings.Join(lines, "\n")
}

func (m Mistakes) sort() {
	slices.SortStableFunc(m, func(a, b Mistake) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column), cmp.Compare(a.Path, b.Path))
	})
}

// Default is a value that the file does not give, and the reason for it.
type Default struct{ Path, Value, Why string }

// Note is something taken from the file that a person should check by eye, such as a wire address.
type Note struct{ Path, What string }

// Report is what reading a file assumed.
type Report struct {
	Defaults []Default // by path
	Notes    []Note    // by path: wire addresses, assumed conversions
	Rounds   []Round   // what a round of each bus costs, by name
	Warnings Mistakes  // in the order of the file; none of them keeps the file from being used
}

func (r *Report) sort() {
	slices.SortStableFunc(r.Defaults, func(a, b Default) int { return cmp.Compare(a.Path, b.Path) })
	slices.SortStableFunc(r.Notes, func(a, b Note) int { return cmp.Compare(a.Path, b.Path) })
	r.Warnings.sort()
}

// Write prints the report for a person. Errors of w are not told: it is talk, and nothing depends on it.
func (r Report) Write(w io.Writer) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	if len(r.Defaults) > 0 {
		fmt.Fprintf(t, "defaults taken, because the file does not say:\n")
		for _, d := range r.Defaults {
			fmt.Fprintf(t, "  %s\t= %s\t%s\n", d.Path, d.Value, d.Why)
		}
	}
	t.Flush()
	if len(r.Notes) > 0 {
		fmt.Fprintf(t, "to check by eye:\n")
		for _, n := range r.Notes {
			fmt.Fprintf(t, "  %s\t%s\n", n.Path, n.What)
		}
	}
	t.Flush()
	writeRounds(w, r.Rounds)
	if len(r.Warnings) > 0 {
		fmt.Fprintf(w, "warnings:\n")
		for _, m := range r.Warnings {
			fmt.Fprintf(w, "  %s\n", m)
		}
	}
}
