package interlock

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// The whole machine of a driven valve. A letter is a step with coarse values, an order's end, a person's command, or a restart of the process
// that forgets all that is not on disk.
type act struct {
	name                       string
	in                         Input
	step, rearm, hand, restart bool
	drive                      bool // a restart with the drive out of the file, or back in it
	override                   time.Duration
}

const tickOf = 4 * time.Second // three of them make a temperature lost, one and a half a failed closing

func acts(second bool) []act {
	sense := func(v float64, update, has bool) Sense {
		return Sense{Update: update, HasValue: has, Good: has, Value: v, Resolution: resolution}
	}
	firsts := []struct {
		name string
		s    Sense
	}{{"above", sense(55, true, true)}, {"between", sense(45, true, true)}, {"below", sense(25, true, true)}, {"unread", sense(0, false, false)}}
	seconds := []struct {
		name string
		s    Sense
	}{{"", Sense{}}}
	if second {
		seconds = firsts
	}
	valves := []struct {
		name string
		v    reading.Valve
		flow float64
	}{{"open", reading.ValveOpen, 200}, {"open, no flow", reading.ValveOpen, 0}, {"closed", reading.ValveClosedState, 0}, {"closed, leaks", reading.ValveClosedState, 20}, {"not confirmed", reading.ValveNotConfirmed, 0}}
	if second {
		valves = append(valves[:1:1], valves[2], valves[4])
	}
	var all []act
	for _, f := range firsts {
		for _, o := range seconds {
			for _, v := range valves {
				in := Input{Elapsed: tickOf, TempUpdate: f.s.Update, TempHasValue: f.s.HasValue, TempGood: f.s.Good, Temp: f.s.Value, Second: o.s, Valve: v.v, ValveFrom: "feedback",
					FeedbackConfigured: true, FeedbackOK: v.v != reading.ValveNotConfirmed, FlowKnown: true, Flow: v.flow, FlowLow: 50, LineFresh: true, RoundDone: true}
				all = append(all, act{name: fmt.Sprintf("%s %s, %s", f.name, o.name, v.name), in: in, step: true})
			}
		}
	}
	idle := Input{Elapsed: 0, Valve: reading.ValveOpen, FeedbackConfigured: true, FeedbackOK: true, FlowKnown: true, Flow: 200, FlowLow: 50}
	for _, r := range []struct {
		name string
		r    reading.OrderResult
	}{{"order taken", reading.OrderResult{Fault: reading.Answered, Known: true, ReadBack: 1}}, {"order timed out", reading.OrderResult{Fault: reading.Timeout, Known: true, ReadBack: 1}},
		{"order read back as another", reading.OrderResult{Fault: reading.Answered, Known: true}}, {"order waits, the line is listened to", reading.OrderResult{Fault: reading.Listening}}} {
		in := idle
		in.HasResult, in.Result = true, r.r
		all = append(all, act{name: r.name, in: in, step: true})
	}
	return append(all, act{name: "re-arm", rearm: true}, act{name: "by hand", hand: true}, act{name: "restart", restart: true}, act{name: "drive out of the file or back", restart: true, drive: true},
		act{name: "override 6 s", override: 6 * time.Second}, act{name: "override 9 h", override: 9 * time.Hour})
}

// oracle remembers, beside the state and without looking into it, what the rules speak of.
type oracle struct {
	low      [2]uint8      // updates at or below the warning value in a row, 2 for more
	unread   [2]uint8      // steps without a good read, 3 for more: lost
	has      [2]bool       // a value at this moment
	over     time.Duration // seen time an override has run; -1 for none
	held     bool
	ask      bool
	opened   bool // the valve was last known open
	fresh    bool // the process has made no step yet
	restarts bool // the step before was a restart
	bare     bool // the file has no drive
	released bool // the hot sample that stands was re-armed
}

// file is the interlock as the file has it.
func (o oracle) file(cfg *site.Interlock) *site.Interlock {
	if !o.bare {
		return cfg
	}
	bare := *cfg
	bare.Drive = site.Drive{}
	return &bare
}

func (a act) listened() bool { return a.in.HasResult && a.in.Result.Fault == reading.Listening }

type holdNode struct {
	s State
	o oracle
}

