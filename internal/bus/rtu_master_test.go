package bus

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// foreignEvery lets another master ask its own station so often, between two times.
func (s *simLine) foreignEvery(every, from, to time.Duration, frames ...[]byte) {
	for at := from; at < to; at += every {
		for i, f := range frames {
			time.AfterFunc(at+time.Duration(i)*30*time.Millisecond, func() { s.say(f) })
		}
	}
}

var (
	itsQuestion = query{9, reading.Holding, 0, 4}
	itsAnswer   = answerTo(itsQuestion, 0)
)

// count gives how often each fault stood in the batches of a time.
func count(batches []reading.Batch, from, to time.Duration) map[reading.Fault]int {
	out := map[reading.Fault]int{}
	for _, b := range batches {
		for _, r := range b.Reads {
			if b.At.Up >= from && b.At.Up < to {
				out[r.Fault]++
			}
		}
	}
	return out
}

func TestNothingIsSentBeforeAFullSilenceWasHeard(t *testing.T) {
	s := twins()
	s.Buses[0].Listen = 30 * time.Second
	y, sim, logged := onLine(t, s, 60, guards{}, func(*simLine) {})
	if first := sim.asked[0].at; first < 30*time.Second || first > 32*time.Second {
		t.Errorf("the first question left after %v, want after 30 s of silence", first)
	}
	if got := count(y.keep, 0, 29*time.Second); len(got) != 1 || got[reading.Listening] == 0 {
		t.Errorf("while listening: %v", got)
	}
	if got := count(y.keep, 32*time.Second, time.Hour); len(got) != 1 || got[reading.Answered] == 0 {
		t.Errorf("afterwards: %v", got)
	}
	if strings.Contains(logged, "another master") {
		t.Errorf("logged:\n%s", logged)
	}
}

func TestOnALineWithAnotherMasterNoByteLeavesAndItIsSaidOnce(t *testing.T) {
	other := map[string][][]byte{
		"questions and answers": {itsQuestion.frame(), itsAnswer},
		"answers only":          {itsAnswer},
		"writes":                {withSum([]byte{9, 6, 0, 1, 0, 1})},
		"another rate":          {{0x55, 0x00, 0xf8, 0x1e, 0x80, 0x7f}},
		"identification":        {withSum([]byte{9, 0x11})},
	}
	for name, frames := range other {
		t.Run(name, func(t *testing.T) {
			s := twins()
			s.Buses[0].Listen = 30 * time.Second
			with := guards{noListen: withoutGuards, noForeign: withoutGuards}
			y, sim, logged := onLine(t, s, 600, with, func(sim *simLine) { sim.foreignEvery(20*time.Second, 5*time.Second, time.Hour, frames...) })
			if n := sim.bytes.Load(); n != 0 {
				t.Errorf("%d bytes left in ten minutes, want none", n)
			}
			if got := count(y.keep, 10*time.Second, time.Hour); len(got) != 1 || got[reading.AnotherMaster] == 0 {
				t.Errorf("%v, want another master on all reads", got)
			}
			if strings.Count(logged, "another master is on this line") != 1 {
				t.Errorf("logged:\n%s", logged)
			}
		})
	}
}

func TestForeignTrafficStopsThePollingAtOnceUntilAFullSilence(t *testing.T) {
	for name, frames := range map[string][][]byte{
		"a question":                             {itsQuestion.frame()},
		"a question to a station of ours":        {query{1, reading.Holding, 500, 7}.frame()},
		"an answer of a station nobody asked":    {itsAnswer},
		"an answer to a function nobody asked":   {answerTo(query{1, reading.Input, 0, 4}, 0)},
		"an exception of a station nobody asked": {exceptionTo(itsQuestion, 2)},
	} {
		t.Run(name, func(t *testing.T) {
			s := twins()
			s.Buses[0].Listen = 30 * time.Second
			const came = 100*time.Second + 500*time.Millisecond
			y, sim, logged := onLine(t, s, 200, guards{noForeign: withoutGuards}, func(sim *simLine) {
				sim.foreignEvery(10*time.Second, came, came+25*time.Second, frames...) // three times
			})
			for _, a := range sim.asked {
				if a.at > came+50*time.Millisecond && a.at < came+50*time.Second {
					t.Fatalf("a question left at %v, foreign traffic was at %v, %v and %v", a.at, came, came+10*time.Second, came+20*time.Second)
				}
			}
			if got := count(y.keep, came+time.Second, came+48*time.Second); len(got) != 1 || got[reading.AnotherMaster] == 0 {
				t.Errorf("meanwhile %v, want another master", got)
			}
			if got := count(y.keep, came+53*time.Second, time.Hour); got[reading.Answered] == 0 || got[reading.AnotherMaster] > 0 {
				t.Errorf("afterwards %v, want answers", got)
			}
			if strings.Count(logged, "another master is on this line") != 1 || strings.Count(logged, "the line is ours again") != 1 {
				t.Errorf("logged:\n%s", logged)
			}
		})
	}
}

func TestALateAnswerOfOnesOwnIsNoOtherMaster(t *testing.T) {
	s := twins()
	s.Buses[0].Listen = 30 * time.Second
	y, _, logged := onLine(t, s, 300, guards{}, func(sim *simLine) {
		sim.answers = every(5, func(usual time.Duration, _ query, right []byte) []after {
			return []after{{usual + 500*time.Millisecond, right}}
		})(sim)
	})
	if n := y.faults[reading.AnotherMaster]; n > 0 || strings.Contains(logged, "another master") {
		t.Errorf("%d times another master:\n%s", n, logged)
	}
	if y.faults[reading.Timeout] == 0 || y.wrong+y.old > 0 {
		t.Errorf("%s, %d wrong", faultCounts(y), y.wrong+y.old)
	}
}

