package logbook

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"

	"rillwatch/internal/event"
)

// Names of the buckets.
var (
	bucketFormat     = []byte("format")
	bucketBoots      = []byte("boots")
	bucketNonces     = []byte("nonces")
	bucketNow        = []byte("now")
	bucketDictionary = []byte("dictionary")
	bucketNames      = []byte("names")
	bucketHot        = []byte("hot")
	bucketState      = []byte("state")
	bucketEvents     = []byte("events")
	bucketExcursions = []byte("excursions")
	bucketOutbox     = []byte("outbox")
	bucketDeliveries = []byte("deliveries")
	bucketFiles      = []byte("files")
	bucketMoved      = []byte("moved")
	bucketGaps       = []byte("gaps")

	keyVersion = []byte("version")
	keyLast    = []byte("last")
)

var buckets = [][]byte{
	bucketFormat, bucketBoots, bucketNonces, bucketNow, bucketDictionary, bucketNames, bucketHot, bucketState,
	bucketEvents, bucketExcursions, bucketOutbox, bucketDeliveries,
}

// added are buckets a logbook of an older program does not have; they are made when it is opened for writing.
var added = [][]byte{bucketFiles, bucketMoved, bucketGaps}

// Castagnoli, because processors compute it in one instruction and it finds every burst of up to 32 bits.
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

const sumSize = 4

var errSum = fmt.Errorf("%w: the checksum does not fit the content", ErrDamaged)

// sum is the checksum of a row together with the place it stands in, so that a row whose key went rotten is found too.
func sum(place, body []byte) uint32 {
	return crc32.Update(crc32.Checksum(place, castagnoli), castagnoli, body)
}

// seal puts the checksum before a row.
func seal(place, body []byte) []byte {
	out := make([]byte, sumSize, sumSize+len(body))
	binary.BigEndian.PutUint32(out, sum(place, body))
	return append(out, body...)
}

// unseal gives the row behind its checksum. It is only valid while the transaction lives.
func unseal(place, row []byte) ([]byte, error) {
	if len(row) < sumSize {
		return nil, fmt.Errorf("%w: a row of %d bytes is too short for a checksum", ErrDamaged, len(row))
	}
	body := row[sumSize:]
	if binary.BigEndian.Uint32(row) != sum(place, body) {
		return nil, errSum
	}
	return body, nil
}

func sealJSON(place []byte, v any) ([]byte, error) {
	body, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return seal(place, body), nil
}

func unsealJSON(place, row []byte, v any) error {
	body, err := unseal(place, row)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(body, v); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return nil
}

// queuePlace is the place of a row in the queue or the records of a recipient.
func queuePlace(recipient string, number uint64) []byte {
	return binary.BigEndian.AppendUint64([]byte(recipient), number)
}

func key32(n uint32) []byte { return binary.BigEndian.AppendUint32(nil, n) }
func key64(n uint64) []byte { return binary.BigEndian.AppendUint64(nil, n) }

func key96(ordinal uint32, seq uint64) []byte {
	return binary.BigEndian.AppendUint64(key32(ordinal), seq)
}

func split32(k []byte) (uint32, error) {
	if len(k) != 4 {
		return 0, fmt.Errorf("a key of %d bytes, want 4", len(k))
	}
	return binary.BigEndian.Uint32(k), nil
}

func split64(k []byte) (uint64, error) {
	if len(k) != 8 {
		return 0, fmt.Errorf("a key of %d bytes, want 8", len(k))
	}
	return binary.BigEndian.Uint64(k), nil
}

func split96(k []byte) (ordinal uint32, seq uint64, err error) {
	if len(k) != 12 {
		return 0, 0, fmt.Errorf("a key of %d bytes, want 12", len(k))
	}
	return binary.BigEndian.Uint32(k), binary.BigEndian.Uint64(k[4:]), nil
}

// stateKey is the key of a panel's state; the site's name is empty and bbolt takes no empty key.
func stateKey(name string) []byte { return append([]byte{'.'}, name...) }

// sealMessage writes an outbox row: the length of the id, the id, when it was created, then the body as it is.
func sealMessage(number uint64, r Row) []byte {
	id := r.ID.String()
	body := binary.AppendUvarint(nil, uint64(len(id)))
	body = append(body, id...)
	body = binary.AppendVarint(body, int64(r.Created))
	return seal(queuePlace(r.Recipient, number), append(body, r.Body...))
}

// unsealMessage copies an outbox row out of its transaction.
func unsealMessage(recipient string, number uint64, row []byte) (Row, error) {
	r := Row{Recipient: recipient, Number: number}
	body, err := unseal(queuePlace(recipient, number), row)
	if err != nil {
		return Row{}, err
	}
	n, used := binary.Uvarint(body)
	if used <= 0 || n > uint64(len(body)-used) {
		return Row{}, errors.New("the id is cut short")
	}
	body = body[used:]
	if err := r.ID.UnmarshalText(body[:n]); err != nil {
		return Row{}, err
	}
	body = body[n:]
	created, used := binary.Varint(body)
	if used <= 0 {
		return Row{}, errors.New("the time of creation is cut short")
	}
	r.Created = wall(created)
	r.Body = append([]byte(nil), body[used:]...)
	return r, nil
}

// excursionKey sorts excursions by the event that raised them. One of a boot this book does not know stands before all
// others, under its own id, rather than being lost.
func excursionKey(id string, ordinalOf func(nonce string) uint32) []byte {
	var ordinal uint32
	var seq uint64
	var raised event.ID
	if raised.UnmarshalText([]byte(id)) == nil {
		ordinal, seq = ordinalOf(raised.Boot), raised.Seq
	}
	return append(key96(ordinal, seq), id...)
}
