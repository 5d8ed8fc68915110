package bus

import (
	"context"
	"errors"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
)

// Rounds over stream RTU. An answer is held until the segment it belongs to is closed by a check; a fault before that takes back what was
// read since the last check, and it is asked once more in the same round where there is time.

const (
	triesMax  = 2 // of one request in one round
	checksMax = 3 // checks of one closing that a device refuses before silence has to do
	// A noisy line is out of step many times a minute, and that is told as one trouble.
	stepQuiet = time.Minute
	// So often running a device must refuse a request we bent, on a line in step, before it is asked as it is only.
	stiffAfter = 2
)

// piece is one request of a segment.
type piece struct {
	r     plan.Request
	st    *station
	tries int
	state pieceState
	reads []reading.Read
}

type pieceState uint8

const (
	pending pieceState = iota
	waiting            // answered, and not yet vouched for
	settled            // its reads may be published
)

// end gives a piece one read with a fault.
func (pc *piece) end(f reading.Fault, sent reading.Stamp, took time.Duration) {
	q := pc.r
	pc.state = settled
	pc.reads = []reading.Read{{Station: q.Station, Table: q.Table, Addr: q.Addr, Count: q.Count, Fault: f, Sent: sent, Took: took}}
}

// roundOfLine is round over stream RTU. Each interlock's station is a segment of its own and first, so that no later fault can take its
// temperature back; then come the stations that answered last time; then the others, whose silence shall cost those nothing.
func (p *poller) roundOfLine(ctx context.Context, a *attempt, due []plan.Request, orders <-chan reading.Order) bool {
	var segments [][]*piece
	var heard, unheard []*piece
	for _, st := range p.order() {
		st.timeouts = 0
		var own []*piece
		for _, q := range st.turn(of(due, st.id)) {
			own = append(own, &piece{r: q, st: st})
		}
		switch {
		case len(own) == 0:
		case st.interlock:
			segments = append(segments, own)
		case st.heard:
			heard = append(heard, own...)
		default:
			unheard = append(unheard, own...)
		}
	}
	for _, s := range [][]*piece{heard, unheard} {
		if len(s) > 0 {
			segments = append(segments, s)
		}
	}
	if len(segments) == 0 {
		segments = append(segments, nil) // silence is data
	}
	a.retryUntil = p.now().Up + silenceMax
	p.guard.line.ledger.slot = a.slot
	p.guard.line.between = func(ctx context.Context) { p.obeyWaiting(ctx, orders) }
	for i, pieces := range segments {
		p.obeyWaiting(ctx, orders)
		if !p.segment(ctx, a, pieces) {
			return false
		}
		b := reading.Batch{Bus: p.bus, Slot: a.slot, Segment: i, Last: i == len(segments)-1}
		for _, pc := range pieces {
			b.Reads = append(b.Reads, pc.reads...)
		}
		if b.Last {
			p.conclude(a.slot)
		}
		if !p.send(ctx, b) {
			return false
		}
	}
	return true
}

// segment asks its pieces and closes them with a check. It returns false when ctx ended.
func (p *poller) segment(ctx context.Context, a *attempt, pieces []*piece) bool {
	for { // ends, because every turn either passes the check or uses up a try of every piece that waits
		for _, pc := range pieces {
			if pc.state != pending {
				continue
			}
			p.askPiece(ctx, a, pieces, pc)
			if ctx.Err() != nil {
				return false
			}
			if p.guard.line.between(ctx); !p.open && inState(pieces, waiting) > 0 {
				p.withdraw(a, pieces, reading.Closed) // an order found the line gone, and a check over another connection vouches for nothing
			}
		}
		if inState(pieces, pending) > 0 {
			continue
		}
		if inState(pieces, waiting) == 0 {
			return true
		}
		p.closing(ctx, a, pieces)
		if ctx.Err() != nil {
			return false
		}
	}
}

func inState(pieces []*piece, s pieceState) (n int) {
	for _, pc := range pieces {
		if pc.state == s {
			n++
		}
	}
	return n
}

// withdraw takes back what waits for the check, for the fault f.
func (p *poller) withdraw(a *attempt, pieces []*piece, f reading.Fault) {
	for _, pc := range pieces {
		switch {
		case pc.state != waiting:
		case f == reading.AnotherMaster, f == reading.Listening:
			pc.end(f, pc.reads[0].Sent, pc.reads[0].Took)
		case pc.tries < triesMax && p.now().Up < a.retryUntil:
			pc.state, pc.reads = pending, nil
		default:
			pc.end(reading.NotVouched, pc.reads[0].Sent, pc.reads[0].Took)
		}
	}
}

