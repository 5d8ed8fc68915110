package event

import (
	"time"

	"rillwatch/internal/reading"
)

// Names of why nobody is called for an event. Those of the states of an alarm are the states' own.
const (
	QuietShelved      = "shelved"
	QuietSuppressed   = "suppressed"
	QuietOutOfService = "out_of_service"
	QuietBehind       = "behind"        // another message speaks for it: Behind says which
	QuietUnsteady     = "unsteady"      // it comes and goes, and that was told
	QuietUntold       = "untold"        // it ends, and nobody had been told that it began
	QuietTogether     = "together"      // another message of the same moment says it too
	QuietAsked        = "asked"         // the person who wanted it knows
	QuietChanged      = "limit_changed" // it goes on under another limit, and that was told
)

// Names of why an alarm is told anew.
const (
	AgainShelfOver   = "shelf_over"    // its shelf is over and the condition holds
	AgainInService   = "in_service"    // it was put back in service and the condition holds
	AgainUnsuppress  = "unsuppressed"  // what made it pointless is over and the condition holds
	AgainCauseOver   = "cause_over"    // what spoke for it is over and it stands
	AgainUnsteady    = "unsteady_over" // it came and went, and has stood for half an hour
	AgainStarted     = "started"       // it came and went, and the process has started again
	AgainStandsStill = "stands"        // it comes and goes, must not wait for its rest, and now stands
)

// Told tells whether people are called for the event.
func (e *Event) Told() bool { return e.Kind.Told() && e.Quiet == "" }

// Silence is one alarm that a person has silenced, for whoever reads a message of its panel.
type Silence struct {
	Alarm string        `json:"alarm"`
	State string        `json:"state"` // shelved or out_of_service
	Who   string        `json:"who"`
	Why   string        `json:"why,omitempty"`
	Since reading.Wall  `json:"since,omitempty"` // of out of service
	Until reading.Wall  `json:"until,omitempty"` // of shelved; 0 when the clock is not to be trusted
	Left  time.Duration `json:"left_ns,omitempty"`
}

// Link is an interval of something else that was going on during an excursion. To is zero while it goes on.
type Link struct {
	What string       `json:"what"` // one of the Link names
	From reading.Wall `json:"from"` // no earlier than the excursion's start
	To   reading.Wall `json:"to,omitempty"`
	Who  string       `json:"who,omitempty"`
}

// Names of what an excursion is linked with.
const (
	LinkInterlock = "interlock" // a close condition was met, or the valve was held closed
	LinkValve     = "valve_closed"
	LinkCheck     = "check_in_hand"
	LinkOverride  = "override"
	LinkOffLine   = "off_line"
)
