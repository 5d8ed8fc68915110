package alarm

import (
	"encoding/json"
	"testing"
)

// standard is the ordinary alarm of IEC 62682 / ISA-18.2, written down from memory and not from the code: A normal,
// B unacknowledged, C acknowledged, D returned unacknowledged. A condition in A or D makes B and is annunciated; B and C lose
// it to D and A; an acknowledgement takes B to C and D to A. Everything else stays where it is. That an acknowledgement of
// nothing is refused by name is a rule of this house, not of the standard.
var standard = map[string]map[string][2]string{
	"normal":                  {"rise": {"unacknowledged", "raised"}, "fall": {"normal", "nothing"}, "ack": {"normal", "nothing_to_acknowledge"}},
	"unacknowledged":          {"rise": {"unacknowledged", "nothing"}, "fall": {"returned_unacknowledged", "returned"}, "ack": {"acknowledged", "acknowledged"}},
	"acknowledged":            {"rise": {"acknowledged", "nothing"}, "fall": {"normal", "returned"}, "ack": {"acknowledged", "nothing_to_acknowledge"}},
	"returned_unacknowledged": {"rise": {"unacknowledged", "raised"}, "fall": {"returned_unacknowledged", "nothing"}, "ack": {"normal", "acknowledged"}},
}

func TestPhasesMoveAsInTheStandard(t *testing.T) {
	rows := 0
	for p := range phaseCount {
		for _, on := range []Trigger{Rise, Fall, Ack} {
			to, tell := Next(p, on)
			want, known := standard[p.String()][on.String()]
			if !known {
				t.Fatalf("%v on %v is not in the test's copy", p, on)
			}
			if to.String() != want[0] || tell.String() != want[1] {
				t.Errorf("%v on %v: got %v and tells %v, the standard says %v", p, on, to, tell, want)
			}
			rows++
		}
	}
	if len(Table()) != rows {
		t.Errorf("the table has %d rows, want one for each of %d pairs", len(Table()), rows)
	}
	seen := map[[2]string]bool{}
	for _, r := range Table() {
		k := [2]string{r.From.String(), r.On.String()}
		if seen[k] {
			t.Errorf("two rows for %v", k)
		}
		seen[k] = true
	}
}

func TestTriggersWithoutRowsMoveNothingAndSaySo(t *testing.T) {
	for p := range phaseCount {
		for on := Shelve; on < triggerCount; on++ {
			if to, tell := Next(p, on); to != p || tell != RefuseNotObeyedYet {
				t.Errorf("%v on %v: got %v, %v", p, on, to, tell)
			}
		}
		if to, tell := Next(p, NoTrigger); to != p || tell != TellNothing {
			t.Errorf("%v on no trigger: got %v, %v", p, to, tell)
		}
	}
}

func TestTheTableGivenOutIsACopy(t *testing.T) {
	Table()[0].To = Acknowledged
	if to, _ := Next(Normal, Rise); to != Unacknowledged {
		t.Errorf("a caller changed the table: normal on rise goes to %v", to)
	}
}

// Out of service before suppressed before shelved before the phase, whatever else holds underneath.
func TestShownIsTheFirstOfWhatSilences(t *testing.T) {
	for bits := range 8 {
		s := State{Phase: Unacknowledged, OutOfService: bits&4 != 0, Suppressed: bits&2 != 0, Shelved: bits&1 != 0}
		want := [...]string{"unacknowledged", "shelved", "suppressed", "suppressed", "out_of_service", "out_of_service", "out_of_service", "out_of_service"}[bits]
		if got := s.Shown(); got != want {
			t.Errorf("%+v is shown as %q, want %q", s, got, want)
		}
	}
}

func TestAlarmRemembersWhoTookNoticeUntilItIsNormal(t *testing.T) {
	steps := []struct {
		on   Trigger
		who  string
		at   int64
		tell Tell
		want State
	}{
		{Ack, "ann", 5, RefuseNothingToAck, State{}},
		{Rise, "", 10, TellRaised, State{Phase: Unacknowledged, Active: true, Since: 10}},
		{Ack, "ann", 20, TellAcknowledged, State{Phase: Acknowledged, Active: true, Since: 20, AckBy: "ann", AckAt: 20}},
		{Ack, "bob", 25, RefuseNothingToAck, State{Phase: Acknowledged, Active: true, Since: 20, AckBy: "ann", AckAt: 20}},
		{Shelve, "bob", 26, RefuseNotObeyedYet, State{Phase: Acknowledged, Active: true, Since: 20, AckBy: "ann", AckAt: 20}},
		{Fall, "", 30, TellReturned, State{}},
		{Rise, "", 40, TellRaised, State{Phase: Unacknowledged, Active: true, Since: 40}},
		{Fall, "", 50, TellReturned, State{Phase: ReturnedUnacknowledged, Since: 50}},
		{Rise, "", 60, TellRaised, State{Phase: Unacknowledged, Active: true, Since: 60}},
		{Fall, "", 70, TellReturned, State{Phase: ReturnedUnacknowledged, Since: 70}},
		{Ack, "bob", 80, TellAcknowledged, State{}},
	}
	var s State
	for _, st := range steps {
		var tell Tell
		s, tell = s.On(st.on, st.who, wall(st.at))
		if s != st.want || tell != st.tell {
			t.Fatalf("at %d on %v: got %+v, tells %v; want %+v, %v", st.at, st.on, s, tell, st.want, st.tell)
		}
	}
}

// The state on disk is read by later versions: names, not numbers.
func TestStatesSurviveTheDisk(t *testing.T) {
	s := State{Phase: ReturnedUnacknowledged, Since: 5, Shelved: true, AckBy: "ann", AckAt: 7, Raised: "0a0b0c0d-9"}
	j := Judge{Stage: Closing, Run: 3, Need: 4, Last: Suspended}
	for _, c := range []struct {
		in   any
		want string
	}{
		{s, `{"phase":"returned_unacknowledged","shelved":true,"since":5,"ack_by":"ann","ack_at":7,"raised":"0a0b0c0d-9"}`},
		{j, `{"stage":"closing","run_ns":3,"need_ns":4,"last":"suspended"}`},
		{State{}, `{}`},
		{Judge{}, `{}`},
	} {
		b, err := json.Marshal(c.in)
		if err != nil || string(b) != c.want {
			t.Errorf("got %s, %v; want %s", b, err, c.want)
		}
	}
	for p := range phaseCount {
		for st := range stageCount {
			for l := range lastCount {
				type both struct {
					S State
					J Judge
				}
				in := both{State{Phase: p}, Judge{Stage: st, Last: l}}
				b, err := json.Marshal(in)
				if err != nil {
					t.Fatal(err)
				}
				var back both
				if err := json.Unmarshal(b, &back); err != nil || back != in {
					t.Errorf("%s came back as %+v, %v", b, back, err)
				}
			}
		}
	}
	for _, bad := range []string{`{"phase":"latched"}`} {
		if err := json.Unmarshal([]byte(bad), &State{}); err == nil {
			t.Errorf("%s was accepted", bad)
		}
	}
	for _, bad := range []string{`{"stage":"ajar"}`, `{"last":"heard"}`} {
		if err := json.Unmarshal([]byte(bad), &Judge{}); err == nil {
			t.Errorf("%s was accepted", bad)
		}
	}
}
