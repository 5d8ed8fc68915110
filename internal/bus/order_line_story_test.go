package bus

import (
	"bytes"
	"context"
	"log/slog"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// onDrives is onDrivenLine for a line with several drives: an order names its panel. The last drive is that of closeCoil.
func onDrives(t *testing.T, s *site.Site, story func(sim *simLine, give func(panel int) reading.OrderResult, rounds func(int) *tally)) (logged string) {
	t.Helper()
	var text bytes.Buffer
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		withDrive(s, closeCoil)
		p := plan.Of(s, 0)
		w, err := wireOf(s, &s.Buses[0], p)
		if err != nil {
			t.Fatal(err)
		}
		sim := &simLine{t: t, start: start, wire: w}
		sim.answers = sim.prompt
		coil := false
		sim.obeys = func(frame []byte) []after {
			coil = true
			return []after{{sim.usual(frame), frame}}
		}
		sim.answers = func(n int, q query, right []byte) []after {
			if q.station == closeCoil.Station && q.table == reading.Coil {
				right = withSum([]byte{q.station, 1, 1, map[bool]byte{false: 0, true: 1}[coil]})
			}
			return sim.prompt(n, q, right)
		}
		l := newLine(w, w.longest(p), s.Buses[0].Listen, clock(start))
		ctx, cancel := context.WithCancel(t.Context())
		given, obeyed, out, done := make(chan reading.Order, 1), make(chan reading.OrderResult), make(chan reading.Batch), make(chan error, 1)
		log := slog.New(slog.NewTextHandler(&text, &slog.HandlerOptions{ReplaceAttr: withoutTime}))
		go func() {
			done <- runOrders(ctx, s, 0, clock(start), Orders{Given: given, Done: obeyed}, out, log, &rtuLink{line: l, dial: sim.dial})
		}()
		id := uint64(0)
		give := func(panel int) (res reading.OrderResult) {
			id++
			o := s.Panels[panel].Interlock.Drive.Order(panel)
			o.ID, o.Until = id, time.Since(start)+time.Minute
			for waiting := given; ; {
				select {
				case waiting <- o:
					waiting = nil
				case <-out:
				case res = <-obeyed:
					return res
				}
			}
		}
		rounds := func(n int) *tally {
			y := &tally{}
			for y.rounds < n {
				y.take(s, <-out, true)
			}
			return y
		}
		story(sim, give, rounds)
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v, want nil at the end", err)
		}
		sim.hangUp()
		<-time.After(time.Minute)
	})
	return text.String()
}

// Two panels drive on one line; the control of the first answers after the order to the second has left.
func TestALateAnswerToOneOfTwoDrivesIsNoOtherMaster(t *testing.T) {
	s := panelLine()
	s.Buses[0].Listen = 30 * time.Second
	withDrive(s, site.Drive{Station: 8, Table: reading.Coil, Addr: 4, Value: 1})
	logged := onDrives(t, s, func(sim *simLine, give func(panel int) reading.OrderResult, rounds func(int) *tally) {
		rounds(40)
		sim.change(nil, func(frame []byte) []after {
			if frame[0] == 8 {
				return []after{{sim.usual(frame) + 700*time.Millisecond, frame}}
			}
			return []after{{sim.usual(frame), frame}}
		})
		give(0)
		give(1)
		y := rounds(20)
		r := give(1)
		if y.faults[reading.AnotherMaster] > 0 || r.Fault == reading.AnotherMaster {
			t.Error("silenced by its own order's answer")
		}
	})
	if bytes.Contains([]byte(logged), []byte("another master")) {
		t.Error(logged)
	}
}

// A line that hears itself, an order before anything was read, and nobody there.
func TestAnEchoBeforeTheFirstReadingIsNoAnswerToAnOrder(t *testing.T) {
	onDrives(t, panelLine(), func(sim *simLine, give func(panel int) reading.OrderResult, rounds func(int) *tally) {
		quiet := sim.answers
		sim.change(func(n int, q query, right []byte) []after {
			return append([]after{{time.Millisecond, q.frame()}}, quiet(n, q, right)...)
		}, func(frame []byte) []after { return []after{{time.Millisecond, frame}} })
		if r := give(0); r.Fault == reading.Answered {
			t.Errorf("nobody answered: %+v", r)
		}
		rounds(2)
	})
}

