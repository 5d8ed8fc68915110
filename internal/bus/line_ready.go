package bus

import (
	"context"
	"time"
)

// ready brings the line to where a question may be sent, or says why not.
func (l *line) ready(ctx context.Context) error {
	if l.raw == nil {
		return errNotOpen
	}
	l.drain()
	if l.ended != nil {
		return l.ended
	}
	if err := l.ours(); err != nil {
		return err
	}
	if !l.settled && !l.without.noSettle {
		if err := l.settleDown(ctx); err != nil {
			return err
		}
	}
	if l.listening { // another master was heard while it settled
		return errForeign
	}
	l.settled = true
	l.junk, l.flood = nil, 0
	err := l.await(ctx, l.wire.quiet, l.timeout) // 3.5 characters of silence before a request
	if err == nil && l.listening {
		return errForeign
	}
	return err
}

// settleDown waits until the line was quiet for the settle time, and no longer than twice that, in steps between which an order may leave.
func (l *line) settleDown(ctx context.Context) error {
	for limit := l.up() + 2*l.settle; ; {
		up := l.up()
		left := l.lastOther + l.settle - up
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case l.ended != nil:
			return l.ended
		case l.flood > floodMax:
			return errFlood
		case left <= 0:
			return nil
		case up >= limit:
			return errNotQuiet
		}
		timer := time.NewTimer(min(left, limit-up, settleStep))
		select {
		case <-ctx.Done():
		case <-timer.C:
			l.drain()
			if l.between != nil && l.ended == nil {
				if l.between(ctx); l.raw == nil {
					return errNotOpen // an order found the line gone
				}
			}
		case c := <-l.in:
			l.stray(c)
		}
		timer.Stop()
	}
}

// settleStep is how long an order waits at most for a line that settles.
const settleStep = 100 * time.Millisecond

// ours tells why nothing may be said on the line yet; nil when it is ours.
func (l *line) ours() error {
	if l.listening {
		if l.up()-l.lastByte < l.listen {
			if l.foreign {
				return errForeign
			}
			return errListening
		}
		l.listening, l.foreign, l.everHeard = false, false, true
		l.junk, l.flood, l.settled = nil, 0, true
	}
	if l.listen <= 0 {
		l.everHeard = true
	}
	return nil
}
