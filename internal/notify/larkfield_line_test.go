package notify

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// lineTales are the messages about the sample line and about what people have in hand or have said.
func lineTales(add func(string, event.Event, ...func(*event.Event))) {
	flow := func(v float64) *event.Value {
		return &event.Value{Point: "b2.rack.flow", Value: v, Unit: "mL/min", Bound: "=", Quality: "good", Reason: "believed", At: ago(time.Second)}
	}
	slow := event.Trust{FlowKnown: true, Flow: 64, TempKnown: true, Temp: 27.1, TempUnit: "degC", Valve: "open", Reason: reading.FlowOutside.String()}
	outside := event.Event{Kind: event.FlowOutside, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.flow-outside", Point: "b2.rack.flow", Value: flow(64), Count: 5, Trust: slow,
		Limit: &event.LimitValue{Name: "flow_low", Side: "low", Value: 100, Written: 100, Unit: "mL/min"}}
	add("sample.flow_outside-slow", outside)
	add("sample.flow_outside-no-number", outside, func(e *event.Event) {
		e.Value = &event.Value{Point: "b2.rack.flow", Unit: "mL/min", Quality: "bad", Reason: reading.Silent.String()}
		e.Trust.FlowKnown = false
	})
	inside := outside
	inside.Kind, inside.Value, inside.Trust, inside.Lasted, inside.Raised, inside.Who = event.FlowInside, flow(190), flowing("open"), 47*time.Minute, "7c1e0a55-88102", "J. Marsh"
	add("sample.flow_inside-set-again", inside)
	add("sample.flow_falling-strainer", event.Event{Kind: event.FlowFalling, Priority: site.LowPriority, Panel: "b2", Point: "b2.rack.flow", Value: flow(141), Highest: 208, Trust: flowing("open")})
	add("oxygen.not_settled-plain", event.Event{Kind: event.NotSettled, Priority: site.LowPriority, Panel: "b2", Point: "b2.rack.oxygen", Value: oxygen(14.2, "=", reading.Believed), Trust: flowing("open")})
	still := event.Event{Kind: event.TemperatureFrozen, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.temperature-frozen", Point: "b2.rack.temperature", Value: celsius(31.2, reading.Frozen),
		Lasted: 2 * time.Hour, Trust: flowing("open")}
	add("temperature.frozen-plain", still)
	moves := still
	moves.Kind, moves.Raised, moves.Lasted = event.TemperatureMoves, "7c1e0a55-88102", 3*time.Hour
	add("temperature.moves-plain", moves)

	said := event.Event{Kind: event.SaidOver, Priority: site.LowPriority, Panel: "b2", Who: "J. Marsh", Why: "weekend", Cause: "time", Was: "off line", Is: "on line"}
	add("boiler.said_over-time", said)
	add("boiler.said_over-restart", said, func(e *event.Event) { e.Cause, e.Point = "restart", "b2.rack.feed_on" })
	add("boiler.said_over-still-off", said, func(e *event.Event) { e.Is, e.Point = "off line", "b2.rack.feed_on" })
	fed := event.Event{Kind: event.FedWhileOffLine, Priority: site.MediumPriority, Panel: "b2", Who: "J. Marsh", Why: "weekend", Cause: "flow", Trust: flowing("open")}
	add("boiler.fed_while_off_line-flow", fed)
	add("boiler.fed_while_off_line-signal", fed, func(e *event.Event) { e.Cause = "signal" })

	none := event.Trust{Valve: "open", Reason: reading.Flushing.String()}
	over := event.Event{Kind: event.CheckOver, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.check-in-hand-rack", Point: "b2.rack", Who: "J. Marsh", Why: "monthly check", Was: "zero check in nitrogen",
		Lasted: 2 * time.Hour, Cause: "time", Trust: none}
	add("check.over-time", over)
	add("check.over-restart", over, func(e *event.Event) { e.Cause = "restart" })
	back := over
	back.Kind, back.Raised, back.Lasted, back.Who, back.Was, back.Why = event.CheckOverBack, "7c1e0a55-88102", 35*time.Minute, "", "", ""
	add("check.over_back-plain", back)
	blind := over
	blind.Kind, blind.Priority, blind.Alarm = event.ProtectionBlind, site.HighPriority, "b2.protection-blind"
	add("protection.blind-valve-open", blind)
	seen := back
	seen.Kind, seen.Priority, seen.Alarm, seen.Trust = event.ProtectionBack, site.HighPriority, "b2.protection-blind", flowing("open")
	add("protection.back-plain", seen)
	add("protection.back-valve-closed", seen, func(e *event.Event) { e.Trust.Valve = "closed" })
}
