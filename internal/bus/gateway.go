package bus

import (
	"context"
	"slices"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
)

// The guard of network links. The transaction number tells which question an answer was sent for. It does not tell which question it
// answers: a gateway that fell out of step on its serial side puts our number on the answer to an earlier question, and all is well but the
// value. So what comes from behind a gateway is treated as on a serial line, as far as that can be done from outside: shapes that might be
// confused are kept apart, and nothing is published before a check of another shape was answered well.

// direct is the unit identifier of a device that is spoken to without a gateway (Modbus Messaging on TCP/IP V1.0b, 4.4.2.2: 0xFF); nothing
// stands between it and us that could shift.
const direct = 255

// gate is the guard of a network link.
type gate struct {
	ledger  *ledger
	direct  bool   // the endpoint is the device itself, whatever station it calls itself
	astray  uint64 // answers to other questions since the last check passed
	noCheck bool   // a test only: what was read is published without a check, and any shape may be asked
}

// guarded tells whether a station is behind a gateway.
func (p *poller) guarded(st *station) bool {
	return p.gate != nil && !p.gate.noCheck && !p.gate.direct && st.id != direct
}

// held is what one request brought in a segment.
type held struct {
	from    plan.Request
	reads   []reading.Read
	waiting bool     // answered, and not yet vouched for
	conn    int      // the connection it came over
	at      []uint64 // by count, the questions whose answers these are
	tries   int
}

func (a *attempt) add(h held) { a.held = append(a.held, h) }

// brought is what a segment brought, which is over with it.
func (a *attempt) brought() []reading.Read {
	reads := make([]reading.Read, 0, len(a.held))
	for i := range a.held {
		reads = append(reads, a.held[i].reads...)
	}
	a.held = nil
	return reads
}

// askBehind asks one request of a station behind a gateway, bent as the ledger wants it. What is answered waits for the check. sent tells
// whether anything left.
func (p *poller) askBehind(ctx context.Context, a *attempt, q plan.Request) (h held, sent bool) {
	h.from = q
	not := func(f reading.Fault) (held, bool) {
		p.answers[q] = false
		h.reads = []reading.Read{{Station: q.Station, Table: q.Table, Addr: q.Addr, Count: q.Count, Fault: f, Sent: p.now()}}
		return h, sent
	}
	failed := func(r reading.Read, f reading.Fault) (held, bool) {
		not(f)
		h.reads[0].Sent, h.reads[0].Took = r.Sent, r.Took
		return h, sent
	}
	room := p.plan.Rooms[q]
	if p.stiff[q] >= stiffAfter {
		room = plan.Room{}
	}
	l := p.gate.ledger
	parts, v := l.bend(q, room, p.now().Up)
	if v == adjacent {
		p.closeSegment(ctx, a, false)
		if ctx.Err() != nil {
			return h, false
		}
		parts, v = l.bend(q, room, p.now().Up)
	}
	own := l.own(queryOf(q), p.now().Up, lastRound)
	if v == retired && !own && !(q.Interlock && p.alone(q)) || p.yields(q, parts) {
		return not(reading.OutOfStep)
	}
	first, most := 0, p.timeout
	if v == retired && !own {
		// A temperature that guards cannot wait so long: not seen, it counts as lost. Only an answer to this very question can be taken for it,
		// and one that is under way is drawn off by asking twice: the second time it is at worst the answer to the first.
		r, left := p.askGuarded(ctx, a, queryOf(q))
		if sent = left; ctx.Err() != nil || r.Fault != reading.Answered {
			return failed(r, r.Fault)
		}
		// One that takes much longer than the first is more likely an old answer in place of a lost one.
		first, most = p.conns, 2*r.Took+20*time.Millisecond
	}
	p.askedAt[q] = p.now().Up
	evidence := p.now().Up >= l.distrusted // an exception out of its place says nothing about an address
	for _, part := range parts {
		r, left := p.askGuarded(ctx, a, part.q)
		sent = sent || left
		if ctx.Err() != nil {
			return h, sent
		}
		if first == 0 {
			first = p.conns
		}
		bent := part.q != queryOf(q)
		switch {
		case r.Fault == reading.Answered && (p.conns != first && !p.hasty() || r.Took > most):
			return failed(r, reading.NotVouched)
		case r.Fault == reading.Answered:
		case bent && clean(r.Fault) && r.Fault != reading.TargetSilent && r.Fault != reading.NoPath:
			if evidence {
				p.stiff[q]++ // listed, and yet the device does not take it, in whatever words
			}
			return failed(r, reading.OutOfStep)
		default:
			return failed(r, r.Fault)
		}
		if bent {
			p.stiff[q] = 0
		}
		from := part.wants.Addr - r.Addr
		r.Addr, r.Count, r.Words = part.wants.Addr, part.wants.Count, r.Words[from:from+part.wants.Count]
		h.reads, h.at = append(h.reads, r), append(h.at, l.count-1)
	}
	p.answers[q] = true
	h.waiting, h.conn = true, first
	return h, sent
}

