package bus

import (
	"context"
	"io"
	"log"
	"net"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
)

// tcpLink is a link over plain Modbus TCP, by the library alone: the transaction identifier makes late, doubled and foreign answers
// harmless, and a loopback shim in between was measured to double the cost.
type tcpLink struct {
	ctx     context.Context // of the whole run: what a connection being made is given up by
	address string
	timeout time.Duration
	client  *modbus.ModbusClient // nil: not open
	opening chan opened          // nil: none being made
}

type opened struct {
	client *modbus.ModbusClient
	err    error
}

func newTCPLink(ctx context.Context, address string, timeout time.Duration) *tcpLink {
	return &tcpLink{ctx: ctx, address: address, timeout: timeout}
}

// quiet takes the library's talk. A flood of foreign frames makes it write several 100,000 lines a second, and on stdout if it is given
// no logger at all; a log.Logger to io.Discard returns at once. What matters is told on edges by the poller.
var quiet = log.New(io.Discard, "", 0)

// open connects in two steps, because the library's own dial takes a fixed 5 s and cannot be cancelled: first a connection that is only
// a probe and obeys ctx, closed at once since some devices serve a single one, then the library's. That one can still hang, when the
// endpoint took the probe and has no room for a second; it is then left behind, at most one at a time, and used if it succeeds later.
func (l *tcpLink) open(ctx context.Context) error {
	l.close()
	if l.opening == nil {
		dialer := net.Dialer{Timeout: l.timeout}
		probe, err := dialer.DialContext(ctx, "tcp", l.address)
		if err != nil {
			return err
		}
		if err := probe.Close(); err != nil {
			return err
		}
		l.opening = make(chan opened)
		go dial(l.ctx, l.address, l.timeout, l.opening)
	}
	timer := time.NewTimer(l.timeout)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return errOpenSlow
	case o := <-l.opening:
		l.client, l.opening = o.client, nil
		return o.err
	}
}

// dial makes the library's connection and hands it over. After ctx nobody takes it any more, and it is closed here: the one close
// outside the owner, of a client that never had a request.
func dial(ctx context.Context, address string, timeout time.Duration, to chan<- opened) {
	client, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + address, Timeout: timeout, Logger: quiet})
	if err == nil {
		err = client.Open()
	}
	if err != nil {
		client = nil
	}
	select {
	case to <- opened{client, err}:
	case <-ctx.Done():
		if client != nil {
			_ = client.Close() // nobody is left to tell
		}
	}
}

func (l *tcpLink) ask(_ context.Context, station uint8, table reading.Table, addr, count uint16) ([]uint16, error) {
	if l.client == nil {
		return nil, errNotOpen
	}
	return read(l.client, station, table, addr, count)
}

// read makes one read through the library and gives its words, a bit a word for bits.
func read(client *modbus.ModbusClient, station uint8, table reading.Table, addr, count uint16) ([]uint16, error) {
	if err := client.SetUnitId(station); err != nil {
		return nil, err
	}
	var words []uint16
	var bits []bool
	var err error
	switch table {
	case reading.Coil:
		bits, err = client.ReadCoils(addr, count)
	case reading.Discrete:
		bits, err = client.ReadDiscreteInputs(addr, count)
	case reading.Holding:
		words, err = client.ReadRegisters(addr, count, modbus.HOLDING_REGISTER)
	case reading.Input:
		words, err = client.ReadRegisters(addr, count, modbus.INPUT_REGISTER)
	default:
		err = modbus.ErrUnexpectedParameters
	}
	if err != nil {
		return nil, err
	}
	if table.Bits() {
		words = make([]uint16, len(bits))
		for i, b := range bits {
			if b {
				words[i] = 1
			}
		}
	}
	if len(words) != int(count) {
		return nil, errLength
	}
	return words, nil
}

// close closes the connection in use. One still being made closes itself when the run's ctx ends.
func (l *tcpLink) close() {
	if l.client != nil {
		_ = l.client.Close() // a socket that does not close well is as gone as one that does
		l.client = nil
	}
}
