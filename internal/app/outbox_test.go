package app

import (
	"errors"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
	"rillwatch/internal/notify"
	"rillwatch/internal/reading"
)

// shelf is a book's queue that a test fills.
type shelf struct {
	rows  []logbook.Row
	bad   map[uint64]bool // rows that cannot be read
	ended []string        // ID, result

	details []string      // of those ended
	hangs   chan struct{} // reading waits for it; nil: it does not
	fails   func() error  // what ending a message gives; it may hang
	mu      sync.Mutex
}

func (s *shelf) NextAfter(recipient string, after uint64) (logbook.Row, bool, error) {
	if s.hangs != nil {
		<-s.hangs
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range s.rows {
		if r.Recipient != recipient || r.Number <= after {
			continue
		}
		if s.bad[r.Number] {
			return logbook.Row{Number: r.Number}, false, errors.New("checksum")
		}
		return r, true, nil
	}
	return logbook.Row{}, false, nil
}

func (s *shelf) End(recipient string, number uint64, result string, _ reading.Stamp, detail string) error {
	if s.fails != nil {
		if err := s.fails(); err != nil {
			return err
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.rows = slices.DeleteFunc(s.rows, func(r logbook.Row) bool {
		if r.Number == number && r.Recipient == recipient {
			s.ended = append(s.ended, r.ID.String()+" "+result)
			s.details = append(s.details, detail)
			return true
		}
		return false
	})
	return nil
}

func (s *shelf) put(n uint64, seq uint64) {
	s.rows = append(s.rows, logbook.Row{Number: n, ID: event.ID{Boot: "4f2a91c0", Seq: seq}, Recipient: "on-call", Body: []byte("durable")})
}

func TestWhatTheDiskWouldNotTakeIsToldOnceFromMemoryUnderTheSameID(t *testing.T) {
	now := func() reading.Stamp { return reading.Stamp{Up: time.Minute} }
	book := &shelf{}
	o := newOutbox(book, now, slog.New(slog.DiscardHandler))
	id := event.ID{Boot: "4f2a91c0", Seq: 7}
	o.add(notify.Row{ID: id, Recipient: "on-call", Body: []byte("loose")}, 0)
	if _, ok, _ := first(o, "other"); ok {
		t.Error("another recipient got it")
	}
	item, ok, err := first(o, "on-call")
	if err != nil || !ok || item.ID != id.String() || string(item.Body) != "loose" {
		t.Fatalf("%+v %v %v", item, ok, err)
	}
	if err := o.End("on-call", []uint64{item.Key}, notify.Delivered, now(), ""); err != nil {
		t.Fatal(err)
	}
	if _, ok, _ := first(o, "on-call"); ok {
		t.Error("told twice from memory")
	}
	// the disk takes it after all, with a later one behind it
	book.put(1, 7)
	book.put(2, 8)
	item, ok, err = first(o, "on-call")
	if err != nil || !ok || item.Key != 2 {
		t.Errorf("after the disk came back: %+v %v %v", item, ok, err)
	}
	if want := []string{"4f2a91c0-7 delivered"}; !slices.Equal(book.ended, want) {
		t.Errorf("on record %v, want %v", book.ended, want)
	}
}

func TestAMessageTheDiskTookInTimeIsNotToldFromMemoryToo(t *testing.T) {
	now := func() reading.Stamp { return reading.Stamp{} }
	book := &shelf{}
	o := newOutbox(book, now, slog.New(slog.DiscardHandler))
	o.add(notify.Row{ID: event.ID{Boot: "4f2a91c0", Seq: 7}, Recipient: "on-call"}, 0)
	o.durable("on-call", "4f2a91c0-7")
	book.put(1, 7)
	item, ok, _ := first(o, "on-call")
	if !ok || item.Key != 1 {
		t.Fatalf("%+v %v", item, ok)
	}
	if err := o.End("on-call", []uint64{item.Key}, notify.Delivered, now(), ""); err != nil {
		t.Fatal(err)
	}
	if _, ok, _ := first(o, "on-call"); ok {
		t.Error("told twice")
	}
}

func TestADamagedMessageDoesNotHoldBackTheNext(t *testing.T) {
	book := &shelf{bad: map[uint64]bool{1: true}}
	book.put(1, 7)
	book.put(2, 8)
	o := newOutbox(book, func() reading.Stamp { return reading.Stamp{} }, slog.New(slog.DiscardHandler))
	item, ok, err := first(o, "on-call")
	if err != nil || !ok || item.Key != 2 {
		t.Errorf("%+v %v %v", item, ok, err)
	}
	if want := []string{"4f2a91c0-7 unreadable"}; !slices.Equal(book.ended, want) {
		t.Errorf("on record %v, want %v", book.ended, want)
	}
}

func TestADeadDiskSilencesNoAlarm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, func(try int, _ logbook.Commit) error {
			if try > 1 {
				return errors.New("input/output error")
			}
			return nil
		})
		b.poll(5*time.Second, 310) // raised at the fourth
		if _, ok, _ := first(b.l.outbox, "on-call"); ok {
			t.Error("told before the disk had its ten seconds")
		}
		b.poll(15*time.Second, 310)
		told := b.takeAll("on-call")
		// the alarm and the failing disk itself
		if len(told) != 2 {
			t.Errorf("told %v from memory, want the alarm and that the disk fails", told)
		}
		b.stop()
	})
}

