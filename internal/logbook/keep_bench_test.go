package logbook

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// rack is one panel of thirty points at 1 Hz: the five kinds of signals, six times each.
type rack struct {
	b       *Book
	values  [][]uint64 // a day of each, taken over and over
	s       uint64     // seconds since the start
	through uint64
	flush   int // seconds of a commit
	every   int // seconds between two rounds
}

const rackPoints = 30

func newRack(b testing.TB, dir string) *rack {
	b.Helper()
	book, err := Open(dir, 0)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = book.Close() })
	entries := make([]Entry, rackPoints)
	r := &rack{b: book, flush: 10, every: 1}
	for p := range entries {
		entries[p] = Entry{Path: fmt.Sprintf("b2.rack.p%02d", p), Type: "int16", Scale: 0.1, Resolution: 0.1, Slot: time.Second, Every: 1}
		r.values = append(r.values, signals[p%len(signals)].make(uint64(p), 86400))
	}
	if err := book.Begin(BootRow{Nonce: "00000001", WallAtZero: noon, WallCertain: true}, entries); err != nil {
		b.Fatal(err)
	}
	return r
}

// spent is the processor time of the thread that asks, so that a busy machine does not count as a slow program.
func spent(b testing.TB) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(rusageThread, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

const rusageThread = 1 // RUSAGE_THREAD of getrusage(2)

func (r *rack) at() reading.Stamp { return stamp(time.Duration(r.s) * time.Second) }

// commit makes one commit of so many seconds, with judge state and, where asked for, an event with its message and excursion.
func (r *rack) commit(b testing.TB, told bool) {
	b.Helper()
	c := Commit{Boot: "00000001", WallCertain: true}
	for range r.flush / r.every {
		for p := range r.values {
			raw := r.values[p][r.s%86400]
			c.Samples = append(c.Samples, Sample{Point: p, Reason: reading.Believed,
				Sample: reading.Sample{Slot: r.s, Raw: raw, Fault: reading.Answered, At: r.at()}})
		}
		r.s += uint64(r.every)
	}
	r.through += uint64(r.flush)
	c.Through, c.At = r.through, r.at()
	// The state of a panel is some 2 kB (at most 4) and changes all the time: clocks of delays, volumes, last values.
	state := fmt.Appendf(nil, `{"s":%d,"x":"%0*d"}`, r.s, 2000, r.s)
	c.States = []engine.StateRow{{Name: "b2", Data: state}}
	if told {
		e := raised("00000001", r.through)
		c.Events, c.Excursions = []event.Event{e}, []event.Excursion{excursion(e.ID)}
		c.Outbox = []Row{{ID: e.ID, Recipient: "duty", Body: make([]byte, 2000), Created: e.At.Wall}}
	}
	if err := r.b.Commit(c); err != nil {
		b.Fatal(err)
	}
}

func (r *rack) tend(b testing.TB, k Keeping) Moved {
	b.Helper()
	var all Moved
	for {
		for _, h := range r.b.shelf.handles {
			h.db.NoSync = r.b.db.NoSync
		}
		m, more, err := r.b.Tend(context.Background(), r.at().Up, k)
		if err != nil {
			b.Fatal(err)
		}
		all.Hours += m.Hours
		all.Dropped = append(all.Dropped, m.Dropped...)
		if !more {
			return all
		}
	}
}

// hours lets so many hours pass with a flush of their own, without waiting for the disk.
func (r *rack) hours(b testing.TB, n, flush int, k Keeping) {
	b.Helper()
	r.b.db.NoSync = true
	was := r.flush
	r.flush = flush
	for range n * 3600 / flush {
		r.commit(b, false)
	}
	r.flush = was
	r.tend(b, k)
	r.b.db.NoSync = false
}

// BenchmarkWrittenADay is what a day costs the device: 10 s flush, judge state with every commit, a hundred events with message and
// excursion, hours moved, a file closed. Bytes are as the kernel counts them for the device. Three hours are measured and told as a day.
//
// Where it may, it writes to a file system of its own on a loop device and asks the block layer, because what the kernel counts for a process
// is pages dirtied, half as much again; elsewhere it tells what was given to write calls, a tenth less.
func BenchmarkWrittenADay(b *testing.B) {
	dir, sectors := device(b)
	r := newRack(b, dir)
	r.hours(b, 2, 10, Keeping{})
	for b.Loop() {
		const hours = 3
		calls := writeCalls(b)
		blocks := sectors()
		moves := uint64(0)
		for i := range hours * 360 {
			r.commit(b, i%86 == 0)
			if i%360 == 359 {
				before := writeCalls(b)
				r.tend(b, Keeping{file: time.Hour}) // a file closed with every hour, and not with every week: an upper bound
				moves += writeCalls(b) - before
			}
		}
		all := writeCalls(b) - calls
		b.ReportMetric(float64(all-moves)*24/hours/1e6, "commits-MB/day")
		b.ReportMetric(float64(moves)*24/hours/1e6, "moves-MB/day")
		if now := sectors(); now > blocks {
			all = now - blocks
		}
		b.ReportMetric(float64(all)*24/hours/1e6, "MB/day")
	}
}

func writeCalls(b testing.TB) uint64 {
	b.Helper()
	calls, _ := writtenBytes(b)
	return calls
}

// device gives a directory on a file system of its own and what its device was given to write so far, in bytes. Without the right or the
// tools to make one it gives an ordinary directory and no bytes.
func device(b *testing.B) (dir string, written func() uint64) {
	b.Helper()
	dir = b.TempDir()
	none := func() uint64 { return 0 }
	image := filepath.Join(b.TempDir(), "image")
	if os.Geteuid() != 0 || os.WriteFile(image, nil, 0o600) != nil || os.Truncate(image, 400<<20) != nil ||
		exec.Command("mkfs.ext4", "-q", "-F", image).Run() != nil || exec.Command("mount", "-o", "loop", image, dir).Run() != nil {
		b.Log("no loop device: told is what write calls were given")
		return dir, none
	}
	b.Cleanup(func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			b.Errorf("umount: %v %s", err, out)
		}
	})
	var st syscall.Stat_t
	if err := syscall.Stat(dir, &st); err != nil {
		b.Fatal(err)
	}
	path := fmt.Sprintf("/sys/dev/block/%d:%d/stat", st.Dev>>8&0xfff, st.Dev&0xff|st.Dev>>12&0xfff00)
	return dir, func() uint64 {
		syscall.Sync()
		raw, err := os.ReadFile(path)
		if err != nil {
			b.Fatal(err)
		}
		fields := strings.Fields(string(raw))
		n, err := strconv.ParseUint(fields[6], 10, 64) // sectors written (block/stat)
		if err != nil {
			b.Fatal(err)
		}
		return n * 512
	}
}

