package bus

import (
	"context"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// deafTo is a scripted link whose stations answer every read at once and no write, as a controller does that ignores what it does not know.
type deafTo struct {
	scripted
	wait   time.Duration
	writes []time.Duration
}

func (d *deafTo) order(_ context.Context, _ reading.Order, _ func() error) error {
	if !d.isOpen {
		return errNotOpen
	}
	d.writes = append(d.writes, d.up())
	<-time.After(d.wait)
	return errSilent
}

// orderEverySecond is what the daemon does: every second the newest order of each panel, in place of the one that waits.
func orderEverySecond(t *testing.T, s *site.Site, l *deafTo, length time.Duration) (rounds int, longest time.Duration, temps int) {
	return orderLoop(t, s, l, l, length)
}

func orderLoop(t *testing.T, s *site.Site, l *deafTo, over link, length time.Duration) (rounds int, longest time.Duration, temps int) {
	synctest.Test(t, func(t *testing.T) {
		l.start, l.asks = time.Now(), map[uint8][]time.Duration{}
		now := clock(l.start)
		ctx, cancel := context.WithCancel(t.Context())
		n := 0
		for i := range s.Panels {
			if s.Panels[i].Interlock.Drive.Configured {
				n++
			}
		}
		orders, results := make(chan reading.Order, n), make(chan reading.OrderResult)
		out, done := make(chan reading.Batch), make(chan error, 1)
		go func() {
			done <- runOrders(ctx, s, 0, now, Orders{Given: orders, Done: results}, out, slog.New(slog.DiscardHandler), over)
		}()
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		end := time.After(length)
		last, id := time.Duration(0), uint64(0)
		for running := true; running; {
			select {
			case b := <-out:
				if b.Last {
					rounds++
				}
				for _, r := range b.Reads {
					if r.Station == 1 && r.Fault == reading.Answered {
						temps++
						longest = max(longest, now().Up-last)
						last = now().Up
					}
				}
			case <-results:
			case <-tick.C:
				for {
					select {
					case <-orders:
						continue
					default:
					}
					break
				}
				for i := range s.Panels {
					if k := &s.Panels[i].Interlock; k.Drive.Configured {
						r := k.Drive.Order(i)
						id++
						r.ID, r.Until = id, now().Up+site.OrderLives
						orders <- r
					}
				}
			case <-end:
				running = false
			}
		}
		longest = max(longest, now().Up-last)
		cancel()
		for {
			select {
			case <-done:
				return
			case <-out:
			case <-results:
			}
		}
	})
	return rounds, longest, temps
}

// Two panels behind one gateway ask for their valves, and the control does not answer: the guarding temperature is still read.
func TestOrdersThatAreNotAnsweredDoNotStopTheReading(t *testing.T) {
	for _, c := range []struct {
		name            string
		panels          int
		period, timeout time.Duration
	}{
		{"one panel, period 2 s, timeout 1 s", 1, 2 * time.Second, time.Second},
		{"one panel, period 1 s, the default timeout", 1, time.Second, 500 * time.Millisecond},
		{"two panels, period 1 s, the default timeout", 2, time.Second, 500 * time.Millisecond},
		{"three panels, period 1 s, the default timeout", 3, time.Second, 500 * time.Millisecond},
		{"six panels, period 500 ms, timeout 200 ms", 6, 500 * time.Millisecond, 200 * time.Millisecond},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := stationsOf(false, nil, 1, 2, 9)
			for range c.panels {
				s = withDrive(s, closeCoil)
				s.Panels[len(s.Panels)-1].Interlock.Drive.Addr = uint16(4 + len(s.Panels))
			}
			s.Buses[0].Period, s.Buses[0].Timeout = c.period, c.timeout
			l := &deafTo{wait: c.timeout}
			l.answer = func(uint8, time.Duration) (time.Duration, error) { return time.Millisecond, nil }
			rounds, longest, temps := orderEverySecond(t, s, l, 2*time.Minute)
			t.Logf("%d writes, %d rounds, %d good reads of the temperature, longest without one %v", len(l.writes), rounds, temps, longest)
			if longest > 5*time.Second {
				t.Errorf("the guarding temperature was not read for %v while orders went unanswered", longest)
			}
		})
	}
}

// An order is judged for its age before the connection is made and not when it leaves.
func TestAnOrderThatIsTooOldDoesNotLeaveAfterASlowConnection(t *testing.T) {
	s := withDrive(stationsOf(false, nil, 1, 9), closeCoil)
	synctest.Test(t, func(t *testing.T) {
		l := &deafTo{}
		l.start, l.asks = time.Now(), map[uint8][]time.Duration{}
		l.opening = func(time.Duration) (time.Duration, error) { return 5 * time.Second, nil } // tcp dials for as long as its timeout; a second here would do too
		p := &poller{name: "n", period: time.Second, timeout: time.Second, link: l, now: clock(l.start), log: slog.New(slog.DiscardHandler)}
		done := make(chan reading.OrderResult, 1)
		p.drive(s, Orders{Done: done}, t.Context().Done())
		r := closeCoil.Order(0)
		r.Until = 500 * time.Millisecond
		p.obey(t.Context(), r)
		for _, w := range l.writes {
			if w > r.Until {
				t.Errorf("an order that lives until %v left at %v", r.Until, w)
			}
		}
	})
}

