package bus

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// adapter is a pty that stands for a serial adapter: devices on its master side, a name that stays the same when it is plugged in again.
type adapter struct {
	t      *testing.T
	start  time.Time
	name   string // a link to the slave, as a stable by-id name is
	answer func(n int, q query, right []byte) []after

	mu     sync.Mutex
	master *os.File
	keep   *os.File // the slave held open, so that the pty lives while nobody has it
	asked  atomic.Int64
	got    atomic.Int64 // bytes from us
}

func plugged(t *testing.T, start time.Time) *adapter {
	a := unplugged(t, start)
	a.plug()
	return a
}

// unplugged is an adapter whose answers may still be chosen.
func unplugged(t *testing.T, start time.Time) *adapter {
	a := &adapter{t: t, start: start, name: filepath.Join(t.TempDir(), "adapter"), answer: func(_ int, _ query, right []byte) []after { return []after{{0, right}} }}
	t.Cleanup(a.unplug)
	return a
}

func (a *adapter) plug() {
	a.t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		a.t.Fatalf("no pty: %v", err)
	}
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		a.t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		a.t.Fatal(err)
	}
	slave := fmt.Sprintf("/dev/pts/%d", n)
	keep, err := os.OpenFile(slave, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		a.t.Fatal(err)
	}
	raw, err := unix.IoctlGetTermios(int(keep.Fd()), unix.TCGETS)
	if err != nil {
		a.t.Fatal(err)
	}
	raw.Iflag, raw.Oflag, raw.Lflag = 0, 0, 0
	if err := unix.IoctlSetTermios(int(keep.Fd()), unix.TCSETS, raw); err != nil {
		a.t.Fatal(err)
	}
	master := os.NewFile(uintptr(fd), "ptmx")
	a.mu.Lock()
	a.master, a.keep = master, keep
	a.mu.Unlock()
	if err := os.Symlink(slave, a.name+".new"); err != nil {
		a.t.Fatal(err)
	}
	if err := os.Rename(a.name+".new", a.name); err != nil {
		a.t.Fatal(err)
	}
	go a.serve(master)
}

func (a *adapter) unplug() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.master == nil {
		return
	}
	_ = os.Remove(a.name)
	_ = a.keep.Close()
	_ = a.master.Close()
	a.master = nil
}

func (a *adapter) say(b []byte) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.master != nil {
		_, _ = a.master.Write(b)
	}
}

func (a *adapter) serve(master *os.File) {
	var held []byte
	b := make([]byte, 256)
	for {
		n, err := master.Read(b)
		a.got.Add(int64(n))
		if err != nil {
			return
		}
		for held = append(held, b[:n]...); len(held) >= requestBytes; held = held[requestBytes:] {
			f := held[:requestBytes]
			if !sound(f) || f[1] < 1 || f[1] > 4 {
				a.t.Errorf("a request of %x", f)
				return
			}
			q := query{f[0], reading.Table(f[1]), binary.BigEndian.Uint16(f[2:]), binary.BigEndian.Uint16(f[4:])}
			for _, x := range a.answer(int(a.asked.Add(1)), q, answerTo(q, time.Since(a.start))) {
				if x.wait <= 0 {
					a.say(x.data)
					continue
				}
				time.AfterFunc(x.wait, func() { a.say(x.data) })
			}
		}
	}
}

// onTTY makes a site's bus the adapter's line.
func onTTY(s *site.Site, a *adapter) *site.Site {
	b := &s.Buses[0]
	b.Scheme, b.Address, b.Baud, b.Parity, b.StopBits, b.SoleMaster, b.Period = "rtu", a.name, 115200, "none", 1, true, testPeriod
	return s
}

