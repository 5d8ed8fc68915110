package engine

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// moment is what panels must know of the input in hand beside its reads.
type moment struct {
	tick    bool
	rounded bool // a round over bus is complete
	bus     int
	result  *reading.OrderResult
}

func momentOf(in Input) moment {
	switch in := in.(type) {
	case Tick:
		return moment{tick: true}
	case Batch:
		return moment{rounded: in.Last, bus: in.Bus}
	case OrderDone:
		return moment{result: &in.OrderResult}
	}
	return moment{}
}

// giveOrders numbers what panels ask for. An order that waits for its bus longer than it lives is of a request that may be withdrawn.
func (e *Engine) giveOrders(orders []reading.Order, o *Outcome) {
	for _, r := range orders {
		e.orders++
		r.ID, r.Until = e.orders, o.At.Up+site.OrderLives
		o.Orders = append(o.Orders, r)
	}
}

// takeResult lets the panel that asked know what became of its order. The result of a panel that is not driven is nobody's.
func (e *Engine) takeResult(in OrderDone, o *Outcome) {
	for j := range e.judges {
		if p := e.judges[j].index; p != site.None && p == in.Panel && e.s.Panels[p].Interlock.Drive.Configured {
			for k := range e.judges { // the site's own points first, as ever: what they read in the batch before is no news of this step
				if e.judges[k].index == site.None {
					e.step(k, in.At, nil, o)
				}
			}
			e.step(j, in.At, nil, o)
			e.refresh(in.At, -1)
		}
	}
}

// nameOverride names a panel's standing override in an event about the panel that the engine makes itself.
func (e *Engine) nameOverride(ev *event.Event) {
	for j := range e.judges {
		if ev.Panel != "" && e.judges[j].index != site.None && e.judges[j].name == ev.Panel {
			e.judges[j].panel.Overridden(ev)
		}
	}
}

// Refusals of what is asked of an interlock. The panel gives most of them by name.
const (
	NoReason    Refusal = "why_is_missing"
	NoSuchPanel Refusal = "no_such_panel"
)

// interlockWords says a refusal to the person who asked.
func interlockWords(r Refusal, name string) string {
	switch r {
	case "observing_only":
		return "rillwatch only observes " + name + ": it asks for nothing there, so there is nothing to withdraw or to suspend"
	case "not_held":
		return "nothing asks for the sample valve of " + name + " to be closed"
	case "temperature_not_proven_low":
		return "not every sample temperature of " + name + " has read at or below its warning value on its last two updates; the close request stands"
	case "temperature_lost":
		return "a sample temperature of " + name + " is lost, and what nobody sees is not known to be cool; the close request stands"
	case "check_in_hand":
		return "a person has a sensor of " + name + " out for a check; the close request stands until it is back"
	case "temperature_has_no_value":
		return "a sample temperature of " + name + " has no value at this moment, and what nobody sees is not known to be cool; the close request stands"
	case "overrides_too_long_together":
		return "overrides of " + name + " may together last " + site.OverrideMax.String() + " until none has stood for " + (24*time.Hour - site.OverrideMax).String() + "; what is asked for is more than is left. Nothing was changed"
	case "override_time":
		return "an override lasts at most " + site.OverrideMax.String() + ", and more than nothing; nothing was changed"
	case "valve_not_closed":
		return "the sample valve of " + name + " is not known to be closed; nothing was recorded"
	case "closed_by_panel":
		return "the sample of " + name + " had been hot or its temperature lost when the valve closed; the record stays as it is"
	}
	return "nothing was changed"
}

// obeyInterlock obeys what concerns the holding of a sample valve; ok is false for any other command.
func (e *Engine) obeyInterlock(in Command, o *Outcome) (rep Reply, ok bool) {
	var name, done string
	var do func(p *panel.Panel, pin panel.Input) (panel.Output, string)
	reason := true
	switch d := in.Do.(type) {
	case Rearm:
		name, done = d.Panel, "the close request of "+d.Panel+" is withdrawn; nothing was moved. Opening is done at the panel, by a person who has proved the cooling water"
		do = func(p *panel.Panel, pin panel.Input) (panel.Output, string) { return p.Rearm(pin, in.Who, in.Why) }
	case Override:
		long := d.For
		if long == 0 {
			long = site.OverrideUsual
		}
		name, done = d.Panel, "the close request of "+d.Panel+" is suspended for "+long.String()+"; then it returns by itself. Nothing was moved"
		do = func(p *panel.Panel, pin panel.Input) (panel.Output, string) {
			return p.Override(pin, d.For, in.Who, in.Why)
		}
	case ValveByHand:
		name, done, reason = d.Panel, "recorded: the sample valve of "+d.Panel+" was closed by hand. Nothing else was changed", false
		do = func(p *panel.Panel, pin panel.Input) (panel.Output, string) { return p.ByHand(pin, in.Who, in.Why) }
	default:
		return Reply{}, false
	}
	if reason && blank(in.Why) {
		return Reply{in.ID, NoReason, "say why: the logbook keeps it, and everybody who is told reads it"}, true
	}
	for j := range e.judges {
		if e.judges[j].index == site.None || e.judges[j].name != name {
			continue
		}
		out, refused := do(e.judges[j].panel, e.input(in.At, nil))
		if refused != "" {
			return Reply{in.ID, Refusal(refused), interlockWords(Refusal(refused), name)}, true
		}
		e.merge(out, o)
		return Reply{in.ID, NotRefused, done}, true
	}
	return Reply{in.ID, NoSuchPanel, "there is no panel named " + name}, true
}

func blank(s string) bool {
	for _, r := range s {
		if r != ' ' && r != '\t' && r != '\n' {
			return false
		}
	}
	return true
}

// ValveByHand is a person's word that the sample valve was found closed because somebody closed it by hand.
type ValveByHand struct{ Panel string }

func (ValveByHand) verb() string { return "valve_by_hand" }
