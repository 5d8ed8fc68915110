package bus

import (
	"fmt"
	"io"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
)

func TestTheInterlocksStationIsASegmentOfItsOwnBeforeASlowOne(t *testing.T) {
	l := dead(2)
	batches, _ := play(t, stationsOf(true, nil, 1, 2, 3), l, 5*time.Second)
	for i, b := range batches {
		switch b.Segment {
		case 0:
			if b.Last || len(b.Reads) != 1 || b.Reads[0].Station != 1 {
				t.Errorf("batch %d: last %v, %v", i, b.Last, b.Reads)
			}
			if waited := b.At.Up - b.Reads[0].Sent.Up; waited > 10*time.Millisecond {
				t.Errorf("batch %d: the temperature waited %v", i, waited)
			}
		case 1:
			if !b.Last || len(b.Reads) != 2 {
				t.Errorf("batch %d: last %v, %d reads", i, b.Last, len(b.Reads))
			}
		default:
			t.Errorf("batch %d: segment %d", i, b.Segment)
		}
	}
}

func TestASilentStationIsAskedEverMoreRarelyAndAtOnceWhenItAnswers(t *testing.T) {
	back := 5 * time.Minute
	l := &scripted{}
	l.answer = func(station uint8, at time.Duration) (time.Duration, error) {
		if station == 2 && at < back {
			return time.Second, modbus.ErrRequestTimedOut
		}
		return 5 * time.Millisecond, nil
	}
	batches, logged := play(t, stationsOf(false, nil, 1, 2, 3), l, 10*time.Minute)

	var gaps []time.Duration
	for i := 1; i < len(l.asks[2]) && l.asks[2][i] < back; i++ {
		gaps = append(gaps, l.asks[2][i]-l.asks[2][i-1])
	}
	for i, g := range gaps {
		if g > 17*time.Second || i > 8 && g < 11*time.Second {
			t.Errorf("gap %d between requests to the silent station: %v", i, g)
		}
	}
	if n := len(gaps); n < 15 || n > 30 {
		t.Errorf("the silent station was asked %d times in 5 minutes", n)
	}
	f := faults(batches, 2)
	held, normal := 0, 0
	for i, got := range f {
		switch got {
		case reading.HeldBack:
			held++
		case reading.Answered:
			normal++
			if i+1 < len(f) && f[i+1] != reading.Answered {
				t.Errorf("after it answered, a station was not asked in the next round: %v", f[i+1])
			}
		}
	}
	if held == 0 || normal < 280 {
		t.Errorf("held back %d times, answered %d times in the last 300 s", held, normal)
	}
	for _, id := range []uint8{1, 3} {
		for i := 1; i < len(l.asks[id]); i++ {
			if gap := l.asks[id][i] - l.asks[id][i-1]; gap > 2100*time.Millisecond {
				t.Errorf("the dead station made station %d wait %v, want a timeout and a period at most", id, gap)
			}
		}
		for _, got := range faults(batches, id) {
			if got != reading.Answered {
				t.Errorf("station %d: %v", id, got)
			}
		}
	}
	want := []string{
		`level=INFO msg="bus connected" bus=panel-net address="" failures=0 after=0s`,
		`level=WARN msg="station silent" bus=panel-net address="" station=2 silent_rounds=3`,
		`level=INFO msg="station answers again" bus=panel-net address="" station=2 silent_rounds=`,
	}
	lines := strings.Split(strings.TrimSpace(logged), "\n")
	for i, w := range want {
		if i >= len(lines) || !strings.HasPrefix(lines[i], w) {
			t.Errorf("log line %d: want %s", i, w)
		}
	}
	if len(lines) != len(want) {
		t.Errorf("%d log lines, want %d:\n%s", len(lines), len(want), logged)
	}
}