// follow runs a bus over what its site says.
func follow(t *testing.T, s *site.Site, start time.Time, log *slog.Logger) *watched {
	ctx, cancel := context.WithCancel(context.Background())
	w := &watched{t: t, out: make(chan reading.Batch), cancel: cancel, done: make(chan error, 1)}
	go func() { w.done <- Run(ctx, s, 0, clock(start), nil, w.out, log) }()
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

func discard() *slog.Logger { return slog.New(slog.DiscardHandler) }

func (w *watched) all(station uint8) reading.Batch {
	w.t.Helper()
	return w.until("answers", func(b reading.Batch) bool { return of1(b, station).Fault == reading.Answered })
}

func TestRegistersAndBitsAreReadOverASerialDevice(t *testing.T) {
	start := time.Now()
	a := plugged(t, start)
	s := onTTY(larkfield(), a)
	s.Buses[0].Period = 500 * time.Millisecond // so that a register with one length may be asked in every round
	w := follow(t, s, start, discard())
	y := &tally{}
	for y.rounds < 10 {
		y.take(s, w.next(), false)
	}
	if y.wrong+y.old > 0 || y.whole < 8 {
		t.Errorf("%d of 10 rounds whole, %d wrong:%s", y.whole, y.wrong+y.old, faultCounts(y))
	}
}

func TestASerialDeviceIsTakenByOneProgramAlone(t *testing.T) {
	start := time.Now()
	a := plugged(t, start)
	fd, err := os.OpenFile(a.name, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.Flock(int(fd.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		t.Fatal(err)
	}
	w := follow(t, onTTY(twins(), a), start, discard())
	w.untilFault(1, reading.Refused)
	if n := a.got.Load(); n > 0 {
		t.Errorf("%d bytes were sent on a device another program has", n)
	}
	_ = fd.Close()
	w.all(1)
	other, err := os.OpenFile(a.name, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		return // kept out altogether, which root is not
	}
	defer other.Close()
	if err := unix.Flock(int(other.Fd()), unix.LOCK_EX|unix.LOCK_NB); err == nil {
		t.Error("a device in use could be locked once more")
	}
}

func TestTheLineIsSetAsWritten(t *testing.T) {
	for _, c := range []struct {
		baud   int
		parity string
		stop   int
		want   uint32
	}{
		{9600, "none", 2, unix.B9600 | unix.CSTOPB}, {19200, "even", 1, unix.B19200 | unix.PARENB}, {38400, "odd", 1, unix.B38400 | unix.PARENB | unix.PARODD},
	} {
		got, err := character(&site.Bus{Baud: c.baud, Parity: c.parity, StopBits: c.stop})
		if want := c.want | unix.CS8 | unix.CREAD | unix.CLOCAL; err != nil || got != want {
			t.Errorf("%d %s %d: %#o, %v, want %#o", c.baud, c.parity, c.stop, got, err, want)
		}
	}
	a := plugged(t, time.Now())
	flags, err := character(&site.Bus{Baud: 38400, Parity: "none", StopBits: 2})
	if err != nil {
		t.Fatal(err)
	}
	line, err := dialTTY(a.name, flags)(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer line.Close()
	set, err := unix.IoctlGetTermios(int(a.keep.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	if set.Cflag&(unix.CBAUD|unix.CSTOPB) != unix.B38400|unix.CSTOPB || set.Lflag&(unix.ECHO|unix.ICANON) != 0 {
		t.Errorf("the device has flags %#o, local %#o", set.Cflag, set.Lflag)
	}
}

func TestADescriptorPastTheReachOfSelectWorks(t *testing.T) {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		t.Fatal(err)
	}
	if limit.Cur < 1200 {
		limit.Cur = min(limit.Max, 4096)
		if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &limit); err != nil || limit.Cur < 1200 {
			t.Fatalf("no room for 1100 descriptors: %v", err)
		}
	}
	for range 1100 {
		fd, err := unix.Open("/dev/null", unix.O_RDONLY|unix.O_CLOEXEC, 0)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = unix.Close(fd) })
	}
	start := time.Now()
	a := plugged(t, start)
	w := follow(t, onTTY(twins(), a), start, discard())
	w.all(1)
}

// endsWithin checks the promise about stopping: 200 ms, whatever the line does. That bound is the claim itself.
func (w *watched) endsWithin(d time.Duration) {
	w.t.Helper()
	w.cancel()
	select {
	case err := <-w.done:
		w.done <- err
	case <-time.After(d):
		w.t.Errorf("still running %v after the end was asked for", d)
	}
}

func TestASerialLineStopsAtOnceWhateverItDoes(t *testing.T) {
	for name, answer := range map[string]func(a *adapter) func(int, query, []byte) []after{
		"it answers": func(a *adapter) func(int, query, []byte) []after { return a.answer },
		"it is silent": func(*adapter) func(int, query, []byte) []after {
			return func(int, query, []byte) []after { return nil }
		},
		"it stalls in a frame": func(*adapter) func(int, query, []byte) []after {
			return func(_ int, _ query, right []byte) []after { return []after{{0, right[:3]}} }
		},
		"it floods": func(a *adapter) func(int, query, []byte) []after {
			return func(int, query, []byte) (out []after) {
				for i := range 500 {
					out = append(out, after{time.Duration(i) * time.Millisecond, bytes.Repeat([]byte{0x5a}, 50)})
				}
				return out
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			start := time.Now()
			a := plugged(t, start)
			a.answer = answer(a)
			s := onTTY(twins(), a)
			s.Sensors[0].Turnaround = 700 * time.Millisecond // a long timeout, so that it would be noticed
			w := follow(t, s, start, discard())
			end := time.After(patience)
			for asked := false; !asked; {
				select {
				case <-w.out:
				case <-time.After(5 * time.Millisecond):
				case <-end:
					t.Fatal("never asked")
				}
				asked = a.asked.Load() > 0
			}
			w.endsWithin(200 * time.Millisecond)
		})
	}
}

func TestAnUnpluggedAdapterIsNoticedAndTakenUpAgain(t *testing.T) {
	start := time.Now()
	a := plugged(t, start)
	s := onTTY(twins(), a)
	s.Buses[0].Period = 3 * time.Second // so that no round notices it
	lost := make(chan struct{}, 10)
	log := slog.New(slog.NewTextHandler(writer(func(b []byte) {
		if strings.Contains(string(b), "bus lost") && strings.Contains(string(b), "unplugged") {
			lost <- struct{}{}
		}
	}), nil))
	w := follow(t, s, start, log)
	w.all(1)
	var before, after syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &before)
	a.unplug()
	select {
	case <-lost:
	case <-time.After(time.Second): // the bound is the claim
		t.Error("an unplugged adapter was not noticed within a second")
	}
	w.untilFault(1, reading.Unplugged)
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &after)
	if used := time.Duration(after.Utime.Nano() - before.Utime.Nano()); used > 3*time.Second {
		t.Errorf("%v of processor time while the adapter was away: it spins", used)
	}
	a.plug()
	if r := w.untilFault(1, reading.Answered); ageOf(r) != 0 {
		t.Errorf("after it came back: %+v", r)
	}
}