// slowTo answers writes, slowly: nothing is at fault, and every closing is confirmed.
type slowTo struct{ deafTo }

func (d *slowTo) order(_ context.Context, _ reading.Order, _ func() error) error {
	d.writes = append(d.writes, d.up())
	<-time.After(d.wait)
	return nil
}

func TestASlowControlThatObeysDoesNotStopTheReading(t *testing.T) {
	s := stationsOf(false, nil, 1, 2, 9)
	for range 2 {
		s = withDrive(s, closeCoil)
		s.Panels[len(s.Panels)-1].Interlock.Drive.Station = 33
		s.Panels[len(s.Panels)-1].Interlock.Drive.Addr = uint16(4 + len(s.Panels))
	}
	s.Buses[0].Period, s.Buses[0].Timeout = time.Second, 500*time.Millisecond
	l := &slowTo{}
	l.wait = 300 * time.Millisecond
	l.answer = func(st uint8, _ time.Duration) (time.Duration, error) {
		if st == 33 {
			return 300 * time.Millisecond, nil
		}
		return time.Millisecond, nil
	}
	rounds, longest, temps := orderLoop(t, s, &l.deafTo, l, 2*time.Minute)
	t.Logf("%d writes, %d rounds, %d good reads, longest without one %v", len(l.writes), rounds, temps, longest)
	if longest > 5*time.Second {
		t.Errorf("every write is obeyed and read back within 600 ms, and the guarding temperature was not read for %v", longest)
	}
}

// What was withdrawn between the decision and the write moves nothing: not what waits, and not what waited for its connection.
func TestAnOrderThatIsWithdrawnWhileItWaitsDoesNotLeave(t *testing.T) {
	s := withDrive(stationsOf(false, nil, 1, 9), closeCoil)
	for _, c := range []struct {
		name      string
		withdrawn time.Duration // when
		writes    int
	}{{"before", 0, 0}, {"while the connection is made", 100 * time.Millisecond, 0}, {"afterwards", time.Second, 1}} {
		synctest.Test(t, func(t *testing.T) {
			l := &deafTo{wait: time.Millisecond}
			l.start, l.asks = time.Now(), map[uint8][]time.Duration{}
			l.opening = func(time.Duration) (time.Duration, error) { return 500 * time.Millisecond, nil }
			now := clock(l.start)
			p := &poller{name: "n", period: time.Second, timeout: time.Second, link: l, now: now, log: slog.New(slog.DiscardHandler)}
			done := make(chan reading.OrderResult, 1)
			p.drive(s, Orders{Done: done, Stands: func(reading.Order) bool { return now().Up < c.withdrawn }}, t.Context().Done())
			r := closeCoil.Order(0)
			r.Until = site.OrderLives
			p.obey(t.Context(), r)
			if len(l.writes) != c.writes {
				t.Errorf("withdrawn %s: %d writes, want %d", c.name, len(l.writes), c.writes)
			}
			if res := <-done; c.writes == 0 && res.Fault != reading.NotAsked {
				t.Errorf("withdrawn %s: %+v", c.name, res)
			}
		})
	}
}

// The newest order of each panel is obeyed once before the reads of a round; what came of the older one is told to nobody.
func TestOneOrderOfEachPanelIsObeyedInARound(t *testing.T) {
	s := stationsOf(false, nil, 1, 2, 9)
	for range 2 {
		s = withDrive(s, closeCoil)
		s.Panels[len(s.Panels)-1].Interlock.Drive.Addr = uint16(4 + len(s.Panels))
	}
	s.Buses[0].Timeout = time.Second
	synctest.Test(t, func(t *testing.T) {
		l := &slowTo{}
		l.start, l.asks = time.Now(), map[uint8][]time.Duration{}
		l.answer = func(uint8, time.Duration) (time.Duration, error) { return time.Millisecond, nil }
		now := clock(l.start)
		p := newPoller(&s.Buses[0], 0, plan.Of(s, 0), now, make(chan reading.Batch, 10), slog.New(slog.DiscardHandler), l)
		done := make(chan reading.OrderResult, 10)
		p.drive(s, Orders{Done: done}, t.Context().Done())
		orders := make(chan reading.Order, 10)
		give := func(id uint64, panel int) {
			r := s.Panels[panel].Interlock.Drive.Order(panel)
			r.ID, r.Until = id, time.Hour
			orders <- r
		}
		give(1, 0)
		give(2, 1)
		give(3, 0)
		p.round(t.Context(), 0, orders)
		give(4, 0)
		p.obeyWaiting(t.Context(), orders) // the same round
		if len(l.writes) != 2 || len(done) != 2 {
			t.Fatalf("%d writes and %d results, want 2 and 2", len(l.writes), len(done))
		}
		if a, b := <-done, <-done; a.ID != 3 || b.ID != 2 {
			t.Errorf("obeyed %d and %d, want 3 and 2", a.ID, b.ID)
		}
		if p.ordersAnew(); len(l.asks[1]) == 0 {
			t.Error("nothing was read")
		}
		if p.obeyWaiting(t.Context(), orders); len(l.writes) != 3 {
			t.Error("what waited is not obeyed in the next round")
		}
	})
}
