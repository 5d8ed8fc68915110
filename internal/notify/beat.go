package notify

import (
	"context"
	"fmt"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Beat is the sign of life that comes from the end of the real work: asked, judged, and on disk. It never waits and is never sent late: the
// next one says more.
type Beat struct {
	Boot         string
	Nth          uint64 // since the start
	At           reading.Stamp
	Committed    uint64 // the last outcome on disk
	Points       int    // that have a device behind them
	Without      int    // of them, those that have no good value at all
	Oldest       time.Duration
	OldestPoint  string // path; empty where none has a good value
	Alarms       int    // that stand
	Unseen       int    // of them, those nobody has acknowledged
	Shelved      int
	Suppressed   int
	OutOfService int
	Overridden   int // close requests that a person has suspended
	InHand       int // sensors a person has out
	OffLine      int // panels whose boiler is off line
	ClockCertain bool
}

// heartbeatBody is a Beat for a program.
type heartbeatBody struct {
	Sequence     uint64  `json:"sequence"`
	Boot         string  `json:"boot"`
	Committed    uint64  `json:"committed"`
	UpS          int64   `json:"up_s"`
	NextDueS     int64   `json:"next_due_s"`
	OldestGoodS  *int64  `json:"oldest_good_s"` // null: no point has a good value
	Points       int     `json:"points"`
	Without      int     `json:"points_without_a_value"`
	Active       int     `json:"alarms_active"`
	Unseen       int     `json:"alarms_unacknowledged"`
	Shelved      int     `json:"alarms_shelved"`
	Suppressed   int     `json:"alarms_suppressed"`
	OutOfService int     `json:"alarms_out_of_service"`
	Overridden   int     `json:"overrides"`
	InHand       int     `json:"sensors_in_hand"`
	OffLine      int     `json:"panels_off_line"`
	Delivered    *string `json:"last_delivered_at"`
	ClockCertain bool    `json:"clock_certain"`
	Quiet        string  `json:"quiet_hours"`
}

// Beat hands a sign of life to every recipient that wants one and whose turn it is. It is called from one goroutine, after each commit. One that
// has not left yet gives way to the newer one.
func (n *Notifier) Beat(at reading.Stamp, what func() Beat) {
	for _, c := range n.couriers {
		if c.to.Heartbeat == 0 || c.nth > 0 && at.Since(c.beatAt) < c.to.Heartbeat {
			continue
		}
		c.nth, c.beatAt = c.nth+1, at
		b := what()
		b.Nth = c.nth
		select {
		case <-c.beats:
		default:
		}
		c.beats <- b // has room: nobody else sends
	}
}

// beat sends the signs of life of one recipient, beside its messages, so that one that hangs delays no alarm and is delayed by none.
func (c *courier) beat(ctx context.Context) {
	failing := false
	for {
		select {
		case <-ctx.Done():
			return
		case b := <-c.beats:
			id := fmt.Sprintf("%s-h%d", b.Boot, b.Nth)
			body, kind, err := c.form.render(beatBody(c.n.c.Site, &b, c.last.Load(), c.to))
			if err != nil {
				c.n.c.Log.Error("a heartbeat does not fit the recipient's template; it is sent as it is", "recipient", c.to.Name, "error", err)
			}
			v, _, detail := c.try(ctx, id, body, kind)
			if ctx.Err() != nil {
				return
			}
			if v == done {
				c.beaten.Add(1)
				if failing {
					c.n.c.Log.Info("heartbeats arrive again", "recipient", c.to.Name)
				}
			} else {
				c.unbeaten.Add(1)
				if !failing {
					c.n.c.Log.Warn("a heartbeat did not arrive; the next one is sent when it is due", "recipient", c.to.Name, "detail", detail)
				}
			}
			failing = v != done
		}
	}
}

func beatBody(s *site.Site, b *Beat, last *reading.Stamp, to *site.Recipient) []byte {
	m := beatWords(s, b, last, to)
	c := frame(s, fmt.Sprintf("%s-h%d", b.Boot, b.Nth), "heartbeat", b.At)
	d := &c.Data
	d.Headline, d.Text, d.State, d.Priority = m.headline, m.text, m.state, site.LowPriority.String()
	h := heartbeatBody{Sequence: b.Nth, Boot: b.Boot, Committed: b.Committed, UpS: int64(b.At.Up / time.Second), NextDueS: int64(to.Heartbeat / time.Second), Points: b.Points, Without: b.Without,
		Active: b.Alarms, Unseen: b.Unseen, Shelved: b.Shelved, Suppressed: b.Suppressed, OutOfService: b.OutOfService, Overridden: b.Overridden, InHand: b.InHand,
		OffLine: b.OffLine, ClockCertain: b.ClockCertain, Quiet: quietList(newTeller(s, &event.Event{At: b.At}))}
	if b.OldestPoint != "" {
		n := int64(b.Oldest / time.Second)
		h.OldestGoodS = &n
	}
	if last != nil {
		at := instant(last.Wall)
		h.Delivered = &at
	}
	d.Heartbeat = &h
	return marshal(c)
}

func beatWords(s *site.Site, b *Beat, last *reading.Stamp, to *site.Recipient) message {
	t := newTeller(s, &event.Event{At: b.At})
	first := fmt.Sprintf("Heartbeat %d of %s: ", b.Nth, t.siteName())
	alarms := "no alarm stands"
	if b.Alarms > 0 {
		alarms = many(b.Alarms, "alarm stands", "alarms stand")
	}
	oldest := "no good value"
	if b.OldestPoint != "" {
		oldest = "oldest good value " + spell(b.Oldest)
	}
	h := first + alarms + ", " + oldest
	if len([]rune(h)) > headlineMax {
		h = shorten(fmt.Sprintf("Heartbeat %d: %s, %s, of %s", b.Nth, alarms, oldest, t.siteName()), headlineMax)
	}
	t.say(sentence(first+"its connections are asked, what comes is judged, and the logbook is written"), t.seen("Made"))
	if b.OldestPoint == "" {
		t.say("None of " + many(b.Points, "measured point", "measured points") + " has a good value.")
	} else {
		t.say("The oldest good value is " + spell(b.Oldest) + " old: " + t.pointWords(b.OldestPoint) + ". Measured points: " + counted(b.Points) + ", without any good value " + counted(b.Without) + ".")
	}
	stand := "No alarm stands."
	if b.Alarms > 0 {
		stand = "Alarms that stand: " + counted(b.Alarms) + ", of them not acknowledged: " + counted(b.Unseen) + "."
	}
	t.say(stand + " Alarms that are kept silent: shelved " + counted(b.Shelved) +
		", suppressed " + counted(b.Suppressed) + ", out of service " + counted(b.OutOfService) + ". Overrides of a close request: " + counted(b.Overridden) +
		". Sensors in hand: " + counted(b.InHand) + ". Panels off line: " + counted(b.OffLine) + ".")
	if last != nil {
		t.say("The last message reached you at " + t.moment(last.Wall) + ".")
	} else {
		t.say("No message has reached you since rillwatch started, " + spell(b.At.Up) + " ago.")
	}
	if b.ClockCertain {
		t.say("Its clock is set.")
	} else {
		t.say("Its clock is not set: no time in its messages can be relied on, and no quiet hours are kept.")
	}
	t.say("Quiet hours: " + quietList(t) + ".")
	if to.Heartbeat > 0 {
		t.say("The next one is due in " + spell(to.Heartbeat) + ". When none comes for three times as long, nobody watches: whoever receives this must call somebody then, because rillwatch cannot.")
	}
	t.say(sentence(fmt.Sprintf("for the record: this is heartbeat %s-h%d, configuration %s", b.Boot, b.Nth, clean(s.Hash))))
	return message{headline: h, text: strings.Join(t.paras, "\n"), state: "heartbeat"}
}

// counted says a number in a sentence; nought is none.
func counted(n int) string {
	if n == 0 {
		return "none"
	}
	return fmt.Sprint(n)
}

// pointWords is a point as the plant calls it.
func (t *teller) pointWords(path string) string {
	p := t.point(path)
	if p == nil {
		return "a point that is gone"
	}
	if p.Panel >= 0 && p.Panel < len(t.s.Panels) {
		t.p = &t.s.Panels[p.Panel]
		return t.subject(path) + " of " + t.title(t.p.Name)
	}
	return t.subject(path) + " of the site"
}

// quietList says everybody's quiet hours, so that whoever receives the heartbeat sees who would not be woken.
func quietList(t *teller) string {
	zone := "UTC"
	if clockSet(t.e.At.Wall) {
		zone = zoneName(t.e.At.Wall.Time().In(t.zone))
	}
	var all []string
	for i := range t.s.Recipients {
		r := &t.s.Recipients[i]
		if q := r.Quiet; q.Configured {
			hour := func(d time.Duration) string {
				return fmt.Sprintf("%02d:%02d %s", d/time.Hour, d%time.Hour/time.Minute, zone)
			}
			of := "low priority"
			if q.Least == site.MediumPriority {
				of = "medium and low priority"
			}
			all = append(all, clean(r.Name)+" from "+hour(q.From)+" to "+hour(q.To)+" for "+of)
		}
	}
	if len(all) == 0 {
		return "none"
	}
	return strings.Join(all, "; ")
}
