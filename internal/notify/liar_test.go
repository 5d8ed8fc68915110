package notify

import (
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// endless is an answer without an end; it counts what is read of it.
type endless struct{ read *int }

func (e endless) Read(p []byte) (int, error) { *e.read += len(p); return len(p), nil }
func (endless) Close() error                 { return nil }

// liar answers as its dice fall, and knows what it has really taken.
type liar struct {
	mu     sync.Mutex
	r      *rand.Rand
	taken  map[string]int // by webhook-id
	order  []string
	bodies map[string]string
	most   int // bytes read of one answer without an end
	lies   map[string]int
	t      *testing.T
	tame   bool
}

func (l *liar) RoundTrip(q *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(q.Body)
	if err != nil {
		l.t.Error(err)
	}
	id := q.Header.Get("Webhook-Id")
	l.mu.Lock()
	if was, ok := l.bodies[id]; ok && was != string(body) {
		l.t.Errorf("message %s came with two bodies", id)
	}
	l.bodies[id] = string(body)
	dice, another := l.r.IntN(16), l.r.IntN(4)
	if l.tame {
		dice = 15
	}
	l.mu.Unlock()
	take := func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if l.taken[id]++; l.taken[id] == 1 {
			l.order = append(l.order, id)
		}
	}
	lie := func(name string) {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.lies[name]++
	}
	switch dice {
	case 0:
		lie("500")
		return reply(500), nil
	case 1:
		lie("hangs")
		<-q.Context().Done()
		return nil, q.Context().Err()
	case 2:
		lie("taken, then cut")
		take()
		return nil, errors.New("connection reset by peer")
	case 3:
		lie("late")
		select {
		case <-time.After(14 * time.Second):
		case <-q.Context().Done():
			return nil, q.Context().Err()
		}
		take()
		return reply(200), nil
	case 4:
		lie("redirect")
		return reply(307, "Location", "http://elsewhere.example/"), nil
	case 5:
		if another > 0 { // else nothing would be left to lie about
			return reply(503), nil
		}
		lie("410")
		return reply(410), nil
	case 6:
		lie("huge")
		n := 0
		res := reply(200)
		res.Body = endless{&n}
		take()
		defer func() {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.most = max(l.most, n)
		}()
		return res, nil
	case 7:
		lie("wrong TLS")
		return nil, x509.UnknownAuthorityError{}
	case 8:
		lie("429")
		return reply(429, "Retry-After", "40"), nil
	case 9:
		lie("taken, and said otherwise")
		take()
		return reply(500), nil
	case 10:
		lie("said yes and lost it") // nobody outside can know
		take()
		return reply(202), nil
	case 11:
		lie("404")
		return reply(404), nil
	}
	take()
	return reply(200), nil
}

