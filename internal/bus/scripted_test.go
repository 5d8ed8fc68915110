package bus

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// scripted is a link whose stations do as the test says, at the time of the bubble it runs in.
type scripted struct {
	answer  func(station uint8, at time.Duration) (time.Duration, error) // how long, and how it ends
	opening func(at time.Duration) (time.Duration, error)                // nil: at once, well
	more    map[uint8]int                                                // words too many, by station
	start   time.Time
	isOpen  bool
	opens   []time.Duration
	asks    map[uint8][]time.Duration
	closes  int
}

func (s *scripted) up() time.Duration { return time.Since(s.start) }

func pass(ctx context.Context, d time.Duration) {
	select {
	case <-time.After(d):
	case <-ctx.Done():
	}
}

func (s *scripted) open(ctx context.Context) error {
	s.opens = append(s.opens, s.up())
	if s.opening != nil {
		d, err := s.opening(s.up())
		pass(ctx, d)
		if err != nil {
			return err
		}
	}
	s.isOpen = true
	return ctx.Err()
}

// Every register answers with the station's number, so that a value from elsewhere is seen.
func (s *scripted) ask(_ context.Context, station uint8, _ reading.Table, _, count uint16) ([]uint16, error) {
	if !s.isOpen {
		return nil, errNotOpen
	}
	s.asks[station] = append(s.asks[station], s.up())
	d, err := s.answer(station, s.up())
	<-time.After(d) // like the library, it cannot be stopped
	if err != nil {
		return nil, err
	}
	words := make([]uint16, int(count)+s.more[station])
	for i := range words {
		words[i] = uint16(station)
	}
	return words, nil
}

func (s *scripted) close() {
	if s.isOpen {
		s.closes++
	}
	s.isOpen = false
}

// stationsOf is a site with one bus and one sensor of one register for every station, with room beside it; the first guards when asked.
func stationsOf(guards bool, every map[uint8]uint64, stations ...uint8) *site.Site {
	s := &site.Site{Buses: []site.Bus{{Name: "panel-net", Scheme: "tcp", Period: time.Second, Timeout: time.Second}}}
	for i, id := range stations {
		s.Sensors = append(s.Sensors, site.Sensor{Station: id, Every: max(1, every[id]), Points: []int{i}, Allowed: []site.Span{{Table: reading.Holding, Addr: 7, Count: 60}}})
		s.Points = append(s.Points, site.Point{Path: fmt.Sprintf("p.s%d.x", id), Sensor: i, Table: reading.Holding, Addr: 7, Decode: site.Decode{Type: site.Uint16}})
		s.Buses[0].Sensors = append(s.Buses[0].Sensors, i)
	}
	if guards {
		s.Panels = []site.Panel{{Interlock: site.Interlock{Configured: true, Temperature: 0}}}
	}
	return s
}

// play runs a bus over a scripted link for so long and gives all batches. It checks what must hold of every batch.
func play(t *testing.T, s *site.Site, l *scripted, length time.Duration) (batches []reading.Batch, logged string) {
	t.Helper()
	var text bytes.Buffer
	synctest.Test(t, func(t *testing.T) {
		l.start, l.asks = time.Now(), map[uint8][]time.Duration{}
		ctx, cancel := context.WithCancel(t.Context())
		out, done := make(chan reading.Batch), make(chan error, 1)
		log := slog.New(slog.NewTextHandler(&text, &slog.HandlerOptions{ReplaceAttr: withoutTime}))
		go func() { done <- run(ctx, s, 0, clock(l.start), nil, out, log, l) }()
		end := time.After(length)
		for running := true; running; {
			select {
			case b := <-out:
				batches = append(batches, b)
			case <-end:
				running = false
			}
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v, want nil at the end", err)
		}
		if l.isOpen {
			t.Error("the link was left open")
		}
	})
	wellFormed(t, batches)
	return batches, text.String()
}

func withoutTime(_ []string, a slog.Attr) slog.Attr {
	if a.Key == slog.TimeKey {
		return slog.Attr{}
	}
	return a
}

func clock(start time.Time) func() reading.Stamp {
	return func() reading.Stamp {
		now := time.Now()
		return reading.Stamp{Wall: reading.WallOf(now), Up: now.Sub(start)}
	}
}

// wellFormed checks what a consumer may rely on.
func wellFormed(t *testing.T, batches []reading.Batch) {
	t.Helper()
	for i, b := range batches {
		for _, r := range b.Reads {
			if (r.Fault == reading.Answered) != (len(r.Words) == int(r.Count) && r.Count > 0) || r.Fault != reading.Answered && r.Words != nil {
				t.Errorf("slot %d: station %d: fault %v with words %v", b.Slot, r.Station, r.Fault, r.Words)
			}
			if r.Sent.IsZero() || r.Took < 0 || b.At.Up < r.Sent.Up {
				t.Errorf("slot %d: station %d: sent %v took %v, vouched at %v", b.Slot, r.Station, r.Sent.Up, r.Took, b.At.Up)
			}
		}
		if i == 0 {
			continue
		}
		before := batches[i-1]
		if before.Last && (b.Slot <= before.Slot || b.Segment != 0) || !before.Last && (b.Slot != before.Slot || b.Segment != before.Segment+1) {
			t.Errorf("after slot %d segment %d last %v comes slot %d segment %d", before.Slot, before.Segment, before.Last, b.Slot, b.Segment)
		}
	}
}

// faults is what became of a station's requests, batch by batch.
func faults(batches []reading.Batch, station uint8) (out []reading.Fault) {
	for _, b := range batches {
		for _, r := range b.Reads {
			if r.Station == station {
				out = append(out, r.Fault)
			}
		}
	}
	return out
}

func quick(uint8, time.Duration) (time.Duration, error) { return 5 * time.Millisecond, nil }

// dead makes a link on which the stations named do not answer.
func dead(ids ...uint8) *scripted {
	return &scripted{answer: func(station uint8, _ time.Duration) (time.Duration, error) {
		if bytes.IndexByte(ids, station) >= 0 {
			return time.Second, modbus.ErrRequestTimedOut
		}
		return 5 * time.Millisecond, nil
	}}
}
