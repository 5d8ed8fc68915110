package bus

import (
	"net"
	"os"
	"slices"
	"strconv"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func TestAllFourTablesAreReadFromTheLibrarysServer(t *testing.T) {
	h := &plant{}
	tables := []struct {
		table reading.Table
		typ   site.Type
		addr  uint16
		count int
	}{{reading.Coil, site.Bit, 3, 19}, {reading.Discrete, site.Bit, 8, 9}, {reading.Holding, site.Uint16, 100, 125}, {reading.Input, site.Uint16, 65530, 6}}
	s := &site.Site{Buses: []site.Bus{{Name: "panel-net", Scheme: "tcp", Sensors: []int{0}}}, Sensors: []site.Sensor{{Station: 1, Every: 1}}}
	for _, c := range tables {
		s.Sensors[0].Allowed = append(s.Sensors[0].Allowed, site.Span{Table: c.table, Addr: c.addr, Count: c.count})
		for i := range c.count {
			s.Sensors[0].Points = append(s.Sensors[0].Points, len(s.Points))
			s.Points = append(s.Points, site.Point{Table: c.table, Addr: c.addr + uint16(i), Decode: site.Decode{Type: c.typ}})
		}
	}
	w := watchSite(t, libraryServer(t, h, time.Minute), testTimeout, s)
	b := w.until("answers", func(b reading.Batch) bool { return b.Reads[0].Fault == reading.Answered })
	if len(b.Reads) != len(tables) {
		t.Fatalf("%d requests, want one a table", len(b.Reads))
	}
	for i, c := range tables {
		r := b.Reads[i]
		if r.Table != c.table || r.Addr != c.addr || int(r.Count) != c.count || r.Fault != reading.Answered {
			t.Fatalf("request %d: %+v", i, r)
		}
		for k, got := range r.Words {
			a := int(c.addr) + k
			want := map[reading.Table]int{reading.Coil: a % 2, reading.Discrete: (a + 1) % 2, reading.Holding: a, reading.Input: a + inputOffset}[c.table]
			if got != uint16(want) {
				t.Errorf("%v %d: %d, want %d", c.table, a, got, uint16(want))
			}
		}
	}
	if n := h.writes.Load(); n != 0 {
		t.Errorf("%d writes", n)
	}
}

func TestEveryExceptionIsNamedAndKeepsTheConnection(t *testing.T) {
	want := map[uint8]reading.Fault{ // by exception code, Modbus Application Protocol V1.1b3, section 7
		1: reading.IllegalFunction, 2: reading.IllegalAddress, 3: reading.IllegalValue, 4: reading.DeviceFailure, 5: reading.LongJob,
		6: reading.Busy, 8: reading.MemoryParity, 0x0a: reading.NoPath, 0x0b: reading.TargetSilent,
		// No meaning is given to these.
		7: reading.OtherException, 9: reading.OtherException, 0x0c: reading.OtherException, 0xff: reading.OtherException,
	}
	var stations []uint8
	for code := range want {
		stations = append(stations, code)
	}
	slices.Sort(stations)
	address, accepted := serve(t, "127.0.0.1:0", func(q question) ([]byte, bool) {
		return q.answer(q.fc|0x80, q.unit), false // the station's number is its exception code
	})
	w := watch(t, address, testTimeout, stations...)
	for range 3 {
		b := w.next()
		for _, r := range b.Reads {
			if r.Fault != want[r.Station] && (r.Station != 0x0b || r.Fault != reading.HeldBack) {
				t.Errorf("exception %#02x: %v, want %v", r.Station, r.Fault, want[r.Station])
			}
		}
	}
	if n := accepted.Load(); n != 2 { // the probe and the connection
		t.Errorf("%d connections, want 2: an exception is an answer", n)
	}
}

func TestABrokenAnswerIsAFaultAndTheOthersAreStillAsked(t *testing.T) {
	other := func(q question) question { q.unit++; return q }
	for _, c := range []struct {
		name   string
		reply  func(q question) ([]byte, bool)
		want   reading.Fault
		reopen bool
	}{
		{"silence", func(q question) ([]byte, bool) { return nil, false }, reading.Timeout, true},
		{"half a frame, then nothing", func(q question) ([]byte, bool) { return q.right()[:9], false }, reading.Timeout, true},
		{"another transaction", func(q question) ([]byte, bool) { q.txn += 7; return q.right(), false }, reading.Timeout, true},
		{"another protocol", func(q question) ([]byte, bool) { f := q.right(); f[3] = 1; return f, false }, reading.Timeout, true},
		{"another station", func(q question) ([]byte, bool) { return other(q).right(), false }, reading.BadFrame, true},
		{"another station's exception", func(q question) ([]byte, bool) { return other(q).answer(q.fc|0x80, 2), false }, reading.BadFrame, true},
		{"another function", func(q question) ([]byte, bool) { q.fc = 4; return q.right(), false }, reading.BadFrame, true},
		{"one register too many", func(q question) ([]byte, bool) { q.count++; return q.right(), false }, reading.BadFrame, true},
		{"one register too few", func(q question) ([]byte, bool) { q.count--; return q.right(), false }, reading.BadFrame, true},
		{"a byte count that lies", func(q question) ([]byte, bool) { return q.answer(q.fc, 4, 0, 2), false }, reading.BadFrame, true},
		{"an exception without its code", func(q question) ([]byte, bool) { return q.answer(q.fc | 0x80), false }, reading.BadFrame, true},
		{"a frame longer than any", func(q question) ([]byte, bool) { f := q.right(); f[4] = 0x7f; return f, false }, reading.BadFrame, true},
		{"a frame of length nothing", func(q question) ([]byte, bool) { f := q.right(); f[4], f[5] = 0, 0; return f, false }, reading.BadFrame, true},
		{"closed instead of an answer", func(q question) ([]byte, bool) { return nil, true }, reading.Closed, true},
		{"closed within the answer", func(q question) ([]byte, bool) { return q.right()[:8], true }, reading.Closed, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			var sound atomic.Bool
			address, accepted := serve(t, "127.0.0.1:0", func(q question) ([]byte, bool) {
				if q.unit != 2 || sound.Load() {
					return q.right(), false
				}
				return c.reply(q)
			})
			w := watch(t, address, testTimeout, 1, 2, 3)
			broken := 0
			for range 3 {
				b := w.next()
				if r := of1(b, 2); r.Fault == c.want {
					broken++
				} else if r.Fault != reading.HeldBack {
					t.Errorf("station 2: %+v, want %v", r, c.want)
				}
				for _, id := range []uint8{1, 3} {
					if r := of1(b, id); r.Fault != reading.Answered || r.Words[0] != uint16(id) {
						t.Errorf("station %d: %+v, want its answer", id, r)
					}
				}
			}
			if broken == 0 {
				t.Error("the broken answer was never seen")
			}
			if n := accepted.Load(); n < int64(2+2*(broken-1)) {
				t.Errorf("%d connections for %d broken answers: the connection must be replaced after each", n, broken)
			}
			sound.Store(true)
			if r := w.untilFault(2, reading.Answered); r.Words[0] != 2 {
				t.Errorf("the value that returned is %d, want 2", r.Words[0])
			}
		})
	}
}

