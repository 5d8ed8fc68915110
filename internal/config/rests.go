package config

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// What it costs on a serial line that an answer shows nothing of its question but its length.

// checkRests refuses a period that cannot be kept because answers would look alike. A question that can be asked in one way only rests after
// another of its likeness until no answer to that can come any more; and after two rounds running until none can be older than a round.
func (w *wire) checkRests(b *bus, s *site.Site, i int) {
	if w.lookalikes() && b.refineGrid(s, i) {
		w.plan = plan.Of(s, i)
	}
	b.checkLengths(w)
	rest := upTo(b.b.Horizon(w.timeout)+w.timeout, b.b.Period)
	alike := map[likeness][]plan.Request{}
	for _, r := range w.plan.Requests {
		if w.plan.Single(r) {
			l := likenessOf(r, int(r.Count))
			alike[l] = append(alike[l], r)
		}
	}
	for _, r := range w.plan.Requests {
		like := alike[likenessOf(r, int(r.Count))]
		if !w.plan.Single(r) || like[0] != r { // told once for all of one likeness
			continue
		}
		w.checkAlike(b, like, rest)
	}
}

// lookalikes tells whether two questions that can be asked in one way only have one likeness.
func (w *wire) lookalikes() bool {
	seen := map[likeness]bool{}
	for _, r := range w.plan.Requests {
		if !w.plan.Single(r) {
			continue
		}
		l := likenessOf(r, int(r.Count))
		if seen[l] {
			return true
		}
		seen[l] = true
	}
	return false
}

// refineGrid parts a bus's period into steps of a second or a little more, so that a question whose turn could not come with the others' has
// it before theirs comes again. It tells whether anything changed.
func (b *bus) refineGrid(s *site.Site, i int) bool {
	parts := int64(b.b.Period / gridStep)
	for parts > 1 && int64(b.b.Period)%parts != 0 {
		parts--
	}
	if parts <= 1 {
		return false
	}
	o := &s.Buses[i]
	o.Period /= time.Duration(parts)
	b.b.Period = o.Period
	for _, at := range o.Sensors {
		s.Sensors[at].Every *= uint64(parts)
		s.Sensors[at].Identity.Every *= uint64(parts)
	}
	return true
}

// gridStep is the usual period: a step no finer than that costs nobody anything.
const gridStep = periodDefault

const (
	// A question asked so much more rarely than the one it is like that its rest is an exception: a serial number beside a temperature.
	rarely = 60
	repair = "open an address beside with also_readable, so that they can be asked in different lengths"
)

// checkAlike judges the questions of one likeness.
func (w *wire) checkAlike(b *bus, like []plan.Request, rest time.Duration) {
	period := func(r plan.Request) time.Duration { return time.Duration(max(r.Every, 1)) * b.b.Period }
	where := fmt.Sprintf("station %d, %s wire address %d", like[0].Station, like[0].Table, like[0].Addr)
	if len(like) == 1 {
		late := (site.HorizonTimeouts + 1) * w.timeout
		if p := period(like[0]); lengthsFor(like[0], p, late) > 1 {
			w.refused = true
			shorter := ""
			if b.b.Timeout > 0 {
				shorter = ", or leave timeout out, and it is taken from the wire"
			}
			more := addresses(like[0].Table, lengthsFor(like[0], p, late)-1)
			b.t.wrong("link", fmt.Sprintf("%s: can be asked in one way only, and an answer may come up to %s late: asked every %s, it could be older than a round, so it is asked twice in that time only",
				where, rough(late), short(p)), fmt.Sprintf("open "+more+" beside it with also_readable, or give its sensor a period of %s or more%s", short(upTo(late+1, b.b.Period)), shorter))
		}
		return
	}
	all := time.Duration(len(like)) * rest // each in turn
	often := slices.MinFunc(like, func(x, y plan.Request) int { return cmp.Compare(x.Every, y.Every) })
	regular := 0
	for _, r := range like {
		if period(r) < rarely*period(often) {
			regular++
		}
		if r != like[0] {
			where += fmt.Sprintf(" and %d", r.Addr)
		}
	}
	switch {
	case regular > 1 && period(often) < all:
		w.refused = true
		b.t.wrong("link", fmt.Sprintf("%s: can be asked in one way only and their answers look alike, so between them %s must pass, in which a late answer to the one could be taken for the other; in turn that makes every %s, and the period is %s",
			where, rough(rest), short(all), short(period(often))), fmt.Sprintf("%s, or give their sensors a period of %s or more", repair, short(all)))
	case regular == 1:
		b.t.warn("link", fmt.Sprintf("%s: can be asked in one way only and their answers look alike; whenever the rarer one is due, the other is not asked for %s", where, short(all)), repair)
	}
}