// One answer came behind an echo; every order after it is answered, and that is believed.
func TestOneEchoInTheLifeOfALineDoesNotMakeItHearItself(t *testing.T) {
	onDrives(t, panelLine(), func(sim *simLine, give func(panel int) reading.OrderResult, rounds func(int) *tally) {
		quiet := sim.answers
		once := false
		sim.change(func(n int, q query, right []byte) []after {
			if !once && sim.up() > 3*time.Second {
				once = true
				return append([]after{{time.Millisecond, q.frame()}}, quiet(n, q, right)...)
			}
			return quiet(n, q, right)
		}, nil)
		rounds(10)
		for range 3 {
			if r := give(0); r.Fault != reading.Answered {
				t.Errorf("the control answers every order: %+v", r)
			}
			rounds(60)
		}
	})
}

// Orders each second, answered 150 ms after their time: no reading has their form.
func TestLateAnswersToOrdersDoNotDarkenTheLine(t *testing.T) {
	s := rtuSite(false, nil, value{1, reading.Input, 0, site.Float32}, value{1, reading.Holding, 0, site.Uint16}, value{9, reading.Input, 0, site.Uint16})
	onDrives(t, s, func(sim *simLine, give func(panel int) reading.OrderResult, rounds func(int) *tally) {
		rounds(10)
		sim.change(nil, func(frame []byte) []after { return []after{{sim.usual(frame) + 150*time.Millisecond, frame}} })
		got := map[reading.Fault]int{}
		n := 0
		for range 60 {
			give(0)
			y := rounds(1)
			n += y.values
			for f, k := range y.faults {
				got[reading.Fault(f)] += k
			}
		}
		if n < 90 {
			t.Errorf("%d values in 60 rounds of 3: %v", n, got)
		}
	})
}

// A noisy line is waited for for up to its longest timeout; what is withdrawn meanwhile must not leave.
func TestAnOrderWithdrawnWhileItWaitsForQuietDoesNotLeave(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		s := panelLine()
		s.Buses[0].Timeout = 3 * time.Second
		withDrive(s, closeCoil)
		p := plan.Of(s, 0)
		w, err := wireOf(s, &s.Buses[0], p)
		if err != nil {
			t.Fatal(err)
		}
		sim := &simLine{t: t, start: start, wire: w}
		sim.answers = sim.prompt
		sim.obeys = func(frame []byte) []after { return []after{{sim.usual(frame), frame}} }
		l := newLine(w, w.longest(p), 0, clock(start))
		ctx, cancel := context.WithCancel(t.Context())
		given, obeyed, out, done := make(chan reading.Order, 1), make(chan reading.OrderResult), make(chan reading.Batch), make(chan error, 1)
		var gone atomic.Int64
		go func() {
			done <- runOrders(ctx, s, 0, clock(start), Orders{Given: given, Done: obeyed, Stands: func(reading.Order) bool { return gone.Load() == 0 }}, out, slog.New(slog.DiscardHandler), &rtuLink{line: l, dial: sim.dial})
		}()
		for last := 0; last < 3; {
			if (<-out).Last {
				last++
			}
		}
		stop := make(chan bool)
		go func() { // noise without a pause of 3.5 characters
			for {
				select {
				case <-stop:
					return
				case <-time.After(time.Millisecond):
					sim.say([]byte{0x55})
				}
			}
		}()
		<-time.After(10 * time.Millisecond)
		o := closeCoil.Order(0)
		o.ID, o.Until = 1, time.Since(start)+time.Second
		given <- o
		<-time.After(50 * time.Millisecond)
		gone.Store(1)
		at := time.Since(start)
		for waiting := true; waiting; {
			select {
			case <-out:
			case r := <-obeyed:
				if r.Fault == reading.Answered {
					t.Errorf("%+v", r)
				}
				waiting = false
			}
		}
		close(stop)
		for _, left := range sim.ordered() {
			if left > at || left > o.Until {
				t.Errorf("withdrawn at %v, valid until %v, left at %v", at, o.Until, left)
			}
		}
		cancel()
		<-done
		sim.hangUp()
		<-time.After(time.Minute)
	})
}
