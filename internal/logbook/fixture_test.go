package logbook

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// The test binary is its own helper process: with this variable set it does one job and ends.
const childJob = "LOGBOOK_TEST_CHILD"

func TestMain(m *testing.M) {
	switch os.Getenv(childJob) {
	case "":
		os.Exit(m.Run())
	case "commit":
		childCommits(os.Args[1], os.Args[2])
	case "open":
		childOpens(os.Args[1])
	case "full":
		childRunsFull(os.Args[1])
	case "mounted":
		childFillsADisk(os.Args[1])
	case "read-only":
		childOpensReadOnly(os.Args[1])
	}
}

// child prepares a helper process.
func child(t *testing.T, job string, args ...string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe, args...)
	cmd.Env = append(os.Environ(), childJob+"="+job)
	cmd.Stderr = os.Stderr
	return cmd
}

// open opens a book and checks it, whatever the test was about, when the test is over.
func open(t *testing.T, dir string) *Book {
	t.Helper()
	b, err := Open(dir, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		mustBeSound(t, dir)
	})
	return b
}

// reopen closes a book and opens it again, as a restart does.
func reopen(t *testing.T, b *Book, dir string) *Book {
	t.Helper()
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	return open(t, dir)
}

func mustBeSound(t *testing.T, dir string) Report {
	t.Helper()
	r, err := Check(dir)
	if err != nil {
		t.Fatalf("check: %v", err)
	}
	for _, f := range r.Findings {
		t.Errorf("check finds: %s", f)
	}
	return r
}

func begin(t *testing.T, b *Book, nonce string) {
	t.Helper()
	if err := b.Begin(BootRow{Nonce: nonce, WallAtZero: noon, WallCertain: true, Hash: "0123456789ab", Version: "test"}, larkfield()); err != nil {
		t.Fatal(err)
	}
}

func commit(t *testing.T, b *Book, c Commit) {
	t.Helper()
	if err := b.Commit(c); err != nil {
		t.Fatal(err)
	}
}

const noon = reading.Wall(1_782_993_600_000_000_000) // 2026-07-02 12:00 UTC, an ordinary day at Larkfield mill

// larkfield is three points of three kinds at 1 s.
func larkfield() []Entry {
	return []Entry{
		{Path: "b2.rack.oxygen", Type: "int16", Order: "ABCD", Scale: 0.1, Unit: "ug/L", Resolution: 0.1, Slot: time.Second, Every: 1},
		{Path: "b2.rack.temperature", Type: "float32", Order: "CDAB", Scale: 1, Unit: "degC", Resolution: 0.1, Slot: time.Second, Every: 1},
		{Path: "b2.valve.closed", Type: "bit", Scale: 1, Invert: true, Slot: time.Second, Every: 1},
	}
}

func stamp(up time.Duration) reading.Stamp {
	return reading.Stamp{Wall: noon + reading.Wall(up), Up: up}
}

// round is what one round of the three points yields at a slot, each number told by the slot.
func round(slot uint64) []Sample {
	at := stamp(time.Duration(slot) * time.Second)
	s := func(point int, raw uint64) Sample {
		return Sample{Point: point, Sample: reading.Sample{Slot: slot, Raw: raw, Fault: reading.Answered, At: at}, Reason: reading.Believed}
	}
	return []Sample{
		s(0, uint64(int64(int16(70+slot%7)))),
		s(1, uint64(math.Float32bits(25+float32(slot%100)/10))),
		s(2, slot/50%2),
	}
}

func raised(boot string, seq uint64) event.Event {
	return event.Event{ID: event.ID{Boot: boot, Seq: seq}, Kind: event.AlarmRaised, At: stamp(time.Duration(seq) * time.Second),
		Panel: "b2", Point: "b2.rack.oxygen", Alarm: "b2.oxygen-high",
		Value: &event.Value{Point: "b2.rack.oxygen", Value: 9.3, Unit: "ug/L", Decimals: 1, Bound: "=", Quality: "good", Reason: "believed"}}
}

func excursion(id event.ID) event.Excursion {
	return event.Excursion{ID: id.String(), Alarm: "b2.oxygen-high", Point: "b2.rack.oxygen", Unit: "ug/L", Start: stamp(time.Second), Peak: 9.3, Open: true}
}