// checkLengths refuses requests of one station and table that cannot all be asked as often as they should: none in the length of another, and
// none in one of its own in which an answer older than a round may still come.
func (b *bus) checkLengths(w *wire) {
	type place struct {
		station uint8
		table   reading.Table
	}
	var order []place
	at := map[place][]plan.Request{}
	for _, r := range w.plan.Requests {
		p := place{r.Station, r.Table}
		if len(at[p]) == 0 {
			order = append(order, p)
		}
		at[p] = append(at[p], r)
	}
	late := (site.HorizonTimeouts + 1) * w.timeout
	for _, p := range order {
		var taken []int // by those that have no other
		var all [][][]int
		for _, r := range at[p] {
			if w.plan.Single(r) {
				taken = append(taken, site.ReplyBytes(r.Table, int(r.Count)))
			}
		}
		lengths := map[int]bool{}
		for _, r := range at[p] {
			if w.plan.Single(r) {
				continue
			}
			n := lengthsFor(r, time.Duration(max(r.Every, 1))*b.b.Period, late)
			ways := waysOf(r, w.plan.Rooms[r], taken)
			for _, way := range ways {
				for _, l := range way {
					lengths[l] = true
				}
			}
			for range n {
				all = append(all, ways)
			}
		}
		steps := 0
		if fit(all, map[int]bool{}, &steps) || steps > fitSteps {
			continue
		}
		w.refused = true
		parted := ""
		if len(lengths) >= len(all) {
			parted = " (one that is parted takes two)"
		}
		b.t.wrong("link", fmt.Sprintf("station %d, %s: %s, whose answers can have %s between them, and %d are needed%s, so that none is taken for another's or for one older than a round; an answer may come %s late",
			p.station, p.table, count(len(at[p]), "request", "requests"), count(len(lengths)+len(taken), "length", "lengths"), len(all)+len(taken), parted, rough(late)),
			"open "+addresses(p.table, max(1, len(all)-len(lengths)))+" or more beside one of them with also_readable, or lengthen the periods of its sensors")
	}
}

// lengthsFor is in how many lengths a request must be asked in turn, so that no answer older than a round can come in its place. Asked in every
// slot, its answer of the last may; asked more rarely, that one is as old as its period.
func lengthsFor(r plan.Request, period, late time.Duration) int {
	if period > late || r.Every <= 1 && 2*period > late {
		return 1
	}
	n := int(late/period) + 1
	if r.Interlock {
		n++ // its check is of its own station
	}
	return n
}

// addresses is how many must be opened for so many more lengths: the answer to a read of bits grows with every eighth.
func addresses(t reading.Table, lengths int) string {
	if t.Bits() {
		lengths *= 8
	}
	return count(lengths, "address", "addresses")
}

// waysOf is how a request can be asked: each way by the lengths of its answers, one or, parted between two of its values, two; without those
// that are taken. As the line's own ledger does it.
func waysOf(r plan.Request, room plan.Room, taken []int) (out [][]int) {
	free := func(n int) bool { return !slices.Contains(taken, n) }
	longest := max(int(r.Count), min(room.Most, int(room.Open.Count)))
	last := 0
	for n := int(r.Count); n <= longest; n++ {
		if l := site.ReplyBytes(r.Table, n); l != last {
			if last = l; free(l) {
				out = append(out, []int{l})
			}
		}
	}
	for i := 1; i < len(room.Values); i++ {
		cut := int(room.Values[i].Addr) - int(r.Addr)
		x, y := site.ReplyBytes(r.Table, cut), site.ReplyBytes(r.Table, int(r.Count)-cut)
		if x != y && free(x) && free(y) {
			out = append(out, []int{x, y})
		}
	}
	return out
}

// fitSteps bounds the search for a way for each; what is not found by then is let pass, and the line shares what there is.
const fitSteps = 20000

// fit tells whether each can be asked without a length in common.
func fit(all [][][]int, used map[int]bool, steps *int) bool {
	if len(all) == 0 {
		return true
	}
	// The one with the fewest ways first.
	least := 0
	for i := range all {
		if len(all[i]) < len(all[least]) {
			least = i
		}
	}
	rest := slices.Concat(all[:least], all[least+1:])
	for _, way := range all[least] {
		if *steps++; *steps > fitSteps {
			return false
		}
		if slices.ContainsFunc(way, func(l int) bool { return used[l] }) {
			continue
		}
		for _, l := range way {
			used[l] = true
		}
		if fit(rest, used, steps) {
			return true
		}
		for _, l := range way {
			delete(used, l)
		}
	}
	return false
}

// checkReadBack refuses a drive over a serial line whose coil or register could never be read back: a request that has no other shape owns it.
func (p *panel) checkReadBack(s *site.Site, i int, wires []wire) {
	d := &s.Panels[i].Interlock.Drive
	if !d.Configured || p.drive == nil || !p.drive.b.Serial() {
		return
	}
	w := &wires[d.Bus]
	back := likenessOf(plan.Request{Station: d.Station, Table: d.Table}, 1)
	for _, r := range w.plan.Requests {
		if w.plan.Single(r) && likenessOf(r, int(r.Count)) == back {
			lock, _ := p.t.sub("interlock")
			lock.wrong("drive", fmt.Sprintf("what it wrote could not be read back: the answer would look like that of station %d, %s wire address %d, which can be asked in one way only", r.Station, r.Table, r.Addr),
				"open one address beside that one with also_readable")
			return
		}
	}
}