// askAgain takes back what waited for a check when the connection was lost, and asks it once more: over the connection that is made now, which a check
// can vouch for.
func (p *poller) askAgain(ctx context.Context, a *attempt) {
	for i := range a.held {
		if h := &a.held[i]; h.waiting && p.stale(h) {
			if h.tries >= triesMax-1 || p.now().Up >= a.retryUntil {
				h.drop()
				continue
			}
			h.waiting = false // what is asked again below may close a segment, and this is no part of it
			tries := h.tries + 1
			again, _ := p.askBehind(ctx, a, h.from)
			if ctx.Err() != nil {
				return
			}
			again.tries = tries
			a.held[i] = again
		}
	}
}

// stale tells whether the connection a request was answered over is gone.
func (p *poller) stale(h *held) bool { return !p.hasty() && (h.conn != p.conns || !p.open) }

// hasty tells whether the endpoint hangs up after every answer, as some small devices do: nothing could ever be checked over the connection
// it came by, and every question begins on one of its own.
func (p *poller) hasty() bool { return p.idleCloses >= hastyAfter }

// hastyAfter is so many connections running that were closed after one answer: a habit, not an accident.
const hastyAfter = 8

// drop leaves a request without what it brought.
func (h *held) drop() {
	h.waiting = false
	for i := range h.reads {
		h.reads[i].Fault, h.reads[i].Words = reading.NotVouched, nil
	}
}

// alone tells whether no other request with this one's shape is due or was asked so lately that an answer to it may still come.
func (p *poller) alone(q plan.Request) bool {
	since := p.now().Up - p.gate.ledger.horizon - p.timeout
	return !slices.ContainsFunc(p.plan.Requests, func(r plan.Request) bool {
		asked, ever := p.askedAt[r]
		return r != q && queryOf(r).shape() == queryOf(q).shape() && (p.due[r] || ever && asked >= since)
	})
}

// askGuarded makes one read and enters it in the ledger.
func (p *poller) askGuarded(ctx context.Context, a *attempt, q query) (reading.Read, bool) {
	l := p.gate.ledger
	l.sent(q, p.now().Up, p.timeout)
	r, sent := p.ask(ctx, a, plan.Request{Station: q.station, Table: q.table, Addr: q.addr, Count: q.count})
	if ctx.Err() != nil || clean(r.Fault) {
		return r, sent
	}
	up := p.now().Up
	if sent {
		l.failed(up)
	}
	if r.Fault == reading.BadFrame { // an answer, and not to this question
		p.gate.astray++
		l.suspect(up)
	}
	return r, sent
}

// closeSegment vouches for what was answered since the last check, or takes it back. A check over another connection vouches for nothing:
// a gateway may have begun anew with it.
//
// last tells that what cannot be checked now never will be; before, it goes on waiting.
func (p *poller) closeSegment(ctx context.Context, a *attempt, last bool) {
	waiting := map[plan.Request]bool{}
	for i := range a.held {
		if h := &a.held[i]; h.waiting && p.stale(h) {
			h.drop()
		} else if h.waiting {
			waiting[h.from] = true
		}
	}
	if len(waiting) == 0 {
		return
	}
	passed := false
	for range checksMax {
		q, from, ok := p.gatewayCheck(a, waiting)
		if !ok {
			// Where only one question lives it is believed, unless something else than silence came to the others.
			alone := !p.bendable(waiting) && p.living(waiting) == 1 && p.now().Up >= p.gate.ledger.distrusted
			if !last && !(alone && p.heardAny()) {
				return
			}
			passed = alone
			break
		}
		conn := p.conns
		r, _ := p.askGuarded(ctx, a, q)
		if ctx.Err() != nil {
			return
		}
		if r.Fault == reading.Answered && p.conns != conn && !p.hasty() { // the endpoint had closed what was idle
			if p.askAgain(ctx, a); ctx.Err() != nil {
				return
			}
			continue
		}
		if !clean(r.Fault) && !waiting[from] { // another's trouble, not that of what waits
			p.answers[from] = false
			if silent(r.Fault) {
				a.silence += r.Took
			}
			if p.askAgain(ctx, a); ctx.Err() != nil {
				return
			}
			continue
		}
		if passed = r.Fault == reading.Answered; passed {
			p.refusals[from] = 0
		}
		if !clean(r.Fault) || r.Fault == reading.Answered {
			if silent(r.Fault) {
				a.silence += r.Took
			}
			break
		}
		if p.now().Up >= p.gate.ledger.distrusted { // whatever its words: what a device does not give in part cannot be checked by a part
			p.gate.ledger.refuse(q)
			if q != queryOf(from) {
				p.refusals[from]++
			}
		}
	}
	for i := range a.held {
		if h := &a.held[i]; h.waiting && passed && (h.conn == p.conns || p.hasty()) {
			h.waiting = false
		} else if h.waiting {
			h.drop()
		}
	}
	if passed {
		p.gate.astray = 0
	}
	p.gatewayInStep(passed)
}

