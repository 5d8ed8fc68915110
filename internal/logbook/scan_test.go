package logbook

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"rillwatch/internal/panel/validate"
	"rillwatch/internal/reading"
)

func scanned(t *testing.T, b *Book, q Query) []Recorded {
	t.Helper()
	var all []Recorded
	if err := b.Scan(context.Background(), q, func(r Recorded) error { all = append(all, r); return nil }); err != nil {
		t.Fatal(err)
	}
	return all
}

func at(up time.Duration) time.Time { return (noon + reading.Wall(up)).Time() }

// Two starts; the second round of the first start is committed after its third, as a slow bus does it.
func TestReadingsComeBackInOrderOfTimeWithWhatTheyMeant(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir)
	begin(t, b, "00000001")
	for i, slot := range []uint64{1, 3, 2, 4} {
		commit(t, b, Commit{Boot: "00000001", Through: uint64(i + 1), At: stamp(time.Duration(i+4) * time.Second), WallCertain: true, Samples: round(slot)})
	}
	b = reopen(t, b, dir)
	if err := b.Begin(BootRow{Nonce: "00000002", WallAtZero: noon + reading.Wall(time.Hour), WallCertain: true}, larkfield()); err != nil {
		t.Fatal(err)
	}
	commit(t, b, Commit{Boot: "00000002", Through: 1, At: stamp(9 * time.Second), WallCertain: true, Samples: round(8)})

	all := scanned(t, b, Query{})
	if len(all) != 15 {
		t.Fatalf("%d readings, want 15", len(all))
	}
	for i := 1; i < len(all); i++ {
		if all[i].At < all[i-1].At {
			t.Errorf("reading %d is of %v, the one before of %v", i, all[i].At.Time(), all[i-1].At.Time())
		}
	}
	// slot 2: raw 72 in tenths, 25.2 degC, valve bit 0 inverted
	for i, want := range []float64{7.2, 25.2, 1} {
		r := all[3+i]
		if r.Slot != 2 || r.Value < want-1e-6 || r.Value > want+1e-6 || !r.HasValue() || r.Bound != reading.Exact || r.At != noon+reading.Wall(2*time.Second) || !r.Certain {
			t.Errorf("slot 2, point %d: %+v, want %v", i, r, want)
		}
	}
	if got := all[14].At; got != noon+reading.Wall(time.Hour+8*time.Second) {
		t.Errorf("the second start's reading is of %v", got.Time())
	}

	only := scanned(t, b, Query{From: at(2 * time.Second), To: at(4 * time.Second), Points: []string{"b2.rack.oxygen"}})
	if len(only) != 2 || only[0].Slot != 2 || only[1].Slot != 3 || only[0].Path != "b2.rack.oxygen" {
		t.Errorf("from second 2 to before 4, oxygen alone: %+v", only)
	}
	if all := scanned(t, b, Query{From: at(2 * time.Hour)}); len(all) != 0 {
		t.Errorf("of a time after the last: %d readings", len(all))
	}
	paths, err := b.Points()
	if want := []string{"b2.rack.oxygen", "b2.rack.temperature", "b2.valve.closed"}; err != nil || !slices.Equal(paths, want) {
		t.Errorf("points %v, %v; want %v", paths, err, want)
	}
	gaps, err := b.Gaps(context.Background(), time.Time{}, time.Time{})
	if err != nil || len(gaps) != 1 || gaps[0].Cause != GapNotRunning || gaps[0].From != noon+reading.Wall(7*time.Second) || gaps[0].To != noon+reading.Wall(time.Hour) {
		t.Errorf("gaps %+v, %v; want one from the last commit to the next start", gaps, err)
	}
}

