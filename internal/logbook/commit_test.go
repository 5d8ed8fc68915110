package logbook

import (
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func TestARestartFindsEverythingAndContinues(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "book")
	b := open(t, dir)
	if r, err := b.Restore(); err != nil || r.States != nil || r.Before != (engine.Before{}) {
		t.Fatalf("a new book restores %+v, %v", r, err)
	}
	begin(t, b, "00000001")
	for seq := uint64(1); seq <= 20; seq++ {
		commit(t, b, full("00000001", seq))
	}
	b = reopen(t, b, dir)
	want := Restored{
		States:  []engine.StateRow{{Name: "", Data: []byte(`{"site":true}`)}, {Name: "b2", Data: []byte(`{"seq":20}`)}},
		Before:  engine.Before{Nonce: "00000001", Last: noon + reading.Wall(20*time.Second), WallCertain: true, Hash: "0123456789ab"},
		Boots:   1,
		Waiting: 20,
		Floor:   stamp(20 * time.Second).Wall,
	}
	got, err := b.Restore()
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Fatalf("restored (-want +got):\n%s", d)
	}
	// A boot that comes to nothing between two others changes nothing of what is known.
	begin(t, b, "00000002")
	b = reopen(t, b, dir)
	want.Boots = 2
	if got, err = b.Restore(); err != nil || cmp.Diff(want, got) != "" {
		t.Fatalf("after an idle boot: %v\n%s", err, cmp.Diff(want, got))
	}
	begin(t, b, "00000003")
	commit(t, b, full("00000003", 1))
	es := events(t, b)
	if len(es) != 21 {
		t.Fatalf("%d events, want 21", len(es))
	}
	for i, e := range es {
		want := raised("00000001", uint64(i+1))
		if i == 20 {
			want = raised("00000003", 1)
		}
		if d := cmp.Diff(want, e); d != "" {
			t.Errorf("event %d (-want +got):\n%s", i, d)
		}
	}
	if last, err := b.LastEvents(event.ID{Boot: "00000003", Seq: 1}, 2); err != nil || len(last) != 2 || last[0].ID.Seq != 20 || last[1].ID.Seq != 19 {
		t.Errorf("before the last event stand %v, %v", last, err)
	}
	if last, err := b.LastEvents(event.ID{}, 1); err != nil || len(last) != 1 || last[0].ID.Boot != "00000003" {
		t.Errorf("last of all is %v, %v", last, err)
	}
	if xs, err := b.Excursions("00000001-19", 0); err != nil || len(xs) != 2 || xs[0].ID != "00000001-20" || xs[1].ID != "00000003-1" {
		t.Errorf("excursions after the nineteenth: %v, %v", xs, err)
	}
	kept := samples(t, b)
	if len(kept) != 63 {
		t.Fatalf("%d samples, want 63", len(kept))
	}
	for i, k := range kept {
		slot := uint64(i/3 + 1)
		if slot == 21 {
			slot = 1
		}
		want := round(slot)[i%3]
		if k.Point.Path != larkfield()[i%3].Path || k.Slot != slot || k.Raw != want.Raw || k.Up != want.At.Up ||
			k.Fault != reading.Answered || k.Reason != reading.Believed {
			t.Errorf("sample %d: %+v of %s, want %+v", i, k, k.Point.Path, want)
		}
	}
}

func TestACommitTriedAgainStandsOnce(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir)
	begin(t, b, "00000001")
	commit(t, b, full("00000001", 1))
	second := full("00000001", 2)
	for range 3 {
		commit(t, b, second)
	}
	if n := len(events(t, b)); n != 2 {
		t.Errorf("%d events, want 2", n)
	}
	if n := len(samples(t, b)); n != 6 {
		t.Errorf("%d samples, want 6", n)
	}
	if n, _ := b.Waiting("duty"); n != 2 {
		t.Errorf("%d messages wait, want 2", n)
	}
	if err := b.Commit(full("00000001", 1)); !errors.Is(err, ErrOutOfOrder) {
		t.Errorf("an older commit: %v, want ErrOutOfOrder", err)
	}
	commit(t, b, full("00000001", 3))
	if n, _ := b.Waiting("duty"); n != 3 {
		t.Errorf("%d messages wait, want 3", n)
	}
}

