package notify

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// linesMost bounds the messages that a summary tells one by one: nobody reads more on a telephone. The most urgent are kept.
	linesMost = 20
	// standingMost bounds the overrides and checks that a summary repeats.
	standingMost = 5
)

// itemBody is one message within a summary.
type itemBody struct {
	ID       string `json:"id"`
	Headline string `json:"headline"`
	Kind     string `json:"kind"`
	Priority string `json:"priority"`
	State    string `json:"state"`
	At       string `json:"at"`
	Panel    string `json:"panel,omitempty"`
	Alarm    string `json:"alarm,omitempty"`
}

// head is what a summary needs of a message.
type head struct {
	itemBody
	Standing string `json:"standing,omitempty"` // what people have silenced at its panel, as the message said it
	Title    string `json:"title,omitempty"`
	Loose    bool   `json:"loose,omitempty"` // told from memory, because the disk would not take it
}

// standingMark begins the line in which a message says what people have silenced.
const standingMark = "Standing at this panel: "

// headOf leaves of a message what a summary needs.
func headOf(body []byte) []byte {
	var e cloudEvent
	if json.Unmarshal(body, &e) != nil {
		return nil // told as a message that cannot be read
	}
	d := &e.Data
	h := head{itemBody: itemBody{ID: e.ID, Headline: d.Headline, Kind: d.Kind, Priority: d.Priority, State: d.State, At: d.At, Panel: d.Panel, Alarm: d.Alarm}, Title: d.PanelTitle, Loose: !d.Durable}
	for line := range strings.SplitSeq(d.Text, "\n") {
		if rest, ok := strings.CutPrefix(line, standingMark); ok {
			h.Standing += " " + rest
		}
	}
	b, err := json.Marshal(h)
	if err != nil {
		panic("notify: the head of a message: " + err.Error()) // texts only
	}
	return b
}

// summaryOf makes one message of several, whose bodies are heads or whole. It follows from them and the reason alone, its ID too, so that the same
// messages told together a second time, after a crash, are known as the same. Its time is that of the newest of them.
func summaryOf(s *site.Site, to *site.Recipient, items []Item, why hold) Item {
	heads := make([]head, 0, len(items))
	sum := fnv.New64a()
	_, _ = sum.Write([]byte{byte(why)}) // a hash never fails
	newest := reading.Wall(0)
	for i := range items {
		_, _ = sum.Write([]byte(items[i].ID + " "))
		newest = max(newest, items[i].Created)
		var h head
		raw := items[i].Body
		if bytes.Contains(raw, []byte(`"specversion"`)) {
			raw = headOf(raw)
		}
		if json.Unmarshal(raw, &h) != nil || h.Headline == "" {
			h.itemBody = itemBody{ID: items[i].ID, Headline: "[TOP] a message that cannot be read", Priority: site.TopPriority.String(), At: instant(items[i].Created)}
		}
		heads = append(heads, h)
	}
	id := fmt.Sprintf("%s-s%016x", items[0].ID, sum.Sum64())
	now := reading.Stamp{Wall: newest}
	m := summaryWords(s, to, heads, why, now, id)
	c := frame(s, id, "summary", now)
	d := &c.Data
	d.Headline, d.Text, d.State, d.Priority, d.Count = m.headline, m.text, m.state, worstOf(heads).String(), len(heads)
	d.Durable = !slices.ContainsFunc(heads, func(h head) bool { return h.Loose })
	d.Cause = [...]string{"none", "quiet_hours", "one_cause", "flood", "late"}[why]
	for _, h := range mostUrgent(heads) {
		d.Messages = append(d.Messages, h.itemBody)
	}
	body := marshal(c)
	for len(body) > bodyMax && len(d.Messages) > 0 { // titles of a length nobody would write
		d.Messages = d.Messages[:len(d.Messages)/2]
		if len(d.Messages) == 0 {
			d.Text = clip(d.Text, 4000)
		}
		body = marshal(c)
	}
	return Item{ID: id, Body: body, Created: newest}
}

// frame is the envelope of a message that no event made.
func frame(s *site.Site, id, kind string, at reading.Stamp) cloudEvent {
	e := event.Event{At: at}
	c := envelope(s, &e, message{state: kind}, clips[0])
	c.ID, c.Type = id, "dev.rillwatch."+kind+".v1"
	c.Data.Kind, c.Data.State = kind, kind
	return c
}

func worstOf(heads []head) site.Priority {
	worst := site.LowPriority
	for _, h := range heads {
		if p, ok := site.ParsePriority(h.Priority); !ok || p < worst {
			worst = p
		}
	}
	return worst
}

