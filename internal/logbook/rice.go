package logbook

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

// Whole numbers that hardly move are kept as differences in an adaptive Rice code: the quotient by 2^k in as many zeros and a one,
// then k bits of remainder (Rice, "Some practical universal noiseless coding techniques", JPL 79-22, 1979). k follows the mean of the last
// sixteen or so differences, so nothing needs to be said about it. Where differences are mostly 0 a Rice code could not go below
// one bit each; there lengths of runs of zeros are written instead, in the same code with a mean of their own.
const (
	// riceEscape is the most zeros of a quotient; after as many zeros the number stands in 64 bits as it is. It bounds what one wild
	// value costs to 11 bytes.
	riceEscape = 24
	// riceMemory is the shift of the running means: they forget with a time constant of 16 values. Tried: 3, 4, 5.
	riceMemory = 4
	// riceOne is a mean of 1.
	riceOne = 1 << 16
	// riceRare is the running mean below which runs are written: about a fifth of the differences are not 0.
	riceRare = riceOne * 3 / 10
	// riceCap bounds what enters a mean, so that it cannot overflow.
	riceCap = 1 << 40
)

// ricer is the state both sides keep in step.
type ricer struct {
	mean uint64 // of the zigzag differences, in riceOne
	runs uint64 // of the lengths of runs, likewise
}

func newRicer() ricer { return ricer{mean: riceOne, runs: 16 * riceOne} }

func follow(mean, v uint64) uint64 {
	return mean + min(v, riceCap)*(riceOne>>riceMemory) - mean>>riceMemory
}

// fade is what n zeros leave of a mean: every eleven halve it, as (15/16)^11 does.
func fade(mean, n uint64) uint64 { return mean >> min(n/11, 63) }

// riceBits is the number of low bits written as they are: 2^k is near the mean, for which the code is shortest.
func riceBits(mean uint64) int { return bits.Len64(mean * 11 / 16 / riceOne) }

