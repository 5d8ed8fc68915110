package bus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
)

// The library owns the stream it speaks on: it cannot be cancelled, sleeps on bad frames, takes any answer of the right shape and looks
// at no byte between. So it is given another one: a connection to a listener of ours on loopback, and what is on the real line stays here.

// loopback is the pair of ends of one connection: the library's, and ours. It carries Modbus TCP whatever the real line carries: the
// library waits 1.75 ms before each answer of the serial form, and that would be added to the line's own silences.
type loopback struct {
	client *modbus.ModbusClient
	conn   net.Conn
	number uint16 // of the library's last question; it counts them from 1
}

// loopbackTimeout bounds every wait on loopback. Nothing there waits for a device, so only a machine that stands still comes near it.
const loopbackTimeout = 5 * time.Second

var errIntruder = errors.New("bus: somebody else came first to the loopback connection")

// newLoopback makes the pair. The listener takes one connection and is closed; that it is ours and not that of another program of this
// machine is proved by a question that nobody can guess.
func newLoopback(ctx context.Context, timeout time.Duration) (*loopback, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen on loopback: %w", err)
	}
	defer l.Close()
	client, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + l.Addr().String(), Timeout: timeout, Logger: quiet})
	if err != nil {
		return nil, err
	}
	if err := client.Open(); err != nil { // loopback: the backlog takes it at once
		return nil, err
	}
	lb := &loopback{client: client}
	if t, ok := l.(*net.TCPListener); ok {
		err = t.SetDeadline(time.Now().Add(loopbackTimeout))
	}
	if err == nil {
		lb.conn, err = l.Accept()
	}
	if err == nil {
		err = lb.prove()
	}
	if err != nil {
		lb.close()
		return nil, err
	}
	return lb, nil
}

// prove asks a question drawn by lot and looks whether it arrives at our end.
func (lb *loopback) prove() error {
	q := query{uint8(1 + rand.IntN(247)), reading.Holding, uint16(rand.IntN(65536)), 1}
	if _, err := lb.decode(q, withSum([]byte{q.station, q.function(), 2, 0, 0})); err != nil {
		return errors.Join(errIntruder, err)
	}
	return nil
}

// decode has the library make words of a serial answer that is known to belong to q. The answer lies ready before it asks, so nothing
// waits; that what it asks is what was asked on the line is checked.
func (lb *loopback) decode(q query, answer []byte) ([]uint16, error) {
	lb.number++
	if _, err := lb.conn.Write(lb.headed(answer)); err != nil {
		return nil, fmt.Errorf("loopback: %w", err)
	}
	words, err := read(lb.client, q.station, q.table, q.addr, q.count)
	if e := lb.expect(lb.headed(q.frame())); e != nil {
		return nil, e
	}
	return words, err
}

// headed is a serial frame as Modbus TCP carries it: number, protocol 0 and length before it, and no check behind.
func (lb *loopback) headed(frame []byte) []byte {
	body := frame[:len(frame)-2]
	b := binary.BigEndian.AppendUint16(make([]byte, 0, 6+len(body)), lb.number)
	b = binary.BigEndian.AppendUint16(append(b, 0, 0), uint16(len(body)))
	return append(b, body...)
}

// expect reads what the library sent and compares it.
func (lb *loopback) expect(want []byte) error {
	if err := lb.conn.SetReadDeadline(time.Now().Add(loopbackTimeout)); err != nil {
		return err
	}
	got := make([]byte, len(want))
	if _, err := io.ReadFull(lb.conn, got); err != nil {
		return errors.Join(errIntruder, err)
	}
	if string(got) != string(want) {
		return errIntruder
	}
	return lb.conn.SetReadDeadline(time.Time{})
}

func (lb *loopback) close() {
	if lb == nil {
		return
	}
	if lb.conn != nil {
		_ = lb.conn.Close() // loopback: nothing is lost with it
	}
	_ = lb.client.Close()
}
