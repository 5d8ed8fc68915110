package alarm

import (
	"encoding/json"
	"strings"
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

// copyOfTheStandard says where a state goes, by the words of the standard and not by the rows of the code. Its states are letters: A to D of an
// alarm that calls people, and of one that does not the set of G (shelved), H (suppressed by design), I (out of service) with + while the
// condition holds and - while it does not.
func copyOfTheStandard(state, on string) (to, tell string) {
	if len(state) == 1 && strings.Contains("ABCD", state) {
		if to, ok := map[string]string{"shelve": "G", "suppress": "H", "take_out": "I"}[on]; ok {
			if state == "B" || state == "C" {
				return to + "+", map[string]string{"G": "shelved", "H": "suppressed", "I": "taken_out"}[to]
			}
			return to + "-", map[string]string{"G": "shelved", "H": "suppressed", "I": "taken_out"}[to]
		}
		switch on {
		case "unshelve":
			return state, "not_shelved"
		case "put_back":
			return state, "not_out_of_service"
		case "unsuppress":
			return state, "nothing"
		}
		names := map[string]string{"A": "normal", "B": "unacknowledged", "C": "acknowledged", "D": "returned_unacknowledged"}
		w := standard[names[state]][on]
		for letter, n := range names {
			if n == w[0] {
				return letter, w[1]
			}
		}
		return "?", "?"
	}
	set, holds := strings.TrimRight(state, "+-"), strings.HasSuffix(state, "+")
	sign := state[len(state)-1:]
	with := func(letter string) string {
		var out string
		for _, l := range []string{"G", "H", "I"} {
			if strings.Contains(set, l) || l == letter {
				out += l
			}
		}
		return out + sign
	}
	without := func(letter, tell string) (string, string) {
		rest := strings.ReplaceAll(set, letter, "")
		switch {
		case rest != "":
			return rest + sign, tell
		case holds: // "on leaving with the condition true: as new"
			return "B", "raised"
		}
		return "A", tell
	}
	has := func(letter string) bool { return strings.Contains(set, letter) }
	switch on {
	case "rise":
		return set + "+", "nothing"
	case "fall":
		return set + "-", "nothing"
	case "ack":
		return state, "silenced"
	case "shelve":
		return with("G"), "shelved"
	case "suppress":
		if has("H") {
			return state, "nothing"
		}
		return with("H"), "suppressed"
	case "take_out":
		if has("I") {
			return state, "already_out_of_service"
		}
		return with("I"), "taken_out"
	case "unshelve":
		if !has("G") {
			return state, "not_shelved"
		}
		return without("G", "unshelved")
	case "unsuppress":
		if !has("H") {
			return state, "nothing"
		}
		return without("H", "unsuppressed")
	case "put_back":
		if !has("I") {
			return state, "not_out_of_service"
		}
		return without("I", "put_back")
	}
	return "?", "?"
}

// lettersOf writes a state of the code in the letters of the standard; it refuses one that contradicts itself.
func lettersOf(t *testing.T, s State) string {
	t.Helper()
	set := ""
	if s.Shelved {
		set += "G"
	}
	if s.Suppressed {
		set += "H"
	}
	if s.OutOfService {
		set += "I"
	}
	if (set != "") != (s.Phase == Silenced) {
		t.Fatalf("%+v is silenced by nothing, or silenced and in another phase", s)
	}
	if set != "" {
		if s.Active {
			return set + "+"
		}
		return set + "-"
	}
	if s.Active != (s.Phase == Unacknowledged || s.Phase == Acknowledged) {
		t.Fatalf("%+v: the condition and the phase contradict each other", s)
	}
	return map[Phase]string{Normal: "A", Unacknowledged: "B", Acknowledged: "C", ReturnedUnacknowledged: "D"}[s.Phase]
}

// Every state that can be reached, every trigger in it. The four states that call people, and seven sets of what silences with the
// condition true or not: 18. The numbers are exact, because the set is the whole.
func TestEveryMoveOfWhatSilencesIsThatOfTheStandard(t *testing.T) {
	const states, transitions = 18, 18 * 9
	rows := map[Row]bool{}
	seen, front, moves := map[string]bool{}, []State{{}}, 0
	seen["A"] = true
	for len(front) > 0 {
		s := front[0]
		front = front[1:]
		from := lettersOf(t, s)
		for on := Rise; on < triggerCount; on++ {
			moves++
			got, tell := s.On(on, "Kim", 7)
			to := lettersOf(t, got)
			if want, says := copyOfTheStandard(from, on.String()); to != want || tell.String() != says {
				t.Errorf("%s on %v: got %s and tells %v, the standard says %s, %s", from, on, to, tell, want, says)
			}
			if tell.Refusal() && got != s {
				t.Errorf("%s on %v: refused as %v and changed to %+v", from, on, tell, got)
			}
			if on != Rise && on != Fall && got.Active != s.Active {
				t.Errorf("%s on %v: the condition changed", from, on)
			}
			if got.Phase == Normal && got != (State{}) {
				t.Errorf("%s on %v: a normal alarm keeps %+v", from, on, got)
			}
			rows[Row{s.Phase, on, rowGuard(s, on), got.Phase, tell}] = true
			if !seen[to] {
				seen[to] = true
				front = append(front, got)
			}
		}
	}
	t.Logf("figure: alarm states: %d states, %d transitions, %d rows of the table", len(seen), moves, len(rows))
	if len(seen) != states || moves != transitions {
		t.Errorf("%d states and %d transitions, want %d and %d", len(seen), moves, states, transitions)
	}
	for _, r := range Table() {
		if !rows[r] {
			t.Errorf("no transition uses the row %+v", r)
		}
		delete(rows, r)
	}
	for r := range rows {
		t.Errorf("a transition is in no row: %+v", r)
	}
	for i, a := range Table() {
		for _, b := range Table()[:i] {
			if a.From == b.From && a.On == b.On && (a.If == b.If || a.If == Always || b.If == Always) {
				t.Errorf("two rows for one case: %+v and %+v", a, b)
			}
		}
	}
}

// rowGuard is the guard that the row for a state must bear: none outside Silenced, and none for what is no silencing.
func rowGuard(s State, on Trigger) Guard {
	if s.Phase != Silenced {
		return Always
	}
	return s.guard(on)
}

func TestNoTriggerMovesNothing(t *testing.T) {
	for p := range phaseCount {
		s := State{Phase: p}
		if got, tell := s.On(NoTrigger, "", 0); got != s || tell != TellNothing {
			t.Errorf("%v on no trigger: got %+v, %v", p, got, tell)
		}
	}
}

// Ruled for this house: what came back unacknowledged and was shelved is normal when it is unshelved with the condition gone; overlapping
// silences end one by one, and only the last one's end is a new alarm.
func TestSilencesOverlapAndOnlyTheLastEndAnnouncesAnew(t *testing.T) {
	var s State
	for _, st := range []struct {
		on   Trigger
		want string
		tell Tell
	}{
		{Rise, "unacknowledged", TellRaised}, {Fall, "returned_unacknowledged", TellReturned}, {Shelve, "shelved", TellShelved}, {Unshelve, "normal", TellUnshelved},
		{Shelve, "shelved", TellShelved}, {Rise, "shelved", TellNothing}, {TakeOut, "out_of_service", TellTakenOut}, {Suppress, "out_of_service", TellSuppressed},
		{Unshelve, "out_of_service", TellUnshelved}, {PutBack, "suppressed", TellPutBack}, {Ack, "suppressed", RefuseSilenced}, {Unsuppress, "unacknowledged", TellRaised},
		{Ack, "acknowledged", TellAcknowledged}, {Suppress, "suppressed", TellSuppressed}, {Unsuppress, "unacknowledged", TellRaised},
	} {
		var tell Tell
		if s, tell = s.On(st.on, "", 3); s.Shown() != st.want || tell != st.tell {
			t.Fatalf("on %v: shown as %s and tells %v, want %s and %v", st.on, s.Shown(), tell, st.want, st.tell)
		}
	}
}

func TestTheTableGivenOutIsACopy(t *testing.T) {
	Table()[0].To = Acknowledged
	if s, _ := (State{}).On(Rise, "", 0); s.Phase != Unacknowledged {
		t.Errorf("a caller changed the table: normal on rise goes to %v", s.Phase)
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
		{PutBack, "bob", 26, RefuseNotOut, State{Phase: Acknowledged, Active: true, Since: 20, AckBy: "ann", AckAt: 20}},
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
