package bus

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// onWire answers as fast as the wire would let a device without a turnaround: request, 3.5 characters of silence, answer.
func onWire(w wire) func(int, query, []byte) []after {
	return func(_ int, _ query, right []byte) []after {
		whole := time.Now().Add(time.Duration(requestBytes+len(right))*w.char + w.quiet)
		<-time.After(time.Until(whole) - 300*time.Microsecond)
		for time.Now().Before(whole) { // a timer alone may be late by half a millisecond, and that would be counted against the bus
		}
		return []after{{0, right}}
	}
}

// BenchmarkRoundOnTheWire takes rounds of four stations with ten registers each over a pty that emulates the time on the wire. It gives the
// time of a round over that of the frames really sent (T = (13 + 2n) x 11/baud + 2 x t3.5 each), and the part of it that is closing checks.
func BenchmarkRoundOnTheWire(b *testing.B) {
	for _, baud := range []int{9600, 19200, 38400} {
		b.Run(fmt.Sprint(baud), func(b *testing.B) {
			t := &testing.T{} // the adapter's complaints end with the benchmark
			start := time.Now()
			a := &adapter{t: t, start: start, name: b.TempDir() + "/adapter"}
			var values []value
			for id := range uint8(4) {
				values = append(values, registers(id+1, reading.Holding, 0, 10)...)
			}
			s := lineSite(false, nil, values...)
			s.Buses[0].Baud = baud
			for i := range s.Sensors {
				s.Sensors[i].Turnaround = 100 * time.Millisecond // allowed, not taken: a timeout on a loaded machine would be the machine's
			}
			p := plan.Of(s, 0)
			w, err := wireOf(s, &s.Buses[0], p)
			if err != nil {
				b.Fatal(err)
			}
			var frames, checks time.Duration
			wired := onWire(w)
			a.answer = func(n int, q query, right []byte) []after {
				cost := time.Duration(requestBytes+len(right))*w.char + 2*w.quiet
				frames += cost
				if q.count != 10 {
					checks += cost
				}
				return wired(n, q, right)
			}
			a.plug()
			defer a.unplug()
			flags, err := character(&site.Bus{Baud: baud, Parity: "none", StopBits: 1})
			if err != nil {
				b.Fatal(err)
			}
			out := make(chan reading.Batch, 8) // a round has two segments at most here
			l := &rtuLink{line: newLine(w, w.longest(p), 0, clock(start)), dial: dialTTY(a.name, flags)}
			r := newPoller(&s.Buses[0], 0, p, clock(start), out, slog.New(slog.DiscardHandler), l)
			defer r.end()
			faulty := 0
			round := func(slot uint64) {
				if !r.round(context.Background(), slot, nil) {
					b.Fatal("ended")
				}
				for last := false; !last; {
					got := <-out
					last = got.Last
					for _, r := range got.Reads {
						if r.Fault != reading.Answered {
							faulty++ // then the figure says nothing
						}
					}
				}
			}
			round(0) // settles first
			frames, checks = 0, 0
			slot := uint64(0)
			took := time.Duration(0)
			for b.Loop() {
				slot++
				began := time.Now()
				round(slot)
				took += time.Since(began)
				<-time.After(time.Until(began.Add(s.Buses[0].Period))) // as it is asked: rounds without a pause would need more lengths
			}
			b.ReportMetric(float64(took)/float64(frames), "x_wire")
			b.ReportMetric(float64(faulty), "faults")
			b.ReportMetric(100*float64(checks)/float64(frames), "percent_guard")
		})
	}
}

// BenchmarkTCP reads ten registers from a server in a process of its own and gives the processor time of a read over that of the least
// there is: a loop over a net.Conn in the same run.
func BenchmarkTCP(b *testing.B) {
	address := serverProcess(b)
	link := newTCPLink(b.Context(), address, time.Second)
	if err := link.open(b.Context()); err != nil {
		b.Fatal(err)
	}
	defer link.close()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	const reads = 5000
	request := []byte{0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 10}
	answer := make([]byte, 9+20)
	bareLoop := func() {
		for range reads {
			if _, err := conn.Write(request); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(conn, answer); err != nil {
				b.Fatal(err)
			}
		}
	}
	linkLoop := func() {
		for range reads {
			if _, err := link.ask(b.Context(), 1, reading.Holding, 0, 10); err != nil {
				b.Fatal(err)
			}
		}
	}
	var ratios, own []float64
	for b.Loop() {
		base := processor(bareLoop)
		ours := processor(linkLoop)
		ratios = append(ratios, float64(ours)/float64(base))
		own = append(own, float64(ours.Microseconds())/reads)
	}
	slices.Sort(ratios)
	slices.Sort(own)
	b.ReportMetric(ratios[len(ratios)/2], "x_bare")
	b.ReportMetric(own[len(own)/2], "us_cpu/read")
}

// processor is the processor time of this process that f takes.
func processor(f func()) time.Duration {
	used := func() time.Duration {
		var u syscall.Rusage
		_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u)
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	before := used()
	f()
	return used() - before
}

// serverProcess starts this test binary again as a server.
func serverProcess(b *testing.B) string {
	b.Helper()
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	server := exec.Command(self, "-test.run=^TestBenchmarkServer$", "-test.v=false")
	server.Env = append(os.Environ(), "RILLWATCH_BENCH_SERVER=1")
	input, err := server.StdinPipe() // closed with this process, whatever ends it
	if err != nil {
		b.Fatal(err)
	}
	output, err := server.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := server.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = input.Close(); _ = server.Wait() })
	line, err := bufio.NewReader(output).ReadString('\n')
	if err != nil {
		b.Fatal(err)
	}
	return strings.TrimSpace(line)
}

// TestBenchmarkServer is no test but the server of BenchmarkTCP, when that starts it.
func TestBenchmarkServer(t *testing.T) {
	if os.Getenv("RILLWATCH_BENCH_SERVER") != "1" {
		return
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	fmt.Println(l.Addr())
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer conn.Close()
				var b [12]byte
				for {
					if _, err := io.ReadFull(conn, b[:]); err != nil {
						return
					}
					q := question{txn: binary.BigEndian.Uint16(b[0:]), unit: b[6], fc: b[7], count: binary.BigEndian.Uint16(b[10:])}
					if _, err := conn.Write(q.right()); err != nil {
						return
					}
				}
			}()
		}
	}()
	_, _ = io.Copy(io.Discard, os.Stdin)
}
