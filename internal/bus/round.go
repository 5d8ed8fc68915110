package bus

import (
	"cmp"
	"context"
	"log/slog"
	"slices"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// poller is the state of one bus between rounds.
type poller struct {
	name     string
	bus      int
	period   time.Duration
	timeout  time.Duration
	plan     plan.Plan
	stations []*station // in the plan's order
	now      func() reading.Stamp
	out      chan<- reading.Batch
	log      *slog.Logger

	link       link
	open       bool
	conns      int  // connections made so far
	served     bool // the open connection has answered
	hungUp     int  // connections running that were closed before they answered once
	back       backoff
	backMax    time.Duration
	standing   standing
	failures   int                     // of the link since it was last up
	failing    time.Duration           // Up of the first of them
	early      bool                    // something unaccounted was heard before the last question left
	due        map[plan.Request]bool   // in this round
	owed       map[plan.Request]uint64 // on serial lines: due before now and not asked, because its shape rested; since that slot
	refusals   map[plan.Request]int    // checks by a part of a request that its device refused, running: some give a request whole or not at all
	answered   int                     // answers over this connection
	idleCloses int                     // connections running that were closed after one answer
	mute       bool                    // the last round that asked heard nothing at all
	begun      bool
	last       uint64 // slot of the last round
	refusedAny bool
	refusedID  uint64
	drives     drives

	gate        *gate                          // of network links; nil on serial ones
	guard       *rtuLink                       // of serial links; nil on network ones
	stiff       map[plan.Request]int           // how often running a device refused a request that was bent
	answers     map[plan.Request]bool          // requests that were answered when last asked
	askedAt     map[plan.Request]time.Duration // Up when each was last asked
	turn        int                            // of the closing checks
	toldForeign bool
	toldStep    bool
	stepAt      time.Duration // Up when it was last out of step
}

// standing is what was last said of the link in the log. The zero standing is that nothing was said yet.
type standing uint8

const (
	unknown standing = iota
	connected
	lost
)

// station is what is remembered of one station.
type station struct {
	id        uint8
	interlock bool
	heard     bool          // of the last round that asked it
	silent    int           // silent rounds running
	since     time.Duration // Up of the first of them
	next      uint64        // not asked before this slot
	asked     uint64        // slot in which it was last asked
	behind    plan.Request  // the request that last met silence; the next round begins behind it

	// Within a round.
	alive, quiet, hangsUp, spoils bool
	timeouts                      int
}

func newPoller(b *site.Bus, bus int, p plan.Plan, now func() reading.Stamp, out chan<- reading.Batch, log *slog.Logger, l link) *poller {
	r := &poller{
		name: b.Name, bus: bus, period: b.Period, timeout: b.Timeout, plan: p, now: now, out: out,
		log: log.With("bus", b.Name, "address", b.Address), link: l, backMax: backoffMax,
	}
	r.refusals = map[plan.Request]int{}
	r.owed = map[plan.Request]uint64{}
	r.stiff, r.answers, r.askedAt = map[plan.Request]int{}, map[plan.Request]bool{}, map[plan.Request]time.Duration{}
	if g, ok := l.(*rtuLink); ok {
		r.guard, r.timeout = g, g.line.timeout
		r.reserve()
	} else {
		r.gate = &gate{ledger: newLedger(b.Horizon(b.Timeout)), direct: b.Direct}
		r.gate.ledger.late = site.HorizonTimeouts * b.Timeout
	}
	for _, q := range p.Requests {
		if r.station(q.Station) == nil {
			r.stations = append(r.stations, &station{id: q.Station, interlock: q.Interlock})
		}
		if q.Interlock {
			r.backMax = backoffMaxInterlock
		}
	}
	return r
}

// reserve keeps, on a serial line, the shapes of those who have no other: requests that can be asked in one way only, and the reading back
// of an order.
func (p *poller) reserve() {
	if p.guard == nil {
		return
	}
	var owners []query
	for _, q := range p.plan.Requests {
		if p.plan.Single(q) {
			owners = append(owners, queryOf(q))
		}
	}
	for _, o := range p.drives.may {
		owners = append(owners, query{o.Station, o.Table, o.Addr, 1})
	}
	p.guard.line.ledger.reserve(owners)
}

// end gives up everything the poller holds.
func (p *poller) end() {
	p.link.close()
	if p.guard != nil {
		p.guard.end()
	}
}

func (p *poller) station(id uint8) *station {
	for _, st := range p.stations {
		if st.id == id {
			return st
		}
	}
	return nil
}

// attempt is what one round has cost so far.
type attempt struct {
	slot    uint64
	down    reading.Fault // how connecting failed in this round; NotAsked when it did not
	silence time.Duration // lost to silence

	held []held // on network links: what the segment brought so far

	retryUntil time.Duration // Up after which nothing is asked a second time
}

// round asks what is due and sends a batch for each segment: each interlock's station on its own, so that its temperature waits for
// nobody, then all others. It returns false when ctx ended.
func (p *poller) round(ctx context.Context, slot uint64, orders <-chan reading.Order) bool {
	due := p.plan.Due(slot)
	if p.begun {
		due = p.plan.DueAfter(p.last, slot)
	}
	p.begun, p.last = true, slot
	if len(p.owed) > 0 {
		due = slices.DeleteFunc(slices.Clone(p.plan.Requests), func(q plan.Request) bool {
			_, owed := p.owed[q]
			return !owed && !slices.Contains(due, q)
		})
	}
	p.due = make(map[plan.Request]bool, len(due))
	for _, q := range due {
		p.due[q] = true
	}
	a := &attempt{slot: slot}
	if p.guard != nil {
		return p.roundOfLine(ctx, a, due, orders)
	}
	a.retryUntil = p.now().Up + silenceMax
	p.gate.ledger.slot = slot
	batch := reading.Batch{Bus: p.bus, Slot: slot}
	left := len(due)
	for _, st := range p.order() {
		p.obeyWaiting(ctx, orders)
		requests := of(due, st.id)
		if !st.heard && !st.interlock { // what was answered shall not hang on one that may not answer
			p.closeSegment(ctx, a, false)
		}
		if ctx.Err() != nil || !p.askStation(ctx, a, st, requests) {
			return false
		}
		left -= len(requests)
		if st.interlock && len(requests) > 0 && left > 0 {
			if p.closeSegment(ctx, a, true); ctx.Err() != nil {
				return false
			}
			batch.Reads = a.brought()
			if !p.send(ctx, batch) {
				return false
			}
			batch = reading.Batch{Bus: p.bus, Slot: slot, Segment: batch.Segment + 1}
		}
	}
	if p.closeSegment(ctx, a, true); ctx.Err() != nil {
		return false
	}
	p.conclude(slot)
	batch.Reads, batch.Last = a.brought(), true
	return p.send(ctx, batch)
}

func of(due []plan.Request, station uint8) []plan.Request {
	var out []plan.Request
	for _, q := range due {
		if q.Station == station {
			out = append(out, q)
		}
	}
	return out
}

// order is the stations as this round asks them: those of interlocks, those heard last time, then the others, longest unasked first.
func (p *poller) order() []*station {
	stations := slices.Clone(p.stations)
	class := func(st *station) int {
		switch {
		case st.interlock:
			return 0
		case st.heard:
			return 1
		}
		return 2
	}
	slices.SortStableFunc(stations, func(x, y *station) int {
		if c := cmp.Compare(class(x), class(y)); c != 0 || class(x) != 2 {
			return c
		}
		return cmp.Compare(x.asked, y.asked)
	})
	return stations
}

func (p *poller) send(ctx context.Context, b reading.Batch) bool {
	b.At = p.now()
	select {
	case p.out <- b:
		return true
	case <-ctx.Done():
		return false
	}
}

// askStation asks one station what is due of it. It returns false when ctx ended.
func (p *poller) askStation(ctx context.Context, a *attempt, st *station, requests []plan.Request) bool {
	heldBack := a.slot < st.next
	for _, q := range st.turn(requests) {
		if ctx.Err() != nil {
			return false
		}
		if heldBack || !st.interlock && !p.affordable(a, st) {
			a.add(held{reads: []reading.Read{{Station: q.Station, Table: q.Table, Addr: q.Addr, Count: q.Count, Fault: reading.HeldBack, Sent: p.now()}}})
			continue
		}
		var h held
		var sent bool
		if p.guarded(st) {
			h, sent = p.askBehind(ctx, a, q)
		} else {
			h.reads = make([]reading.Read, 1)
			h.reads[0], sent = p.ask(ctx, a, q)
		}
		if ctx.Err() != nil {
			return false // what a stop did to a request is nobody's fault
		}
		a.add(h)
		r := h.reads[0]
		switch {
		case !sent, r.Fault == reading.NotAsked, down(r.Fault) && r.Fault != reading.Closed: // says nothing of the station
		case silent(r.Fault):
			st.asked, st.quiet = a.slot, true
			a.silence += r.Took
			// The first silence settles it for this round, so that what a dead station had said is gone within one period and one
			// timeout. The next round begins behind the request that met it: one that is never answered costs the others nothing.
			heldBack, st.behind = true, q
		case r.Fault == reading.Closed:
			st.asked, st.hangsUp = a.slot, true
		case r.Fault == reading.BadFrame, r.Fault == reading.BadCRC:
			st.asked, st.spoils = a.slot, true
		default:
			st.asked, st.alive = a.slot, true
		}
		if p.guarded(st) && sent {
			if p.askAgain(ctx, a); ctx.Err() != nil {
				return false
			}
		}
	}
	return true
}

// turn gives the requests in the order in which they are asked this round: those behind the one that last met silence come first.
func (st *station) turn(requests []plan.Request) []plan.Request {
	for i, q := range requests {
		if q == st.behind {
			return slices.Concat(requests[i+1:], requests[:i+1])
		}
	}
	return requests
}

// affordable tells whether the round can bear one more silence of the station.
func (p *poller) affordable(a *attempt, st *station) bool {
	most := silenceMax
	if !st.heard {
		most = silenceMaxSuspect
	}
	return a.silence == 0 || a.silence+p.timeout <= most // one silence is always borne: a slow line's timeout may be longer than the sum
}

// ask makes one request, connecting first where that is needed and allowed. sent tells whether it left.
func (p *poller) ask(ctx context.Context, a *attempt, q plan.Request) (r reading.Read, sent bool) {
	r = reading.Read{Station: q.Station, Table: q.Table, Addr: q.Addr, Count: q.Count, Sent: p.now()}
	for {
		if f := p.connect(ctx, a); f != reading.Answered {
			r.Fault, r.Took = f, p.now().Since(r.Sent)
			return r, sent
		}
		reused := p.served
		r.Sent = p.now()
		words, err := p.link.ask(ctx, q.Station, q.Table, q.Addr, q.Count)
		r.Took, sent = p.now().Since(r.Sent), true
		r.Fault = faultOf(err)
		if r.Fault == reading.Answered && len(words) != int(q.Count) {
			err, r.Fault = errLength, reading.BadFrame
		}
		if r.Fault == reading.Answered {
			r.Words = words
		}
		if !down(r.Fault) {
			p.linkHeld()
		}
		if clean(r.Fault) {
			p.answered++
			p.served, p.hungUp = true, 0
			return r, sent
		}
		if r.Fault != reading.Closed {
			p.idleCloses = 0
		}
		p.link.close()
		p.open, p.served = false, false
		if ctx.Err() != nil || !down(r.Fault) {
			return r, sent
		}
		if r.Fault == reading.Closed {
			if reused {
				if p.answered == 1 {
					p.idleCloses++
				} else {
					p.idleCloses = 0
				}
				continue // endpoints close what was idle: once more over a new connection, which is not reused
			}
			// One hang-up may be this station's doing, and the others are still asked; two running are the endpoint's.
			if p.hungUp++; p.hungUp < 2 {
				return r, sent
			}
		}
		p.linkFailed(a, r.Fault, err)
		return r, sent
	}
}

// connect makes sure that the link is open; Answered when it is.
func (p *poller) connect(ctx context.Context, a *attempt) reading.Fault {
	switch {
	case p.open:
		return reading.Answered
	case a.down != reading.NotAsked:
		return a.down
	case p.now().Up < p.back.until:
		return reading.NotConnected
	}
	err := p.link.open(ctx)
	if ctx.Err() != nil {
		return reading.NotAsked
	}
	if err != nil {
		f := faultOf(err)
		p.linkFailed(a, f, err)
		return f
	}
	p.open = true
	p.conns++
	p.answered = 0
	return reading.Answered
}

// linkFailed starts or lengthens the back-off. The rest of the round is not tried.
func (p *poller) linkFailed(a *attempt, f reading.Fault, err error) {
	a.down = f
	up := p.now().Up
	p.back.failed(p.name, up, p.backMax)
	if p.failures == 0 {
		p.failing = up
	}
	p.failures++
	if p.standing != lost {
		p.standing = lost
		p.log.Warn("bus lost", "fault", f.String(), "err", err)
	}
}

// linkHeld notes that a request left and did not end with the link. A connection alone proves little: some endpoints accept and hang up.
func (p *poller) linkHeld() {
	p.back = backoff{}
	if p.standing != connected {
		p.standing = connected
		p.log.Info("bus connected", "failures", p.failures, "after", p.outage(p.failing, p.failures))
		p.release()
	}
	p.failures = 0
}

func (p *poller) outage(since time.Duration, count int) time.Duration {
	if count == 0 {
		return 0
	}
	return p.now().Up - since
}

// release lets every station be asked in the next round: what kept them silent together may be over for all.
func (p *poller) release() {
	for _, st := range p.stations {
		st.next = 0
	}
}

// conclude judges the stations by the round that is over.
func (p *poller) conclude(slot uint64) {
	anyAlive, anyAsked := false, false
	for _, st := range p.stations {
		anyAlive = anyAlive || st.alive
		anyAsked = anyAsked || st.alive || st.quiet
	}
	if anyAlive && p.mute {
		p.release()
	}
	if anyAsked {
		p.mute = !anyAlive
	}
	for _, st := range p.stations {
		switch {
		case st.alive:
			if st.silent >= silentRounds {
				p.log.Info("station answers again", "station", st.id, "silent_rounds", st.silent, "after", p.outage(st.since, st.silent))
			}
			st.heard, st.silent, st.next = true, 0, 0
		case !st.quiet && !st.hangsUp && st.spoils:
			st.heard = false
		case st.quiet, st.hangsUp && anyAlive: // where others are answered, hanging up is this station's own way of being silent
			if st.silent == 0 {
				st.since = p.now().Up
			}
			st.heard = false
			if st.silent++; st.silent == silentRounds {
				p.log.Warn("station silent", "station", st.id, "silent_rounds", st.silent)
			}
			if st.silent >= silentRounds {
				st.next = slot + p.wait(st)
			}
		}
		st.alive, st.quiet, st.hangsUp, st.spoils = false, false, false, false
	}
}

// wait is after how many slots a silent station is asked again: 2, 4, 8, 16, less up to a quarter by the names and the count, so that
// stations which fell silent together are not all asked in the same round, and never longer than its bound.
func (p *poller) wait(st *station) uint64 {
	slots := uint64(heldBackSlotsMax)
	if n := st.silent - silentRounds + 1; n < 4 {
		slots = 1 << n
	}
	slots -= spread(p.name, 2+uint64(st.id), uint64(st.silent)) % (slots/4 + 1)
	most := heldBackMax
	if st.interlock {
		most = heldBackMaxInterlock
	}
	return max(1, min(slots, uint64(most/p.period)))
}
