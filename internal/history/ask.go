package history

import (
	"fmt"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Formats in which the past is written.
const (
	JSON        = "json"
	JSONLines   = "jsonl"
	CSV         = "csv"
	OpenMetrics = "openmetrics"
	Text        = "text" // for a person
)

// Formats lists them.
var Formats = []string{JSON, JSONLines, CSV, OpenMetrics, Text}

// mediaTypes as registered (RFC 8259, RFC 4180, OpenMetrics 1.0); JSON Lines has none of its own.
var mediaTypes = map[string]string{JSON: "application/json", JSONLines: "application/x-ndjson", CSV: "text/csv; charset=utf-8; header=present",
	OpenMetrics: "application/openmetrics-text; version=1.0.0; charset=utf-8", Text: "text/plain; charset=utf-8"}

// MediaType is the media type of a format.
func MediaType(format string) string { return mediaTypes[format] }

// lastHour is the range where none is said.
const lastHour = "1h"

// patternsMax bounds the patterns of one question: what is more than this is written as a glob.
const patternsMax = 100

// Ask is one question about the past.
type Ask struct {
	Span     Span
	Patterns []string // globs of paths; none: every point
	Hourly   bool
	Format   string
}

// Wrong says which part of a question cannot be understood, and why.
type Wrong struct{ Part, Detail string }

func (w *Wrong) Error() string { return w.Part + ": " + w.Detail }

// ParseAsk reads a question from its words: points, from, to, every and format, each at most once, missing ones by their default. now is
// what "2h" and "now" are counted from.
func ParseAsk(words map[string]string, now time.Time) (a Ask, err error) {
	from, ok := words["from"]
	if !ok {
		from = lastHour
	}
	to, ok := words["to"]
	if !ok {
		to = "now"
	}
	if a.Span.From, err = ParseTime(from, now); err != nil {
		return a, &Wrong{"from", err.Error()}
	}
	if a.Span.To, err = ParseTime(to, now); err != nil {
		return a, &Wrong{"to", err.Error()}
	}
	if a.Span.To.IsZero() {
		return a, &Wrong{"to", "nothing is before the beginning"}
	}
	if !a.Span.From.Before(a.Span.To) {
		return a, &Wrong{"from", fmt.Sprintf("%s is not before %s, where the range ends", a.Span.From.Format(time.RFC3339), a.Span.To.Format(time.RFC3339))}
	}
	if text, ok := words["points"]; ok {
		for p := range strings.SplitSeq(text, ",") {
			if p = strings.TrimSpace(p); p == "" {
				return a, &Wrong{"points", "an empty name among them"}
			}
			if _, err := path.Match(p, ""); err != nil {
				return a, &Wrong{"points", fmt.Sprintf("%q is no pattern: a bracket is not closed", p)}
			}
			a.Patterns = append(a.Patterns, p)
		}
		if len(a.Patterns) > patternsMax {
			return a, &Wrong{"points", fmt.Sprintf("%d patterns; at most %d (write b2.* for a panel)", len(a.Patterns), patternsMax)}
		}
	}
	switch every := words["every"]; every {
	case "", "raw":
	case "hour":
		a.Hourly = true
	default:
		return a, &Wrong{"every", fmt.Sprintf("raw or hour, not %q", every)}
	}
	a.Format = words["format"]
	if a.Format == "" {
		a.Format = JSON
	}
	if !slices.Contains(Formats, a.Format) {
		return a, &Wrong{"format", fmt.Sprintf("%s, not %q", strings.Join(Formats, ", "), a.Format)}
	}
	return a, nil
}

// ParseTime reads a moment: RFC 3339 with its zone, "now", how long before now such as "90m", "36h" or "7d", or "begin" for the beginning of
// the logbook, which is the zero time. A date alone is refused: it would be another moment on the box than at the desk.
func ParseTime(text string, now time.Time) (time.Time, error) {
	switch text {
	case "now":
		return now, nil
	case "begin":
		return time.Time{}, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		if t.Year() < 1970 || t.Year() > 2261 { // what nanoseconds in 64 bits can say
			return time.Time{}, fmt.Errorf("%q is outside 1970 to 2261", text)
		}
		return t, nil
	}
	ago := text
	if days, ok := strings.CutSuffix(text, "d"); ok {
		n, err := strconv.ParseUint(days, 10, 32)
		if err != nil || n > math.MaxInt64/uint64(24*time.Hour) {
			return time.Time{}, badTime(text)
		}
		ago = strconv.FormatUint(24*n, 10) + "h"
	}
	d, err := time.ParseDuration(ago)
	if err != nil || d < 0 {
		return time.Time{}, badTime(text)
	}
	return now.Add(-d), nil
}

func badTime(text string) error {
	return fmt.Errorf("%q is no moment: write 2026-11-25T08:00:00Z or 2026-11-25T08:00:00+01:00, how long ago such as 90m, 36h or 7d, now, or begin", text)
}

// choose gives the series whose path a pattern names, by path. A pattern without a dot is a panel and names all its points; a "*" does not
// stop at a dot. A pattern that names nothing is an error: silence would look like a point without readings.
func choose(all []Series, patterns []string) ([]Series, error) {
	all = slices.Clone(all)
	slices.SortFunc(all, func(a, b Series) int { return strings.Compare(a.Path+" "+a.Unit, b.Path+" "+b.Unit) })
	if len(patterns) == 0 {
		return all, nil
	}
	hit := make([]bool, len(patterns))
	chosen := all[:0]
	for _, s := range all {
		keep := false
		for i, p := range patterns {
			if matches(p, s.Path) {
				hit[i], keep = true, true
			}
		}
		if keep {
			chosen = append(chosen, s)
		}
	}
	for i, h := range hit {
		if !h {
			return nil, &Wrong{"points", fmt.Sprintf("%q names no point that was ever recorded", patterns[i])}
		}
	}
	return chosen, nil
}

func matches(pattern, name string) bool {
	if !strings.Contains(pattern, ".") && !strings.ContainsAny(pattern, "*?[") {
		panel, _ := panelOf(name)
		return panel == pattern
	}
	ok, _ := path.Match(pattern, name) // its form was checked; names hold no slash, at which a "*" would stop
	return ok
}

func pathsOf(all []Series) []string {
	var paths []string
	for _, s := range all {
		paths = append(paths, s.Path)
	}
	return slices.Compact(paths)
}
