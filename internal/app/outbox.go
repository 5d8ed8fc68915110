package app

import (
	"errors"
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
	// Unreadable is how a message ended whose row in the book is damaged.
	unreadable = "unreadable"
	// bookWait is how long a courier waits for the book: the next alarm waits behind it. A sound disk takes milliseconds, a poor card two
	// seconds; one that takes longer is told as failing by others.
	bookWait = 2 * time.Second
	// endRetry is the pause after the end of a message could not be recorded.
	endRetry = 5 * time.Second
)

// store is the book's queue of messages.
type store interface {
	NextAfter(recipient string, after uint64) (logbook.Row, bool, error)
	End(recipient string, number uint64, result string, at reading.Stamp, detail string) error
}

// outbox is the book's queue as the notifier sees it, with two kinds of messages that the disk would not take for too long: those not yet
// in it, which are told once from memory and ended when the disk takes them after all; and those told whose end it would not take, which
// are not told again. Neither holds up the next alarm. The ID is the same, so a process that dies in between tells a message at most
// once more, and the recipient can know.
type outbox struct {
	book store
	log  *slog.Logger
	now  func() reading.Stamp

	mu    sync.Mutex // the loop lays messages in, the couriers of all recipients take them out; they wait for nothing else of each other
	loose map[string][]notify.Item
	told  map[string]map[string]fate // by recipient and ID, until the disk has it
	next  uint64
	going map[string]map[uint64]bool // keys of the messages a recipient's courier is under way with

	over      map[place]bool           // ended, and the book does not have it yet; at most as many as its queues may hold
	ends      []*ending                // to be recorded, oldest first
	recording bool                     // a goroutine is at it
	late      bool                     // it has kept somebody waiting too long and has not moved since
	reads     map[string]chan bookRead // answers of the book that did not come in time
	closed    chan struct{}
	recorder  sync.WaitGroup
}

// fate is how a message ended that the disk does not have yet.
type fate struct {
	result notify.Result
	detail string
}

// place is where a message stands in the book.
type place struct {
	recipient string
	number    uint64
}

// ending is the end of a message on its way to the book.
type ending struct {
	place
	result, detail string
	at             reading.Stamp
	done           chan struct{}
}

type bookRead struct {
	row logbook.Row
	ok  bool
	err error
}

func newOutbox(book store, now func() reading.Stamp, log *slog.Logger) *outbox {
	return &outbox{book: book, log: log, now: now, loose: map[string][]notify.Item{}, told: map[string]map[string]fate{}, next: notify.Loose, going: map[string]map[uint64]bool{},
		over: map[place]bool{}, reads: map[string]chan bookRead{}, closed: make(chan struct{})}
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
	o.loose[recipient] = slices.DeleteFunc(o.loose[recipient], func(i notify.Item) bool { return i.ID == id && !o.going[recipient][i.Key] })
}

// After gives the messages of a recipient behind a key: those of the book, or with a key of notify.Loose and above those it would not take.
func (o *outbox) After(recipient string, key uint64, most int) ([]notify.Item, error) {
	var items []notify.Item
	if key >= notify.Loose {
		o.mu.Lock()
		defer o.mu.Unlock()
		for _, i := range o.loose[recipient] {
			if i.Key > key && len(items) < most {
				items = append(items, i)
			}
		}
		return items, nil
	}
	for len(items) < most {
		row, ok, err := o.read(recipient, key)
		switch {
		case errors.Is(err, notify.ErrLater):
			return items, nil // what waits in memory is told meanwhile
		case err != nil && row.Number != 0:
			// one damaged row must not hold back all that come after it; that it is lost is on record
			if !o.isOver(place{recipient, row.Number}) {
				o.log.Error("a message in the logbook cannot be read and is given up", "recipient", recipient, "number", row.Number, "error", err)
				o.record(place{recipient, row.Number}, unreadable, err.Error())
			}
		case err != nil:
			return nil, err
		case !ok:
			return items, nil
		case !o.isOver(place{recipient, row.Number}) && !o.toldLoose(recipient, row):
			items = append(items, notify.Item{Key: row.Number, ID: row.ID.String(), Body: row.Body, Created: row.Created})
		}
		key = row.Number
	}
	return items, nil
}

// toldLoose tells whether a message of the book was told from memory already, and then ends it.
func (o *outbox) toldLoose(recipient string, row logbook.Row) bool {
	id := row.ID.String()
	o.mu.Lock()
	end, was := o.told[recipient][id]
	delete(o.told[recipient], id)
	o.mu.Unlock()
	if was {
		o.record(place{recipient, row.Number}, string(end.result), end.detail+"; told before it was on disk")
	}
	return was
}

