package logbook

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Column is up to an hour of one point, still packed: for whoever wants all values of a point and not every point of a moment.
type Column struct {
	Path  string
	Unit  string
	Entry *Entry
	Boot  uint32

	row   *BootRow
	c     *chunk
	m     *meaning
	j     *judge
	whole bool // all of it is in the range asked for
	from  time.Duration
	to    time.Duration
	raws  []uint64
}

// Columns calls fn for every hour of every point that has readings in the range, boot by boot, hour by hour and of one hour in the order in
// which points were entered. A column is only good within fn. Bounds, errors and what cannot be read are as with Scan; an hour that
// moves meanwhile comes once.
func (b *Book) Columns(ctx context.Context, q Query, fn func(*Column) error) error {
	rows, err := b.Boots()
	if err != nil {
		return err
	}
	for i := range rows {
		from, to, any := q.span(&rows[i])
		if !any {
			continue
		}
		s := scan{ctx: ctx, book: b, row: &rows[i], from: from, to: to, points: q.Points, reasons: map[uint32]*meaning{}}
		if err := s.columns(fn); err != nil {
			return err
		}
	}
	return nil
}

func (s *scan) columns(fn func(*Column) error) error {
	var col Column
	done := s.row.hourOf(max(s.from, -hourLength)) - 1
	give := func(p *packed) error {
		if err := s.ctx.Err(); err != nil {
			return err
		}
		done = max(done, p.hour)
		for _, raw := range p.chunks {
			slot, _ := s.dict.slotOf(raw.id)
			e := s.dict.entries[raw.id]
			if e == nil {
				s.book.rottenChunk(s.row, p.hour, raw.id, fmt.Errorf("%w: dictionary entry %d is missing", ErrBlock, raw.id))
				continue
			}
			c, err := openChunk(raw.place, raw.raw, raw.id, slot)
			if err != nil {
				s.book.rottenChunk(s.row, p.hour, raw.id, err)
				continue
			}
			first, last := c.ends()
			if last < s.from || first >= s.to {
				continue
			}
			m := s.meaning(c.names)
			col = Column{Path: e.Path, Unit: e.Unit, Entry: e, Boot: s.row.Ordinal, row: s.row, c: c, m: m, j: &s.pointOf(raw.id).judge,
				whole: first >= s.from && last < s.to, from: s.from, to: s.to, raws: col.raws}
			if err := fn(&col); err != nil {
				return err
			}
		}
		return nil
	}
	for {
		st, err := s.book.stateOf(s.row.Ordinal, s.dict)
		if err != nil {
			return err
		}
		s.know(st.dict)
		if last := min(st.moved.Hour, s.lastHour()); last > done {
			if err := s.book.eachPacked(st.files, s.row.Ordinal, done+1, last, s.ids, give); err != nil {
				return err
			}
			done = last
		}
		// What is hot is packed here, an hour or less at a time, before any of it is given out.
		hot, moved, err := s.packHot(st.moved)
		if err != nil {
			return err
		}
		if moved {
			continue
		}
		for _, p := range hot {
			if err := give(p); err != nil {
				return err
			}
		}
		return nil
	}
}

// packHot packs what is hot, at most passMax readings to a lot.
func (s *scan) packHot(m movedRow) (all []*packed, moved bool, err error) {
	of := map[uint32][]kept{}
	var c codes
	n := 0
	flush := func() {
		p := &packed{hour: math.MinInt64}
		for _, id := range sortedKeys(of) {
			e := s.dict.entries[id]
			if e == nil {
				continue
			}
			slices.SortStableFunc(of[id], func(a, b kept) int { return (mark{a.up, 0}).compare(mark{b.up, 0}) })
			place := chunkKey(s.row.Ordinal, 0, id)
			p.chunks = append(p.chunks, rawChunk{id, place, encodeChunk(place, c, e, of[id])})
		}
		all = append(all, p)
		of, n = map[uint32][]kept{}, 0
	}
	after := BlockKey{Boot: s.row.Ordinal}
	for {
		page, st, err := s.book.hotPage(after, s.dict)
		if err != nil {
			return nil, false, err
		}
		if st.moved != m {
			return nil, true, nil
		}
		if len(page) == 0 {
			if n > 0 {
				flush()
			}
			return all, false, nil
		}
		s.know(st.dict)
		for _, block := range page {
			after = block.Key
			head, _, answered, usual, err := openBlock(block.Key.bytes(), block.raw)
			if err != nil {
				continue // a rotten block costs itself
			}
			if now := (codes{head.names, answered, usual}); now != c {
				if n > 0 {
					flush()
				}
				c = now
			}
			_ = block.walk(func(k kept) error {
				if k.up >= s.from && k.up < s.to && !m.has(block.Key.Through, s.row.hourOf(k.up)) && s.wants(k.id) {
					of[k.id] = append(of[k.id], k)
					n++
				}
				return nil
			})
			if n >= passMax {
				flush()
			}
		}
	}
}

// ends gives the first and the last moment of a chunk, in whatever order they stand.
func (c *chunk) ends() (first, last time.Duration) {
	first, last = math.MaxInt64, math.MinInt64
	for i := range c.runs {
		r := &c.runs[i]
		end := r.up + time.Duration((r.n-1)*r.stride)*c.slot
		first, last = min(first, r.up, end), max(last, r.up, end)
	}
	return first, last
}

// Values appends the values of the column to dst, in order: those of readings that had one when they were judged. It may be called once.
func (c *Column) Values(dst []float64) ([]float64, error) {
	if n := c.c.answers(); c.whole && n == c.c.n && len(c.c.reason) == 1 && c.m.reason(c.c.reason[0].code) == reading.Believed && c.j.plain() {
		// An hour without a doubt: nothing needs to be asked of a single reading.
		c.raws = slices.Grow(c.raws[:0], int(n))[:n]
		if err := c.c.raws(c.raws); err != nil {
			return dst, err
		}
		return c.j.plainValues(dst, c.raws), nil
	}
	for {
		k, ok, err := c.c.next()
		if err != nil || !ok {
			return dst, err
		}
		if why := c.m.reason(k.reason); k.up >= c.from && k.up < c.to && why.Quality() != reading.Bad {
			v, _ := c.j.value(k.raw, c.m.fault(k.fault), why)
			dst = append(dst, v)
		}
	}
}

// plain tells whether a believed raw of the entry is a whole number times a scale, and nothing else: believed, it is no "no value" word and at
// no end of a range.
func (j *judge) plain() bool {
	switch j.point.Decode.Type {
	case site.Int16, site.Uint16, site.Int32, site.Uint32:
		return true
	}
	return false
}