// A failed sync leaves it open whether a commit reached the disk. Here it did, the caller was told that it did not, and what it
// then offers is everything since the last success in one larger commit.
func TestACommitThatReachedTheDiskUnnoticedIsReplacedByALargerOne(t *testing.T) {
	b := open(t, t.TempDir())
	begin(t, b, "00000001")
	commit(t, b, full("00000001", 1))
	before := b.acked
	commit(t, b, full("00000001", 2))
	commit(t, b, full("00000001", 3))
	row, ok, err := b.Next("duty")
	for range 2 { // messages 1 and 2 are told meanwhile
		if err != nil || !ok {
			t.Fatal(ok, err)
		}
		if err := b.End("duty", row.Number, "delivered", stamp(3*time.Second), ""); err != nil {
			t.Fatal(err)
		}
		row, ok, err = b.Next("duty")
	}
	b.acked = before // as if both had failed
	c := full("00000001", 4)
	c.Samples = append(append(round(2), round(3)...), c.Samples...)
	c.Events = []event.Event{raised("00000001", 2), raised("00000001", 3), raised("00000001", 4)}
	c.Outbox = append(append(full("00000001", 2).Outbox, full("00000001", 3).Outbox...), c.Outbox...)
	commit(t, b, c)

	seen := map[string]int{}
	for _, k := range samples(t, b) {
		seen[fmt.Sprint(k.Point.Path, k.Slot)]++
	}
	if len(seen) != 12 {
		t.Errorf("%d different samples, want 12", len(seen))
	}
	for s, n := range seen {
		if n != 1 {
			t.Errorf("sample %s stands %d times", s, n)
		}
	}
	if n := len(events(t, b)); n != 4 {
		t.Errorf("%d events, want 4", n)
	}
	var waiting []string
	for {
		row, ok, err := b.Next("duty")
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			break
		}
		waiting = append(waiting, string(row.Body))
		if err := b.End("duty", row.Number, "delivered", stamp(5*time.Second), ""); err != nil {
			t.Fatal(err)
		}
	}
	if d := cmp.Diff([]string{"message 3", "message 4"}, waiting); d != "" {
		t.Errorf("told after the larger commit (-want +got):\n%s", d)
	}
}

func TestABootIsEnteredOnceAndANonceServesOnce(t *testing.T) {
	b := open(t, t.TempDir())
	if err := b.Commit(full("00000001", 1)); !errors.Is(err, ErrNotBegun) {
		t.Errorf("before the boot is entered: %v, want ErrNotBegun", err)
	}
	begin(t, b, "00000001")
	begin(t, b, "00000001") // nobody knows whether the first was written
	commit(t, b, full("00000001", 1))
	if err := b.Begin(BootRow{Nonce: "00000001", WallAtZero: noon, WallCertain: true, Hash: "0123456789ab", Version: "test"}, larkfield()); !errors.Is(err, ErrNonceUsed) {
		t.Errorf("the nonce of a boot that has committed: %v, want ErrNonceUsed", err)
	}
	begin(t, b, "00000002")
	if err := b.Commit(full("00000001", 2)); !errors.Is(err, ErrNotBegun) {
		t.Errorf("a commit of the boot before: %v, want ErrNotBegun", err)
	}
	c := full("00000002", 1)
	c.Events[0].ID.Boot = "00000001"
	if err := b.Commit(c); !errors.Is(err, ErrWrongBoot) {
		t.Errorf("an event of the boot before: %v, want ErrWrongBoot", err)
	}
	rows, err := b.Boots()
	if err != nil || len(rows) != 2 || rows[0].Last == nil || rows[0].Last.Through != 1 || rows[1].Last != nil {
		t.Errorf("boots are %+v, %v", rows, err)
	}
	commit(t, b, full("00000002", 5))
	rows, err = b.Boots() // the first commit of the second boot does not take the last of the first away
	if err != nil || len(rows) != 2 || rows[0].Last == nil || rows[0].Last.Through != 1 || rows[1].Last == nil || rows[1].Last.Through != 5 {
		t.Errorf("boots are then %+v, %v", rows, err)
	}
}

// 1970-01-01 00:00:07: a box without a battery clock has booted. Five minutes later it learns the time.
func TestABootIn1970IsPutRightInOneRow(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir)
	if err := b.Begin(BootRow{Nonce: "00000001", WallAtZero: reading.Wall(7 * time.Second)}, larkfield()); err != nil {
		t.Fatal(err)
	}
	early := full("00000001", 1)
	early.WallCertain, early.At.Wall = false, reading.Wall(8*time.Second)
	commit(t, b, early)
	rows, err := b.Boots()
	if err != nil || rows[0].WallCertain || rows[0].WallAtZero != reading.Wall(7*time.Second) {
		t.Fatalf("before: %+v, %v", rows, err)
	}
	commit(t, b, full("00000001", 300))
	for range 2 {
		if rows, err = b.Boots(); err != nil || !rows[0].WallCertain || rows[0].WallAtZero != noon {
			t.Fatalf("after: %+v, %v", rows, err)
		}
		b = reopen(t, b, dir)
	}
}

