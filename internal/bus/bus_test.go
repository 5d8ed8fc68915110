package bus

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func TestTheGridDoesNotDrift(t *testing.T) {
	l := &scripted{answer: func(_ uint8, at time.Duration) (time.Duration, error) {
		return at % 700 * time.Millisecond / 700, nil // some other length each time
	}}
	batches, _ := play(t, stationsOf(false, nil, 1), l, time.Hour)
	if len(batches) != 3600 {
		t.Fatalf("%d rounds in an hour of seconds, want 3600", len(batches))
	}
	first := batches[0].Reads[0].Sent.Up
	if first >= time.Second {
		t.Errorf("the first round began after %v, want within a second", first)
	}
	for i, b := range batches {
		if want := first + time.Duration(i)*time.Second; b.Slot != uint64(i) || b.Reads[0].Sent.Up != want {
			t.Fatalf("round %d: slot %d at %v, want at %v", i, b.Slot, b.Reads[0].Sent.Up, want)
		}
	}
}

func TestBusesOfOneSiteDoNotStartTogetherAndStartAlikeEveryTime(t *testing.T) {
	seen := map[time.Duration]bool{}
	for i := range 20 {
		p := phase(fmt.Sprintf("bus-%d", i), time.Minute)
		if p != phase(fmt.Sprintf("bus-%d", i), time.Minute) || p < 0 || p >= time.Second {
			t.Errorf("phase %v: want the same each time and within a second", p)
		}
		seen[p.Truncate(100*time.Millisecond)] = true
	}
	if len(seen) < 5 {
		t.Errorf("20 buses start in %d tenths of a second, want at least 5", len(seen))
	}
}

func TestASlowRoundSkipsSlotsAndASlowerSensorStillHasItsTurn(t *testing.T) {
	l := &scripted{answer: func(station uint8, _ time.Duration) (time.Duration, error) {
		if station == direct { // no check is made of it, which would take as long again
			return 2100 * time.Millisecond, nil
		}
		return 0, nil
	}}
	batches, _ := play(t, stationsOf(false, map[uint8]uint64{2: 3}, direct, 2), l, time.Minute)
	jumps := 0
	for i := 1; i < len(batches); i++ {
		if step := batches[i].Slot - batches[i-1].Slot; step > 1 {
			jumps++
		}
	}
	if jumps < 20 {
		t.Errorf("%d jumps in the slots of %d rounds that take two periods, want 20 or more", jumps, len(batches))
	}
	for i := 1; i < len(l.asks[2]); i++ {
		if gap := l.asks[2][i] - l.asks[2][i-1]; gap > 6*time.Second {
			t.Errorf("a sensor of 3 s had no turn for %v", gap)
		}
	}
	if len(l.asks[2]) < 12 {
		t.Errorf("a sensor of 3 s was asked %d times in a minute", len(l.asks[2]))
	}
}

func TestASlotInWhichNothingIsDueStillYieldsABatch(t *testing.T) {
	batches, _ := play(t, stationsOf(false, map[uint8]uint64{1: 2}, 1), &scripted{answer: quick}, 10*time.Second)
	for i, b := range batches {
		if b.Slot != uint64(i) || len(b.Reads) != 1-i%2 || !b.Last {
			t.Errorf("batch %d: slot %d with %d reads, last %v", i, b.Slot, len(b.Reads), b.Last)
		}
	}
}

func TestAFullInboxDelaysTheRoundsAndNeverTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{answer: quick, start: time.Now(), asks: map[uint8][]time.Duration{}}
		ctx, cancel := context.WithCancel(t.Context())
		out, done := make(chan reading.Batch), make(chan error, 1)
		go func() {
			done <- run(ctx, stationsOf(false, nil, 1), 0, clock(l.start), nil, out, slog.New(slog.DiscardHandler), l)
		}()
		if b := <-out; b.Slot != 0 {
			t.Errorf("first slot %d", b.Slot)
		}
		<-time.After(10500 * time.Millisecond) // nobody takes batch 1
		if b := <-out; b.Slot != 1 {
			t.Errorf("the batch that waited is of slot %d, want 1", b.Slot)
		}
		if b := <-out; b.Slot < 10 {
			t.Errorf("the next is of slot %d, want the slots between skipped", b.Slot)
		}
		<-time.After(5 * time.Second)
		cancel()
		synctest.Wait()
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		default:
			t.Error("still running, though ctx ended while it waited for its reader")
		}
	})
}