// BenchmarkPackedSample is what a reading takes on disk, all in: a week in a closed file, over the entropy of the differences.
func BenchmarkPackedSample(b *testing.B) {
	for b.Loop() {
		dir := b.TempDir()
		r := newRack(b, dir)
		r.hours(b, 171, 600, Keeping{}) // one hour more than a file takes, and one that stays hot
		info, err := os.Stat(filepath.Join(dir, "readings-000001.db"))
		if err != nil {
			b.Fatal(err)
		}
		rows, _, err := r.b.list()
		if err != nil {
			b.Fatal(err)
		}
		var samples uint64
		for i := range rows {
			if rows[i].ID == (fileID{kindReadings, 1}) {
				if rows[i].State != stateClosed {
					b.Fatalf("the week is not closed: %+v", rows[i])
				}
				samples = rows[i].Samples
			}
		}
		least := 0.0
		for _, v := range r.values {
			least += entropy(v) / rackPoints
		}
		size := float64(info.Size()) / float64(samples)
		b.ReportMetric(size, "B/sample")
		b.ReportMetric(size/least, "x_entropy")
	}
}

// BenchmarkCommitAfterAYear is the bytes of a commit before and after a year of moving hours and letting files go.
func BenchmarkCommitAfterAYear(b *testing.B) {
	for b.Loop() {
		r := newRack(b, b.TempDir())
		k := Keeping{Readings: 30 * 24 * time.Hour, Events: 30 * 24 * time.Hour}
		bytes := func() float64 {
			const n = 200
			before, _ := writtenBytes(b)
			for range n {
				r.commit(b, false)
			}
			after, _ := writtenBytes(b)
			return float64(after-before) / n
		}
		r.hours(b, 2, 10, k)
		first := bytes()
		// The year has its hours, files and events, but a round a minute: what is deleted of it has the same keys, and it ends today.
		for range 365 {
			r.b.db.NoSync = true
			r.commit(b, true)
			r.every = 60
			r.hours(b, 24, 3600, k)
			r.every = 1
		}
		r.hours(b, 2, 10, k)
		last := bytes()
		rows, _, err := r.b.list()
		if err != nil {
			b.Fatal(err)
		}
		gone := 0
		for i := range rows {
			if rows[i].State == stateGone {
				gone++
			}
		}
		if gone < 40 {
			b.Fatalf("%d files went in a year of thirty days kept", gone)
		}
		b.ReportMetric(first, "first-B/commit")
		b.ReportMetric(last, "last-B/commit")
		b.ReportMetric(100*math.Abs(last/first-1), "percent_grown")
	}
}

