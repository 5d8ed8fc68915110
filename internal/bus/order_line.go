package bus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
)

// An order over a serial line. It waits for no settling: whatever is under way on a line out of step can make a reading wrong, and no
// writing. But it waits for a line that is ours, because on another master's it would be a collision.

// orderFrame is a write as it stands on a serial line: function 05 for a coil, 06 for a register (Modbus Application Protocol V1.1b3, 6.5
// and 6.6), with the check of Modbus over Serial Line V1.02, 2.5.1. Nil for anything else.
func orderFrame(o reading.Order) []byte {
	function, value := uint8(0), o.Value
	switch o.Table {
	case reading.Coil:
		function = 5
		if value != 0 {
			value = 0xff00
		}
	case reading.Holding:
		function = 6
	default:
		return nil
	}
	b := binary.BigEndian.AppendUint16([]byte{o.Station, function}, o.Addr)
	return withSum(binary.BigEndian.AppendUint16(b, value))
}

// order sends an order over the line, which must be open.
func (l *rtuLink) order(ctx context.Context, o reading.Order, withdrawn func() error) error {
	return l.line.order(ctx, o, withdrawn)
}

// order writes and waits for the answer, which repeats the request byte for byte. On a line that hears itself the first of two is the echo;
// where it is not known yet whether it does, one copy says nothing.
func (l *line) order(ctx context.Context, o reading.Order, withdrawn func() error) error {
	frame := orderFrame(o)
	if frame == nil {
		return modbus.ErrUnexpectedParameters
	}
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
	// A line that does not become quiet is spoken into all the same once a frame's time has passed, unless it is another master that speaks.
	if err := l.await(ctx, l.wire.quiet, l.timeout); err != nil && !errors.Is(err, errNotQuiet) && !errors.Is(err, errFlood) {
		return err
	}
	if l.listening {
		return errForeign
	}
	if err := withdrawn(); err != nil { // that took a while
		return err
	}
	timeout := max(l.timeout, l.wire.turn+2*requestBytes*l.wire.char+l.wire.quiet)
	sent := l.now()
	until := sent.Up + timeout + l.ledger.horizon
	// One for each drive of the line: an order is repeated as it is.
	l.ordered = slices.DeleteFunc(l.ordered, func(o orderSent) bool { return sent.Up >= o.until || string(o.frame) == string(frame) })
	l.ordered = append(l.ordered, orderSent{frame, until})
	l.asked[shape{station: o.Station, function: frame[1]}] = use{free: until}
	if err := l.raw.SetWriteDeadline(time.Now().Add(timeout)); err != nil {
		return l.orderFailed(err)
	}
	raw := l.raw
	unhook := context.AfterFunc(ctx, func() { _ = raw.SetWriteDeadline(time.Now()) }) // a line that takes nothing must not hold up the end
	_, err := raw.Write(frame)
	unhook()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		return l.orderFailed(err)
	}
	l.lastByte = l.up()
	return l.collectOrder(ctx, frame, sent.Up+timeout)
}

// collectOrder waits for the answer to an order. What else comes is kept as what nobody asked for.
func (l *line) collectOrder(ctx context.Context, frame []byte, deadline time.Duration) error {
	refusal := []byte{frame[0], frame[1] | 0x80}
	copies := 1
	if l.echoes || !l.heardUs {
		copies = 2
	}
	var got []byte
	timer := time.NewTimer(deadline - l.up())
	defer timer.Stop()
	for {
		if bytes.Count(got, frame) >= copies {
			got = bytes.ReplaceAll(got, frame, nil)
			if len(got) > 0 {
				l.stray(chunk{data: got, up: l.up()})
			}
			return nil
		}
		if i := bytes.Index(got, refusal); i >= 0 && len(got) >= i+exceptionBytes && sound(got[i:i+exceptionBytes]) {
			if rest := bytes.ReplaceAll(append(bytes.Clone(got[:i]), got[i+exceptionBytes:]...), frame, nil); len(rest) > 0 {
				l.stray(chunk{data: rest, up: l.up()})
			}
			return exceptionOf(got[i+2])
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
			if len(got) > 0 {
				l.stray(chunk{data: got, up: l.up()})
			}
			return l.orderFailed(errSilent)
		case c := <-l.in:
			if c.err != nil {
				l.ended = c.err
				return c.err
			}
			l.lastByte = c.up
			if got = append(got, c.data...); len(got) > junkMax {
				l.stray(chunk{data: got, up: c.up})
				return l.orderFailed(errFlood)
			}
		}
	}
}

// orderFailed notes that the answer to an order may still come.
func (l *line) orderFailed(err error) error {
	l.faulted, l.clean, l.settled = true, false, false
	return err
}

// readBackOnLine reads what an order wrote, where the line is in step and no other answer can come in its place; else it is not known.
func (p *poller) readBackOnLine(ctx context.Context, o reading.Order) (value uint16, known bool) {
	l := p.guard.line
	q := query{station: o.Station, table: o.Table, addr: o.Addr, count: 1}
	if !l.settled || !l.ledger.mine(q, p.now().Up) { // a late answer to an earlier read-back tells of the same order
		return 0, false
	}
	words, err := p.guard.ask(ctx, q.station, q.table, q.addr, q.count)
	if ctx.Err() != nil {
		return 0, false
	}
	if err != nil {
		p.fault(&attempt{slot: p.last}, err)
		p.tell()
		return 0, false
	}
	if l.early {
		l.unsettle() // what waits for a check must hear of it too
		return 0, false
	}
	if len(words) != 1 || l.still(ctx, l.wire.quiet) != nil {
		return 0, false
	}
	return words[0], true
}

// exceptionOf is a refusal in the library's words (Modbus Application Protocol V1.1b3, 7).
func exceptionOf(code byte) error {
	named := map[byte]error{1: modbus.ErrIllegalFunction, 2: modbus.ErrIllegalDataAddress, 3: modbus.ErrIllegalDataValue, 4: modbus.ErrServerDeviceFailure,
		5: modbus.ErrAcknowledge, 6: modbus.ErrServerDeviceBusy, 8: modbus.ErrMemoryParityError, 10: modbus.ErrGWPathUnavailable, 11: modbus.ErrGWTargetFailedToRespond}
	if err, ok := named[code]; ok {
		return err
	}
	return fmt.Errorf("unknown exception code (%d)", code)
}
