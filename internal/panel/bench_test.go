package panel

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// words prepares the way of a round from words to judged readings; each call takes one round on.
func words(t testing.TB) (round func(), points int) {
	t.Helper()
	s, _ := bench(t)
	pl := New(s, &s.Panels[0])
	in := Input{Certain: true, NextSeq: 1, Reads: make([]Read, 3)}
	slot := uint64(0)
	return func() {
		slot++
		at := reading.Stamp{Up: time.Duration(slot) * time.Second}
		in.Now = at
		for i := range in.Reads {
			if in.Reads[i].Words == nil {
				in.Reads[i].Words = make([]uint16, 1)
			}
			in.Reads[i].Point, in.Reads[i].Slot, in.Reads[i].At, in.Reads[i].Fault = i, slot, at, reading.Answered
			in.Reads[i].Words[0] = uint16(20 + slot%5)
		}
		pl.own(in)
		pl.represent(in)
	}, 3
}

// TestFromWordsToAJudgedReadingNothingIsAllocated: the collector must have nothing to do with the number of points.
func TestFromWordsToAJudgedReadingNothingIsAllocated(t *testing.T) {
	round, points := words(t)
	round()
	if n := testing.AllocsPerRun(1000, round); n != 0 {
		t.Errorf("%v allocations a round of %d points, want none", n, points)
	}
}

func BenchmarkFromWordsToAJudgedReading(b *testing.B) {
	round, points := words(b)
	round()
	b.ReportAllocs()
	for b.Loop() {
		round()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*points), "ns/point")
}
