package logbook

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// fast is a book that does not wait for the disk: what is tested here is what is written, not that it is.
func fast(t *testing.T, dir string) *Book {
	t.Helper()
	b := open(t, dir)
	b.db.NoSync = true
	return b
}

// minutes commits a round every second from one minute of a boot to another, every ten seconds.
func minutes(t *testing.T, b *Book, boot string, from, to int) {
	t.Helper()
	for s := from * 60; s < to*60; s += 10 {
		c := Commit{Boot: boot, Through: uint64(s + 10), At: stamp(time.Duration(s+10) * time.Second), WallCertain: true}
		for i := range 10 {
			c.Samples = append(c.Samples, round(uint64(s+i))...)
		}
		commit(t, b, c)
	}
}

func tend(t *testing.T, b *Book, k Keeping) Moved {
	t.Helper()
	var all Moved
	for {
		m, more, err := b.Tend(context.Background(), 0, k)
		if err != nil {
			t.Fatal(err)
		}
		all.Hours += m.Hours
		all.Samples += m.Samples
		all.Gaps = append(all.Gaps, m.Gaps...)
		all.Closed, all.Dropped, all.Aside = append(all.Closed, m.Closed...), append(all.Dropped, m.Dropped...), append(all.Aside, m.Aside...)
		all.Events += m.Events
		if !more {
			return all
		}
	}
}

func hotBlocks(t *testing.T, b *Book) int {
	t.Helper()
	n := 0
	if err := b.db.View(func(tx *bolt.Tx) error { n = tx.Bucket(bucketHot).Stats().KeyN; return nil }); err != nil {
		t.Fatal(err)
	}
	return n
}

// same compares two scans reading by reading, whatever entries they point to.
func same(t *testing.T, what string, got, want []Recorded) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %d readings, want %d", what, len(got), len(want))
		return
	}
	for i := range got {
		g, w := got[i], want[i]
		if g.Entry == nil || g.Entry.Path != w.Entry.Path {
			t.Fatalf("%s, reading %d: entry %+v, want that of %s", what, i, g.Entry, w.Path)
		}
		if g.Entry, w.Entry = nil, nil; g != w {
			t.Fatalf("%s, reading %d:\n got %+v\nwant %+v", what, i, g, w)
		}
	}
}

// By the table of a boot that began at noon: three hours are full at 15:02, the fourth goes on.
func TestFullHoursLeaveTheHotBlocksAndReadTheSame(t *testing.T) {
	dir := t.TempDir()
	b := fast(t, dir)
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 200)
	before, hours := scanned(t, b, Query{}), hourly(t, b, Query{})
	m := tend(t, b, Keeping{})
	if m.Hours != 3 || m.Samples != 3*3600*3 {
		t.Errorf("%d hours of %d readings moved, want 3 of 32400", m.Hours, m.Samples)
	}
	// 20 minutes of the fourth hour; 120 blocks.
	if n := hotBlocks(t, b); n != 120 {
		t.Errorf("%d hot blocks are left, want 120", n)
	}
	same(t, "after the move", scanned(t, b, Query{}), before)
	if got := hourly(t, b, Query{}); !slices.Equal(got, hours) {
		t.Errorf("hours\n got %+v\nwant %+v", got, hours)
	}
	if len(hours) != 12 || hours[0].From != noon || hours[0].To != noon+reading.Wall(time.Hour) || hours[0].Good != 3600 {
		t.Errorf("hours %+v", hours)
	}
	part := Query{From: at(50 * time.Minute), To: at(190 * time.Minute), Points: []string{"b2.rack.temperature"}}
	want := slices.DeleteFunc(slices.Clone(before), func(r Recorded) bool {
		return r.Path != "b2.rack.temperature" || r.Up < 50*time.Minute || r.Up >= 190*time.Minute
	})
	same(t, "a part of one point", scanned(t, b, part), want)
	if got := hourly(t, b, part); len(got) != 4 || got[0].From != noon || got[3].Good != 1200 {
		t.Errorf("hours of a part: %+v", got)
	}

	b = reopen(t, b, dir)
	same(t, "after a restart", scanned(t, b, Query{}), before)
	if m := tend(t, b, Keeping{}); m.Hours != 1 {
		t.Errorf("the boot has ended, so its last hour is full: %d moved", m.Hours)
	}
	same(t, "with all of it packed", scanned(t, b, Query{}), before)
	if n := hotBlocks(t, b); n != 0 {
		t.Errorf("%d hot blocks are left", n)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenForReading(dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	same(t, "read only", scanned(t, r, Query{}), before)
}

func hourly(t *testing.T, b *Book, q Query) []Hour {
	t.Helper()
	var all []Hour
	if err := b.Hours(context.Background(), q, func(h Hour) error { all = append(all, h); return nil }); err != nil {
		t.Fatal(err)
	}
	return all
}

// The power goes between any two steps of a move. Whatever stands on disk then, every reading is there once, and the next Tend ends what
// was begun.
func TestAMoveMayEndBetweenAnyTwoStepsAndIsDoneAgain(t *testing.T) {
	dir := t.TempDir()
	b := fast(t, dir)
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 130)
	want, hours := scanned(t, b, Query{}), hourly(t, b, Query{})
	type image struct{ step, dir string }
	var images []image
	b.step = func(step string) error {
		to := filepath.Join(t.TempDir(), fmt.Sprint(len(images)))
		names, err := os.ReadDir(dir)
		if err != nil {
			return err
		}
		for _, n := range names {
			copyFile(t, filepath.Join(dir, n.Name()), filepath.Join(to, n.Name()))
		}
		images = append(images, image{step, to})
		return nil
	}
	k := Keeping{file: 30 * time.Minute}
	tend(t, b, k)
	b.step = nil
	same(t, "without a crash", scanned(t, b, Query{}), want)
	seen := map[string]int{}
	for _, i := range images {
		seen[i.step]++
		c := fast(t, i.dir)
		same(t, "after a crash at "+i.step, scanned(t, c, Query{}), want)
		begin(t, c, "00000002")
		tend(t, c, k)
		same(t, "and moved again, after "+i.step, scanned(t, c, Query{}), want)
		if got := hourly(t, c, Query{}); !slices.Equal(got, hours) {
			t.Errorf("after a crash at %s the hours are\n%+v, want\n%+v", i.step, got, hours)
		}
		if n := hotBlocks(t, c); n != 0 {
			t.Errorf("after a crash at %s: %d hot blocks are left", i.step, n)
		}
		left, err := filepath.Glob(filepath.Join(i.dir, "*.new"))
		if err != nil || len(left) > 0 {
			t.Errorf("after a crash at %s: %v is left over", i.step, left)
		}
	}
	for _, step := range []string{"readings", "packed", "noted", "closing", "copied", "renamed"} {
		if seen[step] == 0 {
			t.Errorf("the move was never stopped at %q", step)
		}
	}
	t.Logf("stopped at %v", seen)
}