func TestAScanEndsWithItsCallerAndItsContext(t *testing.T) {
	b := open(t, t.TempDir())
	begin(t, b, "00000001")
	commit(t, b, full("00000001", 1))
	enough := errors.New("enough")
	if err := b.Scan(context.Background(), Query{}, func(Recorded) error { return enough }); !errors.Is(err, enough) {
		t.Errorf("the caller's error: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := b.Scan(ctx, Query{}, func(Recorded) error { t.Error("a reading after the end"); return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("after the end of the context: %v", err)
	}
	// While a reader works a commit goes through: no transaction is open under it.
	err := b.Scan(context.Background(), Query{}, func(r Recorded) error {
		commit(t, b, full("00000001", r.Slot+uint64(len(r.Path))+b.Stats().Commits))
		return enough
	})
	if !errors.Is(err, enough) {
		t.Error(err)
	}
}

func TestACeilingComesBackAsItWasJudged(t *testing.T) {
	b := open(t, t.TempDir())
	low, high := 0.5, 20.0
	entries := []Entry{{Path: "b2.rack.oxygen", Type: "uint16", Scale: 0.1, Slot: time.Second, Every: 1, Floor: &low, Ceiling: &high},
		{Path: "b2.rack.old", Type: "uint16", Scale: 0.1, Slot: time.Second, Every: 1}}
	if err := b.Begin(BootRow{Nonce: "00000001"}, entries); err != nil {
		t.Fatal(err)
	}
	s := func(point int, slot, raw uint64, why reading.Reason) Sample {
		return Sample{Point: point, Sample: reading.Sample{Slot: slot, Raw: raw, Fault: reading.Answered, At: stamp(time.Duration(slot) * time.Second)}, Reason: why}
	}
	silent := Sample{Point: 0, Sample: reading.Sample{Slot: 5, Fault: reading.Timeout, At: stamp(5 * time.Second)}, Reason: reading.Silent}
	commit(t, b, Commit{Boot: "00000001", Through: 1, At: stamp(6 * time.Second), Samples: []Sample{
		s(0, 1, 253, reading.AboveCeiling), s(0, 2, 253, reading.NoFlow), s(0, 3, 3, reading.BelowDetection), s(0, 4, 93, reading.Believed), silent,
		s(1, 6, 253, reading.AboveCeiling)}})
	want := []struct {
		value float64
		bound reading.Bound
	}{{20, reading.Above}, {20, reading.Above}, {0.5, reading.Below}, {9.3, reading.Exact}, {0, reading.Exact}, {25.3, reading.Above}}
	all := scanned(t, b, Query{})
	for i, r := range all {
		if r.Value != want[i].value || r.Bound != want[i].bound || r.HasValue() != (i != 4) {
			t.Errorf("slot %d: %v %v %s, want %+v", r.Slot, r.Bound, r.Value, r.ReasonName, want[i])
		}
	}
	var hours []Hour
	if err := b.Hours(context.Background(), Query{Points: []string{"b2.rack.oxygen"}}, func(h Hour) error { hours = append(hours, h); return nil }); err != nil {
		t.Fatal(err)
	}
	// counted: above the ceiling, below the floor, believed; not the one without flow
	if len(hours) != 1 || hours[0].Good != 2 || hours[0].Uncertain != 2 || hours[0].Bad != 1 || hours[0].Counted != 3 ||
		hours[0].Min != 0.5 || hours[0].Max != 20 || hours[0].Last != 9.3 || hours[0].Mean != (20+0.5+9.3)/3 {
		t.Errorf("hours %+v", hours)
	}
}

func TestABookOpenForReadingChangesNothing(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir)
	begin(t, b, "00000001")
	commit(t, b, full("00000001", 1))
	if _, err := OpenForReading(dir, 0); !errors.Is(err, ErrInUse) {
		t.Errorf("beside the daemon: %v, want ErrInUse", err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenForReading(dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(scanned(t, r, Query{})); n != 3 {
		t.Errorf("%d readings, want 3", n)
	}
	if err := r.Begin(BootRow{Nonce: "00000002"}, larkfield()); err == nil {
		t.Error("it lets a boot begin")
	}
	again, err := OpenForReading(dir, 0)
	if err != nil {
		t.Fatalf("a second reader: %v", err)
	}
	for _, b := range []*Book{r, again} {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}
	if _, err := OpenForReading(t.TempDir(), 0); !errors.Is(err, ErrNotThere) {
		t.Errorf("where there is none: %v", err)
	}
}

// The short way for whole numbers gives what judging gave, to the last bit.
func TestAWholeNumberIsScaledAsItWasJudged(t *testing.T) {
	for _, scale := range []float64{1, 0.1, 0.01, 0.001, -0.1, 0.25, 0.3, 2, 1.0 / 3, 1e-9, 7.7} {
		for _, offset := range []float64{0, -273.15, 0.1} {
			e := Entry{Path: "x", Type: "int16", Order: "ABCD", Scale: scale, Offset: offset}
			j := newJudge(&e)
			for raw := int64(-300); raw < 300; raw += 7 {
				_, out := validate.Step(&j.point, 0, validate.State{}, validate.Input{Raw: uint64(raw), Fault: reading.Answered})
				got, _ := j.value(uint64(raw), reading.Answered, reading.Believed)
				if all := j.plainValues(nil, []uint64{uint64(raw)}); got != out.Reading.Value || all[0] != got {
					t.Fatalf("%d x %v + %v is %v and %v, judged %v", raw, scale, offset, got, all[0], out.Reading.Value)
				}
			}
		}
	}
}

// Packed, hot and in between: the values of a column are those a scan gives.
func TestColumnsHoldWhatAScanGives(t *testing.T) {
	b := fast(t, t.TempDir())
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 64)
	silent := round(64 * 60)
	for i := range silent {
		silent[i].Fault, silent[i].Reason, silent[i].Raw = reading.Timeout, reading.Silent, 0
	}
	commit(t, b, Commit{Boot: "00000001", Through: 4000, At: stamp(65 * time.Minute), WallCertain: true, Samples: silent})
	for _, moved := range []bool{false, true} {
		if moved {
			tend(t, b, Keeping{})
		}
		for _, q := range []Query{{}, {From: at(10 * time.Minute), To: at(62 * time.Minute), Points: []string{"b2.rack.oxygen", "b2.valve.closed"}}} {
			want, got := map[string][]float64{}, map[string][]float64{}
			for _, r := range scanned(t, b, q) {
				if r.HasValue() {
					want[r.Path] = append(want[r.Path], r.Value)
				}
			}
			if err := b.Columns(context.Background(), q, func(c *Column) (err error) {
				got[c.Path], err = c.Values(got[c.Path])
				return err
			}); err != nil {
				t.Fatal(err)
			}
			for path := range want {
				if !slices.Equal(got[path], want[path]) || len(want[path]) < 52*60 {
					t.Errorf("moved %v, %s: %d values, a scan gives %d", moved, path, len(got[path]), len(want[path]))
				}
			}
			if len(got) != len(want) {
				t.Errorf("%d points, a scan gives %d", len(got), len(want))
			}
		}
	}
}

// The disk hangs while an hour is written into its file. Commits go through all the while: they need nothing that is held there.
func TestAHangingMoveHoldsUpNoCommit(t *testing.T) {
	b := fast(t, t.TempDir())
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 63)
	hanging, goOn, done := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	first := true
	b.step = func(step string) error {
		if step == "readings" && first {
			first = false
			close(hanging)
			<-goOn
		}
		return nil
	}
	go func() {
		_, _, err := b.Tend(context.Background(), 0, Keeping{})
		done <- err
	}()
	<-hanging
	minutes(t, b, "00000001", 63, 64)
	if n := len(scanned(t, b, Query{})); n != 64*60*3 {
		t.Errorf("meanwhile %d readings", n)
	}
	if err := b.End("duty", 1, "delivered", stamp(0), ""); !errors.Is(err, ErrNoSuchRow) {
		t.Error(err)
	}
	close(goOn)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if n := len(scanned(t, b, Query{})); n != 64*60*3 {
		t.Errorf("afterwards %d readings", n)
	}
}