// The floors are what was counted when this was written: a fall means that states are no longer reached, or no longer tried.
func TestEveryReachableTransitionOfADrivenValveKeepsTheRules(t *testing.T) {
	const depth, depthOfTwo = 6, 4
	floors := map[bool][2]int{false: {155555, 1301460}, true: {53600, 501584}}
	for _, second := range []bool{false, true} {
		d := depth
		if second {
			d = depthOfTwo
		}
		n, m := enumerateHold(t, second, d)
		if f := floors[second]; n < f[0] || m < f[1] {
			t.Errorf("second temperature %v: %d states and %d transitions, fewer than the recorded %d and %d", second, n, m, f[0], f[1])
		}
		t.Logf("figure: interlock, driven, second temperature %v, to a depth of %d: %d states, %d transitions visited", second, d, n, m)
	}
}

func drivenFile(second bool) *site.Interlock {
	cfg := usual()
	cfg.Travel = tickOf
	cfg.Drive = site.Drive{Configured: true, Station: 1, Table: reading.Coil, Addr: 4, Value: 1}
	if second {
		cfg.HasSecond, cfg.SecondLostAfter = true, 10*time.Second
	}
	return cfg
}

func enumerateHold(t *testing.T, second bool, depth int) (states, transitions int) {
	t.Helper()
	counts := map[string]int{}
	states, transitions = enumerateFrom(t, drivenFile(second), second, holdNode{o: oracle{over: -1, fresh: true}}, depth, counts)
	for _, what := range []string{"began", "re-armed", "refused", "found closed", "suspended", "ended", "failing", "taken", "without a drive"} {
		if counts[what] == 0 {
			t.Errorf("second temperature %v: never %s: the rules were not tried", second, what)
		}
	}
	return states, transitions
}

// enumerateFrom takes every act from every state that is reached within depth, and holds the rules. counts, where given, counts what happened.
func enumerateFrom(t *testing.T, cfg *site.Interlock, second bool, start holdNode, depth int, counts map[string]int) (states, transitions int) {
	t.Helper()
	all := acts(second)
	note := func(what string, is bool) {
		if is && counts != nil {
			counts[what]++
		}
	}
	seen := map[holdNode]bool{start: true}
	front := []holdNode{start}
	for d := 0; d < depth && len(front) > 0; d++ {
		var next []holdNode
		for _, from := range front {
			for _, a := range all {
				to, out, reply := take(cfg, from, a)
				transitions++
				if broken := holdRule(cfg, from, to, a, out, reply); broken != "" {
					t.Fatalf("%s\nfrom %+v\nby   %s\nto   %+v\nout  %+v\nreply %q", broken, from, a.name, to, out.Holding, reply)
				}
				note("re-armed", a.rearm && reply == Obeyed)
				note("refused", a.rearm && reply != Obeyed)
				note("began", out.Began)
				note("found closed", out.Began && out.Cause == FoundClosed)
				note("suspended", out.Request == RequestSuspended)
				note("ended", out.Ended.On)
				note("failing", out.Request == RequestFailing)
				note("taken", out.Request == RequestTaken)
				note("without a drive", to.o.bare)
				if !seen[to] {
					seen[to] = true
					next = append(next, to)
				}
			}
		}
		front = next
	}
	return len(seen), transitions
}

func take(cfg *site.Interlock, from holdNode, a act) (to holdNode, out Output, reply Refusal) {
	to = from
	o := &to.o
	o.bare = o.bare != a.drive
	cfg = o.file(cfg)
	switch {
	case a.rearm:
		if to.s, reply = Rearm(cfg, from.s, false); reply == Obeyed {
			o.released = from.s.Hot
		}
	case a.hand:
		to.s, reply = SayByHand(from.s)
	case a.override != 0:
		// the last step saw a value exactly when nothing is counted as unread
		to.s, reply = Suspend(cfg, from.s, 0, 0, a.override, "Kim", "a job", o.unread[0] == 0 && !o.fresh || cfg.HasSecond && o.unread[1] == 0 && !o.fresh)
		if reply == Obeyed {
			o.over = 0
		}
	case a.restart:
		text, err := json.Marshal(from.s)
		if err != nil {
			panic(err)
		}
		to.s = State{}
		if err := json.Unmarshal(text, &to.s); err != nil {
			panic(err)
		}
		to.s, _ = Restart(cfg, to.s)
		*o = oracle{over: -1, fresh: true, restarts: true, held: o.held, ask: Standing(cfg, to.s).Ask, opened: o.opened, bare: o.bare, released: o.released}
		return to, out, reply
	case a.step:
		in := a.in
		if in.HasResult { // between two reads: what had a value has it still
			in.TempHasValue, in.Second.HasValue = from.o.has[0], from.o.has[1]
		}
		in.Now = reading.Stamp{} // the wall clock stands still: only seen time ends an override here
		to.s, out = Step(cfg, resolution, from.s, in)
		o.fresh, o.restarts, o.released = false, false, o.released && to.s.Hot
		note := func(i int, s Sense) {
			if o.has[i] = s.HasValue; !s.HasValue {
				o.low[i] = 0
			}
			switch {
			case s.Update && s.Value <= 40:
				o.low[i] = min(o.low[i]+1, 2)
			case s.Update:
				o.low[i] = 0
			}
			if s.Good {
				o.unread[i] = 0
			} else if in.Elapsed > 0 {
				if o.unread[i] = min(o.unread[i]+1, 3); o.unread[i] == 3 {
					o.low[i] = 0
				}
			}
		}
		note(0, in.first(resolution))
		if cfg.HasSecond {
			note(1, in.Second)
		}
		if o.over >= 0 {
			if o.over += in.Elapsed; o.over >= 6*time.Second {
				o.over = -1
			}
		}
		o.opened = in.Valve == reading.ValveOpen
	}
	h := Standing(cfg, to.s)
	o.held, o.ask = h.Held, h.Ask
	if !a.step {
		out.Holding = h
	}
	return to, out, reply
}

