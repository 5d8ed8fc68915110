// Package alarm judges a point against its limits and keeps the phases of an alarm.
//
// Owns: the table of alarm phases; what beyond, within and clear mean for a limit; the on-delay and the closing.
// Never: sees an instant, lets a delay run on time nobody saw, closes anything on a reading that does not count, or tells
// anyone: what is to be told is returned.
package alarm

import (
	"fmt"

	"rillwatch/internal/reading"
)

// Phase is where an alarm stands. The zero Phase is Normal.
type Phase uint8

// Phases. The names are those of IEC 62682 and ISA-18.2 (states A to D there, G to I behind Silenced; from memory). The
// optional latched states (E, F) are left out: an excursion that has ended is over, and what keeps a person's eye on it is the
// unacknowledged return.
const (
	Normal                 Phase = iota // no condition, nothing to acknowledge
	Unacknowledged                      // the condition holds and nobody has taken notice
	Acknowledged                        // the condition holds and a person has taken notice
	ReturnedUnacknowledged              // the condition is gone and nobody has taken notice
	Silenced                            // shelved, suppressed by design or out of service; which of them, and whether the condition holds, stands beside it
	phaseCount
)

var phaseNames = [phaseCount]string{"normal", "unacknowledged", "acknowledged", "returned_unacknowledged", "silenced"}

func (p Phase) String() string { return phaseNames[p%phaseCount] }

// MarshalText gives the phase's name, which is what is kept on disk.
func (p Phase) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads a phase's name.
func (p *Phase) UnmarshalText(b []byte) error {
	for i, n := range phaseNames {
		if n == string(b) {
			*p = Phase(i)
			return nil
		}
	}
	return fmt.Errorf("alarm phase %q is not known", b)
}

// Trigger is what may move an alarm. The zero Trigger is none.
type Trigger uint8

// Triggers.
const (
	NoTrigger  Trigger = iota
	Rise               // the condition begins to hold: its on-delay is over
	Fall               // the condition is gone: its closing is over
	Ack                // a person takes notice
	Shelve             // a person silences it for a stated time
	Unshelve           // the time is over, or a person ends it
	Suppress           // the plant's state makes it pointless
	Unsuppress         // that state has ended
	TakeOut            // maintenance takes it out of service
	PutBack            // maintenance puts it back
	triggerCount
)

var triggerNames = [triggerCount]string{"none", "rise", "fall", "ack", "shelve", "unshelve", "suppress", "unsuppress", "take_out", "put_back"}

func (t Trigger) String() string { return triggerNames[t%triggerCount] }

// Tell is what has to be told when an alarm moved, or why it did not. The zero Tell is nothing.
type Tell uint8

// Tells and refusals.
const (
	TellNothing        Tell = iota
	TellRaised              // the alarm is new, has come again before anybody took notice, or stands when its silence ends
	TellReturned            // seen within the limit for long enough
	TellAcknowledged        // a person has taken notice
	TellShelved             // shelved, or its time was set anew
	TellUnshelved           // and no longer
	TellSuppressed          // suppressed by design
	TellUnsuppressed        // and no longer
	TellTakenOut            // out of service
	TellPutBack             // and back
	RefuseNothingToAck      // there is nothing to acknowledge
	RefuseSilenced          // what is silenced calls nobody, so nobody can take notice of it
	RefuseNotShelved        // there is no shelf to end
	RefuseAlreadyOut        // it is out of service
	RefuseNotOut            // it is in service
	tellCount
)

var tellNames = [tellCount]string{"nothing", "raised", "returned", "acknowledged", "shelved", "unshelved", "suppressed", "unsuppressed", "taken_out", "put_back",
	"nothing_to_acknowledge", "silenced", "not_shelved", "already_out_of_service", "not_out_of_service"}

func (t Tell) String() string { return tellNames[t%tellCount] }

// Refusal tells whether nothing was changed, and Tell is the name of the reason.
func (t Tell) Refusal() bool { return t >= RefuseNothingToAck }

// Guard narrows a row of a silenced alarm. The zero Guard is none.
type Guard uint8

// Guards.
const (
	Always  Guard = iota
	Missing       // what the trigger ends does not stand; or, for one that begins something, does not stand yet
	Already       // what the trigger begins stands already
	Others        // what the trigger ends stands, and so does another way of silencing
	Stands        // what the trigger ends is the last way of silencing, and the condition holds
	Gone          // what the trigger ends is the last way of silencing, and the condition is gone
	guardCount
)

var guardNames = [guardCount]string{"always", "missing", "already", "others", "stands", "gone"}

