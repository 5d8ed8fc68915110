package bus

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Each hazard as it was measured on real streams, on a line of its own, with the guard that holds it. RILLWATCH_WITHOUT=1 takes the
// guards away, and every test here must then be red: that it would be is checked in every run as well.

var withoutGuards = os.Getenv("RILLWATCH_WITHOUT") != ""

// twins is two stations; the first has two registers apart, so that two questions have one shape and other addresses.
func twins() *site.Site {
	return lineSite(false, map[uint8][]site.Span{
		1: {{Table: reading.Holding, Addr: 1, Count: 19}, {Table: reading.Holding, Addr: 41, Count: 19}},
		2: {{Table: reading.Holding, Addr: 1, Count: 19}},
	}, value{1, reading.Holding, 0, site.Uint16}, value{1, reading.Holding, 40, site.Uint16}, value{2, reading.Holding, 0, site.Uint16})
}

// bits is a sensor of twenty coils at 0x0342, which nobody has on the line.
func bits() *site.Site {
	return lineSite(false, nil, registers(5, reading.Coil, 0x0342, 20)...)
}

type hazard struct {
	name     string
	site     func() *site.Site
	without  guards
	script   func(sim *simLine) func(n int, q query, right []byte) []after
	bad      func(y *tally) string // empty: all is as it must be; nil: nothing wrong or old, and four of five values are there
	rounds   int
	server   bool // only a serial server can do it
	ownOnPty bool // bad judges on a pty as well, where time is real
}

func (h hazard) judge(y *tally) string {
	if h.bad != nil {
		return h.bad(y)
	}
	switch {
	case y.wrong+y.old > 0:
		return fmt.Sprintf("%d values wrong and %d too old of %d; the first: station %d address %d", y.wrong, y.old, y.values, y.firstWrong.Station, y.firstWrong.Addr)
	case 10*y.values < 8*3*y.rounds: // of three a round
		return fmt.Sprintf("%d of %d values:%s", y.values, 3*y.rounds, faultCounts(y))
	}
	return ""
}

// every makes a fault of every k-th question of the first twin; the next question is then the second's.
func every(k int, fault func(usual time.Duration, q query, right []byte) []after) func(*simLine) func(int, query, []byte) []after {
	return func(sim *simLine) func(int, query, []byte) []after {
		n := 0
		return func(_ int, q query, right []byte) []after {
			if q.station == 1 && q.addr < 40 {
				if n++; n%k == 0 {
					return fault(sim.usual(right), q, right)
				}
			}
			return sim.prompt(n, q, right)
		}
	}
}

// second makes a fault of every seventh question of the second twin, with the answer to the question before it at hand.
func second(fault func(usual time.Duration, before, right []byte) []after) func(*simLine) func(int, query, []byte) []after {
	return func(sim *simLine) func(int, query, []byte) []after {
		var before []byte
		n := 0
		return func(_ int, q query, right []byte) []after {
			old := before
			before = right
			if q.station == 1 && q.addr >= 40 {
				if n++; n%7 == 0 {
					return fault(sim.usual(right), old, right)
				}
			}
			return sim.prompt(n, q, right)
		}
	}
}

// bare is the library's own way: any answer of the right shape is taken, and what came in between stands before it.
var bare = guards{noShapes: true, noSettle: true, noCheck: true, noSurplus: true, noFlush: true}

