package crashtest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// everyEvent reads a book's events in their order.
func everyEvent(b *logbook.Book) ([]event.Event, error) {
	var all []event.Event
	for after := (event.ID{}); ; {
		page, err := b.Events(after, 0)
		if err != nil || len(page) == 0 {
			return all, err
		}
		all = append(all, page...)
		after = page[len(page)-1].ID
	}
}

// twice finds a trouble told under two ids: an alarm raised again without having returned in between.
func twice(events []event.Event) (wrong []string) {
	standing := map[string]event.ID{}
	for _, e := range events {
		switch e.Kind {
		case event.AlarmRaised:
			if id, ok := standing[e.Alarm]; ok {
				wrong = append(wrong, fmt.Sprintf("%s was raised as %s and, without having returned, again as %s", e.Alarm, id, e.ID))
			}
			standing[e.Alarm] = e.ID
		case event.AlarmReturned:
			if id, ok := standing[e.Alarm]; !ok || id.String() != e.Raised {
				wrong = append(wrong, fmt.Sprintf("%s returned of %q, raised was %s", e.Alarm, e.Raised, id))
			}
			delete(standing, e.Alarm)
		}
	}
	return wrong
}

// TestKillNineAtAnyMoment kills a daemon again and again while its plant is busy, from its first instruction on. The logbook is sound each
// time; in the end every message that arrived is an event in it, every event people are called for has arrived, and none under two ids.
func TestKillNineAtAnyMoment(t *testing.T) {
	bin := program(t)
	t.Parallel()
	kills := 30
	if soak() {
		kills = 1000
	}
	h := startHook(t)
	p := newPlace(t, startPanel(t), h.url)
	rng := rand.New(rand.NewPCG(6, 9))
	for n := range kills {
		cmd := exec.Command(bin, "run", p.file)
		run(t, cmd)
		<-time.After(time.Duration(rng.IntN(1500)) * time.Millisecond) // a random moment, not a wait for something
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		if err := cmd.Wait(); err == nil || cmd.ProcessState.ExitCode() != -1 {
			t.Fatalf("kill %d: the daemon had ended by itself: %v", n, err)
		}
		r, err := logbook.Check(p.book)
		if errors.Is(err, logbook.ErrNotThere) {
			continue
		}
		if err != nil || len(r.Findings) > 0 {
			t.Fatalf("kill %d: check: %v %v", n, err, r.Findings)
		}
	}
	cmd := exec.Command(bin, "run", p.file)
	run(t, cmd)
	before := len(h.all())
	until(t, "messages after the last start", func() bool { return len(h.all()) > before+2 })
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("SIGTERM: %v", err)
	}
	b, err := logbook.Open(p.book, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = b.Close() }()
	events, err := everyEvent(b)
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	for _, e := range events {
		there[e.ID.String()] = true
	}
	for _, w := range twice(events) {
		t.Error(w)
	}
	arrived := map[string]int{}
	for _, w := range h.all() {
		if arrived[w.id]++; !there[w.id] {
			t.Errorf("%s (%s of %s) arrived and is not in the logbook", w.id, w.kind, w.alarm)
		}
	}
	waiting := map[string]bool{}
	for after := uint64(0); ; {
		row, ok, err := b.NextAfter("on-call", after)
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			break
		}
		waiting[row.ID.String()], after = true, row.Number
	}
	called, again := 0, 0
	for _, e := range events {
		if !e.Kind.Told() {
			continue
		}
		called++
		if id := e.ID.String(); arrived[id] == 0 && !waiting[id] {
			t.Errorf("%s (%s) is in the logbook, did not arrive and does not wait", id, e.Kind)
		}
	}
	for _, n := range arrived {
		again += n - 1
	}
	restored, err := b.Restore()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("figure: %d kills of %d starts entered, %d events, people called for %d, %d ids arrived, %d of them more than once, %d wait", kills, restored.Boots, len(events), called, len(arrived), again, len(waiting))
	if restored.Boots < kills/2 || len(arrived) < kills {
		t.Errorf("too little happened: %d boots, %d messages", restored.Boots, len(arrived))
	}
}

