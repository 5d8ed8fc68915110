package logbook

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"rillwatch/internal/reading"
)

// SamplesMax is the most samples one commit may hold: more than a day of one panel (30 points at 1 Hz), two minutes of a
// thousand panels. It also bounds the work a rotten block can ask of its reader. Whoever collects samples keeps a smaller
// bound of its own, because at 64 bytes each this many take 270 MB of memory.
const SamplesMax = 4 << 20

const (
	blockVersion  = 1
	formFaults    = 1 << 0
	formReasons   = 1 << 1
	formRawShift  = 2
	formKnown     = formFaults | formReasons | 7<<formRawShift
	rawNone       = 0
	rawOne        = 1
	rawDifference = 2
	rawFour       = 3
	rawEight      = 4
)

// Sample is one reading as it is kept: the point by its index in the entries given to Begin, what was read, and the reason
// as it was judged.
type Sample struct {
	Point int
	reading.Sample
	Reason reading.Reason
}

// blockHead is what a block says of itself.
type blockHead struct {
	at      reading.Stamp
	certain bool
	names   uint32
}

// columns is what the encoder knows of the points of this boot.
type columns struct {
	names uint32
	ids   []uint32 // by point
	width []int    // by point: 4, 8, or 0 for differences
	slot  []time.Duration
	order []int // points by dictionary id
}

func newColumns(names uint32, ids []uint32, entries []Entry) *columns {
	c := &columns{names: names, ids: ids, width: make([]int, len(ids)), slot: make([]time.Duration, len(ids)), order: make([]int, len(ids))}
	for i := range entries {
		c.width[i], c.slot[i], c.order[i] = entries[i].width(), entries[i].Slot, i
	}
	slices.SortStableFunc(c.order, func(a, b int) int { return cmp.Compare(ids[a], ids[b]) })
	return c
}

// group is the points that were asked in the same slots.
type group struct {
	runs   int
	packed string
	points []int
}

// encode packs the samples of one commit, to stand in its place. Of one point they keep their order.
func (c *columns) encode(place []byte, at reading.Stamp, certain bool, samples []Sample) ([]byte, error) {
	if len(samples) > SamplesMax {
		return nil, fmt.Errorf("%w: %d in one commit, at most %d", ErrTooManySamples, len(samples), SamplesMax)
	}
	of, err := c.byPoint(samples)
	if err != nil {
		return nil, err
	}
	var groups []group
	at0 := map[string]int{} // looked up only, so its order cannot matter
	var scratch []byte
	for _, p := range c.order {
		if len(of[p]) == 0 {
			continue
		}
		var runs int
		scratch, runs = appendRuns(scratch[:0], at.Up, c.slot[p], len(of[p]), func(i int) moment {
			s := &samples[of[p][i]]
			return moment{s.Slot, s.At.Up}
		})
		g, ok := at0[string(scratch)]
		if !ok {
			g = len(groups)
			at0[string(scratch)] = g
			groups = append(groups, group{runs: runs, packed: string(scratch)})
		}
		groups[g].points = append(groups[g].points, p)
	}

	b := []byte{blockVersion}
	b = binary.AppendUvarint(b, uint64(c.names))
	b = binary.AppendUvarint(b, uint64(reading.Answered))
	b = binary.AppendUvarint(b, uint64(reading.Believed))
	b = append(b, oneIf(certain))
	b = binary.AppendVarint(b, int64(at.Wall))
	b = binary.AppendVarint(b, int64(at.Up))
	b = binary.AppendUvarint(b, uint64(len(groups)))
	for _, g := range groups {
		b = binary.AppendUvarint(b, uint64(g.runs))
		b = append(b, g.packed...)
		b = binary.AppendUvarint(b, uint64(len(g.points)))
		before := uint32(0)
		for _, p := range g.points {
			b = binary.AppendUvarint(b, uint64(c.ids[p]-before))
			before = c.ids[p]
			b = appendColumn(b, c.width[p], samples, of[p])
		}
	}
	return binary.BigEndian.AppendUint32(b, sum(place, b)), nil
}

func oneIf(b bool) byte {
	if b {
		return 1
	}
	return 0
}

