package logbook

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

var chunkPlace = chunkKey(3, 17, 9)

// hourOfKind is an hour of one point of a type, as plants have it and as none has.
func hourOfKind(kind string, seed uint64) []kept {
	rng := rand.New(rand.NewPCG(seed, 5))
	slot, up := rng.Uint64N(1<<30), time.Duration(rng.Uint64N(1<<50))
	n := rng.IntN(1500)
	whole := signals[seed%5].make(seed, n)
	jumps := wild(rng, n)
	samples := make([]kept, n)
	for i := range samples {
		slot++
		up += time.Second
		switch rng.IntN(200) {
		case 0:
			slot += rng.Uint64N(100)
			up += time.Duration(rng.IntN(100)) * time.Second
		case 1:
			up += 5 * time.Second
		}
		k := kept{id: 9, slot: slot, up: up, fault: uint64(reading.Answered), reason: uint64(reading.Believed)}
		switch {
		case seed%7 == 6:
			k.raw = jumps[i]
			if kind == "float32" {
				k.raw &= math.MaxUint32
			}
		case kind == "float32" && seed%3 == 0:
			k.raw = uint64(math.Float32bits(float32(whole[i]) / 10))
		case kind == "float32":
			k.raw = uint64(math.Float32bits(float32(-20 + rng.NormFloat64())))
		case kind == "float64" && seed%3 == 0:
			k.raw = math.Float64bits(-float64(whole[i]) / 100)
		case kind == "float64":
			k.raw = math.Float64bits(rng.NormFloat64())
		default:
			k.raw = whole[i]
		}
		switch {
		case rng.IntN(100) == 0:
			k.fault, k.raw, k.reason = uint64(rng.IntN(reading.FaultCount)), 0, uint64(rng.IntN(reading.ReasonCount))
			if k.fault == uint64(reading.Answered) {
				k.raw = 1
			}
		case i%700 < 30:
			k.reason = uint64(reading.Flushing)
		}
		samples[i] = k
	}
	return samples
}

var usualCodes = codes{names: 4, answered: uint64(reading.Answered), usual: uint64(reading.Believed)}

func readChunk(place, raw []byte, slot time.Duration) ([]kept, error) {
	c, err := openChunk(place, raw, 9, slot)
	if err != nil {
		return nil, err
	}
	var out []kept
	for {
		k, ok, err := c.next()
		if err != nil || !ok {
			return out, err
		}
		out = append(out, k)
	}
}

// Against the dumb way: the samples themselves. Moments come back on the grid.
func TestAnHourComesBackBitForBit(t *testing.T) {
	for _, kind := range []string{"int16", "uint32", "bit", "float32", "float64"} {
		for seed := range uint64(210) {
			all := hourOfKind(kind, seed)
			e := entryOf(kind)
			raw := encodeChunk(chunkPlace, usualCodes, &e, all)
			if again := encodeChunk(chunkPlace, usualCodes, &e, slices.Clone(all)); !bytes.Equal(raw, again) {
				t.Fatalf("%s, seed %d: another encoding differs", kind, seed)
			}
			got, err := readChunk(chunkPlace, raw, e.Slot)
			if err != nil || len(got) != len(all) {
				t.Fatalf("%s, seed %d: %d of %d samples, %v", kind, seed, len(got), len(all), err)
			}
			var raws []uint64
			for i, k := range all {
				off := got[i].up - k.up
				got[i].up = k.up
				if got[i] != k || off < -time.Second || off > time.Second {
					t.Fatalf("%s, seed %d, sample %d: %+v (%v off), want %+v", kind, seed, i, got[i], off, k)
				}
				if k.fault == usualCodes.answered {
					raws = append(raws, k.raw)
				}
			}
			c, _ := openChunk(chunkPlace, raw, 9, e.Slot)
			if c.names != 4 || c.n != uint64(len(all)) || c.answers() != uint64(len(raws)) {
				t.Fatalf("%s, seed %d: names %d, %d samples, %d answered", kind, seed, c.names, c.n, c.answers())
			}
			bulk := make([]uint64, len(raws))
			if err := c.raws(bulk); err != nil || !slices.Equal(bulk, raws) {
				t.Fatalf("%s, seed %d: the raws alone differ, %v", kind, seed, err)
			}
		}
	}
}

