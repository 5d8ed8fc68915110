package bus

import (
	"context"
	"log/slog"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Three registers that lie apart, nothing listed between. A radio link sends the answer to one again 70 ms later and holds the next one back behind it for 150 ms. Nothing is lost.
func TestARepeatedAnswerThatHoldsTheNextOneBack(t *testing.T) {
	s := scattered()
	done, at := false, time.Duration(0)
	var kept []byte
	y, _, _ := onLine(t, s, 30, guards{}, func(sim *simLine) {
		sim.answers = func(_ int, q query, right []byte) []after {
			if !done && sim.up() > 10*time.Second {
				if q.addr == 0 {
					kept, at = right, sim.up()
				} else if q.addr == 10 && kept != nil && sim.up()-at < worstLate(s) {
					done = true
					return []after{{sim.usual(right), kept}, {sim.usual(right) + 150*time.Millisecond, right}}
				}
			}
			return sim.prompt(0, q, right)
		}
	})
	if done || y.values == 0 || y.wrong+y.old > 0 {
		t.Errorf("made %v: of %d values %d wrong, %d old; first %+v", done, y.values, y.wrong, y.old, y.firstWrong)
	}
}

// A request is parted, because its whole shape rests after one silence. The first part is answered by an answer of the round before, and
// its own comes 1 ms behind, before the second part leaves. That is heard, and yet the first part is kept and vouched for.
func TestAStrayBetweenTwoPartsTakesBackTheFirst(t *testing.T) {
	s := lineSite(false, nil, append(registers(2, reading.Holding, 0, 12), value{3, reading.Input, 0, site.Uint16})...)
	type old struct {
		at   time.Duration
		data []byte
	}
	s.Sensors[0].Turnaround, s.Sensors[1].Turnaround = 800*time.Millisecond, 800*time.Millisecond // at most; the horizon is ten timeouts
	olds := map[query][]old{}
	made, silenced, last := time.Duration(0), false, time.Duration(0)
	y, _, _ := onLine(t, s, 40, guards{}, func(sim *simLine) {
		sim.answers = func(_ int, q query, right []byte) []after {
			up := sim.up()
			begins := up-last > 300*time.Millisecond
			last = up
			if q.station != 2 || up < 10*time.Second {
				return sim.prompt(0, q, right)
			}
			if !silenced && q.count == 12 {
				silenced = true
				return nil
			}
			if q.count < 12 && begins && made == 0 {
				for _, o := range olds[q] {
					if up-o.at > 500*time.Millisecond && up-o.at < 8*time.Second { // within the horizon
						made = up
						return []after{{sim.usual(right), o.data}, {sim.usual(right) + time.Millisecond, right}}
					}
				}
			}
			olds[q] = append(olds[q], old{up, right})
			return sim.prompt(0, q, right)
		}
	})
	t.Logf("made at %v, %s", made, faultCounts(y))
	if made == 0 || y.wrong+y.old+y.aged > 0 {
		t.Errorf("made at %v: %d wrong, %d old, %d of the round before, of %d", made, y.wrong, y.old, y.aged, y.values)
	}
}

// Another master begins 1 ms after an answer of ours, within the silence that we hear before our next question.
func TestNothingIsSentIntoAnotherMastersExchange(t *testing.T) {
	s := twins()
	s.Buses[0].Listen = 30 * time.Second
	var came time.Duration
	_, sim, _ := onLine(t, s, 70, guards{}, func(sim *simLine) {
		sim.answers = func(n int, q query, right []byte) []after {
			out := sim.prompt(0, q, right)
			if came == 0 && sim.up() > 40*time.Second {
				wait := sim.usual(right) + time.Millisecond
				came = sim.up() + 8*sim.wire.char + wait
				out = append(out, after{wait, itsQuestion.frame()})
			}
			return out
		}
	})
	for _, a := range sim.asked {
		if a.at > came && a.at < came+30*time.Second {
			t.Fatalf("a question left %v after another master's (%v)", a.at-came, came)
		}
	}
}

// Three devices; the second was well for ten rounds and from then on every answer of it is damaged. The first still answers.
func TestADeviceGoneBadDoesNotDarkenTheGoodOnes(t *testing.T) {
	for name, fault := range map[string]func(q query, right []byte) []byte{
		"damaged":        func(_ query, right []byte) []byte { right[3] ^= 0x10; return right },
		"another length": func(q query, _ []byte) []byte { q.count++; return answerTo(q, 0) },
	} {
		t.Run(name, func(t *testing.T) {
			s := lineSite(false, map[uint8][]site.Span{2: {{Table: reading.Holding, Addr: 6, Count: 60}}},
				append(append(registers(1, reading.Holding, 0, 4), registers(2, reading.Holding, 0, 6)...), registers(3, reading.Holding, 0, 3)...)...)
			y, _, _ := onLine(t, s, 300, guards{}, func(sim *simLine) {
				sim.answers = func(_ int, q query, right []byte) []after {
					if q.station == 2 && sim.up() > 10*time.Second {
						return []after{{sim.usual(right), fault(q, right)}}
					}
					return sim.prompt(0, q, right)
				}
			})
			for _, id := range []uint8{1, 3} {
				last := y.last[value{id, reading.Holding, 0, site.Uint16}]
				n := 0
				got := map[reading.Fault]int{}
				for _, b := range y.keep {
					for _, r := range b.Reads {
						if r.Station == id && b.Slot > 12 {
							got[r.Fault]++
							if r.Fault == reading.Answered {
								n++
							}
						}
					}
				}
				t.Logf("figure: station %d published in %d of 287 rounds, last at %v: %v", id, n, last, got)
				if n < 100 {
					t.Errorf("station %d answers every question and was published in %d of 287 rounds, last at %v of 5m: %v", id, n, last, got)
				}
			}
		})
	}
}

// A temperature and, once an hour, a serial number of the same two registers elsewhere. One late answer, and the temperature is dark
// for as long as the line is distrusted, because it yields to a question that is not due.
func TestAFrequentQuestionDoesNotYieldToOneThatIsNotDue(t *testing.T) {
	s := lineSite(true, nil, value{1, reading.Holding, 0, site.Float32}, value{2, reading.Holding, 0, site.Uint16})
	s.Sensors[0].Allowed = append(s.Sensors[0].Allowed, site.Span{Table: reading.Holding, Addr: 100, Count: 2})
	s.Sensors[0].Identity = site.Identity{Configured: true, Table: reading.Holding, Addr: 100, Count: 2, Every: 3600}
	s.Sensors[0].Every = 1
	s.Buses[0].Scheme = "rtu"
	late := 0
	y, _, _ := onLine(t, s, 400, guards{}, func(sim *simLine) {
		sim.answers = func(_ int, q query, right []byte) []after {
			up := sim.up()
			if q.station == 1 && (late == 0 && up > 100*time.Second || late == 1 && up > 115*time.Second || late == 2 && up > 139*time.Second) {
				late++
				return []after{{sim.usual(right) + 600*time.Millisecond, right}}
			}
			return sim.prompt(0, q, right)
		}
	})
	t.Logf("figure: temperature dark for %v after %d late answers; %s", y.gaps[value{1, reading.Holding, 0, site.Float32}], late, faultCounts(y))
	if gap := y.gaps[value{1, reading.Holding, 0, site.Float32}]; gap > 10*time.Second {
		t.Errorf("the temperature was dark for %v", gap)
	}
}

// A line that takes nothing: stop while a write waits.
func TestAStopIsNotHeldUpByALineThatTakesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		s := larkfield()
		s.Buses[0].Baud = 1200
		w, err := wireOf(s, &s.Buses[0], plan.Of(s, 0))
		if err != nil {
			t.Fatal(err)
		}
		l := newLine(w, w.longest(plan.Of(s, 0)), 0, clock(start))
		ours, theirs := net.Pipe()
		defer theirs.Close()
		ctx, cancel := context.WithCancel(t.Context())
		out, done := make(chan reading.Batch, 100), make(chan error, 1)
		go func() {
			done <- run(ctx, s, 0, clock(start), nil, out, slog.New(slog.DiscardHandler), &rtuLink{line: l, dial: func(context.Context) (stream, error) { return ours, nil }})
		}()
		<-time.After(phase(s.Buses[0].Name, s.Buses[0].Period) + settleOpen + 100*time.Millisecond) // the first question is under way by then
		<-time.After(20 * time.Millisecond)
		at := time.Now()
		cancel()
		<-done
		if took := time.Since(at); took > 200*time.Millisecond {
			t.Errorf("the stop took %v", took)
		}
	})
}