// askPiece asks one request, bent as the ledger wants it.
func (p *poller) askPiece(ctx context.Context, a *attempt, pieces []*piece, pc *piece) {
	st := pc.st
	// What was answered and taken back does not pay for another's silence.
	silent := pc.tries == 0 && st.timeouts > 0 && (st.timeouts > 1 || !st.heard)
	if a.slot < st.next || silent || !st.interlock && !p.affordable(a, st) {
		pc.end(reading.HeldBack, p.now(), 0)
		return
	}
	if f := p.connect(ctx, a); f != reading.Answered {
		pc.end(f, p.now(), 0)
		return
	}
	room := p.plan.Rooms[pc.r]
	if p.stiff[pc.r] >= stiffAfter {
		room = plan.Room{}
	}
	parts, v := p.guard.line.ledger.bend(pc.r, room, p.now().Up)
	if v == adjacent {
		p.separate(ctx, a, pieces)
		parts, v = p.guard.line.ledger.bend(pc.r, room, p.now().Up)
	}
	if v == resting || v == free && p.yields(pc.r, parts) {
		p.rest(a, pc)
		return
	}
	if v < free {
		pc.end(reading.OutOfStep, p.now(), 0)
		return
	}
	pc.tries++
	delete(p.owed, pc.r)
	p.askedAt[pc.r] = p.now().Up
	evidence := p.guard.line.clean // an exception on a line out of step says nothing about an address
	for _, part := range parts {
		p.early = false
		r := p.askPart(ctx, a, pieces, part.q)
		if ctx.Err() != nil {
			return
		}
		if p.early && len(pc.reads) > 0 {
			pc.end(reading.OutOfStep, r.Sent, r.Took)
			if pc.tries < triesMax && p.now().Up < a.retryUntil {
				pc.state, pc.reads = pending, nil
			}
			return
		}
		switch {
		case r.Fault == reading.Answered:
			st.alive, st.timeouts = true, 0
			st.asked = a.slot
			if part.q != queryOf(pc.r) {
				p.stiff[pc.r] = 0
			}
			from := part.wants.Addr - r.Addr
			r.Addr, r.Count, r.Words = part.wants.Addr, part.wants.Count, r.Words[from:from+part.wants.Count]
			pc.reads = append(pc.reads, r)
			continue
		case clean(r.Fault):
			st.alive, st.timeouts = r.Fault != reading.TargetSilent, 0
			st.asked = a.slot
			bent := part.q != queryOf(pc.r)
			if bent && evidence && aboutAddress(r.Fault) {
				p.stiff[pc.r]++ // listed, and yet the device does not take it
			}
			pc.end(r.Fault, r.Sent, r.Took)
			pc.state = waiting
			if (bent || !evidence) && pc.tries < triesMax {
				pc.state, pc.reads = pending, nil
			} else if bent {
				pc.end(reading.OutOfStep, r.Sent, r.Took)
			}
			return
		}
		pc.end(r.Fault, r.Sent, r.Took)
		p.answers[pc.r] = false
		switch r.Fault {
		case reading.Timeout:
			st.asked, st.quiet = a.slot, true
			st.timeouts++
			st.behind = pc.r // the next round begins behind it: one that is never answered costs the others nothing
			a.silence += r.Took
		case reading.Closed:
			st.asked, st.hangsUp = a.slot, true
		case reading.BadCRC, reading.BadFrame, reading.OutOfStep:
			st.asked = a.slot
			st.spoils = true
			if pc.tries < triesMax && p.now().Up < a.retryUntil {
				pc.state, pc.reads = pending, nil
			}
		}
		return
	}
	pc.state = waiting
	p.answers[pc.r] = true
}

// aboutAddress tells whether an exception is about what was asked, not about the device.
func aboutAddress(f reading.Fault) bool {
	return f == reading.IllegalAddress || f == reading.IllegalValue || f == reading.IllegalFunction
}

// separate puts something between two questions of one shape: the check that closes what waits, or else a silence in which the answer to
// the first would have come again.
func (p *poller) separate(ctx context.Context, a *attempt, pieces []*piece) {
	if inState(pieces, waiting) > 0 {
		p.closing(ctx, a, pieces)
		return
	}
	if err := p.guard.line.separate(ctx); err != nil && ctx.Err() == nil {
		p.fault(a, err)
	}
}

