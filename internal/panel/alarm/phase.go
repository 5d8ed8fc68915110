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

// Phases. The names are those of IEC 62682 and ISA-18.2 (states A to D there, from memory); latching (E, F) is not used,
// because an excursion that has ended is over, and what keeps a person's eye on it is the unacknowledged return.
const (
	Normal                 Phase = iota // no condition, nothing to acknowledge
	Unacknowledged                      // the condition holds and nobody has taken notice
	Acknowledged                        // the condition holds and a person has taken notice
	ReturnedUnacknowledged              // the condition is gone and nobody has taken notice
	phaseCount
)

var phaseNames = [phaseCount]string{"normal", "unacknowledged", "acknowledged", "returned_unacknowledged"}

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

// Triggers. The first three have rows in the table. The others are named so that no command or record changes when they
// get theirs; until then Next refuses them by name.
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
	TellRaised              // the alarm is new, or has come again before anybody took notice
	TellReturned            // seen within the limit for long enough
	TellAcknowledged        // a person has taken notice
	RefuseNothingToAck      // there is nothing to acknowledge
	RefuseNotObeyedYet      // the trigger has no rows yet
	tellCount
)

var tellNames = [tellCount]string{"nothing", "raised", "returned", "acknowledged", "nothing_to_acknowledge", "not_obeyed_yet"}

func (t Tell) String() string { return tellNames[t%tellCount] }

// Row is one line of the table: an alarm in From that meets On goes To, and Tell is told.
type Row struct {
	From Phase
	On   Trigger
	To   Phase
	Tell Tell
}

// The table is whole: every phase has a row for Rise, Fall and Ack, so that "stays, and nothing is told" is written down and
// not left over. A second Rise tells nothing: one trouble is one message.
var table = [...]Row{
	{Normal, Rise, Unacknowledged, TellRaised},
	{Normal, Fall, Normal, TellNothing},
	{Normal, Ack, Normal, RefuseNothingToAck},
	{Unacknowledged, Rise, Unacknowledged, TellNothing},
	{Unacknowledged, Fall, ReturnedUnacknowledged, TellReturned},
	{Unacknowledged, Ack, Acknowledged, TellAcknowledged},
	{Acknowledged, Rise, Acknowledged, TellNothing},
	{Acknowledged, Fall, Normal, TellReturned},
	{Acknowledged, Ack, Acknowledged, RefuseNothingToAck},
	{ReturnedUnacknowledged, Rise, Unacknowledged, TellRaised},
	{ReturnedUnacknowledged, Fall, ReturnedUnacknowledged, TellNothing},
	{ReturnedUnacknowledged, Ack, Normal, TellAcknowledged},
}

// Table is a copy of the table of phases, for documents and tests.
func Table() []Row { return append([]Row(nil), table[:]...) }

// Next looks up where an alarm in p goes on t, and what is then told. A trigger without rows moves nothing and is refused by
// name.
func Next(p Phase, t Trigger) (Phase, Tell) {
	if t == NoTrigger {
		return p, TellNothing
	}
	for _, r := range table {
		if r.From == p && r.On == t {
			return r.To, r.Tell
		}
	}
	return p, RefuseNotObeyedYet
}

// State is what is kept of one alarm. The three ways of silencing are kept apart from the phase and from each other: they may
// overlap, and the phase moves on underneath them. The zero State is a normal alarm that nobody silenced.
type State struct {
	Phase        Phase        `json:"phase,omitempty"`
	Shelved      bool         `json:"shelved,omitempty"`
	Suppressed   bool         `json:"suppressed,omitempty"`
	OutOfService bool         `json:"out_of_service,omitempty"`
	Active       bool         `json:"active,omitempty"` // the condition holds
	Since        reading.Wall `json:"since,omitempty"`  // when the present phase began; for people only
	AckBy        string       `json:"ack_by,omitempty"`
	AckAt        reading.Wall `json:"ack_at,omitempty"`
	Raised       string       `json:"raised,omitempty"` // the ID of the event that told it last
}

// On applies a trigger: the phase moves by the table, and what belongs to the phase moves with it. who is the person for Ack
// and at the wall clock, both kept for people. A new raise forgets the old acknowledgement and the old event ID (the caller
// sets Raised once it has given the ID); a return to Normal forgets everything but what silences, so what a message about
// the return needs must be taken from the state before. A refused trigger changes nothing.
func (s State) On(t Trigger, who string, at reading.Wall) (State, Tell) {
	to, tell := Next(s.Phase, t)
	if tell == RefuseNothingToAck || tell == RefuseNotObeyedYet {
		return s, tell
	}
	if t == Rise || t == Fall {
		s.Active = t == Rise
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