// A block that did not fit into one transaction of deletions is left over by a crash after the first: it must not be packed again.
func TestWhatIsLeftOfAMovedHourIsNotPackedAgain(t *testing.T) {
	dir := t.TempDir()
	b := fast(t, dir)
	begin(t, b, "00000001")
	for s := range uint64(3600 + 200) {
		commit(t, b, Commit{Boot: "00000001", Through: s + 1, At: stamp(time.Duration(s) * time.Second), WallCertain: true, Samples: round(s)})
	}
	want := scanned(t, b, Query{})
	stop := errors.New("the power is gone")
	b.step = func(step string) error {
		if step == "noted" {
			return stop
		}
		return nil
	}
	if _, _, err := b.Tend(context.Background(), 0, Keeping{}); !errors.Is(err, stop) {
		t.Fatal(err)
	}
	if n := hotBlocks(t, b); n != 3800-deleteMax {
		t.Errorf("%d blocks are left, want all but %d", n, deleteMax)
	}
	b = reopen(t, b, dir)
	same(t, "with blocks left over", scanned(t, b, Query{}), want)
	tend(t, b, Keeping{})
	same(t, "afterwards", scanned(t, b, Query{}), want)
}

// A slow line: a reading of 12:59 is committed at 13:05, after its hour was packed. It comes with the next hour, once.
func TestAReadingThatComesTooLateForItsHourIsKept(t *testing.T) {
	b := fast(t, t.TempDir())
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 63)
	tend(t, b, Keeping{})
	late := round(3590)
	for i := range late {
		late[i].Raw++
	}
	commit(t, b, Commit{Boot: "00000001", Through: 4000, At: stamp(65 * time.Minute), WallCertain: true, Samples: late})
	minutes(t, b, "00000001", 67, 125)
	count := func() (n int) {
		for _, r := range scanned(t, b, Query{}) {
			if r.Slot == 3590 {
				n++
			}
		}
		return n
	}
	if n := count(); n != 6 {
		t.Errorf("hot: %d readings of the slot, want the three and the three late ones", n)
	}
	if m := tend(t, b, Keeping{}); m.Hours != 1 {
		t.Errorf("%d hours moved, want 1", m.Hours)
	}
	if n := count(); n != 6 {
		t.Errorf("packed: %d readings of the slot, want the three and the three late ones", n)
	}
}

