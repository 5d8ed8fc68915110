package engine

import (
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel"
	"rillwatch/internal/reading"
)

// Refusals of what silences an alarm. The panel gives them by name.
const (
	MustSpeak  Refusal = panel.MustSpeak
	NotShelved Refusal = panel.NotShelved
	AlreadyOut Refusal = panel.AlreadyOut
	NotOut     Refusal = panel.NotOut
	Silenced   Refusal = panel.AckSilenced
)

// ShelfUsual is how long an alarm is shelved for where nobody says.
const ShelfUsual = panel.ShelfUsual

// silenceWords says a refusal to the person who asked.
func silenceWords(r Refusal, alarm string) string {
	switch r {
	case BadSpan:
		return "say for how long: from 1m to " + span(panel.ShelfMost) + "; what must be quiet for longer is out of service"
	case MustSpeak:
		return alarm + " warns of hot water, of a sensor that may stand in a bottle, or of nobody watching: it can neither be shelved nor taken out of service. " +
			"Acknowledge it; for work on a sensor say which with check"
	case NotShelved:
		return alarm + " is not shelved"
	case AlreadyOut:
		return alarm + " is out of service already"
	case NotOut:
		return alarm + " is in service"
	}
	return "nothing was changed"
}

// ofAlarm finds the panel of an alarm and lets it obey.
func (e *Engine) ofAlarm(in Command, alarm string, o *Outcome, do func(*panel.Panel, panel.Input) (panel.Output, string), done string) Reply {
	for j := range e.judges {
		if !e.judges[j].panel.Has(alarm) {
			continue
		}
		out, refused := do(e.judges[j].panel, e.input(in.At, nil))
		if refused != "" {
			return Reply{in.ID, Refusal(refused), silenceWords(Refusal(refused), alarm)}
		}
		e.merge(out, o)
		return Reply{in.ID, NotRefused, done}
	}
	return Reply{in.ID, NoSuchAlarm, "there is no alarm named " + alarm}
}

func (e *Engine) shelve(in Command, do Shelve, o *Outcome) Reply {
	return e.ofAlarm(in, do.Alarm, o, func(p *panel.Panel, pin panel.Input) (panel.Output, string) {
		return p.Shelve(pin, do.Alarm, do.For, in.Who, in.Why)
	}, do.Alarm+" is shelved "+e.until(in, do.For)+". It is judged and counted all the same, every message of its panel names it, and when the time is over, or rillwatch starts again, it is told anew if the condition holds")
}

func (e *Engine) unshelve(in Command, do Unshelve, o *Outcome) Reply {
	return e.ofAlarm(in, do.Alarm, o, func(p *panel.Panel, pin panel.Input) (panel.Output, string) {
		return p.Unshelve(pin, do.Alarm, in.Who, in.Why)
	}, do.Alarm+" is no longer shelved; if its condition holds it is told anew")
}

func (e *Engine) service(in Command, do OutOfService, o *Outcome) Reply {
	done := do.Alarm + " is back in service; if its condition holds it is told anew"
	if do.Out {
		done = do.Alarm + " is out of service until somebody puts it back: that has no end of its own and outlives a restart. It is judged and counted all the same, and every message of its panel names it"
	}
	return e.ofAlarm(in, do.Alarm, o, func(p *panel.Panel, pin panel.Input) (panel.Output, string) {
		return p.Service(pin, do.Alarm, do.Out, in.Who, in.Why)
	}, done)
}

// SilenceView is what a person said of an alarm. The zero SilenceView is nothing.
type SilenceView struct {
	On    bool
	Who   string
	Why   string        // its beginning
	Left  time.Duration // of a shelf
	Since reading.Stamp // of out of service
}

// AlarmCounts are alarms by the state they are shown in. Active and Unsteady are of any state.
type AlarmCounts struct {
	Normal, Unacknowledged, Acknowledged, Returned, Shelved, Suppressed, OutOfService int

	Active   int // the condition holds
	Unsteady int // they come and go, and are counted and not told
	Held     int // the condition holds, nothing silences it, and another message speaks for it
}

// Counts counts the alarms of a panel by their states.
func (p *PanelView) Counts() AlarmCounts {
	var c AlarmCounts
	for i := range p.Alarms {
		a := &p.Alarms[i]
		switch a.State {
		case "unacknowledged":
			c.Unacknowledged++
		case "acknowledged":
			c.Acknowledged++
		case "returned_unacknowledged":
			c.Returned++
		case "shelved":
			c.Shelved++
		case "suppressed":
			c.Suppressed++
		case "out_of_service":
			c.OutOfService++
		default:
			c.Normal++
		}
		if a.Active {
			c.Active++
		}
		if a.Unsteady {
			c.Unsteady++
		}
		if a.Active && a.Quiet == event.QuietBehind {
			c.Held++
		}
	}
	return c
}

// quietText writes who is called and who is not, what stands behind the event, and what it is linked with.
func quietText(put func(k, v string), e *event.Event) {
	put("again", e.Again)
	put("quiet", e.Quiet)
	put("behind", e.Behind)
	for _, n := range []struct {
		name string
		n    int
	}{{"readings", e.Readings}, {"held_alarms", e.Held}} {
		if n.n != 0 {
			put(n.name, strconv.Itoa(n.n))
		}
	}
	if e.Passed != nil {
		put("still_passed", e.Passed.Name)
	}
	put("unseen", strings.Join(e.Unseen, ","))
	if x := e.Excursion; x != nil {
		put("continues", x.Before)
		if !x.Open {
			if x.UpperKnown {
				put("upper", strconv.FormatFloat(x.IntegralUpper, 'f', 4, 64))
			}
			if x.ValidKnown {
				put("valid", strconv.FormatFloat(x.Valid, 'f', 4, 64))
			}
			put("longest_gap", x.LongestGap.String())
			put("ended", x.Ended)
			var links []string
			for _, l := range x.Links {
				to := "-"
				if l.To != 0 {
					to = l.To.Time().Format("15:04:05")
				}
				links = append(links, l.What+"/"+l.From.Time().Format("15:04:05")+".."+to)
			}
			put("links", strings.Join(links, ","))
			put("acknowledged", x.AckBy)
		}
	}
	for _, s := range e.Trust.Silences {
		put(s.State, s.Alarm+" by "+s.Who)
	}
}