func TestAnOrderIsNotObeyedAndItIsSaidOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{answer: quick, start: time.Now(), asks: map[uint8][]time.Duration{}}
		ctx, cancel := context.WithCancel(t.Context())
		out, done, orders := make(chan reading.Batch, 100), make(chan error, 1), make(chan reading.Order)
		var text bytes.Buffer
		go func() {
			done <- run(ctx, stationsOf(false, nil, 1), 0, clock(l.start), orders, out, slog.New(slog.NewTextHandler(&text, nil)), l)
		}()
		for range 3 {
			orders <- reading.Order{ID: 4, Station: 1, Table: reading.Coil, Value: 1}
		}
		orders <- reading.Order{ID: 5, Station: 1, Table: reading.Coil, Value: 1}
		close(orders) // an ended source is no reason to stop, nor to spin
		<-time.After(10 * time.Second)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if len(out) < 9 {
			t.Errorf("%d rounds in 10 s", len(out))
		}
		if n := strings.Count(text.String(), "order not obeyed: observing only"); n != 2 {
			t.Errorf("said %d times, want once for each of 2 orders:\n%s", n, text.String())
		}
	})
}

// serial makes a site's bus a serial line that could be polled.
func serial(s *site.Site) *site.Bus {
	b := &s.Buses[0]
	b.Scheme, b.Address, b.Timeout, b.Baud, b.Parity, b.StopBits, b.SoleMaster, b.Listen = "rtu", "/dev/null", 0, 9600, "even", 1, true, 30*time.Second
	return b
}

func TestADescriptionThatCannotBePolledIsAnError(t *testing.T) {
	good := func() *site.Site { return stationsOf(false, nil, 1) }
	for _, c := range []struct {
		name string
		bend func(*site.Site)
		want string
	}{
		{"no such bus", func(s *site.Site) { s.Buses = nil }, "bus 0: the site has 0"},
		{"a scheme that is not obeyed", func(s *site.Site) { s.Buses[0].Scheme = "ascii" }, `scheme "ascii" is not obeyed`},
		{"datagrams", func(s *site.Site) { s.Buses[0].Scheme = "udp" }, "udp is refused: a datagram may be lost, doubled or overtaken"},
		{"serial frames in datagrams", func(s *site.Site) { s.Buses[0].Scheme = "rtuoverudp" }, "rtuoverudp is refused: a datagram may be lost, doubled or overtaken"},
		{"no certificates", func(s *site.Site) { s.Buses[0].Scheme = "tcp+tls" }, "certificates"},
		{"a rate no driver knows", func(s *site.Site) { serial(s).Baud = 19201 }, "baud 19201"},
		{"a parity there is none of", func(s *site.Site) { serial(s).Parity = "mark" }, `parity "mark": want none, even or odd`},
		{"three stop bits", func(s *site.Site) { serial(s).StopBits = 3 }, "stop bits 3"},
		{"a line that may have another master", func(s *site.Site) { serial(s).SoleMaster = false }, "want sole_master = true"},
		// 8 + 7 characters of 11 bits at 1200 baud are 137.5 ms, 3.5 of silence 32 ms, and the turnaround 100 ms.
		{"a timeout that cannot succeed", func(s *site.Site) { b := serial(s); b.Baud, b.Timeout = 1200, 250*time.Millisecond }, "timeout 250ms cannot succeed"},
		{"a turnaround past every timeout", func(s *site.Site) { serial(s); s.Sensors[0].Turnaround = 6 * time.Second }, "want at most 5s"},
		{"no period", func(s *site.Site) { s.Buses[0].Period = 0 }, "period 0s"},
		{"no timeout", func(s *site.Site) { s.Buses[0].Timeout = 0 }, "timeout 0s"},
		{"a timeout that would hold up a stop", func(s *site.Site) { s.Buses[0].Timeout = 2 * time.Second }, "timeout 2s"},
		{"no sensor", func(s *site.Site) { s.Buses[0].Sensors = nil }, "nothing to ask"},
		{"a point outside what may be asked", func(s *site.Site) { s.Sensors[0].Allowed = nil }, "point p.s1.x"},
	} {
		s := good()
		c.bend(s)
		err := Run(t.Context(), s, 0, clock(time.Now()), nil, make(chan reading.Batch), slog.New(slog.DiscardHandler))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}
