package bus

import (
	"bytes"
	"context"
	"encoding/binary"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// onDrivenLine runs a bus with one panel that may close by a coil of station 9, over a simulated line in virtual time. The story gets the line,
// a way to give an order and wait for what became of it, and a way to let rounds pass.
func onDrivenLine(t *testing.T, s *site.Site, story func(sim *simLine, give func() reading.OrderResult, rounds func(int) *tally)) (logged string) {
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
		give := func() (res reading.OrderResult) {
			id++
			o := closeCoil.Order(0)
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

// panelLine is one device on a line of its own.
func panelLine() *site.Site {
	s := lineSite(false, nil, value{1, reading.Input, 0, site.Float32}, value{1, reading.Holding, 0, site.Uint16}, value{9, reading.Input, 0, site.Uint16})
	s.Buses[0].Scheme = "rtu"
	return s
}

// The frame by hand: station 9, function 05, coil 12 (0x000C), FF00 for on; register 0x0028 set to 0x0003 by function 06. The checks are the
// reference library's own: what it reads back as sound must be these bytes.
func TestAnOrderOnALineIsTheFrameOfTheSpecification(t *testing.T) {
	coil := orderFrame(reading.Order{Station: 9, Table: reading.Coil, Addr: 12, Value: 1})
	if want := []byte{9, 5, 0, 12, 0xff, 0}; !bytes.Equal(coil[:6], want) || !sound(coil) {
		t.Errorf("% x, want % x and a check", coil, want)
	}
	register := orderFrame(reading.Order{Station: 9, Table: reading.Holding, Addr: 0x28, Value: 3})
	if want := []byte{9, 6, 0, 0x28, 0, 3}; !bytes.Equal(register[:6], want) || binary.LittleEndian.Uint16(register[6:]) != crc(want) {
		t.Errorf("% x, want % x and a check", register, want)
	}
	// Modbus Application Protocol V1.1b3, 6.5, example: coil 173 (0x00AC) on: 05 00 AC FF 00.
	if got := orderFrame(reading.Order{Station: 1, Table: reading.Coil, Addr: 0xac, Value: 1}); !bytes.Equal(got[1:6], []byte{5, 0, 0xac, 0xff, 0}) {
		t.Errorf("% x", got)
	}
	// 6.6, example: register 2 (0x0001) to 0003: 06 00 01 00 03.
	if got := orderFrame(reading.Order{Station: 1, Table: reading.Holding, Addr: 1, Value: 3}); !bytes.Equal(got[1:6], []byte{6, 0, 1, 0, 3}) {
		t.Errorf("% x", got)
	}
	for _, table := range []reading.Table{reading.NoTable, reading.Discrete, reading.Input} {
		if f := orderFrame(reading.Order{Station: 9, Table: table}); f != nil {
			t.Errorf("%v: % x", table, f)
		}
	}
}

func TestAnOrderOnALineIsWrittenAndReadBack(t *testing.T) {
	onDrivenLine(t, panelLine(), func(sim *simLine, give func() reading.OrderResult, rounds func(int) *tally) {
		rounds(5)
		for range 3 {
			if res := give(); res.Fault != reading.Answered || !res.Known || res.ReadBack != 1 {
				t.Errorf("%+v", res)
			}
			if y := rounds(5); y.wrong+y.old > 0 || y.whole < 4 {
				t.Errorf("%d of %d rounds whole, %d wrong: %s", y.whole, y.rounds, y.wrong+y.old, faultCounts(y))
			}
		}
	})
}

// Everything on the line has gone mad: a flood, and no answer to anything. The order leaves within the time of the longest answer all the same.
func TestAnOrderLeavesOnADirtyLineAtOnce(t *testing.T) {
	onDrivenLine(t, panelLine(), func(sim *simLine, give func() reading.OrderResult, rounds func(int) *tally) {
		rounds(5)
		sim.change(func(_ int, q query, right []byte) []after {
			return []after{{sim.usual(right), []byte{1, 2, 3}}, {sim.usual(right) + 300*time.Millisecond, right}}
		}, nil)
		rounds(10)
		before := sim.up()
		res := give()
		if res.Fault != reading.Answered || res.Known {
			t.Errorf("on a line out of step a read-back is not known: %+v", res)
		}
		if left := sim.ordered(); len(left) != 1 || left[0]-before > 500*time.Millisecond {
			t.Errorf("given at %v, written at %v", before, left)
		}
	})
}

// A line on which another master speaks takes no order, and neither does one that is still listened to.
func TestNoOrderLeavesWhereAnotherMasterSpeaks(t *testing.T) {
	s := panelLine()
	s.Buses[0].Listen = 30 * time.Second
	onDrivenLine(t, s, func(sim *simLine, give func() reading.OrderResult, rounds func(int) *tally) {
		rounds(3)
		if res := give(); res.Fault != reading.Listening {
			t.Errorf("while listening: %+v", res)
		}
		rounds(40)
		sim.say(itsQuestion.frame())
		rounds(2)
		if res := give(); res.Fault != reading.AnotherMaster {
			t.Errorf("with another master: %+v", res)
		}
		if left := sim.ordered(); len(left) > 0 {
			t.Errorf("orders left at %v", left)
		}
		rounds(40)
		if res := give(); res.Fault != reading.Answered || len(sim.ordered()) != 1 {
			t.Errorf("after a full silence: %+v, %v", res, sim.ordered())
		}
	})
}

// The answer to an order repeats it, and has the form only a master sends. Late, it is neither another master nor a reading.
func TestALateAnswerToAnOrderIsNoOtherMaster(t *testing.T) {
	s := panelLine()
	s.Buses[0].Listen = 30 * time.Second
	logged := onDrivenLine(t, s, func(sim *simLine, give func() reading.OrderResult, rounds func(int) *tally) {
		rounds(40)
		sim.change(nil, func(frame []byte) []after { return []after{{sim.usual(frame) + 700*time.Millisecond, frame}} })
		if res := give(); res.Fault != reading.Timeout {
			t.Errorf("%+v", res)
		}
		y := rounds(30)
		if y.faults[reading.AnotherMaster] > 0 || y.wrong+y.old > 0 || y.whole < 15 {
			t.Errorf("%d of %d rounds whole, %d wrong:%s", y.whole, y.rounds, y.wrong+y.old, faultCounts(y))
		}
	})
	if bytes.Contains([]byte(logged), []byte("another master")) {
		t.Error(logged)
	}
}

// A line that hears itself: the echo alone is no answer.
func TestAnEchoOfAnOrderIsNoAnswer(t *testing.T) {
	onDrivenLine(t, panelLine(), func(sim *simLine, give func() reading.OrderResult, rounds func(int) *tally) {
		quiet := sim.answers
		sim.change(func(n int, q query, right []byte) []after {
			return append([]after{{time.Millisecond, q.frame()}}, quiet(n, q, right)...)
		}, nil)
		rounds(5)
		sim.change(nil, func(frame []byte) []after { return []after{{time.Millisecond, frame}} })
		if res := give(); res.Fault != reading.Timeout {
			t.Errorf("nobody answered: %+v", res)
		}
		sim.change(nil, func(frame []byte) []after { return []after{{time.Millisecond, frame}, {sim.usual(frame), frame}} })
		if res := give(); res.Fault != reading.Answered {
			t.Errorf("echo and answer: %+v", res)
		}
	})
}

func TestARefusedOrderOnALineIsToldWithItsFault(t *testing.T) {
	onDrivenLine(t, panelLine(), func(sim *simLine, give func() reading.OrderResult, rounds func(int) *tally) {
		rounds(3)
		sim.change(nil, func(frame []byte) []after {
			return []after{{sim.usual(frame), withSum([]byte{frame[0], frame[1] | 0x80, 2})}}
		})
		if res := give(); res.Fault != reading.IllegalAddress {
			t.Errorf("%+v", res)
		}
		sim.change(nil, func([]byte) []after { return nil })
		if res := give(); res.Fault != reading.Timeout {
			t.Errorf("%+v", res)
		}
	})
}

// A control that answers no order must not keep its temperature from being read.
func TestUnansweredOrdersOnALineDoNotStarveTheReading(t *testing.T) {
	onDrivenLine(t, panelLine(), func(sim *simLine, give func() reading.OrderResult, rounds func(int) *tally) {
		rounds(5)
		sim.change(nil, func([]byte) []after { return nil })
		asked := len(sim.questions())
		for range 20 {
			give()
			rounds(1)
		}
		n := 0
		for _, a := range sim.questions()[asked:] {
			if a.q.station == 1 && a.q.table == reading.Input {
				n++
			}
		}
		if n < 18 {
			t.Errorf("the temperature was asked %d times beside 20 unanswered orders", n)
		}
	})
}
