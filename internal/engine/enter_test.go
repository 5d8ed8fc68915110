package engine_test

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

// A hand-written time a little ahead is a watch that runs fast: the sample was taken now at the latest. Further ahead it is a slip of the pen,
// and what would count from then on would be believed for longer than it may.
func TestATimeAheadIsNeverKept(t *testing.T) {
	for _, c := range []struct {
		ahead   time.Duration
		refused bool
	}{{0, false}, {time.Second, false}, {time.Minute, false}, {61 * time.Second, true}, {5 * time.Minute, true}, {24 * time.Hour, true}} {
		st := began(t, deaerated, calm)
		now := st.now()
		o := st.e.Step(engine.Command{ID: "v-1", Who: "Kim", At: now, Do: engine.EnterValue{Point: "b2.chloride", Value: 100, Unit: "mg/L", Taken: now.Wall + reading.Wall(c.ahead)}})
		reply := o.Replies[0]
		if (reply.Refusal == engine.TimeNotTaken) != c.refused {
			t.Errorf("%s ahead: %+v", c.ahead, reply)
		}
		if c.refused && !strings.Contains(reply.Words, c.ahead.String()+" ahead") {
			t.Errorf("%s ahead: the words do not say how far: %s", c.ahead, reply.Words)
		}
		if r := st.reading("b2.chloride"); !c.refused && r.At.Wall > now.Wall {
			t.Errorf("%s ahead: kept as %s, after now", c.ahead, r.At.Wall.Time())
		}
	}
}

// A board without a battery wakes in 1970 and learns the time later. What was entered meanwhile is uncertain in time as long, and is not said
// to have been taken in 1970 for ever after.
func TestAValueEnteredIn1970IsGivenItsDayWhenTheClockIsKnown(t *testing.T) {
	st := began(t, deaerated, calm, "clock uncertain", "clock steps -490000h", "enter b2.chloride 100 mg/L - - Kim", "60s:")
	if r := st.reading("b2.chloride"); r.Reason != reading.TimeUncertain || r.Value != 100 {
		t.Errorf("while nobody knows the time: %+v", r)
	}
	for _, l := range []string{"clock steps 490000h", "clock certain", "30s:"} {
		if err := st.line(l); err != nil {
			t.Fatal(err)
		}
	}
	r := st.reading("b2.chloride")
	if ago := time.Duration(st.now().Wall - r.At.Wall); r.Reason != reading.Believed || ago < 90*time.Second || ago > 93*time.Second {
		t.Errorf("taken 90 s ago: %s, %+v", ago, r)
	}
}
