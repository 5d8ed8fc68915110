package crashtest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
)

// soak tells whether the long form is asked for.
func soak() bool { return os.Getenv("RILLWATCH_SOAK") != "" }

// record runs the writer under strace and gives the steps and the folder it saw as its own.
func record(t *testing.T, job string, commits int, inject ...string) (steps []step, root string) {
	t.Helper()
	root = memory(t) // what counts is the order of its calls
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	trace := filepath.Join(t.TempDir(), "trace")
	cmd := strace(t, trace, inject, exe, filepath.Join(root, "state", "logbook"), strconv.Itoa(commits))
	cmd.Env = append(os.Environ(), childJob+"="+job)
	out, err := cmd.CombinedOutput()
	if err != nil {
		var ended *exec.ExitError
		if errors.As(err, &ended) && strings.Contains(string(out), "ptrace") {
			missing(t, "this machine does not let strace watch a process: "+string(out))
		}
		t.Fatalf("%v: %s", err, tailOf(out))
	}
	return readTrace(t, trace), root
}

// tally is what a run over images found.
type tally struct {
	images, cuts, partial, lost, waiting int
	wrong                                []string
}

const wrongMax = 20 // more would say nothing new

func (y *tally) found(format string, args ...any) {
	if len(y.wrong) < wrongMax {
		y.wrong = append(y.wrong, fmt.Sprintf(format, args...))
	}
}

// images cuts the record at many places and opens what may be on the device then. at most images are built, spread over the record;
// the places around a told word and around a sync come first, as there the promise is kept or broken.
func images(t *testing.T, steps []step, d *disk, most int, rng *rand.Rand, look func(dir string, told []string) []string) *tally {
	t.Helper()
	y := &tally{}
	var near []bool
	weight := 0
	for i := range steps {
		n := steps[i].name
		close := n == "fsync" || n == "fdatasync" || n == "pwrite64" || n == "write" || n == "linkat" || n == "unlinkat" || strings.HasPrefix(n, "rename") || n == "ftruncate"
		near = append(near, close)
		if close {
			weight++
		}
	}
	share := float64(most) / float64(max(1, weight)) // images for a place
	owed := 0.0
	scratch := memory(t)
	for i, s := range steps {
		d.take(s)
		if !near[i] {
			continue
		}
		if owed += share; owed < 1 {
			continue
		}
		y.cuts++
		for ; owed >= 1; owed-- {
			l := loss(y.images % int(losses))
			dir := filepath.Join(scratch, strconv.Itoa(y.images))
			lost, err := d.image(dir, l, rng)
			if err != nil {
				t.Fatal(err)
			}
			y.images++
			y.lost += lost
			if lost > 0 {
				y.partial++
			}
			if len(d.inFlight) > 0 {
				y.waiting++
			}
			for _, w := range look(dir, d.told) {
				y.found("image %d, cut after call %d (%s), %s, %d told: %s", y.images, s.call, s.name, l, len(d.told), w)
			}
			_ = os.RemoveAll(dir) // else thousands lie about until the end
		}
	}
	return y
}

