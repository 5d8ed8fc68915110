package logbook

import (
	"cmp"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"
)

// packed is an hour of chunks, copied out of a file.
type packed struct {
	hour   int64
	chunks []rawChunk
}

type rawChunk struct {
	id    uint32
	place []byte
	raw   []byte
}

// fewIDs is how many points are looked up one by one; more are found by going over the whole hour.
const fewIDs = 64

// packedAfter copies the first hour of a boot after one, up to another and both within a file. ids is nil for all points. nil: there is none.
func (b *Book) packedAfter(file fileID, ordinal uint32, after, last int64, ids []uint32) (*packed, error) {
	var p *packed
	err := b.inPart(file, func(tx *bolt.Tx) error {
		k, _ := tx.Bucket(bucketCovered).Cursor().Seek(hourKey(ordinal, after+1))
		if k == nil {
			return nil
		}
		boot, hour, _, err := splitHour(k)
		if err != nil || boot != ordinal || hour > last {
			return err
		}
		p = &packed{hour: hour}
		chunks := tx.Bucket(bucketChunks)
		add := func(id uint32, k, v []byte) {
			p.chunks = append(p.chunks, rawChunk{id, slices.Clone(k), slices.Clone(v)})
		}
		if ids != nil && len(ids) <= fewIDs {
			for _, id := range ids {
				k := chunkKey(ordinal, hour, id)
				if v := chunks.Get(k); v != nil {
					add(id, k, v)
				}
			}
			return nil
		}
		c := chunks.Cursor()
		for k, v := c.Seek(hourKey(ordinal, hour)); k != nil; k, v = c.Next() {
			boot, at, rest, err := splitHour(k)
			if err != nil || boot != ordinal || at != hour {
				return err
			}
			id, err := split32(rest)
			if err != nil {
				return err
			}
			if _, wanted := slices.BinarySearch(ids, id); ids == nil || wanted {
				add(id, k, v)
			}
		}
		return nil
	})
	return p, err
}

// eachPacked gives the chunks of a boot's hours that have moved, from one to another, both included, in order. A file that cannot be read
// is left out: Gaps tells of it.
func (b *Book) eachPacked(rows []fileRow, ordinal uint32, from, to int64, ids []uint32, fn func(*packed) error) error {
	for i := range rows {
		row := &rows[i]
		if row.ID.kind != kindReadings || !row.live() || row.Last.compare(hourRef{ordinal, from}) < 0 || row.First.compare(hourRef{ordinal, to}) > 0 {
			continue
		}
		last := to
		if row.Last.Boot == ordinal {
			last = min(last, row.Last.Hour) // beyond it nothing counts yet
		}
		for after := from - 1; after < last; {
			p, err := b.packedAfter(row.ID, ordinal, after, last, ids)
			if err != nil || p == nil {
				break
			}
			after = p.hour
			if err := fn(p); err != nil {
				return err
			}
		}
	}
	return nil
}

// stream is chunks whose samples stand at the same moments: most points of a bus share theirs. It gives them in order of time and of one
// moment by id.
type stream struct {
	chunks []*chunk
	at     int // the chunk whose sample is next
	sort   bool
	sorted []queued
}

// merge puts chunks of one hour into order.
type merge struct {
	streams []*stream
	rotten  func(id uint32, err error)
}

// add takes the next chunk; they come by id.
func (m *merge) add(c *chunk) {
	if !c.inOrder() {
		s := &stream{sort: true}
		for {
			k, ok, err := c.next()
			if err != nil {
				m.rotten(c.id, err)
			}
			if err != nil || !ok {
				break
			}
			s.sorted = append(s.sorted, queued{k, c.codes})
		}
		slices.SortStableFunc(s.sorted, func(a, b queued) int { return cmp.Compare(a.kept.up, b.kept.up) })
		m.streams = append(m.streams, s)
		return
	}
	for _, s := range m.streams {
		if !s.sort && len(s.chunks) > 0 && s.chunks[0].slot == c.slot && slices.Equal(s.chunks[0].runs, c.runs) {
			s.chunks = append(s.chunks, c)
			return
		}
	}
	m.streams = append(m.streams, &stream{chunks: []*chunk{c}})
}

// inOrder tells whether the moments of a chunk only grow.
func (c *chunk) inOrder() bool {
	var end time.Duration
	for i := range c.runs {
		r := &c.runs[i]
		if i > 0 && r.up < end {
			return false
		}
		end = r.up + time.Duration((r.n-1)*r.stride)*c.slot
		if end < r.up {
			return false
		}
	}
	return true
}

func (s *stream) peek() (up time.Duration, id uint32, ok bool) {
	if s.sort {
		if len(s.sorted) == 0 {
			return 0, 0, false
		}
		return s.sorted[0].kept.up, s.sorted[0].kept.id, true
	}
	if len(s.chunks) == 0 {
		return 0, 0, false
	}
	m, ok := s.chunks[s.at].peek()
	return m.up, s.chunks[s.at].id, ok
}

// each gives all samples in order.
func (m *merge) each(fn func(c codes, k *kept) error) error {
	for {
		var best *stream
		var up, limit time.Duration
		var id uint32
		alone := true
		for _, s := range m.streams {
			u, i, ok := s.peek()
			if !ok {
				continue
			}
			if best == nil || u < up || u == up && i < id {
				best, up, id = s, u, i
			}
		}
		if best == nil {
			return nil
		}
		for _, s := range m.streams { // until another stream's turn this one may go on
			if u, _, ok := s.peek(); ok && s != best && (alone || u < limit) {
				alone, limit = false, u
			}
		}
		for first := true; ; first = false {
			u, _, ok := best.peek()
			if !ok || !first && !alone && u >= limit {
				break
			}
			c, k, err := best.next()
			if err != nil {
				m.rotten(k.id, err)
				continue
			}
			if err := fn(c, &k); err != nil {
				return err
			}
		}
	}
}

// next gives the next sample. A chunk that fails is left out from there on.
func (s *stream) next() (codes, kept, error) {
	if s.sort {
		k := s.sorted[0]
		s.sorted = s.sorted[1:]
		return k.codes, k.kept, nil
	}
	c := s.chunks[s.at]
	k, _, err := c.next()
	if err != nil {
		s.chunks = slices.Delete(s.chunks, s.at, s.at+1)
		if s.at >= len(s.chunks) {
			s.at = 0
		}
		return codes{}, kept{id: c.id}, err
	}
	if s.at++; s.at == len(s.chunks) {
		s.at = 0
	}
	return c.codes, k, nil
}
