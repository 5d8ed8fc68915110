package bus

import (
	"fmt"
	"slices"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/site"
)

const (
	// A device that says nothing of its turnaround: what transmitters with a 4-20 mA heritage need, by common practice.
	turnaroundDefault = 100 * time.Millisecond
	// What an operating system and a USB adapter add to the wire: 16 ms of latency timer in the commonest chips, and scheduling.
	slack = 30 * time.Millisecond

	// An answer was measured to come up to ten timeouts late, and is taken to come no later than this. The floor covers serial servers,
	// whose own retries do not know our timeout.
	horizonTimeouts = 10
	horizonMin      = 5 * time.Second

	// A line on which a sound answer came out of its place is distrusted for so long: no shape is used twice within the horizon. Long
	// beside the horizon, because devices that do it, do it again.
	distrust = 10 * time.Minute

	// The longest timeout of a stream that can be cancelled: 125 registers at 1200 baud take 2.4 s.
	lineTimeoutMax = 5 * time.Second
	// Settling after a fault begins with one timeout and doubles to this. An interlock's temperature is lost after 10 s.
	settleMax = 2 * time.Second
	// A connection newly made to a serial server may hand over what came while nobody was connected: 300 ms was measured.
	settleOpen = 500 * time.Millisecond
)

// bauds are the rates that every Linux serial driver may know by number.
var bauds = []int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400}

// wire is the times of a line.
type wire struct {
	char  time.Duration // one character: start, eight bits, parity or a second stop, stop
	quiet time.Duration // t3.5, that ends a frame
	turn  time.Duration // the longest turnaround of its devices
	fixed time.Duration // configured timeout, 0: from the wire
}

// wireOf is the times of a bus, or why it cannot be polled.
func wireOf(s *site.Site, b *site.Bus, p plan.Plan) (wire, error) {
	if !slices.Contains(bauds, b.Baud) {
		return wire{}, fmt.Errorf("baud %d: want one of %v", b.Baud, bauds)
	}
	w := wire{char: 11 * time.Second / time.Duration(b.Baud), fixed: b.Timeout, turn: turnaroundDefault}
	// Modbus over Serial Line V1.02, 2.5.1.1: 3.5 characters of silence end a frame; above 19200 baud a fixed 1750 us.
	w.quiet = w.char * 35 / 10
	if b.Baud > 19200 {
		w.quiet = 1750 * time.Microsecond
	}
	worst := time.Duration(0)
	for _, i := range b.Sensors {
		turn := s.Sensors[i].Turnaround
		if turn == 0 {
			turn = turnaroundDefault
		}
		worst = max(worst, turn)
	}
	if worst > 0 {
		w.turn = worst
	}
	for _, q := range p.Requests {
		need := w.need(queryOf(q))
		if w.fixed > 0 && w.fixed < need {
			return wire{}, fmt.Errorf("timeout %v cannot succeed: station %d: %d addresses at %d baud take %v with a turnaround of %v",
				w.fixed, q.Station, q.Count, b.Baud, need.Round(time.Millisecond), w.turn)
		}
		if t := w.timeout(queryOf(q)); t > lineTimeoutMax {
			return wire{}, fmt.Errorf("timeout %v: want at most %v", t, lineTimeoutMax)
		}
	}
	return w, nil
}

func queryOf(q plan.Request) query { return query{q.Station, q.Table, q.Addr, q.Count} }

// need is what one read takes on the wire: the silence before it, the request, the turnaround and the whole answer.
func (w wire) need(q query) time.Duration {
	return w.quiet + time.Duration(requestBytes+q.replyBytes())*w.char + w.turn
}

// timeout is how long the answer to one read is waited for.
func (w wire) timeout(q query) time.Duration {
	if w.fixed > 0 {
		return max(w.fixed, w.need(q))
	}
	return w.need(q) + slack
}

// longest is the timeout of the longest request of a plan, however it is bent.
func (w wire) longest(p plan.Plan) time.Duration {
	out := w.fixed
	for _, q := range p.Requests {
		out = max(out, w.timeout(queryOf(q)))
	}
	return out
}

// Times is what a serial line costs, for whoever must say so before it runs.
type Times struct {
	Timeout  time.Duration // of its longest request
	Horizon  time.Duration // how long a late answer may still come; a shape that ended in a fault waits so long
	Settle   time.Duration // the longest settling after faults
	Clean    time.Duration // a round in which every device takes its whole turnaround
	OneFault time.Duration // the same with one answer lost: its timeout, a settling, and what was read before asked again
	// OneShape holds the requests that can be asked in one shape only. After a fault, and for ten minutes after an answer out of its
	// place, each of them is asked once in a horizon; opening one address beside it with also_readable ends that.
	OneShape []plan.Request
}

// TimesOf works out the times of the serial line with index bus, or says why it cannot be polled.
func TimesOf(s *site.Site, bus int) (Times, error) {
	p := plan.Of(s, bus)
	w, err := wireOf(s, &s.Buses[bus], p)
	if err != nil {
		return Times{}, err
	}
	t := Times{Timeout: w.longest(p)}
	t.Horizon = max(horizonTimeouts*t.Timeout, horizonMin)
	t.Settle = max(settleMax, t.Timeout)
	checks := map[uint8]bool{} // an interlock's station has a check of its own, the others share one
	for _, r := range p.Requests {
		t.Clean += w.need(queryOf(r)) + w.quiet
		id := uint8(0)
		if r.Interlock {
			id = r.Station
		}
		if !checks[id] {
			checks[id] = true
			t.Clean += w.need(query{r.Station, r.Table, r.Addr, checkWidth}) + w.quiet
		}
		if room := p.Rooms[r]; len(room.Values) < 2 && room.Open.Count == r.Count {
			t.OneShape = append(t.OneShape, r)
		}
	}
	t.OneFault = 2*t.Clean + 2*t.Timeout // the settling is one timeout
	return t, nil
}
