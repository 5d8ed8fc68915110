package logbook

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/event"
)

func messages(recipient string, from, to uint64) []Row {
	var rows []Row
	for seq := from; seq <= to; seq++ {
		rows = append(rows, Row{ID: event.ID{Boot: "00000001", Seq: seq}, Recipient: recipient, Body: fmt.Appendf(nil, "message %d", seq), Created: noon})
	}
	return rows
}

func TestMessagesAreToldInTheOrderOfTheirCommitsAlsoAcrossRestarts(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir)
	begin(t, b, "00000001")
	commit(t, b, Commit{Boot: "00000001", Through: 1, At: stamp(time.Second), Outbox: append(messages("duty", 5, 7), messages("chemist", 1, 1)...)})
	commit(t, b, Commit{Boot: "00000001", Through: 2, At: stamp(2 * time.Second), Outbox: messages("duty", 1, 2)})
	b = reopen(t, b, dir)
	if names, err := b.Recipients(); err != nil || cmp.Diff([]string{"chemist", "duty"}, names) != "" {
		t.Errorf("recipients are %v, %v", names, err)
	}
	var told []string
	for i := 0; ; i++ {
		row, ok, err := b.Next("duty")
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			break
		}
		again, _, err := b.Next("duty")
		if err != nil || cmp.Diff(row, again) != "" {
			t.Errorf("asked again before its end, another comes: %v, %v", again, err)
		}
		told = append(told, fmt.Sprintf("%d %s %s %s", row.Number, row.ID, row.Body, row.Created.Time().Format(time.DateTime)))
		if err := b.End("duty", row.Number, "delivered", stamp(time.Duration(i)*time.Minute), "HTTP 204"); err != nil {
			t.Fatal(err)
		}
		b = reopen(t, b, dir)
	}
	want := []string{
		"1 00000001-5 message 5 2026-07-02 12:00:00", "2 00000001-6 message 6 2026-07-02 12:00:00", "3 00000001-7 message 7 2026-07-02 12:00:00",
		"4 00000001-1 message 1 2026-07-02 12:00:00", "5 00000001-2 message 2 2026-07-02 12:00:00",
	}
	if d := cmp.Diff(want, told); d != "" {
		t.Errorf("told (-want +got):\n%s", d)
	}
	if n, err := b.Waiting("chemist"); err != nil || n != 1 {
		t.Errorf("%d wait for the chemist, %v; want 1", n, err)
	}
	if n, err := b.Waiting("nobody"); err != nil || n != 0 {
		t.Errorf("%d wait for nobody, %v", n, err)
	}
	// A number is never given twice, even when the queue is empty.
	begin(t, b, "00000002")
	commit(t, b, Commit{Boot: "00000002", Through: 1, At: stamp(time.Second), Outbox: messages("duty", 9, 9)})
	if row, ok, err := b.Next("duty"); !ok || err != nil || row.Number != 6 {
		t.Errorf("the next message has number %d, %v, %v; want 6", row.Number, ok, err)
	}
}

func TestTheEndOfAMessageIsRecordedOnce(t *testing.T) {
	b := open(t, t.TempDir())
	begin(t, b, "00000001")
	commit(t, b, Commit{Boot: "00000001", Through: 1, At: stamp(time.Second), Outbox: messages("duty", 1, 2)})
	for range 2 {
		if err := b.End("duty", 1, "refused", stamp(time.Minute), strings.Repeat("x", 2000)); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.End("duty", 1, "delivered", stamp(time.Hour), ""); err != nil {
		t.Fatal(err)
	}
	want := []Delivery{{Number: 1, ID: event.ID{Boot: "00000001", Seq: 1}, Recipient: "duty", Result: "refused", At: stamp(time.Minute),
		Detail: strings.Repeat("x", detailMax), Created: noon}}
	got, err := b.Deliveries("duty", 0, 0)
	if d := cmp.Diff(want, got); err != nil || d != "" {
		t.Errorf("%v, records (-want +got):\n%s", err, d)
	}
	for _, c := range []struct {
		recipient string
		number    uint64
	}{{"duty", 3}, {"nobody", 1}, {"duty", 0}} {
		if err := b.End(c.recipient, c.number, "delivered", stamp(0), ""); !errors.Is(err, ErrNoSuchRow) {
			t.Errorf("%s %d: %v, want ErrNoSuchRow", c.recipient, c.number, err)
		}
	}
	if n, _ := b.Waiting("duty"); n != 1 {
		t.Errorf("%d wait, want 1", n)
	}
}

func TestAMessageWithoutRecipientOrIdFailsTheWholeCommit(t *testing.T) {
	b := open(t, t.TempDir())
	begin(t, b, "00000001")
	c := full("00000001", 1)
	c.Outbox = messages("", 1, 1)
	if err := b.Commit(c); !errors.Is(err, ErrNoRecipient) || !strings.HasPrefix(err.Error(), "commit seq 1: ") {
		t.Errorf("without a recipient: %v", err)
	}
	c.Outbox = []Row{{Recipient: "duty"}}
	if err := b.Commit(c); err == nil {
		t.Error("without an id: no error")
	}
	if n := len(events(t, b)) + len(samples(t, b)); n != 0 {
		t.Errorf("%d rows of commits that failed are there", n)
	}
	if s := b.Stats(); s.Failures != 2 || s.Commits != 0 {
		t.Errorf("counted %+v, want 2 failures", s)
	}
	commit(t, b, full("00000001", 2))
}

// The recipient has been dead for months. Three more messages come than may wait: the three oldest give way, on record.
func TestTheOldestMessageGivesWayWithARecord(t *testing.T) {
	b := open(t, t.TempDir())
	begin(t, b, "00000001")
	const step = 2500
	through := uint64(0)
	for from := uint64(1); from < WaitingMax; from += step {
		through++
		commit(t, b, Commit{Boot: "00000001", Through: through, At: stamp(time.Second), Outbox: messages("duty", from, from+step-1)})
	}
	flying, _, err := b.Next("duty") // the first is on its way
	if err != nil || flying.Number != 1 {
		t.Fatal(flying, err)
	}
	last := Commit{Boot: "00000001", Through: through + 1, At: stamp(time.Hour), Outbox: messages("duty", WaitingMax+1, WaitingMax+3)}
	for range 2 { // also when it is tried again
		commit(t, b, last)
		if n, err := b.Waiting("duty"); err != nil || n != WaitingMax {
			t.Fatalf("%d wait, %v; want %d", n, err, WaitingMax)
		}
		ds, err := b.Deliveries("duty", 0, 0)
		if err != nil || len(ds) != 3 {
			t.Fatalf("records %v, %v; want 3", ds, err)
		}
		for i, d := range ds {
			if d.Number != uint64(i+1) || d.ID.Seq != uint64(i+1) || d.Result != Dropped || d.At != stamp(time.Hour) || d.Detail == "" {
				t.Errorf("record %d is %+v", i, d)
			}
		}
	}
	if n := b.Stats().Dropped; n != 3 {
		t.Errorf("%d counted as dropped, want 3", n)
	}
	if row, _, err := b.Next("duty"); err != nil || row.Number != 4 {
		t.Errorf("the oldest now has number %d, %v; want 4", row.Number, err)
	}
	if err := b.End("duty", flying.Number, "delivered", stamp(2*time.Hour), ""); err != nil {
		t.Fatal(err)
	}
	if ds, err := b.Deliveries("duty", 0, 1); err != nil || ds[0].Result != "delivered" || ds[0].ID != flying.ID {
		t.Errorf("the one on its way did arrive, the record says %+v, %v", ds, err)
	}
}