// holdRule names the first rule a transition breaks.
func holdRule(cfg *site.Interlock, from, to holdNode, a act, out Output, reply Refusal) string {
	closed := a.step && a.in.Valve == reading.ValveClosedState
	low := from.o.low[0] == 2 && (!cfg.HasSecond || from.o.low[1] == 2)
	lost := from.o.unread[0] == 3 && (!cfg.HasSecond || from.o.unread[1] == 3)
	h := to.s.Hold
	if to.o.bare {
		return bareRule(from, to, a, out, reply)
	}
	switch {
	case from.s.Hold.Held && !h.Held && !(a.rearm && reply == Obeyed):
		return "held closed was left without a re-arming"
	case from.o.ask && !to.o.ask && !a.restart && !(a.rearm && reply == Obeyed) && !(a.override != 0 && reply == Obeyed):
		return "the request stopped without a re-arming or an override"
	case a.restart && from.s.Hold.Held && !Standing(cfg, to.s).Ask:
		return "a restart stopped the request"
	case a.rearm && reply == Obeyed && (!low || lost):
		return "re-armed without two low updates of every temperature: unknown is never cool"
	case a.rearm && reply == Obeyed && (!from.o.has[0] || cfg.HasSecond && !from.o.has[1]):
		return "re-armed without a value of every temperature at this moment"
	case a.rearm && from.s.Hold.Held && reply != Obeyed && low && from.o.has[0] && (!cfg.HasSecond || from.o.has[1]):
		return "a re-arming was refused though everything is proven low"
	case a.rearm && reply == Obeyed && (out.Ask || out.Held):
		return "re-armed, and still asked"
	case a.override > 8*time.Hour && reply == Obeyed:
		return "an override longer than a shift"
	case a.override == 6*time.Second && reply == Obeyed && (lost || from.o.fresh):
		return "an override of what nobody sees"
	case h.Override.On != (to.o.over >= 0):
		return "an override did not end with its time, or ended before"
	case a.step && out.Ask != (h.Held && !h.Override.On):
		return "asked is not held and not overridden"
	case a.step && out.Held && !closed && out.Demote == reading.Believed:
		return "held closed, and the sample was believed"
	case a.step && out.Began && out.Cause == FoundClosed && (!closed || to.s.ByHand):
		return "found closed, and it is not, or a person had said why"
	case a.step && out.CannotAsk && !from.s.Hold.Failing && !(a.in.HasResult && !a.listened() && from.s.Hold.bad) && h.waits < unansweredAfter:
		return "one order that was not confirmed is told as a trouble"
	case a.step && from.s.Hold.Failing && out.Ask && !out.CannotAsk && !from.s.Hold.taken:
		return "one order that was confirmed ends a trouble"
	case h.Spent > site.OverrideMax:
		return "overrides together longer than a shift"
	case a.step && h.Released && (h.Held || !to.s.Hot):
		return "released, and held or not hot"
	case a.step && out.Hot && !out.Held && !(h.Released && to.o.released):
		return "hot, and neither held nor re-armed"
	case a.listened() && (h.bad != from.s.Hold.bad && out.Ask && from.o.ask || h.taken && !from.s.Hold.taken):
		return "that the line is listened to was taken for an answer"
	case a.listened() && out.CannotAsk && !from.s.Hold.Failing && out.Trouble != reading.Listening.String():
		return "told with another trouble than that the line is listened to"
	case a.listened() && from.s.Hold.Failing && out.Ask && !out.CannotAsk:
		return "a trouble ended because the line is listened to"
	case a.step && out.Began && out.Cause == TemperatureLostCause && !out.Lost && !(closed && from.s.ByPanel && from.s.FirstOut == TemperatureLostCause):
		return "held as lost though it is not"
	case a.step && out.Began && out.Cause == OverTemperature && a.in.Temp != 55 && a.in.Second.Value != 55 &&
		!(from.s.Hot && !from.s.Hold.Released) && !(closed && from.s.ByPanel && from.s.FirstOut == OverTemperature): // both of the days without a drive
		return "held as hot by a step that brought nothing hot"
	case a.step && out.Lost && !out.Held:
		return "lost, and not held"
	case a.step && out.CannotAsk && !out.Ask:
		return "a trouble of a request that does not stand"
	case a.step && out.Request == RequestTaken && a.in.HasResult && !a.listened() && !(a.in.Result.Fault == reading.Answered && a.in.Result.Known && a.in.Result.ReadBack == 1):
		return "taken without its read-back"
	case a.step && out.Ask && a.in.HasResult && !a.listened() && (out.Request == RequestFailing) == (a.in.Result.Fault == reading.Answered && a.in.Result.Known && a.in.Result.ReadBack == 1):
		return "a failed order that is not told, or a good one that is"
	case a.step && from.s.Hold.Failing && out.Ask && !out.CannotAsk && !a.in.HasResult:
		return "a trouble ended without an order that was confirmed"
	case a.restart && h.Override.On:
		return "an override outlived its process"
	case a.hand && (to.s.Hold != from.s.Hold || to.s.Hot != from.s.Hot):
		return "a person's word moved something"
	case a.hand && reply == Obeyed && (!from.s.Closed || from.s.ByPanel):
		return "by hand, though it is open or the panel closed it"
	case h.waits > unansweredAfter, h.fails > failingAfter, h.sound > soundAfter, h.Rest > restAfter, h.part > restStep:
		return "a duration without bound"
	}
	return ""
}