// askPart sends one question and takes back what waits when the line shows a fault.
func (p *poller) askPart(ctx context.Context, a *attempt, pieces []*piece, q query) reading.Read {
	r := reading.Read{Station: q.station, Table: q.table, Addr: q.addr, Count: q.count}
	before := p.now()
	words, err := p.guard.ask(ctx, q.station, q.table, q.addr, q.count)
	r.Sent = p.guard.line.sent
	if r.Sent.Up < before.Up {
		r.Sent = before // nothing left
	}
	r.Took = p.now().Since(r.Sent)
	if ctx.Err() != nil {
		return r
	}
	r.Fault = faultOf(err)
	if r.Fault == reading.Answered {
		r.Words = words
	}
	switch {
	case clean(r.Fault):
		p.linkHeld()
		p.served, p.hungUp = true, 0
		if p.guard.line.early {
			p.withdraw(a, pieces, reading.OutOfStep)
			p.early = true
		}
	default:
		p.fault(a, err)
		p.withdraw(a, pieces, r.Fault)
	}
	p.tell()
	return r
}

// fault does what an error of the line asks for; those that leave the stream in place settle by themselves.
func (p *poller) fault(a *attempt, err error) {
	f := faultOf(err)
	switch {
	case errors.Is(err, errFlood):
	case !down(f):
		if f == reading.Timeout {
			p.linkHeld()
		}
		return
	}
	p.link.close()
	p.open, p.served = false, false
	if f == reading.Closed {
		if p.hungUp++; p.hungUp < 2 {
			return
		}
	}
	p.linkFailed(a, f, err)
}

// closing vouches for what waits, or takes it back.
func (p *poller) closing(ctx context.Context, a *attempt, pieces []*piece) {
	err := p.vouch(ctx, pieces)
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		p.fault(a, err)
		p.withdraw(a, pieces, faultOf(err))
		p.tell()
		return
	}
	for _, pc := range pieces {
		if pc.state == waiting {
			pc.state = settled
		}
	}
	p.tell()
}

// vouch makes the closing check: a read of another shape where there is one, else a silence.
func (p *poller) vouch(ctx context.Context, pieces []*piece) error {
	l := p.guard.line
	if l.without.noCheck {
		l.passed()
		return nil
	}
	for range checksMax {
		q, ok := p.check(pieces)
		if !ok {
			break
		}
		err := p.guard.vouch(ctx, q)
		switch {
		case err == nil:
			l.passed()
			return nil
		case clean(faultOf(err)):
			if aboutAddress(faultOf(err)) {
				l.ledger.refuse(q)
			}
			continue
		}
		return err
	}
	err := l.vouchBySilence(ctx)
	if err == nil {
		l.passed()
	}
	return err
}

// check picks a question for a closing check: among what was answered and waits, and what other stations answered last time. On a
// distrusted line the one with the most shapes to spare, so that the checks do not use up what the requests need; else in turn.
func (p *poller) check(pieces []*piece) (query, bool) {
	l := p.guard.line.ledger
	up := p.now().Up
	p.turn++
	var best query
	most := -1
	n := len(p.plan.Requests)
	for i := range n {
		r := p.plan.Requests[(i+p.turn)%n]
		if !p.mayCheck(pieces, r) {
			continue
		}
		room := p.plan.Rooms[r]
		q, ok := l.check(r, room, p.turn, up, nil)
		if !ok {
			continue
		}
		if up >= l.distrusted {
			return q, true
		}
		if s := l.spare(r, room, up); s > most {
			best, most = q, s
		}
	}
	return best, most >= 0
}

// mayCheck tells whether a request is known to be answered.
func (p *poller) mayCheck(pieces []*piece, r plan.Request) bool {
	for _, pc := range pieces {
		if pc.r == r {
			return pc.state == waiting && pc.reads[0].Fault == reading.Answered
		}
	}
	st := p.station(r.Station)
	return st.heard && p.answers[r]
}

// idle takes what comes between rounds.
func (p *poller) idle(c chunk) {
	l := p.guard.line
	l.stray(c)
	p.tell()
	if l.ended != nil && p.open {
		p.fault(&attempt{}, l.ended)
	}
}

// tell says in the log what changed on the line, on edges only.
func (p *poller) tell() {
	l := p.guard.line
	if l.foreign != p.toldForeign {
		p.toldForeign = l.foreign
		if l.foreign {
			p.log.Warn("another master is on this line: nothing is sent", "until_silent_for", l.listen)
		} else {
			p.log.Info("the line is ours again")
		}
	}
	up := p.now().Up
	if l.faulted && l.spoiled {
		p.stepAt = up
		if !p.toldStep {
			p.toldStep = true
			p.log.Warn("line out of step")
		}
	}
	if p.toldStep && l.clean && up-p.stepAt >= stepQuiet {
		p.toldStep = false
		p.log.Info("line in step again")
	}
}

// incoming gives what comes unasked between rounds; nil where that is nothing to us.
func (p *poller) incoming() <-chan chunk {
	if p.guard == nil || !p.open || p.guard.line.ended != nil {
		return nil
	}
	return p.guard.line.in
}
