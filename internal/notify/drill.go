package notify

import (
	"encoding/json"
	"time"
)

// Drilled is what became of the last drill at one recipient.
type Drilled struct {
	Recipient string
	ID        string        // of the message
	Command   string        // of whoever asked for it
	Result    string        // waiting while it is tried, then how it ended
	Detail    string        // what the recipient answered last
	Took      time.Duration // from the first byte of the last request to its answer
	Tries     int
}

// Drills gives the last drill of each recipient that has had one, in the order of the configuration.
func (n *Notifier) Drills() []Drilled {
	var all []Drilled
	for _, c := range n.couriers {
		if d := c.drilled.Load(); d != nil {
			all = append(all, *d)
		}
	}
	return all
}

// noteDrill keeps what is known of a drill. At its end nothing new is known of the answer.
func (c *courier) noteDrill(p parcel, result, detail string, took time.Duration, tries int) {
	if !p.drill {
		return
	}
	d := Drilled{Recipient: c.to.Name, ID: p.ID, Command: p.command, Result: result, Detail: detail, Took: took, Tries: tries}
	if before := c.drilled.Load(); tries == 0 && before != nil && before.ID == p.ID {
		d.Took, d.Tries = before.Took, before.Tries
	}
	c.drilled.Store(&d)
}

// commandOf is the command that a drill's message names as its cause.
func commandOf(body []byte) string {
	var says struct {
		Data struct {
			Cause string `json:"cause"`
		} `json:"data"`
	}
	_ = json.Unmarshal(body, &says)
	return says.Data.Cause
}
