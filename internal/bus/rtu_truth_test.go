package bus

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// larkfield is a line as a plant has one: an interlock's temperature, a rack of ten plain registers, floats and bits with listed room
// beside them, and a device with a single register.
func larkfield() *site.Site {
	values := []value{{1, reading.Input, 0, site.Float32}, {1, reading.Input, 2, site.Float32}}
	values = append(values, registers(2, reading.Holding, 0, 10)...)
	values = append(values, value{3, reading.Holding, 100, site.Float32}, value{3, reading.Holding, 102, site.Float32}, value{3, reading.Holding, 104, site.Uint16})
	values = append(values, registers(3, reading.Discrete, 0, 22)...)
	values = append(values, value{4, reading.Input, 7, site.Uint16})
	return lineSite(true, map[uint8][]site.Span{
		1: {{Table: reading.Input, Addr: 4, Count: 12}},
		3: {{Table: reading.Holding, Addr: 105, Count: 10}, {Table: reading.Discrete, Addr: 22, Count: 40}},
	}, values...)
}

// single is a line with one register on it: every question has the same shape.
func single() *site.Site {
	return lineSite(true, nil, value{4, reading.Input, 7, site.Uint16})
}

// scattered is a device whose registers lie apart, with nothing listed between: all questions have one shape, at several addresses.
func scattered() *site.Site {
	return lineSite(false, nil, value{2, reading.Holding, 0, site.Uint16}, value{2, reading.Holding, 10, site.Uint16}, value{2, reading.Holding, 20, site.Uint16})
}

func sites() []*site.Site { return []*site.Site{larkfield(), single(), scattered()} }

func wt(s *site.Site) time.Duration {
	p := plan.Of(s, 0)
	w, err := wireOf(s, &s.Buses[0], p)
	if err != nil {
		panic(err)
	}
	return w.longest(p)
}

func TestOnACleanLineEveryRoundIsPublished(t *testing.T) {
	y, sim, logged := onLine(t, larkfield(), 2000, guards{}, func(*simLine) {})
	if y.wrong+y.old+y.aged > 0 {
		t.Errorf("%d wrong, %d old, %d of the round before; first %+v", y.wrong, y.old, y.aged, y.firstWrong)
	}
	if y.whole*1000 < y.rounds*999 {
		t.Errorf("%d of %d rounds whole, want 99.9 %%: %v", y.whole, y.rounds, faultCounts(y))
	}
	t.Logf("figure: clean rounds whole %d of %d, %d requests a round\n%s", y.whole, y.rounds, len(sim.asked)/y.rounds, logged)
}

func faultCounts(y *tally) string {
	out := ""
	for f, n := range y.faults {
		if n > 0 {
			out += fmt.Sprintf(" %v=%d", reading.Fault(f), n)
		}
	}
	return out
}

func TestUnderAllFaultsTogetherNoValueIsWrongOrOlderThanARound(t *testing.T) {
	lines, rounds := 4, 700
	for i := range lines {
		t.Run(fmt.Sprint("line ", i), func(t *testing.T) {
			s := larkfield()
			var m *mix
			y, sim, _ := onLine(t, s, rounds, guards{}, func(sim *simLine) {
				m = &mix{rng: rand.New(rand.NewPCG(7, uint64(i))), sim: sim, late: time.Second, rate: 1, echo: i%2 == 1, hangs: i >= 2, made: map[string]int{}, ids: []uint8{1, 2, 3, 4}}
				sim.buffers = true
				sim.answers = m.answers
			})
			if y.wrong+y.old > 0 {
				t.Errorf("%d wrong, %d older than a round; first %+v", y.wrong, y.old, y.firstWrong)
			}
			t.Logf("figure: %d values in %d rounds, %d of the round before, whole %d, requests %d, dials %d;%s; made %v", y.values, y.rounds, y.aged, y.whole, len(sim.asked), sim.dials, faultCounts(y), m.made)
		})
	}
}
