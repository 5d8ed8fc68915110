package engine

import (
	"fmt"
	"strings"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Transcript tells what inputs brought about, in lines that two runs over the same inputs can be compared by: events, replies and orders, and a
// reading whenever its quality, reason or bound has changed. A value that only moved is no line: a day of one panel stays readable.
type Transcript struct {
	s    *site.Site
	last []said // by point
}

type said struct {
	known  bool
	bound  reading.Bound
	reason reading.Reason
}

// NewTranscript begins one.
func NewTranscript(s *site.Site) *Transcript {
	return &Transcript{s: s, last: make([]said, len(s.Points))}
}

// Lines are what one outcome adds, each without a line end.
func (t *Transcript) Lines(o Outcome) []string {
	var out []string
	for _, j := range o.Readings {
		now := said{true, j.Reading.Bound, j.Reading.Reason}
		if t.last[j.Point] == now {
			continue
		}
		t.last[j.Point] = now
		out = append(out, fmt.Sprintf("reading %s %s", t.s.Points[j.Point].Path, FormatReading(&t.s.Points[j.Point], j.Reading)))
	}
	for i := range o.Events {
		out = append(out, "event "+oneLineOf(FormatEvent(&o.Events[i])))
	}
	for _, r := range o.Replies {
		out = append(out, fmt.Sprintf("reply %q refusal=%s %q", r.Command, word(string(r.Refusal)), r.Words))
	}
	for _, r := range o.Orders {
		out = append(out, fmt.Sprintf("order %d bus=%s station=%d %s %d = %d", r.ID, busName(t.s, r.Bus), r.Station, r.Table, r.Addr, r.Value))
	}
	return out
}

func oneLineOf(s string) string { return strings.ReplaceAll(s, "\n", " ") }

// ThenMark begins the lines of an input file that say what its inputs brought about when they were taken. A reader of inputs passes them over.
const ThenMark = "#> "

// SplitThen gives for each input of a file the lines of what it brought about then, in order; nil for a file without any.
func SplitThen(text string) (then [][]string, any bool) {
	headed := false
	for _, line := range strings.Split(text, "\n") {
		if said, ok := strings.CutPrefix(line, ThenMark); ok {
			if any = true; len(then) > 0 {
				then[len(then)-1] = append(then[len(then)-1], said)
			}
			continue
		}
		switch trimmed := strings.TrimSpace(line); {
		case trimmed == "" || trimmed[0] == '#' || line[0] == ' ':
		case !headed:
			headed = true
		default:
			then = append(then, nil)
		}
	}
	return then, any
}
