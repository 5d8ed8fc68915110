package logbook

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"rillwatch/internal/site"
)

// A chunk is an hour of one point as it stands in a period file. Its format is in the comment of the package.
const (
	chunkVersion = 2

	chunkNone      = 0
	chunkOne       = 1
	chunkWhole     = 2 // whole numbers, as they are
	chunkOrder32   = 3 // floating point numbers by their place among all of their kind
	chunkOrder64   = 4
	chunkDecimal32 = 5 // floating point numbers that are decimals of few digits: as whole numbers of the last digit
	chunkDecimal64 = 6

	// digitsMax is the most digits behind the point that are tried. Devices that speak floating point mostly show what they measured in a
	// few; a float32 holds seven in all.
	digitsMax = 6
)

var tens = [digitsMax + 1]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6}

// codes are the numbers a block gives to what is usual, so that it need not be said for every sample.
type codes struct {
	names           uint32
	answered, usual uint64
}

// encodeChunk packs the samples of one point, to stand in a place. Of the same samples it makes the same bytes.
func encodeChunk(place []byte, c codes, e *Entry, samples []kept) []byte {
	var base time.Duration
	if len(samples) > 0 {
		base = samples[0].up
	}
	b := []byte{chunkVersion}
	b = binary.AppendUvarint(b, uint64(c.names))
	b = binary.AppendUvarint(b, c.answered)
	b = binary.AppendUvarint(b, c.usual)
	b = binary.AppendVarint(b, int64(base))
	packed, runs := appendRuns(nil, base, e.Slot, len(samples), func(i int) moment { return moment{samples[i].slot, samples[i].up} })
	b = binary.AppendUvarint(b, uint64(runs))
	b = append(b, packed...)

	form, same := byte(0), true
	var raws []uint64
	for i := range samples {
		k := &samples[i]
		if k.fault != c.answered {
			form |= formFaults
		} else {
			raws = append(raws, k.raw)
			same = same && k.raw == raws[0]
		}
		if k.reason != c.usual {
			form |= formReasons
		}
	}
	var kind byte
	var coded []byte
	switch {
	case len(raws) == 0:
		kind = chunkNone
	case same:
		kind, coded = chunkOne, binary.AppendVarint(nil, int64(raws[0]))
	default:
		kind, coded = encodeRaws(e.Type, raws)
	}
	b = append(b, form|kind<<formRawShift)
	if form&formFaults != 0 {
		b = appendSpans(b, len(samples), func(i int) uint64 { return samples[i].fault })
	}
	if form&formReasons != 0 {
		b = appendSpans(b, len(samples), func(i int) uint64 { return samples[i].reason })
	}
	b = append(b, coded...)
	return binary.BigEndian.AppendUint32(b, sum(place, b))
}

// encodeRaws takes whichever code is the shortest for the type.
func encodeRaws(kind string, raws []uint64) (byte, []byte) {
	best, coded := byte(chunkWhole), appendRice(nil, raws)
	try := func(k byte, b []byte) {
		if len(b) < len(coded) {
			best, coded = k, b
		}
	}
	switch kind {
	case site.Float32.String():
		if mapped, ok := inOrder(raws, 32); ok {
			try(chunkOrder32, appendRice(nil, mapped))
		}
		if mapped, digits, ok := asDecimals(raws, chunkDecimal32); ok {
			try(chunkDecimal32, appendRice([]byte{digits}, mapped))
		}
	case site.Float64.String():
		if mapped, ok := inOrder(raws, 64); ok {
			try(chunkOrder64, appendRice(nil, mapped))
		}
		if mapped, digits, ok := asDecimals(raws, chunkDecimal64); ok {
			try(chunkDecimal64, appendRice([]byte{digits}, mapped))
		}
	}
	return best, coded
}

// inOrder gives the places of floating point numbers among all of their width, so that near numbers have near places on both sides
// of 0. ok is false when one is wider.
func inOrder(raws []uint64, width int) (mapped []uint64, ok bool) {
	mapped = make([]uint64, len(raws))
	for i, r := range raws {
		if width == 32 && r>>32 != 0 {
			return nil, false
		}
		mapped[i] = orderOf(r, width)
	}
	return mapped, true
}

func orderOf(raw uint64, width int) uint64 {
	top := uint64(1) << (width - 1)
	if raw&top != 0 {
		return ^raw & (top | (top - 1))
	}
	return raw | top
}

func rawOfOrder(v uint64, width int) uint64 {
	top := uint64(1) << (width - 1)
	if v&top != 0 {
		return v &^ top & (top - 1)
	}
	return ^v & (top | (top - 1))
}

// asDecimals finds the fewest digits with which every number is the floating point number nearest to a decimal, bit for bit.
func asDecimals(raws []uint64, kind byte) (mapped []uint64, digits byte, ok bool) {
	mapped = make([]uint64, len(raws))
next:
	for d := range tens {
		for i, r := range raws {
			x := math.Float64frombits(r)
			if kind == chunkDecimal32 {
				if r>>32 != 0 {
					return nil, 0, false
				}
				x = float64(math.Float32frombits(uint32(r)))
			}
			whole := math.Round(x * tens[d])
			if !(math.Abs(whole) < 1<<52) { // also when it is not a number
				return nil, 0, false
			}
			mapped[i] = uint64(int64(whole))
			if rawOfDecimal(mapped[i], byte(d), kind) != r {
				continue next
			}
		}
		return mapped, byte(d), true
	}
	return nil, 0, false
}

