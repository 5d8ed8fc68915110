package bus

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"log"
	"log/slog"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// patience bounds every wait of these tests: it ends a hang, and no assertion depends on it.
const patience = 20 * time.Second

// Short, so that a test sees many rounds; long enough for a loaded machine to answer in.
const (
	testPeriod  = 50 * time.Millisecond
	testTimeout = 300 * time.Millisecond
)

// watched is a bus under test, running over real sockets.
type watched struct {
	t      *testing.T
	out    chan reading.Batch
	seen   []reading.Batch
	cancel context.CancelFunc
	done   chan error
}

func watch(t *testing.T, address string, timeout time.Duration, stations ...uint8) *watched {
	s := stationsOf(false, nil, stations...)
	return watchSite(t, address, timeout, s)
}

// watchSite watches an endpoint that is the device itself, so that what is seen is the link.
func watchSite(t *testing.T, address string, timeout time.Duration, s *site.Site) *watched {
	t.Helper()
	s.Buses[0].Direct = true
	return watchBehind(t, address, timeout, s)
}

func watchBehind(t *testing.T, address string, timeout time.Duration, s *site.Site) *watched {
	s.Buses[0].Address, s.Buses[0].Period, s.Buses[0].Timeout = address, testPeriod, timeout
	ctx, cancel := context.WithCancel(context.Background())
	w := &watched{t: t, out: make(chan reading.Batch), cancel: cancel, done: make(chan error, 1)}
	go func() { w.done <- Run(ctx, s, 0, clock(time.Now()), nil, w.out, slog.New(slog.DiscardHandler)) }()
	t.Cleanup(func() {
		w.cancel()
		select {
		case err := <-w.done:
			if err != nil {
				t.Errorf("Run = %v, want nil at the end", err)
			}
		case <-time.After(patience):
			t.Error("Run does not end")
		}
		wellFormed(t, w.seen)
	})
	return w
}

func (w *watched) next() reading.Batch {
	w.t.Helper()
	select {
	case b := <-w.out:
		w.seen = append(w.seen, b)
		return b
	case err := <-w.done:
		w.done <- err
		w.t.Fatalf("Run ended: %v", err)
	case <-time.After(patience):
		w.t.Fatal("no batch: silence must yield batches too")
	}
	panic("unreachable")
}

// until takes batches until one satisfies ok, and fails when none of the next 400 does.
func (w *watched) until(what string, ok func(reading.Batch) bool) reading.Batch {
	w.t.Helper()
	var last reading.Batch
	for range 400 {
		if last = w.next(); ok(last) {
			return last
		}
	}
	w.t.Fatalf("no batch with %s; the last was %+v", what, last)
	panic("unreachable")
}

func (w *watched) untilFault(station uint8, want reading.Fault) reading.Read {
	w.t.Helper()
	var found reading.Read
	w.until(fmt.Sprintf("station %d %v", station, want), func(b reading.Batch) bool {
		found = of1(b, station)
		return found.Fault == want
	})
	return found
}

func of1(b reading.Batch, station uint8) reading.Read {
	for _, r := range b.Reads {
		if r.Station == station {
			return r
		}
	}
	return reading.Read{}
}

// question is one request as a scripted server saw it.
type question struct {
	txn         uint16
	unit, fc    uint8
	addr, count uint16
}

// answer is a whole frame for a question, with the PDU given.
func (q question) answer(pdu ...byte) []byte {
	f := binary.BigEndian.AppendUint16(nil, q.txn)
	f = append(f, 0, 0)
	f = binary.BigEndian.AppendUint16(f, uint16(len(pdu)+1))
	return append(append(f, q.unit), pdu...)
}

// right is the right answer: every register holds the station's number.
func (q question) right() []byte {
	pdu := []byte{q.fc, byte(2 * q.count)}
	for range q.count {
		pdu = append(pdu, 0, q.unit)
	}
	return q.answer(pdu...)
}

// serve listens on loopback and answers each question with reply; a nil reply is silence, hang up after one with hangUp true.
func serve(t *testing.T, address string, reply func(q question) (frame []byte, hangUp bool)) (string, *atomic.Int64) {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	var accepted atomic.Int64
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			accepted.Add(1)
			go func() {
				defer conn.Close()
				for {
					var b [12]byte
					if _, err := io.ReadFull(conn, b[:]); err != nil {
						return
					}
					frame, hangUp := reply(question{
						txn: binary.BigEndian.Uint16(b[0:]), unit: b[6], fc: b[7],
						addr: binary.BigEndian.Uint16(b[8:]), count: binary.BigEndian.Uint16(b[10:]),
					})
					if _, err := conn.Write(frame); err != nil || hangUp {
						return
					}
				}
			}()
		}
	}()
	return l.Addr().String(), &accepted
}

// plant is a handler for the library's own server: registers hold their address plus an offset for each table, bits are set at odd addresses.
type plant struct{ writes atomic.Int64 }

const inputOffset = 1000

func (p *plant) HandleCoils(r *modbus.CoilsRequest) ([]bool, error) {
	if r.IsWrite {
		p.writes.Add(1)
	}
	return odd(r.Addr, r.Quantity, 0), nil
}

func (p *plant) HandleDiscreteInputs(r *modbus.DiscreteInputsRequest) ([]bool, error) {
	return odd(r.Addr, r.Quantity, 1), nil
}

func (p *plant) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	if r.IsWrite {
		p.writes.Add(1)
	}
	return words(r.Addr, r.Quantity, 0), nil
}

func (p *plant) HandleInputRegisters(r *modbus.InputRegistersRequest) ([]uint16, error) {
	return words(r.Addr, r.Quantity, inputOffset), nil
}

func odd(addr, count uint16, shift int) (out []bool) {
	for i := range int(count) {
		out = append(out, (int(addr)+i+shift)%2 == 1)
	}
	return out
}

func words(addr, count uint16, offset int) (out []uint16) {
	for i := range int(count) {
		out = append(out, uint16(int(addr)+i+offset))
	}
	return out
}

func libraryServer(t *testing.T, h modbus.RequestHandler, idle time.Duration) string {
	t.Helper()
	for range 20 { // the library cannot say which port ":0" became, so a free one is found first and may be lost again
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		address := l.Addr().String()
		_ = l.Close()
		s, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + address, Timeout: idle, Logger: log.New(io.Discard, "", 0)}, h)
		if err != nil {
			t.Fatal(err)
		}
		if s.Start() == nil {
			t.Cleanup(func() { _ = s.Stop() })
			return address
		}
	}
	t.Fatal("no free port")
	return ""
}