// What a device computes in floating point and shows in a decimal costs what the whole number would, and noise in all digits costs less
// than its width.
func TestFloatingPointCostsWhatItSays(t *testing.T) {
	whole := signals[0].make(1, 3600)
	rng := rand.New(rand.NewPCG(1, 1))
	of := func(kind string, raw func(i int) uint64) float64 {
		samples := make([]kept, 3600)
		for i := range samples {
			samples[i] = kept{id: 9, slot: uint64(i), up: time.Duration(i) * time.Second, raw: raw(i), fault: usualCodes.answered, reason: usualCodes.usual}
		}
		e := entryOf(kind)
		return float64(len(encodeChunk(chunkPlace, usualCodes, &e, samples))) / 3600
	}
	integer := of("int16", func(i int) uint64 { return whole[i] })
	decimal := of("float32", func(i int) uint64 { return uint64(math.Float32bits(float32(whole[i]) / 10)) })
	noise := of("float32", func(int) uint64 { return uint64(math.Float32bits(25 + float32(rng.NormFloat64())/100)) })
	double := of("float64", func(int) uint64 { return math.Float64bits(25 + rng.NormFloat64()/100) })
	t.Logf("a sample takes %.3f B as whole tenths, %.3f as a float32 of tenths, %.3f as a float32 and %.3f as a float64 with noise in every digit", integer, decimal, noise, double)
	if decimal > integer*1.05 || noise > 3 || double > 7 {
		t.Error("a float32 of tenths should cost the same as the tenths, noise at most 3 bytes of 4 and 7 of 8")
	}
}

func TestAFlippedBitInAChunkOrItsKeyIsFound(t *testing.T) {
	e := entryOf("int16")
	raw := encodeChunk(chunkPlace, usualCodes, &e, hourOfKind("int16", 2)[:40])
	for i := range len(raw) * 8 {
		bad := slices.Clone(raw)
		bad[i/8] ^= 1 << (i % 8)
		if _, err := readChunk(chunkPlace, bad, e.Slot); !errors.Is(err, ErrBlock) {
			t.Fatalf("bit %d flipped: %v, want ErrBlock", i, err)
		}
	}
	if _, err := readChunk(chunkKey(3, 18, 9), raw, e.Slot); !errors.Is(err, ErrBlock) {
		t.Fatalf("under another key: %v, want ErrBlock", err)
	}
}

// FuzzChunk reads any bytes, with a right checksum, as a chunk: no panic, no more samples than the bound, and both ways of reading agree.
func FuzzChunk(f *testing.F) {
	for seed, kind := range []string{"int16", "float32", "float64", "bit", "int16", "float32", "int16"} {
		e := entryOf(kind)
		raw := encodeChunk(chunkPlace, usualCodes, &e, hourOfKind(kind, uint64(seed)))
		f.Add(raw[:len(raw)-sumSize])
	}
	f.Add([]byte{chunkVersion})
	// As many samples as there may be, of one value, in a few bytes; and one more.
	f.Add([]byte{2, 4, 1, 26, 0, 1, 0, 1, 0x80, 0x80, 0x80, 2, 0, chunkOne << formRawShift, 2})
	f.Add([]byte{2, 4, 1, 26, 0, 1, 0, 1, 0x81, 0x80, 0x80, 2, 0, chunkOne << formRawShift, 2})
	f.Fuzz(func(t *testing.T, body []byte) {
		raw := append(slices.Clone(body), key32(sum(chunkPlace, body))...)
		c, err := openChunk(chunkPlace, raw, 9, time.Second)
		if err != nil {
			if !errors.Is(err, ErrBlock) {
				t.Fatalf("%v is not ErrBlock", err)
			}
			return
		}
		if c.n > SamplesMax {
			t.Fatalf("%d samples, the bound is %d", c.n, SamplesMax)
		}
		bulk := make([]uint64, c.answers())
		twin, _ := openChunk(chunkPlace, raw, 9, time.Second)
		bulkErr := twin.raws(bulk)
		at, n := 0, uint64(0)
		for {
			k, ok, err := c.next()
			if err != nil {
				if bulkErr == nil || !errors.Is(err, ErrBlock) {
					t.Fatalf("one by one %v, together %v", err, bulkErr)
				}
				return
			}
			if !ok {
				break
			}
			n++
			if k.fault == c.answered {
				if bulkErr == nil && bulk[at] != k.raw {
					t.Fatalf("raw %d: %d one by one, %d together", at, k.raw, bulk[at])
				}
				at++
			}
		}
		if n != c.n {
			t.Fatalf("%d samples came, %d were told", n, c.n)
		}
	})
}
