package bus

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
)

const ptySeconds = 26 // three or four faults of one question in seven

// onPty runs a hazard on a pty of its own, in real time, and gives what was published.
func onPty(h hazard, a *adapter, seconds int, without guards) (*tally, error) {
	s := onTTY(h.site(), a)
	s.Buses[0].Period = time.Second
	w, err := wireOf(s, &s.Buses[0], plan.Of(s, 0))
	if err != nil {
		return nil, err
	}
	answers := h.script(&simLine{start: a.start, wire: w})
	n := 0
	a.answer = func(_ int, q query, right []byte) []after {
		n++
		return answers(n-1, q, right)
	}
	a.plug()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	l, err := linkOf(ctx, s, 0, clock(a.start))
	if err != nil {
		return nil, err
	}
	r, ok := l.(*rtuLink)
	if !ok {
		return nil, fmt.Errorf("%T is no serial line", l)
	}
	r.line.without, r.line.ledger.off = without, without.noShapes
	out, done := make(chan reading.Batch), make(chan error, 1)
	go func() { done <- run(ctx, s, 0, clock(a.start), nil, out, discard(), l) }()
	y := &tally{}
	end := time.After(time.Duration(seconds) * time.Second) // without a guard a round may take many seconds
	for running := true; running; {
		select {
		case b := <-out:
			y.take(s, b, false)
		case <-end:
			running = false
		}
	}
	cancel()
	return y, <-done
}

// judgeOnPty is judge for a machine that may be late: nothing wrong or old, and a fifth of the values against publishing nothing.
func (h hazard) judgeOnPty(y *tally) string {
	if h.ownOnPty {
		return h.bad(y)
	}
	n := 0
	for _, of := range y.points {
		n += len(of)
	}
	switch {
	case y.wrong+y.old > 0:
		return fmt.Sprintf("%d values wrong and %d too old of %d; the first: station %d address %d", y.wrong, y.old, y.values, y.firstWrong.Station, y.firstWrong.Addr)
	case 5*y.values < n*ptySeconds:
		return fmt.Sprintf("%d of %d values:%s", y.values, n*ptySeconds, faultCounts(y))
	}
	return ""
}

// TestHazardsOnPtys is TestHazards on real terminals in real time, each hazard on two ptys at once: with the guards, and without the one that
// holds it. What a serial server keeps while nobody is connected has no terminal to be shown on.
func TestHazardsOnPtys(t *testing.T) {
	type result struct {
		y   *tally
		err error
	}
	var all []hazard
	for _, h := range hazards() {
		if !h.server {
			all = append(all, h)
		}
	}
	guarded, bared := make([]result, len(all)), make([]result, len(all))
	var group sync.WaitGroup
	start := time.Now()
	for i, h := range all {
		with := guards{}
		if withoutGuards {
			with = h.without
		}
		for into, without := range map[*result]guards{&guarded[i]: with, &bared[i]: h.without} {
			a := unplugged(t, start)
			group.Go(func() { into.y, into.err = onPty(h, a, ptySeconds, without) })
		}
	}
	group.Wait()
	shown := 0
	for i, h := range all {
		t.Run(strings.ReplaceAll(h.name, ",", ""), func(t *testing.T) {
			if guarded[i].err != nil || bared[i].err != nil {
				t.Fatal(guarded[i].err, bared[i].err)
			}
			if bad := h.judgeOnPty(guarded[i].y); bad != "" {
				t.Error(bad)
			}
			bad := h.judgeOnPty(bared[i].y)
			if bad != "" {
				shown++
			}
			t.Logf("figure: without its guard: %s", bad)
		})
	}
	// In virtual time each of them is red without its guard, always. Here a machine that stands still for a moment may hide one.
	if shown < len(all)*3/4 {
		t.Errorf("without their guards %d of %d hazards show: too few", shown, len(all))
	}
}