// TestALiarUnderSeeds: whatever a recipient answers, through restarts of ours, every message is taken at least once or its other end is on record,
// each once; those of one priority that go by themselves arrive in order; and nothing is left running, which the bubble checks.
func TestALiarUnderSeeds(t *testing.T) {
	all := map[string]int{}
	for seed := range uint64(30) {
		synctest.Test(t, func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 7))
			s := nightly(t)
			s.Recipients = s.Recipients[:2]
			s.Recipients[0].URL, s.Recipients[1].URL = "http://a.example/", "http://b.example/"
			l := &liar{r: rand.New(rand.NewPCG(seed, 8)), taken: map[string]int{}, bodies: map[string]string{}, lies: all, t: t}
			b, now := newBox(), bubbleClock()
			wake := make(chan struct{}, 1)
			run := func() func() {
				return start(t, New(Config{Site: s, Outbox: b, Secrets: secrets(s), Now: now, Transport: l}), wake)
			}
			const messages = 120
			stop := run()
			prio := map[string]site.Priority{}
			for i := range messages {
				e := event.Event{Kind: event.StationSilent, ID: event.ID{Boot: "7c1e0a55", Seq: uint64(i + 1)}, At: now(), Priority: site.Priority(r.IntN(4)), Bus: "panel-net", Root: []string{"", "", "7c1e0a55-1"}[r.IntN(3)]}
				prio[e.ID.String()] = e.Priority
				for _, row := range Rows(s, &e) {
					b.put(row.Recipient, Item{Key: uint64(i + 1), ID: row.ID.String(), Body: row.Body, Created: e.At.Wall})
				}
				select {
				case wake <- struct{}{}:
				default:
				}
				<-time.After(time.Duration(r.IntN(int(90 * time.Second))))
				if r.IntN(15) == 0 { // killed in the middle of whatever it does, and away for a while
					stop()
					<-time.After(time.Duration(r.IntN(int(20 * time.Minute))))
					stop = run()
				}
			}
			<-time.After(40 * time.Hour)
			l.mu.Lock()
			l.tame = true
			l.mu.Unlock()
			<-time.After(40 * time.Hour)
			stop()
			seen := map[string]int{}
			for _, e := range b.ends {
				id := fmt.Sprintf("7c1e0a55-%d", e.key)
				seen[e.to+" "+id]++
				if e.result == Delivered && l.taken[id] == 0 {
					t.Fatalf("seed %d: %s is on record as delivered and was never taken", seed, id)
				}
				if e.result == InSummary {
					sum, _, ok := strings.Cut(strings.TrimPrefix(e.detail, "in summary "), ":")
					if !ok || l.taken[sum] == 0 {
						t.Fatalf("seed %d: %s is told in %q, which was never taken", seed, id, e.detail)
					}
				}
			}
			if len(seen) != 2*messages {
				t.Fatalf("seed %d: %d of %d messages ended: %d wait", seed, len(seen), 2*messages, len(b.queue["on-call"])+len(b.queue["shift"]))
			}
			for id, n := range seen {
				if n != 1 {
					t.Fatalf("seed %d: %s ended %d times", seed, id, n)
				}
			}
			last := map[site.Priority]uint64{}
			for _, e := range b.ends { // of on-call, who has no quiet hours
				if e.to != "on-call" || e.result != Delivered || prio[fmt.Sprintf("7c1e0a55-%d", e.key)] > site.HighPriority {
					continue
				}
				p := prio[fmt.Sprintf("7c1e0a55-%d", e.key)]
				if p == site.TopPriority && e.key < last[p] {
					t.Fatalf("seed %d: message %d was delivered after %d", seed, e.key, last[p])
				}
				last[p] = e.key
			}
			if l.most > 2*answerMax {
				t.Fatalf("seed %d: %d bytes of an answer were read", seed, l.most)
			}
		})
	}
	t.Logf("lies told: %v", all)
	for _, name := range []string{"500", "hangs", "taken, then cut", "late", "redirect", "410", "huge", "wrong TLS", "429", "taken, and said otherwise", "said yes and lost it", "404"} {
		if all[name] == 0 {
			t.Errorf("no seed told the lie %q", name)
		}
	}
}

// TestADeadRecipientForAMonthCostsABoundedMemoryAndEveryMessageIsOnRecord: every three minutes one message, none of which anybody takes.
func TestADeadRecipientForAMonthCostsABoundedMemoryAndEveryMessageIsOnRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := nightly(t)
		s.Recipients = s.Recipients[:1]
		s.Recipients[0].URL = "http://dead.example/"
		b, now := newBox(), bubbleClock()
		tries := 0
		n := New(Config{Site: s, Outbox: b, Secrets: secrets(s), Now: now, Transport: trip(func(*http.Request) (*http.Response, error) { tries++; return nil, errors.New("nobody there") })})
		stop := start(t, n, nil)
		const every = 3 * time.Minute
		const month = 30 * 24 * time.Hour
		e := event.Event{Kind: event.StationSilent, At: now(), Priority: site.MediumPriority, Bus: "panel-net"}
		text := body(s, &e)
		most, mostWaits, put := 0, 0, 0
		for range int(month / every) {
			put++
			b.put("on-call", Item{Key: uint64(put), ID: fmt.Sprintf("7c1e0a55-%d", put), Body: text, Created: now().Wall})
			<-time.After(every)
			synctest.Wait()
			b.mu.Lock()
			most = max(most, len(b.queue["on-call"]))
			b.mu.Unlock()
			mostWaits = max(mostWaits, int(n.couriers[0].held.Load()))
		}
		<-time.After(50 * time.Hour)
		stop()
		if len(b.ends) != put || len(b.queue["on-call"]) != 0 {
			t.Fatalf("%d of %d ended, %d wait", len(b.ends), put, len(b.queue["on-call"]))
		}
		for i, e := range b.ends {
			if e.result != Expired || !strings.Contains(e.detail, "not delivered within") {
				t.Fatalf("%+v", e)
			}
			if i > 0 && e.at.Up < b.ends[i-1].at.Up {
				t.Fatalf("the record runs backwards at %+v", e)
			}
		}
		if day := int(24 * time.Hour / every); most > 3*day || mostWaits > 3*day {
			t.Errorf("up to %d messages waited, %d of them in memory", most, mostWaits)
		}
		if st := n.Stats("on-call"); st.Expired != uint64(put) || st.Attempts != uint64(tries) {
			t.Errorf("%+v", st)
		}
		t.Logf("%d messages, %d tries, at most %d waiting and %d in memory", put, tries, most, mostWaits)
	})
}

