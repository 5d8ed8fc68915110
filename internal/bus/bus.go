// Package bus asks the stations of one bus in rounds on a fixed grid and yields what became of every request.
//
// Owns: the connection to one endpoint, the grid of its rounds, what silence costs, and the mapping of every error to a fault.
// Never: writes to a station but for the orders of the site's drives, to the bit, publishes what it cannot vouch for, gives a read that failed a value, or keeps a value from an earlier round.
//
// On plain tcp the transaction number tells answers apart. Stream RTU has none: there a late or doubled answer would be taken for the next
// one without an error, and the line would stay shifted. So a serial line, its own or behind a serial server, is guarded by four things
// together, of which none alone held: a ledger of answer shapes (station, function, byte count) that keeps apart what could be confused; a
// settling after every fault; the rule that any byte nobody asked for takes back what was read; and a closing check before anything is
// published. And it is polled only where no other master is heard.
//
// A bus is one goroutine, the caller's. The Modbus library may be called from many, but its unit identifier and its request are two
// calls, and closing it waits for the request in flight: with one owner neither can go wrong.
package bus

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// On plain tcp a request in flight cannot be cancelled, so its timeout is what a stop may have to wait for.
	timeoutMax = time.Second

	// Rounds of several buses of one site must not all start at once on a small box; more than a second's wait would only make the
	// first reading late.
	phaseMax = time.Second

	// The link's back-off after it failed: doubling from first to max. An endpoint that refuses costs us nothing, but it may be a small
	// gateway that is starting up. Where an interlock's temperature comes over the link, the wait stays within what a hot sample allows.
	backoffFirst        = 250 * time.Millisecond
	backoffMax          = 10 * time.Second
	backoffMaxInterlock = 3 * time.Second

	// A station that was silent so many rounds running is asked ever more rarely. One lost answer is no silence; three in a row are.
	silentRounds = 3
	// The waits of a silent station double to so many slots, and to no more than heldBackMax, so that a station on a slow grid is not
	// away for a quarter of an hour after it came back.
	heldBackSlotsMax = 16
	heldBackMax      = time.Minute
	// The interlock's station is asked at least every 5 s whatever other stations do: it waits this long, and the round before its own
	// loses no more than silenceMax.
	heldBackMaxInterlock = 2 * time.Second

	// What a round may lose to silence. Stations of which the last round heard nothing are asked last and within the smaller sum; the
	// longest unasked of them have their turn first. The larger one holds when many fall silent at once: one round then leaves stations
	// unasked, the next asks those first. Without both, a gateway whose line is broken makes rounds as long as all its timeouts together.
	silenceMaxSuspect = 2 * time.Second
	silenceMax        = 3 * time.Second
)

// Run polls one bus until ctx ends and then returns nil; any other return is a description that cannot be polled. Everything the world
// does wrong is a fault in a batch. A batch is sent to out for every segment of every round, in silence too; Run does not close out, and
// a full out delays the next round, never the end.
//
// It ends soon after ctx, in every state: on plain tcp within the bus's timeout, since a request in flight is waited for, and on the others
// at once. A connection being made is abandoned.
//
// now gives every stamp. orders may be nil; no order is obeyed, each is said to be refused in the log: those that may be go by RunOrders.
func Run(ctx context.Context, s *site.Site, bus int, now func() reading.Stamp, orders <-chan reading.Order, out chan<- reading.Batch, log *slog.Logger) error {
	return start(ctx, s, bus, now, Orders{Given: orders}, out, log)
}

func start(ctx context.Context, s *site.Site, bus int, now func() reading.Stamp, o Orders, out chan<- reading.Batch, log *slog.Logger) error {
	if bus < 0 || bus >= len(s.Buses) {
		return fmt.Errorf("bus %d: the site has %d", bus, len(s.Buses))
	}
	l, err := linkOf(ctx, s, bus, now)
	if err != nil {
		return fmt.Errorf("bus %s: %w", s.Buses[bus].Name, err)
	}
	return runOrders(ctx, s, bus, now, o, out, log, l)
}

// datagrams says why links over UDP are refused.
const datagrams = "a datagram may be lost, doubled or overtaken by another without a sign, and one byte too many in one was measured to cost five requests"

