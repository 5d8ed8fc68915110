package bus

import (
	"encoding/binary"
	"net"
	"os"
	"sync/atomic"
	"testing"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
)

// serialServer is a serial server on loopback with the same devices behind it.
func serialServer(t *testing.T, start time.Time) (string, *atomic.Int64) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	var accepted atomic.Int64
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			accepted.Add(1)
			go func() {
				defer conn.Close()
				b := make([]byte, requestBytes)
				for {
					if _, err := conn.Read(b); err != nil {
						return
					}
					q := query{b[0], reading.Table(b[1]), binary.BigEndian.Uint16(b[2:]), binary.BigEndian.Uint16(b[4:])}
					if _, err := conn.Write(answerTo(q, time.Since(start))); err != nil {
						return
					}
				}
			}()
		}
	}()
	return l.Addr().String(), &accepted
}

func TestReconnectsLeaveNothingBehind(t *testing.T) {
	start := time.Now()
	address, accepted := serialServer(t, start)
	s := single()
	s.Sensors[0].Turnaround = 4 * time.Second // no machine is so loaded
	w, err := wireOf(s, &s.Buses[0], plan.Of(s, 0))
	if err != nil {
		t.Fatal(err)
	}
	l := &rtuLink{line: newLine(w, w.longest(plan.Of(s, 0)), 0, clock(start)), dial: dialServer(address, patience)}
	l.line.without = guards{noSettle: true} // half a second each, which is not what is asked here
	l.line.ledger.off = true
	before := 0
	turns := 1000
	if os.Getenv("RILLWATCH_SOAK") == "1" {
		turns = 10000
	}
	for i := range turns {
		if err := l.open(t.Context()); err != nil {
			t.Fatalf("connection %d: %v", i, err)
		}
		if _, err := l.ask(t.Context(), 4, reading.Input, 7, 1); err != nil {
			t.Fatalf("connection %d: %v", i, err)
		}
		if i == 10 {
			before = descriptors(t)
		}
	}
	l.end()
	if n := accepted.Load(); n < int64(turns) {
		t.Errorf("%d connections", n)
	}
	deadline := time.After(patience)
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for descriptors(t) > before+10 {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("%d descriptors, %d before", descriptors(t), before)
		}
	}
}

func TestNobodyElseGetsTheLoopbackConnection(t *testing.T) {
	lb, err := newLoopback(t.Context(), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer lb.close()
	if conn, err := net.DialTimeout("tcp", lb.conn.LocalAddr().String(), time.Second); err == nil {
		_ = conn.Close()
		t.Error("the listener takes a second connection")
	}
	// An intruder that came first: our end is another's, and the question does not arrive.
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	intruder, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer intruder.Close()
	taken, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	_, _ = intruder.Write([]byte{0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1}) // it speaks, too
	mine, err := newLoopback(t.Context(), 100*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	defer mine.close()
	if err := (&loopback{client: mine.client, conn: taken}).prove(); err == nil {
		t.Error("an intruder's connection was taken for ours")
	}
}
