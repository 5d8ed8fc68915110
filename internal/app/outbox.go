package app

import (
	"log/slog"
	"slices"
	"sync"
	"time"

	"rillwatch/internal/logbook"
	"rillwatch/internal/notify"
	"rillwatch/internal/reading"
)

const (
	// tellAnyway is how long an event may wait for the disk before it is told from memory: a dead disk must not silence an alarm.
	tellAnyway = 10 * time.Second
	// looseMax bounds the messages told from memory, for each recipient. A disk that is dead for a weekend brings some dozens; beyond
	// the bound the newest wait for the disk, which is counted nowhere else and so is logged.
	looseMax = 1000
	// looseKey marks the keys of messages that are not in the book; the book's own numbers never come near it.
	looseKey = uint64(1) << 63
	// Unreadable is how a message ended whose row in the book is damaged.
	unreadable = "unreadable"
)

// store is the book's queue of messages.
type store interface {
	Next(recipient string) (logbook.Row, bool, error)
	End(recipient string, number uint64, result string, at reading.Stamp, detail string) error
}

// outbox is the book's queue as the notifier sees it, with the messages in front that the disk would not take for too long. Those are
// told once from memory; when the disk takes them after all, the row is ended as told and not sent again. The ID is the same, so a
// process that dies in between tells it at most once more, and the recipient can know.
type outbox struct {
	book store
	log  *slog.Logger
	now  func() reading.Stamp

	mu    sync.Mutex // the loop lays messages in, the couriers of all recipients take them out; they wait for nothing else of each other
	loose map[string][]notify.Item
	told  map[string]map[string]notify.Result // by recipient and ID, until the disk has it
	next  uint64
	going map[string]uint64 // key of the message a recipient's courier is under way with
}

func newOutbox(book store, now func() reading.Stamp, log *slog.Logger) *outbox {
	return &outbox{book: book, log: log, now: now, loose: map[string][]notify.Item{}, told: map[string]map[string]notify.Result{}, next: looseKey, going: map[string]uint64{}}
}

// add lays a message in that is not on disk.
func (o *outbox) add(r notify.Row, created reading.Wall) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.loose[r.Recipient])+len(o.told[r.Recipient]) >= looseMax {
		o.log.Error("too many messages wait for the disk; this one waits too", "recipient", r.Recipient, "id", r.ID.String())
		return
	}
	o.next++
	o.loose[r.Recipient] = append(o.loose[r.Recipient], notify.Item{Key: o.next, ID: r.ID.String(), Body: r.Body, Created: created})
}

// durable takes back a message that is on disk now and was not told yet.
func (o *outbox) durable(recipient, id string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.loose[recipient] = slices.DeleteFunc(o.loose[recipient], func(i notify.Item) bool { return i.ID == id && i.Key != o.going[recipient] })
}

// Next gives the oldest message of a recipient: what the book holds is older than what it would not take.
func (o *outbox) Next(recipient string) (notify.Item, bool, error) {
	for {
		row, ok, err := o.book.Next(recipient)
		switch {
		case err != nil && row.Number != 0:
			// one damaged row must not hold back all that come after it; that it is lost is on record
			o.log.Error("a message in the logbook cannot be read and is given up", "recipient", recipient, "number", row.Number, "error", err)
			if err := o.book.End(recipient, row.Number, unreadable, o.now(), err.Error()); err != nil {
				return notify.Item{}, false, err
			}
			continue
		case ok:
			id := row.ID.String()
			o.mu.Lock()
			result, was := o.told[recipient][id]
			o.mu.Unlock()
			if !was {
				return notify.Item{Key: row.Number, ID: id, Body: row.Body, Created: row.Created}, true, nil
			}
			if err := o.book.End(recipient, row.Number, string(result), o.now(), "told before it was on disk"); err != nil {
				return notify.Item{}, false, err
			}
			o.mu.Lock()
			delete(o.told[recipient], id)
			o.mu.Unlock()
			continue
		}
		o.mu.Lock()
		defer o.mu.Unlock()
		if q := o.loose[recipient]; len(q) > 0 {
			o.going[recipient] = q[0].Key
			return q[0], true, nil
		}
		return notify.Item{}, false, err
	}
}

// End records how a message ended.
func (o *outbox) End(recipient string, key uint64, result notify.Result, at reading.Stamp, detail string) error {
	if key < looseKey {
		return o.book.End(recipient, key, string(result), at, detail)
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	delete(o.going, recipient)
	o.loose[recipient] = slices.DeleteFunc(o.loose[recipient], func(i notify.Item) bool {
		if i.Key != key {
			return false
		}
		if o.told[recipient] == nil {
			o.told[recipient] = map[string]notify.Result{}
		}
		o.told[recipient][i.ID] = result
		return true
	})
	return nil
}
