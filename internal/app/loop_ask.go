package app

import (
	"context"
	"fmt"

	"rillwatch/internal/engine"
	"rillwatch/internal/httpapi"
	"rillwatch/internal/notify"
)

// ask hands a command to the engine and answers when what came of it is on disk.
func (l *loop) ask(ctx context.Context, cmd engine.Command) (engine.Reply, error) {
	a := ask{cmd, make(chan engine.Reply, 1)}
	select {
	case l.asks <- a:
	case <-ctx.Done():
		return engine.Reply{}, ctx.Err()
	}
	select {
	case r := <-a.reply:
		return r, nil
	case <-ctx.Done():
		return engine.Reply{}, ctx.Err()
	}
}

// newID names a command whose sender gave it no name.
func (l *loop) newID() string { return fmt.Sprintf("%s-c%d", l.nonce, l.ids.Add(1)) }

// jitter gives numbers in [0,1) spread by the boot nonce, so that many boxes that lost the same recipient do not come back at once.
func (l *loop) jitter() float64 {
	// SplitMix64 (Steele, Lea, Flood 2014), which needs no lock
	z := l.chance.Add(0x9e3779b97f4a7c15)
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return float64((z^(z>>31))>>11) / (1 << 53)
}

// facts are what a scrape may see that does not live in the view.
func (l *loop) facts(sender *notify.Notifier, restored bool) func() httpapi.Facts {
	return func() httpapi.Facts {
		st := l.book.Stats()
		f := httpapi.Facts{Commits: st.Commits, CommitFailures: l.failures.Load(), SamplesDropped: l.lost.Load(), LogbookBytes: st.FileBytes, Restored: restored}
		if at := l.last.Load(); at != nil {
			f.LastCommit = *at
		}
		for i := range l.c.Site.Recipients {
			name := l.c.Site.Recipients[i].Name
			s := sender.Stats(name)
			waiting, err := l.book.Waiting(name)
			if err != nil {
				l.c.Log.Error("counting the outbox", "recipient", name, "error", err)
			}
			f.Outbox = append(f.Outbox, httpapi.OutboxFacts{Recipient: name, Waiting: waiting, Delivered: s.Delivered, Refused: s.Refused, Expired: s.Expired,
				InSummary: s.InSummary, Attempts: s.Attempts, Heartbeats: s.Beats, HeartbeatsFailed: s.BeatsFailed})
		}
		return f
	}
}