// BenchmarkOpenFourGB opens a logbook beside 4 GB of period files, until the boot is begun.
func BenchmarkOpenFourGB(b *testing.B) {
	dir := b.TempDir()
	r := newRack(b, dir)
	r.hours(b, 4, 600, Keeping{file: time.Hour})
	rows, _, err := r.b.list()
	if err != nil {
		b.Fatal(err)
	}
	var like fileRow
	for i := range rows {
		if rows[i].ID.kind == kindReadings && rows[i].State == stateClosed {
			like = rows[i]
		}
	}
	raw, err := os.ReadFile(r.b.part(like.ID))
	if err != nil {
		b.Fatal(err)
	}
	const n = 60
	total := int64(0)
	for i := range n { // files with a hole behind: what opening reads of them does not depend on it
		row := like
		row.ID.number = uint32(1000 + i)
		row.Bytes = 4_000_000_000 / n
		total += row.Bytes
		path := r.b.part(row.ID)
		if err := os.WriteFile(path, raw, 0o640); err != nil {
			b.Fatal(err)
		}
		if err := os.Truncate(path, row.Bytes); err != nil {
			b.Fatal(err)
		}
		if err := r.b.write("adding a file", func(tx *bolt.Tx) error { return putFile(tx, &row) }); err != nil {
			b.Fatal(err)
		}
	}
	if err := r.b.Close(); err != nil {
		b.Fatal(err)
	}
	boot := 2
	for b.Loop() {
		book, err := Open(dir, 0)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := book.Restore(); err != nil {
			b.Fatal(err)
		}
		if err := book.Begin(BootRow{Nonce: fmt.Sprintf("%08x", boot)}, larkfield()); err != nil {
			b.Fatal(err)
		}
		boot++
		b.StopTimer()
		if err := book.Close(); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/open")
	b.ReportMetric(float64(total)/1e9, "GB")
}

// BenchmarkDayOfThirtyPoints goes over every reading of a day, beside the floor: as many moments and values in memory.
func BenchmarkDayOfThirtyPoints(b *testing.B) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	r := newRack(b, b.TempDir())
	r.hours(b, 25, 600, Keeping{})
	type inMemory struct {
		at    int64
		value float64
	}
	flat := make([]inMemory, 0, rackPoints*86400)
	for p := range r.values {
		for s, v := range r.values[p] {
			flat = append(flat, inMemory{int64(s), float64(v) / 10})
		}
	}
	q := Query{From: at(0), To: at(24 * time.Hour)}
	var columns, scan, floor time.Duration
	n, total := 0, 0.0
	for b.Loop() {
		start := spent(b)
		count, lowest, highest := 0, math.Inf(1), math.Inf(-1)
		for i := range flat {
			if x := &flat[i]; x.at >= 0 && x.at < 86400 {
				count++
				total += x.value
				lowest, highest = min(lowest, x.value), max(highest, x.value)
			}
		}
		floor += (spent(b) - start)
		if count != rackPoints*86400 {
			b.Fatal(count)
		}
		start = spent(b)
		count, lowest, highest = 0, math.Inf(1), math.Inf(-1)
		var values []float64
		if err := r.b.Columns(context.Background(), q, func(c *Column) error {
			var err error
			if values, err = c.Values(values[:0]); err != nil {
				return err
			}
			for _, v := range values {
				count++
				total += v
				lowest, highest = min(lowest, v), max(highest, v)
			}
			return nil
		}); err != nil {
			b.Fatal(err)
		}
		columns += (spent(b) - start)
		if count != rackPoints*86400 {
			b.Fatal(count)
		}
		if n%4 == 0 { // four times as slow
			start = spent(b)
			count = 0
			if err := r.b.Scan(context.Background(), q, func(r Recorded) error { count++; total += r.Value; return nil }); err != nil {
				b.Fatal(err)
			}
			scan += 4 * (spent(b) - start)
			if count != rackPoints*86400 {
				b.Fatal(count)
			}
		}
		n++
	}
	if total == 0 {
		b.Fatal("nothing was added up")
	}
	samples := float64(n) * rackPoints * 86400
	n4 := float64((n+3)/4*4) * rackPoints * 86400
	b.ReportMetric(float64(floor)/samples, "floor-ns/sample")
	b.ReportMetric(float64(columns)/samples, "columns-ns/sample")
	b.ReportMetric(float64(scan)/n4, "scan-ns/sample")
	b.ReportMetric(float64(columns)/float64(floor), "x_memory")
}