func TestADoubledAnswerIsNoAnswerToTheNextQuestion(t *testing.T) {
	var asked uint16 // by one connection after the other, and the link asks one question at a time
	address, accepted := serve(t, "127.0.0.1:0", func(q question) ([]byte, bool) {
		asked++
		frame := q.answer(q.fc, 2, byte(asked>>8), byte(asked))
		return append(frame, frame...), false
	})
	w := watch(t, address, testTimeout, 1, 2, 3)
	var last uint16 // checks are questions too, so the numbers have gaps; an answer taken twice would not ascend
	for range 20 {
		for _, r := range w.next().Reads {
			if r.Fault != reading.Answered || r.Words[0] <= last || r.Words[0] > last+2 {
				t.Fatalf("after the answer to question %d: %+v", last, r)
			}
			last = r.Words[0]
		}
	}
	if n := accepted.Load(); n != 2 {
		t.Errorf("%d connections, want the probe and one", n)
	}
}

func TestAStationFallsSilentAndReturns(t *testing.T) {
	var silent atomic.Bool
	address, _ := serve(t, "127.0.0.1:0", func(q question) ([]byte, bool) {
		if q.unit == 2 && silent.Load() {
			return nil, false
		}
		return q.right(), false
	})
	w := watch(t, address, testTimeout, 1, 2, 3)
	w.untilFault(2, reading.Answered)
	silent.Store(true)
	w.untilFault(2, reading.Timeout)
	held := w.untilFault(2, reading.HeldBack)
	if held.Sent.IsZero() || held.Words != nil {
		t.Errorf("held back: %+v", held)
	}
	if r := of1(w.next(), 3); r.Fault != reading.Answered {
		t.Errorf("station 3 beside a silent one: %v", r.Fault)
	}
	silent.Store(false)
	if r := w.untilFault(2, reading.Answered); r.Words[0] != 2 {
		t.Errorf("returned with %d, want 2", r.Words[0])
	}
	for range 3 {
		if r := of1(w.next(), 2); r.Fault != reading.Answered {
			t.Errorf("after its return: %v, want an answer every round", r.Fault)
		}
	}
}

func TestARefusedPortYieldsBatchesAndValuesWhenItComesUp(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	_ = l.Close()
	w := watch(t, address, testTimeout, 1)
	if r := w.untilFault(1, reading.Refused); r.Words != nil {
		t.Errorf("%+v", r)
	}
	w.untilFault(1, reading.NotConnected) // between the tries
	serve(t, address, func(q question) ([]byte, bool) { return q.right(), false })
	if r := w.untilFault(1, reading.Answered); r.Words[0] != 1 {
		t.Errorf("came up with %d, want 1", r.Words[0])
	}
}