// webhookID finds the word a message goes by in what is written to a recipient's socket.
var webhookID = regexp.MustCompile(`(?i)\r\nwebhook-id: ([^\r]+)\r\n`)

func toldByHook(_ int, text []byte) []string {
	var ids []string
	for _, m := range webhookID.FindAllSubmatch(text, -1) {
		ids = append(ids, string(m[1]))
	}
	return ids
}

// TestNothingADaemonToldIsLostWhenThePowerFails takes the whole daemon for the writer, from its first start to its orderly end. Told is what it wrote
// to the recipient's socket. An engine that starts from an image must also stand where its events do.
func TestNothingADaemonToldIsLostWhenThePowerFails(t *testing.T) {
	bin := program(t)
	t.Parallel()
	most, words := 300, 30
	if soak() {
		most, words = 10_000, 1000
	}
	h := startHook(t)
	p := newPlace(t, startPanel(t), h.url)
	trace := filepath.Join(t.TempDir(), "trace")
	cmd := strace(t, trace, nil, bin, "run", p.file)
	run(t, cmd)
	until(t, fmt.Sprintf("%d messages", words), func() bool { return len(h.all()) >= words })
	if err := syscall.Kill(tracee(t, trace), syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("the daemon under strace: %v", err)
	}
	rng := rand.New(rand.NewPCG(6, 7))
	d := newDisk(p.root, rng, toldByHook)
	y := images(t, readTrace(t, trace), d, most, rng, func(dir string, told []string) []string {
		return lookAtDaemons(p.site, filepath.Join(dir, "logbook"), told)
	})
	y.report(t, d)
	for _, w := range y.wrong {
		t.Error(w)
	}
	if len(d.told) < words || y.lost == 0 || y.waiting == 0 || d.syncs < words {
		t.Errorf("too little was tried: %d told, %+v, %s", len(d.told), y, d)
	}
}

// tracee gives the process that strace watches: the first it writes of.
func tracee(t *testing.T, trace string) int {
	t.Helper()
	raw, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	word, _, _ := strings.Cut(string(raw), " ")
	pid, err := strconv.Atoi(word)
	if err != nil {
		t.Fatalf("strace begins with %q", word)
	}
	return pid
}

// lookAtDaemons opens an image of a daemon's logbook and says what is wrong with it.
func lookAtDaemons(s *site.Site, book string, told []string) (wrong []string) {
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	r, err := logbook.Check(book)
	if errors.Is(err, logbook.ErrNotThere) {
		if len(told) > 0 {
			say("there is no logbook")
		}
		return wrong
	}
	if err != nil {
		say("check: %v", err)
		return wrong
	}
	for _, f := range r.Findings {
		say("check finds: %s", f)
	}
	b, err := logbook.Open(book, time.Second)
	if err != nil {
		say("open: %v", err)
		return wrong
	}
	defer func() { _ = b.Close() }()
	events, err := everyEvent(b)
	if err != nil {
		say("events: %v", err)
		return wrong
	}
	there := map[string]bool{}
	last := map[string]event.Event{}
	for _, e := range events {
		there[e.ID.String()] = true
		if e.Kind == event.AlarmRaised || e.Kind == event.AlarmReturned {
			last[e.Alarm] = e
		}
	}
	for _, id := range told {
		if !there[id] {
			say("%s was told and is not there", id)
			break
		}
	}
	wrong = append(wrong, twice(events)...)
	restored, err := b.Restore()
	if err != nil {
		say("restore: %v", err)
		return wrong
	}
	e := engine.New(s)
	o := e.Step(engine.Boot{Nonce: "0000beef", At: reading.Stamp{Wall: noon}, WallCertain: true, Hash: s.Hash, Before: restored.Before, States: restored.States})
	for _, ev := range o.Events {
		if ev.Kind == event.StateLost {
			say("the judge state cannot be taken up: %s", ev.Cause)
		}
	}
	for _, a := range e.View().Panels[0].Alarms {
		l, any := last[a.Name]
		if raised := any && l.Kind == event.AlarmRaised; raised != a.Active || raised && a.Raised != l.ID {
			say("%s stands as %s (%v) of %s after a start, its last event is %s %s", a.Name, a.State, a.Active, a.Raised, l.ID, l.Kind)
		}
	}
	return wrong
}
