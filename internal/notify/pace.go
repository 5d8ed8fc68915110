package notify

import (
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// What goes next to one recipient, and what is told together. All of it is decided by functions of what waits, of the time and of what went
// before; nothing here waits, sends or reads a clock. What is urgent never waits for what is not: top priority is never kept back at all, and
// high priority for at most causeUrgent.

const (
	// floodMost messages in floodIn begin a flood: more than 10 in 10 minutes is what the alarm standards call one (IEC 62682, ISA-18.2;
	// from memory). Then what is not urgent comes as one summary at once, and a further one every floodIn while it lasts.
	floodMost = 10
	floodIn   = 10 * time.Minute
	// staleAfter is from where on a message comes late; staleLeast of them are one summary with their own times, not so many late calls.
	staleAfter = 5 * time.Minute
	staleLeast = 4
	// causeUrgent and causeRest are how long what another trouble explains waits for more of its kind. High priority is never delayed by more
	// than 10 s.
	causeUrgent = 10 * time.Second
	causeRest   = time.Minute
	// summaryMost bounds the messages of one summary; the next one takes the rest.
	summaryMost = 500
)

// hold is why a message waits. The zero hold is none.
type hold uint8

const (
	free    hold = iota
	byQuiet      // for the morning
	byCause      // for the others of its cause
	byFlood      // for the summary
	byDelay      // of no rule: it is late
)

// waiting is what is known of a message that waits, without its words.
type waiting struct {
	key      uint64
	id       string
	priority site.Priority
	root     string // the event that explains it
	test     bool
	old      time.Duration // its age when it was first seen here
	seen     time.Duration // Up then
	held     hold
}

func (w *waiting) age(now time.Duration) time.Duration { return w.old + max(0, now-w.seen) }

// urgent tells what is never kept back but for a moment.
func (w *waiting) urgent() bool { return w.priority <= site.HighPriority || w.test }

// pace is what went to a recipient lately.
type pace struct {
	sent     []time.Duration // Up, of the last floodMost messages
	flooding bool
	due      time.Duration // Up of the next summary of a flood
}

// step is what to do next: send one, tell some together, or nothing before a moment.
type step struct {
	send  int   // index of the message; -1: none
	sum   []int // indices of those told together
	why   hold
	until time.Duration // Up; 0: nothing is held
}

// next decides. certain says that the wall clock may be believed: where it may not, no night is kept.
func (p *pace) next(now reading.Stamp, certain bool, ws []waiting, q site.QuietHours, zone *time.Location) step {
	quiet, morning := quietAt(q, now.Wall, zone)
	quiet = quiet && certain
	if p.flooding && now.Up >= p.due && !some(ws, func(w *waiting) bool { return w.held == byFlood }) {
		p.flooding = false // a whole floodIn has passed and nothing waits
	}
	out := step{send: -1}
	wait := func(until time.Duration) {
		if out.until == 0 || until < out.until {
			out.until = until
		}
	}
	var open []int // may go now
	for i := range ws {
		w := &ws[i]
		window := causeRest
		if w.urgent() {
			window = causeUrgent
		}
		switch {
		case w.test || w.priority == site.TopPriority:
			open = append(open, i)
		case quiet && w.priority >= q.Least && w.priority > site.HighPriority:
			w.held = byQuiet
			wait(now.Up + time.Duration(morning-now.Wall))
		case w.root != "" && w.age(now.Up) < window:
			w.held = byCause
			wait(w.seen + window - w.old)
		case p.flooding && !w.urgent() && now.Up < p.due:
			w.held = byFlood
			wait(p.due)
		default:
			open = append(open, i)
		}
	}
	// What was kept back and may go is told together, the oldest first.
	for _, i := range open {
		w := &ws[i]
		if w.held == free {
			continue
		}
		among, together := open, []int(nil)
		if w.held == byCause { // its window is over, and with it that of all who wait with it
			among = make([]int, len(ws))
			for k := range among {
				among[k] = k
			}
		}
		together = of(ws, among, func(o *waiting) bool { return o.held == w.held && (w.held != byCause || o.root == w.root) })
		if w.held == byFlood || len(together) > 1 {
			out.sum, out.why = together, w.held
			return out
		}
	}
	if late := of(ws, open, func(w *waiting) bool { return !w.test && w.held == free && w.age(now.Up) >= staleAfter }); len(late) >= staleLeast {
		out.sum, out.why = late, byDelay
		return out
	}
	if len(open) == 0 {
		return out
	}
	if first := &ws[open[0]]; !first.urgent() && p.lately(now.Up) >= floodMost {
		p.flooding, p.due = true, now.Up+floodIn
		out.sum, out.why = of(ws, open, func(o *waiting) bool { return !o.urgent() }), byFlood
		return out
	}
	out.send = open[0]
	return out
}

func some(ws []waiting, is func(*waiting) bool) bool {
	for i := range ws {
		if is(&ws[i]) {
			return true
		}
	}
	return false
}

// of gives those of the indices that are, at most as many as one summary takes.
func of(ws []waiting, among []int, is func(*waiting) bool) []int {
	var out []int
	for _, i := range among {
		if is(&ws[i]) && len(out) < summaryMost {
			out = append(out, i)
		}
	}
	return out
}

// went notes that something was sent. A summary of a flood sets the time of the next.
func (p *pace) went(now time.Duration, why hold) {
	p.sent = append(p.sent, now)
	if over := len(p.sent) - floodMost; over > 0 {
		p.sent = p.sent[over:]
	}
	if why == byFlood {
		p.due = now + floodIn
	}
}

// lately is how many messages went in the last floodIn, at most floodMost.
func (p *pace) lately(now time.Duration) int {
	n := 0
	for _, at := range p.sent {
		if now-at < floodIn {
			n++
		}
	}
	return n
}

// quietAt tells whether a moment is in the quiet hours, and when they end. They go by the clock on the wall, so the night on which summer time
// ends is an hour longer; an end that this night's clock does not show is the first moment after it.
func quietAt(q site.QuietHours, at reading.Wall, zone *time.Location) (quiet bool, ends reading.Wall) {
	if !q.Configured || zone == nil {
		return false, 0
	}
	t := at.Time().In(zone)
	h, m, s := t.Clock()
	now := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second
	day := t.Day()
	switch {
	case q.From < q.To && (now < q.From || now >= q.To):
		return false, 0
	case q.From > q.To && now < q.From && now >= q.To:
		return false, 0
	case q.From > q.To && now >= q.From:
		day++ // they end tomorrow
	}
	end := time.Date(t.Year(), t.Month(), day, int(q.To/time.Hour), int(q.To%time.Hour/time.Minute), 0, 0, zone)
	if ends = reading.WallOf(end); ends <= at { // the hour that comes twice: the end has been once, and the night goes by the clock
		ends = at + reading.Wall(time.Minute)
	}
	return true, ends
}