// Get gives one message that waits, and false when it does no longer. One that is not in the book is then under way.
//
// Error: notify.ErrLater while the disk hangs; others are the book's.
func (o *outbox) Get(recipient string, key uint64) (notify.Item, bool, error) {
	if key < notify.Loose {
		row, ok, err := o.read(recipient, key-1)
		if err != nil || !ok || row.Number != key || o.isOver(place{recipient, key}) || o.toldLoose(recipient, row) {
			if row.Number != 0 {
				err = nil // it is damaged, or another one: this one is gone
			}
			return notify.Item{}, false, err
		}
		return notify.Item{Key: key, ID: row.ID.String(), Body: row.Body, Created: row.Created}, true, nil
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, i := range o.loose[recipient] {
		if i.Key == key {
			if o.going[recipient] == nil {
				o.going[recipient] = map[uint64]bool{}
			}
			o.going[recipient][key] = true
			return i, true, nil
		}
	}
	return notify.Item{}, false, nil
}

// read asks the book, and after a while takes its silence for notify.ErrLater: a disk that hangs may hold the book's own lock. Whoever asks
// while an older answer is still owed does not wait at all.
func (o *outbox) read(recipient string, after uint64) (logbook.Row, bool, error) {
	o.mu.Lock()
	c := o.reads[recipient]
	late := c != nil
	if !late {
		c = make(chan bookRead, 1)
		go func() {
			row, ok, err := o.book.NextAfter(recipient, after)
			c <- bookRead{row, ok, err}
		}()
	}
	o.mu.Unlock()
	if late { // it has had its time
		select {
		case <-c: // the answer to an older question
			o.mu.Lock()
			delete(o.reads, recipient)
			o.mu.Unlock()
			return o.read(recipient, after)
		default:
			return logbook.Row{}, false, notify.ErrLater
		}
	}
	wait := time.NewTimer(bookWait)
	defer wait.Stop()
	select {
	case r := <-c:
		return r.row, r.ok, r.err
	case <-wait.C:
		o.mu.Lock()
		o.reads[recipient] = c
		o.mu.Unlock()
		return logbook.Row{}, false, notify.ErrLater
	}
}

func (o *outbox) isOver(p place) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.over[p]
}

// End records how messages ended.
func (o *outbox) End(recipient string, keys []uint64, result notify.Result, _ reading.Stamp, detail string) error {
	for _, k := range keys {
		if k < notify.Loose {
			o.record(place{recipient, k}, string(result), detail)
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, k := range keys {
		delete(o.going[recipient], k)
	}
	o.loose[recipient] = slices.DeleteFunc(o.loose[recipient], func(i notify.Item) bool {
		if !slices.Contains(keys, i.Key) {
			return false
		}
		if o.told[recipient] == nil {
			o.told[recipient] = map[string]fate{}
		}
		o.told[recipient][i.ID] = fate{result, detail}
		return true
	})
	return nil
}

// record notes the end of a message and has the book take it; it waits a little for that, and not at all once it has waited in vain.
func (o *outbox) record(p place, result, detail string) {
	e := &ending{place: p, result: result, detail: detail, at: o.now(), done: make(chan struct{})}
	o.mu.Lock()
	o.over[p] = true
	o.ends = append(o.ends, e)
	if !o.recording {
		o.recording = true
		o.recorder.Go(o.recordAll)
	}
	late := o.late
	o.mu.Unlock()
	if late {
		return
	}
	wait := time.NewTimer(bookWait)
	defer wait.Stop()
	select {
	case <-e.done:
	case <-wait.C:
		o.mu.Lock()
		o.late = true
		o.mu.Unlock()
		o.log.Warn("the disk does not take the end of a message; it is kept in memory and not told again", "recipient", p.recipient, "number", p.number)
	}
}

// recordAll brings the ends of messages into the book, in their order, and ends when there are none left.
func (o *outbox) recordAll() {
	for {
		o.mu.Lock()
		if len(o.ends) == 0 {
			o.recording, o.late = false, false
			o.mu.Unlock()
			return
		}
		e := o.ends[0]
		o.mu.Unlock()
		err := o.book.End(e.recipient, e.number, e.result, e.at, e.detail)
		if err != nil && !errors.Is(err, logbook.ErrNoSuchRow) {
			o.log.Error("the end of a message could not be recorded; it will be tried again", "recipient", e.recipient, "number", e.number, "error", err)
			select {
			case <-o.closed:
				return // it is told once more after the next start
			case <-time.After(endRetry):
			}
			continue
		}
		o.mu.Lock()
		o.ends = o.ends[1:]
		delete(o.over, e.place)
		o.late = false
		o.mu.Unlock()
		close(e.done)
	}
}

// close waits a while for what is being recorded, then lets it be.
func (o *outbox) close() {
	close(o.closed)
	done := make(chan struct{})
	go func() { o.recorder.Wait(); close(done) }()
	select {
	case <-done:
	case <-time.After(lastCommitWait):
	}
}