// A reader is slow, and the hours it reads move under it.
func TestAScanThatAnHourMovesUnderLosesAndDoublesNothing(t *testing.T) {
	for _, when := range []int{0, 1, 5000, 9000, 10799, 10801, 21000} {
		b := fast(t, t.TempDir())
		begin(t, b, "00000001")
		minutes(t, b, "00000001", 0, 125)
		want := scanned(t, b, Query{})
		var got []Recorded
		if err := b.Scan(context.Background(), Query{}, func(r Recorded) error {
			if len(got) == when {
				tend(t, b, Keeping{})
			}
			got = append(got, r)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		same(t, fmt.Sprintf("moved at reading %d", when), got, want)
	}
}

// Files of half an hour. Of six the oldest go by age, with a gap that says so.
func TestWhatIsOldEnoughGoesAsAWholeFileWithARecordedGap(t *testing.T) {
	dir := t.TempDir()
	b := fast(t, dir)
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 6*60+3)
	k := Keeping{file: 30 * time.Minute}
	if m := tend(t, b, k); len(m.Closed) != 12 || len(m.Dropped) != 0 {
		t.Fatalf("closed %v, dropped %v; want six files of each kind, none dropped", m.Closed, m.Dropped)
	}
	k.Readings = 3 * time.Hour
	m, _, err := b.Tend(context.Background(), 7*time.Hour, k)
	if err != nil || !slices.Equal(m.Dropped, []string{"readings-000001.db"}) || len(m.Gaps) != 1 || m.Gaps[0].Cause != GapRetention || m.Gaps[0].Readings != 3600*3 {
		t.Fatalf("at 19:00: dropped %v, gaps %+v, %v; want the first file alone", m.Dropped, m.Gaps, err)
	}
	if _, err := os.Stat(filepath.Join(dir, "readings-000001.db")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the file is there still: %v", err)
	}
	all := scanned(t, b, Query{})
	if all[0].Up != time.Hour {
		t.Errorf("the first reading is of %v, want an hour after the start", all[0].Up)
	}
	gaps, err := b.Gaps(context.Background(), time.Time{}, time.Time{})
	if err != nil || len(gaps) != 1 || gaps[0].From != noon || gaps[0].To != noon+reading.Wall(time.Hour-time.Second) || !gaps[0].Certain {
		t.Errorf("gaps %+v, %v", gaps, err)
	}
	if h := hourly(t, b, Query{}); len(h) != 21 {
		t.Errorf("%d hours put together, want all seven of three points", len(h))
	}
	// The note is on disk and the file not yet deleted when the power goes.
	stop := errors.New("the power is gone")
	b.step = func(step string) error {
		if step == "gone" {
			return stop
		}
		return nil
	}
	if _, _, err := b.Tend(context.Background(), 8*time.Hour, k); !errors.Is(err, stop) {
		t.Fatal(err)
	}
	b = reopen(t, b, dir)
	tend(t, b, Keeping{})
	if left, _ := filepath.Glob(filepath.Join(dir, "readings-*")); len(left) != 4+1 { // the ended boot's last hour makes another
		t.Errorf("files %v", left)
	}
}

// A budget of a few files: the oldest readings go first, the hours put together stay.
func TestABudgetIsKeptByLettingTheOldestReadingsGo(t *testing.T) {
	dir := t.TempDir()
	b := fast(t, dir)
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 6*60+3)
	k := Keeping{file: 30 * time.Minute}
	tend(t, b, k)
	used := func() (n int64) {
		names, _ := os.ReadDir(dir)
		for _, e := range names {
			info, err := e.Info()
			if err != nil {
				t.Fatal(err)
			}
			n += info.Size()
		}
		return n
	}
	k.Budget = used() - 2*b.sizeOf(fileID{kindReadings, 1}) + 1
	m := tend(t, b, k)
	if want := []string{"readings-000001.db", "readings-000002.db"}; !slices.Equal(m.Dropped, want) || used() > k.Budget {
		t.Errorf("dropped %v, %d of %d bytes used; want %v", m.Dropped, used(), k.Budget, want)
	}
	if len(m.Gaps) != 2 || m.Gaps[0].Cause != GapBudget {
		t.Errorf("gaps %+v", m.Gaps)
	}
	if h := hourly(t, b, Query{}); len(h) != 21 {
		t.Errorf("%d hours put together", len(h))
	}
	if all := scanned(t, b, Query{}); all[0].Up != 2*time.Hour {
		t.Errorf("the first reading is of %v", all[0].Up)
	}
}

