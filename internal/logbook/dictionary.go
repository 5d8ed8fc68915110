package logbook

import (
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// entriesMax bounds the dictionary: 30 000 points (a thousand panels) whose maps all change 30 times. Reading it all at that
// size takes some 300 MB, so a book that grew there is told about and not read into a small box's swap.
const entriesMax = 1 << 20

// Entry is what the logbook must know of a point to read its blocks after the configuration changed. It holds names and no
// numbers of this program, because it outlives them. Scale and offset are as in site.Decode, Resolution is in Unit.
type Entry struct {
	Path       string        `json:"path"`
	Type       string        `json:"type,omitempty"` // empty for a derived point
	Order      string        `json:"order,omitempty"`
	Scale      float64       `json:"scale"`
	Offset     float64       `json:"offset"`
	Invert     bool          `json:"invert,omitempty"`
	NoValue    []uint64      `json:"no_value,omitempty"`
	Quantity   string        `json:"quantity,omitempty"`
	Unit       string        `json:"unit,omitempty"`
	Resolution float64       `json:"resolution"`
	Floor      *float64      `json:"floor,omitempty"`   // at or below it the truth is below; in Unit
	Ceiling    *float64      `json:"ceiling,omitempty"` // at or above it the truth is above
	Slot       time.Duration `json:"slot_ns"`           // one step of the poll grid; 0 when there is none
	Every      uint64        `json:"every"`             // asked every so many slots
}

// EntriesOf gives the entries of a site's points, in the order of its points.
func EntriesOf(s *site.Site) []Entry {
	entries := make([]Entry, len(s.Points))
	for i := range s.Points {
		p := &s.Points[i]
		e := Entry{Path: p.Path, Quantity: p.Quantity.String(), Unit: p.Unit.Name(), Resolution: p.Resolution}
		if !p.Derived() {
			sensor := &s.Sensors[p.Sensor]
			e.Type, e.Order = p.Decode.Type.String(), p.Decode.Order.String()
			e.Scale, e.Offset, e.Invert, e.NoValue = p.Decode.Scale, p.Decode.Offset, p.Decode.Invert, p.Decode.NoValue
			e.Slot, e.Every = s.Buses[sensor.Bus].Period, sensor.Every
			if p.HasFloor {
				e.Floor = &p.Floor
			}
			if p.HasCeil {
				e.Ceiling = &p.Ceiling
			}
		}
		entries[i] = e
	}
	return entries
}

// width is how many bytes a raw word of the type takes when differences would not help: those of floating point numbers have
// no order in which the next is near.
func (e *Entry) width() int {
	switch e.Type {
	case site.Float32.String():
		return 4
	case site.Float64.String():
		return 8
	}
	return 0
}

// names are the names of the numbers that stand in blocks.
type names struct {
	Reasons []string `json:"reasons"`
	Faults  []string `json:"faults"`
}

func namesNow() names {
	var n names
	for i := range reading.ReasonCount {
		n.Reasons = append(n.Reasons, reading.Reason(i).String())
	}
	for i := range reading.FaultCount {
		n.Faults = append(n.Faults, reading.Fault(i).String())
	}
	return n
}

// dictionary is everything needed to read blocks.
type dictionary struct {
	entries map[uint32]*Entry
	names   map[uint32]*names
	size    int // ids given when it was read: rows are only added, so a higher number later says there is more
}

// dictionarySize is the number of ids given so far; they are given without a gap.
func dictionarySize(tx *bolt.Tx) int {
	n := 0
	for _, name := range [][]byte{bucketDictionary, bucketNames} {
		if k, _ := tx.Bucket(name).Cursor().Last(); len(k) == 4 {
			id, _ := split32(k)
			n += int(id)
		}
	}
	return n
}

func (d *dictionary) slotOf(id uint32) (time.Duration, bool) {
	e, ok := d.entries[id]
	if !ok {
		return 0, false
	}
	return e.Slot, true
}

// loadDictionary reads all of it. A rotten row is handed to found and left out, so that it costs only the blocks that need it.
func loadDictionary(tx *bolt.Tx, found func(error)) *dictionary {
	d := &dictionary{entries: map[uint32]*Entry{}, names: map[uint32]*names{}, size: dictionarySize(tx)}
	loadRows(tx, bucketDictionary, d.entries, found)
	loadRows(tx, bucketNames, d.names, found)
	return d
}

func loadRows[T any](tx *bolt.Tx, bucket []byte, into map[uint32]*T, found func(error)) {
	c := tx.Bucket(bucket).Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		id, err := split32(k)
		row := new(T)
		if err == nil {
			err = unsealJSON(k, v, row)
		}
		if err != nil {
			found(fmt.Errorf("%s, row %x: %w", bucket, k, err))
			continue
		}
		into[id] = row
	}
}

// enter gives each entry the id under which its exact content stands in the bucket, adding what is not there yet.
func enter(b *bolt.Bucket, contents [][]byte) ([]uint32, error) {
	wanted := make(map[string]uint32, len(contents))
	for _, c := range contents {
		wanted[string(c)] = 0
	}
	highest := uint32(0)
	err := b.ForEach(func(k, v []byte) error {
		id, err := split32(k)
		if err != nil {
			return err
		}
		highest = id
		body, err := unseal(k, v)
		if err != nil {
			return nil // a rotten one is left to the check; its points get a new id
		}
		if _, ok := wanted[string(body)]; ok {
			wanted[string(body)] = id
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	ids := make([]uint32, len(contents))
	for i, c := range contents {
		id := wanted[string(c)]
		if id == 0 {
			if highest >= entriesMax {
				return nil, fmt.Errorf("%w: %d entries", ErrDictionaryFull, highest)
			}
			highest++
			id = highest
			if err := b.Put(key32(id), seal(key32(id), c)); err != nil {
				return nil, err
			}
			wanted[string(c)] = id
		}
		ids[i] = id
	}
	return ids, nil
}

// enterAll writes the dictionary of a boot and gives what the encoder needs of it.
func enterAll(tx *bolt.Tx, entries []Entry) (*columns, error) {
	contents := make([][]byte, len(entries))
	for i := range entries {
		c, err := json.Marshal(&entries[i])
		if err != nil {
			return nil, fmt.Errorf("point %s: %w", entries[i].Path, err)
		}
		contents[i] = c
	}
	ids, err := enter(tx.Bucket(bucketDictionary), contents)
	if err != nil {
		return nil, fmt.Errorf("dictionary: %w", err)
	}
	n, err := json.Marshal(namesNow())
	if err != nil {
		return nil, err
	}
	namesID, err := enter(tx.Bucket(bucketNames), [][]byte{n})
	if err != nil {
		return nil, fmt.Errorf("names: %w", err)
	}
	return newColumns(namesID[0], ids, entries), nil
}

// name gives the name of a number, and the number itself where the table does not have it.
func name(table []string, code uint64) string {
	if code < uint64(len(table)) {
		return table[code]
	}
	return "number " + strconv.FormatUint(code, 10)
}
