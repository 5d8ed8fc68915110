package crashtest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
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

// twice finds a trouble told under two ids: an alarm raised again without having returned in between. One that came and went, so that nobody was
// called when it was raised last, may be told anew, and says so.
func twice(events []event.Event) (wrong []string) {
	standing := map[string]event.ID{}
	quiet := map[event.ID]bool{}
	for _, e := range events {
		switch e.Kind {
		case event.AlarmRaised:
			if id, ok := standing[e.Alarm]; ok && !(e.Again != "" && quiet[id]) {
				wrong = append(wrong, fmt.Sprintf("%s was raised as %s and, without having returned, again as %s", e.Alarm, id, e.ID))
			}
			quiet[e.ID] = !e.Told()
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
// time; in the end every message that arrived is an event in it, or a summary of such; every event people are called for waits, or has arrived by
// itself or in a summary that did; and none under two ids.
func TestKillNineAtAnyMoment(t *testing.T) {
	bin := program(t)
	t.Parallel()
	kills := 30
	if soak() {
		kills = 1000
	}
	h := startHook(t)
	p := newPlace(t, startPanel(t), h.url, 0)
	rng := rand.New(rand.NewPCG(6, 9))
	for n := range kills {
		cmd := exec.Command(bin, "run", p.file)
		run(t, cmd)
		most := 1500
		if n%3 == 2 { // long enough for a flood, so that some die around its summary; what it holds is the next one's
			most = 4000
		}
		<-time.After(time.Duration(rng.IntN(most)) * time.Millisecond) // a random moment, not a wait for something
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
	for _, w := range twice(events) {
		t.Error(w)
	}
	l, err := toldOf(b, h.all())
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range l.wrong(events) {
		t.Error(w)
	}
	called, again := 0, 0
	for i := range events {
		if events[i].Told() {
			called++
		}
	}
	for _, n := range l.times {
		again += n - 1
	}
	summaries, together := l.together()
	restored, err := b.Restore()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("figure: %d kills of %d starts entered, %d events, people called for %d, %d ids arrived, %d of them more than once, %d of them summaries, %d messages on record as in one, %d wait",
		kills, restored.Boots, len(events), called, len(l.came), again, summaries, together, len(l.waiting))
	if restored.Boots < kills/2 || len(l.came) < kills || summaries < kills/10 || together < kills {
		t.Errorf("too little happened: %d boots, %d messages, %d summaries of %d", restored.Boots, len(l.came), summaries, together)
	}
}

// webhookID finds the word a message goes by in what is written to a recipient's socket.
var webhookID = regexp.MustCompile(`(?i)\r\nwebhook-id: ([^\r]+)\r\n`)

// TestNothingADaemonToldIsLostWhenThePowerFails takes the whole daemon for the writer, from its first start to its orderly end. Told is what it wrote
// to the recipient's socket; half of the alarms are urgent, the others are told together. An engine that starts from an image must also stand where its events do.
func TestNothingADaemonToldIsLostWhenThePowerFails(t *testing.T) {
	bin := program(t)
	t.Parallel()
	const words = 20 // an alarm that comes and goes is soon told as doing so, and then no more
	most := 300
	if soak() {
		most = 10_000
	}
	h := startHook(t)
	p := newPlace(t, startPanel(t), h.url, sensors/2)
	trace := filepath.Join(t.TempDir(), "trace")
	cmd := strace(t, trace, nil, bin, "run", p.file)
	run(t, cmd)
	until(t, fmt.Sprintf("%d messages", words), func() bool {
		return len(h.all()) >= words && slices.ContainsFunc(h.all(), func(w word) bool { return w.kind == summary })
	})
	if err := syscall.Kill(tracee(t, trace), syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("the daemon under strace: %v", err)
	}
	rng := rand.New(rand.NewPCG(6, 7))
	d := newDisk(p.root, rng, spoken())
	inSummary := 0 // images whose logbook has messages as told in a summary
	y := images(t, readTrace(t, trace), d, most, rng, func(dir string, told []string) []string {
		wrong, together := lookAtDaemons(p.site, filepath.Join(dir, "logbook"), told)
		if together > 0 {
			inSummary++
		}
		return wrong
	})
	t.Logf("figure: %d images whose logbook has messages as told in a summary", inSummary)
	y.report(t, d)
	for _, w := range y.wrong {
		t.Error(w)
	}
	if len(d.told) < words || y.lost == 0 || y.waiting == 0 || d.syncs < words || inSummary < 10 {
		t.Errorf("too little was tried: %d told, %d images with summaries, %+v, %s", len(d.told), inSummary, y, d)
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

// lookAtDaemons opens an image of a daemon's logbook and says what is wrong with it, and how many messages it has as told in a summary.
func lookAtDaemons(s *site.Site, book string, told []string) (wrong []string, together int) {
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	r, err := logbook.Check(book)
	if errors.Is(err, logbook.ErrNotThere) {
		if len(told) > 0 {
			say("there is no logbook")
		}
		return wrong, together
	}
	if err != nil {
		say("check: %v", err)
		return wrong, together
	}
	for _, f := range r.Findings {
		say("check finds: %s", f)
	}
	b, err := logbook.Open(book, time.Second)
	if err != nil {
		say("open: %v", err)
		return wrong, together
	}
	defer func() { _ = b.Close() }()
	events, err := everyEvent(b)
	if err != nil {
		say("events: %v", err)
		return wrong, together
	}
	last := map[string]event.Event{}
	for _, e := range events {
		if e.Kind == event.AlarmRaised || e.Kind == event.AlarmReturned {
			last[e.Alarm] = e
		}
	}
	words, err := spokenWords(told)
	if err != nil {
		say("%v", err)
	}
	l, err := toldOf(b, words)
	if err != nil {
		say("outbox: %v", err)
		return wrong, together
	}
	_, together = l.together()
	wrong = append(wrong, l.wrong(events)...)
	wrong = append(wrong, twice(events)...)
	restored, err := b.Restore()
	if err != nil {
		say("restore: %v", err)
		return wrong, together
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
	return wrong, together
}
