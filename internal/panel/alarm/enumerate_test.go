package alarm

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// A letter is one thing that may happen to a limit and its alarm: a reading, how long after the one before, and whether a
// person acknowledges after it.
type letter struct {
	kind  string // beyond, band, clear, unsaid (counts, does not decide), silent: as the test sees it
	r     reading.Reading
	steps uint64 // 0: the first of a new process
	off   bool
	away  time.Duration
	ack   bool
}

func (a letter) counts() bool {
	return !a.off && (a.kind == "beyond" || a.kind == "band" || a.kind == "clear")
}

// enumerated is a limit of 25 under a sensor with a ceiling of 20 on one occasion: "above 20" counts and says nothing.
func enumerated(on, off time.Duration) site.Limit {
	return site.Limit{Side: site.High, Value: 25, Deadband: 2, OnDelay: on, OffDelay: off}
}

var kinds = []letter{
	{kind: "beyond", r: is(26)}, {kind: "band", r: is(25)}, {kind: "clear", r: is(23)},
	{kind: "unsaid", r: over(20)}, {kind: "silent", r: not(reading.Silent)},
}

func judged(a letter) Judged {
	return Judged{Reading: a.r, Steps: a.steps, Period: slot, OnLine: !a.off, Lag: slot, Away: a.away}
}

// What the judgement and the phases reach from nothing by every sequence of letters: reading x slots since the last (one,
// three, four, a restart) x on or off line x acknowledged or not. Delays of a few slots make the set finite, so the search
// runs until nothing new is found and so covers sequences of every length; depth is how long the longest needed one is.
// The floors are what was counted when this was written. Fewer means that something can no longer be reached.
const (
	statesFloor      = 158
	transitionsFloor = 12640
	depthFloor       = 10
	depthMost        = 40 // the delays are 3 and 4 slots: what needs more steps than this is growing
)

