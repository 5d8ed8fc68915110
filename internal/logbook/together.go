package logbook

import (
	"encoding/binary"
	"fmt"
	"math"

	bolt "go.etcd.io/bbolt"
)

const (
	// pointsInRow is how many points share a row of hours put together: a row of one panel is a third of a page, and of a site with thirty
	// thousand points none is larger.
	pointsInRow = 64
	// togetherSize is what one point takes in a row: its id, four counts, and minimum, maximum, last and sum.
	togetherSize = 4 + 4*4 + 4*8
)

// togetherOf is an hour of one point, put together.
type togetherOf struct {
	id uint32
	tally
}

func togetherKey(ordinal uint32, hour int64, id uint32) []byte {
	return append(hourKey(ordinal, hour), key32(id/pointsInRow)...)
}

func appendTogether(b []byte, t *togetherOf) []byte {
	for _, n := range [...]uint32{t.id, t.good, t.uncertain, t.bad, t.counted} {
		b = binary.BigEndian.AppendUint32(b, n)
	}
	for _, x := range [...]float64{t.min, t.max, t.last, t.sum} {
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(x))
	}
	return b
}

func readTogether(b []byte) togetherOf {
	u := func(i int) uint32 { return binary.BigEndian.Uint32(b[4*i:]) }
	f := func(i int) float64 { return math.Float64frombits(binary.BigEndian.Uint64(b[20+8*i:])) }
	return togetherOf{u(0), tally{good: u(1), uncertain: u(2), bad: u(3), counted: u(4), min: f(0), max: f(1), last: f(2), sum: f(3)}}
}

// putTogether writes points of an hour, sorted by id. Other points that share their rows stay.
func putTogether(tx *bolt.Tx, ordinal uint32, hour int64, sums []togetherOf) error {
	bucket := tx.Bucket(bucketTogether)
	bucket.FillPercent = 1
	for len(sums) > 0 {
		key := togetherKey(ordinal, hour, sums[0].id)
		n := 1
		for n < len(sums) && sums[n].id/pointsInRow == sums[0].id/pointsInRow {
			n++
		}
		mine := sums[:n]
		sums = sums[n:]
		var row []byte
		put := func(upTo uint32) {
			for len(mine) > 0 && mine[0].id <= upTo {
				row = appendTogether(row, &mine[0])
				mine = mine[1:]
			}
		}
		if v := bucket.Get(key); v != nil {
			if body, err := unseal(key, v); err == nil && len(body)%togetherSize == 0 { // a rotten row is written anew
				for ; len(body) > 0; body = body[togetherSize:] {
					there := readTogether(body)
					same := len(mine) > 0 && mine[0].id <= there.id
					put(there.id)
					if !same || binary.BigEndian.Uint32(row[len(row)-togetherSize:]) != there.id {
						row = append(row, body[:togetherSize]...)
					}
				}
			}
		}
		put(math.MaxUint32)
		if err := bucket.Put(key, seal(key, row)); err != nil {
			return err
		}
	}
	return nil
}

// eachTogether gives the rows of the hours of a boot from one to another, both included, hour by hour and by id. A row is only valid
// within fn.
func eachTogether(tx *bolt.Tx, ordinal uint32, from, to int64, fn func(hour int64, row []byte)) error {
	c := tx.Bucket(bucketTogether).Cursor()
	for k, v := c.Seek(hourKey(ordinal, from)); k != nil; k, v = c.Next() {
		boot, hour, _, err := splitHour(k)
		if err != nil {
			return err
		}
		if boot != ordinal || hour > to {
			return nil
		}
		body, err := unseal(k, v)
		if err != nil || len(body)%togetherSize != 0 {
			return fmt.Errorf("%w: hour %d of boot %d", ErrDamaged, hour, ordinal)
		}
		fn(hour, body)
	}
	return nil
}
