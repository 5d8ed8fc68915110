package bus

import (
	"context"
	"io"
	"log/slog"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// queueing is a gateway that takes the oldest frame on its serial side for the answer to the question it has just asked, whatever
// connection asks. fault tells what becomes of a question.
type queueing struct {
	start  time.Time
	fault  func(q query, up time.Duration) does
	queue  [][]byte
	isOpen bool
	opens  int
	asked  int
	all    []asking
	onOpen func(n int)
}

type does uint8

const (
	well    does = iota
	tooLate      // its answer comes after the gateway gave up, and lies there
	twice        // the gateway asked again too early: two answers come
	lose         // no answer
	partial      // exception 2
	failure      // exception 4
	longer       // the answer has another length
	hang         // well, and then the connection is closed
	idle         // the connection was closed before; nothing is asked
)

func (g *queueing) up() time.Duration { return time.Since(g.start) }
func (g *queueing) open(context.Context) error {
	g.isOpen = true
	if g.opens++; g.onOpen != nil {
		g.onOpen(g.opens)
	}
	return nil
}
func (g *queueing) close() { g.isOpen = false }

func (g *queueing) ask(_ context.Context, station uint8, table reading.Table, addr, count uint16) ([]uint16, error) {
	if !g.isOpen {
		return nil, errNotOpen
	}
	g.asked++
	q := query{station, table, addr, count}
	g.all = append(g.all, asking{q, g.up()})
	right := answerTo(q, g.up())
	d := g.fault(q, g.up())
	switch d {
	case idle:
		return nil, io.EOF
	case twice:
		g.queue = append(g.queue, right)
	case partial:
		right = exceptionTo(q, 2)
	case failure:
		right = exceptionTo(q, 4)
	case longer:
		q2 := q
		q2.count++
		right = answerTo(q2, g.up())
	}
	if d != lose && d != tooLate {
		g.queue = append(g.queue, right)
	}
	if len(g.queue) == 0 {
		<-time.After(100 * time.Millisecond)
		if d == tooLate {
			g.queue = append(g.queue, right)
		}
		return nil, modbus.ErrRequestTimedOut
	}
	b := g.queue[0]
	g.queue = slices.Clone(g.queue[1:])
	if d == tooLate {
		g.queue = append(g.queue, right)
	}
	<-time.After(10 * time.Millisecond)
	words, err := asTheLibrary(q, b)
	if d == hang {
		g.isOpen = true
		g.fault = onceIdle(g, g.fault)
	}
	return words, err
}

// onceIdle makes the next question find the connection closed.
func onceIdle(g *queueing, then func(query, time.Duration) does) func(query, time.Duration) does {
	return func(query, time.Duration) does { g.fault = then; return idle }
}

// through runs a bus over such a gateway.
func through(t *testing.T, s *site.Site, rounds int, fault func(query, time.Duration) does, set ...func(*queueing)) (y *tally, g *queueing) {
	t.Helper()
	y = &tally{}
	s.Buses[0].Scheme = "tcp"
	if s.Buses[0].Timeout == 0 {
		s.Buses[0].Timeout = 100 * time.Millisecond
	}
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		g = &queueing{start: start, fault: fault}
		for _, f := range set {
			f(g)
		}
		ctx, cancel := context.WithCancel(t.Context())
		out, done := make(chan reading.Batch), make(chan error, 1)
		go func() { done <- run(ctx, s, 0, clock(start), nil, out, slog.New(slog.DiscardHandler), g) }()
		for y.rounds < rounds {
			y.take(s, <-out, true)
		}
		cancel()
		<-done
	})
	wellFormed(t, y.keep)
	return y, g
}

func counts(y *tally, id uint8, from uint64) map[reading.Fault]int {
	got := map[reading.Fault]int{}
	for _, b := range y.keep {
		for _, r := range b.Reads {
			if r.Station == id && b.Slot >= from {
				got[r.Fault]++
			}
		}
	}
	return got
}

// once does a fault so many times from a time on, on questions that fit.
func once(n int, from time.Duration, d does, fits func(query) bool) func(query, time.Duration) does {
	return func(q query, up time.Duration) does {
		if n > 0 && up > from && fits(q) {
			n--
			return d
		}
		return well
	}
}

