package app

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
)

// counted gives the readings on disk, and how many were told as dropped.
func (b *bench) counted() (kept, told int) {
	for _, c := range b.onDisk() {
		kept += len(c.Samples)
		for _, e := range c.Events {
			if e.Kind == event.ReadingsDropped {
				told += e.Count
			}
		}
	}
	return kept, told
}

// TestAFullDiskKeepsEventsAndGetsItsReadingsBack: the disk has no room for readings from the second commit on, for ten minutes. The alarm
// of that time is on disk at once all the same, it is told once that the logbook fails and once that it is back, and what memory
// held is not lost.
func TestAFullDiskKeepsEventsAndGetsItsReadingsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var room time.Time
		b := newBench(t, func(try int, c logbook.Commit) error {
			if try > 1 && len(c.Samples) > 0 && time.Now().Before(room) {
				return fmt.Errorf("commit: %w", logbook.ErrFull)
			}
			return nil
		})
		room = b.start.Add(10 * time.Minute)
		b.poll(60*time.Second, 120)
		b.poll(10*time.Second, 310)
		if !slices.Contains(b.kinds(), "alarm.raised") {
			t.Errorf("on a full disk the alarm is not kept: %v", b.kinds())
		}
		if kept, _ := b.counted(); kept != 0 {
			t.Errorf("%d readings went onto a full disk", kept)
		}
		b.poll(600*time.Second, 120)
		b.stop()
		if want := []string{"daemon.started", "logbook.failing", "alarm.raised", "logbook.back", "daemon.stopped"}; !slices.Equal(b.kinds(), want) {
			t.Errorf("events %v, want %v", b.kinds(), want)
		}
		if kept, told := b.counted(); kept != int(b.slot) || told != 0 {
			t.Errorf("%d of %d readings kept, %d told as dropped", kept, b.slot, told)
		}
	})
}

// TestADiskThatStaysFullCostsReadingsWhichAreCountedAndToldOnceAnHour: nothing grows without bound, and nobody gets a message each second.
func TestADiskThatStaysFullCostsReadingsWhichAreCountedAndToldOnceAnHour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		full := true
		b := newBench(t, func(try int, c logbook.Commit) error {
			if try > 1 && len(c.Samples) > 0 && full {
				return fmt.Errorf("commit: %w", logbook.ErrFull)
			}
			return nil
		})
		b.poll(20*time.Second, 120)
		b.flood(pendingMax)
		b.poll(30*time.Minute, 120)
		times := 0
		for _, k := range b.kinds() {
			if k == "logbook.readings_dropped" {
				times++
			}
		}
		if times != 1 {
			t.Errorf("told %d times within half an hour that readings are dropped, want once", times)
		}
		full = false
		b.poll(30*time.Second, 120)
		b.stop()
		kept, told := b.counted()
		if lost := int(b.l.lost.Load()); lost < 1800 || told != lost || kept+lost != int(b.slot) {
			t.Errorf("%d readings, %d kept, %d dropped, told of %d", b.slot, kept, lost, told)
		}
	})
}

// TestADiskThatHangsIsToldAsFailingFromMemory: no error ever comes; the commit only does not end. People are called, the alarm of that time is
// told, and both are on disk once, under the same ids, when it answers after all.
func TestADiskThatHangsIsToldAsFailingFromMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hold := make(chan struct{})
		b := newBench(t, func(try int, _ logbook.Commit) error {
			if try == 2 {
				<-hold
			}
			return nil
		})
		b.poll(11*time.Second, 120) // the first flush hangs
		b.poll(30*time.Second, 310)
		told := b.takeAll("on-call")
		if len(told) != 2 {
			t.Errorf("told %v from memory, want the alarm and that the disk fails", told)
		}
		close(hold)
		b.poll(15*time.Second, 310)
		b.stop()
		if want := []string{"daemon.started", "alarm.raised", "logbook.failing", "logbook.back", "daemon.stopped"}; !slices.Equal(b.kinds(), want) {
			t.Errorf("events %v, want %v", b.kinds(), want)
		}
		for _, c := range b.onDisk() {
			for _, e := range c.Events {
				if slices.Contains(told, e.ID.String()) && e.Kind != event.AlarmRaised && e.Kind != event.CommitFailing {
					t.Errorf("%s was told and is %s on disk", e.ID, e.Kind)
				}
			}
		}
	})
}

// TestACommitThatNeverSucceedsEndsNeitherTheDaemonNorTheWatchdog: the supervisor is told of judgement, not of the disk.
func TestACommitThatNeverSucceedsEndsNeitherTheDaemonNorTheWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fed := make(chan struct{}, 10_000)
		b := newBench(t, func(int, logbook.Commit) error { return errors.New("input/output error") }, func(string) { fed <- struct{}{} })
		b.poll(300*time.Second, 120)
		if len(fed) < 300 {
			t.Errorf("fed %d times in 300 rounds over a dead disk", len(fed))
		}
		b.stop()
	})
}