func TestEveryStateOfALimitAndItsAlarmKeepsTheRules(t *testing.T) {
	l := enumerated(3*slot, 4*slot)
	var letters []letter
	for _, k := range kinds {
		for _, steps := range []uint64{0, 1, 3, 4} {
			for _, off := range []bool{false, true} {
				for _, ack := range []bool{false, true} {
					a := k
					a.steps, a.off, a.ack = steps, off, ack
					if steps == 0 {
						a.away = 2 * slot
					}
					letters = append(letters, a)
				}
			}
		}
	}

	// A node is the state with what the test itself remembers: whether it saw an Opened last, and whether the reading before
	// counted on the side of a running delay.
	type node struct {
		j     Judge
		s     State
		open  bool
		began bool
		ran   bool
	}
	states, transitions := map[[2]any]bool{}, 0
	edges, phases := map[[3]any]bool{}, map[Row]bool{}
	depth := 0
	seen, front := map[node]bool{{}: true}, []node{{}}
	for ; len(front) > 0; depth++ {
		if depth > depthMost {
			t.Fatalf("still finding states after %d steps: something grows without a bound", depth)
		}
		var next []node
		for _, n := range front {
			states[[2]any{n.j, n.s}] = true
			for _, a := range letters {
				transitions++
				in := judged(a)
				j, e := StepLimit(&l, 1, n.j, in)
				m := node{j: j, s: n.s, open: n.open, began: n.began}
				fail := func(rule string) {
					t.Helper()
					t.Fatalf("%s: %+v with %+v gave %+v and %v", rule, n, a, j, e)
				}

				switch e {
				case Opened:
					m.open, m.began = true, false
				case Closed:
					m.open = false
				case Began:
					m.began = true
				case Dropped:
					m.began = false
				}
				if e == Opened && n.open || (e == Closed || e == Clearing || e == Broken) && !n.open {
					fail("opened and closed alternate")
				}
				if e == Opened && !n.began || e == Dropped && !n.began || (e == Began) && n.open {
					fail("an on-delay begins before it is over or dropped")
				}
				if m.open != (j.Stage == Open || j.Stage == Closing) || m.began != (j.Stage == Pending) {
					fail("the stage is what the edges said")
				}
				if (e == Opened || e == Began) && !(a.kind == "beyond" && !a.off) || (e == Closed || e == Clearing) && !(a.kind == "clear" && !a.off) ||
					e == Broken && !(a.counts() && a.kind != "clear") {
					fail("an edge falls on a counting reading of its own side")
				}
				if e == Dropped && !a.counts() && n.j.Blind+slot > n.j.Need+slot*4 {
					fail("blind time is bounded by the closing time and one gap")
				}
				if e != Dropped && e != Began && !a.counts() && j.Run < n.j.Run {
					fail("a reading that does not count takes nothing from a delay but by dropping it")
				}
				if j.Run > n.j.Run && (!n.ran || a.steps == 0 || a.steps > 3) {
					fail("only time that starts with a reading on its side and is at most three slots long advances a delay")
				}
				if j.Run-n.j.Run > time.Duration(a.steps)*slot {
					fail("a delay never runs faster than the slots")
				}
				if !a.counts() && j.Stage != n.j.Stage && e != Dropped {
					fail("what does not count leaves the stage")
				}
				if j.Stage == Clear && j != (Judge{}) || j.Stage == Open && j != (Judge{Stage: Open}) || j.Stage != Pending && j.Blind != 0 {
					fail("what stands still keeps nothing")
				}
				m.ran = j.Stage == Pending && a.kind == "beyond" && !a.off || j.Stage == Closing && a.kind == "clear" && !a.off

				before := m.s.Phase
				switch e {
				case Opened:
					var tell Tell
					m.s, tell = m.s.On(Rise, "", 0)
					phases[Row{before, Rise, Always, m.s.Phase, tell}] = true
					if tell != TellRaised {
						fail("every opening is told")
					}
				case Closed:
					var tell Tell
					m.s, tell = m.s.On(Fall, "", 0)
					phases[Row{before, Fall, Always, m.s.Phase, tell}] = true
					if tell != TellReturned {
						fail("every closing is told")
					}
				}
				if a.ack {
					before := m.s
					var tell Tell
					m.s, tell = m.s.On(Ack, "", 0)
					phases[Row{before.Phase, Ack, Always, m.s.Phase, tell}] = true
					if m.s.Active != before.Active {
						fail("an acknowledgement never changes the condition")
					}
					if (tell == TellAcknowledged) != (before.Phase == Unacknowledged || before.Phase == ReturnedUnacknowledged) {
						fail("acknowledging nothing is refused")
					}
				}
				if m.s.Active != m.open || m.s.Active != (m.s.Phase == Unacknowledged || m.s.Phase == Acknowledged) {
					fail("the alarm is active while the limit is open")
				}
				edges[[3]any{n.j.Stage, e, j.Stage}] = true
				if !seen[m] {
					seen[m] = true
					next = append(next, m)
				}
			}
		}
		front = next
	}

	t.Logf("figure: alarm: %d states, %d transitions visited, all within %d steps; %d edges of the judgement, %d rows of the table",
		len(states), transitions, depth-1, len(edges), len(phases))
	if len(states) < statesFloor || transitions < transitionsFloor || depth-1 < depthFloor {
		t.Errorf("%d states, %d transitions, depth %d; the floors are %d, %d, %d", len(states), transitions, depth-1, statesFloor, transitionsFloor, depthFloor)
	}
	for _, want := range [][3]any{
		{Clear, NoEdge, Clear}, {Clear, Began, Pending}, {Pending, NoEdge, Pending}, {Pending, Began, Pending}, {Pending, Dropped, Clear},
		{Pending, Opened, Open}, {Open, NoEdge, Open}, {Open, Clearing, Closing}, {Closing, NoEdge, Closing}, {Closing, Broken, Open},
		{Closing, Closed, Clear},
	} {
		if !edges[want] {
			t.Errorf("never visited: %v", want)
		}
		delete(edges, want)
	}
	for e := range edges {
		t.Errorf("there is no such move: %v", e)
	}
	// A second Rise or Fall cannot come from one limit; those three rows are looked up in TestEveryMoveOfWhatSilencesIsThatOfTheStandard, and the
	// fourth (normal on fall) with them. Those of what silences are visited in TestEveryMoveOfWhatSilencesIsThatOfTheStandard.
	if want := 4*3 - 4; len(phases) != want {
		t.Errorf("%d rows of the table were used, want %d", len(phases), want)
	}
}

