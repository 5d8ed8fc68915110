package app

import (
	"sync/atomic"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// orders carries the present order of each driven panel to its bus. Only the newest of a panel waits: they are all the same, and an old one
// may be of a request that was withdrawn. A bus without a drive has no channel, so that nothing can be given to it.
type orders struct {
	to   []chan reading.Order // by bus
	asks []atomic.Bool        // by panel: the closing is asked for. Written by the engine's goroutine, read by a bus just before it writes
}

func newOrders(s *site.Site) *orders {
	o := &orders{to: make([]chan reading.Order, len(s.Buses)), asks: make([]atomic.Bool, len(s.Panels))}
	driven := make([]int, len(s.Buses))
	for i := range s.Panels {
		if k := &s.Panels[i].Interlock; k.Configured && k.Drive.Configured {
			driven[k.Drive.Bus]++
		}
	}
	for b, n := range driven {
		if n > 0 {
			o.to[b] = make(chan reading.Order, n) // one for each panel, so that giving never waits
		}
	}
	return o
}

// of is where a bus takes its orders from; nil where it gets none.
func (o *orders) of(bus int) <-chan reading.Order { return o.to[bus] }

// stands tells whether what asked for an order still asks.
func (o *orders) stands(r reading.Order) bool { return o.asks[r.Panel].Load() }

// follow takes up what a step brought: the orders it gave, and that others are withdrawn, which then move nothing any more. Only one
// goroutine follows.
func (o *orders) follow(out engine.Outcome, v *engine.View) {
	for i, p := range v.Panels {
		ask := p != nil && p.Interlock.Holding.Ask
		if o.asks[i].Swap(ask) && !ask {
			for _, c := range o.to {
				drain(c, i)
			}
		}
	}
	o.give(out.Orders)
}

// drain takes a panel's order back from before its bus.
func drain(c chan reading.Order, panel int) {
	for range len(c) {
		select {
		case w := <-c:
			if w.Panel != panel {
				c <- w // never waits: its place has just become free, and nobody else gives
			}
		default:
			return
		}
	}
}

// give puts orders before their buses.
func (o *orders) give(list []reading.Order) {
	for _, r := range list {
		o.asks[r.Panel].Store(true) // also where the view is made anew later
		c := o.to[r.Bus]
		waiting := make([]reading.Order, 0, cap(c))
		for more := true; more; {
			select {
			case w := <-c:
				if w.Panel != r.Panel {
					waiting = append(waiting, w)
				}
			default:
				more = false
			}
		}
		for _, w := range append(waiting, r) {
			c <- w // never waits: there is room for one of each panel
		}
	}
}
