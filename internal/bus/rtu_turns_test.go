package bus

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Stories of turns: who may ask when, so that everybody is asked and nobody's answer is taken for another's.

func rtuSite(guards bool, open map[uint8][]site.Span, v ...value) *site.Site {
	s := lineSite(guards, open, v...)
	s.Buses[0].Scheme = "rtu"
	return s
}

// A device that leaves one or two of its requests without an answer, wherever they stand in the plan.
func TestARequestThatIsNeverAnsweredCostsTheOthersOfItsStationNothing(t *testing.T) {
	for _, c := range []struct {
		name   string
		values []value
		mute   func(q query) bool
		from   time.Duration
		good   value
	}{
		{"one mute, from the start", []value{{1, reading.Holding, 0, site.Uint16}, {1, reading.Input, 0, site.Float32}, {2, reading.Input, 0, site.Uint16}},
			func(q query) bool { return q.station == 1 && q.table == reading.Holding }, 0, value{1, reading.Input, 0, site.Float32}},
		{"one mute, from 30 s", []value{{1, reading.Holding, 0, site.Uint16}, {1, reading.Input, 0, site.Float32}, {2, reading.Input, 0, site.Uint16}},
			func(q query) bool { return q.station == 1 && q.table == reading.Holding }, 30 * time.Second, value{1, reading.Input, 0, site.Float32}},
		{"two mute behind, from 30 s", []value{{1, reading.Coil, 0, site.Bit}, {1, reading.Holding, 0, site.Uint16}, {1, reading.Input, 0, site.Float32}, {2, reading.Input, 0, site.Uint16}},
			func(q query) bool { return q.station == 1 && q.table != reading.Coil }, 30 * time.Second, value{1, reading.Coil, 0, site.Bit}},
		{"two mute before, from 30 s", []value{{1, reading.Coil, 0, site.Bit}, {1, reading.Holding, 0, site.Uint16}, {1, reading.Input, 0, site.Float32}, {2, reading.Input, 0, site.Uint16}},
			func(q query) bool { return q.station == 1 && q.table != reading.Input }, 30 * time.Second, value{1, reading.Input, 0, site.Float32}},
	} {
		for _, g := range []bool{false, true} {
			t.Run(c.name, func(t *testing.T) {
				s := rtuSite(g, map[uint8][]site.Span{1: {{Table: reading.Holding, Addr: 1, Count: 60}, {Table: reading.Input, Addr: 2, Count: 60}, {Table: reading.Coil, Addr: 1, Count: 600}}}, c.values...)
				y, sim, logged := onLine(t, s, 200, guards{}, func(sim *simLine) {
					sim.answers = func(n int, q query, right []byte) []after {
						if sim.up() >= c.from && c.mute(q) {
							return nil
						}
						return sim.prompt(n, q, right)
					}
				})
				n, asked := 0, 0
				f := map[reading.Fault]int{}
				for _, b := range y.keep {
					for _, r := range b.Reads {
						if r.Station == c.good.station && r.Table == c.good.table && b.Slot > 40 {
							f[r.Fault]++
							if r.Fault == reading.Answered {
								n++
							}
						}
					}
				}
				for _, a := range sim.asked {
					if a.q.station == 1 && a.q.table == c.good.table && a.at > 40*time.Second {
						asked++
					}
				}
				t.Logf("figure: guarding %v: published %d of 160, asked %d", g, n, asked)
				if n < 80 {
					t.Errorf("guarding %v: published %d of 160, last at %v: %v\n%s", g, n, y.last[c.good], f, logged)
				}
			})
		}
	}
}

