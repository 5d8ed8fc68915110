package app

import (
	"log/slog"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
)

func at(t *testing.T, wall string) reading.Stamp {
	t.Helper()
	w, err := time.Parse(time.RFC3339, wall)
	if err != nil {
		t.Fatal(err)
	}
	return reading.Stamp{Wall: reading.WallOf(w)}
}

// TestAWallClockIsBelievedOnlyForAReason goes through what a box may show when it is switched on, and what may come then.
func TestAWallClockIsBelievedOnlyForAReason(t *testing.T) {
	known := logbook.Restored{Floor: at(t, "2026-11-25T02:00:00Z").Wall}
	kept := logbook.Restored{Floor: known.Floor, Synced: true}
	type look struct {
		wall           string
		stepped        bool
		synced, silent bool // what the system says; silent: nothing
		certain        bool
		why            string
	}
	for name, story := range map[string]struct {
		from  logbook.Restored
		looks []look
	}{
		"a first start with a clock that may be right": {logbook.Restored{}, []look{{wall: "2026-11-25T02:00:00Z", certain: true}}},
		"1970, then set": {known, []look{{wall: "1970-01-01T00:00:12Z", why: clockNotSet}, {wall: "1970-01-01T00:01:12Z", why: clockNotSet},
			{wall: "2026-11-26T02:00:00Z", stepped: true, certain: true}}},
		"1970, and the system calls it synchronised": {known, []look{{wall: "1970-01-01T00:00:12Z", synced: true, why: clockNotSet}}},
		"the firmware's date": {known, []look{{wall: "2026-03-01T00:00:00Z", why: clockBehind}, {wall: "2026-03-01T00:00:01Z", why: clockBehind},
			{wall: "2026-11-26T02:00:00Z", stepped: true, certain: true}}},
		"behind what is known, until time has caught up": {known, []look{{wall: "2026-11-25T01:59:59Z", why: clockBehind}, {wall: "2026-11-25T02:00:00Z", certain: true}}},
		"behind what is known, but synchronised":         {known, []look{{wall: "2026-11-25T01:00:00Z", synced: true, certain: true}}},
		"synchronised once, and not yet": {kept, []look{{wall: "2026-11-25T02:00:05Z", why: clockNotSynced}, {wall: "2026-11-25T05:00:00Z", stepped: true, certain: true},
			{wall: "2026-11-25T05:00:01Z", synced: true, certain: true}}},
		"synchronised once, and then without a step":            {kept, []look{{wall: "2026-11-25T02:00:05Z", why: clockNotSynced}, {wall: "2026-11-25T02:00:35Z", synced: true, certain: true}, {wall: "2026-11-25T02:00:36Z", certain: true}}},
		"synchronised once, and a system that says nothing now": {kept, []look{{wall: "2026-11-25T02:00:05Z", silent: true, certain: true}}},
		"set back to 1970 while it runs":                        {known, []look{{wall: "2026-11-25T03:00:00Z", certain: true}, {wall: "1970-01-01T00:00:00Z", stepped: true, why: clockNotSet}}},
	} {
		var now look
		c := newClock(story.from, func() (bool, bool) { return now.synced, !now.silent })
		before := !story.looks[0].certain // so that the first look is a change
		for i, l := range story.looks {
			now = l
			changed := c.look(at(t, l.wall), l.stepped)
			if c.certain != l.certain || c.why != l.why {
				t.Errorf("%s, look %d: certain %t %q, want %t %q", name, i+1, c.certain, c.why, l.certain, l.why)
			}
			if changed != (before != l.certain) {
				t.Errorf("%s, look %d: changed %t", name, i+1, changed)
			}
			before = l.certain
		}
	}
}

// TestABootIn1970IsCommittedAsUncertainUntilTheClockIsSet: the loop, from its first commit on.
func TestABootIn1970IsCommittedAsUncertainUntilTheClockIsSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var set atomic.Int64 // ns; how far the clock has been put on
		b := &bench{t: t, start: time.Now(), done: make(chan struct{})}
		s := testSite(t)
		now := func() reading.Stamp {
			up := time.Since(b.start)
			return reading.Stamp{Wall: reading.WallOf(time.Unix(12, 0).Add(up + time.Duration(set.Load()))), Up: up}
		}
		b.l = newLoop(Config{Site: s, Version: "test", Log: slog.New(slog.DiscardHandler)}, nil, now, "4f2a91c0")
		b.l.outbox = newOutbox(&shelf{}, now, b.l.c.Log)
		b.l.commit = func(c logbook.Commit) error {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.commits = append(b.commits, c)
			return nil
		}
		b.l.keeper = newClock(logbook.Restored{}, func() (bool, bool) { return set.Load() > 0, true })
		b.l.keeper.look(now(), false)
		b.l.start(booted(s, logbook.Restored{}, "4f2a91c0", now(), b.l.keeper))
		go func() { defer close(b.done); b.l.run() }()
		b.poll(15*time.Second, 120)
		if b.l.view.Load().Clock.Certain {
			t.Error("in 1970 the clock is certain")
		}
		set.Store(int64(498_000 * time.Hour)) // into October 2026
		b.poll(15*time.Second, 120)
		if !b.l.view.Load().Clock.Certain {
			t.Error("after it was set the clock is not certain")
		}
		b.stop()
		want := []string{"daemon.started", "clock.uncertain", "clock.stepped", "clock.certain", "daemon.stopped"}
		if got := b.kinds(); !slices.Equal(got, want) {
			t.Errorf("events %v, want %v", got, want)
		}
		for _, c := range b.onDisk() {
			if sure := c.At.Wall.Time().Year() > 2000; c.WallCertain != sure || c.Synced != sure {
				t.Errorf("a commit of %s is certain %t, synchronised %t", c.At.Wall.Time(), c.WallCertain, c.Synced)
			}
		}
	})
}

// TestTheKernelIsAskedForItsClock: no claim about this machine's clock, only that the question can be put.
func TestTheKernelIsAskedForItsClock(t *testing.T) {
	synced, known := systemClock()
	if synced && !known {
		t.Error("synchronised, and not known to be")
	}
	t.Logf("figure: this system's clock: synchronised %t, known %t", synced, known)
}