// The interlock's temperature is one register; another station answers in every second round only.
func TestAnotherStationsSilenceDoesNotTakeTheTemperatureBack(t *testing.T) {
	s := lineSite(true, nil, value{1, reading.Holding, 0, site.Uint16}, value{2, reading.Holding, 0, site.Uint16})
	y, _, _ := onLine(t, s, 300, guards{}, func(sim *simLine) {
		sim.answers = func(_ int, q query, right []byte) []after {
			if q.station == 2 && int(sim.up()/time.Second)%3 == 2 {
				return nil
			}
			return sim.prompt(0, q, right)
		}
	})
	lost := map[reading.Fault]int{}
	for _, f := range faults(y.keep, 1) {
		lost[f]++
	}
	t.Logf("figure: %v", lost)
	if lost[reading.Answered] < 295 {
		t.Errorf("the temperature's own device answered every question: %v", lost)
	}
}

// One late answer of a temperature of one shape on a line of one's own: how long until two updates within 5 s. On serial servers, and where
// the turnaround is long, the configuration wants another shape for it.
func TestOneLateAnswerLeavesTheTemperatureConfirmable(t *testing.T) {
	s := lineSite(true, nil, value{1, reading.Input, 0, site.Uint16}, value{2, reading.Holding, 0, site.Uint16})
	s.Buses[0].Scheme = "rtu"
	made := time.Duration(0)
	y, _, _ := onLine(t, s, 200, guards{}, func(sim *simLine) {
		sim.answers = func(_ int, q query, right []byte) []after {
			if q.station == 1 && made == 0 && sim.up() > 60*time.Second {
				made = sim.up()
				return []after{{sim.usual(right) + 600*time.Millisecond, right}}
			}
			return sim.prompt(0, q, right)
		}
	})
	var before time.Duration
	worst, confirmed := time.Duration(0), time.Duration(0)
	for _, b := range y.keep {
		for _, r := range b.Reads {
			if r.Station == 1 && r.Fault == reading.Answered {
				if r.Sent.Up-before <= 5*time.Second {
					worst = max(worst, r.Sent.Up-confirmed)
					confirmed = r.Sent.Up
				}
				before = r.Sent.Up
			}
		}
	}
	t.Logf("figure: two updates within 5 s did not come for %v after one late answer", worst)
	if made == 0 || worst > 6*time.Second {
		t.Errorf("made at %v: no two updates within 5 s for %v", made, worst)
	}
}

