package bus

import (
	"context"
	"encoding/binary"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// shifting is a gateway in the time of the bubble it runs in. On its serial side answers are late, doubled, lost and of the wrong station;
// it takes whatever frame comes, or lies in its buffer, for the answer to the question it has just asked, and puts that question's
// transaction number on it. What comes back to the poller is what the library makes of such an answer.
type shifting struct {
	start   time.Time
	rng     *rand.Rand
	rate    float64 // of every fault, in percent of the questions
	fresh   bool    // a new connection empties its buffer
	timeout time.Duration
	late    time.Duration
	made    map[string]int
	asked   int

	buffer []laidFrame // on the way, or come and not taken
	held   *laidFrame
	isOpen bool
}

type laidFrame struct {
	at   time.Duration
	data []byte
}

func (g *shifting) up() time.Duration { return time.Since(g.start) }

func (g *shifting) chance(name string) bool {
	if g.rng.Float64()*100 >= g.rate {
		return false
	}
	g.made[name]++
	return true
}

var gatewayFaults = []string{"lost", "late", "doubled", "doubled late", "lost and an old one doubled", "reordered", "wrong station, then the right one", "another length",
	"exception", "exception late, and right", "wrong transaction", "hung up", "hung up and still under way"}

func (g *shifting) open(context.Context) error {
	g.isOpen = true
	if g.fresh {
		g.buffer = slices.DeleteFunc(g.buffer, func(f laidFrame) bool { return f.at <= g.up() })
	}
	return nil
}
func (g *shifting) close() { g.isOpen = false }

// serial is what comes back on the gateway's serial side.
func (g *shifting) serial(q query) {
	right := answerTo(q, g.up())
	usual := g.up() + 8*time.Millisecond
	lateness := func() time.Duration { return time.Duration(g.rng.Int64N(int64(g.late))) }
	add := func(at time.Duration, b []byte) { g.buffer = append(g.buffer, laidFrame{at, b}) }
	if g.held != nil {
		add(usual+lateness()/4, g.held.data)
		g.held = nil
	}
	switch {
	case g.chance("lost"):
	case g.chance("late"):
		add(usual+lateness(), right)
	case g.chance("doubled"):
		add(usual, right)
		add(usual+time.Millisecond, right)
	case g.chance("doubled late"):
		add(usual, right)
		add(usual+lateness(), right)
	case g.chance("lost and an old one doubled"), g.chance("reordered"):
		g.held = &laidFrame{g.up(), right}
	case g.chance("wrong station, then the right one"):
		other := q
		other.station = uint8(1 + g.rng.IntN(4))
		add(usual, answerTo(other, g.up()))
		add(usual+time.Millisecond, right)
	case g.chance("another length"):
		other := q
		for other.shape() == q.shape() {
			other.count = uint16(1 + g.rng.IntN(30))
		}
		add(usual, answerTo(other, g.up()))
	case g.chance("exception"):
		add(usual, exceptionTo(q, byte(1+g.rng.IntN(11))))
	case g.chance("exception late, and right"):
		add(usual, right)
		add(usual+lateness(), exceptionTo(q, byte(1+g.rng.IntN(11))))
	default:
		add(usual, right)
	}
}

func (g *shifting) ask(_ context.Context, station uint8, table reading.Table, addr, count uint16) ([]uint16, error) {
	if !g.isOpen {
		return nil, errNotOpen
	}
	g.asked++
	q := query{station, table, addr, count}
	g.serial(q)
	if g.chance("hung up") {
		g.buffer = nil // and it begins anew
		return nil, io.EOF
	}
	if g.chance("hung up and still under way") {
		return nil, io.ErrUnexpectedEOF
	}
	slices.SortStableFunc(g.buffer, func(a, b laidFrame) int { return int(a.at - b.at) })
	if len(g.buffer) == 0 || g.buffer[0].at > g.up()+g.timeout {
		<-time.After(g.timeout)
		if g.rng.IntN(2) == 0 { // some gateways empty their buffers when they give up, some do not
			g.buffer = slices.DeleteFunc(g.buffer, func(f laidFrame) bool { return f.at <= g.up() })
		}
		return nil, modbus.ErrRequestTimedOut
	}
	first := g.buffer[0]
	g.buffer = g.buffer[1:]
	<-time.After(max(time.Millisecond, first.at-g.up()))
	if g.chance("wrong transaction") { // the library waits for another until the timeout
		<-time.After(g.timeout)
		return nil, modbus.ErrRequestTimedOut
	}
	b := first.data
	return asTheLibrary(q, b)
}

// asTheLibrary is what the library makes of a frame that a gateway gives for the answer to q.
func asTheLibrary(q query, b []byte) ([]uint16, error) {
	switch {
	case b[0] != q.station:
		return nil, modbus.ErrBadUnitId
	case b[1] == q.function()|0x80:
		return nil, exceptionError(b[2])
	case b[1] != q.function(), int(b[2]) != q.shape().bytes:
		return nil, modbus.ErrProtocolError
	}
	words := make([]uint16, q.count)
	for i := range words {
		if q.table.Bits() {
			words[i] = uint16(b[3+i/8] >> (i % 8) & 1)
		} else {
			words[i] = binary.BigEndian.Uint16(b[3+2*i:])
		}
	}
	return words, nil
}

func exceptionError(code byte) error {
	for _, e := range []error{modbus.ErrIllegalFunction, modbus.ErrIllegalDataAddress, modbus.ErrIllegalDataValue, modbus.ErrServerDeviceFailure, modbus.ErrAcknowledge, modbus.ErrServerDeviceBusy} {
		if code--; code == 0 {
			return e
		}
	}
	return modbus.ErrGWTargetFailedToRespond
}

// behind runs a bus over such a gateway for so many rounds in virtual time.
func behind(t *testing.T, s *site.Site, rounds int, noCheck, fresh bool, seed uint64, rate float64, made map[string]int) (y *tally, g *shifting) {
	t.Helper()
	y = &tally{}
	s.Buses[0].Scheme, s.Buses[0].Timeout = "tcp", 100*time.Millisecond
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		g = &shifting{start: start, fresh: fresh, rng: rand.New(rand.NewPCG(11, seed)), rate: rate, timeout: s.Buses[0].Timeout, late: site.HorizonTimeouts * s.Buses[0].Timeout, made: made}
		p := plan.Of(s, 0)
		out := make(chan reading.Batch)
		r := newPoller(&s.Buses[0], 0, p, clock(start), out, slog.New(slog.DiscardHandler), g)
		r.gate.noCheck = noCheck
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			for slot := uint64(0); r.round(ctx, slot, nil); slot++ {
				<-time.After(time.Until(start.Add(time.Duration(slot+1) * s.Buses[0].Period)))
			}
		}()
		for y.rounds < rounds {
			y.take(s, <-out, false)
		}
		cancel()
		<-done
	})
	return y, g
}