func TestOneLostAnswerIsNoSilence(t *testing.T) {
	n := 0
	l := &scripted{answer: func(station uint8, _ time.Duration) (time.Duration, error) {
		if n++; station == 2 && n%7 == 0 {
			return time.Second, modbus.ErrRequestTimedOut
		}
		return 5 * time.Millisecond, nil
	}}
	batches, logged := play(t, stationsOf(false, nil, 1, 2, 3), l, time.Minute)
	lostAnswers := 0
	for _, f := range faults(batches, 2) {
		switch f {
		case reading.Timeout:
			lostAnswers++
		case reading.HeldBack:
			t.Error("a station was held back for a single lost answer")
		}
	}
	if lostAnswers == 0 || l.closes < lostAnswers {
		t.Errorf("%d answers lost, %d connections replaced", lostAnswers, l.closes)
	}
	if strings.Contains(logged, "silent") {
		t.Errorf("logged:\n%s", logged)
	}
}

func TestTheInterlocksStationIsAskedEveryFiveSecondsAmongManyDead(t *testing.T) {
	for _, c := range []struct {
		name string
		dead []uint8
	}{
		{"it answers", []uint8{2, 3, 4, 5, 6, 7, 8, 9, 10, 11}},
		{"it is silent itself", []uint8{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := dead(c.dead...)
			all := l.answer
			l.answer = func(station uint8, at time.Duration) (time.Duration, error) {
				if at < 30*time.Second { // all is well, then all at once
					return quick(station, at)
				}
				return all(station, at)
			}
			_, _ = play(t, stationsOf(true, nil, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12), l, 10*time.Minute)
			for id, most := range map[uint8]time.Duration{1: 5 * time.Second, 12: 20 * time.Second} {
				for i := 1; i < len(l.asks[id]); i++ {
					if gap := l.asks[id][i] - l.asks[id][i-1]; gap > most {
						t.Errorf("station %d was not asked for %v at %v, want at most %v", id, gap, l.asks[id][i], most)
					}
				}
				if n := len(l.asks[id]); n < 120 {
					t.Errorf("station %d was asked %d times in 10 minutes", id, n)
				}
			}
			for _, id := range c.dead {
				if n := len(l.asks[id]); n < 30+9 {
					t.Errorf("dead station %d was asked %d times, 30 of them while it lived: it would not be seen to return", id, n)
				}
			}
		})
	}
}

func TestWhenABrokenLineIsMendedEveryStationIsAskedAtOnce(t *testing.T) {
	mended := 3*time.Minute + 500*time.Millisecond
	l := &scripted{answer: func(_ uint8, at time.Duration) (time.Duration, error) {
		if at < mended {
			return time.Second, modbus.ErrRequestTimedOut
		}
		return 5 * time.Millisecond, nil
	}}
	batches, _ := play(t, stationsOf(false, nil, 1, 2, 3, 4, 5, 6), l, 5*time.Minute)
	var first, last time.Duration
	for id := uint8(1); id <= 6; id++ {
		for _, at := range l.asks[id] {
			if at >= mended {
				if first == 0 || at < first {
					first = at
				}
				last = max(last, at)
				break
			}
		}
	}
	if last-first > 2*time.Second {
		t.Errorf("the first station answered at %v, the last was asked at %v", first, last)
	}
	if f := faults(batches, 6); f[len(f)-1] != reading.Answered {
		t.Errorf("station 6 ends with %v", f[len(f)-1])
	}
}

func TestARefusedLinkIsTakenUpEverMoreRarelyAndSaidOnce(t *testing.T) {
	serves := 2 * time.Minute
	l := &scripted{answer: quick, opening: func(at time.Duration) (time.Duration, error) {
		if at < serves {
			return 0, syscall.ECONNREFUSED
		}
		return 0, nil
	}}
	batches, logged := play(t, stationsOf(false, nil, 1, 2), l, 3*time.Minute)
	if len(batches) != 180 {
		t.Errorf("%d batches in 180 s of silence and speech, want 180", len(batches))
	}
	tries := 0
	for i, at := range l.opens {
		if at < serves {
			tries++
		}
		if i > 0 && at-l.opens[i-1] > 11*time.Second {
			t.Errorf("try %d came %v after the one before", i, at-l.opens[i-1])
		}
	}
	if tries < 12 || tries > 25 {
		t.Errorf("%d tries in 120 s of refusal", tries)
	}
	for _, id := range []uint8{1, 2} {
		refused, waiting, answered := 0, 0, 0
		for _, f := range faults(batches, id) {
			switch f {
			case reading.Refused:
				refused++
			case reading.NotConnected:
				waiting++
			case reading.Answered:
				answered++
			default:
				t.Errorf("station %d: %v", id, f)
			}
		}
		if refused != tries || waiting == 0 || answered < 48 {
			t.Errorf("station %d: refused %d times in %d tries, %d waiting, %d answered", id, refused, tries, waiting, answered)
		}
	}
	if n := strings.Count(logged, "bus lost"); n != 1 {
		t.Errorf("the loss was said %d times:\n%s", n, logged)
	}
	if want := fmt.Sprintf("failures=%d", tries); !strings.Contains(logged, want) || strings.Count(logged, "\n") != 2 {
		t.Errorf("want the loss and one return with %s:\n%s", want, logged)
	}
}