// bareRule is for a file without a drive: nothing is asked for, and what was held waits for the day the drive is back.
func bareRule(from, to holdNode, a act, out Output, reply Refusal) string {
	h := to.s.Hold
	switch {
	case from.s.Hold.Held != h.Held, h.Held && from.s.Hold.Cause != h.Cause:
		return "without a drive a holding began, ended or changed"
	case out.Ask, out.Held:
		return "asked without a drive"
	case (a.rearm || a.override != 0) && reply == Obeyed:
		return "a command that only a drive has was obeyed"
	case h.Override.On:
		return "an override without a drive"
	case a.step && h.Released && !to.s.Hot:
		return "released, and not hot"
	case a.step && h.Rearmed && a.in.Valve == reading.ValveOpen:
		return "re-armed, and opened since"
	}
	return ""
}

// The days without a drive are too long for the walks above: from a hot sample that was re-armed, its drive out of the file and the sample
// seen cool once, every sequence of acts in which another hot sample may come and the drive may be back.
func TestEveryReachableTransitionAfterTheDriveLeftKeepsTheRules(t *testing.T) {
	const depth = 5
	cfg := drivenFile(false)
	start := holdNode{o: oracle{over: -1, fresh: true}}
	for _, name := range []string{"above , open", "above , open", "below , closed", "below , closed", "re-arm", "drive out of the file or back", "below , open"} {
		for _, a := range acts(false) {
			if a.name == name {
				to, out, reply := take(cfg, start, a)
				if broken := holdRule(cfg, start, to, a, out, reply); broken != "" || reply != Obeyed {
					t.Fatalf("%s: %q %q, %+v", name, broken, reply, to)
				}
				start = to
			}
		}
	}
	if !start.s.Hot || !start.o.bare || !start.o.released {
		t.Fatalf("the walks do not begin where they should: %+v", start)
	}
	n, m := enumerateFrom(t, cfg, false, start, depth, nil)
	t.Logf("figure: interlock, a re-armed hot sample without its drive, to a depth of %d: %d states, %d transitions visited", depth, n, m)
}