// often is larkfield asked four times a second, where an answer may be four rounds late.
func often() *site.Site {
	s := larkfield()
	s.Buses[0].Period = 250 * time.Millisecond
	return s
}

// TestAGatewayThatShiftsBehindAGoodTransactionPublishesNothingWrong is the promise for network links, as TestUnderAllFaultsTogether is for
// lines: thirteen faults at once, each of one question in a hundred. RILLWATCH_SOAK=1 makes it more than 1,000,000 values.
func TestAGatewayThatShiftsBehindAGoodTransactionPublishesNothingWrong(t *testing.T) {
	rounds := 600
	if os.Getenv("RILLWATCH_SOAK") == "1" {
		rounds = 20000
	}
	made := map[string]int{}
	var all tally
	for i, c := range []struct {
		site  func() *site.Site
		fresh bool
		rate  float64
		least float64 // ratchet
	}{
		// A gateway that stays shifted is dark until a lost answer brings it back into step.
		{larkfield, false, 1, 0.05}, {larkfield, false, 0.05, 0.04}, {crowded, false, 1, 0.02}, {crowded, false, 0.05, 0.01},
		{larkfield, true, 1, 0.45}, {larkfield, true, 0.05, 0.90}, {crowded, true, 1, 0.10}, {crowded, true, 0.05, 0.25},
		{twins, false, 1, 0.02}, {twins, true, 1, 0.50}, {often, false, 1, 0.01}, {often, true, 1, 0.05}, {often, true, 0.2, 0.05},
	} {
		s := c.site()
		y, _ := behind(t, s, rounds, withoutGuards, c.fresh, uint64(i), c.rate, made)
		if y.wrong+y.old > 0 {
			t.Errorf("%d: %d wrong, %d older than a round; the first %+v", i, y.wrong, y.old, y.firstWrong)
		}
		share := float64(y.values) / float64(y.rounds*len(s.Points))
		t.Logf("figure: gateway %d, every fault in %.2f %% of the questions: published %.3f of its values (%d rounds,%s)", i, c.rate, share, y.rounds, faultCounts(y))
		if share < c.least {
			t.Errorf("%d: %.3f of the values published, want at least %.2f", i, share, c.least)
		}
		all.values += y.values
		all.rounds += y.rounds
		all.aged += y.aged
	}
	for _, name := range gatewayFaults {
		if made[name] == 0 {
			t.Errorf("the fault %q was never made", name)
		}
	}
	t.Logf("figure: %d values in %d rounds through a gateway: 0 wrong, 0 older than a round, %d as old as the round before; faults %v", all.values, all.rounds, all.aged, made)
}

