package bus

import (
	"context"
	"errors"
	"net"
	"time"

	"rillwatch/internal/reading"
)

// rtuLink is a link over stream RTU: a serial line of its own, or one behind a serial server.
type rtuLink struct {
	line *line
	dial func(ctx context.Context) (stream, error)
	lb   *loopback // to the library; it outlives the stream
}

// dialServer connects to a serial server.
func dialServer(address string, timeout time.Duration) func(context.Context) (stream, error) {
	return func(ctx context.Context) (stream, error) {
		d := net.Dialer{Timeout: timeout}
		conn, err := d.DialContext(ctx, "tcp", address)
		if err != nil {
			return nil, err
		}
		return conn, nil
	}
}

func (l *rtuLink) open(ctx context.Context) error {
	l.close()
	if l.lb == nil {
		lb, err := newLoopback(ctx, loopbackTimeout)
		if err != nil {
			return err
		}
		l.lb = lb
	}
	raw, err := l.dial(ctx)
	if err != nil {
		return err
	}
	l.line.attach(raw)
	return nil
}

// ask makes one read. Every error but an exception leaves the line out of step; it settles by itself before the next question, and need
// not be closed unless the stream is gone.
func (l *rtuLink) ask(ctx context.Context, station uint8, table reading.Table, addr, count uint16) ([]uint16, error) {
	q := query{station, table, addr, count}
	answer, err := l.line.exchange(ctx, q)
	if err != nil {
		return nil, err
	}
	return l.decode(q, answer)
}

// vouch makes a closing check by q.
func (l *rtuLink) vouch(ctx context.Context, q query) error {
	answer, err := l.line.vouch(ctx, q)
	if err != nil {
		return err
	}
	_, err = l.decode(q, answer)
	return err
}

func (l *rtuLink) decode(q query, answer []byte) ([]uint16, error) {
	words, err := l.lb.decode(q, answer)
	if err != nil && clean(faultOf(err)) {
		return nil, err // an exception
	}
	if err != nil {
		l.lb.close() // it may hold the rest of an answer
		l.lb = nil
		l.line.detach()
		return nil, errors.Join(errNotOpen, err)
	}
	return words, nil
}

// close gives the stream up and keeps the library's end.
func (l *rtuLink) close() { l.line.detach() }

// end gives up both.
func (l *rtuLink) end() {
	l.close()
	l.lb.close()
	l.lb = nil
}
