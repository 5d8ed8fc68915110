package panel

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// TestAnEarlierStateWithoutAnOwnerIsTheSameLimit: a state on disk that knows the numbers alone is no changed limit, and another edition is one.
func TestAnEarlierStateWithoutAnOwnerIsTheSameLimit(t *testing.T) {
	owned := func() site.Limit {
		return site.Limit{Name: "high", Side: site.High, Value: 150, Written: 150, Deadband: 2, Source: site.Source{Document: "Larkfield feedwater specification", Edition: "rev 3"}}
	}
	_, pl := learner(t, owned())
	events, _ := minutes(pl, 1, 10, always(300))
	if count(events, event.AlarmRaised) != 1 {
		t.Fatalf("not in alarm: %v", events)
	}
	now := pl.Marshal()
	var st State
	if err := json.Unmarshal(now, &st); err != nil {
		t.Fatal(err)
	}
	numbers, _, ok := strings.Cut(st.Alarms[0].Limit, " of \"")
	if !ok {
		t.Fatalf("the definition names no owner: %s", st.Alarms[0].Limit)
	}
	st.Alarms[0].Limit = numbers
	earlier, err := json.Marshal(st)
	if err != nil {
		t.Fatal(err)
	}
	another := owned()
	another.Source.Edition = "rev 4"
	for _, c := range []struct {
		name  string
		state []byte
		limit site.Limit
		told  int
	}{{"the same", now, owned(), 0}, {"of an earlier version", earlier, owned(), 0}, {"another edition", now, another, 1}} {
		_, next := learner(t, c.limit)
		at := reading.Stamp{Wall: 1000, Up: time.Second}
		out, err := next.Restore(Boot{State: c.state, AwayKnown: true}, Input{Now: at, Certain: true, Boot: "5a000000", NextSeq: 1})
		if err != nil {
			t.Fatal(err)
		}
		if n := count(out.Events, event.LimitChanged); n != c.told || !next.state.Alarms[0].Alarm.Active {
			t.Errorf("%s: told as changed %d times, want %d; stands %v", c.name, n, c.told, next.state.Alarms[0].Alarm.Active)
		}
	}
}