// memory gives a folder in memory where there is one: thousands of images are opened, each with its syncs, and what is proved here is
// not this machine's disk.
func memory(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "rillwatch-images")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// lookAtWriters opens an image of the writer's as the next start would and says what is wrong with it.
func lookAtWriters(dir string, told []string) (wrong []string) {
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	book := filepath.Join(dir, "state", "logbook")
	r, err := logbook.Check(book)
	if errors.Is(err, logbook.ErrNotThere) {
		if len(told) > 0 {
			say("there is no logbook")
		}
	} else if err != nil {
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
	defer func() {
		if err := b.Close(); err != nil {
			say("close: %v", err)
		}
	}()
	restored, err := b.Restore()
	if err != nil {
		say("restore: %v", err)
		return wrong
	}
	var readings int
	told, readings = ids(told)
	wrong = append(wrong, lookAtReadings(b, readings)...)
	there := map[string]bool{}
	newest := uint64(0)
	for after := (event.ID{}); ; {
		page, err := b.Events(after, 0)
		if err != nil {
			say("events: %v", err)
			return wrong
		}
		if len(page) == 0 {
			break
		}
		for i := range page {
			there[page[i].ID.String()] = true
			newest = page[i].ID.Seq
			after = page[i].ID
		}
	}
	for _, id := range told {
		if !there[id] {
			say("%s was told and is not there", id)
			break
		}
	}
	for _, row := range restored.States {
		var st state
		if err := json.Unmarshal(row.Data, &st); err != nil || st.Event != newest {
			say("judge state is that of event %d, the newest event is %d (%v)", st.Event, newest, err)
		}
	}
	if len(there) != restored.Waiting+ended(b) {
		say("%d events, but %d messages wait and %d are ended", len(there), restored.Waiting, ended(b))
	}
	// the next boot must be able to work with it
	if err := b.Begin(logbook.BootRow{Nonce: "0000beef", WallAtZero: noon, WallCertain: true}, entries()); err != nil {
		say("the next boot: %v", err)
		return wrong
	}
	var c logbook.Commit
	n := uint64(0)
	for seq := uint64(1); seq <= 2; seq++ {
		add(&c, "0000beef", seq, &n)
	}
	if err := b.Commit(c); err != nil {
		say("the first commit of the next boot: %v", err)
	}
	return wrong
}

// ids parts what was told into events and how many readings.
func ids(told []string) (events []string, readings int) {
	for _, w := range told {
		if n, ok := strings.CutPrefix(w, kept); ok {
			k, err := strconv.Atoi(n)
			must(err)
			readings += k
			continue
		}
		events = append(events, w)
	}
	return events, readings
}

// lookAtReadings counts what can be read and what is recorded as gone, wherever it stands: each reading that a commit has made durable is in
// one of the two, and none is there twice. A commit may be on the device and not be told yet.
func lookAtReadings(b *logbook.Book, told int) (wrong []string) {
	there := 0
	whens := []string{"as found", "after tending"}
	if told/perCommit%8 != 0 { // tending is dear: an image in eight
		whens = whens[:1]
	}
	for _, when := range whens { // what a crash has cut short is done again, and changes nothing
		before := there
		there = 0
		if err := b.Scan(context.Background(), logbook.Query{}, func(logbook.Recorded) error { there++; return nil }); err != nil {
			return append(wrong, fmt.Sprintf("scan, %s: %v", when, err))
		}
		if when != "as found" {
			if there != before {
				wrong = append(wrong, fmt.Sprintf("%d readings before tending and %d after it", before, there))
			}
			break
		}
		for more := true; more; {
			m, again, err := b.Tend(context.Background(), 0, logbook.Keeping{})
			if err != nil || len(m.Aside) > 0 {
				wrong = append(wrong, fmt.Sprintf("tending: %v, set aside %q", err, m.Aside))
			}
			more = again && err == nil
		}
	}
	gaps, err := b.Gaps(context.Background(), time.Time{}, time.Time{})
	if err != nil {
		return []string{fmt.Sprintf("gaps: %v", err)}
	}
	gone := 0
	for _, g := range gaps {
		gone += int(g.Readings)
		if g.Cause == logbook.GapDamaged || g.Cause == logbook.GapMissing {
			wrong = append(wrong, fmt.Sprintf("a gap: %s, %s", g.Cause, g.Detail))
		}
	}
	if told > 0 && there+gone < told || told > 0 && there+gone > told+2*perCommit {
		wrong = append(wrong, fmt.Sprintf("%d readings are there and %d recorded as gone, told were %d", there, gone, told))
	}
	return wrong
}

func ended(b *logbook.Book) int {
	n := 0
	for after := uint64(0); ; {
		ds, err := b.Deliveries("duty", after, 0)
		if err != nil || len(ds) == 0 {
			return n
		}
		n, after = n+len(ds), ds[len(ds)-1].Number
	}
}

func (y *tally) report(t *testing.T, d *disk) {
	t.Helper()
	t.Logf("figure: %d images from %d cuts of %s; %d images lack something, %d un-synced writes or names dropped in all, %d images cut inside a sync",
		y.images, y.cuts, d, y.partial, y.lost, y.waiting)
}

func TestNothingToldIsLostWhenThePowerFails(t *testing.T) {
	commits, most := 60, 300
	if soak() {
		commits, most = 600, 20_000
	}
	steps, root := record(t, "writer", commits)
	rng := rand.New(rand.NewPCG(6, 4))
	d := newDisk(root, rng, toldAloud)
	y := images(t, steps, d, most, rng, lookAtWriters)
	y.report(t, d)
	for _, w := range y.wrong {
		t.Error(w)
	}
	if want := 2 * 40 * commits / 60; len(d.told) != want {
		t.Errorf("%d events were told, want %d", len(d.told), want)
	}
	if y.images < most*9/10 || y.lost == 0 || y.waiting == 0 || d.syncs < 2*commits {
		t.Errorf("too little was tried: %+v, %s", y, d)
	}
}

// TestNoReadingIsLostOrDoubledWhenThePowerFailsWhileHoursMove: the same with hours going into files beside the logbook, files being closed
// and files going for want of room, cut at any step of it.
func TestNoReadingIsLostOrDoubledWhenThePowerFailsWhileHoursMove(t *testing.T) {
	commits, most := 63, 250
	if soak() {
		commits, most = 315, 10_000
	}
	steps, root := record(t, "tends", commits)
	rng := rand.New(rand.NewPCG(6, 8))
	d := newDisk(root, rng, toldAloud)
	y := images(t, steps, d, most, rng, lookAtWriters)
	y.report(t, d)
	for _, w := range y.wrong {
		t.Error(w)
	}
	renamed, removed := 0, 0
	for _, s := range steps {
		if !s.enters && s.errno == "" && strings.HasPrefix(s.name, "rename") {
			renamed++
		}
		if !s.enters && s.errno == "" && strings.HasPrefix(s.name, "unlink") {
			removed++
		}
	}
	t.Logf("figure: %d files renamed and %d removed meanwhile", renamed, removed)
	if y.images < most*9/10 || y.lost == 0 || y.waiting == 0 || renamed < 6 || removed < 2 {
		t.Errorf("too little was tried: %+v, %s, %d files renamed, %d removed", y, d, renamed, removed)
	}
}

// TestTheHarnessFindsALogbookThatDoesNotSync is the control: were the syncs of no effect, the same images must be found wanting.
func TestTheHarnessFindsALogbookThatDoesNotSync(t *testing.T) {
	steps, root := record(t, "writer", 12)
	rng := rand.New(rand.NewPCG(6, 4))
	d := newDisk(root, rng, toldAloud)
	d.ignoreSyncs = true
	y := images(t, steps, d, 100, rng, lookAtWriters)
	y.report(t, d)
	if len(y.wrong) == 0 {
		t.Fatal("without a single sync nothing was found wrong: the images prove nothing")
	}
	t.Logf("as it must be: %d found, such as: %s", len(y.wrong), y.wrong[0])
}

// TestTheHarnessFindsAWriterThatTellsTooEarly is the second control: the same logbook, but the word comes before the commit.
func TestTheHarnessFindsAWriterThatTellsTooEarly(t *testing.T) {
	steps, root := record(t, "tells-first", 12)
	rng := rand.New(rand.NewPCG(6, 4))
	d := newDisk(root, rng, toldAloud)
	y := images(t, steps, d, 100, rng, lookAtWriters)
	y.report(t, d)
	lost := 0
	for _, w := range y.wrong {
		if strings.Contains(w, "was told and is not there") {
			lost++
		}
	}
	if lost == 0 {
		t.Fatal("told before the commit, and no image lacks it: the images prove nothing")
	}
	t.Logf("as it must be: %d found, such as: %s", len(y.wrong), y.wrong[0])
}