// What an earlier start knew of the clock is there for the next: the last wall clock that was certain, put right with its boot, and that
// the system has called it synchronised once.
func TestARestartKnowsTheLastCertainClockAndThatItWasSynchronised(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir)
	restored := func() Restored {
		t.Helper()
		r, err := b.Restore()
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	if r := restored(); r.Floor != 0 || r.Synced {
		t.Errorf("a new book knows %+v", r)
	}
	begin(t, b, "00000001")
	commit(t, b, full("00000001", 40))
	b = reopen(t, b, dir)
	if r := restored(); r.Floor != noon+reading.Wall(40*time.Second) || r.Synced {
		t.Errorf("after a certain boot: %v synced %t", r.Floor.Time(), r.Synced)
	}
	if err := b.Begin(BootRow{Nonce: "00000002", WallAtZero: reading.Wall(7 * time.Second)}, larkfield()); err != nil {
		t.Fatal(err)
	}
	c := full("00000002", 3)
	c.WallCertain, c.At.Wall = false, reading.Wall(10*time.Second)
	commit(t, b, c)
	b = reopen(t, b, dir)
	if r := restored(); r.Floor != noon+reading.Wall(40*time.Second) || r.Synced || r.Before.WallCertain {
		t.Errorf("after a boot in 1970: %v synced %t", r.Floor.Time(), r.Synced)
	}
	begin(t, b, "00000003")
	c = full("00000003", 50)
	c.Synced = true
	commit(t, b, c)
	b = reopen(t, b, dir)
	if r := restored(); r.Floor != noon+reading.Wall(50*time.Second) || !r.Synced {
		t.Errorf("after a synchronised boot: %v synced %t", r.Floor.Time(), r.Synced)
	}
}

// The technician exchanges the sensor: the same point is now another type at another scale.
func TestOldBlocksReadRightAfterTheMapChanged(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir)
	begin(t, b, "00000001")
	commit(t, b, full("00000001", 1))
	begin(t, b, "00000002")
	commit(t, b, full("00000002", 1))
	changed := larkfield()
	changed[0].Type, changed[0].Scale = "float32", 1
	if err := b.Begin(BootRow{Nonce: "00000003"}, changed); err != nil {
		t.Fatal(err)
	}
	commit(t, b, full("00000003", 1))
	b = reopen(t, b, dir)
	var types []string
	for _, k := range samples(t, b) {
		if k.Point.Path == "b2.rack.oxygen" {
			types = append(types, fmt.Sprint(k.Point.Type, " x ", k.Point.Scale))
		}
	}
	if d := cmp.Diff([]string{"int16 x 0.1", "int16 x 0.1", "float32 x 1"}, types); d != "" {
		t.Errorf("oxygen over three boots (-want +got):\n%s", d)
	}
	if r := reportOf(t, b, dir); r.Entries != 4 || r.Names != 1 {
		t.Errorf("%d entries and %d name tables, want 4 and 1: what does not change is not written again", r.Entries, r.Names)
	}
}

// A later program has another order of reasons. The block says which table it was written with.
func TestNamesAreReadFromTheTableOfTheBlock(t *testing.T) {
	d := &dictionary{
		entries: map[uint32]*Entry{1: {Path: "b2.rack.oxygen", Type: "int16", Slot: time.Second}},
		names: map[uint32]*names{
			1: {Reasons: []string{"believed", "silent", "moon_is_full"}, Faults: []string{"timeout", "answered"}},
		},
	}
	c := newColumns(1, []uint32{1}, []Entry{*d.entries[1]})
	raw, err := c.encode(place, stamp(time.Second), true, []Sample{
		{Sample: reading.Sample{Slot: 1, Raw: 70, Fault: reading.Answered}, Reason: 0},
		{Sample: reading.Sample{Slot: 2, Fault: 0}, Reason: 1},
		{Sample: reading.Sample{Slot: 3, Fault: 0}, Reason: 2},
		{Sample: reading.Sample{Slot: 4, Fault: 0}, Reason: 3},
	})
	if err != nil {
		t.Fatal(err)
	}
	block := Block{Key: BlockKey{3, 77}, raw: raw, dictionary: d}
	var got []string
	err = block.Each(func(k Kept) error {
		got = append(got, fmt.Sprintf("%s/%v %s/%v", k.FaultName, k.Fault, k.ReasonName, k.Reason))
		return nil
	})
	want := []string{"answered/answered believed/believed", "timeout/timeout silent/silent", "timeout/timeout moon_is_full/unknown",
		"timeout/timeout number 3/unknown"}
	if d := cmp.Diff(want, got); err != nil || d != "" {
		t.Errorf("%v, (-want +got):\n%s", err, d)
	}
}