// openByHindsight says whether a limit is open after a whole history, and how often it closed, by looking back from each counting
// reading and adding up; it keeps no delay between readings.
func openByHindsight(l *site.Limit, h []letter) (open bool, closed int) {
	since := 0 // no delay reaches back beyond the reading that opened or closed last
	for i, a := range h {
		if !a.counts() {
			continue
		}
		if !open && a.kind == "beyond" {
			if lookBack(h[since:i+1], "beyond", max(l.OffDelay, 3*slot)) >= l.OnDelay {
				open, since = true, i
			}
		} else if open && a.kind == "clear" {
			if lookBack(h[since:i+1], "clear", -1) >= max(l.OffDelay, 3*slot) {
				open, since = false, i
				closed++
			}
		}
	}
	return open, closed
}

// lookBack adds up the seen time before the last of h, back to the first reading of an unbroken run of side. Unknown time of more
// than patience between two readings of the side ends the run; negative patience never ends.
func lookBack(h []letter, side string, patience time.Duration) (run time.Duration) {
	blind := time.Duration(0)
	for k := len(h) - 2; k >= 0; k-- {
		a, b := h[k], h[k+1]
		if a.counts() && a.kind != side {
			break
		}
		dt := time.Duration(b.steps) * slot
		seen := a.counts() && b.steps > 0 && b.steps <= 3
		switch {
		case b.steps == 0:
			blind += b.away
		case a.off:
		case !seen:
			blind += dt
		}
		if a.counts() {
			if patience >= 0 && blind > patience {
				break
			}
			blind = 0
			if seen {
				run += dt
			}
		}
	}
	return run
}

// Every history of up to six letters out of nine (9 + 9^2 + ... + 9^6 = 597870), judged step by step and by hindsight.
func TestJudgementAgreesWithHindsight(t *testing.T) {
	letters := []letter{
		{kind: "beyond", r: is(26), steps: 1}, {kind: "beyond", r: is(26), steps: 4}, {kind: "beyond", r: is(26), steps: 0, away: 2 * slot},
		{kind: "band", r: is(25), steps: 1}, {kind: "clear", r: is(23), steps: 1}, {kind: "clear", r: is(23), steps: 3},
		{kind: "unsaid", r: over(20), steps: 1}, {kind: "silent", r: not(reading.Silent), steps: 2}, {kind: "beyond", r: is(26), steps: 1, off: true},
	}
	const depth = 6
	for _, l := range []site.Limit{enumerated(2*slot, slot), enumerated(0, 0), enumerated(slot, 4*slot)} {
		var h [depth]letter
		compared, opened, closings := 0, 0, 0
		var walk func(n int, j Judge)
		walk = func(n int, j Judge) {
			if n == depth {
				return
			}
			for _, a := range letters {
				h[n] = a
				next, _ := StepLimit(&l, 1, j, judged(a))
				open := next.Stage == Open || next.Stage == Closing
				want, closed := openByHindsight(&l, h[:n+1])
				if open != want {
					t.Fatalf("on-delay %v, off-delay %v: open %v, by hindsight %v: %+v after %+v", l.OnDelay, l.OffDelay, open, want, next, h[:n+1])
				}
				compared++
				if open {
					opened++
				}
				closings += closed
				walk(n+1, next)
			}
		}
		walk(0, Judge{})
		t.Logf("on-delay %v, off-delay %v: %d histories of up to %d readings compared, open after %d, closings in them %d",
			l.OnDelay, l.OffDelay, compared, depth, opened, closings)
		if opened == 0 || opened == compared || closings == 0 {
			t.Errorf("the histories show nothing: %d of %d open, %d closings", opened, compared, closings)
		}
	}
}
