package config

import (
	"fmt"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// What a configuration costs in time is known only once it is known what is asked together, so it is judged last, of a file that has no
// other mistake.

// wire is what one bus costs.
type wire struct {
	plan    plan.Plan
	turn    time.Duration
	timeout time.Duration // of the longest request
	full    time.Duration // of the round in which everything is due, with its checks; 0 where that is not known
	mean    time.Duration // of a round
	checks  int
	guarded bool // a network endpoint that may be a gateway
	refused bool // what follows from it would only say so again
}

func (d *doc) checkTimes() {
	names := sortedKeys(d.buses) // assemble took them in this order
	wires := make([]wire, len(names))
	for i, name := range names {
		if wires[i] = d.buses[name].times(&d.out, i); len(wires[i].plan.Requests) > 0 && !wires[i].refused {
			d.report.Rounds = append(d.report.Rounds, wires[i].round(d.buses[name]))
		}
	}
	for i, p := range d.panels {
		if d.out.Panels[i].Interlock.Configured {
			p.checkClosing(&d.out, i, wires)
			p.checkReadBack(&d.out, i, wires)
		}
	}
}

// times finds what a bus costs, tells it, and refuses what cannot be.
func (b *bus) times(s *site.Site, i int) wire {
	w := wire{turn: s.Turnaround(i), timeout: b.b.Timeout}
	if w.plan = plan.Of(s, i); len(w.plan.Requests) == 0 {
		return w
	}
	if !b.b.Serial() {
		b.checkGateway(&w)
		return w
	}
	for _, sensor := range b.sensors {
		if m := sensor.m; m.turnaround == 0 && !m.turnTold {
			m.turnTold = true
			m.t.took("turnaround", short(site.TurnaroundUsual), "common practice for the slowest devices; a shorter one, from the device's manual, leaves more of the line")
		}
	}
	if w.refused = !b.findLineTimeout(&w); w.refused {
		return w
	}
	w.checks = w.segments()
	prompt := time.Duration(0) // a round on average, did every device answer at once
	for _, r := range w.plan.Requests {
		t := site.ReadTime(b.b.Baud, w.turn, r.Table, int(r.Count))
		w.full += t
		w.mean += t / time.Duration(max(r.Every, 1))
		prompt += (t - w.turn) / time.Duration(max(r.Every, 1))
	}
	checks := time.Duration(w.checks) * w.check(b)
	w.full += checks
	w.mean += checks
	prompt += time.Duration(w.checks) * (w.check(b) - w.turn)
	b.t.notePoint("baud", fmt.Sprintf("a full round is %s and %s, %s on the wire at %d baud with a turnaround of %s; on average %.0f %% of the period of %s",
		count(len(w.plan.Requests), "request", "requests"), count(w.checks, "closing check", "closing checks"), rough(w.full), b.b.Baud, short(w.turn),
		100*float64(w.mean)/float64(b.b.Period), short(b.b.Period)))
	const do = "lengthen the periods, ask for fewer registers, say a shorter turnaround where the devices allow it, or take a faster line"
	switch {
	case prompt > b.b.Period:
		w.refused = true
		b.t.wrong("baud", fmt.Sprintf("a round takes %s on the wire on average even when every device answers at once, and the shortest period on this bus is %s: %s", rough(prompt), short(b.b.Period), w.sum(b)), do)
	case w.mean > b.b.Period:
		b.t.warn("baud", fmt.Sprintf("a round may take %s on the wire on average, longer than the shortest period on this bus, %s: readings then come less often than asked for", rough(w.mean), short(b.b.Period)), do)
	}
	w.tellSingles(b)
	if !w.refused {
		w.checkRests(b, s, i)
	}
	return w
}

// checkGateway refuses a network endpoint behind which answers might be mixed up and nothing could show it.
func (b *bus) checkGateway(w *wire) {
	can := false
	for _, r := range w.plan.Requests {
		if !b.b.Direct && r.Station != 255 {
			w.guarded = true
			can = can || w.plan.Bendable(r)
		}
	}
	if w.guarded && !can {
		w.refused = true
		b.t.wrong("link", "everything behind it is asked in one way only, so answers that a gateway mixes up could not be told apart",
			"open a harmless register beside one of the values with also_readable, or write direct = true where the endpoint is the device itself and no gateway")
	}
}

// findLineTimeout takes the timeout of a line from the wire, or refuses one that cannot succeed.
func (b *bus) findLineTimeout(w *wire) bool {
	longest := w.plan.Requests[0]
	need := time.Duration(0)
	for _, r := range w.plan.Requests {
		if t := site.ReadTime(b.b.Baud, w.turn, r.Table, int(r.Count)) + site.LineSlack; t > need {
			need, longest = t, r
		}
	}
	sum := fmt.Sprintf("%s (%s) of station %d need %s of silence, %d characters of 11 bits at %d baud, %s of turnaround and %s for adapter and system: %s",
		count(int(longest.Count), "address", "addresses"), longest.Table, longest.Station, fine(site.Quiet(b.b.Baud)), 8+site.ReplyBytes(longest.Table, int(longest.Count)),
		b.b.Baud, short(w.turn), short(site.LineSlack), rough(need))
	const do = "leave timeout out, and it is taken from the wire; or shorten longest_read or turnaround of the map"
	if need > site.LineTimeoutMax {
		b.t.wrong("baud", fmt.Sprintf("no answer may take longer than %s, and this one does: %s", short(site.LineTimeoutMax), sum), "take a faster line, or shorten longest_read or turnaround of the map")
		return false
	}
	if b.b.Timeout == 0 {
		w.timeout = need
		if !b.t.has("timeout") {
			b.t.took("timeout", rough(need), "the longest request: "+sum)
		}
		return true
	}
	if b.b.Timeout < need {
		b.t.wrong("timeout", fmt.Sprintf("%s cannot succeed: %s", short(b.b.Timeout), sum), do)
		return false
	}
	return true
}

// check is what one closing check takes at most, with the silence behind it.
func (w *wire) check(b *bus) time.Duration {
	longest := time.Duration(0)
	for _, r := range w.plan.Requests {
		longest = max(longest, site.ReadTime(b.b.Baud, w.turn, r.Table, widestCheck(w.plan.Rooms[r])))
	}
	if w.onlyShape() { // no question of another shape: a silence as long as a timeout stands for the check
		longest = w.timeout
	}
	return longest + site.Quiet(b.b.Baud)
}

// segments is how many parts of a full round are closed by a check: each station that guards, and all others together.
func (w *wire) segments() int {
	n, others := 0, false
	var last uint8
	for _, r := range w.plan.Requests {
		switch {
		case !r.Interlock:
			others = true
		case r.Station != last:
			n, last = n+1, r.Station
		}
	}
	if others {
		n++
	}
	return n
}

// widestCheck is the most addresses a closing check of a request reads.
func widestCheck(room plan.Room) int {
	widest := 1
	for i, v := range room.Values {
		last := room.Values[min(i+site.CheckValues, len(room.Values))-1]
		widest = max(widest, last.End()-int(v.Addr))
	}
	return widest
}

// likeness is all that an answer on a serial line shows of its question.
type likeness struct {
	station uint8
	table   reading.Table
	bytes   int
}

func likenessOf(r plan.Request, count int) likeness {
	return likeness{r.Station, r.Table, site.ReplyBytes(r.Table, count)}
}

// onlyShape tells whether the whole bus can be asked in one shape only, so that no check can be told from the question before it.
func (w *wire) onlyShape() bool {
	first := likenessOf(w.plan.Requests[0], int(w.plan.Requests[0].Count))
	for _, r := range w.plan.Requests {
		if len(w.plan.Rooms[r].Values) > 1 || likenessOf(r, int(r.Count)) != first || !w.plan.Single(r) {
			return false
		}
	}
	return true
}

// tellSingles says what a request costs that can be asked in one shape only.
func (w *wire) tellSingles(b *bus) {
	for _, r := range w.plan.Requests {
		if w.plan.Single(r) {
			b.t.notePoint("link", fmt.Sprintf("station %d, %s wire address %d, %s: can be asked in one way only, so after a fault it waits %s for a late answer to pass, and for a while after a late answer it is asked once in that time only; also_readable beside it would spare that",
				r.Station, r.Table, r.Addr, count(int(r.Count), "address", "addresses"), rough(b.b.Horizon(w.timeout)+w.timeout)))
		}
	}
}

// guard is what it takes until the temperature of an interlock is known.
type guard struct {
	vouched time.Duration // from the start of a round until its station is vouched for
	single  bool          // its request can be asked in one shape only
	alike   int           // how many such requests there are of its likeness, itself among them
	shapes  int           // in how many it can be asked
}

// guardOf looks at the stations that come before the one of a temperature, and at its own.
func (w *wire) guardOf(b *bus, station uint8, pt *site.Point) guard {
	g := guard{}
	for _, r := range w.plan.Requests {
		if r.Station == station && r.Table == pt.Table && r.Addr <= pt.Addr && int(pt.Addr) < int(r.Addr)+int(r.Count) {
			room, last := w.plan.Rooms[r], 0
			for n := pt.Decode.Type.Words(); n <= max(int(r.Count), min(room.Most, int(room.Open.Count))); n++ {
				if bytes := site.ReplyBytes(r.Table, n); bytes != last {
					g.shapes, last = g.shapes+1, bytes
				}
			}
		}
	}
	if !b.b.Serial() {
		return g
	}
	before := uint8(0)
	for _, r := range w.plan.Requests { // those that guard come first, station by station
		if r.Station != station && !r.Interlock {
			continue
		}
		if before != 0 && r.Station != before {
			g.vouched += w.check(b)
			if before == station {
				return g
			}
		}
		before = r.Station
		g.vouched += site.ReadTime(b.b.Baud, w.turn, r.Table, int(r.Count))
		if r.Station == station && r.Table == pt.Table && r.Addr <= pt.Addr && int(pt.Addr) < int(r.Addr)+int(r.Count) {
			g.single = w.plan.Single(r)
			for _, o := range w.plan.Requests {
				if g.single && w.plan.Single(o) && likenessOf(o, int(o.Count)) == likenessOf(r, int(r.Count)) {
					g.alike++
				}
			}
		}
	}
	g.vouched += w.check(b)
	return g
}

// checkClosing tells how long it takes at worst from a hot measurement to the close condition, and refuses what is too long. The
// measurement stands in the device from a moment just after it was read: one period passes until it is read, and another update must
// confirm it.
func (p *panel) checkClosing(s *site.Site, i int, wires []wire) {
	lock := &s.Panels[i].Interlock
	pt := &s.Points[lock.Temperature]
	sensor := &s.Sensors[pt.Sensor]
	b := p.temperature.sensor.bus
	w := &wires[sensor.Bus]
	if w.refused {
		return
	}
	t, _ := p.t.sub("interlock")
	g := w.guardOf(b, sensor.Station, pt)
	period := sensor.Period
	if w.full > period { // a round that outlasts the period is followed by the next on the grid
		period = upTo(w.full, sensor.Period)
	}
	next := upTo(sensor.Refresh, period)
	clean := period + next + g.vouched

	settle := max(site.SettleMost, w.timeout)
	lost := w.timeout + w.timeout // a fault costs the wait for the answer, and as long a settling
	wait := settle
	if g.single {
		wait = b.b.Horizon(w.timeout) + w.timeout
		lost = wait
	}
	if !b.b.Serial() {
		lost, wait = w.timeout, 0
		// After an answer out of its place no shape is used twice within the horizon, and a round takes two.
		rest := b.b.Horizon(w.timeout) + w.timeout
		if w.guarded && sensor.Station != 255 && g.shapes < 2*int(upTo(rest, period)/period) {
			lost, wait = rest, rest+period
		}
	}
	more := max(period, upTo(lost, period))
	faulted := clean + more
	if next+more > hotUpdatesWithin { // the two are too far apart to confirm each other: the one after the fault is the first again
		faulted += next
	}
	if b.b.Serial() {
		faulted += period // the round after a fault may lack it too: what was asked in another shape is withdrawn with what waited
	}
	own := ""
	if !b.b.Serial() {
		own = ", beside the time of the answers themselves"
	}
	t.notePoint("temperature", fmt.Sprintf("from a hot measurement to the close condition: at most %s clean, %s with one fault%s", rough(clean), rough(faulted), own))
	do := "shorten period and refresh of its sensor, or give it a line of its own"
	if w.full > sensor.Period {
		do = fmt.Sprintf("a full round takes %s on the wire, of which each of its %s may wait %s of turnaround: shorten the turnaround where the devices allow it, ask for less on this line, or give the sensor a line of its own",
			rough(w.full), count(len(w.plan.Requests), "request", "requests"), short(w.turn))
	}
	switch {
	case g.alike > 1:
		t.wrong("temperature", fmt.Sprintf("it can be asked in one way only, and so can %s whose answer looks the same: on a clean line it is not asked for %s whenever they are due",
			count(g.alike-1, "other", "others"), rough(time.Duration(g.alike)*upTo(b.b.Horizon(w.timeout)+w.timeout, b.b.Period))), "open registers beside it with also_readable, so that it can be asked in another way")
	case clean > closeMax:
		t.wrong("temperature", fmt.Sprintf("from a hot measurement to the close condition it may take %s on a clean line, and %s is the most: %s until it is read, %s to its confirmation, %s until that is vouched for",
			rough(clean), short(closeMax), short(period), short(next), rough(g.vouched)), do)
	case b.b.Serial() && g.single && wait > hotUpdatesWithin:
		t.wrong("temperature", fmt.Sprintf("it can be asked in one way only, so after a late answer it is asked once in %s, and two hot updates further apart than %s do not confirm each other", rough(wait), short(hotUpdatesWithin)),
			"open registers beside it with also_readable, so that it can be asked in another way, or shorten the timeout")
	case wait >= lock.LostAfter:
		t.wrong("temperature", fmt.Sprintf("after one fault its sensor is not asked for %s, and a temperature not seen for %s counts as lost", rough(wait), short(lock.LostAfter)),
			"open registers beside it with also_readable, so that it can be asked in another way, or shorten the timeout")
	}
}

// upTo is the least whole number of steps that d fits in, at least one.
func upTo(d, step time.Duration) time.Duration { return max(1, (d+step-1)/step) * step }

// rough is a time as a person compares it.
func rough(d time.Duration) string {
	if d >= 10*time.Second {
		return short(d.Round(time.Second))
	}
	if d >= time.Second {
		return short(d.Round(100 * time.Millisecond))
	}
	return short(d.Round(time.Millisecond))
}

// fine is a time on the wire.
func fine(d time.Duration) string { return short(d.Round(10 * time.Microsecond)) }
