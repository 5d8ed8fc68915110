package engine

import (
	"strings"

	"rillwatch/internal/event"
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
		e.emit(o, event.Event{Kind: event.CommandRefused, Priority: site.LowPriority, Who: in.Who, Why: in.Why, Cause: string(rep.Refusal), Alarm: alarmOf(in.Do)})
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
	if do, ok := in.Do.(EnterValue); ok {
		return e.enter(in, do, o)
	}
	if rep, ok := e.obeyInterlock(in, o); ok {
		return rep
	}
	do, ok := in.Do.(Acknowledge)
	if !ok {
		return no(VerbNotObeyed, "this version does not obey "+in.Do.verb()+" yet; nothing was changed")
	}
	for j := range e.judges {
		if !e.judges[j].panel.Has(do.Alarm) {
			continue
		}
		out, refused := e.judges[j].panel.Acknowledge(e.input(in.At, nil), do.Alarm, in.Who, in.Why)
		if refused != "" {
			return no(Refusal(refused), "there is nothing to acknowledge: "+do.Alarm+" is not waiting for anyone")
		}
		e.merge(out, o)
		return Reply{in.ID, NotRefused, "acknowledged " + do.Alarm + "; the condition itself is unchanged"}
	}
	return no(NoSuchAlarm, "there is no alarm named "+do.Alarm)
}

func alarmOf(d Do) string {
	if a, ok := d.(Acknowledge); ok {
		return a.Alarm
	}
	return ""
}