// One late answer, once. Three registers apart on one device, and beside it another device that is silent, so that nothing is left to check by.
func TestAShiftedGatewayDoesNotSwapRegistersOfOneShape(t *testing.T) {
	apart := []value{{2, reading.Holding, 0, site.Uint16}, {2, reading.Holding, 10, site.Uint16}, {2, reading.Holding, 20, site.Uint16}}
	for name, s := range map[string]*site.Site{
		"beside a silent other": lineSite(false, nil, append(apart, registers(3, reading.Input, 0, 6)...)...),
	} {
		for what, d := range map[string]does{"late": tooLate, "asked twice": twice} {
			t.Run(name+", "+what, func(t *testing.T) {
				f := once(1, 60*time.Second, d, func(q query) bool { return q.station == 2 && q.addr == 0 })
				y, _ := through(t, s, 300, func(q query, up time.Duration) does {
					if q.station == 3 {
						return lose
					}
					return f(q, up)
				})
				if y.wrong+y.old > 0 {
					t.Errorf("%d wrong, %d old of %d; first %+v", y.wrong, y.old, y.values, y.firstWrong)
				}
			})
		}
	}
}

// Two registers of one shape and one of another on one device. A gateway that asks again too early leaves an answer over each time; after
// the second the line is shifted by two.
func TestAGatewayShiftedByTwoIsNoticed(t *testing.T) {
	for name, s := range map[string]*site.Site{
		"two and one": lineSite(false, nil, value{2, reading.Holding, 0, site.Uint16}, value{2, reading.Holding, 10, site.Uint16}, value{2, reading.Input, 20, site.Uint16}),
		"three and one": lineSite(false, nil, value{2, reading.Holding, 0, site.Float32}, value{2, reading.Holding, 10, site.Float32},
			value{2, reading.Holding, 20, site.Float32}, value{2, reading.Input, 20, site.Uint16}),
		"one and one": lineSite(false, nil, value{2, reading.Holding, 0, site.Float32}, value{2, reading.Input, 20, site.Uint16}),
	} {
		for _, second := range []time.Duration{60*time.Second + 300*time.Millisecond, 75 * time.Second} {
			t.Run(name+second.String(), func(t *testing.T) {
				a := once(1, 60*time.Second, twice, func(q query) bool { return true })
				b := once(1, second, twice, func(q query) bool { return true })
				y, _ := through(t, s, 600, func(q query, up time.Duration) does { return max(a(q, up), b(q, up)) })
				t.Logf("%d values, %s", y.values, faultCounts(y))
				if y.wrong+y.old > 0 {
					t.Errorf("%d wrong, %d old of %d; first %+v", y.wrong, y.old, y.values, y.firstWrong)
				}
			})
		}
	}
}

// Devices that give a request whole or not at all.
func TestADeviceThatRefusesPartsIsPublished(t *testing.T) {
	for name, c := range map[string]struct {
		s    *site.Site
		d    does
		full map[uint8]uint16
	}{
		"one device, one request, 02":   {lineSite(false, nil, registers(1, reading.Holding, 0, 10)...), partial, map[uint8]uint16{1: 10}},
		"one device, one request, 04":   {lineSite(false, nil, registers(1, reading.Holding, 0, 10)...), failure, map[uint8]uint16{1: 10}},
		"two devices of 10, 02":         {lineSite(false, nil, append(registers(1, reading.Holding, 0, 10), registers(2, reading.Holding, 0, 10)...)...), partial, map[uint8]uint16{1: 10, 2: 10}},
		"two devices of 60, 02":         {lineSite(false, nil, append(registers(1, reading.Holding, 0, 60), registers(2, reading.Holding, 0, 60)...)...), partial, map[uint8]uint16{1: 60, 2: 60}},
		"two devices of 10, 04":         {lineSite(false, nil, append(registers(1, reading.Holding, 0, 10), registers(2, reading.Holding, 0, 10)...)...), failure, map[uint8]uint16{1: 10, 2: 10}},
		"one float beside such a block": {lineSite(false, nil, append(registers(1, reading.Holding, 0, 10), value{2, reading.Holding, 0, site.Float32})...), failure, map[uint8]uint16{1: 10, 2: 2}},
	} {
		t.Run(name, func(t *testing.T) {
			y, _ := through(t, c.s, 600, func(q query, up time.Duration) does {
				if q.addr != 0 || q.count != c.full[q.station] {
					return c.d
				}
				return well
			})
			first := uint64(0)
			whole := 0
			for _, b := range y.keep {
				good := true
				for _, r := range b.Reads {
					good = good && r.Fault == reading.Answered
				}
				if good {
					if whole++; first == 0 {
						first = b.Slot
					}
				}
			}
			t.Logf("figure: %d of 600 rounds whole, the first %d; %s", whole, first, faultCounts(y))
			if whole < 300 {
				t.Errorf("%d of 600 rounds whole, the first %d; %s", whole, first, faultCounts(y))
			}
		})
	}
}

