// Package history writes what the logbook gives back: readings, hours and the evidence around a moment, as tables, CSV, JSON and
// OpenMetrics.
//
// Owns: how the past is asked for (range, points, form) and how it is written; the names of its columns.
// Never: opens a logbook, reads a clock, judges anything, or holds more than a bounded part of the answer.
//
// The API and the command line write the same bytes, so that it makes no difference who holds the logbook.
package history

import (
	"context"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Row is one recorded reading as it was judged.
type Row struct {
	Path, Quantity, Unit string
	Resolution           float64 // step of the display, in Unit

	Boot    uint32        // which start of the daemon, from 1
	Up      time.Duration // since then, on the poll grid
	At      reading.Wall
	Certain bool // the wall clock is certain

	Value  float64 // in Unit; means something where Reason has a value
	Bound  reading.Bound
	Reason reading.Reason
	Why    string // the reason's name as recorded, also where this program has no such reason
	Fault  string // what became of the question
}

// HasValue tells whether Value means anything.
func (r *Row) HasValue() bool { return r.Reason.Quality() != reading.Bad }

// Shown tells whether the value may stand where a program takes it for the truth, by the same table as in the metrics.
func (r *Row) Shown() bool { return r.HasValue() && r.Reason.Row().Shown }

// Hour is one hour of one point.
type Hour struct {
	Path, Quantity, Unit string
	Resolution           float64

	Boot     uint32
	From, To reading.Wall
	Certain  bool

	Good, Uncertain, Bad uint32 // readings of each quality
	Counted              uint32 // those that counted for limits; the four below are over them
	Min, Mean, Max, Last float64
}

// Gap is a stretch of time without readings, and why.
type Gap struct {
	From, To      reading.Wall
	Certain       bool
	Cause, Detail string
	Readings      uint64 // how many are known to be missing; 0 where nobody knows
}

// Series is one point as it was recorded under one unit.
type Series struct{ Path, Quantity, Unit string }

// Span is a range of the wall clock: From is in it, To is not; a zero time leaves that end open.
type Span struct{ From, To time.Time }

// Source is where the past is read: an open logbook. Every function may be called from several goroutines.
type Source struct {
	Series func() ([]Series, error) // each once
	// Readings calls fn for every reading of the paths in the span, start by start and within one in order of time.
	Readings func(ctx context.Context, in Span, paths []string, fn func(Row) error) error
	Hours    func(ctx context.Context, in Span, paths []string, fn func(Hour) error) error
	Gaps     func(ctx context.Context, in Span) ([]Gap, error)
}

// Told says what was written.
type Told struct {
	Rows    int // readings or hours
	Gaps    int // stretches without readings in the span
	LeftOut int // of an OpenMetrics text: what it cannot carry because the wall clock went back
}

// panelOf parts a path into panel and point; sensors of the site stand under "site".
func panelOf(path string) (panel, point string) {
	for i := range path {
		if path[i] == '.' {
			return path[:i], path[i+1:]
		}
	}
	return "", path
}

// decimal writes a value in the steps its point is shown in. A zero has no sign.
func decimal(v, resolution float64) string {
	text := engine.Decimal(v, resolution)
	for _, c := range text {
		if c != '-' && c != '0' && c != '.' {
			return text
		}
	}
	if len(text) > 0 && text[0] == '-' {
		return text[1:]
	}
	return text
}

// boundName is the word for a bound, as in the readings of the API: not "=", which a spreadsheet takes for a formula.
func boundName(b reading.Bound) string {
	switch b {
	case reading.Above:
		return "above"
	case reading.Below:
		return "below"
	}
	return "exact"
}

// instant writes a moment as RFC 3339 in UTC to the millisecond.
func instant(w reading.Wall) string { return w.Time().Format("2006-01-02T15:04:05.000Z") }

// zoned is a moment in the zone a person reads, to the second.
func zoned(w reading.Wall, zone *time.Location) string {
	return w.Time().In(zone).Format("2006-01-02 15:04:05")
}

// Zone is the site's zone, UTC where there is none.
func Zone(s *site.Site) *time.Location {
	if s == nil || s.Zone == nil {
		return time.UTC
	}
	return s.Zone
}
