package notify

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// measuredTales are the messages of limits that judge a rate or hang on what is normal, and of too little data.
func measuredTales(add func(string, event.Event, ...func(*event.Event))) {
	climbs := oxygenLimit()
	climbs.Name, climbs.Value, climbs.Written, climbs.Unit, climbs.Judges, climbs.Window = "oxygen-climbs", 30, 30, "ppb/h", "rise", "20m0s"
	climbs.Cause, climbs.Consequence = "the deaerator loses steam", "the limit of 20 ppb is passed within the hour"
	rate := oxygen(33.1, "=", reading.Believed)
	rate.Unit = "ppb/h"
	x := excursion(true)
	x.Alarm, x.Unit, x.Peak, x.Limit = "b2.oxygen-climbs", "ppb/h", 60, *climbs
	raised := event.Event{Kind: event.AlarmRaised, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.oxygen-climbs", Point: "b2.rack.oxygen", Value: rate, Limit: climbs, Excursion: x, Trust: flowing("open")}
	add("alarm.raised-rise", raised)
	over := excursion(false)
	over.Alarm, over.Unit, over.Peak, over.Mean, over.IntegralLow, over.Limit = "b2.oxygen-climbs", "ppb/h", 60, 51.2, false, *climbs
	add("alarm.returned-rise", raised, func(e *event.Event) {
		v := *rate
		v.Value = -0.4
		e.Kind, e.Value, e.Excursion, e.Raised = event.AlarmReturned, &v, over, "7c1e0a55-88102"
	})
	falls := *climbs
	falls.Judges, falls.Written, falls.Value, falls.Unit, falls.Window, falls.Cause, falls.Consequence = "fall", 0.5, 30, "pH/h", "30m0s", "", ""
	add("alarm.raised-fall-of-ph", raised, func(e *event.Event) {
		e.Alarm, e.Point, e.Limit, e.Excursion = "b2.ph-falls", "b2.rack.ph", &falls, nil
		e.Value = &event.Value{Point: "b2.rack.ph", Value: 0.82, Unit: "pH/h", Decimals: 2, Bound: "=", Quality: "good", Reason: "believed", At: ago(time.Second)}
	})

	lost := &event.LimitValue{Name: "sulfite-lost", Side: "low", Value: 6, Written: 6, Unit: "ppm", Basis: "Na2SO3", Deadband: 1.5, OnDelay: "10m0s", OffDelay: "15m0s", Judges: "below_normal",
		Source: site.Source{Document: "Larkfield feedwater specification", Edition: "rev 3, clause 4.6", Band: "20 to 40 bar", Tap: "after-scavenger"}, Action: "look at the sulfite tank and its pump",
		Normal: &event.Normal{Value: 12, Scatter: 0.57, Quarters: 24, Distance: "50 %", At: at("2026-10-20T09:12:00Z", 0).Wall, Who: "J. Marsh", Why: "a good week"}}
	sulfite := &event.Value{Point: "b2.rack.sulfite", Value: 3, Unit: "ppm", Bound: "=", Quality: "good", Reason: "believed", At: ago(time.Second)}
	low := event.Event{Kind: event.AlarmRaised, Priority: site.HighPriority, Panel: "b2", Alarm: "b2.sulfite-lost", Point: "b2.rack.sulfite", Value: sulfite, Limit: lost, Trust: flowing("open"),
		Advice: []string{"sulfite of 3 ppm is 25 % of its own normal of 12 ppm; 9 ppm are missing, as Na2SO3 enough for 1.14 mg/L of oxygen",
			"does the scavenger pump run, and is there anything in its tank?", "these are questions, not orders: the plant's chemist, the boiler maker's instructions and local codes decide"}}
	add("alarm.raised-below-normal", low)
	add("alarm.raised-by-the-bound", low, func(e *event.Event) {
		l, n := *lost, *lost.Normal
		n.Bound, l.Normal, l.Written, l.Value, e.Advice = true, &n, 8, 8, nil
		e.Limit = &l
	})
	add("alarm.raised-normal-not-learned", low, func(e *event.Event) {
		l := *lost
		l.Normal, e.Limit, e.Advice = nil, &l, nil
	})
	ended := excursion(false)
	ended.Alarm, ended.Point, ended.Unit, ended.Decimals, ended.Peak, ended.Mean, ended.IntegralLow = "b2.sulfite-lost", "b2.rack.sulfite", "ppm", 0, 2, 3, false
	ended.Limit = *lost
	ended.Limit.Applies = []string{"on-line"}
	ended.Suspended = 22 * time.Minute
	add("alarm.returned-states-named", low, func(e *event.Event) {
		v := *sulfite
		v.Value = 11
		e.Kind, e.Value, e.Excursion, e.Raised, e.Limit, e.Advice = event.AlarmReturned, &v, ended, "7c1e0a55-88102", &ended.Limit, nil
	})

	missing := event.Event{Kind: event.BaselineMissing, Priority: site.LowPriority, Panel: "b2", Alarm: "b2.sulfite-lost", Point: "b2.rack.sulfite", Cause: "never learned",
		Limit: &event.LimitValue{Name: "sulfite-lost", Unit: "ppm", Basis: "Na2SO3", Judges: "below_normal"}}
	add("baseline.missing-never-learned", missing)
	add("baseline.missing-point-changed", missing, func(e *event.Event) {
		l := *e.Limit
		l.Side, l.Value, l.Written = "low", 4, 4
		e.Limit, e.Cause = &l, "point changed"
	})

	little := event.Event{Kind: event.DataTooLittle, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.too-little-data", Points: []string{"b2.rack.oxygen", "b2.rack.ph"},
		Trust: event.Trust{Valve: "open", Reason: reading.NoFlow.String(), FlowKnown: true}}
	add("data.too_little-two", little)
	add("data.too_little-many", little, func(e *event.Event) {
		e.Points = []string{"b2.rack.oxygen", "b2.rack.ph", "b2.rack.orp", "b2.rack.sulfite", "b2.rack.pressure", "b2.cycles"}
	})
	enough := little
	enough.Kind, enough.Trust, enough.Lasted, enough.Raised, enough.Who = event.DataEnough, flowing("open"), 3*time.Hour, "7c1e0a55-88102", "J. Marsh"
	add("data.enough-plain", enough)
}
