package crashtest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"runtime"
	"strconv"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
)

// childJob makes the test binary its own writer: a process that does one job and ends.
const childJob = "CRASHTEST_CHILD"

func TestMain(m *testing.M) {
	job := os.Getenv(childJob)
	if job == "" {
		os.Exit(m.Run())
	}
	// One thread asks the kernel for everything, so that "the n-th sync" means one thing to strace's injection too.
	runtime.LockOSThread()
	commits, err := strconv.Atoi(os.Args[2])
	must(err)
	write(os.Args[1], commits, job)
	os.Exit(0)
}

func must(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, "writer:", err)
		os.Exit(1)
	}
}

const noon = reading.Wall(1_782_993_600_000_000_000) // 2026-07-02 12:00 UTC, an ordinary day at Larkfield mill

// write keeps a logbook through two boots, as the daemon does: commit, then tell, then put on record that it was told. Every third
// commit carries only samples. A commit that fails is offered again, within a larger one.
func write(dir string, commits int, job string) {
	for boot := 1; boot <= 2; boot++ {
		nonce := fmt.Sprintf("%08x", boot)
		b, err := logbook.Open(dir, time.Second)
		for tries := 0; err != nil && tries < 50; tries++ {
			b, err = logbook.Open(dir, time.Second)
		}
		must(err)
		restored, err := b.Restore()
		must(err)
		if boot == 2 && restored.Before.Nonce != "00000001" {
			must(fmt.Errorf("the boot before is %q", restored.Before.Nonce))
		}
		for tries := 0; ; tries++ {
			if err = b.Begin(logbook.BootRow{Nonce: nonce, WallAtZero: noon, WallCertain: true, Hash: "0123456789ab", Version: "test"}, entries()); err == nil || tries > 50 {
				break
			}
		}
		must(err)
		events, ended := uint64(0), uint64(0)
		var c logbook.Commit
		for seq, tries := uint64(1), 0; seq <= uint64(commits); seq++ {
			add(&c, nonce, seq, &events)
			if job == "tells-first" {
				tell(c)
			}
			if err := b.Commit(c); err != nil {
				fmt.Fprintln(os.Stderr, "writer:", err)
				if tries++; tries > 50 {
					must(err)
				}
				continue
			}
			tell(c)
			for range c.Events {
				if ended++; ended%2 == 0 {
					_ = b.End("duty", ended+uint64(boot-1)*1000, "delivered", c.At, "answered 204") // of the first boot; nobody minds one that is not there
				}
			}
			if job == "tends" {
				_, _ = fmt.Fprintf(os.Stdout, "told %s%d\n", kept, len(c.Samples))
				if seq%7 == 0 {
					for more := true; more; {
						if _, more, err = b.Tend(context.Background(), c.At.Up, logbook.Keeping{Budget: budget}); err != nil {
							fmt.Fprintln(os.Stderr, "writer: tend:", err)
							break // it is called again before long
						}
					}
				}
			}
			c = logbook.Commit{}
		}
		must(b.Close())
	}
}

// tell says each event aloud; strace sees the word at its place among the calls.
func tell(c logbook.Commit) {
	for i := range c.Events {
		_, _ = fmt.Fprintf(os.Stdout, "told %s\n", c.Events[i].ID) // a writer nobody listens to is still seen by strace
	}
}

// toldAloud reads such words.
func toldAloud(fd int, text []byte) []string {
	if id, ok := bytes.CutPrefix(text, []byte("told ")); ok && fd == 1 {
		return []string{string(bytes.TrimSpace(id))}
	}
	return nil
}

func entries() []logbook.Entry {
	var out []logbook.Entry
	for i := range 8 {
		out = append(out, logbook.Entry{Path: fmt.Sprintf("b%d.rack.oxygen", i), Type: "float32", Order: "ABCD", Scale: 1, Unit: "ug/L", Resolution: 0.1, Slot: time.Second, Every: 1})
	}
	return out
}

func stamp(up time.Duration) reading.Stamp {
	return reading.Stamp{Wall: noon + reading.Wall(up), Up: up}
}

// state is what judge state says: the newest event, so that an image in which the two differ is found.
type state struct {
	Event uint64 `json:"event"`
}

// span is how far apart commits are: far enough that a run goes through several hours.
const span = 12 * time.Minute

const (
	// kept begins the word of how many readings a commit has made durable.
	kept = "readings "
	// perCommit is how many readings each commit of the writer's carries.
	perCommit = 10 * 8
	// budget makes hours go into files, and files go, within a run of minutes.
	budget = 400 << 10
)

// add puts one outcome into a commit.
func add(c *logbook.Commit, nonce string, seq uint64, events *uint64) {
	at := stamp(time.Duration(seq) * span)
	c.Boot, c.Through, c.At, c.WallCertain = nonce, seq, at, true
	for k := range uint64(10) {
		for p := range entries() {
			slot := seq*uint64(span/time.Second) + k
			c.Samples = append(c.Samples, logbook.Sample{Point: p, Reason: reading.Believed,
				Sample: reading.Sample{Slot: slot, Raw: uint64(math.Float32bits(float32(slot%97) + float32(p)/7)), Fault: reading.Answered, At: stamp(time.Duration(slot) * time.Second)}})
		}
	}
	if seq%3 == 0 {
		return
	}
	*events++
	e := event.Event{ID: event.ID{Boot: nonce, Seq: *events}, Kind: event.AlarmRaised, At: at, Panel: "b2", Point: "b2.rack.oxygen", Alarm: "b2.oxygen-high"}
	c.Events = append(c.Events, e)
	c.Excursions = append(c.Excursions, event.Excursion{ID: e.ID.String(), Alarm: e.Alarm, Point: e.Point, Unit: "ug/L", Start: at, Peak: 9.3, Open: true})
	// A message has 1 to 3 kB, so that pages fill, trees grow and the file with them.
	c.Outbox = append(c.Outbox, logbook.Row{ID: e.ID, Recipient: "duty", Body: bytes.Repeat([]byte{'m'}, 1000+int(seq*397%2000)), Created: at.Wall})
	raw, err := json.Marshal(state{*events})
	must(err)
	c.States = []engine.StateRow{{Name: "b2", Data: raw}}
}