// anySite is a line with up to four devices of any tables, with and without room.
func anySite(rng *rand.Rand) *site.Site {
	var values []value
	open := map[uint8][]site.Span{}
	for id := uint8(1); id <= uint8(1+rng.IntN(4)); id++ {
		for range 1 + rng.IntN(4) {
			table := []reading.Table{reading.Coil, reading.Discrete, reading.Holding, reading.Input}[rng.IntN(4)]
			from := uint16(rng.IntN(6) * 30)
			if rng.IntN(10) == 0 && table.Bits() {
				from = 0x0300 + from
			}
			switch {
			case table.Bits():
				values = append(values, registers(id, table, from, uint16(1+rng.IntN(24)))...)
			case rng.IntN(2) == 0:
				values = append(values, value{id, table, from, []site.Type{site.Uint16, site.Float32, site.Float64}[rng.IntN(3)]})
			default:
				values = append(values, registers(id, table, from, uint16(1+rng.IntN(6)))...)
			}
			if rng.IntN(2) == 0 {
				open[id] = append(open[id], site.Span{Table: table, Addr: from, Count: 6 + rng.IntN(20)})
			}
		}
	}
	s := lineSite(rng.IntN(2) == 0, open, values...)
	if rng.IntN(2) == 0 {
		s.Buses[0].Scheme = "rtu"
	}
	s.Buses[0].Period = []time.Duration{250 * time.Millisecond, time.Second, time.Second, 2 * time.Second}[rng.IntN(4)]
	s.Buses[0].Baud = []int{9600, 19200, 19200, 38400}[rng.IntN(4)]
	for d := range s.Sensors {
		s.Sensors[d].Turnaround = []time.Duration{20, 20, 200, 500}[rng.IntN(4)] * time.Millisecond
		if rng.IntN(4) == 0 && d > 0 {
			s.Sensors[d].Every = uint64(1 + rng.IntN(4))
		}
	}
	return s
}

// onAnyLine runs a site under the mix of faults, with orders beside it where asked.
func onAnyLine(t *testing.T, s *site.Site, rounds int, seed uint64, rate, swaps float64, echo, hangs, orders bool) (y *tally) {
	y = &tally{}
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		if orders {
			withDrive(s, closeCoil)
			withDrive(s, site.Drive{Station: 1, Table: reading.Holding, Addr: 500, Value: 3})
		}
		w, err := wireOf(s, &s.Buses[0], plan.Of(s, 0))
		if err != nil {
			t.Fatal(err)
		}
		sim := &simLine{t: t, start: start, wire: w}
		m := &mix{rng: rand.New(rand.NewPCG(seed, 99)), sim: sim, late: worstLate(s), rate: rate, swaps: swaps, echo: echo, hangs: hangs, made: map[string]int{}, ids: []uint8{1, 2, 3, 4}}
		sim.buffers = true
		sim.answers = m.answers
		sim.obeys = func(frame []byte) (out []after) {
			if echo {
				out = append(out, after{time.Millisecond, frame})
			}
			switch m.rng.IntN(8) {
			case 0:
				return out
			case 1:
				return append(out, after{sim.usual(frame) + m.lateness(), frame})
			case 2:
				return append(out, after{sim.usual(frame), frame}, after{sim.usual(frame) + m.lateness(), frame})
			case 3:
				if hangs {
					sim.hangUp()
				}
				return out
			}
			return append(out, after{sim.usual(frame), frame})
		}
		l := newLine(w, w.longest(plan.Of(s, 0)), s.Buses[0].Listen, clock(start))
		ctx, cancel := context.WithCancel(t.Context())
		out, done := make(chan reading.Batch), make(chan error, 1)
		given, obeyed := make(chan reading.Order, 4), make(chan reading.OrderResult)
		o := Orders{}
		if orders {
			o = Orders{Given: given, Done: obeyed}
			go func() {
				for id := uint64(1); ; id++ {
					for i := range s.Panels {
						d := &s.Panels[i].Interlock.Drive
						if !d.Configured {
							continue
						}
						od := d.Order(i)
						od.ID, od.Until = id, time.Since(start)+3*time.Second
						select {
						case given <- od:
						case <-ctx.Done():
							return
						}
					}
					select {
					case <-time.After(700 * time.Millisecond):
					case <-ctx.Done():
						return
					}
				}
			}()
			go func() {
				for {
					select {
					case <-obeyed:
					case <-ctx.Done():
						return
					}
				}
			}()
		}
		go func() {
			done <- runOrders(ctx, s, 0, clock(start), o, out, slog.New(slog.DiscardHandler), &rtuLink{line: l, dial: sim.dial})
		}()
		for y.rounds < rounds {
			y.take(s, <-out, false)
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v", err)
		}
		sim.hangUp()
		<-time.After(time.Minute)
	})
	return y
}