// Another master asks our own station for bits at an address between 0x0300 and 0x03ff: its question has the form of an answer of three
// bytes. We ask that station for bits too, but for none that are answered in three bytes.
func TestAQuestionInTheFormOfAnAnswerIsAnotherMaster(t *testing.T) {
	s := lineSite(false, nil, append(registers(2, reading.Coil, 0, 4), registers(2, reading.Holding, 0, 3)...)...)
	s.Buses[0].Listen = 30 * time.Second
	its := query{2, reading.Coil, 0x0342, 4}.frame()
	var came time.Duration
	_, sim, logged := onLine(t, s, 70, guards{}, func(sim *simLine) {
		sim.answers = func(n int, q query, right []byte) []after {
			out := sim.prompt(0, q, right)
			if came == 0 && sim.up() > 40*time.Second {
				wait := sim.usual(right) + 200*time.Millisecond
				came = sim.up() + 8*sim.wire.char + wait
				out = append(out, after{wait, its})
			}
			return out
		}
	})
	for _, a := range sim.asked {
		if a.at > came && a.at < came+30*time.Second {
			t.Fatalf("a question left %v after another master's: %s", a.at-came, logged)
		}
	}
	if came == 0 {
		t.Error("it never spoke")
	}
}

// Two floats that lie apart, nothing listed between, asked every 6 s on a grid of 1 s. The one waits 3 s for the other's answers to pass, and
// each comes as often as it is asked for. Nothing between them is told as a fault.
func TestLookalikesComeInTurnAndNoneIsToldAsAFault(t *testing.T) {
	s := lineSite(false, nil, value{1, reading.Holding, 0, site.Float32}, value{1, reading.Holding, 10, site.Float32})
	s.Buses[0].Scheme, s.Sensors[0].Every = "rtu", 6
	y, _, _ := onLine(t, s, 600, guards{}, func(*simLine) {})
	for _, addr := range []uint16{0, 10} {
		if gap := y.gaps[value{1, reading.Holding, addr, site.Float32}]; gap < 5900*time.Millisecond || gap > 6100*time.Millisecond {
			t.Errorf("address %d: not read for %v", addr, gap)
		}
	}
	if y.values != 200 || y.faults[reading.Answered] != 200 || y.wrong+y.old+y.aged > 0 {
		t.Errorf("%d values, %d wrong, %d old:%s", y.values, y.wrong, y.old, faultCounts(y))
	}
}

// On a line never suspect the answer to the one is lost, and the other's of the round before comes in its place, of the same length: the
// first trouble the line ever had. It is not taken.
func TestTheFirstTroubleOfALineMayBeAnAnswerInAnothersPlace(t *testing.T) {
	s := apart()
	s.Buses[0].Scheme = "rtu"
	late := worstLate(s)
	type old struct {
		at   time.Duration
		q    query
		data []byte
	}
	var before []old
	made := 0
	y, _, _ := onLine(t, s, 300, guards{}, func(sim *simLine) {
		sim.answers = func(_ int, q query, right []byte) []after {
			up := sim.up()
			for _, o := range before {
				if o.q != q && o.q.shape() == q.shape() && up-o.at < late && up > 20*time.Second {
					made++
					return []after{{sim.usual(right), o.data}}
				}
			}
			before = append(before, old{up, q, right})
			return sim.prompt(0, q, right)
		}
	})
	if made > 0 || y.wrong+y.old > 0 || y.values < 150 {
		t.Errorf("asked %d times while another's answer could come: %d wrong, %d old of %d", made, y.wrong, y.old, y.values)
	}
}
