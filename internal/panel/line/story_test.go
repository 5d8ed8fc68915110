package line

import (
	"encoding/json"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// The usual line: 15 m of 4 mm bore and a 100 mL coil. pi/4 x 4^2 mm2 x 15 m = 188.5 mL, together 288.5; the trade says 290, and
// so do these stories, because 290 mL is 87 s at 200 mL/min.
func usual() *site.Line {
	return &site.Line{Configured: true, LeadML: 290, CellML: 100, FlowLow: 50, FlowHigh: 500}
}

const period = 2 * time.Second

// story steps a line as a panel does, with a poll every 2 s.
type story struct {
	t   *testing.T
	cfg *site.Line
	s   State
	out Output
	now time.Duration
	in  Input // what the next poll says
	ran bool
}

func begin(t *testing.T, cfg *site.Line) *story {
	return &story{t: t, cfg: cfg, in: Input{Period: period, FlowConfigured: true, FlowOK: true, FlowAge: 100 * time.Millisecond}}
}

// fresh is a line in steady service at 200 mL/min, flushed long ago.
func fresh(t *testing.T, cfg *site.Line) *story {
	st := begin(t, cfg)
	st.flow(200).run(20 * time.Minute)
	if cfg.Configured && st.out.Reason != reading.Believed {
		t.Fatalf("after 20 min at 200 mL/min: %v", st.out.Reason)
	}
	return st
}

func (st *story) flow(mL float64) *story {
	st.in.Flow = mL
	return st
}

func (st *story) valve(closed bool) *story {
	st.in.FeedbackConfigured, st.in.FeedbackOK, st.in.FeedbackClosed = true, true, closed
	return st
}

// poll is one step after the given time.
func (st *story) poll(elapsed time.Duration) {
	in := st.in
	if st.ran {
		in.Elapsed = elapsed
		st.now += elapsed
	}
	st.ran = true
	st.s, st.out = Step(st.cfg, st.s, in)
}

// run polls for so long.
func (st *story) run(long time.Duration) *story {
	for end := st.now + long; st.now < end || !st.ran; {
		st.poll(min(period, end-st.now))
	}
	return st
}

// restart takes the state through its text form, as a new process does.
func (st *story) restart(away time.Duration, unknown bool) *story {
	st.t.Helper()
	text, err := json.Marshal(st.s)
	if err != nil {
		st.t.Fatal(err)
	}
	var back State
	if err := json.Unmarshal(text, &back); err != nil {
		st.t.Fatal(err)
	}
	st.s = back
	in := st.in
	in.Elapsed, in.Away, in.AwayUnknown = 0, away, unknown
	st.s, st.out = Step(st.cfg, st.s, in)
	return st
}

func (st *story) want(why reading.Reason) *story {
	st.t.Helper()
	if st.out.Reason != why {
		st.t.Fatalf("at %v: %v, want %v (flushed %.1f of %.1f mL)", st.now, st.out.Reason, why, st.out.FlushedML, st.out.OwedML)
	}
	return st
}

// untilBelieved is how long it flows until the sample is representative.
func (st *story) untilBelieved() time.Duration {
	st.t.Helper()
	from := st.now
	for st.out.Reason != reading.Believed {
		if st.now-from > 2*time.Hour {
			st.t.Fatalf("not believed after two hours: %v", st.out.Reason)
		}
		st.poll(period)
	}
	return st.now - from
}

// willOwe is what the stop so far owes; the first poll that saw no flow began it, so it is one poll shorter than the run.
func (st *story) willOwe(ran time.Duration) float64 {
	switch stop := ran - period; {
	case stop < 5*time.Minute:
		return 300
	case stop < time.Hour:
		return 590
	}
	return 1870
}