// An endpoint that closes the connection after every answer.
func TestAnEndpointThatHangsUpAfterEveryAnswerIsPublished(t *testing.T) {
	for name, s := range map[string]*site.Site{"larkfield": larkfield(), "one": single(), "two values": lineSite(false, nil, registers(1, reading.Holding, 0, 4)...)} {
		t.Run(name, func(t *testing.T) {
			y, _ := through(t, s, 200, func(query, time.Duration) does { return hang })
			t.Logf("figure: %d of %d rounds whole, %d values; %s", y.whole, y.rounds, y.values, faultCounts(y))
			if y.values == 0 {
				t.Errorf("every question is answered, and of 200 rounds nothing was published: %s", faultCounts(y))
			}
		})
	}
}

// A device whose answers are always of another length beside good ones.
func TestMalformedDevicesDoNotDarkenTheGoodOnes(t *testing.T) {
	rich := func(ids ...uint8) (out []value) {
		for _, id := range ids {
			out = append(out, registers(id, reading.Holding, 0, 4)...)
		}
		return out
	}
	for name, c := range map[string]struct {
		s   *site.Site
		bad []uint8
	}{
		"one of four":        {lineSite(false, nil, rich(1, 2, 3, 4)...), []uint8{2}},
		"two of four":        {lineSite(false, nil, rich(1, 2, 3, 4)...), []uint8{2, 3}},
		"one of four single": {lineSite(false, nil, value{1, reading.Holding, 0, site.Float32}, value{2, reading.Holding, 0, site.Float32}, value{3, reading.Holding, 0, site.Float32}, value{4, reading.Holding, 0, site.Float32}), []uint8{2}},
		"one of two":         {lineSite(false, nil, rich(1, 2)...), []uint8{2}},
	} {
		t.Run(name, func(t *testing.T) {
			y, _ := through(t, c.s, 300, func(q query, up time.Duration) does {
				if slices.Contains(c.bad, q.station) && up > 10*time.Second {
					return longer
				}
				return well
			})
			for _, id := range []uint8{1, 2, 3, 4} {
				if slices.Contains(c.bad, id) {
					continue
				}
				got := counts(y, id, 12)
				if len(got) == 0 {
					continue
				}
				t.Logf("figure: station %d: %v", id, got)
				if got[reading.Answered] < 90 { // a third: each round of distrust asks in other shapes, and there are few
					t.Errorf("station %d answers every question: %v", id, got)
				}
			}
		})
	}
}

// What was asked again over one connection is not vouched for by a check over the next.
func TestACheckOverAnotherConnectionVouchesForNothing(t *testing.T) {
	s := lineSite(false, nil, append(registers(1, reading.Holding, 0, 4), registers(1, reading.Input, 0, 4)...)...)
	var old []byte
	stage, n := 0, 0
	base := func(q query) bool { return q.count == 4 }
	var g *queueing
	y, _ := through(t, s, 30, func(q query, up time.Duration) does {
		switch {
		case up < 5*time.Second:
			return well
		case q.table == reading.Holding && base(q) && old == nil && up < 7*time.Second:
			old = answerTo(q, up)
		case stage == 0 && up > 12*time.Second && !base(q): // the closing check: the endpoint had closed
			stage = 1
			return idle
		case stage == 1: // the check once more over connection 2: well
			stage = 2
		case stage == 2 && q.table == reading.Holding && base(q): // asked again over connection 2: an old answer lies there
			stage = 3
			g.queue = append(g.queue, old)
		case stage == 3 && q.table == reading.Input: // and the connection is closed before the next; with the new one the gateway begins anew
			stage = 4
			g.queue = nil
			return idle
		}
		n++
		return well
	}, func(made *queueing) { g = made })
	if stage != 4 || y.wrong+y.old > 0 {
		t.Errorf("stage %d: %d wrong, %d old; %s", stage, y.wrong, y.old, faultCounts(y))
	}
}

