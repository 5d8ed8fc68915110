package interlock

import (
	"encoding/json"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// usual is the invented plant's watch: warn above 40 degC, close above 120 degF = 48.888... degC, a stroke of 15 s, lost after 10 s.
func usual() *site.Interlock {
	return &site.Interlock{Configured: true, WarnAbove: 40, CloseAbove: (120.0 - 32) * 5 / 9, CloseText: "120 degF",
		Travel: 15 * time.Second, LostAfter: 10 * time.Second}
}

const (
	resolution = 0.1
	period     = 2 * time.Second
)

// story steps the watch as a panel does: a poll every 2 s, and every poll an update unless it says otherwise.
type story struct {
	t   *testing.T
	cfg *site.Interlock
	s   State
	out Output
	now time.Duration
	in  Input
	ran bool
}

// begin is a panel in steady service: open by feedback, 200 mL/min, flushed, 25 degC.
func begin(t *testing.T) *story {
	st := &story{t: t, cfg: usual()}
	st.in = Input{FeedbackConfigured: true, FlowKnown: true, FlowLow: 50, LineFresh: true}
	st.open().flow(200)
	st.temp(25)
	return st
}

func (st *story) open() *story {
	st.in.Valve, st.in.ValveFrom, st.in.FeedbackOK = reading.ValveOpen, "feedback", true
	return st
}

func (st *story) closed() *story {
	st.in.Valve, st.in.ValveFrom, st.in.FeedbackOK = reading.ValveClosedState, "feedback", true
	return st
}

func (st *story) feedbackLost() *story {
	st.in.Valve, st.in.ValveFrom, st.in.FeedbackOK = reading.ValveNotConfirmed, "none", false
	return st
}

func (st *story) flow(mL float64) *story {
	st.in.Flow, st.in.FlowKnown = mL, true
	return st
}

func (st *story) fresh(yes bool) *story {
	st.in.LineFresh = yes
	return st
}

// step passes time with the temperature as given.
func (st *story) step(after time.Duration, temp float64, bound reading.Bound, update, good bool) *story {
	in := st.in
	if st.ran {
		in.Elapsed = after
		st.now += after
	}
	st.ran = true
	in.Now = reading.Stamp{Wall: reading.Wall(st.now) + 1e18, Up: st.now}
	in.TempAt = in.Now
	in.Temp, in.TempBound, in.TempUpdate, in.TempHasValue, in.TempGood = temp, bound, update, good, good
	st.s, st.out = Step(st.cfg, resolution, st.s, in)
	return st
}

// temp is one update, a poll after the last.
func (st *story) temp(v float64) *story { return st.step(period, v, reading.Exact, true, true) }

// silent is one poll without an answer.
func (st *story) silent() *story { return st.step(period, 0, reading.Exact, false, false) }

// run polls the temperature for so long.
func (st *story) run(long time.Duration, v float64) *story {
	for end := st.now + long; st.now < end; {
		st.step(min(period, end-st.now), v, reading.Exact, true, true)
	}
	return st
}

func (st *story) restart() *story {
	st.t.Helper()
	text, err := json.Marshal(st.s)
	if err != nil {
		st.t.Fatal(err)
	}
	st.s, st.ran = State{}, false
	if err := json.Unmarshal(text, &st.s); err != nil {
		st.t.Fatal(err)
	}
	return st
}

func (st *story) want(p Phase) *story {
	st.t.Helper()
	if st.out.Phase != p {
		st.t.Fatalf("at %v: %v, want %v", st.now, st.out.Phase, p)
	}
	return st
}
