package notify

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

var testSecret = []byte("larkfield-mill-test-secret-32-by")

// box is an outbox in memory that keeps the rules of the real one.
type box struct {
	mu      sync.Mutex
	queue   map[string][]Item
	ends    []ending
	told    chan ending
	broken  int // so many calls of End fail
	brokenN int // so many calls of Next fail
}

type ending struct {
	to     string
	key    uint64
	result Result
	at     reading.Stamp
	detail string
}

func newBox() *box { return &box{queue: map[string][]Item{}, told: make(chan ending, 20_000)} }

func (b *box) put(to string, items ...Item) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.queue[to] = append(b.queue[to], items...)
}

func (b *box) After(to string, key uint64, most int) ([]Item, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.brokenN > 0 {
		b.brokenN--
		return nil, errors.New("the disk sleeps")
	}
	var items []Item
	for _, i := range b.queue[to] {
		if i.Key > key && len(items) < most {
			items = append(items, i)
		}
	}
	return items, nil
}

func (b *box) Get(to string, key uint64) (Item, bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, i := range b.queue[to] {
		if i.Key == key {
			return i, true, nil
		}
	}
	return Item{}, false, nil
}

func (b *box) End(to string, keys []uint64, result Result, at reading.Stamp, detail string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.broken > 0 {
		b.broken--
		return errors.New("the disk sleeps")
	}
	for _, key := range keys {
		i := slices.IndexFunc(b.queue[to], func(i Item) bool { return i.Key == key })
		if i < 0 {
			return fmt.Errorf("message %d is not in the queue of %s", key, to)
		}
		b.queue[to] = slices.Delete(b.queue[to], i, i+1)
		e := ending{to, key, result, at, detail}
		b.ends = append(b.ends, e)
		b.told <- e
	}
	return nil
}

// clock is a stamp of the bubble's or the machine's time; start is when the process began.
func clock() func() reading.Stamp {
	start := time.Now()
	return func() reading.Stamp {
		now := time.Now()
		return reading.Stamp{Wall: reading.WallOf(now), Up: now.Sub(start)}
	}
}

func siteOf(recipients ...site.Recipient) *site.Site {
	return &site.Site{Name: "larkfield-mill", Recipients: recipients}
}

func secrets(s *site.Site) map[string][]byte {
	m := map[string][]byte{}
	for i := range s.Recipients {
		m[s.Recipients[i].Name] = testSecret
	}
	return m
}

// start runs a Notifier and gives its stop, which waits for its end.
func start(tb testing.TB, n *Notifier, wake <-chan struct{}) (stop func()) {
	tb.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- n.Run(ctx, wake) }()
	return sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				tb.Errorf("Run: %v", err)
			}
		case <-time.After(20 * time.Second):
			tb.Error("Run does not end")
		}
	})
}

func (b *box) wait(tb testing.TB) ending {
	tb.Helper()
	select {
	case e := <-b.told:
		return e
	case <-time.After(20 * time.Second):
		tb.Fatal("no message ended")
	}
	return ending{}
}

// trip answers requests in a bubble, where there are no sockets.
type trip func(*http.Request) (*http.Response, error)

func (f trip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

func reply(status int, headers ...string) *http.Response {
	h := http.Header{}
	for i := 0; i+1 < len(headers); i += 2 {
		h.Set(headers[i], headers[i+1])
	}
	return &http.Response{StatusCode: status, Header: h, Body: io.NopCloser(strings.NewReader("an answer"))}
}

// bubbleClock begins on a day on which the clock is set; a bubble itself begins in 2000.
func bubbleClock() func() reading.Stamp {
	begin := time.Now()
	civil := time.Date(2026, 10, 25, 2, 0, 0, 0, time.UTC)
	return func() reading.Stamp {
		up := time.Since(begin)
		return reading.Stamp{Wall: reading.WallOf(civil.Add(up)), Up: up}
	}
}