// Without the guard the same gateway is believed, and lies.
func TestTheSameGatewayLiesToWhoTrustsItsTransactionNumbers(t *testing.T) {
	y, _ := behind(t, crowded(), 300, true, true, 3, 1, map[string]int{})
	if y.wrong+y.old == 0 {
		t.Error("nothing was wrong: this gateway proves nothing")
	}
	t.Logf("figure: trusting it, %d of %d values were wrong and %d older than a round", y.wrong, y.values, y.old)
}

func TestThroughAGatewayInStepEveryRoundIsPublished(t *testing.T) {
	s := larkfield()
	y, g := behind(t, s, 2000, false, false, 5, 0, map[string]int{})
	if y.whole*1000 < y.rounds*999 || y.wrong+y.old+y.aged > 0 {
		t.Errorf("%d of %d rounds whole, %d wrong, %d old, %d of the round before", y.whole, y.rounds, y.wrong, y.old, y.aged)
	}
	t.Logf("figure: clean rounds whole %d of %d, %.2f questions a round for %d requests", y.whole, y.rounds, float64(g.asked)/float64(y.rounds), len(plan.Of(s, 0).Requests))
}

// Where one station alone answers well and can be asked in one way only, there is nothing to check it by. While the others are silent it is
// believed; while they answer what was not asked, the gateway may be out of step, and it is not.
func TestALoneAnswerIsBelievedBesideSilenceAndNotBesideNonsense(t *testing.T) {
	for name, c := range map[string]struct {
		link *scripted
		want []reading.Fault
	}{
		"silence": {dead(2, 3), []reading.Fault{reading.Answered}},
		// Asked while nothing but its own answer of the last round could come, and not vouched for; else it waits.
		"nonsense": {&scripted{answer: quick, more: map[uint8]int{2: 1, 3: -1}}, []reading.Fault{reading.NotVouched, reading.OutOfStep}},
	} {
		lean := stationsOf(false, nil, 1, 2, 3)
		for i := range lean.Sensors {
			lean.Sensors[i].Allowed[0].Count = 1
		}
		batches, _ := play(t, lean, c.link, 20*time.Second)
		for _, b := range batches[3:] {
			for _, r := range b.Reads {
				if r.Station == 1 && !slices.Contains(c.want, r.Fault) {
					t.Errorf("beside %s, slot %d: %v, want %v", name, b.Slot, r.Fault, c.want)
				}
			}
		}
	}
}

// Over a real connection and the library: from the fifth question on the gateway puts every transaction number on the answer to the question
// before. Nothing of that is published, and when it is back in step it is.
func TestAGatewayOneAnswerBehindOverARealConnectionPublishesNothing(t *testing.T) {
	var mu sync.Mutex
	var before []byte
	asked, behind := 0, 40
	address, _ := serve(t, "127.0.0.1:0", func(q question) ([]byte, bool) {
		mu.Lock()
		defer mu.Unlock()
		right := q.right()
		asked++
		if asked < 5 || asked >= behind {
			return right, false
		}
		out := before
		if before = right; out == nil {
			out = right
		}
		return append(slices.Clone(right[:4]), out[4:]...), false // the number of the question, the answer to the one before
	})
	s := stationsOf(false, nil, 1, 2, 3)
	w := watchBehind(t, address, testTimeout, s)
	good, bad := 0, 0
	for good < 40 {
		for _, r := range w.next().Reads {
			switch {
			case r.Fault != reading.Answered:
				bad++
			case r.Words[0] != uint16(r.Station):
				t.Fatalf("%+v", r)
			default:
				good++
			}
		}
	}
	if bad < 5 {
		t.Errorf("%d reads were not vouched for: the gateway was not behind", bad)
	}
}
