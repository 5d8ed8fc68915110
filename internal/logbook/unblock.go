package logbook

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"rillwatch/internal/reading"
)

// Errors of a block that cannot be read. All are ErrBlock.
var (
	errBlockShort   = errors.New("cut short")
	errBlockVersion = errors.New("of a version this program does not know")
	errBlockTooMany = errors.New("claims more samples than a block may hold")
)

// kept is one sample as it stands in a block, in the block's own numbers.
type kept struct {
	id     uint32
	slot   uint64
	up     time.Duration
	raw    uint64
	fault  uint64
	reason uint64
}

// span is so many samples with one code, or one run.
type span struct {
	code uint64
	n    uint64
}

type run struct {
	slot, stride, n uint64
	up              time.Duration
}

// cut reads a block from the front; the first failure sticks and all later reads give 0.
type cut struct {
	b   []byte
	err error
}

func (c *cut) fail(err error) {
	if c.err == nil {
		c.err = err
	}
	c.b = nil
}

func (c *cut) u() uint64 {
	v, n := binary.Uvarint(c.b)
	if n <= 0 {
		c.fail(errBlockShort)
		return 0
	}
	c.b = c.b[n:]
	return v
}

func (c *cut) z() int64 {
	v, n := binary.Varint(c.b)
	if n <= 0 {
		c.fail(errBlockShort)
		return 0
	}
	c.b = c.b[n:]
	return v
}

func (c *cut) bytes(n int) []byte {
	if len(c.b) < n {
		c.fail(errBlockShort)
		return make([]byte, n)
	}
	v := c.b[:n]
	c.b = c.b[n:]
	return v
}

// openBlock checks the checksum and the version of a block and reads its head. What follows is left to walkBlock.
func openBlock(place, raw []byte) (head blockHead, rest cut, answered, usual uint64, err error) {
	if len(raw) < 1+sumSize {
		return head, rest, 0, 0, fmt.Errorf("%w: %w", ErrBlock, errBlockShort)
	}
	if raw[0] != blockVersion {
		return head, rest, 0, 0, fmt.Errorf("%w: %w: %d", ErrBlock, errBlockVersion, raw[0])
	}
	body := raw[:len(raw)-sumSize]
	if binary.BigEndian.Uint32(raw[len(body):]) != sum(place, body) {
		return head, rest, 0, 0, fmt.Errorf("%w: %w", ErrBlock, errSum)
	}
	rest = cut{b: body[1:]}
	id := rest.u()
	if id > math.MaxUint32 {
		rest.fail(errors.New("names id out of range"))
	}
	head.names = uint32(id)
	answered, usual = rest.u(), rest.u()
	head.certain = rest.bytes(1)[0] != 0
	head.at.Wall = wall(rest.z())
	head.at.Up = time.Duration(rest.z())
	if rest.err != nil {
		return head, rest, 0, 0, fmt.Errorf("%w: %w", ErrBlock, rest.err)
	}
	return head, rest, answered, usual, nil
}

// walkBlock reads a block and calls fn for each sample, group by group and point by point. Slots of an id come from slotOf;
// an id it does not know ends the walk. It uses memory in proportion to the block and never panics, whatever the block holds;
// samples found before a fault was met have been given out.
func walkBlock(place, raw []byte, slotOf func(id uint32) (time.Duration, bool), fn func(kept) error) (blockHead, error) {
	head, c, answered, usual, err := openBlock(place, raw)
	if err != nil {
		return head, err
	}
	left := uint64(SamplesMax)
	groups := c.u()
	for ; groups > 0 && c.err == nil; groups-- {
		if err := walkGroup(&c, head.at.Up, answered, usual, &left, slotOf, fn); err != nil {
			return head, err
		}
	}
	if c.err == nil && len(c.b) > 0 {
		c.fail(fmt.Errorf("%d bytes too long", len(c.b)))
	}
	if c.err != nil {
		return head, fmt.Errorf("%w: %w", ErrBlock, c.err)
	}
	return head, nil
}

