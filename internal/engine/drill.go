package engine

import (
	"fmt"

	"rillwatch/internal/event"
	"rillwatch/internal/site"
)

// NoSuchRecipient refuses a drill for somebody nobody knows.
const NoSuchRecipient Refusal = "no_such_recipient"

// drill sends a test alarm along the real route. It is an event and nothing else: no alarm moves, no excursion opens, no order leaves.
func (e *Engine) drill(in Command, do Drill, o *Outcome) Reply {
	if len(e.s.Recipients) == 0 {
		return Reply{in.ID, NoSuchRecipient, "there is no recipient, so there is no route to try out"}
	}
	n, to := len(e.s.Recipients), "every recipient"
	if do.Recipient != "" {
		n = 0
		for i := range e.s.Recipients {
			if e.s.Recipients[i].Name == do.Recipient {
				n, to = 1, do.Recipient
			}
		}
		if n == 0 {
			return Reply{in.ID, NoSuchRecipient, "there is no recipient named " + do.Recipient}
		}
	}
	// High, because the route that must work at night is that of what is urgent.
	e.emit(o, event.Event{Kind: event.DrillTold, Priority: site.HighPriority, Who: in.Who, Why: in.Why, Cause: in.ID, To: do.Recipient, Count: n, Test: true})
	return Reply{in.ID, NotRefused, fmt.Sprintf("TEST sent to %s (%d); no valve moves and nothing is counted", to, n)}
}
