package logbook

import (
	"fmt"

	bolt "go.etcd.io/bbolt"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// Bounds of the queues.
const (
	// WaitingMax is how many messages may wait for one recipient. One plant in trouble tells some hundred a day, so this is months
	// of a dead recipient and, at 2 kB each, 20 MB. Then the oldest is dropped, with a record: the latest trouble matters most.
	WaitingMax = 10000
	// DeliveriesMax is how many records of ended messages are kept for one recipient: as long a past as the queue could hold.
	DeliveriesMax = 10000
	// detailMax bounds what a recipient's answer may add to a record; the beginning of an error page says enough.
	detailMax = 500
)

// Dropped is the result in the record of a message that gave way to a newer one; other results are the notifier's.
const Dropped = "dropped"

// Row is one message for one recipient. Of one recipient each has another ID.
type Row struct {
	Number    uint64 // place in the recipient's queue, given by the book; only grows
	ID        event.ID
	Recipient string
	Body      []byte
	Created   reading.Wall
}

// Delivery says how a message ended.
type Delivery struct {
	Number    uint64        `json:"-"`
	ID        event.ID      `json:"id"`
	Recipient string        `json:"recipient"`
	Result    string        `json:"result"` // delivered, refused, expired, dropped
	At        reading.Stamp `json:"at"`
	Detail    string        `json:"detail,omitempty"`
	Created   reading.Wall  `json:"created"`
}

// Recipients gives everybody for whom a message was ever queued, sorted, also those who left the configuration.
func (b *Book) Recipients() ([]string, error) {
	var names []string
	err := guard("reading the outbox", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			names = recipients(tx)
			return nil
		})
	})
	return names, err
}

func recipients(tx *bolt.Tx) []string { return namesIn(tx.Bucket(bucketOutbox)) }

// namesIn gives the names of the buckets in a bucket, sorted.
func namesIn(b *bolt.Bucket) []string {
	var names []string
	c := b.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		if v == nil {
			names = append(names, string(k))
		}
	}
	return names
}

// queueNumbers gives the highest number ever given in each queue.
func queueNumbers(tx *bolt.Tx) map[string]uint64 {
	numbers := map[string]uint64{}
	for _, name := range recipients(tx) {
		numbers[name] = tx.Bucket(bucketOutbox).Bucket([]byte(name)).Sequence()
	}
	return numbers
}

// Next gives the oldest message waiting for a recipient that is on the device, and false when none does. It stays until End. A rotten
// one gives an error and its Number, with which End takes it out of the way of those behind it.
func (b *Book) Next(recipient string) (row Row, ok bool, err error) { return b.NextAfter(recipient, 0) }

// NextAfter gives the oldest such message behind a number.
func (b *Book) NextAfter(recipient string, after uint64) (row Row, ok bool, err error) {
	sure := b.sureOf(recipient)
	err = guard("reading the outbox", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			queue := tx.Bucket(bucketOutbox).Bucket([]byte(recipient))
			if queue == nil {
				return nil
			}
			k, v := queue.Cursor().Seek(key64(after + 1))
			if k == nil {
				return nil
			}
			number, err := split64(k)
			if err != nil {
				return err
			}
			if number > sure {
				return nil // of a commit that failed: it may not be on the device
			}
			if row, err = unsealMessage(recipient, number, v); err != nil {
				row.Number = number
				return fmt.Errorf("message %d: %w", number, err)
			}
			ok = true
			return nil
		})
	})
	if err != nil {
		return Row{Recipient: recipient, Number: row.Number}, false, fmt.Errorf("outbox of %s: %w", recipient, err)
	}
	return row, ok, nil
}

// Waiting is the number of messages a recipient has not had yet.
func (b *Book) Waiting(recipient string) (n int, err error) {
	err = guard("counting the outbox", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			n = waiting(tx, recipient)
			return nil
		})
	})
	return n, err
}

func waiting(tx *bolt.Tx, recipient string) int {
	return count(tx.Bucket(bucketOutbox).Bucket([]byte(recipient)))
}

// count walks at most some ten thousand keys: the bounds above. A number kept beside them could be wrong.
func count(b *bolt.Bucket) int {
	if b == nil {
		return 0
	}
	n := 0
	c := b.Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		n++
	}
	return n
}