func zigzag(d int64) uint64   { return uint64(d)<<1 ^ uint64(d>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// bitWriter writes bits, the highest first.
type bitWriter struct {
	b    []byte
	acc  uint64
	used int // bits in acc, from the top
}

func (w *bitWriter) put(v uint64, n int) {
	for n > 0 {
		take := min(n, 64-w.used)
		part := v >> (n - take)
		if take < 64 {
			part &= 1<<take - 1
		}
		w.acc |= part << (64 - w.used - take)
		w.used += take
		n -= take
		if w.used == 64 {
			w.b = binary.BigEndian.AppendUint64(w.b, w.acc)
			w.acc, w.used = 0, 0
		}
	}
}

func (w *bitWriter) bytes() []byte {
	for w.used > 0 {
		w.b = append(w.b, byte(w.acc>>56))
		w.acc <<= 8
		w.used -= 8
	}
	return w.b
}

func (w *bitWriter) rice(v uint64, k int) {
	q := v >> k
	if q >= riceEscape {
		w.put(0, riceEscape)
		w.put(v, 64)
		return
	}
	w.put(1, int(q)+1)
	w.put(v, k)
}

// appendRice writes values as differences, the first from 0.
func appendRice(b []byte, values []uint64) []byte {
	w := bitWriter{b: b}
	r := newRicer()
	before := uint64(0)
	for i := 0; i < len(values); {
		if r.mean < riceRare {
			n := 0
			for i+n < len(values) && values[i+n] == before {
				n++
			}
			w.rice(uint64(n), riceBits(r.runs))
			r.runs = follow(r.runs, uint64(n))
			if i += n; i == len(values) {
				break
			}
			u := zigzag(int64(values[i] - before))
			w.rice(u-1, 0)
			r.mean = follow(fade(r.mean, uint64(n)), u)
			before = values[i]
			i++
			continue
		}
		u := zigzag(int64(values[i] - before))
		w.rice(u, riceBits(r.mean))
		r.mean = follow(r.mean, u)
		before = values[i]
		i++
	}
	return w.bytes()
}

var errRice = errors.New("the coded numbers end too early")

// riceReader gives back what appendRice wrote. Whatever the bytes are, it gives numbers or errRice.
type riceReader struct {
	ricer
	b      []byte
	acc    uint64
	have   int // bits in acc, from the top; those below are 0
	before uint64
	inRun  bool   // a run was told; what follows its zeros is a difference that is none
	zeros  uint64 // of the run, still to come
}

func newRiceReader(b []byte) riceReader { return riceReader{ricer: newRicer(), b: b} }

// fill makes sure of 56 bits, or of all that there are.
func (r *riceReader) fill() {
	if len(r.b) >= 8 {
		r.acc |= binary.BigEndian.Uint64(r.b) >> r.have
		n := (63 - r.have) >> 3
		r.b = r.b[n:]
		r.have += n << 3
		if r.have < 64 {
			r.acc &= ^uint64(0) << (64 - r.have)
		}
		return
	}
	for r.have <= 56 && len(r.b) > 0 {
		r.acc |= uint64(r.b[0]) << (56 - r.have)
		r.b = r.b[1:]
		r.have += 8
	}
}

func (r *riceReader) rice(k int) (uint64, bool) {
	if r.have < 56 {
		r.fill()
	}
	q := bits.LeadingZeros64(r.acc)
	if n := q + 1 + k; q < riceEscape && n <= r.have {
		v := uint64(q)<<k | r.acc<<(q+1)>>(64-k)
		r.acc <<= n
		r.have -= n
		return v, true
	}
	return r.slow(q, k)
}

// slow is the escape, a remainder of many bits, and the end.
func (r *riceReader) slow(q, k int) (uint64, bool) {
	if q >= riceEscape {
		if !r.skip(riceEscape) {
			return 0, false
		}
		return r.take(64)
	}
	if !r.skip(q + 1) {
		return 0, false
	}
	low, ok := r.take(k)
	return uint64(q)<<k | low, ok
}

func (r *riceReader) skip(n int) bool {
	_, ok := r.take(n)
	return ok
}

func (r *riceReader) take(n int) (v uint64, ok bool) {
	for n > 0 {
		if r.have == 0 {
			if r.fill(); r.have == 0 {
				return 0, false
			}
		}
		part := min(n, r.have, 32)
		v = v<<part | r.acc>>(64-part)
		r.acc <<= part
		r.have -= part
		n -= part
	}
	return v, true
}

// next gives the next number.
func (r *riceReader) next() (uint64, error) {
	if r.inRun && r.zeros > 0 {
		r.zeros--
		return r.before, nil
	}
	var one [1]uint64
	err := r.values(one[:])
	return one[0], err
}

// values fills dst with the next numbers. What changes with every number lives in variables of its own while it works: this loop is
// the whole cost of a query.
func (r *riceReader) values(dst []uint64) error {
	before, mean, acc, have := r.before, r.mean, r.acc, r.have
	for i := 0; i < len(dst); i++ {
		var u uint64
		var ok bool
		switch {
		case r.inRun || mean < riceRare:
			r.acc, r.have = acc, have
			if !r.inRun {
				n, ok := r.rice(riceBits(r.runs))
				if !ok {
					return errRice
				}
				r.runs, mean = follow(r.runs, n), fade(mean, n)
				r.inRun, r.zeros = true, n
			}
			for ; r.zeros > 0 && i < len(dst); i++ {
				dst[i] = before
				r.zeros--
			}
			if i < len(dst) {
				if u, ok = r.rice(0); !ok {
					return errRice
				}
				u++
				r.inRun = false
			}
			acc, have = r.acc, r.have
			if r.inRun {
				continue
			}
		default:
			k := riceBits(mean)
			if have < 56 {
				r.acc, r.have = acc, have
				r.fill()
				acc, have = r.acc, r.have
			}
			q := bits.LeadingZeros64(acc)
			if n := q + 1 + k; q < riceEscape && n <= have {
				u = uint64(q)<<k | acc<<(q+1)>>(64-k)
				acc <<= n
				have -= n
				break
			}
			r.acc, r.have = acc, have
			if u, ok = r.slow(q, k); !ok {
				return errRice
			}
			acc, have = r.acc, r.have
		}
		mean = follow(mean, u)
		before += uint64(unzigzag(u))
		dst[i] = before
	}
	r.before, r.mean, r.acc, r.have = before, mean, acc, have
	return nil
}
