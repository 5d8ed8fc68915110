package bus

import (
	"math"
	"slices"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/site"
)

// ledger decides which shapes may be asked now. An answer that is late, doubled or lost among others can only be known by its shape, so
// two questions whose answers might meet must not have the same one.
type ledger struct {
	horizon    time.Duration // after a question was given up, its answer may still come for so long
	last       query         // the last question sent
	any        bool          // one was sent
	used       map[shape]use
	distrusted time.Duration // Up until which the line is distrusted: no shape twice within the horizon
	spell      time.Duration // how long it was distrusted when it last began
	suspected  time.Duration // Up of the last sound answer out of its place
	refused    map[query]int // how often a check was refused for what it asked
	off        bool          // a test only: every shape is free

	// On a serial line alone. What stands behind a network connection forgets by questions, not by time, and there a wait proves nothing.
	strict bool              // no question within the horizon of another one of its shape
	late   time.Duration     // how late an answer was measured to come: ten timeouts, without the floor of the horizon
	slot   uint64            // of the round
	past   [pastKept]ask     // what was asked, by count
	count  uint64            // of the questions asked
	owners map[shape][]query // the questions that can be asked in no other shape; nobody else uses theirs
}

// use is the last use of a shape.
type use struct {
	q    query
	free time.Duration // Up from which an answer to it can no longer come
	bad  time.Duration // Up until which an answer to one that ended in a fault may come; 0 when none did
	asks [asksKept]ask // the last ones, newest first
}

// ask is one asking: what was asked, the slot it was in, and Up until which its answer may come.
type ask struct {
	q     query
	slot  uint64
	until time.Duration
}

// pastKept is of how many questions a ledger remembers what they were: a gateway that never empties its buffer falls behind by one with
// every answer that comes twice, and was not seen further behind than a few dozen.
const pastKept = 256

// asksKept is of how many askings of one shape the ledger knows. One round asks a shape four times at most: twice each of the request and
// of a check; with more than so many under way in two rounds the shape rests.
const asksKept = 8

// verdict is whether a question may be asked now. The zero verdict is that it may not.
type verdict uint8

const (
	retired  verdict = iota // its answer could not be told from one to an earlier question
	adjacent                // the question just before had its shape; something else must come between
	resting                 // on a strict ledger: an answer to an earlier question, or one older than a round, may still come in its place
	shared                  // it may, though another question of this shape was asked within the horizon
	free
)

func newLedger(horizon time.Duration) *ledger {
	return &ledger{horizon: horizon, used: map[shape]use{}, refused: map[query]int{}}
}

// of judges a question at up.
func (l *ledger) of(q query, up time.Duration) verdict {
	if l.off {
		return free
	}
	s := q.shape()
	if o := l.owners[s]; len(o) > 0 && !slices.Contains(o, q) {
		return resting
	}
	u, known := l.used[s]
	old := !known || up >= u.free
	switch {
	case !old && (up < u.bad || up < l.distrusted):
		return retired
	case !old && l.strict && (u.q != q || !l.own(q, up, lastRound)):
		return resting
	case !old && l.any && l.last.shape() == s:
		return adjacent
	case !old && u.q != q:
		return shared
	}
	return free
}

// own tells whether nothing but an answer to this very question, asked in this round or so many before it, may come in the place of q's.
func (l *ledger) own(q query, up time.Duration, before uint64) bool {
	for i, a := range l.used[q.shape()].asks {
		until := a.until
		if a.q != q {
			until += l.horizon - l.late
		}
		if up < until && (a.q != q || l.slot-a.slot > before || i == asksKept-1) {
			return false
		}
	}
	return true
}

// How many rounds before this one an answer to the same question may be from.
const (
	lastRound = 1
	anyRound  = math.MaxUint64
)

// mine tells whether q may be asked though an answer to itself, however old, may come in its place.
func (l *ledger) mine(q query, up time.Duration) bool {
	u := l.used[q.shape()]
	return up >= u.bad && up >= l.distrusted && !(l.any && l.last.shape() == q.shape()) && l.own(q, up, anyRound)
}

// reserve keeps the shapes of those who have no other.
func (l *ledger) reserve(qs []query) {
	l.owners = map[shape][]query{}
	for _, q := range qs {
		l.owners[q.shape()] = append(l.owners[q.shape()], q)
	}
}

// lags gives by how many questions all of those at these counts may have been answered behind, so that nothing showed it: each time an
// earlier question of the same shape stands there. Not among them is the lag that only gives everyone its own answer of the last round. A
// buffer that is never emptied falls behind by one at a time, and each question meanwhile gets another's answer: so by most at most.
func (l *ledger) lags(at []uint64, most uint64) (out []uint64) {
	for lag := uint64(1); lag <= min(most, pastKept-1); lag++ {
		alike, harmless := true, true
		for _, i := range at {
			if i < lag || l.count-(i-lag) > pastKept {
				return out
			}
			now, then := l.past[i%pastKept], l.past[(i-lag)%pastKept]
			alike = alike && now.q.shape() == then.q.shape()
			harmless = harmless && now.q == then.q && then.slot+1 >= now.slot
		}
		if alike && !harmless {
			out = append(out, lag)
		}
	}
	return out
}

// shows tells whether an answer to q, asked next, would show each of these lags.
func (l *ledger) shows(q query, lags []uint64) bool {
	return !slices.ContainsFunc(lags, func(lag uint64) bool { return l.past[(l.count-lag)%pastKept].q.shape() == q.shape() })
}

// twin tells whether another question than q can be asked only in its shape: a check that used it would put that one off.
func (l *ledger) twin(q query) bool { return len(l.owners[q.shape()]) > 1 }

