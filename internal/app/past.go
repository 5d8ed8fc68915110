package app

import (
	"context"
	"slices"

	"rillwatch/internal/history"
	"rillwatch/internal/logbook"
)

// Past is what a logbook gives to those who read it.
func Past(book *logbook.Book) history.Source {
	query := func(in history.Span, paths []string) logbook.Query {
		return logbook.Query{From: in.From, To: in.To, Points: paths}
	}
	return history.Source{
		Series: func() ([]history.Series, error) {
			entries, err := book.Entries()
			var all []history.Series
			for _, e := range entries {
				if e.Type != "" { // derived points are not recorded
					all = append(all, history.Series{Path: e.Path, Quantity: e.Quantity, Unit: e.Unit})
				}
			}
			return slices.Compact(all), err
		},
		Readings: func(ctx context.Context, in history.Span, paths []string, fn func(history.Row) error) error {
			return book.Scan(ctx, query(in, paths), func(r logbook.Recorded) error {
				return fn(history.Row{Path: r.Path, Quantity: r.Quantity, Unit: r.Unit, Resolution: r.Resolution, Boot: r.Boot, Up: r.Up, At: r.At, Certain: r.Certain,
					Value: r.Value, Bound: r.Bound, Reason: r.Reason, Why: r.ReasonName, Fault: r.FaultName})
			})
		},
		Hours: func(ctx context.Context, in history.Span, paths []string, fn func(history.Hour) error) error {
			return book.Hours(ctx, query(in, paths), func(h logbook.Hour) error {
				return fn(history.Hour{Path: h.Path, Quantity: h.Quantity, Unit: h.Unit, Resolution: h.Resolution, Boot: h.Boot, From: h.From, To: h.To, Certain: h.Certain,
					Good: h.Good, Uncertain: h.Uncertain, Bad: h.Bad, Counted: h.Counted, Min: h.Min, Mean: h.Mean, Max: h.Max, Last: h.Last})
			})
		},
		Gaps: func(ctx context.Context, in history.Span) ([]history.Gap, error) {
			gaps, err := book.Gaps(ctx, in.From, in.To)
			var all []history.Gap
			for _, g := range gaps {
				if g.Cause == logbook.GapEvents {
					continue // no readings are missing there
				}
				all = append(all, history.Gap{From: g.From, To: g.To, Certain: g.Certain, Cause: g.Cause, Detail: g.Detail, Readings: g.Readings})
			}
			return all, err
		},
	}
}