// mostUrgent keeps at most linesMost messages, the most urgent ones, in their own order.
func mostUrgent(heads []head) []head {
	order := make([]int, len(heads))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		pa, _ := site.ParsePriority(heads[a].Priority)
		pb, _ := site.ParsePriority(heads[b].Priority)
		return cmp.Compare(pa, pb)
	})
	order = order[:min(len(order), linesMost)]
	slices.Sort(order)
	out := make([]head, len(order))
	for i, k := range order {
		out[i] = heads[k]
	}
	return out
}

// stillStanding gives the last word on each alarm that was raised within the messages and not told as over.
func stillStanding(heads []head) []head {
	var out []head
	for i := range heads {
		h := &heads[i]
		if h.Alarm == "" {
			continue
		}
		out = slices.DeleteFunc(out, func(o head) bool { return o.Alarm == h.Alarm })
		if h.State == "raised" || h.State == "acknowledged" && h.Kind == event.AlarmAcknowledged.String() {
			out = append(out, *h)
		}
	}
	return out
}

func summaryWords(s *site.Site, to *site.Recipient, heads []head, why hold, now reading.Stamp, id string) message {
	t := newTeller(s, &event.Event{At: now})
	n := many(len(heads), "message", "messages")
	stand := stillStanding(heads)
	alarms := ""
	if len(stand) > 0 {
		alarms = ", " + many(len(stand), "alarm stands", "alarms stand")
	}
	switch why {
	case byFlood:
		t.fact("flood, " + n + " held" + alarms + "; urgent ones still come at once")
		t.fact("flood, " + n + " held" + alarms)
		t.fact("flood, " + n + " held")
		t.say("This is a summary of "+n+". More than "+many(floodMost, "message has", "messages have")+" gone to you within "+spell(floodIn)+", which is a flood.",
			"While it lasts, messages of medium and low priority come as one summary every "+spell(floodIn)+"; those of top and high priority still come at once, each by itself.")
	case byQuiet:
		t.fact(n + " of the quiet hours" + alarms)
		t.fact(n + " of the quiet hours")
		least := "medium"
		if to.Quiet.Least == site.MediumPriority {
			least = "high"
		}
		t.say("This is a summary of " + n + " that waited for the end of your quiet hours. Messages of " + least + " priority and above came at once meanwhile.")
	case byCause:
		t.fact(many(len(heads), "more message follows", "more messages follow") + " from a lost connection")
		t.say("This is a summary of " + n + ". Each of them follows from a connection that is lost, which was told before: one trouble, not so many.")
	default:
		t.fact(n + " come late" + alarms)
		t.fact(n + " come late")
		t.say("This is a summary of " + n + " that come late, because rillwatch or the way to you was away. Each is told with the time at which it happened, not that of this message.")
	}
	shown := mostUrgent(heads)
	for _, h := range shown {
		when := "a time that is not known"
		if at, err := time.Parse(time.RFC3339, h.At); err == nil {
			when = t.dayAndHour(reading.WallOf(at))
		}
		t.say(sentence(when + ": " + h.Headline))
	}
	if more := len(heads) - len(shown); more > 0 {
		t.say("And " + many(more, "more", "more") + " of the same or lower priority; all of them stand in rillwatch's list of events.")
	}
	if len(stand) > 0 {
		var names []string
		for _, h := range stand {
			names = append(names, alarmWords(h))
		}
		t.say("As far as these messages tell, "+many(len(stand), "alarm still stands", "alarms still stand")+": "+fewer(names)+".", "Where the panel says otherwise, believe the panel.")
	}
	var silenced []string
	for _, h := range heads {
		line := strings.TrimSpace(h.Standing)
		if line != "" && len(silenced) < standingMost && !slices.Contains(silenced, h.Title+line) {
			silenced = append(silenced, h.Title+line)
			t.say("Standing at " + cmp.Or(clean(h.Title), "panel "+clean(h.Panel)) + ": " + line)
		}
	}
	t.say("First action: see to the most urgent of these first, and look at rillwatch's list of alarms for what stands now.", handsOff2)
	t.say(sentence("for the record: this is summary " + id + ", configuration " + clean(s.Hash)))
	return message{headline: headline(mark(worstOf(heads)), t.siteName(), "", t.facts), text: strings.Join(t.paras, "\n"), state: "summary"}
}

// alarmWords is a standing alarm as its last headline says it, without the mark.
func alarmWords(h head) string {
	_, words, ok := strings.Cut(h.Headline, "] ")
	if !ok {
		return clean(h.Headline)
	}
	return clean(words)
}

// dayAndHour says when, for a line of a list.
func (t *teller) dayAndHour(w reading.Wall) string {
	if !clockSet(w) {
		return "time uncertain"
	}
	at := w.Time().In(t.zone)
	return at.Format("15:04:05 ") + zoneName(at) + at.Format(" on 2 January")
}