// A box boots in 1970 and learns the time an hour later: by then a year has not passed.
func TestABootIn1970IsNotOldEnoughForAnything(t *testing.T) {
	b := fast(t, t.TempDir())
	if err := b.Begin(BootRow{Nonce: "00000001", WallAtZero: 0}, larkfield()); err != nil {
		t.Fatal(err)
	}
	for s := 0; s < 7500; s += 10 {
		c := Commit{Boot: "00000001", Through: uint64(s + 10), At: reading.Stamp{Wall: reading.Wall(s * 1e9), Up: time.Duration(s) * time.Second}}
		for i := range 10 {
			c.Samples = append(c.Samples, round(uint64(s+i))...)
		}
		commit(t, b, c)
	}
	k := Keeping{Readings: 365 * 24 * time.Hour, Hours: 365 * 24 * time.Hour, Events: 365 * 24 * time.Hour, file: 30 * time.Minute}
	m, _, err := b.Tend(context.Background(), 0, k) // the clock is certain, the boot's row is not yet put right
	if err != nil || m.Hours != 2 || len(m.Dropped) != 0 {
		t.Fatalf("%d hours moved, dropped %v, %v", m.Hours, m.Dropped, err)
	}
	c := full("00000001", 8000)
	c.At = reading.Stamp{Wall: noon + reading.Wall(8000*time.Second), Up: 8000 * time.Second}
	commit(t, b, c)
	if m := tend(t, b, k); len(m.Dropped) != 0 {
		t.Errorf("dropped %v", m.Dropped)
	}
	all := scanned(t, b, Query{})
	if all[0].At != noon || !all[0].Certain {
		t.Errorf("the first reading is of %v, certain %v; want noon: one row puts all right", all[0].At.Time(), all[0].Certain)
	}
}

// Events and excursions have a time of their own. The open excursion of seq 3 keeps all that came after it.
func TestEventsGoWhenTheyAreOldEnoughButNotFromUnderAnOpenExcursion(t *testing.T) {
	b := fast(t, t.TempDir())
	begin(t, b, "00000001")
	for seq := uint64(1); seq <= 5; seq++ {
		c := full("00000001", seq)
		c.Excursions[0].Open = seq == 3
		commit(t, b, c)
	}
	k := Keeping{Events: time.Hour}
	m, _, err := b.Tend(context.Background(), time.Hour+2*time.Second, k)
	if err != nil || m.Events != 1 {
		t.Fatalf("two seconds on, %d events went, %v; want the first", m.Events, err)
	}
	if m, _, err = b.Tend(context.Background(), 2*time.Hour, k); err != nil || m.Events != 1 {
		t.Errorf("later, %d events went, %v; want the second alone", m.Events, err)
	}
	if e := events(t, b); len(e) != 3 || e[0].ID != (event.ID{Boot: "00000001", Seq: 3}) {
		t.Errorf("events %v", e)
	}
	if x, err := b.Excursions("", 0); err != nil || len(x) != 3 {
		t.Errorf("%d excursions, %v", len(x), err)
	}
	gaps, err := b.Gaps(context.Background(), time.Time{}, time.Time{})
	if err != nil || len(gaps) != 1 || gaps[0].Cause != GapEvents || gaps[0].Events != 2 || cmp.Compare(gaps[0].From, noon+reading.Wall(time.Second)) != 0 {
		t.Errorf("gaps %+v, %v", gaps, err)
	}
}

// The logbook.db was moved away and begun anew; the files beside it are of the old one and are not written over.
func TestAFileOfAnotherLogbookIsLeftAlone(t *testing.T) {
	dir := t.TempDir()
	b := fast(t, dir)
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 63)
	tend(t, b, Keeping{})
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(filepath.Join(dir, "readings-000001.db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir, fileName), filepath.Join(t.TempDir(), fileName)); err != nil {
		t.Fatal(err)
	}
	b = fast(t, dir)
	begin(t, b, "00000009")
	minutes(t, b, "00000009", 0, 63)
	tend(t, b, Keeping{})
	if n := len(scanned(t, b, Query{})); n != 63*60*3 {
		t.Errorf("%d readings", n)
	}
	after, err := os.ReadFile(filepath.Join(dir, "readings-000001.db"))
	if err != nil || !slices.Equal(before, after) {
		t.Errorf("the old file changed, %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "readings-000002.db")); err != nil {
		t.Error(err)
	}
}

// A book that held a great deal and let it go is small again, and says the same.
func TestACompactedBookIsSmallerAndReadsTheSame(t *testing.T) {
	dir := t.TempDir()
	b := fast(t, dir)
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 200)
	tend(t, b, Keeping{})
	want := scanned(t, b, Query{})
	c, err := b.Contents(context.Background())
	if err != nil || c.Hot != 120 || c.FreeBytes == 0 || len(c.Files) != 2 || c.Files[1].Readings != 3*3600*3 || c.Files[1].From != noon {
		t.Errorf("contents %+v, %v", c, err)
	}
	if _, _, err := Compact(dir, nil); !errors.Is(err, ErrInUse) {
		t.Errorf("beside the daemon: %v, want ErrInUse", err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	before, after, err := Compact(dir, nil)
	if err != nil || after >= before {
		t.Errorf("%d bytes before, %d after, %v", before, after, err)
	}
	b = fast(t, dir)
	same(t, "compacted", scanned(t, b, Query{}), want)
}