// End takes a message out of its queue and records how it ended, both or neither. Ending it again changes nothing; one that
// was dropped while it was on its way gets the true result. A number that never was is ErrNoSuchRow.
func (b *Book) End(recipient string, number uint64, result string, at reading.Stamp, detail string) error {
	b.writing.Lock()
	defer b.writing.Unlock()
	err := b.update("ending a message", func(tx *bolt.Tx) error {
		return end(tx, recipient, number, result, at, detail)
	})
	if err != nil {
		return fmt.Errorf("message %d for %s: %w", number, recipient, err)
	}
	return nil
}

func end(tx *bolt.Tx, recipient string, number uint64, result string, at reading.Stamp, detail string) error {
	queue := tx.Bucket(bucketOutbox).Bucket([]byte(recipient))
	if queue == nil {
		return ErrNoSuchRow
	}
	d := Delivery{Recipient: recipient, Result: result, At: at, Detail: clip(detail)}
	v := queue.Get(key64(number))
	if v != nil {
		row, err := unsealMessage(recipient, number, v)
		if err != nil {
			// A rotten message can never be told. It must not stand in the way of those behind it for ever.
			row = Row{}
			d.Detail = clip("the message was unreadable: " + err.Error())
		}
		d.ID, d.Created = row.ID, row.Created
		if err := queue.Delete(key64(number)); err != nil {
			return err
		}
		return record(tx, number, d)
	}
	if records := tx.Bucket(bucketDeliveries).Bucket([]byte(recipient)); records != nil {
		v = records.Get(key64(number))
	}
	if v == nil {
		return ErrNoSuchRow
	}
	there, err := readDelivery(recipient, key64(number), v)
	if err != nil {
		return err
	}
	if there.Result != Dropped {
		return nil
	}
	d.ID, d.Created = there.ID, there.Created
	return record(tx, number, d)
}

func clip(s string) string {
	if len(s) > detailMax {
		return s[:detailMax]
	}
	return s
}

// record keeps how a message ended and forgets the oldest record beyond the bound.
func record(tx *bolt.Tx, number uint64, d Delivery) error {
	records, err := tx.Bucket(bucketDeliveries).CreateBucketIfNotExists([]byte(d.Recipient))
	if err != nil {
		return err
	}
	row, err := sealJSON(queuePlace(d.Recipient, number), d)
	if err != nil {
		return err
	}
	if err := records.Put(key64(number), row); err != nil {
		return err
	}
	return trim(records, DeliveriesMax, nil)
}

// trim deletes the oldest rows beyond the bound, giving each to gone first.
func trim(b *bolt.Bucket, most int, gone func(k, v []byte) error) error {
	for excess := count(b) - most; excess > 0; excess-- {
		k, v := b.Cursor().First()
		if gone != nil {
			if err := gone(k, v); err != nil {
				return err
			}
		}
		if err := b.Delete(append([]byte(nil), k...)); err != nil {
			return err
		}
	}
	return nil
}

// dropOldest keeps a queue within its bound and says how many messages had to go.
func dropOldest(tx *bolt.Tx, recipient string, at reading.Stamp) (dropped uint64, err error) {
	err = trim(tx.Bucket(bucketOutbox).Bucket([]byte(recipient)), WaitingMax, func(k, v []byte) error {
		number, err := split64(k)
		if err != nil {
			return err
		}
		d := Delivery{Recipient: recipient, Result: Dropped, At: at, Detail: fmt.Sprintf("more than %d messages were waiting", WaitingMax)}
		if row, err := unsealMessage(recipient, number, v); err == nil {
			d.ID, d.Created = row.ID, row.Created
		}
		dropped++
		return record(tx, number, d)
	})
	return dropped, err
}

// Deliveries gives up to limit records of a recipient after a number, oldest first.
func (b *Book) Deliveries(recipient string, after uint64, limit int) (ds []Delivery, err error) {
	err = guard("reading delivery records", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			records := tx.Bucket(bucketDeliveries).Bucket([]byte(recipient))
			if records == nil {
				return nil
			}
			c := records.Cursor()
			for k, v := c.Seek(key64(after + 1)); k != nil && len(ds) < bounded(limit); k, v = c.Next() {
				d, err := readDelivery(recipient, k, v)
				if err != nil {
					return err
				}
				ds = append(ds, d)
			}
			return nil
		})
	})
	return ds, err
}

func readDelivery(recipient string, k, v []byte) (Delivery, error) {
	number, err := split64(k)
	if err != nil {
		return Delivery{}, err
	}
	d := Delivery{Number: number}
	if err := unsealJSON(queuePlace(recipient, number), v, &d); err != nil {
		return Delivery{}, fmt.Errorf("delivery %d for %s: %w", number, recipient, err)
	}
	return d, nil
}