// full is one outcome of everything: a round, an event, its excursion, its state and a message, all told by seq.
func full(boot string, seq uint64) Commit {
	e := raised(boot, seq)
	return Commit{Boot: boot, Through: seq, At: stamp(time.Duration(seq) * time.Second), WallCertain: true,
		Samples:    round(seq),
		States:     []engine.StateRow{{Name: "b2", Data: fmt.Appendf(nil, `{"seq":%d}`, seq)}, {Name: "", Data: []byte(`{"site":true}`)}},
		Events:     []event.Event{e},
		Excursions: []event.Excursion{excursion(e.ID)},
		Outbox:     []Row{{ID: e.ID, Recipient: "duty", Body: fmt.Appendf(nil, "message %d", seq), Created: e.At.Wall}}}
}

// samples reads everything back, in the order of the file.
func samples(t *testing.T, b *Book) []Kept {
	t.Helper()
	var all []Kept
	err := b.Blocks(BlockKey{}, func(block *Block) error {
		return block.Each(func(k Kept) error { all = append(all, k); return nil })
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func events(t *testing.T, b *Book) []event.Event {
	t.Helper()
	var all []event.Event
	for after := (event.ID{}); ; {
		page, err := b.Events(after, 7)
		if err != nil {
			t.Fatal(err)
		}
		if len(page) == 0 {
			return all
		}
		all = append(all, page...)
		after = page[len(page)-1].ID
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, b, 0o640); err != nil {
		t.Fatal(err)
	}
}

func must(err error) {
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
}

// childCommits commits without end and says each outcome only after it is durable.
func childCommits(dir, nonce string) {
	b, err := Open(dir, time.Second)
	must(err)
	_, err = b.Restore()
	must(err)
	must(b.Begin(BootRow{Nonce: nonce, WallAtZero: noon, WallCertain: true, Hash: "0123456789ab"}, larkfield()))
	for seq := uint64(1); ; seq++ {
		must(b.Commit(full(nonce, seq)))
		fmt.Println("durable", seq)
	}
}

// childOpens says how opening ends.
func childOpens(dir string) {
	b, err := Open(dir, 0)
	if err != nil {
		fmt.Println("error", err)
		return
	}
	must(b.Close())
	fmt.Println("opened")
}

// childRunsFull writes into a file that the kernel does not let grow, then into one that it does.
func childRunsFull(dir string) {
	signal.Ignore(syscall.SIGXFSZ) // the limit then shows as an error of write, as a full disk does
	b, err := Open(dir, time.Second)
	must(err)
	must(b.Begin(BootRow{Nonce: "00000001"}, larkfield()))
	must(b.Commit(full("00000001", 1)))
	var before syscall.Rlimit
	must(syscall.Getrlimit(syscall.RLIMIT_FSIZE, &before))
	must(syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 8192, Max: before.Max}))
	fmt.Println("while full:", b.Commit(full("00000001", 2)))
	fmt.Println("still full:", b.Commit(full("00000001", 3)))
	must(syscall.Setrlimit(syscall.RLIMIT_FSIZE, &before))
	c := full("00000001", 4)
	for seq := uint64(2); seq <= 3; seq++ { // what failed is offered again, within a larger commit
		f := full("00000001", seq)
		c.Samples, c.Events, c.Outbox = append(c.Samples, f.Samples...), append(c.Events, f.Events...), append(c.Outbox, f.Outbox...)
		c.Excursions = append(c.Excursions, f.Excursions...)
	}
	fmt.Println("room again:", b.Commit(c))
	s := b.Stats()
	fmt.Println("commits", s.Commits, "failures", s.Failures)
	must(b.Close())
}

// acknowledged reads "durable N" lines until at least n are read, then calls kill, then reads the rest; it gives the last N.
func acknowledged(t *testing.T, out io.Reader, n int, kill func()) uint64 {
	t.Helper()
	last := uint64(0)
	lines := bufio.NewScanner(out)
	for i := 1; lines.Scan(); i++ {
		seq, err := strconv.ParseUint(strings.TrimPrefix(lines.Text(), "durable "), 10, 64)
		if err != nil {
			t.Errorf("the child says %q", lines.Text())
			break
		}
		last = seq
		if i == n {
			kill()
		}
	}
	return last
}