// A question due once an hour has the shape of one that is due every second.
func TestThroughAGatewayAFrequentQuestionDoesNotYieldToOneThatIsNotDue(t *testing.T) {
	s := lineSite(true, nil, value{1, reading.Holding, 0, site.Float32}, value{2, reading.Holding, 0, site.Uint16})
	s.Sensors[0].Allowed = append(s.Sensors[0].Allowed, site.Span{Table: reading.Holding, Addr: 100, Count: 2})
	s.Sensors[0].Identity = site.Identity{Configured: true, Table: reading.Holding, Addr: 100, Count: 2, Every: 3600}
	y, _ := through(t, s, 300, once(1, 60*time.Second, longer, func(q query) bool { return q.station == 1 }))
	gap := y.gaps[value{1, reading.Holding, 0, site.Float32}]
	t.Logf("figure: dark for %v after one answer of another length; %s", gap, faultCounts(y))
	if gap > 10*time.Second {
		t.Errorf("dark for %v after one answer of another length", gap)
	}
}

// Another station that answers in two of three rounds only.
func TestThroughAGatewayAnotherStationsSilenceDoesNotTakeTheTemperatureBack(t *testing.T) {
	s := lineSite(true, nil, value{1, reading.Holding, 0, site.Uint16}, value{2, reading.Holding, 0, site.Uint16})
	y, _ := through(t, s, 300, func(q query, up time.Duration) does {
		if q.station == 2 && int(up/time.Second)%3 == 2 {
			return lose
		}
		return well
	})
	got := counts(y, 1, 5)
	t.Logf("figure: %v", got)
	if got[reading.Answered] < 290 {
		t.Errorf("the temperature's own device answered every question: %v", got)
	}
}

// One answer of another length to a temperature, with the timeouts a configuration may have.
// A temperature not seen for 10 s counts as lost and closes the valve; the configuration promises one timeout.
func TestOneBadFrameThroughAGatewayDoesNotLoseTheTemperature(t *testing.T) {
	for name, values := range map[string][]value{
		"beside one of another device": {{1, reading.Holding, 0, site.Float32}, {2, reading.Holding, 0, site.Uint16}},
		"among others of its device":   {{1, reading.Holding, 0, site.Float32}, {1, reading.Holding, 2, site.Float32}, {2, reading.Holding, 0, site.Uint16}},
	} {
		// With a second the device could be asked every ten seconds only while the line is distrusted; the configuration refuses that.
		for _, timeout := range []time.Duration{200 * time.Millisecond, 400 * time.Millisecond} {
			s := lineSite(true, nil, values...)
			s.Buses[0].Timeout = timeout
			y, _ := through(t, s, 200, once(1, 60*time.Second, longer, func(q query) bool { return q.station == 1 && q.addr == 0 }))
			var before, worst, confirmed time.Duration
			for _, b := range y.keep {
				for _, r := range b.Reads {
					if r.Station == 1 && r.Addr == 0 && r.Fault == reading.Answered {
						if r.Sent.Up-before <= 5*time.Second {
							worst, confirmed = max(worst, r.Sent.Up-confirmed), r.Sent.Up
						}
						before = r.Sent.Up
					}
				}
			}
			gap := y.gaps[value{1, reading.Holding, 0, site.Float32}]
			t.Logf("figure: %s, timeout %v: not seen for %v, two within 5 s not for %v; %s", name, timeout, gap, worst, faultCounts(y))
			if gap > 10*time.Second || worst > 10*time.Second {
				t.Errorf("%s, timeout %v: not seen for %v, two updates within 5 s not for %v", name, timeout, gap, worst)
			}
		}
	}
}
