package interlock

import (
	"fmt"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// One letter is everything a step may bring, in coarse values: what matters is on which side of a limit they lie.
type letter struct {
	name string
	in   Input
}

func alphabet(feedback bool) []letter {
	temps := []letter{
		{"above", Input{TempUpdate: true, TempHasValue: true, TempGood: true, Temp: 55}},
		{"between", Input{TempUpdate: true, TempHasValue: true, TempGood: true, Temp: 45}},
		{"below", Input{TempUpdate: true, TempHasValue: true, TempGood: true, Temp: 25}},
		{"repeat", Input{TempHasValue: true, TempGood: true, Temp: 25}},
		{"unread", Input{}},
		{"ceiling", Input{TempUpdate: true, TempHasValue: true, TempGood: true, Temp: 60, TempBound: reading.Above}},
		{"low ceiling", Input{TempUpdate: true, TempHasValue: true, TempGood: true, Temp: 30, TempBound: reading.Above}},
	}
	valves := []letter{{"open", Input{Valve: reading.ValveOpen}}, {"not confirmed", Input{Valve: reading.ValveNotConfirmed}}}
	if feedback {
		valves = append(valves, letter{"closed", Input{Valve: reading.ValveClosedState}})
	}
	flows := []letter{
		{"none", Input{FlowKnown: true}},
		{"leak", Input{FlowKnown: true, Flow: 10}},
		{"flow", Input{FlowKnown: true, Flow: 200}},
		{"flow unknown", Input{}},
	}
	var all []letter
	for _, t := range temps {
		for _, v := range valves {
			for _, f := range flows {
				for _, fresh := range []bool{false, true} {
					in := t.in
					in.Elapsed, in.FlowLow, in.LineFresh = 4*time.Second, 50, fresh
					in.Valve, in.ValveFrom = v.in.Valve, "flow"
					if in.FeedbackConfigured = feedback; feedback {
						in.FeedbackOK = v.in.Valve != reading.ValveNotConfirmed
						in.ValveFrom = map[bool]string{true: "feedback", false: "none"}[in.FeedbackOK]
					}
					in.Flow, in.FlowKnown = f.in.Flow, f.in.FlowKnown
					all = append(all, letter{fmt.Sprintf("%s, %s, %s, fresh %v", t.name, v.name, f.name, fresh), in})
				}
			}
		}
	}
	return all
}

// witness remembers, beside the state and without looking at it, what the rules speak of.
type witness struct {
	aboveBefore bool          // the last update that decided was above the limit ...
	aboveAgo    time.Duration // ... so long ago, 8 s standing for anything longer
	cool        uint8         // updates at or below the warning value in a row, in flowing sample; 2 for more
	unread      time.Duration // since a good read, 12 s standing for anything longer
	lost        bool
}

func (w witness) next(in Input) (_ witness, pair, cooled bool) {
	if w.aboveBefore {
		w.aboveAgo = min(w.aboveAgo+in.Elapsed, 8*time.Second)
	}
	if in.TempGood {
		w.unread, w.lost = 0, false
	} else if w.unread = min(w.unread+in.Elapsed, 12*time.Second); w.unread > 10*time.Second {
		w.lost = true
	}
	evidence := in.Valve == reading.ValveOpen && !w.lost && (!in.FlowKnown || in.Flow > 0)
	if !evidence {
		w.cool = 0
	}
	if in.TempUpdate {
		switch {
		case in.Temp > 49:
			pair = w.aboveBefore && w.aboveAgo <= 5*time.Second
			w.aboveBefore, w.aboveAgo, w.cool = true, 0, 0
		case in.TempBound == reading.Above: // above 30: nobody knows
			w.cool = 0
		default:
			w.aboveBefore, w.aboveAgo = false, 0
			if in.Temp > 40 {
				w.cool = 0
			} else if evidence {
				w.cool = min(w.cool+1, 2)
			}
		}
	}
	return w, pair, w.cool >= 2 && in.LineFresh && in.TempUpdate
}

type node struct {
	s State
	w witness
}

// Every state that can be reached in so many steps is stepped with every letter, and every transition is held against the rules.
// The floors are what was counted when this was written; a fall means that states can no longer be reached, or are no longer tried.
func TestEveryReachableTransitionKeepsTheRules(t *testing.T) {
	const depth = 8
	floors := map[bool][2]int{true: {39481, 4635120}, false: {1722, 155008}}
	states, transitions := 0, 0
	for _, feedback := range []bool{true, false} {
		n, m := enumerate(t, feedback, depth)
		if floor := floors[feedback]; n < floor[0] || m < floor[1] {
			t.Errorf("feedback %v: %d states and %d transitions, fewer than the recorded %d and %d", feedback, n, m, floor[0], floor[1])
		}
		states, transitions = states+n, transitions+m
	}
	t.Logf("figure: interlock: %d states, %d transitions visited", states, transitions)
}

func enumerate(t *testing.T, feedback bool, depth int) (states, transitions int) {
	t.Helper()
	cfg := usual()
	cfg.Travel = 4 * time.Second // failed to close is then reached in three steps
	letters := alphabet(feedback)
	seen := map[node]bool{{}: true}
	front := []node{{}}
	endings, starts, failures, leaks, losses := 0, 0, 0, 0, 0
	for d := 0; d < depth && len(front) > 0; d++ {
		var next []node
		for _, from := range front {
			for _, l := range letters {
				s, out := Step(cfg, resolution, from.s, l.in)
				w, pair, cooled := from.w.next(l.in)
				transitions++
				if broken := rule(from.s, s, out, l.in, w, pair, cooled); broken != "" {
					t.Fatalf("%s\nfrom %+v\nby   %s\nto   %+v\nout  %+v", broken, from.s, l.name, s, out)
				}
				switch {
				case from.s.Hot && !s.Hot:
					endings++
				case !from.s.Hot && s.Hot:
					starts++
				}
				if out.FailedToClose {
					failures++
				}
				if out.Leak {
					leaks++
				}
				if out.Lost {
					losses++
				}
				if to := (node{s, w}); !seen[to] {
					seen[to] = true
					next = append(next, to)
				}
			}
		}
		front = next
	}
	if endings == 0 || starts == 0 || failures == 0 || losses == 0 || feedback != (leaks > 0) {
		t.Errorf("feedback %v: %d endings, %d starts, %d failures, %d leaks, %d losses: the rules were not tried", feedback, endings, starts, failures, leaks, losses)
	}
	return len(seen), transitions
}

// rule names the first rule a transition breaks.
func rule(was, s State, out Output, in Input, w witness, pair, cooled bool) string {
	closed, open := in.Valve == reading.ValveClosedState, in.Valve == reading.ValveOpen
	notCool := in.Valve != reading.ValveOpen || !in.LineFresh
	runs := in.FlowKnown && in.Flow > 2.5
	switch {
	case was.Hot && !s.Hot && !open:
		return "hot was left while the valve is not open"
	case was.Hot && !s.Hot && notCool:
		return "hot was left without evidence"
	case was.Hot && !s.Hot && !cooled:
		return "hot was left without two cool updates in a row"
	case was.Hot && s.Hot && cooled:
		return "hot stands against all evidence"
	case !in.TempUpdate && (was.Hot != s.Hot || was.Warm != s.Warm):
		return "a temperature that brought nothing changed hot or warm"
	case s.Lost && !was.Hot && s.Hot:
		return "lost set hot"
	case s.Lost != w.lost:
		return "lost is not what the reads say"
	case !was.Hot && s.Hot && !pair:
		return "hot without two updates above, five seconds apart at most"
	case pair && !s.Hot:
		return "two updates above and not hot"
	case closed && was.Warm != s.Warm:
		return "a closed valve's temperature changed warm"
	case was.Warm && !s.Warm && (in.FlowKnown && in.Flow <= 0 || in.Temp > 39):
		return "warm was left in standing or warm water"
	case out.Demote == reading.HotSample && (!s.Hot || closed):
		return "demote is hot sample though not hot, or closed"
	case s.Hot && !closed && out.Demote != reading.HotSample && (!open || s.Lost || in.FlowKnown && in.Flow <= 0 || in.TempUpdate && in.Temp > 40):
		return "hot, and the doubt was lifted without cool water flowing past the sensor"
	case out.Demote != reading.HotSample && out.Demote != reading.Believed:
		return "demote is something else"
	case out.Hot != s.Hot || out.Warm != s.Warm || out.Lost != s.Lost:
		return "what is said is not what stands"
	case (out.Phase == Hot) != s.Hot, (out.Phase == TemperatureLost) != (s.Lost && !s.Hot), (out.Phase == Watching) == (s.Hot || s.Lost || s.Warm):
		return "the phase is not what stands"
	case s.NotClosed.For > was.NotClosed.For && !runs && (!in.FeedbackConfigured || !open):
		return "failed to close ran without evidence that the valve is not closed"
	case out.FailedToClose && closed && in.FlowKnown && !runs:
		return "failed to close with the valve closed and no leak"
	case out.FailedToClose && !s.Hot && !out.Leak && s.Leaking.For == 0:
		return "failed to close with nothing hot and nothing leaking"
	case s.Wanted && !s.Hot:
		return "a closing is wanted though nothing is hot"
	case out.NotConfirmed != (in.FeedbackConfigured && !open && !closed && s.Blind.For >= 10*time.Second), (s.Blind.For > 0) && (open || closed), s.Blind.For < was.Blind.For && !open && !closed:
		return "not confirmed is not exactly feedback lost"
	case out.ClosedSeen && !closed, out.OpenedSeen && !open, out.ClosedSeen && out.OpenedSeen:
		return "an edge against what is seen"
	case (out.ValveBy != "") != s.Closed:
		return "somebody closed a valve that is not closed"
	case out.ClosedSeen && out.ValveBy == ByPanel && !s.Met:
		return "by panel without a close condition"
	case s.Hot && out.FirstOut == NoCause, s.Lost && out.FirstOut == NoCause:
		return "a close condition without a cause"
	case s.AboveAgo > confirmWithin || s.MetAgo > byPanelWithin || s.SinceGood > 10*time.Second || s.Cool > coolUpdates || s.Dry.For > dryAfter || s.Blind.For > 10*time.Second:
		return "a duration without bound"
	}
	return ""
}