type writer func([]byte)

func (w writer) Write(b []byte) (int, error) { w(b); return len(b), nil }

func TestWithAForeignMasterOnThePtyNoByteLeaves(t *testing.T) {
	start := time.Now()
	a := plugged(t, start)
	s := onTTY(twins(), a)
	s.Buses[0].Listen = time.Second
	w := follow(t, s, start, discard())
	w.next()
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		for tick := time.NewTicker(100 * time.Millisecond); ; {
			select {
			case <-stop:
				return
			case <-tick.C:
				a.say(itsQuestion.frame())
				a.say(itsAnswer)
			}
		}
	}()
	w.untilFault(1, reading.AnotherMaster)
	for range 60 { // three times the listening
		if r := of1(w.next(), 1); r.Fault != reading.AnotherMaster {
			t.Fatalf("%v", r.Fault)
		}
	}
	if n := a.got.Load(); n != 0 {
		t.Errorf("%d bytes left, want none", n)
	}
}

// TestOnManyPtysNoValueIsWrong is the same mix of faults on real ptys in real time: short, because there time cannot be made.
func TestOnManyPtysNoValueIsWrong(t *testing.T) {
	var values, rounds atomic.Int64
	var group sync.WaitGroup
	for i := range 16 {
		group.Go(func() {
			start := time.Now()
			a := plugged(t, start)
			s := onTTY(larkfield(), a)
			p := plan.Of(s, 0)
			w, err := wireOf(s, &s.Buses[0], p)
			if err != nil {
				t.Error(err)
				return
			}
			m := &mix{rng: rand.New(rand.NewPCG(5, uint64(i))), sim: &simLine{start: start, wire: w}, late: 10 * w.longest(p), rate: 0.5, echo: i%2 == 1, made: map[string]int{}, ids: []uint8{1, 2, 3, 4}}
			a.answer = m.answers
			ctx, cancel := context.WithCancel(context.Background())
			out, done := make(chan reading.Batch), make(chan error, 1)
			go func() {
				l, err := linkOf(ctx, s, 0, clock(start))
				if err != nil {
					done <- err
					return
				}
				if r, ok := l.(*rtuLink); ok && withoutGuards {
					r.line.without, r.line.ledger.off = bare, true
				}
				done <- run(ctx, s, 0, clock(start), nil, out, discard(), l)
			}()
			y := &tally{}
			end := time.After(4 * time.Second)
			for running := true; running; {
				select {
				case b := <-out:
					y.take(s, b, false)
				case <-end:
					running = false
				}
			}
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
			if y.wrong+y.old > 0 {
				t.Errorf("pty %d: %d wrong, %d too old; the first %+v", i, y.wrong, y.old, y.firstWrong)
			}
			values.Add(int64(y.values))
			rounds.Add(int64(y.rounds))
		})
	}
	group.Wait()
	if values.Load() < 1000 || rounds.Load() < 300 {
		t.Errorf("%d values in %d rounds: too few to show anything", values.Load(), rounds.Load())
	}
	t.Logf("figure: %d values in %d rounds over 16 ptys", values.Load(), rounds.Load())
}
