package app

import (
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// orders carries the present order of each driven panel to its bus. Only the newest of a panel waits: they are all the same, and an old one
// may be of a request that was withdrawn. A bus without a drive has no channel, so that nothing can be given to it.
type orders struct{ to []chan reading.Order } // by bus

func newOrders(s *site.Site) *orders {
	o := &orders{to: make([]chan reading.Order, len(s.Buses))}
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

// give puts orders before their buses. Only one goroutine gives.
func (o *orders) give(list []reading.Order) {
	for _, r := range list {
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