// sent notes that a question left at up and is waited for for timeout. Shapes are few: 250 lengths of four functions of 247 stations
// bound the map, and a site uses a handful.
func (l *ledger) sent(q query, up, timeout time.Duration) {
	l.last, l.any = q, true
	l.past[l.count%pastKept] = ask{q: q, slot: l.slot}
	l.count++
	u := l.used[q.shape()]
	u.q, u.free = q, up+timeout+l.horizon
	copy(u.asks[1:], u.asks[:])
	u.asks[0] = ask{q, l.slot, up + timeout + l.late}
	l.used[q.shape()] = u
}

// failed notes that the last question ended in a fault at up: its answer may still come.
func (l *ledger) failed(up time.Duration) {
	s := l.last.shape()
	u := l.used[s]
	u.bad, u.free = up+l.horizon, max(u.free, up+l.horizon)
	l.used[s] = u
}

// suspect distrusts the line from up on. What comes within a horizon of the last is of one trouble with it.
func (l *ledger) suspect(up time.Duration) {
	first := distrustHorizons * l.horizon
	switch since := up - l.suspected; {
	case l.spell == 0, since >= distrustMost:
		l.spell = min(first, distrustMost)
	case since >= l.horizon:
		l.spell = min(2*l.spell, distrustMost)
	}
	l.suspected, l.distrusted = up, max(l.distrusted, up+l.spell)
}

// lately tells whether a question was asked whose answer of so many bytes may still come.
func (l *ledger) lately(station, function uint8, bytes int, up time.Duration) bool {
	u, ok := l.used[shape{station: station, function: function, bytes: bytes}]
	return ok && up < u.free
}

// separated notes that so long a silence was heard since the last question that no answer to it is under way.
func (l *ledger) separated() { l.any = false }

// refuse notes that a device did not accept what a check asked: some give their values whole or not at all.
func (l *ledger) refuse(q query) { l.refused[q]++ }

// part is one question a request is asked as, and the part of the request it answers for.
type part struct {
	q     query
	wants plan.Span
}

// bend finds how to ask a request now: as it is, with listed addresses beside it, or parted between two of its values. Of several ways
// the one with the least to carry. The verdict is that of the worst of its parts; with retired or adjacent nothing may be asked.
func (l *ledger) bend(r plan.Request, room plan.Room, up time.Duration) ([]part, verdict) {
	whole := plan.Span{Addr: r.Addr, Count: r.Count}
	base := query{r.Station, r.Table, r.Addr, r.Count}
	best := l.of(base, up)
	if best == free {
		return []part{{base, whole}}, free
	}
	parts := []part{{base, whole}}
	if q, ok := l.pad(base, room, up, shape{}); ok {
		return []part{{q, whole}}, free
	}
	least := 0
	for i := 1; i < len(room.Values); i++ {
		cut := room.Values[i].Addr
		a := query{r.Station, r.Table, r.Addr, cut - r.Addr}
		b := query{r.Station, r.Table, cut, r.Addr + r.Count - cut}
		qa, ok := l.pad(a, room, up, shape{})
		if !ok {
			continue
		}
		qb, ok := l.pad(b, room, up, qa.shape())
		if !ok {
			continue
		}
		if n := int(qa.count) + int(qb.count); least == 0 || n < least {
			least = n
			parts, best = []part{{qa, plan.Span{Addr: a.addr, Count: a.count}}, {qb, plan.Span{Addr: b.addr, Count: b.count}}}, free
		}
	}
	return parts, best
}

// pad finds the shortest free question that holds q, of another shape than but: q itself, or q with listed addresses after it, or
// before it where there are none after.
func (l *ledger) pad(q query, room plan.Room, up time.Duration, but shape) (query, bool) {
	first, end := int(room.Open.Addr), room.Open.End()
	for n := int(q.count); n <= min(room.Most, end-first); n++ {
		try := q
		try.count = uint16(n)
		if over := int(q.addr) + n - end; over > 0 {
			try.addr = q.addr - uint16(over)
		}
		if s := try.shape(); s != but && l.of(try, up) == free {
			return try, true
		}
	}
	return query{}, false
}

const checkWidth = site.CheckValues

// check finds a question to close a segment with: some of the values of a request that was answered in it, of a shape that may be asked
// now, and would show each of the lags. turn rotates among them, so that the same shape does not come round at once.
func (l *ledger) check(r plan.Request, room plan.Room, turn int, up time.Duration, lags []uint64) (query, bool) {
	n := len(room.Values)
	width := min(n, checkWidth)
	for i := range n {
		length := i + 1
		if i < width {
			length = (i+turn)%width + 1
		}
		for k := range min(n-length+1, checkWidth) {
			at := (k + turn) % (n - length + 1)
			first, last := room.Values[at], room.Values[at+length-1]
			q := query{r.Station, r.Table, first.Addr, uint16(last.End() - int(first.Addr))}
			if int(q.count) > room.Most || l.refused[q] >= stiffAfter {
				continue
			}
			if v := l.of(q, up); v >= shared && !l.twin(q) && l.shows(q, lags) {
				return q, true
			}
			if q, ok := l.pad(q, room, up, shape{}); ok && l.refused[q] < stiffAfter && !l.twin(q) && l.shows(q, lags) {
				return q, true
			}
		}
	}
	return query{}, false
}

// spare counts the shapes a request could be asked in at up.
func (l *ledger) spare(r plan.Request, room plan.Room, up time.Duration) (n int) {
	q := query{r.Station, r.Table, room.Open.Addr, 1}
	step := 1
	if r.Table.Bits() {
		step = 8
	}
	for c := 1; c <= min(int(room.Open.Count), room.Most); c += step {
		if q.count = uint16(c); l.of(q, up) >= shared {
			n++
		}
	}
	return n
}