func TestAnIdleCloseOfTheEndpointCostsNoReading(t *testing.T) {
	var asked atomic.Int64
	address, accepted := serve(t, "127.0.0.1:0", func(q question) ([]byte, bool) {
		return q.right(), asked.Add(1)%4 == 0 // answers, then closes
	})
	w := watch(t, address, testTimeout, 1, 2, 3)
	for range 20 {
		for _, r := range w.next().Reads {
			if r.Fault != reading.Answered {
				t.Errorf("station %d: %v", r.Station, r.Fault)
			}
		}
	}
	if accepted.Load() < 20 {
		t.Errorf("%d connections: the endpoint did not close", accepted.Load())
	}
}

// ends checks the promise about stopping: within the timeout and 100 ms. That bound is the claim itself.
func (w *watched) ends(timeout time.Duration) {
	w.t.Helper()
	w.cancel()
	select {
	case err := <-w.done:
		w.done <- err
		if err != nil {
			w.t.Errorf("Run = %v", err)
		}
	case <-time.After(timeout + 100*time.Millisecond):
		w.t.Errorf("still running a timeout and 100 ms after the end was asked for")
	}
}

func TestItStopsWhileAStationIsSilent(t *testing.T) {
	const timeout = time.Second
	asked := make(chan struct{}, 100)
	address, _ := serve(t, "127.0.0.1:0", func(q question) ([]byte, bool) {
		asked <- struct{}{}
		return nil, false
	})
	w := watch(t, address, timeout, 1, 2, 3, 4)
	select {
	case <-asked:
	case <-time.After(patience):
		t.Fatal("never asked")
	}
	w.ends(timeout)
}

// backlogOf opens a listener that never accepts and has room for one connection: on Linux a backlog of n holds n + 1.
func backlogOf(t *testing.T, n int) string {
	t.Helper()
	fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = syscall.Close(fd) })
	if err := syscall.Bind(fd, &syscall.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Listen(fd, n); err != nil {
		t.Fatal(err)
	}
	name, err := syscall.Getsockname(fd)
	if err != nil {
		t.Fatal(err)
	}
	return "127.0.0.1:" + strconv.Itoa(name.(*syscall.SockaddrInet4).Port)
}

func TestItStopsWhileTheProbeHangsBeforeAFullBacklog(t *testing.T) {
	address := backlogOf(t, 0)
	full := false
	for range 10 {
		conn, err := net.DialTimeout("tcp", address, 200*time.Millisecond)
		if err != nil {
			full = true
			break
		}
		t.Cleanup(func() { _ = conn.Close() })
	}
	if !full {
		t.Fatal("the backlog did not fill: nothing would be tested")
	}
	const timeout = time.Second
	w := watch(t, address, timeout, 1, 2)
	w.untilFault(1, reading.Unreachable) // a try that took its whole timeout
	w.ends(timeout)                      // between tries, or in one

	w = watch(t, address, timeout, 1, 2)
	select { // its first round is due within a period, and then hangs for a second
	case b := <-w.out:
		t.Fatalf("a batch %+v, though nothing can be reached yet", b)
	case <-time.After(testPeriod + 200*time.Millisecond):
	}
	w.ends(400 * time.Millisecond) // long before the try would have given up by itself
}

func TestItStopsWhileTheLibrarysDialHangsBehindAProbeThatWasTaken(t *testing.T) {
	const timeout = time.Second
	w := watch(t, backlogOf(t, 0), timeout, 1) // the probe has the only place, and keeps it
	select {
	case b := <-w.out:
		t.Fatalf("a batch %+v, though nothing can be reached yet", b)
	case <-time.After(testPeriod + 200*time.Millisecond):
	}
	w.ends(400 * time.Millisecond) // long before the try would have given up by itself

	w = watch(t, backlogOf(t, 0), timeout, 1)
	w.untilFault(1, reading.Unreachable)
	w.ends(timeout)
}

func TestAThousandConnectionsLeaveNoDescriptor(t *testing.T) {
	address, accepted := serve(t, "127.0.0.1:0", func(q question) ([]byte, bool) { return q.right(), false })
	l := newTCPLink(t.Context(), address, patience)
	before := descriptors(t)
	for i := range 500 { // two connections each
		if err := l.open(t.Context()); err != nil {
			t.Fatalf("connection %d: %v", i, err)
		}
		if _, err := l.ask(t.Context(), 1, reading.Holding, 0, 1); err != nil {
			t.Fatalf("connection %d: %v", i, err)
		}
	}
	l.close()
	if n := accepted.Load(); n < 999 {
		t.Errorf("%d connections", n)
	}
	deadline := time.After(patience)
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for descriptors(t) > before+10 { // the server's side closes a little later
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("%d descriptors, %d before", descriptors(t), before)
		}
	}
}

func descriptors(t *testing.T) int {
	t.Helper()
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}

func TestARequestOnAClosedLinkIsNotConnected(t *testing.T) {
	l := newTCPLink(t.Context(), "127.0.0.1:9", time.Second)
	l.close()
	if _, err := l.ask(t.Context(), 1, reading.Holding, 0, 1); faultOf(err) != reading.NotConnected {
		t.Errorf("%v", err)
	}
}
