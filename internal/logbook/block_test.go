package logbook

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

var place = key96(3, 77)

func entryOf(typ string) Entry {
	return Entry{Path: "b2.x." + typ, Type: typ, Scale: 1, Slot: time.Second, Every: 1}
}

// everyKind is one point of each kind of column, in an order that is not that of the ids.
func everyKind() (*columns, map[uint32]time.Duration) {
	entries := []Entry{entryOf("float64"), entryOf("int16"), entryOf("float32"), entryOf("bit"), entryOf("uint32"), {Path: "b2.derived"}}
	ids := []uint32{9, 2, 70000, 4, 300, 1}
	slots := map[uint32]time.Duration{}
	for i := range entries {
		slots[ids[i]] = entries[i].Slot
	}
	return newColumns(5, ids, entries), slots
}

func lookUp(slots map[uint32]time.Duration) func(uint32) (time.Duration, bool) {
	return func(id uint32) (time.Duration, bool) { s, ok := slots[id]; return s, ok }
}

// story draws samples that look like a plant for a while and then do what no plant does.
func story(rng *rand.Rand) []Sample {
	var all []Sample
	slot, up := rng.Uint64N(1<<40), time.Duration(rng.Uint64N(1<<50))
	for range rng.IntN(300) {
		switch rng.IntN(20) {
		case 0:
			slot += rng.Uint64N(1 << 40)
		case 1:
			slot -= rng.Uint64N(5)
		case 2:
			slot = rng.Uint64()
			up = time.Duration(rng.Int64())
		default:
			slot++
			up += time.Second + time.Duration(rng.IntN(1000)-500)*time.Microsecond
		}
		point := rng.IntN(6)
		s := Sample{Point: point, Reason: reading.Believed, Sample: reading.Sample{Slot: slot, Fault: reading.Answered, At: reading.Stamp{Up: up}}}
		switch rng.IntN(4) {
		case 0:
			s.Raw = rng.Uint64()
		case 1:
			s.Raw = uint64(int64(-rng.IntN(5)))
		default:
			s.Raw = 700 + rng.Uint64N(3)
		}
		if rng.IntN(6) == 0 {
			s.Fault, s.Raw = reading.Fault(rng.IntN(reading.FaultCount)), 0
			s.Reason = reading.Reason(rng.IntN(reading.ReasonCount))
		}
		all = append(all, s)
	}
	return all
}

func TestWhatWasEncodedComesBackBitForBit(t *testing.T) {
	c, slots := everyKind()
	for seed := range uint64(1000) {
		all := story(rand.New(rand.NewPCG(seed, 1)))
		at := reading.Stamp{Wall: noon, Up: time.Duration(seed) * time.Hour}
		raw, err := c.encode(place, at, seed%2 == 0, all)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		got := map[uint32][]kept{}
		head, err := walkBlock(place, raw, lookUp(slots), func(k kept) error { got[k.id] = append(got[k.id], k); return nil })
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		if want := (blockHead{at: at, certain: seed%2 == 0, names: 5}); head != want {
			t.Fatalf("seed %d: head %+v, want %+v", seed, head, want)
		}
		n := 0
		for i, s := range all {
			id := c.ids[s.Point]
			if len(got[id]) == 0 {
				t.Fatalf("seed %d: sample %d of point %d is missing", seed, i, s.Point)
			}
			k := got[id][0]
			got[id] = got[id][1:]
			n++
			if k.slot != s.Slot || k.raw != s.Raw || k.fault != uint64(s.Fault) || k.reason != uint64(s.Reason) {
				t.Fatalf("seed %d, sample %d: got %+v, want %+v", seed, i, k, s)
			}
			if off := k.up - s.At.Up; slots[id] > 0 && (off < -slots[id] || off > slots[id]) {
				t.Fatalf("seed %d, sample %d: its moment came back %v off", seed, i, off)
			}
		}
		for id := range slots {
			if len(got[id]) != 0 {
				t.Fatalf("seed %d: %d samples of id %d that nobody wrote", seed, len(got[id]), id)
			}
		}
	}
}

func TestTheSameSamplesGiveTheSameBytes(t *testing.T) {
	c, _ := everyKind()
	all := story(rand.New(rand.NewPCG(11, 1)))
	first, err := c.encode(place, stamp(time.Minute), true, all)
	if err != nil {
		t.Fatal(err)
	}
	for range 50 {
		again, err := c.encode(place, stamp(time.Minute), true, slices.Clone(all))
		if err != nil || !bytes.Equal(first, again) {
			t.Fatalf("another encoding of the same samples differs (%v)", err)
		}
	}
}

