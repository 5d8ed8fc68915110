package logbook

import (
	"context"
	"time"

	"rillwatch/internal/reading"
)

// Gap is a stretch of time for which the logbook has no readings, and why.
type Gap struct {
	From, To reading.Wall
	Certain  bool   // both ends are by certain wall clocks
	Cause    string // one of those below
	Detail   string
	Readings uint64 // how many are known to be missing; 0 where nobody knows
}

// Causes of a gap.
const (
	GapNotRunning = "not running"         // no daemon was running, or it had not committed yet
	GapRetention  = "kept long enough"    // the readings were older than they are kept
	GapBudget     = "disk budget"         // they gave way to newer ones, because the logbook may not take more room
	GapDamaged    = "damaged"             // a file or a part of it cannot be read
	GapMissing    = "missing"             // a file that was here is not here any more
	GapDropped    = "disk did not follow" // they were given up, because the disk would not take them
)

// Gaps gives the gaps that touch a range of the wall clock, oldest first; a zero time leaves that end open.
func (b *Book) Gaps(ctx context.Context, from, to time.Time) ([]Gap, error) {
	rows, err := b.Boots()
	if err != nil {
		return nil, err
	}
	var gaps []Gap
	touches := func(g Gap) bool {
		return (from.IsZero() || g.To.Time().After(from)) && (to.IsZero() || g.From.Time().Before(to))
	}
	var last *BootRow // the last boot that committed anything
	for i := range rows {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		row := &rows[i]
		if last != nil && row.Last != nil {
			g := Gap{From: last.wallAt(last.Last.At), To: row.WallAtZero, Certain: last.WallCertain && row.WallCertain, Cause: GapNotRunning}
			if g.To > g.From && touches(g) {
				gaps = append(gaps, g)
			}
		}
		if row.Last != nil {
			last = row
		}
	}
	return gaps, nil
}