// linkOf makes the link of a bus, not yet open, or says why the bus cannot be polled.
func linkOf(ctx context.Context, s *site.Site, bus int, now func() reading.Stamp) (link, error) {
	b := &s.Buses[bus]
	switch b.Scheme {
	case "tcp", "tcp+tls":
		if b.Timeout <= 0 || b.Timeout > timeoutMax {
			return nil, fmt.Errorf("timeout %v: want more than 0 and at most %v", b.Timeout, timeoutMax)
		}
		if p := plan.Of(s, bus); !checkable(b, p) {
			return nil, errors.New("everything is asked in one way only, so answers that a gateway mixes up could not be told apart: open an address beside one with also_readable, or say direct = true")
		}
		if b.Scheme == "tcp" {
			return newTCPLink(ctx, b.Address, b.Timeout), nil
		}
		if _, err := settings(b.Address, b.TLS); err != nil {
			return nil, err
		}
		return &tlsLink{address: b.Address, files: b.TLS, timeout: b.Timeout}, nil
	case "rtu", "rtuovertcp":
		p := plan.Of(s, bus)
		w, err := wireOf(s, b, p)
		if err != nil {
			return nil, err
		}
		l := newLine(w, w.longest(p), b.Listen, now)
		if b.Scheme == "rtuovertcp" {
			return &rtuLink{line: l, dial: dialServer(b.Address, timeoutMax)}, nil
		}
		flags, err := character(b)
		if err != nil {
			return nil, err
		}
		if !b.SoleMaster {
			return nil, errors.New("a serial line takes one master: want sole_master = true, when no controller asks on it")
		}
		return &rtuLink{line: l, dial: dialTTY(b.Address, flags)}, nil
	case "udp", "rtuoverudp":
		return nil, fmt.Errorf("%s is refused: %s", b.Scheme, datagrams)
	}
	return nil, fmt.Errorf("scheme %q is not obeyed (use tcp, tcp+tls, rtu or rtuovertcp)", b.Scheme)
}

// checkable tells whether what comes over a network endpoint can be checked, where it has to be.
func checkable(b *site.Bus, p plan.Plan) bool {
	guarded := false
	for _, r := range p.Requests {
		if b.Direct || r.Station == direct {
			continue
		}
		if guarded = true; p.Bendable(r) {
			return true
		}
	}
	return !guarded
}

// run is Run over a given link, which it closes at the end.
func run(ctx context.Context, s *site.Site, bus int, now func() reading.Stamp, orders <-chan reading.Order, out chan<- reading.Batch, log *slog.Logger, l link) error {
	return runOrders(ctx, s, bus, now, Orders{Given: orders}, out, log, l)
}

func runOrders(ctx context.Context, s *site.Site, bus int, now func() reading.Stamp, given Orders, out chan<- reading.Batch, log *slog.Logger, l link) error {
	b := &s.Buses[bus]
	p := plan.Of(s, bus)
	switch {
	case b.Period <= 0:
		return fmt.Errorf("bus %s: period %v: want more than 0", b.Name, b.Period)
	case len(p.Unlisted) > 0:
		return fmt.Errorf("bus %s: point %s: its registers are not among those its sensor may be asked", b.Name, s.Points[p.Unlisted[0]].Path)
	case len(p.Requests) == 0:
		return fmt.Errorf("bus %s: nothing to ask", b.Name)
	}
	r := newPoller(b, bus, p, now, out, log, l)
	defer r.end()
	if given.Done != nil {
		r.drive(s, given, ctx.Done())
	}
	orders := given.Given

	due := now().Up + phase(b.Name, b.Period) // of slot 0; slot k is due k periods later, so that nothing drifts
	anchor := due
	timer := time.NewTimer(0)
	defer timer.Stop()
	for slot := uint64(0); ; {
		r.obeyUntil(ctx, due)
		timer.Reset(due - now().Up)
		for waiting := true; waiting; {
			select {
			case <-ctx.Done():
				return nil
			case o, open := <-orders:
				if !open {
					orders = nil
					continue
				}
				r.keep(o)
				r.obeyUntil(ctx, due) // a round that is due goes first
			case c := <-r.incoming():
				r.idle(c)
			case <-timer.C:
				waiting = false
			}
		}
		if !r.round(ctx, slot, orders) {
			return nil
		}
		r.ordersAnew()
		// A round that took longer than a period skips the slots it ran over, but for the one whose time it is now.
		slot++
		if late := now().Up - anchor; late > 0 {
			slot = max(slot, uint64(late/b.Period))
		}
		due = anchor + time.Duration(slot)*b.Period
	}
}

// phase is a bus's place within the period, from its name, so that it is the same at every start.
func phase(name string, period time.Duration) time.Duration {
	return time.Duration(spread(name, 0, 0) % uint64(min(period, phaseMax)))
}

// spread is a number from a name and two counts: chance that is the same in every run.
func spread(name string, a, b uint64) uint64 {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s/%d/%d", name, a, b)
	return h.Sum64()
}
