package bus

import (
	"context"
	"errors"
	"time"

	"rillwatch/internal/reading"
)

// link is the wall to one line or endpoint. All calls come from one goroutine.
type link interface {
	// open connects anew. It returns at once when ctx ends, and otherwise within two timeouts.
	open(ctx context.Context) error
	// ask sends one read and waits for its answer: count words from a register table, or count bits, one a word. It ends within the
	// timeout. An error that is not an exception of the device leaves the link of unknown state, and it must be closed.
	ask(ctx context.Context, station uint8, table reading.Table, addr, count uint16) ([]uint16, error)
	// close gives the connection up; closing a closed link does nothing.
	close()
}

// Errors of our own on a link.
var (
	errNotOpen  = errors.New("bus: link is not open")
	errOpenSlow = errors.New("bus: the endpoint took the first connection and not the second in time")
	errLength   = errors.New("bus: answer of another length than asked")
)

// backoff is when a failed link may be taken up again. The zero backoff lets it be taken up at once.
type backoff struct {
	fails int
	until time.Duration // Up
}

// failed records one more failure at up. The wait doubles from backoffFirst to most, less up to a quarter by the bus's name and the
// count, so that gateways that lost their power together are not called together.
func (b *backoff) failed(name string, up, most time.Duration) {
	b.fails++
	wait := most
	if n := b.fails - 1; n < 16 { // 250 ms doubled 16 times is past any most
		wait = min(backoffFirst<<n, most)
	}
	b.until = up + wait - time.Duration(spread(name, 1, uint64(b.fails))%uint64(wait/4))
}