func (g Guard) String() string { return guardNames[g%guardCount] }

// Row is one line of the table: an alarm in From that meets On, where If holds, goes To, and Tell is told.
type Row struct {
	From Phase
	On   Trigger
	If   Guard
	To   Phase
	Tell Tell
}

// The table is whole: every phase has its rows for every trigger, so that "stays, and nothing is told" is written down and not
// left over. A second Rise tells nothing: one trouble is one message. What is silenced moves on underneath, unseen: the standard
// has no phase beneath G, H and I, only the condition, and leaving the last of them with the condition true is a new alarm.
var table = [...]Row{
	{Normal, Rise, Always, Unacknowledged, TellRaised},
	{Normal, Fall, Always, Normal, TellNothing},
	{Normal, Ack, Always, Normal, RefuseNothingToAck},
	{Normal, Shelve, Always, Silenced, TellShelved},
	{Normal, Unshelve, Always, Normal, RefuseNotShelved},
	{Normal, Suppress, Always, Silenced, TellSuppressed},
	{Normal, Unsuppress, Always, Normal, TellNothing},
	{Normal, TakeOut, Always, Silenced, TellTakenOut},
	{Normal, PutBack, Always, Normal, RefuseNotOut},

	{Unacknowledged, Rise, Always, Unacknowledged, TellNothing},
	{Unacknowledged, Fall, Always, ReturnedUnacknowledged, TellReturned},
	{Unacknowledged, Ack, Always, Acknowledged, TellAcknowledged},
	{Unacknowledged, Shelve, Always, Silenced, TellShelved},
	{Unacknowledged, Unshelve, Always, Unacknowledged, RefuseNotShelved},
	{Unacknowledged, Suppress, Always, Silenced, TellSuppressed},
	{Unacknowledged, Unsuppress, Always, Unacknowledged, TellNothing},
	{Unacknowledged, TakeOut, Always, Silenced, TellTakenOut},
	{Unacknowledged, PutBack, Always, Unacknowledged, RefuseNotOut},

	{Acknowledged, Rise, Always, Acknowledged, TellNothing},
	{Acknowledged, Fall, Always, Normal, TellReturned},
	{Acknowledged, Ack, Always, Acknowledged, RefuseNothingToAck},
	{Acknowledged, Shelve, Always, Silenced, TellShelved},
	{Acknowledged, Unshelve, Always, Acknowledged, RefuseNotShelved},
	{Acknowledged, Suppress, Always, Silenced, TellSuppressed},
	{Acknowledged, Unsuppress, Always, Acknowledged, TellNothing},
	{Acknowledged, TakeOut, Always, Silenced, TellTakenOut},
	{Acknowledged, PutBack, Always, Acknowledged, RefuseNotOut},

	{ReturnedUnacknowledged, Rise, Always, Unacknowledged, TellRaised},
	{ReturnedUnacknowledged, Fall, Always, ReturnedUnacknowledged, TellNothing},
	{ReturnedUnacknowledged, Ack, Always, Normal, TellAcknowledged},
	{ReturnedUnacknowledged, Shelve, Always, Silenced, TellShelved},
	{ReturnedUnacknowledged, Unshelve, Always, ReturnedUnacknowledged, RefuseNotShelved},
	{ReturnedUnacknowledged, Suppress, Always, Silenced, TellSuppressed},
	{ReturnedUnacknowledged, Unsuppress, Always, ReturnedUnacknowledged, TellNothing},
	{ReturnedUnacknowledged, TakeOut, Always, Silenced, TellTakenOut},
	{ReturnedUnacknowledged, PutBack, Always, ReturnedUnacknowledged, RefuseNotOut},

	{Silenced, Rise, Always, Silenced, TellNothing},
	{Silenced, Fall, Always, Silenced, TellNothing},
	{Silenced, Ack, Always, Silenced, RefuseSilenced},
	{Silenced, Shelve, Missing, Silenced, TellShelved},
	{Silenced, Shelve, Already, Silenced, TellShelved}, // for another time: a person is there and says so
	{Silenced, Unshelve, Missing, Silenced, RefuseNotShelved},
	{Silenced, Unshelve, Others, Silenced, TellUnshelved},
	{Silenced, Unshelve, Stands, Unacknowledged, TellRaised},
	{Silenced, Unshelve, Gone, Normal, TellUnshelved},
	{Silenced, Suppress, Missing, Silenced, TellSuppressed},
	{Silenced, Suppress, Already, Silenced, TellNothing},
	{Silenced, Unsuppress, Missing, Silenced, TellNothing},
	{Silenced, Unsuppress, Others, Silenced, TellUnsuppressed},
	{Silenced, Unsuppress, Stands, Unacknowledged, TellRaised},
	{Silenced, Unsuppress, Gone, Normal, TellUnsuppressed},
	{Silenced, TakeOut, Missing, Silenced, TellTakenOut},
	{Silenced, TakeOut, Already, Silenced, RefuseAlreadyOut},
	{Silenced, PutBack, Missing, Silenced, RefuseNotOut},
	{Silenced, PutBack, Others, Silenced, TellPutBack},
	{Silenced, PutBack, Stands, Unacknowledged, TellRaised},
	{Silenced, PutBack, Gone, Normal, TellPutBack},
}