// TestASummaryNamesWhereItsMessagesWent: what is told together is on record with the ID of the summary, and that summary was signed and sent like any other.
func TestASummaryNamesWhereItsMessagesWent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := nightly(t)
		s.Recipients = s.Recipients[:1]
		s.Recipients[0].URL = "http://a.example/"
		b, now := newBox(), bubbleClock()
		for i := range 30 { // from before the start, an hour ago
			at := reading.Stamp{Wall: now().Wall - reading.Wall(time.Hour), Up: 0}
			e := event.Event{Kind: event.StationSilent, ID: event.ID{Boot: "7c1e0a55", Seq: uint64(i + 1)}, At: at, Priority: site.MediumPriority, Bus: "panel-net"}
			b.put("on-call", Item{Key: uint64(i + 1), ID: e.ID.String(), Body: body(s, &e), Created: at.Wall})
		}
		var ids []string
		var m cloudEvent
		n := New(Config{Site: s, Outbox: b, Secrets: secrets(s), Now: now, Transport: trip(func(q *http.Request) (*http.Response, error) {
			body, err := io.ReadAll(q.Body)
			if err != nil {
				t.Error(err)
			}
			ids = append(ids, q.Header.Get("Webhook-Id"))
			m = decoded(t, body)
			if len(ids) == 1 {
				return reply(500), nil
			}
			return reply(200), nil
		})})
		stop := start(t, n, nil)
		for range 30 {
			<-b.told
		}
		stop()
		if len(ids) != 2 || ids[0] != ids[1] || m.ID != ids[0] || m.Type != "dev.rillwatch.summary.v1" || m.Data.Count != 30 || m.Data.Cause != "late" {
			t.Errorf("%v, %s %s %d %s", ids, m.ID, m.Type, m.Data.Count, m.Data.Cause)
		}
		for _, e := range b.ends {
			if e.result != InSummary || !strings.HasPrefix(e.detail, "in summary "+ids[0]+": answered 200") {
				t.Fatalf("%+v", e)
			}
		}
		if st := n.Stats("on-call"); st.Delivered != 1 || st.InSummary != 30 || st.Attempts != 2 {
			t.Errorf("%+v", st)
		}
		if again := summaryOf(s, &s.Recipients[0], []Item{{ID: "a-1"}, {ID: "a-2"}}, byDelay); again.ID != summaryOf(s, &s.Recipients[0], []Item{{ID: "a-1"}, {ID: "a-2"}}, byDelay).ID ||
			again.ID == summaryOf(s, &s.Recipients[0], []Item{{ID: "a-1"}, {ID: "a-2"}}, byFlood).ID || again.ID == summaryOf(s, &s.Recipients[0], []Item{{ID: "a-1"}, {ID: "a-3"}}, byDelay).ID {
			t.Error("the ID of a summary does not follow from its messages")
		}
		if slices.Contains(ids, "") || strings.Contains(ids[0], ".") {
			t.Errorf("%v is no webhook id", ids)
		}
	})
}
