package app

import (
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/logbook"
	"rillwatch/internal/notify"
	"rillwatch/internal/reading"
)

// TestTheHeartbeatComesFromTheEndOfTheRealWork: asked, judged and on disk. A disk that fails stops it, and so does a bus that yields no rounds,
// while the process itself is as lively as ever.
func TestTheHeartbeatComesFromTheEndOfTheRealWork(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var fails atomic.Bool
		var mu sync.Mutex
		var all []notify.Beat
		b := newBeatingBench(t, func(int, logbook.Commit) error {
			if fails.Load() {
				return errors.New("no space left on device")
			}
			return nil
		}, func(_ reading.Stamp, what func() notify.Beat) {
			beat := what()
			mu.Lock()
			defer mu.Unlock()
			all = append(all, beat)
		})
		beats := func() []notify.Beat {
			mu.Lock()
			defer mu.Unlock()
			return slices.Clone(all)
		}
		b.poll(60*time.Second, 310) // raised after three seconds
		n := len(beats())
		if n < 6 || n > 12 { // one each flush, and one for each event
			t.Fatalf("%d heartbeats in a minute", n)
		}
		last := beats()[n-1]
		if last.Boot != "4f2a91c0" || last.Committed == 0 || last.Points != 1 || last.Without != 0 || last.OldestPoint != "b2.rack.oxygen" || last.Oldest > 2*time.Second ||
			last.Alarms != 1 || last.Unseen != 1 || last.OffLine != 0 || !last.ClockCertain {
			t.Errorf("%+v", last)
		}
		fails.Store(true)
		b.poll(15*time.Second, 310) // one commit may have been on its way
		n = len(beats())
		b.poll(2*time.Minute, 310)
		if len(beats()) != n {
			t.Errorf("%d heartbeats while nothing reaches the disk", len(beats())-n)
		}
		fails.Store(false)
		b.poll(30*time.Second, 310)
		if len(beats()) == n {
			t.Error("no heartbeat though the disk works again")
		}
		<-time.After(30 * time.Second) // no round any more; ticks and their events go on
		synctest.Wait()
		n = len(beats())
		commits := len(b.onDisk())
		if _, err := b.l.ask(t.Context(), engine.Command{ID: "c1", Who: "Kim", From: "api", At: b.l.now(), Do: engine.Acknowledge{Alarm: "b2.oxygen-high"}}); err != nil {
			t.Error(err)
		}
		<-time.After(20 * time.Minute)
		if synctest.Wait(); len(b.onDisk()) == commits {
			t.Error("nothing was committed, so this proves nothing")
		}
		synctest.Wait()
		if len(beats()) != n {
			t.Errorf("%d heartbeats though nothing goes through judgement", len(beats())-n)
		}
		b.stop()
	})
}
