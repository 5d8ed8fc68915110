package site

import (
	"strings"
	"time"
)

// Recipient is one webhook target. Its zero values ask for nothing: every message, at any hour, no heartbeat.
type Recipient struct {
	Name          string
	URL           string
	SecretFile    string
	OldSecretFile string // while a secret is exchanged: both sign, until the recipient knows the new one; empty: none
	CAFile        string // certificates that may sign the recipient's; empty: those the machine trusts
	Proxy         string // an HTTP proxy to go through; empty: none, whatever the environment says
	Template      string // a text/template over the message, in place of its own body; empty: the message as it is
	ContentType   string // of what the template makes
	Route         Route
	Quiet         QuietHours
	Heartbeat     time.Duration // a sign of life every so often, at the end of the real work; 0: none
}

// Route says what a recipient is told. Empty lists and the zero Least leave nothing out.
type Route struct {
	LeastSet bool
	Least    Priority // the least urgent priority that is told, when LeastSet
	Panels   []string // only what is of these panels, and what is of none
	Kinds    []string // only these kinds, in full ("valve.closed") or by their family ("valve")
}

// Takes tells whether a message of this priority, panel and kind goes to the recipient. What belongs to no panel is of every panel: a lost
// connection and a full disk blind all of them.
func (r *Route) Takes(p Priority, panel, kind string) bool {
	if r.LeastSet && p > r.Least {
		return false
	}
	if len(r.Panels) > 0 && panel != "" && !holds(r.Panels, panel) {
		return false
	}
	family, _, _ := strings.Cut(kind, ".")
	return len(r.Kinds) == 0 || holds(r.Kinds, kind) || holds(r.Kinds, family)
}

func holds(list []string, s string) bool {
	for _, l := range list {
		if l == s {
			return true
		}
	}
	return false
}

// QuietHours are those of the night in which messages of little urgency wait for the morning. They end at the other end's time of day, the next
// day where From is after To.
type QuietHours struct {
	Configured bool
	From, To   time.Duration // since midnight by the site's own clock on the wall
	Least      Priority      // the most urgent priority that waits: low, or medium
}

// Messages is what holds for every message and every recipient.
type Messages struct {
	// Reminders is by priority how often an alarm is told again until a person acknowledges it; 0: once is enough.
	Reminders [LowPriority + 1]time.Duration
	// Allowed, when not empty, are the only places where a recipient may be: names of hosts, and addresses such as "10.0.40.0/24".
	Allowed []string
}
