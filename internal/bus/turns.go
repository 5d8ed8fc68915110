package bus

import (
	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
)

// rest lets a request wait until its shape has rested. That is no fault, unless it lasts.
func (p *poller) rest(a *attempt, pc *piece) {
	since, owed := p.owed[pc.r]
	if !owed {
		since = a.slot
		p.owed[pc.r] = since
	}
	if a.slot-since >= restsMost*max(1, pc.r.Every) {
		pc.end(reading.NotAsked, p.now(), 0) // no answer came out of its place
		return
	}
	pc.state, pc.reads = settled, nil
}

// restsMost is for so many of its turns a request may rest and nothing is said: after that its last value is stale.
const restsMost = 3

// fewBytes is up to how many bytes more than its least answer a request must be able to ask for, to count as one that has few lengths.
const fewBytes = 6

// yields tells whether another request has waited longer for a shape that both must take turns at: without that the first in the plan would
// have it every time.
func (p *poller) yields(q plan.Request, parts []part) bool {
	base := queryOf(q)
	for r := range p.owed { // in any order: one is enough
		if r == q || r.Station != q.Station || r.Table != q.Table || p.askedAt[r] >= p.askedAt[q] {
			continue
		}
		room := p.plan.Rooms[r]
		least := queryOf(r).shape().bytes
		most := query{r.Station, r.Table, r.Addr, uint16(max(int(r.Count), min(room.Most, int(room.Open.Count))))}.shape().bytes
		if most-least > fewBytes {
			continue // it has many, and this one more or less does not matter
		}
		for _, part := range parts {
			if n := part.q.shape().bytes; n >= least && n <= most {
				return true
			}
		}
	}
	if parts[0].q != base {
		return false
	}
	for _, r := range p.plan.Requests {
		if r != q && queryOf(r).shape() == base.shape() && p.due[r] && p.askedAt[r] < p.askedAt[q] {
			return true
		}
	}
	return false
}
