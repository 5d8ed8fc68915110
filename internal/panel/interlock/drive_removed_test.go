package interlock

import (
	"encoding/json"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// again is a state as the disk has it.
func again(t *testing.T, s State) (out State) {
	t.Helper()
	b, err := json.Marshal(s)
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// service is a driven panel, the same without its drive, and three steps of one second of it.
type service struct {
	driven, bare    *site.Interlock
	cool, hot, shut Input
	s               State
	out             Output
}

func inService() *service {
	bare := usual()
	driven := *bare
	driven.Drive = site.Drive{Configured: true, Station: 1, Table: reading.Coil, Addr: 4, Value: 1}
	in := func(temp float64, v reading.Valve, flow float64) Input {
		return Input{Elapsed: time.Second, TempUpdate: true, TempHasValue: true, TempGood: true, Temp: temp, Valve: v, ValveFrom: "feedback",
			FeedbackConfigured: true, FeedbackOK: true, FlowKnown: true, Flow: flow, FlowLow: 50, LineFresh: true, RoundDone: true}
	}
	return &service{driven: &driven, bare: bare, cool: in(25, reading.ValveOpen, 200), hot: in(55, reading.ValveOpen, 200), shut: in(25, reading.ValveClosedState, 0)}
}

func (v *service) run(c *site.Interlock, in Input, seconds int) {
	for range seconds {
		v.s, v.out = Step(c, resolution, v.s, in)
	}
}

// rearmed is a hot sample that was closed for and re-armed by a person, the valve not opened yet.
func (v *service) rearmed(t *testing.T) {
	t.Helper()
	v.run(v.driven, v.cool, 30)
	v.run(v.driven, v.hot, 3)
	v.run(v.driven, v.shut, 5)
	var r Refusal
	if v.s, r = Rearm(v.driven, v.s, false); r != Obeyed {
		t.Fatal(r)
	}
}

// A re-arming was of one hot sample. The drive leaves the file, that sample is over, another one comes and the panel closes for it by itself:
// when the drive is back it is held, because nobody has re-armed that.
func TestARearmingOfAnEarlierHotSampleDoesNotReleaseTheOneThatCameWithoutADrive(t *testing.T) {
	v := inService()
	v.rearmed(t)
	v.s, _ = Restart(v.bare, again(t, v.s))
	v.run(v.bare, v.cool, 20)
	if v.s.Hot {
		t.Fatal("the first hot sample is not over: the story is not told")
	}
	v.run(v.bare, v.hot, 3)
	v.run(v.bare, v.shut, 5)
	if !v.s.Hot {
		t.Fatal("no second hot sample: the story is not told")
	}
	v.s, _ = Restart(v.driven, again(t, v.s))
	v.run(v.driven, v.shut, 5)
	if !v.out.Held {
		t.Errorf("a hot sample that nobody re-armed stands when the drive is back, and nothing is held: %+v", v.s.Hold)
	}
}

// The same of a valve that is found closed when the drive is back: the re-arming was of another closing, because it was open since.
func TestARearmingOfAnEarlierClosingIsNoCauseForTheOneThatCameWithoutADrive(t *testing.T) {
	v := inService()
	v.rearmed(t)
	v.s, _ = Restart(v.bare, again(t, v.s))
	v.run(v.bare, v.cool, 20)
	v.run(v.bare, v.shut, 100)
	v.s, _ = Restart(v.driven, again(t, v.s))
	v.run(v.driven, v.shut, 5)
	if !v.out.Held || v.out.Cause != FoundClosed {
		t.Errorf("found closed without a durable cause, and not held: %+v", v.s.Hold)
	}
}

// Without an interlock in the file nobody watches the valve, so nothing is known of what it did meanwhile.
func TestARearmingDoesNotOutliveTheDaysWithoutAnInterlock(t *testing.T) {
	v := inService()
	v.rearmed(t)
	v.s, _ = Restart(&site.Interlock{}, again(t, v.s))
	v.run(&site.Interlock{}, v.shut, 1)
	v.s, _ = Restart(v.driven, again(t, v.s))
	v.run(v.driven, v.shut, 5)
	if !v.out.Held || v.out.Cause != FoundClosed {
		t.Errorf("nobody watched, the valve is found closed, and it is not held: %+v", v.s.Hold)
	}
}

// The order left and the disk did not hear of it. The next process sees the valve still travelling, which reads as open.
func TestAValveThatCloses(t *testing.T) {
	for _, c := range []struct {
		name string
		open time.Duration
		held bool
	}{
		{"within a stroke and a half of the start is held", 6 * time.Second, true},
		{"at a stroke and a half is held", 22 * time.Second, true},
		{"long after the start is somebody's doing", 24 * time.Second, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := inService() // nothing durable
			v.run(v.driven, v.cool, int(c.open/time.Second))
			v.run(v.driven, v.shut, 5)
			if v.out.Held != c.held || c.held && v.out.Cause != FoundClosed {
				t.Errorf("closed %v after the start, a stroke is %v: held %v for %q, want %v", c.open, v.driven.Travel, v.out.Held, v.out.Cause, c.held)
			}
		})
	}
}