func reportOf(t *testing.T, b *Book, dir string) Report {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	copyFile(t, filepath.Join(dir, fileName), filepath.Join(to, fileName))
	return mustBeSound(t, to)
}

// The power fails between two commits: what is in the file then is a whole book of all commits before.
func TestACopyTakenBetweenCommitsIsAWholeBook(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir)
	begin(t, b, "00000001")
	for seq := uint64(1); seq <= 40; seq++ {
		commit(t, b, full("00000001", seq))
		r := reportOf(t, b, dir)
		if r.Events != int(seq) || r.Blocks != int(seq) || r.Samples != 3*int(seq) || r.Waiting != int(seq) || r.Excursions != int(seq) || r.States != 2 {
			t.Fatalf("after %d commits the copy holds %+v", seq, r)
		}
	}
}

// While blocks are read page by page commits go on; none waits for the reader, and the reader comes to the end of what there is.
func TestReadingBlocksHoldsNoTransaction(t *testing.T) {
	b := open(t, t.TempDir())
	begin(t, b, "00000001")
	for seq := uint64(1); seq <= 3*blocksMax/2; seq++ {
		commit(t, b, full("00000001", seq))
	}
	next, seen := uint64(3*blocksMax/2+1), uint64(0)
	err := b.Blocks(BlockKey{}, func(block *Block) error {
		if n := b.db.Stats().OpenTxN; n != 0 {
			t.Fatalf("%d transactions are open while the caller works", n)
		}
		if seen++; block.Key.Through != seen {
			t.Fatalf("block %d comes as number %d", block.Key.Through, seen)
		}
		if next <= 2*blocksMax {
			commit(t, b, full("00000001", next))
			next++
		}
		return nil
	})
	if err != nil || seen != 2*blocksMax {
		t.Errorf("%d blocks, %v; want %d", seen, err, 2*blocksMax)
	}
	stop := errors.New("stop")
	if err := b.Blocks(BlockKey{1, 5}, func(block *Block) error {
		if block.Key.Through != 6 {
			t.Errorf("after block 5 comes %d", block.Key.Through)
		}
		return stop
	}); err != stop {
		t.Errorf("the caller's error comes back as %v", err)
	}
}

func TestAnEntryHoldsWhatItTakesToReadAWord(t *testing.T) {
	unit, err := quantity.ParseUnit("ug/L", quantity.DissolvedOxygen)
	if err != nil {
		t.Fatal(err)
	}
	s := &site.Site{
		Buses:   []site.Bus{{Period: time.Second}},
		Sensors: []site.Sensor{{Bus: 0, Every: 5}},
		Points: []site.Point{
			{Path: "b2.oxygen-again", Sensor: site.None, Derive: site.Derive{By: site.ResistivityOf}},
			{Path: "b2.rack.oxygen", Quantity: quantity.DissolvedOxygen, Unit: unit, Resolution: 0.1,
				Decode: site.Decode{Type: site.Int16, Order: site.CDAB, Scale: 0.1, Offset: -2, NoValue: []uint64{0xFFFF_FFFF_FFFF_8000}}},
		},
	}
	got := EntriesOf(s)
	want := Entry{Path: "b2.rack.oxygen", Type: "int16", Order: "CDAB", Scale: 0.1, Offset: -2, NoValue: []uint64{0xFFFF_FFFF_FFFF_8000},
		Quantity: quantity.DissolvedOxygen.String(), Unit: "ug/L", Resolution: 0.1, Slot: time.Second, Every: 5}
	if d := cmp.Diff(want, got[1]); d != "" || len(got) != 2 || got[0].Type != "" {
		t.Errorf("entries %+v (-want +got):\n%s", got, d)
	}
	// It is the same after it was on disk, to the last bit of the no-value word.
	row, err := sealJSON(keyLast, got[1])
	var back Entry
	if err := errors.Join(err, unsealJSON(keyLast, row, &back)); err != nil || cmp.Diff(want, back) != "" {
		t.Errorf("from disk: %v\n%s", err, cmp.Diff(want, back))
	}
}
