package logbook

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// written bytes of this process as the kernel counts them: through write calls, and as dirtied for the device.
func writtenBytes(b testing.TB) (calls, device uint64) {
	b.Helper()
	io, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Skip("the kernel does not count here: ", err)
	}
	for line := range bytes.Lines(io) {
		name, value, _ := bytes.Cut(bytes.TrimSpace(line), []byte(": "))
		n, _ := strconv.ParseUint(string(value), 10, 64)
		switch string(name) {
		case "wchar":
			calls = n
		case "write_bytes":
			device = n
		}
	}
	return calls, device
}

// BenchmarkCommit is one panel of 30 points at 1 s, committed every 10 s, over as many commits as asked for: bytes per commit as the
// kernel counts them, beside what the blocks hold, and what that makes in a day.
func BenchmarkCommit(b *testing.B) {
	entries := make([]Entry, 30)
	for p := range entries {
		entries[p] = Entry{Path: fmt.Sprintf("b2.rack.p%02d", p), Type: "int16", Scale: 0.1, Slot: time.Second, Every: 1}
	}
	book, err := Open(b.TempDir(), 0)
	if err != nil {
		b.Fatal(err)
	}
	defer book.Close()
	if err := book.Begin(BootRow{Nonce: "00000001"}, entries); err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	level := make([]uint64, len(entries))
	through, slot := uint64(0), uint64(0)
	flush := func() {
		var all []Sample
		for range 10 {
			slot++
			for p := range entries {
				level[p] += rng.Uint64N(3) - 1
				all = append(all, Sample{Point: p, Reason: reading.Believed,
					Sample: reading.Sample{Slot: slot, Raw: level[p], Fault: reading.Answered, At: stamp(time.Duration(slot) * time.Second)}})
			}
		}
		through += 10
		if err := book.Commit(Commit{Boot: "00000001", Through: through, At: stamp(time.Duration(slot) * time.Second), WallCertain: true, Samples: all}); err != nil {
			b.Fatal(err)
		}
	}
	for range 360 { // an hour, so that the tree has its depth
		flush()
	}
	before := book.Stats()
	calls, device := writtenBytes(b)
	n := 0
	for b.Loop() {
		flush()
		n++
	}
	callsAfter, deviceAfter := writtenBytes(b)
	s := book.Stats()
	commits := float64(n)
	perCommit := float64(callsAfter-calls) / commits
	packed := float64(s.Packed-before.Packed) / commits
	b.ReportMetric(perCommit, "B/commit")
	b.ReportMetric(float64(deviceAfter-device)/commits, "device-B/commit")
	b.ReportMetric(float64(s.Written-before.Written)/commits, "stats-B/commit")
	b.ReportMetric(packed, "packed-B/commit")
	b.ReportMetric(packed/300, "packed-B/sample")
	b.ReportMetric(perCommit/packed, "written/packed")
	b.ReportMetric(perCommit*8640/1e6, "MB/day")
}