// walkGroup gives an error only when fn does; a rotten group is left in c.
func walkGroup(c *cut, base time.Duration, answered, usual uint64, left *uint64,
	slotOf func(id uint32) (time.Duration, bool), fn func(kept) error) error {
	runs, n := c.runs(base)
	columns := c.u()
	id := uint64(0)
	for ; columns > 0 && c.err == nil; columns-- {
		id += c.u()
		if id > math.MaxUint32 || n > *left {
			c.fail(errBlockTooMany)
			return nil
		}
		*left -= n
		slot, ok := slotOf(uint32(id))
		if !ok {
			c.fail(fmt.Errorf("dictionary entry %d is missing", id))
			return nil
		}
		if err := walkColumn(c, uint32(id), slot, runs, n, answered, usual, fn); err != nil {
			return err
		}
	}
	return nil
}

// runs reads the runs of a group. Each takes four bytes at least, so the list is bounded by the block.
func (c *cut) runs(base time.Duration) (runs []run, n uint64) {
	next := uint64(0)
	for count := c.u(); count > 0 && c.err == nil; count-- {
		r := run{slot: next + uint64(c.z()), stride: c.u(), n: c.u(), up: base + time.Duration(c.z())}
		if r.n == 0 || r.n > SamplesMax-n {
			c.fail(errBlockTooMany)
			return nil, 0
		}
		n += r.n
		next = r.slot + r.stride*r.n
		runs = append(runs, r)
	}
	return runs, n
}

// spans reads run lengths until n samples have a code; the usual one where none are listed.
func (c *cut) spans(listed bool, usual, n uint64) []span {
	if !listed {
		return []span{{usual, n}}
	}
	var spans []span
	for n > 0 && c.err == nil {
		s := span{c.u(), c.u()}
		if s.n == 0 || s.n > n {
			c.fail(errors.New("codes and samples differ in number"))
			return nil
		}
		n -= s.n
		spans = append(spans, s)
	}
	return spans
}

func walkColumn(c *cut, id uint32, slot time.Duration, runs []run, n, answered, usual uint64, fn func(kept) error) error {
	form := c.bytes(1)[0]
	if form&^formKnown != 0 {
		c.fail(fmt.Errorf("form %#x is not known", form))
	}
	faults := c.spans(form&formFaults != 0, answered, n)
	reasons := c.spans(form&formReasons != 0, usual, n)
	raw := form >> formRawShift & 7
	var one uint64
	if raw == rawOne {
		one = uint64(c.z())
	}
	if raw > rawEight {
		c.fail(fmt.Errorf("form %#x is not known", form))
	}
	for _, r := range runs {
		for i := range r.n {
			if c.err != nil {
				return nil
			}
			k := kept{id: id, slot: r.slot + i*r.stride, up: r.up + time.Duration(i*r.stride)*slot}
			k.fault, faults = take(faults)
			k.reason, reasons = take(reasons)
			if k.fault == answered {
				switch raw {
				case rawNone:
					c.fail(errors.New("an answered sample without a raw"))
					return nil
				case rawOne:
					k.raw = one
				case rawDifference:
					one += uint64(c.z())
					k.raw = one
				case rawFour:
					k.raw = uint64(binary.BigEndian.Uint32(c.bytes(4)))
				case rawEight:
					k.raw = binary.BigEndian.Uint64(c.bytes(8))
				}
				if c.err != nil {
					return nil
				}
			}
			if err := fn(k); err != nil {
				return err
			}
		}
	}
	return nil
}

// take gives the code of the next sample. The spans were counted when they were read.
func take(spans []span) (uint64, []span) {
	code := spans[0].code
	if spans[0].n--; spans[0].n == 0 {
		spans = spans[1:]
	}
	return code, spans
}

func wall(n int64) reading.Wall { return reading.Wall(n) }