func TestAPointThatIsNotThereIsRefused(t *testing.T) {
	c, _ := everyKind()
	for _, p := range []int{-1, 6} {
		if _, err := c.encode(place, stamp(0), true, []Sample{{Point: p}}); !errors.Is(err, ErrNoSuchPoint) {
			t.Errorf("point %d: %v, want ErrNoSuchPoint", p, err)
		}
	}
	if _, err := c.encode(place, stamp(0), true, make([]Sample, SamplesMax+1)); !errors.Is(err, ErrTooManySamples) {
		t.Errorf("one too many: %v, want ErrTooManySamples", err)
	}
}

// Ten quiet seconds of one sensor with 30 integer points: the grid is told once and a value costs a byte.
func TestThirtyPointsForTenSecondsTakeLittleMoreThanAByteEach(t *testing.T) {
	entries, ids := make([]Entry, 30), make([]uint32, 30)
	var all []Sample
	rng := rand.New(rand.NewPCG(1, 2))
	for p := range entries {
		entries[p], ids[p] = entryOf("int16"), uint32(p+1)
	}
	for s := range uint64(10) {
		for p := range entries {
			at := stamp(time.Duration(s) * time.Second)
			all = append(all, Sample{Point: p, Reason: reading.Believed,
				Sample: reading.Sample{Slot: s, Raw: 1000 + rng.Uint64N(4), Fault: reading.Answered, At: at}})
		}
	}
	raw, err := newColumns(1, ids, entries).encode(place, stamp(10*time.Second), true, all)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d samples in %d bytes", len(all), len(raw))
	if most := 30*10 + 30*4 + 40; len(raw) > most {
		t.Errorf("%d bytes, want at most %d: a byte each, four for each column, forty for head and grid", len(raw), most)
	}
}

func TestAFlippedBitInABlockOrItsKeyIsFound(t *testing.T) {
	c, slots := everyKind()
	raw, err := c.encode(place, stamp(time.Minute), true, story(rand.New(rand.NewPCG(4, 1))))
	if err != nil {
		t.Fatal(err)
	}
	ignore := func(kept) error { return nil }
	for i := range len(raw) * 8 {
		bad := slices.Clone(raw)
		bad[i/8] ^= 1 << (i % 8)
		if _, err := walkBlock(place, bad, lookUp(slots), ignore); !errors.Is(err, ErrBlock) {
			t.Fatalf("bit %d flipped: %v, want ErrBlock", i, err)
		}
	}
	if _, err := walkBlock(key96(3, 78), raw, lookUp(slots), ignore); !errors.Is(err, ErrBlock) {
		t.Fatalf("under another key: %v, want ErrBlock", err)
	}
}

// FuzzBlock reads any bytes, with a right checksum, as a block: no panic, no more samples than the bound, and no more memory
// for runs and spans than the block is long.
func FuzzBlock(f *testing.F) {
	c, slots := everyKind()
	for seed := range uint64(8) {
		raw, err := c.encode(place, stamp(time.Minute), true, story(rand.New(rand.NewPCG(seed, 1))))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw[:len(raw)-sumSize])
	}
	f.Add([]byte{blockVersion})
	// One run of as many samples as there may be, of one value, in a few bytes.
	f.Add([]byte{1, 5, 1, 26, 1, 0, 0, 1, 1, 0, 1, 0x80, 0x80, 0x80, 2, 0, 1, 1, rawOne << formRawShift, 2})
	f.Add([]byte{1, 5, 1, 26, 1, 0, 0, 1, 1, 0, 1, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 1, 0, 1, 1, rawOne << formRawShift, 2})
	f.Fuzz(func(t *testing.T, body []byte) {
		raw := append(slices.Clone(body), key32(sum(place, body))...)
		n := 0
		_, err := walkBlock(place, raw, lookUp(slots), func(kept) error { n++; return nil })
		if n > SamplesMax {
			t.Fatalf("%d samples, the bound is %d", n, SamplesMax)
		}
		if err != nil && !errors.Is(err, ErrBlock) {
			t.Fatalf("%v is not ErrBlock", err)
		}
		_, _ = walkBlock(place, body, lookUp(slots), func(kept) error { return nil })
	})
}

// A block that claims more than it may hold is refused before the first sample beyond the bound.
func TestABlockThatClaimsTooMuchIsRefused(t *testing.T) {
	_, slots := everyKind()
	body := []byte{1, 5, 1, 26, 1, 0, 0, 1, 1, 0, 1, 0x81, 0x80, 0x80, 2, 0, 1, 1, rawOne << formRawShift, 2}
	n := 0
	_, err := walkBlock(place, append(body, key32(sum(place, body))...), lookUp(slots), func(kept) error { n++; return nil })
	if !errors.Is(err, errBlockTooMany) || n != 0 {
		t.Errorf("after %d samples: %v, want errBlockTooMany after none", n, err)
	}
}
