package notify

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/site"
)

// slowBox is an outbox whose disk hangs for some messages: it lists them, and does not give them for a while.
type slowBox struct {
	*box
	hangs func(key uint64) bool
}

func (b *slowBox) After(to string, key uint64, most int) ([]Item, error) {
	items, err := b.box.After(to, key, most)
	if i := slices.IndexFunc(items, func(i Item) bool { return b.hangs(i.Key) }); i >= 0 {
		items = items[:i] // the real one says no more than it could read
	}
	return items, err
}

func (b *slowBox) Get(to string, key uint64) (Item, bool, error) {
	if b.hangs(key) {
		return Item{}, false, ErrLater
	}
	return b.box.Get(to, key)
}

// TestAMessageADiskHoldsBackIsInNoSummaryAndIsNotForgotten: a disk hangs while a flood's summary is made. What it did not give is not on record as
// told, holds up nothing from memory, and is told when the disk is back, without a new start.
func TestAMessageADiskHoldsBackIsInNoSummaryAndIsNotForgotten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := siteOf(site.Recipient{Name: "on-call", URL: "http://on-call.example/hook"})
		now := bubbleClock()
		var hanging atomic.Bool
		b := &slowBox{box: newBox(), hangs: func(key uint64) bool { return hanging.Load() && key >= 13 && key < Loose }}
		put := func(key uint64, p site.Priority) {
			b.put("on-call", Item{Key: key, ID: fmt.Sprintf("a-%d", key%Loose), Created: now().Wall,
				Body: fmt.Appendf(nil, `{"specversion":"1.0","id":"a-%d","data":{"priority":%q,"headline":"[MED] %d"}}`, key%Loose, p, key%Loose)})
		}
		for key := uint64(1); key <= 11; key++ {
			put(key, site.MediumPriority)
		}
		bodies := map[string]string{} // by webhook-id
		n := New(Config{Site: s, Outbox: b, Secrets: secrets(s), Now: now, Transport: trip(func(r *http.Request) (*http.Response, error) {
			body, _ := io.ReadAll(r.Body) // of memory
			bodies[r.Header.Get("webhook-id")] = string(body)
			return reply(200), nil
		})})
		stop := start(t, n, nil)
		defer stop()
		pass := func(d time.Duration) {
			<-time.After(d)
			synctest.Wait()
		}
		pass(2 * time.Minute) // ten by themselves, the eleventh begins the flood
		for key := uint64(12); key <= 14; key++ {
			put(key, site.MediumPriority)
		}
		pass(2 * time.Minute) // they are held for the summary
		hanging.Store(true)
		pass(10 * time.Minute) // it is due; 13 and 14 cannot be had
		put(Loose+20, site.HighPriority)
		pass(2 * time.Minute)
		if _, ok := bodies["a-20"]; !ok {
			t.Error("what is in memory waits for the disk")
		}
		record := func() map[uint64]string {
			b.mu.Lock()
			defer b.mu.Unlock()
			out := map[uint64]string{}
			for _, e := range b.ends {
				out[e.key] = e.detail
			}
			return out
		}
		for key := range record() {
			if key == 13 || key == 14 {
				t.Errorf("message %d was not given and is on record as told: %q", key, record()[key])
			}
		}
		hanging.Store(false)
		pass(15 * time.Minute)
		for key := uint64(1); key <= 14; key++ {
			detail, ended := record()[key]
			id := fmt.Sprintf("a-%d", key)
			if sum, in := strings.CutPrefix(detail, "in summary "); in {
				sum, _, _ = strings.Cut(sum, ":")
				if !strings.Contains(bodies[sum], `"id":"`+id+`"`) {
					t.Errorf("%s is on record as in summary %s, which does not tell it:\n%s", id, sum, bodies[sum])
				}
				continue
			}
			if _, told := bodies[id]; !ended || !told {
				t.Errorf("%s was neither told by itself nor in a summary (on record: %t)", id, ended)
			}
		}
	})
}
