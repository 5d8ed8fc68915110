package engine

import (
	"strings"

	"rillwatch/internal/event"
	"rillwatch/internal/panel"
	"rillwatch/internal/site"
)

// takeCommand obeys a command once. Who asks must say so; asked again under the same ID the answer is the first one.
func (e *Engine) takeCommand(in Command, o *Outcome) {
	asked := in.Do.verb() + " " + doOperands(in.Do)
	for _, r := range e.replies {
		if r.ID != in.ID {
			continue
		}
		if r.Asked != asked {
			o.Replies = append(o.Replies, Reply{in.ID, CommandIDReused, "this command id was used for something else; use a new one"})
			return
		}
		o.Replies = append(o.Replies, Reply{in.ID, r.Refusal, r.Words})
		return
	}
	rep := e.obey(in, o)
	if rep.Refusal != NotRefused {
		e.emit(o, event.Event{Kind: event.CommandRefused, Priority: site.LowPriority, Who: in.Who, Why: in.Why, Cause: string(rep.Refusal), Alarm: alarmOf(in.Do), Panel: panelOf(in.Do)})
	}
	o.Replies = append(o.Replies, rep)
	e.replies = append(e.replies, savedReply{in.ID, asked, rep.Refusal, rep.Words})
	if over := len(e.replies) - repliesKept; over > 0 {
		e.replies = append([]savedReply(nil), e.replies[over:]...)
	}
}

func (e *Engine) obey(in Command, o *Outcome) Reply {
	no := func(why Refusal, words string) Reply { return Reply{in.ID, why, words} }
	if !e.booted {
		return no(NotBooted, "the daemon is still starting")
	}
	if strings.TrimSpace(in.Who) == "" {
		return no(NoName, "say who you are: the logbook keeps who did what")
	}
	if why := strings.TrimSpace(in.Why); why == "" && silences(in.Do) {
		return no(NoReason, "say why: this silences something, and the logbook keeps why")
	}
	// Each verb has its function, which finds its panel and says in words what was done. A verb that is not here is refused by name.
	switch do := in.Do.(type) {
	case Acknowledge:
		return e.acknowledge(in, do, o)
	case EnterValue:
		return e.enter(in, do, o)
	case Shelve:
		return e.shelve(in, do, o)
	case Unshelve:
		return e.unshelve(in, do, o)
	case OutOfService:
		return e.service(in, do, o)
	case SetOnLine:
		return e.setOnLine(in, do, o)
	case CheckInHand:
		return e.checkInHand(in, do, o)
	case LearnBaseline:
		return e.learn(in, do, o)
	case Prove:
		return e.prove(in, do, o)
	case Drill:
		return e.drill(in, do, o)
	}
	if rep, ok := e.obeyInterlock(in, o); ok {
		return rep
	}
	return no(VerbNotObeyed, "this version does not obey "+in.Do.verb()+" yet; nothing was changed")
}

// silences tells whether a command keeps something from being told or judged. Whoever does that says why.
func silences(d Do) bool {
	switch d := d.(type) {
	case Shelve, Override:
		return true
	case OutOfService:
		return d.Out
	case SetOnLine:
		return !d.OnLine
	case CheckInHand:
		return !d.Back
	}
	return false
}

func (e *Engine) acknowledge(in Command, do Acknowledge, o *Outcome) Reply {
	for j := range e.judges {
		if !e.judges[j].panel.Has(do.Alarm) {
			continue
		}
		out, refused := e.judges[j].panel.Acknowledge(e.input(in.At, nil), do.Alarm, in.Who, in.Why)
		switch refused {
		case "":
		case panel.AckSilenced:
			return Reply{in.ID, Refusal(refused), do.Alarm + " is silenced and calls nobody, so there is nothing to acknowledge; when the silence ends with the condition true it is raised anew"}
		default:
			return Reply{in.ID, Refusal(refused), "there is nothing to acknowledge: " + do.Alarm + " is not waiting for anyone"}
		}
		e.merge(out, o)
		return Reply{in.ID, NotRefused, "acknowledged " + do.Alarm + "; the condition itself is unchanged"}
	}
	return Reply{in.ID, NoSuchAlarm, "there is no alarm named " + do.Alarm}
}

func alarmOf(d Do) string {
	switch d := d.(type) {
	case Acknowledge:
		return d.Alarm
	case LearnBaseline:
		return d.Limit
	case Shelve:
		return d.Alarm
	case Unshelve:
		return d.Alarm
	case OutOfService:
		return d.Alarm
	}
	return ""
}

// panelOf is the panel a command names; empty for one that names another thing.
func panelOf(d Do) string {
	switch d := d.(type) {
	case SetOnLine:
		return d.Panel
	case Override:
		return d.Panel
	case Rearm:
		return d.Panel
	case ValveByHand:
		return d.Panel
	}
	return ""
}