// byPoint gives the places of each point's samples, in their order, out of one allocation.
func (c *columns) byPoint(samples []Sample) ([][]int32, error) {
	count := make([]int, len(c.ids))
	for i := range samples {
		p := samples[i].Point
		if p < 0 || p >= len(c.ids) {
			return nil, fmt.Errorf("%w: %d of %d", ErrNoSuchPoint, p, len(c.ids))
		}
		count[p]++
	}
	all := make([]int32, len(samples))
	of := make([][]int32, len(c.ids))
	for p, n := range count {
		of[p], all = all[:0:n], all[n:]
	}
	for i := range samples {
		p := samples[i].Point
		of[p] = append(of[p], int32(i))
	}
	return of, nil
}

// strideMax keeps the product of stride, count and slot far from overflow; a jump beyond it (68 years of seconds) starts a run.
const strideMax = 1 << 31

// moment is where a sample stands on the poll grid and when it was.
type moment struct {
	slot uint64
	up   time.Duration
}

// appendRuns cuts n samples of a point into runs on the grid.
func appendRuns(b []byte, base, slot time.Duration, n int, at func(i int) moment) (packed []byte, runs int) {
	next := uint64(0)
	for i := 0; i < n; {
		first, before := at(i), at(i)
		count, stride := 1, uint64(0)
		for ; i+count < n; count++ {
			m := at(i + count)
			step := m.slot - before.slot
			if m.slot <= before.slot || step >= strideMax || count > 1 && step != stride || !onGrid(first, m, slot) {
				break
			}
			stride, before = step, m
		}
		b = binary.AppendVarint(b, int64(first.slot-next))
		b = binary.AppendUvarint(b, stride)
		b = binary.AppendUvarint(b, uint64(count))
		b = binary.AppendVarint(b, int64(first.up-base))
		next = first.slot + stride*uint64(count)
		i += count
		runs++
	}
	return b, runs
}

// onGrid tells whether the moment of s can be told from its slot, to within one slot.
func onGrid(first, s moment, slot time.Duration) bool {
	if slot <= 0 {
		return true
	}
	off := s.up - first.up - time.Duration(s.slot-first.slot)*slot
	return off >= -slot && off <= slot
}

func appendColumn(b []byte, width int, samples []Sample, of []int32) []byte {
	form, raws := byte(0), 0
	same, short := true, true
	var one uint64
	for _, i := range of {
		s := &samples[i]
		if s.Fault != reading.Answered {
			form |= formFaults
		} else {
			if raws == 0 {
				one = s.Raw
			}
			raws++
			same = same && s.Raw == one
			short = short && s.Raw>>32 == 0
		}
		if s.Reason != reading.Believed {
			form |= formReasons
		}
	}
	raw := byte(rawDifference)
	switch {
	case raws == 0:
		raw = rawNone
	case same:
		raw = rawOne
	case width == 4 && short:
		raw = rawFour
	case width != 0:
		raw = rawEight
	}
	b = append(b, form|raw<<formRawShift)
	if form&formFaults != 0 {
		b = appendSpans(b, len(of), func(i int) uint64 { return uint64(samples[of[i]].Fault) })
	}
	if form&formReasons != 0 {
		b = appendSpans(b, len(of), func(i int) uint64 { return uint64(samples[of[i]].Reason) })
	}
	if raw == rawOne {
		return binary.AppendVarint(b, int64(one))
	}
	before := uint64(0)
	for _, i := range of {
		s := &samples[i]
		if s.Fault != reading.Answered {
			continue
		}
		switch raw {
		case rawDifference:
			b = binary.AppendVarint(b, int64(s.Raw-before))
			before = s.Raw
		case rawFour:
			b = binary.BigEndian.AppendUint32(b, uint32(s.Raw))
		case rawEight:
			b = binary.BigEndian.AppendUint64(b, s.Raw)
		}
	}
	return b
}

// appendSpans writes the codes of n samples as lengths of runs.
func appendSpans(b []byte, n int, code func(i int) uint64) []byte {
	for i := 0; i < n; {
		first, count := code(i), 1
		for i+count < n && code(i+count) == first {
			count++
		}
		b = binary.AppendUvarint(b, first)
		b = binary.AppendUvarint(b, uint64(count))
		i += count
	}
	return b
}