func rawOfDecimal(v uint64, digits, kind byte) uint64 {
	x := float64(int64(v)) / tens[digits]
	if kind == chunkDecimal32 {
		return uint64(math.Float32bits(float32(x)))
	}
	return math.Float64bits(x)
}

// chunk is a chunk being read.
type chunk struct {
	codes
	id     uint32
	slot   time.Duration
	runs   []run
	n      uint64 // samples
	faults []span
	reason []span
	kind   byte
	digits byte
	one    uint64
	rice   riceReader

	run, in uint64 // where next stands
}

// openChunk checks a chunk and reads all but its numbers. It takes memory in proportion to the chunk, and never panics.
func openChunk(place, raw []byte, id uint32, slot time.Duration) (*chunk, error) {
	if len(raw) < 1+sumSize {
		return nil, fmt.Errorf("%w: %w", ErrBlock, errBlockShort)
	}
	if raw[0] != chunkVersion {
		return nil, fmt.Errorf("%w: %w: %d", ErrBlock, errBlockVersion, raw[0])
	}
	body := raw[:len(raw)-sumSize]
	if binary.BigEndian.Uint32(raw[len(body):]) != sum(place, body) {
		return nil, fmt.Errorf("%w: %w", ErrBlock, errSum)
	}
	c := cut{b: body[1:]}
	k := &chunk{id: id, slot: slot}
	names := c.u()
	if names > math.MaxUint32 {
		c.fail(errors.New("names id out of range"))
	}
	k.names = uint32(names)
	k.answered, k.usual = c.u(), c.u()
	k.runs, k.n = c.runs(time.Duration(c.z()))
	form := c.bytes(1)[0]
	if k.kind = form >> formRawShift; k.kind > chunkDecimal64 {
		c.fail(fmt.Errorf("form %#x is not known", form))
	}
	k.faults = c.spans(form&formFaults != 0, k.answered, k.n)
	k.reason = c.spans(form&formReasons != 0, k.usual, k.n)
	switch k.kind {
	case chunkNone:
		if k.answers() > 0 {
			c.fail(errors.New("an answered sample without a raw"))
		}
	case chunkOne:
		k.one = uint64(c.z())
	case chunkDecimal32, chunkDecimal64:
		if k.digits = c.bytes(1)[0]; k.digits > digitsMax {
			c.fail(fmt.Errorf("%d digits", k.digits))
		}
	}
	if c.err != nil {
		return nil, fmt.Errorf("%w: %w", ErrBlock, c.err)
	}
	k.rice = newRiceReader(c.b)
	return k, nil
}

// answers is the number of samples that have a raw.
func (c *chunk) answers() uint64 {
	n := uint64(0)
	for _, s := range c.faults {
		if s.code == c.answered {
			n += s.n
		}
	}
	return n
}

// raw undoes what encodeRaws did.
func (c *chunk) raw(v uint64) uint64 {
	switch c.kind {
	case chunkOrder32:
		return rawOfOrder(v, 32)
	case chunkOrder64:
		return rawOfOrder(v, 64)
	case chunkDecimal32, chunkDecimal64:
		return rawOfDecimal(v, c.digits, c.kind)
	}
	return v
}

// raws fills dst with the next raw words, of answered samples alone.
func (c *chunk) raws(dst []uint64) error {
	switch c.kind {
	case chunkNone:
		if len(dst) > 0 {
			return fmt.Errorf("%w: an answered sample without a raw", ErrBlock)
		}
		return nil
	case chunkOne:
		for i := range dst {
			dst[i] = c.one
		}
		return nil
	}
	if err := c.rice.values(dst); err != nil {
		return fmt.Errorf("%w: %w", ErrBlock, err)
	}
	if c.kind != chunkWhole {
		for i, v := range dst {
			dst[i] = c.raw(v)
		}
	}
	return nil
}

// peek is the moment of the next sample; false when there is none.
func (c *chunk) peek() (moment, bool) {
	if c.run >= uint64(len(c.runs)) {
		return moment{}, false
	}
	r := &c.runs[c.run]
	return moment{r.slot + c.in*r.stride, r.up + time.Duration(c.in*r.stride)*c.slot}, true
}

// next gives the next sample; false when there is none.
func (c *chunk) next() (k kept, ok bool, err error) {
	m, ok := c.peek()
	if !ok {
		return kept{}, false, nil
	}
	if c.in++; c.in == c.runs[c.run].n {
		c.run, c.in = c.run+1, 0
	}
	k = kept{id: c.id, slot: m.slot, up: m.up}
	k.fault, c.faults = take(c.faults)
	k.reason, c.reason = take(c.reason)
	if k.fault != c.answered {
		return k, true, nil
	}
	switch c.kind {
	case chunkNone:
		return kept{}, false, fmt.Errorf("%w: an answered sample without a raw", ErrBlock)
	case chunkOne:
		k.raw = c.one
		return k, true, nil
	}
	v, err := c.rice.next()
	if err != nil {
		return kept{}, false, fmt.Errorf("%w: %w", ErrBlock, err)
	}
	k.raw = c.raw(v)
	return k, true, nil
}
