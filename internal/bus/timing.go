package bus

import (
	"fmt"
	"slices"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/site"
)

const (
	// A line on which a sound answer came out of its place is distrusted: no shape is used twice within the horizon. At first for so many
	// horizons, because one late answer is everyday life and a small panel has few shapes to ask in; each time it happens again, twice as
	// long, because devices that do it, do it again; and what happened is forgotten after ten minutes without it.
	distrustHorizons = 6
	distrustMost     = 10 * time.Minute

	// A connection newly made to a serial server may hand over what came while nobody was connected: 300 ms was measured.
	settleOpen = 500 * time.Millisecond
)

// wire is the times of a line.
type wire struct {
	baud  int
	char  time.Duration // one character: start, eight bits, parity or a second stop, stop
	quiet time.Duration // t3.5, that ends a frame
	turn  time.Duration // the longest turnaround of its devices
	fixed time.Duration // configured timeout, 0: from the wire
	floor time.Duration // of the horizon
}

// wireOf is the times of a bus, or why it cannot be polled.
func wireOf(s *site.Site, b *site.Bus, p plan.Plan) (wire, error) {
	if !slices.Contains(site.Bauds[:], b.Baud) {
		return wire{}, fmt.Errorf("baud %d: want one of %v", b.Baud, site.Bauds)
	}
	w := wire{baud: b.Baud, char: site.Char(b.Baud), quiet: site.Quiet(b.Baud), fixed: b.Timeout, turn: s.Turnaround(slices.IndexFunc(s.Buses, func(o site.Bus) bool { return o.Name == b.Name })),
		floor: b.Horizon(0)}
	for _, q := range p.Requests {
		need := w.need(queryOf(q))
		if w.fixed > 0 && w.fixed < need {
			return wire{}, fmt.Errorf("timeout %v cannot succeed: station %d: %d addresses at %d baud take %v with a turnaround of %v",
				w.fixed, q.Station, q.Count, b.Baud, need.Round(time.Millisecond), w.turn)
		}
		if t := w.timeout(queryOf(q)); t > site.LineTimeoutMax {
			return wire{}, fmt.Errorf("timeout %v: want at most %v", t, site.LineTimeoutMax)
		}
	}
	return w, nil
}

func queryOf(q plan.Request) query { return query{q.Station, q.Table, q.Addr, q.Count} }

// need is what one read takes on the wire: the silence before it, the request, the turnaround and the whole answer.
func (w wire) need(q query) time.Duration {
	return site.ReadTime(w.baud, w.turn, q.table, int(q.count))
}

// timeout is how long the answer to one read is waited for.
func (w wire) timeout(q query) time.Duration {
	if w.fixed > 0 {
		return max(w.fixed, w.need(q))
	}
	return w.need(q) + site.LineSlack
}

// longest is the timeout of the longest request of a plan, however it is bent.
func (w wire) longest(p plan.Plan) time.Duration {
	out := w.fixed
	for _, q := range p.Requests {
		out = max(out, w.timeout(queryOf(q)))
	}
	return out
}

// horizon is how long an answer to a question that was waited for so long may still come.
func (w wire) horizon(timeout time.Duration) time.Duration {
	return max(site.HorizonTimeouts*timeout, w.floor)
}