// gatewayCheck picks a question for the check, and tells which request it asks some of: one that waits, or else one that another station
// answered last time.
func (p *poller) gatewayCheck(a *attempt, waits map[plan.Request]bool) (q query, from plan.Request, ok bool) {
	l, up := p.gate.ledger, p.now().Up
	p.turn++
	var at []uint64
	for i := range a.held {
		if a.held[i].waiting {
			at = append(at, a.held[i].at...)
		}
	}
	lags := l.lags(at, p.gate.astray)
	for i := range a.held {
		h := &a.held[(i+p.turn)%len(a.held)]
		if !h.waiting {
			continue
		}
		if q, ok := l.check(h.from, p.plan.Rooms[h.from], p.turn, up, lags); ok && p.refusals[h.from] < stiffAfter {
			return q, h.from, true
		}
	}
	n := len(p.plan.Requests)
	for i := range n {
		r := p.plan.Requests[(i+p.turn)%n]
		if !p.lives(r) || r.Station == direct || waits[r] {
			continue
		}
		if q, ok := l.check(r, p.plan.Rooms[r], p.turn, up, lags); ok && p.refusals[r] < stiffAfter {
			return q, r, true
		}
	}
	if p.bendable(waits) {
		return query{}, plan.Request{}, false
	}
	// Where every request that lives can be asked in one way only, one of another shape than the last has to do, each in turn, though it was asked a
	// moment ago: what it lets through is an answer as old as two rounds.
	for i := range n {
		r := p.plan.Requests[(i+p.turn)%n]
		if q := queryOf(r); (waits[r] || p.lives(r)) && r.Station != direct && q.shape() != l.last.shape() {
			return q, r, true
		}
	}
	return query{}, plan.Request{}, false
}

// lives tells whether a request was answered when last asked, and its station with it.
func (p *poller) lives(r plan.Request) bool {
	st := p.station(r.Station)
	return (st.heard || st.alive) && p.answers[r]
}

// living counts the requests that wait or live.
func (p *poller) living(waits map[plan.Request]bool) (n int) {
	for _, r := range p.plan.Requests {
		if (waits[r] || p.lives(r)) && r.Station != direct {
			n++
		}
	}
	return n
}

// heardAny tells whether any station was heard in the round before.
func (p *poller) heardAny() bool {
	return slices.ContainsFunc(p.stations, func(st *station) bool { return st.heard })
}

// bendable tells whether a request that waits or lives can be asked in more ways than one.
func (p *poller) bendable(waits map[plan.Request]bool) bool {
	return slices.ContainsFunc(p.plan.Requests, func(r plan.Request) bool {
		return (waits[r] || p.lives(r)) && r.Station != direct && p.refusals[r] < stiffAfter && p.stiff[r] < stiffAfter && p.plan.Bendable(r)
	})
}

// gatewayInStep says in the log when a gateway falls out of step and when it is back, on edges only.
func (p *poller) gatewayInStep(passed bool) {
	up := p.now().Up
	switch {
	case !passed:
		p.stepAt = up
		if !p.toldStep {
			p.toldStep = true
			p.log.Warn("answers out of step: what was read is not published")
		}
	case p.toldStep && up-p.stepAt >= stepQuiet:
		p.toldStep = false
		p.log.Info("answers in step again")
	}
}