func hazards() []hazard {
	random := rand.New(rand.NewPCG(3, 4))
	var mu sync.Mutex // on ptys they run at once
	noise := func(n int) []byte {
		mu.Lock()
		defer mu.Unlock()
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(random.Uint32())
		}
		return b
	}
	return []hazard{
		{name: "a late answer is no answer to the next question", site: twins, without: bare,
			script: every(7, func(usual time.Duration, _ query, right []byte) []after {
				return []after{{usual + 50*time.Millisecond, right}} // the timeout is about 60 ms
			})},
		{name: "a doubled answer is no answer to the next question", site: twins, without: bare,
			script: every(7, func(usual time.Duration, _ query, right []byte) []after {
				return []after{{usual, right}, {usual + 4*time.Millisecond, right}}
			})},
		{name: "an old answer does not take the place of a lost one", site: twins, without: guards{noShapes: true},
			script: second(func(usual time.Duration, before, _ []byte) []after { return []after{{usual, before}} })},
		{name: "two answers that change places are not taken for each other", site: twins, without: bare,
			script: func(sim *simLine) func(int, query, []byte) []after {
				var held []byte
				n := 0
				return func(_ int, q query, right []byte) []after {
					if held != nil {
						before := held
						held = nil
						return []after{{sim.usual(right), before}, {sim.usual(right) + 5*time.Millisecond, right}}
					}
					if q.station == 1 && q.addr < 40 {
						if n++; n%5 == 0 {
							held = right
							return nil
						}
					}
					return sim.prompt(n, q, right)
				}
			}},
		{name: "an answer of two rounds ago is seen by its own answer coming behind it", site: single, without: guards{noCheck: true},
			script: func(sim *simLine) func(int, query, []byte) []after {
				var kept [3][]byte
				return func(n int, _ query, right []byte) []after {
					old := kept[0]
					kept[0], kept[1], kept[2] = kept[1], kept[2], right
					if n == 6 { // the first of its kind: nothing has made the line suspect
						return []after{{sim.usual(right), old}, {sim.usual(right) + 30*time.Millisecond, right}}
					}
					return []after{{sim.usual(right), right}}
				}
			}, bad: func(y *tally) string {
				if y.wrong+y.old > 0 {
					return fmt.Sprintf("%d values too old", y.wrong+y.old)
				}
				return ""
			}, rounds: 20},
		{name: "a byte nobody asked for takes back what was read", site: twins, without: guards{noSurplus: true, noShapes: true},
			script: second(func(usual time.Duration, before, right []byte) []after {
				return []after{{usual, before}, {usual + time.Millisecond, right}}
			})},
		{name: "another station's answer is not taken, nor the right one behind it for the next", site: twins, without: bare,
			script: every(7, func(usual time.Duration, q query, right []byte) []after {
				q.station = 3 - q.station
				return []after{{usual, answerTo(q, 0)}, {usual + 40*time.Millisecond, right}}
			})},
		{name: "noise before an answer does not shift the line", site: twins, without: bare,
			script: every(7, func(usual time.Duration, _ query, right []byte) []after {
				return []after{{usual, []byte{0x00, 0xff}}, {usual + 10*time.Millisecond, right}}
			})},
		{name: "noise inside an answer is no number", site: twins, without: guards{noSum: true},
			script: every(7, func(usual time.Duration, _ query, right []byte) []after {
				b := bytes.Clone(right)
				b[4] ^= 0x10
				return []after{{usual, b}}
			})},
		{name: "noise after an answer costs its round and no more", site: twins, without: bare,
			script: every(7, func(usual time.Duration, _ query, right []byte) []after {
				return []after{{usual, append(bytes.Clone(right), noise(3)...)}}
			})},
		{name: "a truncated answer is not filled up by what comes behind it", site: twins, without: guards{noSum: true},
			script: every(7, func(usual time.Duration, _ query, right []byte) []after {
				return []after{{usual, right[:4]}, {usual + 3*time.Millisecond, noise(len(right) - 4)}}
			})},
		{name: "half an answer, a stall and the rest do not shift the line", site: twins, without: bare,
			script: every(7, func(usual time.Duration, _ query, right []byte) []after {
				return []after{{usual, right[:3]}, {usual + 150*time.Millisecond, right[3:]}, {usual + 151*time.Millisecond, right}}
			})},
		{name: "an echo is no answer", site: bits, ownOnPty: true, without: guards{noEchoStrip: true, noCheck: true},
			script: func(*simLine) func(int, query, []byte) []after {
				return func(_ int, q query, _ []byte) []after { return []after{{time.Millisecond, q.frame()}} } // nobody is there
			}, bad: func(y *tally) string {
				if y.values > 0 {
					return fmt.Sprintf("%d values from a line on which nobody answers", y.values)
				}
				return ""
			}},
		{name: "an echo before every answer costs nothing", site: twins, without: guards{noEchoStrip: true},
			script: func(sim *simLine) func(int, query, []byte) []after {
				return func(_ int, q query, right []byte) []after {
					return []after{{time.Millisecond, q.frame()}, {sim.usual(right), right}}
				}
			}, bad: func(y *tally) string {
				if y.wrong+y.old > 0 || y.whole < y.rounds {
					return fmt.Sprintf("%d of %d rounds whole, %d wrong", y.whole, y.rounds, y.wrong+y.old)
				}
				return ""
			}},
		{name: "an answer of another length is no answer and costs no connection", site: twins, ownOnPty: true, without: guards{noLength: true},
			script: every(7, func(usual time.Duration, q query, right []byte) []after {
				q.count += 2
				return []after{{usual, answerTo(q, 0)}}
			}), bad: func(y *tally) string {
				if n := y.faults[reading.NotConnected]; n > 0 || y.wrong+y.old > 0 || y.values < y.rounds {
					return fmt.Sprintf("%d requests found no connection, %d values wrong, %d values in %d rounds", n, y.wrong+y.old, y.values, y.rounds)
				}
				return ""
			}},
		{name: "a flood of an old answer is not taken", site: twins, without: bare,
			script: every(23, func(usual time.Duration, _ query, right []byte) (out []after) {
				for i := range 100 {
					out = append(out, after{usual + time.Duration(i)*9*time.Millisecond, right})
				}
				return out
			})},
		{name: "what a serial server kept while nobody was connected is no answer", site: single, server: true, without: bare,
			script: func(sim *simLine) func(int, query, []byte) []after {
				sim.buffers = true
				return func(n int, q query, right []byte) []after {
					if n%5 == 4 {
						sim.hangUp()
						sim.refuses = sim.up() + 4*time.Second
						return []after{{sim.usual(right), right}}
					}
					return sim.prompt(n, q, right)
				}
			}, bad: func(y *tally) string {
				if y.wrong+y.old > 0 || y.values < y.rounds/10 {
					return fmt.Sprintf("%d of %d values too old", y.wrong+y.old, y.values)
				}
				return ""
			}},
	}
}

func TestHazards(t *testing.T) {

	for _, h := range hazards() {
		t.Run(strings.ReplaceAll(h.name, ",", ""), func(t *testing.T) {
			rounds := max(h.rounds, 20)
			if h.rounds == 0 {
				rounds = 200
			}
			with := guards{}
			if withoutGuards {
				with = h.without
			}
			y, _, _ := onLine(t, h.site(), rounds, with, func(sim *simLine) { sim.answers = h.script(sim) })
			if bad := h.judge(y); bad != "" {
				t.Errorf("%s", bad)
			}
			if withoutGuards {
				return
			}
			y, _, _ = onLine(t, h.site(), rounds, h.without, func(sim *simLine) { sim.answers = h.script(sim) })
			if h.judge(y) == "" {
				t.Errorf("without its guard all is well too: this test shows nothing (%d values,%s)", y.values, faultCounts(y))
			}
		})
	}
}