// TestADiskThatWouldNotTakeAnEndHoldsUpNoAlarm: the recipient has answered for one message, and the disk dies before that is on record. The
// alarms that come then, told from memory, must not stand behind it; and the one that was told is not told again.
func TestADiskThatWouldNotTakeAnEndHoldsUpNoAlarm(t *testing.T) {
	for name, dies := range map[string]func(dead chan struct{}) error{
		"it fails": func(dead chan struct{}) error {
			select {
			case <-dead:
				return nil
			default:
				return errors.New("input/output error")
			}
		},
		"it hangs": func(dead chan struct{}) error { <-dead; return nil },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				dead := make(chan struct{})
				book := &shelf{fails: func() error { return dies(dead) }}
				book.put(1, 7)
				book.put(2, 8)
				o := newOutbox(book, func() reading.Stamp { return reading.Stamp{Up: time.Since(start)} }, slog.New(slog.DiscardHandler))
				o.add(notify.Row{ID: event.ID{Boot: "4f2a91c0", Seq: 9}, Recipient: "on-call", Body: []byte("loose")}, 0)
				var told []string
				for {
					item, ok, err := first(o, "on-call")
					if err != nil {
						t.Fatal(err)
					}
					if !ok {
						break
					}
					if told = append(told, item.ID); len(told) > 9 {
						break
					}
					if err := o.End("on-call", []uint64{item.Key}, notify.Delivered, o.now(), ""); err != nil {
						t.Fatal(err)
					}
				}
				if want := []string{"4f2a91c0-7", "4f2a91c0-8", "4f2a91c0-9"}; !slices.Equal(told, want) {
					t.Errorf("told %v, want %v", told, want)
				}
				if took := time.Since(start); took > 10*time.Second {
					t.Errorf("the alarm behind them waited %s", took)
				}
				close(dead) // the disk is back
				<-time.After(2 * endRetry)
				synctest.Wait()
				if want := []string{"4f2a91c0-7 delivered", "4f2a91c0-8 delivered"}; !slices.Equal(book.ended, want) {
					t.Errorf("on record %v, want %v", book.ended, want)
				}
				o.close()
			})
		})
	}
}

// TestAMessageThatADiskHoldsBackIsNotTakenForGone: the courier saw it wait, then the disk hangs. Taken for gone, it would be forgotten until the next
// start, or put on record as told in a summary that lacks it.
func TestAMessageThatADiskHoldsBackIsNotTakenForGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		book := &shelf{}
		book.put(1, 7)
		o := newOutbox(book, func() reading.Stamp { return reading.Stamp{} }, slog.New(slog.DiscardHandler))
		items, err := o.After("on-call", 0, 9)
		if err != nil || len(items) != 1 {
			t.Fatalf("%+v %v", items, err)
		}
		dead := make(chan struct{})
		book.hangs = dead
		for range 2 { // whoever asks first waits a little, the next not at all
			if _, ok, err := o.Get("on-call", 1); ok || !errors.Is(err, notify.ErrLater) {
				t.Errorf("%v %v, want %v", ok, err, notify.ErrLater)
			}
		}
		if items, err := o.After("on-call", 0, 9); err != nil || len(items) != 0 {
			t.Errorf("what waits in memory must not stand behind it: %+v %v", items, err)
		}
		close(dead)
		synctest.Wait()
		if item, ok, err := o.Get("on-call", 1); err != nil || !ok || item.Key != 1 {
			t.Errorf("the disk is back: %+v %v %v", item, ok, err)
		}
	})
}

func TestWhatWasToldInASummaryFromMemoryIsOnRecordAsInIt(t *testing.T) {
	now := func() reading.Stamp { return reading.Stamp{} }
	book := &shelf{}
	o := newOutbox(book, now, slog.New(slog.DiscardHandler))
	o.add(notify.Row{ID: event.ID{Boot: "4f2a91c0", Seq: 7}, Recipient: "on-call", Body: []byte("loose")}, 0)
	item, ok, err := first(o, "on-call")
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	if err := o.End("on-call", []uint64{item.Key}, notify.InSummary, now(), "in summary 4f2a91c0-7-s01: answered 204"); err != nil {
		t.Fatal(err)
	}
	book.put(1, 7)
	if _, ok, _ := first(o, "on-call"); ok {
		t.Error("told twice")
	}
	if want := []string{"in summary 4f2a91c0-7-s01: answered 204; told before it was on disk"}; !slices.Equal(book.details, want) {
		t.Errorf("on record %q, want %q", book.details, want)
	}
}

// first takes the message that would go next where nothing is held back.
func first(o *outbox, recipient string) (notify.Item, bool, error) {
	for _, from := range []uint64{0, notify.Loose} {
		items, err := o.After(recipient, from, 1)
		if err != nil {
			return notify.Item{}, false, err
		}
		if len(items) > 0 {
			return o.Get(recipient, items[0].Key)
		}
	}
	return notify.Item{}, false, nil
}
