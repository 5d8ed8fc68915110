package app

import (
	"context"
	"time"

	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// tendEvery is how often the logbook is looked after. An hour is ready two minutes after its end, so most times there is nothing to do.
const tendEvery = time.Minute

// tender is the logbook, as far as this needs it.
type tender interface {
	Tend(ctx context.Context, up time.Duration, k logbook.Keeping) (logbook.Moved, bool, error)
}

// keepLogbook moves full hours out of logbook.db and lets go what is kept long enough, until ctx ends. It has a goroutine of its own: neither
// judgement nor a commit waits for it, however slow the disk is.
func keepLogbook(ctx context.Context, c Config, book tender, now func() reading.Stamp) {
	k := keepingOf(&c.Site.Logbook)
	timer := time.NewTimer(0) // what the process before left is ready now
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		m, more, err := book.Tend(ctx, now().Up, k)
		said(c, m)
		if err != nil && ctx.Err() == nil {
			c.Log.Error("looking after the logbook; it will be tried again", "error", err)
		}
		if more && err == nil {
			timer.Reset(0)
			continue
		}
		timer.Reset(tendEvery)
	}
}

func keepingOf(l *site.Logbook) logbook.Keeping {
	return logbook.Keeping{Readings: l.Keep, Hours: l.KeepHours, Events: l.KeepEvents, Budget: l.Disk}
}

// said puts into the log what is on record in the logbook as well.
func said(c Config, m logbook.Moved) {
	if m.Hours > 0 {
		c.Log.Debug("hours moved into a period file", "hours", m.Hours, "readings", m.Samples)
	}
	for _, a := range m.Aside {
		c.Log.Error("a file of the logbook cannot be read and was set aside", "file", a)
	}
	for _, f := range m.Dropped {
		c.Log.Info("a file of the logbook was let go", "file", f)
	}
	for _, g := range m.Gaps {
		c.Log.Warn("readings are missing from the logbook", "cause", g.Cause, "from", g.From.Time(), "to", g.To.Time(), "readings", g.Readings, "detail", g.Detail)
	}
	if m.Events > 0 {
		c.Log.Info("old events were let go", "events", m.Events)
	}
}
