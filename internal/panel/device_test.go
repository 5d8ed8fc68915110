package panel

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func TestASerialNumberIsWhatAPersonReadsOnThePlate(t *testing.T) {
	text := site.Identity{Configured: true, Count: 4}
	for _, c := range []struct {
		id    site.Identity
		words []uint16
		want  string
	}{
		{text, []uint16{'L'<<8 | 'F', '-'<<8 | '0', '0'<<8 | '4', '2' << 8}, "LF-0042"},
		{text, []uint16{' '<<8 | ' ', 'A'<<8 | ' ', 0, 'B'}, "A    B"}, // padding goes at the ends only
		{text, []uint16{'A'<<8 | 0xE9, '\n'<<8 | 'B', 0, 0}, "A??B"},
		{text, []uint16{0, 0, 0, 0}, ""}, {text, []uint16{0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF}, ""}, {text, []uint16{0x2020, 0x2020, 0, 0}, ""},
		{text, []uint16{'A'<<8 | 'B'}, ""}, // half an answer
		{site.Identity{Configured: true, Count: 2, Type: site.Uint32}, []uint16{1, 2}, "65538"},
		{site.Identity{Configured: true, Count: 2, Type: site.Uint32, Order: site.CDAB}, []uint16{2, 1}, "65538"},
		{site.Identity{Configured: true, Count: 1, Type: site.Uint16}, []uint16{42}, "42"},
		{site.Identity{Configured: true, Count: 1, Type: site.Uint16}, []uint16{0xFFFF}, ""},
	} {
		if got := Serial(&c.id, c.words); got != c.want {
			t.Errorf("%04x: %q, want %q", c.words, got, c.want)
		}
	}
}

// A device that stops between two polls a minute apart is found by the clock, not by the next answer, and a new process counts anew.
func TestADeviceThatStandsStillIsFoundBetweenTwoPolls(t *testing.T) {
	s, _ := bench(t)
	s.Sensors[0].Alive = site.Alive{Configured: true, Point: 0} // the flow's word as the counter
	pl := New(s, &s.Panels[0])
	step(pl, 1, [3]uint16{200, 12, 25})
	step(pl, 2, [3]uint16{201, 12, 25})
	tick := func(up time.Duration) { pl.Step(Input{Now: reading.Stamp{Up: up}, Certain: true, NextSeq: 1}) }
	step(pl, 11, [3]uint16{201, 12, 25})
	if tick(12 * time.Second); pl.Guest(1).Own.Reason != reading.Believed {
		t.Errorf("after ten seconds: %s", pl.Guest(1).Own.Reason)
	}
	tick(12*time.Second + 1)
	for p := range 3 {
		if r := pl.Guest(p).Own; r.Reason != reading.NotUpdating || r.HasValue() {
			t.Errorf("point %d past ten seconds: %+v", p, r)
		}
	}
	step(pl, 13, [3]uint16{202, 12, 25})
	if r := pl.Guest(1).Own; r.Reason != reading.Believed {
		t.Errorf("when it moves again: %s", r.Reason)
	}
}

// The words by which a device reports a fault are shown as they are, and a status that cannot be read says what it said last.
func TestAStatusHoldsUntilItIsReadAgainAndIsShownItself(t *testing.T) {
	s, _ := bench(t)
	s.Sensors[0].Status = site.Status{Configured: true, Point: 0, Mask: 1} // the flow's word as the status
	pl := New(s, &s.Panels[0])
	step(pl, 1, [3]uint16{3, 12, 25})
	if own, other := pl.Guest(0).Own, pl.Guest(1).Own; own.Value != 3 || other.Reason != reading.SensorFault || other.HasValue() {
		t.Errorf("status %+v, oxygen %+v", own, other)
	}
	at := reading.Stamp{Up: 2 * time.Second}
	pl.Step(Input{Now: at, Certain: true, NextSeq: 1, Reads: []Read{
		{Point: 0, Slot: 2, Fault: reading.IllegalAddress, At: at}, {Point: 1, Slot: 2, Words: []uint16{12}, Fault: reading.Answered, At: at}}})
	if r := pl.Guest(1).Own; r.Reason != reading.SensorFault {
		t.Errorf("while the status is refused: %s", r.Reason)
	}
	step(pl, 3, [3]uint16{2, 12, 25})
	if r := pl.Guest(1).Own; r.Reason != reading.Believed {
		t.Errorf("when it is good again: %s", r.Reason)
	}
}

// A device that measures anew and finds the same is news: two hot updates may be one word twice, when the counter moved between them.
func TestACounterThatMovesMakesAHeldWordNews(t *testing.T) {
	s, _ := bench(t)
	s.Sensors[0].Refresh = time.Minute
	for _, alive := range []bool{false, true} {
		s.Sensors[0].Alive = site.Alive{Configured: alive, Point: 0} // the flow's word as the counter
		pl := New(s, &s.Panels[0])
		step(pl, 1, [3]uint16{200, 12, 25})
		if step(pl, 2, [3]uint16{200, 12, 25}); pl.Guest(2).Update {
			t.Error("a held word is news while the counter stands")
		}
		if step(pl, 3, [3]uint16{201, 12, 25}); pl.Guest(2).Update != alive {
			t.Errorf("with a counter %v: a held word is news: %v", alive, !alive)
		}
	}
}