// Table is a copy of the table of phases, for documents and tests.
func Table() []Row { return append([]Row(nil), table[:]...) }

// next looks up the row of an alarm in p that meets t under guard g.
func next(p Phase, t Trigger, g Guard) (Phase, Tell) {
	if t == NoTrigger {
		return p, TellNothing
	}
	for _, r := range table {
		if r.From == p && r.On == t && (r.If == Always || r.If == g) {
			return r.To, r.Tell
		}
	}
	panic(fmt.Sprintf("alarm: no row for %v on %v where %v", p, t, g)) // the table is whole, and a test holds it so
}

// State is what is kept of one alarm. The three ways of silencing are kept apart from each other and may overlap. Phase is
// Silenced exactly while one of them stands. The zero State is a normal alarm that nobody silenced.
type State struct {
	Phase        Phase        `json:"phase,omitempty"`
	Shelved      bool         `json:"shelved,omitempty"`
	Suppressed   bool         `json:"suppressed,omitempty"`
	OutOfService bool         `json:"out_of_service,omitempty"`
	Active       bool         `json:"active,omitempty"` // the condition holds
	Since        reading.Wall `json:"since,omitempty"`  // when the present phase began; for people only
	AckBy        string       `json:"ack_by,omitempty"`
	AckAt        reading.Wall `json:"ack_at,omitempty"`
	Raised       string       `json:"raised,omitempty"` // the ID of the event that raised it last
}

// silence is the way of silencing that a trigger begins or ends; nil for the others.
func (s *State) silence(t Trigger) *bool {
	switch t {
	case Shelve, Unshelve:
		return &s.Shelved
	case Suppress, Unsuppress:
		return &s.Suppressed
	case TakeOut, PutBack:
		return &s.OutOfService
	}
	return nil
}

// guard is what holds of a state beside its phase, for a trigger.
func (s State) guard(t Trigger) Guard {
	one := s.silence(t)
	if one == nil {
		return Always
	}
	stands := *one
	switch begins := t == Shelve || t == Suppress || t == TakeOut; {
	case !stands:
		return Missing
	case begins:
		return Already
	}
	*one = false
	switch {
	case s.Shelved || s.Suppressed || s.OutOfService:
		return Others
	case s.Active:
		return Stands
	}
	return Gone
}

// On applies a trigger: the phase moves by the table, and what belongs to the phase moves with it. who is the person for Ack
// and at the wall clock, both kept for people. A new raise forgets the old acknowledgement and the old event ID (the caller
// sets Raised once it has given the ID); a return to Normal forgets everything, so what a message about the return needs must
// be taken from the state before. A refused trigger changes nothing.
func (s State) On(t Trigger, who string, at reading.Wall) (State, Tell) {
	to, tell := next(s.Phase, t, s.guard(t))
	if tell.Refusal() {
		return s, tell
	}
	if t == Rise || t == Fall {
		s.Active = t == Rise
	}
	if one := s.silence(t); one != nil {
		*one = t == Shelve || t == Suppress || t == TakeOut
	}
	if to == s.Phase {
		return s, tell
	}
	s.Phase, s.Since = to, at
	switch tell {
	case TellRaised:
		s.AckBy, s.AckAt, s.Raised = "", 0, ""
	case TellAcknowledged:
		s.AckBy, s.AckAt = who, at
	}
	if to == Normal {
		s.Since, s.AckBy, s.AckAt, s.Raised = 0, "", 0, ""
	}
	return s, tell
}

// Shown is the one word a list shows for the state: the first of out of service, suppressed, shelved; else the phase.
func (s State) Shown() string {
	switch {
	case s.OutOfService:
		return "out_of_service"
	case s.Suppressed:
		return "suppressed"
	case s.Shelved:
		return "shelved"
	}
	return s.Phase.String()
}