func TestAStrayByteWhileListeningLengthensItAndIsNoMaster(t *testing.T) {
	s := twins()
	s.Buses[0].Listen = 30 * time.Second
	_, sim, logged := onLine(t, s, 60, guards{}, func(sim *simLine) {
		time.AfterFunc(20*time.Second, func() { sim.say([]byte{0xff}) })
	})
	if first := sim.asked[0].at; first < 50*time.Second {
		t.Errorf("the first question left after %v, want 30 s after the byte at 20 s", first)
	}
	if strings.Contains(logged, "another master") {
		t.Errorf("logged:\n%s", logged)
	}
}

func TestTheInterlocksTemperatureIsVouchedForOnItsOwn(t *testing.T) {
	made := 0
	y, _, _ := onLine(t, larkfield(), 300, guards{}, func(sim *simLine) {
		sim.answers = func(n int, q query, right []byte) []after {
			if q.station == 2 && n%3 == 0 { // a fault later in the round, again and again
				made++
				return []after{{sim.usual(right), append(right[:5:5], 1, 2, 3)}}
			}
			return sim.prompt(n, q, right)
		}
	})
	first, lost := 0, 0
	for _, b := range y.keep {
		if b.Segment > 0 {
			continue
		}
		first++
		for _, r := range b.Reads {
			if r.Station != 1 {
				t.Errorf("slot %d: station %d in the interlock's segment", b.Slot, r.Station)
			}
			if r.Fault != reading.Answered {
				lost++
			}
			if waited := b.At.Up - r.Sent.Up; waited > 200*time.Millisecond {
				t.Errorf("slot %d: the temperature waited %v", b.Slot, waited)
			}
		}
	}
	if first != 300 || lost > 0 {
		t.Errorf("%d of %d temperatures lost to faults of another station", lost, first)
	}
	if made < 200 {
		t.Errorf("%d faults were made", made)
	}
}

// TestASilentStationCostsTheOthersLittle: of four stations one falls silent after ten seconds. The mean period of the others stays within a
// tenth of what it is, and no gap is longer than a timeout, a settling and a round: its period, and its own four requests. A minute of wire
// time; with RILLWATCH_SOAK=1 ten.
func TestASilentStationCostsTheOthersLittle(t *testing.T) {
	s := lineSite(false, nil, append(append(append(registers(1, reading.Holding, 0, 10), registers(2, reading.Holding, 0, 10)...),
		registers(3, reading.Holding, 0, 10)...), registers(4, reading.Holding, 0, 10)...)...)
	rounds := 60
	if os.Getenv("RILLWATCH_SOAK") == "1" {
		rounds = 600
	}
	y, _, _ := onLine(t, s, rounds, guards{}, func(sim *simLine) {
		sim.answers = func(n int, q query, right []byte) []after {
			if q.station == 3 && sim.up() > 10*time.Second {
				return nil
			}
			return sim.prompt(n, q, right)
		}
	})
	period, timeout := s.Buses[0].Period, worstLate(s)/10
	most := timeout + timeout + period + 4*45*time.Millisecond
	longest, worst := time.Duration(0), time.Duration(0)
	for v, gap := range y.gaps {
		if v.station != 3 && gap > most {
			t.Errorf("station %d address %d was not heard for %v, want at most %v", v.station, v.addr, gap, most)
		}
		if v.station != 3 {
			longest = max(longest, gap)
		}
	}
	for _, id := range []uint8{1, 2, 4} {
		var first, last reading.Stamp
		n := 0
		for _, b := range y.keep {
			for _, r := range b.Reads {
				if r.Station == id && r.Fault == reading.Answered {
					if n++; n == 1 {
						first = r.Sent
					}
					last = r.Sent
				}
			}
		}
		mean := last.Since(first) / time.Duration(max(1, n-1))
		worst = max(worst, mean)
		if n < rounds*9/10 || mean > period*11/10 {
			t.Errorf("station %d: %d answers in %d rounds, one in %v on average, want one in %v or less", id, n, rounds, mean, period*11/10)
		}
	}
	t.Logf("figure: one of four silent for %d rounds: the others heard every %v on average, longest gap %v of %v allowed", rounds, worst.Round(time.Millisecond), longest.Round(time.Millisecond), most.Round(time.Millisecond))
}

func TestOnlyListedAddressesAreAsked(t *testing.T) {
	listed := map[string]bool{}
	s := larkfield()
	for _, sensor := range s.Sensors {
		for _, a := range sensor.Allowed {
			for i := range a.Count {
				listed[fmt.Sprint(sensor.Station, a.Table, int(a.Addr)+i)] = true
			}
		}
	}
	_, sim, _ := onLine(t, s, 500, guards{}, func(sim *simLine) {
		sim.answers = func(n int, q query, right []byte) []after {
			if n%7 == 3 { // so that the guard has to bend its questions
				return []after{{sim.usual(right), right}, {sim.usual(right) + 5*time.Millisecond, right}}
			}
			return sim.prompt(n, q, right)
		}
	})
	bent := map[query]bool{}
	for _, a := range sim.asked {
		bent[a.q] = true
		for i := range int(a.q.count) {
			if !listed[fmt.Sprint(a.q.station, a.q.table, int(a.q.addr)+i)] {
				t.Fatalf("asked %+v: address %d is not listed", a.q, int(a.q.addr)+i)
			}
		}
		// The floats of station 1 stand at 0 and 2, those of station 3 at 100 and 102: none may be parted.
		if a.q.station == 1 && a.q.addr%2 == 1 && a.q.addr < 4 {
			t.Fatalf("asked %+v, half of a value", a.q)
		}
	}
	if len(bent) < 20 {
		t.Errorf("%d different questions: nothing was bent", len(bent))
	}
}