func TestALinkWithAnInterlockIsTakenUpWithinFiveSeconds(t *testing.T) {
	l := &scripted{answer: quick, opening: func(time.Duration) (time.Duration, error) { return time.Second, errOpenSlow }}
	_, _ = play(t, stationsOf(true, nil, 1, 2), l, 5*time.Minute)
	for i := 1; i < len(l.opens); i++ {
		if gap := l.opens[i] - l.opens[i-1]; gap > 5*time.Second {
			t.Errorf("try %d came %v after the one before", i, gap)
		}
	}
	if len(l.opens) < 60 {
		t.Errorf("%d tries in 5 minutes", len(l.opens))
	}
}

func TestAStationThatMakesTheEndpointHangUpCostsTheOthersNothing(t *testing.T) {
	l := &scripted{answer: func(station uint8, _ time.Duration) (time.Duration, error) {
		if station == 2 {
			return 0, io.EOF
		}
		return 5 * time.Millisecond, nil
	}}
	batches, logged := play(t, stationsOf(false, nil, 1, 2, 3), l, 2*time.Minute)
	for _, id := range []uint8{1, 3} {
		for i, f := range faults(batches, id) {
			if f != reading.Answered {
				t.Errorf("station %d round %d: %v", id, i, f)
			}
		}
	}
	if n := len(l.asks[2]); n > 40 {
		t.Errorf("the station that hangs up was asked %d times in 120 rounds", n)
	}
	if strings.Contains(logged, "lost") || strings.Count(logged, "station silent") != 1 {
		t.Errorf("logged:\n%s", logged)
	}
}

func TestAnEndpointThatAcceptsAndHangsUpIsNotHammered(t *testing.T) {
	l := &scripted{answer: func(uint8, time.Duration) (time.Duration, error) { return 0, io.EOF }}
	batches, logged := play(t, stationsOf(false, nil, 1, 2, 3, 4), l, 2*time.Minute)
	if n := len(l.opens); n > 30 {
		t.Errorf("%d connections in 2 minutes", n)
	}
	if len(batches) != 120 {
		t.Errorf("%d batches, want 120", len(batches))
	}
	if strings.Count(logged, "\n") != 1 || !strings.Contains(logged, "bus lost") {
		t.Errorf("logged:\n%s", logged)
	}
}

func TestAnAnswerOfAnotherLengthIsABadFrameWhateverTheLinkThinks(t *testing.T) {
	l := &scripted{answer: quick, more: map[uint8]int{2: 1, 3: -1}}
	batches, _ := play(t, stationsOf(false, nil, direct, 2, 3), l, 5*time.Second)
	for id, want := range map[uint8]reading.Fault{direct: reading.Answered, 2: reading.BadFrame, 3: reading.BadFrame} {
		for _, f := range faults(batches, id) {
			if f != want {
				t.Errorf("station %d: %v, want %v", id, f, want)
			}
		}
	}
}

func TestTheLivingAreAskedBeforeTheSilent(t *testing.T) {
	batches, _ := play(t, stationsOf(false, nil, 2, 3, 9), dead(2, 3), 5*time.Minute)
	for _, b := range batches[3:] { // by then it is known who lives
		if first := b.Reads[0]; first.Station != 9 || first.Fault != reading.Answered {
			t.Errorf("slot %d: station %d was asked first: %v", b.Slot, first.Station, first.Fault)
		}
	}
}