// BenchmarkYearOfHours reads a year of hours put together, of thirty points.
func BenchmarkYearOfHours(b *testing.B) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	r := newRack(b, b.TempDir())
	r.hours(b, 3, 600, Keeping{})
	// The rest of the year is written as a move writes it.
	rng := rand.New(rand.NewPCG(1, 1))
	rows, book, err := r.b.list()
	if err != nil {
		b.Fatal(err)
	}
	row, err := r.b.growing(rows, kindHours, book, &Moved{})
	if err != nil {
		b.Fatal(err)
	}
	const year = 8760
	if err := r.b.writePart(row.ID, func(tx *bolt.Tx) error {
		for h := int64(row.Hours); h < year; h++ {
			var sums []togetherOf
			for p := range uint32(rackPoints) {
				v := rng.Float64()
				sums = append(sums, togetherOf{p + 1, tally{good: 3600, counted: 3600, min: v, max: v, last: v, sum: 3600 * v}})
			}
			if err := putTogether(tx, 1, 12+h, sums); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		b.Fatal(err)
	}
	row.Last, row.Hours = hourRef{1, 12 + year - 1}, year
	if err := r.b.write("noting", func(tx *bolt.Tx) error {
		v, err := sealJSON(key32(1), movedRow{Hour: 12 + year - 1, Through: math.MaxInt64})
		if err != nil {
			return err
		}
		return errors.Join(putFile(tx, row), tx.Bucket(bucketMoved).Put(key32(1), v))
	}); err != nil {
		b.Fatal(err)
	}
	all, years := 0, 0
	var used time.Duration
	for b.Loop() {
		start := spent(b)
		n, total := 0, 0.0
		if err := r.b.Hours(context.Background(), Query{}, func(h Hour) error { n++; total += h.Mean; return nil }); err != nil {
			b.Fatal(err)
		}
		used += spent(b) - start
		years++
		all = n
		if total == 0 {
			b.Fatal("nothing was added up")
		}
	}
	if all < (year-20)*rackPoints {
		b.Fatalf("%d hours came back", all)
	}
	b.ReportMetric(float64(used.Microseconds())/1e3/float64(years), "ms/year")
}