// TestOnAnyLineNothingIsWrongOrOlderThanARound: sites by lot, under all faults, half of them with orders. RILLWATCH_SOAK=1 makes it 400 sites.
func TestOnAnyLineNothingIsWrongOrOlderThanARound(t *testing.T) {
	n := 12
	if os.Getenv("RILLWATCH_SOAK") == "1" {
		n = 400
	}
	total := 0
	for i := range n {
		rng := rand.New(rand.NewPCG(uint64(i), 5))
		s := anySite(rng)
		rate := []float64{1, 1, 0.2, 0.05, 0.01}[rng.IntN(5)]
		swaps := []float64{0, 0, 2}[rng.IntN(3)]
		y := onAnyLine(t, s, 300, uint64(i), rate, swaps, rng.IntN(3) == 0, rng.IntN(4) == 0, rng.IntN(2) == 0)
		total += y.values
		if y.wrong+y.old > 0 {
			t.Errorf("%d: %d wrong, %d old of %d; %+v", i, y.wrong, y.old, y.values, y.firstWrong)
		}
	}
	if total < 1000*n {
		t.Errorf("%d values over %d lines: too few to show anything", total, n)
	}
	t.Logf("figure: %d values over %d lines by lot: 0 wrong, 0 older than a round", total, n)
}

// However a request is bent, it asks listed addresses only.
func TestUnderFaultsNothingUnlistedIsAsked(t *testing.T) {
	bad, asked := 0, 0
	for i := range 30 {
		rng := rand.New(rand.NewPCG(uint64(i), 8))
		s := anySite(rng)
		_, sim, _ := onLine(t, s, 150, guards{}, func(sim *simLine) {
			m := &mix{rng: rand.New(rand.NewPCG(uint64(i), 9)), sim: sim, late: worstLate(s), rate: 1, made: map[string]int{}, ids: []uint8{1, 2, 3, 4}}
			sim.answers = m.answers
		})
		for _, a := range sim.asked {
			asked++
			for n := range a.q.count {
				ok := false
				for _, sn := range s.Sensors {
					for _, al := range sn.Allowed {
						if sn.Station == a.q.station && al.Table == a.q.table && a.q.addr+n >= al.Addr && int(a.q.addr+n) < int(al.Addr)+al.Count {
							ok = true
						}
					}
				}
				if !ok {
					bad++
				}
			}
		}
	}
	t.Logf("%d questions, %d unlisted addresses", asked, bad)
	if bad > 0 {
		t.Error(bad)
	}
}

// A module that may be fitted later and is not there, on the station of the temperature that guards, first in the plan and with room beside it.
func TestAModuleThatIsNotThereDoesNotStarveItsRack(t *testing.T) {
	s := rtuSite(true, map[uint8][]site.Span{1: {{Table: reading.Holding, Addr: 102, Count: 38}}},
		value{1, reading.Input, 0, site.Float32}, value{1, reading.Input, 2, site.Float32}, value{1, reading.Holding, 100, site.Float32})
	y, _, logged := onLine(t, s, 120, guards{}, func(sim *simLine) {
		sim.answers = func(n int, q query, right []byte) []after {
			if q.table == reading.Holding {
				return nil
			}
			return sim.prompt(n, q, right)
		}
	})
	if y.values < 100 {
		t.Errorf("%d values of the rack in 120 rounds:%s\n%s", y.values, faultCounts(y), logged)
	}
}

// Three blocks of coils of one device that must share three lengths: the configuration refuses it, and the line lets each have its turn.
func TestWhoSharesTooFewLengthsStillHasItsTurn(t *testing.T) {
	s := rtuSite(false, map[uint8][]site.Span{1: {{Table: reading.Coil, Addr: 157, Count: 8}}},
		append(append(registers(1, reading.Coil, 30, 22), registers(1, reading.Coil, 60, 18)...), registers(1, reading.Coil, 150, 7)...)...)
	y, _, _ := onLine(t, s, 300, guards{}, func(*simLine) {})
	for _, addr := range []uint16{30, 60, 150} {
		v := value{1, reading.Coil, addr, site.Bit}
		if y.gaps[v] == 0 || y.gaps[v] > 15*time.Second || y.last[v] < 280*time.Second {
			t.Errorf("coil %d: not read for %v, last at %v of 300 s", addr, y.gaps[v], y.last[v])
		}
	}
	if y.faults[reading.NotAsked] == 0 {
		t.Error("what rests for more than three of its turns is told")
	}
}
