package notify

import (
	"testing"
	"time"
	_ "time/tzdata" // the tests name zones, and a machine without their files must not pass by using UTC

	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// larkfield is the invented plant: one panel with everything, one with a long title, one connection.
func larkfield(tb testing.TB, zone string) *site.Site {
	tb.Helper()
	z, err := time.LoadLocation(zone)
	if err != nil {
		tb.Fatal(err)
	}
	unit := func(s string, q quantity.Quantity) quantity.Unit {
		u, err := quantity.ParseUnit(s, q)
		if err != nil {
			tb.Fatal(err)
		}
		return u
	}
	s := &site.Site{Name: "larkfield-mill", Zone: z, ZoneName: zone, Hash: "3f2a9c41d07e",
		Buses: []site.Bus{{Name: "panel-net", Link: "tcp://10.0.40.21:502", Sensors: []int{0, 1}}},
		Sensors: []site.Sensor{
			{Path: "b2.rack", Name: "rack", Panel: 0, Bus: 0, Station: 1, Points: []int{0, 1, 2, 3, 4, 5, 6, 7}},
			{Path: "b3.probe", Name: "probe", Panel: 1, Bus: 0, Station: 7, Points: []int{8}},
		},
		Recipients: []site.Recipient{{Name: "on-call", URL: "http://127.0.0.1:1/hook"}, {Name: "shift", URL: "http://127.0.0.1:1/hook"}},
	}
	point := func(path, name string, panel, sensor int, q quantity.Quantity, u string, resolution float64) {
		s.Points = append(s.Points, site.Point{Path: path, Name: name, Panel: panel, Sensor: sensor, Quantity: q, Unit: unit(u, q), Resolution: resolution})
	}
	point("b2.rack.flow", "flow", 0, 0, quantity.Flow, "mL/min", 1)
	point("b2.rack.orp", "orp", 0, 0, quantity.ORP, "mV", 1)
	point("b2.rack.oxygen", "oxygen", 0, 0, quantity.DissolvedOxygen, "ppb", 0.1)
	point("b2.rack.ph", "ph", 0, 0, quantity.PH, "pH", 0.01)
	point("b2.rack.pressure", "pressure", 0, 0, quantity.Pressure, "bar(g)", 0.1)
	point("b2.rack.sulfite", "sulfite", 0, 0, quantity.Sulfite, "ppm", 1)
	point("b2.rack.temperature", "temperature", 0, 0, quantity.Temperature, "degC", 0.1)
	point("b2.rack.valve_closed", "valve_closed", 0, 0, quantity.State, "state", 0)
	point("b3.probe.oxygen", "oxygen", 1, 1, quantity.DissolvedOxygen, "ppb", 0.1)
	point("b2.below-saturation", "below-saturation", 0, site.None, quantity.TemperatureDifference, "K(diff)", 0.1)
	s.Points[9].Derive.By = site.BelowSaturationOf
	point("b2.blowdown-of-steam", "blowdown-of-steam", 0, site.None, quantity.Ratio, "%", 0.01)
	s.Points[10].Derive.By = site.BlowdownOfSteam
	point("site.deaerator.temperature", "temperature", site.None, 0, quantity.Temperature, "degC", 0.1)
	point("b2.cycles", "cycles", 0, site.None, quantity.Number, "number", 0.1)
	s.Points[9].Derive.Inputs, s.Points[10].Derive.Inputs = []site.Input{{Point: 11}}, []site.Input{{Point: 12}}
	s.Points[12].Entered.Configured = true
	lock := site.Interlock{Configured: true, Temperature: 6, WarnAbove: 40, CloseAbove: (120. - 32) * 5 / 9, CloseText: "120 degF", ValveClosed: 7,
		Travel: 15 * time.Second, LostAfter: 10 * time.Second}
	s.Panels = []site.Panel{
		{Name: "b2", Title: "Boiler 2 feedwater", Points: []int{0, 1, 2, 3, 4, 5, 6, 7, 9, 10, 12}, Interlock: lock,
			Line: site.Line{Configured: true, LeadML: 288, CellML: 100, Flow: 0, FlowLow: 100, FlowHigh: 300}},
		{Name: "b3", Title: "High-pressure boiler number 3, feedwater after deaerator two", Points: []int{8}, Line: site.Line{Flow: site.None},
			Interlock: site.Interlock{Temperature: site.None}},
	}
	return s
}

// at is a stamp of a civil time, so many seconds after the start of the process.
func at(civil string, up time.Duration) reading.Stamp {
	t, err := time.Parse(time.RFC3339, civil)
	if err != nil {
		panic(err)
	}
	return reading.Stamp{Wall: reading.WallOf(t), Up: up}
}

// night is the moment of most events: on the night on which summer time ends in London, after the hour that comes twice.
var night = at("2026-10-25T02:14:07Z", 5*time.Hour)

func ago(d time.Duration) reading.Stamp {
	return reading.Stamp{Wall: night.Wall - reading.Wall(d), Up: night.Up - d}
}

// onlyWall is a moment as it stands in a record: nobody knows its Up.
func onlyWall(s reading.Stamp) reading.Stamp { return reading.Stamp{Wall: s.Wall} }

func oxygenLimit() *event.LimitValue {
	return &event.LimitValue{Name: "oxygen-high", Side: "high", Value: 20, Written: 20, Unit: "ppb", Deadband: 2, OnDelay: "5m0s", OffDelay: "5m0s",
		Source: site.Source{Document: "Larkfield feedwater specification", Edition: "rev 3, clause 4.2", Band: "20 to 40 bar", Tap: "before-scavenger"},
		Action: "confirm by an ampoule test, then compare deaerator temperature with saturation at its pressure"}
}

func oxygen(v float64, bound string, why reading.Reason) *event.Value {
	return &event.Value{Point: "b2.rack.oxygen", Value: v, Unit: "ppb", Decimals: 1, Bound: bound, Quality: why.Quality().String(), Reason: why.String(), At: ago(800 * time.Millisecond)}
}

func celsius(v float64, why reading.Reason) *event.Value {
	if why.Quality() == reading.Bad {
		v = 0
	}
	return &event.Value{Point: "b2.rack.temperature", Value: v, Unit: "degC", Decimals: 1, Bound: "=", Quality: why.Quality().String(), Reason: why.String(), At: ago(time.Second)}
}

// fahrenheit is a temperature in the unit in which Larkfield wrote the closing value.
func fahrenheit(degC float64, why reading.Reason) *event.Value {
	v := celsius(degC, why)
	v.Unit = "degF"
	if why.Quality() != reading.Bad {
		v.Value = degC*9/5 + 32
	}
	return v
}

func flowing(valve string) event.Trust {
	return event.Trust{FlowKnown: true, Flow: 198, TempKnown: true, Temp: 31.2, TempUnit: "degC", Valve: valve, FlushedML: 1864, OwedML: 1864}
}

func excursion(open bool) *event.Excursion {
	x := &event.Excursion{ID: "7c1e0a55-88102", Alarm: "b2.oxygen-high", Point: "b2.rack.oxygen", Unit: "ppb", Decimals: 1, Start: onlyWall(at("2026-10-25T00:40:12Z", 0)),
		Peak: 43, PeakBound: "=", PeakAt: onlyWall(at("2026-10-25T00:58:30Z", 0)), Beyond: 71*time.Minute + 13*time.Second, Within: 14*time.Minute + 2*time.Second,
		UnknownTime: 5*time.Minute + 10*time.Second, Integral: 16.43, IntegralLow: true, Mean: 33.84, Open: open, Limit: *oxygenLimit()}
	if !open {
		x.End = onlyWall(at("2026-10-25T02:10:37Z", 0))
	}
	return x
}

// hotEvent is an event of the interlock as the panel fills it: value, limit and highest in the unit the limit is written in, the
// evidence in the point's.
func hotEvent(kind event.Kind, temp float64) event.Event {
	trust := flowing("open")
	trust.Temp, trust.Reason = temp, reading.HotSample.String()
	return event.Event{Kind: kind, Priority: site.HighPriority, Panel: "b2", Point: "b2.rack.temperature", Value: fahrenheit(temp, reading.Believed), Count: 4,
		Limit: &event.LimitValue{Name: "close_above", Side: "high", Value: (120. - 32) * 5 / 9, Written: 120, Unit: "degF", Source: site.Source{Document: "site setting"}},
		Trust: trust, Cause: "over_temperature"}
}

// tale is one message to be read.
type tale struct {
	name string
	zone string
	e    event.Event
}

func limitEvent(kind event.Kind, v *event.Value, x *event.Excursion, trust event.Trust) event.Event {
	return event.Event{Kind: kind, Priority: site.MediumPriority, Panel: "b2", Point: v.Point, Alarm: "b2.oxygen-high", Value: v, Limit: oxygenLimit(), Excursion: x, Trust: trust}
}

// tales are the messages a person has read: every kind, and the cases in which words go wrong.
func tales() []tale {
	var all []tale
	add := func(name string, e event.Event, change ...func(*event.Event)) {
		e.ID, e.At = event.ID{Boot: "7c1e0a55", Seq: 88121}, night
		for _, f := range change {
			f(&e)
		}
		all = append(all, tale{name, "Europe/London", e})
	}
	zone := func(z string) { all[len(all)-1].zone = z }
	why := func(r reading.Reason) event.Trust {
		t := flowing("open")
		t.Reason = r.String()
		return t
	}

	young := excursion(true)
	young.Start, young.PeakAt, young.Beyond, young.Within, young.UnknownTime = onlyWall(ago(5*time.Minute)), onlyWall(ago(time.Minute)), 5*time.Minute, 0, 0
	young.Peak = 33
	add("alarm.raised-plain", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open")))
	twice := *young
	twice.Start, twice.PeakAt = onlyWall(at("2026-10-25T00:40:12Z", 0)), onlyWall(at("2026-10-25T01:10:00Z", 0))
	add("alarm.raised-dst-night", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), &twice, flowing("open")), func(e *event.Event) { e.At = at("2026-10-25T01:14:07Z", 5*time.Hour) })
	ceiling := *young
	ceiling.Peak, ceiling.PeakBound = 500, ">"
	add("alarm.raised-ceiling", limitEvent(event.AlarmRaised, oxygen(500, ">", reading.AboveCeiling), &ceiling, flowing("open")))
	add("alarm.raised-flow-unproven", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.FlowUnproven), young, event.Trust{Valve: "not_confirmed", Reason: reading.FlowUnproven.String()}))
	add("alarm.raised-clock-not-set", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.TimeUncertain), young, flowing("open")), func(e *event.Event) {
		e.At = at("1970-01-01T00:10:00Z", 10*time.Minute)
		x := *young
		x.Start, x.PeakAt = onlyWall(at("1970-01-01T00:05:00Z", 0)), onlyWall(at("1970-01-01T00:09:00Z", 0))
		e.Excursion, e.Value.At = &x, at("1970-01-01T00:09:59Z", 599*time.Second)
	})
	add("alarm.raised-title-60", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open")), func(e *event.Event) {
		e.Panel, e.Point, e.Alarm = "b3", "b3.probe.oxygen", "b3.oxygen-high"
	})
	add("alarm.raised-action-400", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open")), func(e *event.Event) {
		e.Limit.Action = action400
	})
	add("alarm.raised-sulfite-low", limitEvent(event.AlarmRaised, &event.Value{Point: "b2.rack.sulfite", Value: 18, Unit: "ppm", Bound: "=", Quality: "good", Reason: "believed", At: ago(time.Second)}, nil, flowing("open")), func(e *event.Event) {
		e.Point, e.Alarm, e.Limit.Side, e.Limit.Written, e.Limit.Unit, e.Limit.Basis, e.Limit.Action = "b2.rack.sulfite", "b2.sulfite-low", "low", 20, "ppm", "SO3", ""
	})
	add("alarm.raised-oxygen-floor", limitEvent(event.AlarmRaised, oxygen(0.2, "<", reading.BelowDetection), nil, flowing("from flow")), func(e *event.Event) {
		e.Limit.Side, e.Limit.Written, e.Limit.Source = "low", 0.5, site.Source{}
	})
	add("alarm.raised-ph", limitEvent(event.AlarmRaised, &event.Value{Point: "b2.rack.ph", Value: 10.12, Unit: "pH", Decimals: 2, Bound: "=", Quality: "good", Reason: "believed", At: ago(time.Second)}, nil, flowing("open")), func(e *event.Event) {
		e.Point, e.Alarm, e.Limit.Written, e.Limit.Unit = "b2.rack.ph", "b2.ph-high", 9.6, "pH"
	})
	add("alarm.raised-pressure", limitEvent(event.AlarmRaised, &event.Value{Point: "b2.rack.pressure", Value: 6.4, Unit: "bar(g)", Decimals: 1, Bound: "=", Quality: "good", Reason: "believed", At: ago(time.Second)}, nil, flowing("open")), func(e *event.Event) {
		e.Point, e.Alarm, e.Limit.Written, e.Limit.Unit = "b2.rack.pressure", "b2.pressure-high", 6, "bar(g)"
	})
	add("alarm.raised-silenced", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open")), func(e *event.Event) {
		e.Trust.Silenced = "sensor check by J. Marsh until 03:00 GMT on 25 October"
	})
	add("alarm.raised-test", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open")), func(e *event.Event) { e.Test = true })

	add("alarm.raised-advice", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.CrossCheck), young, flowing("open")), func(e *event.Event) {
		e.Advice = []string{
			"sulfite of 12.0 ppm stands beside oxygen of 31.4 ppb in one stream",
			"to use up this oxygen takes 0.157 mg/L of sulfite as SO3 or 0.247 mg/L as Na2SO3; 12.0 mg/L are there",
			"deaerator 103.1 degC at 0.20 bar gauge, air 1013 hPa absolute: water boils there at 105.1 degC, so it is 2.0 K below saturation",
			"a gauge wrong by 0.02 bar moves this by 0.5 K to either side",
			"does oxygen fall when the sample flow is raised? Then suspect an air leak in the line (common practice)",
			"does an ampoule test of the same sample agree?",
			"these are questions, not orders: the plant's chemist, the boiler maker's instructions and local codes decide"}
	})
	add("alarm.raised-deaerator", limitEvent(event.AlarmRaised, &event.Value{Point: "b2.below-saturation", Value: 2.04, Unit: "K(diff)", Decimals: 1, Bound: "=", Quality: "good", Reason: "believed", At: ago(2 * time.Second)}, nil, flowing("open")), func(e *event.Event) {
		e.Point, e.Alarm, e.Limit.Written, e.Limit.Unit, e.Limit.Action = "b2.below-saturation", "b2.deaerator-cold", 1, "K(diff)", "compare steam supply and vent with the deaerator maker's instructions"
		e.Advice = []string{"deaerator 103.1 degC at 0.20 bar gauge, air 1013 hPa absolute: water boils there at 105.1 degC, so it is 2.0 K below saturation"}
	})
	add("alarm.raised-blowdown", limitEvent(event.AlarmRaised, &event.Value{Point: "b2.blowdown-of-steam", Value: 9.13, Unit: "%", Decimals: 2, Bound: "=", Quality: "good", Reason: "believed", At: ago(25 * time.Hour)}, nil, flowing("open")), func(e *event.Event) {
		e.Point, e.Alarm, e.Limit.Written, e.Limit.Unit, e.Limit.Action = "b2.blowdown-of-steam", "b2.blowdown-high", 8, "%", "ask the water chemist before the blowdown is changed"
	})

	over := excursion(false)
	raised := func(e *event.Event) { e.Raised = "7c1e0a55-88102" }
	add("alarm.returned-plain", limitEvent(event.AlarmReturned, oxygen(12.1, "=", reading.Believed), over, flowing("open")), raised, func(e *event.Event) { e.Who = "J. Marsh" })
	long := *over
	long.Suspended, long.LengthUnknown, long.PeakBound, long.Peak = 3*time.Hour, true, ">", 500
	add("alarm.returned-suspended-and-away", limitEvent(event.AlarmReturned, oxygen(0.2, "<", reading.BelowDetection), &long, flowing("open")), raised)
	short := *over
	short.Beyond, short.Within, short.UnknownTime, short.IntegralLow, short.Integral = 70*time.Second, 8*time.Second, 0, false, 0.27
	add("alarm.returned-short", limitEvent(event.AlarmReturned, oxygen(12.1, "=", reading.Believed), &short, flowing("open")), raised)
	blip := short
	blip.Beyond, blip.Within, blip.Integral = 7*time.Second, 5*time.Minute, 0.027
	add("alarm.returned-blip", limitEvent(event.AlarmReturned, oxygen(12.1, "=", reading.Believed), &blip, flowing("open")), raised)
	add("alarm.returned-now-not-believed", limitEvent(event.AlarmReturned, oxygen(0, "=", reading.Silent), over, why(reading.NoFlow)), raised)
	add("alarm.acknowledged-plain", limitEvent(event.AlarmAcknowledged, oxygen(31.4, "=", reading.Believed), excursion(true), flowing("open")), raised, func(e *event.Event) {
		e.Who, e.Why = "J. Marsh", "going to look at the deaerator"
	})
	add("alarm.acknowledged-exactly-at-limit", limitEvent(event.AlarmAcknowledged, oxygen(20, "=", reading.Believed), excursion(true), flowing("open")), raised, func(e *event.Event) { e.Who = "J. Marsh" })
	add("alarm.acknowledged-not-representative", limitEvent(event.AlarmAcknowledged, oxygen(31.4, "=", reading.NoFlow), excursion(true), why(reading.NoFlow)), raised, func(e *event.Event) {
		e.Who, e.Trust.Flow = "the shift leader of the boiler house on nights", 0
	})
	add("alarm.acknowledged-already-over", limitEvent(event.AlarmAcknowledged, oxygen(12.1, "=", reading.Believed), nil, flowing("open")), raised, func(e *event.Event) { e.Who = "J. Marsh" })
	add("alarm.acknowledged-hot-sample", hotEvent(event.AlarmAcknowledged, 61.2), raised, func(e *event.Event) { e.Who, e.Alarm = "J. Marsh", "b2.sample-hot" })
	add("alarm.limit_removed-plain", event.Event{Kind: event.LimitRemoved, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.oxygen-high", Cause: "limit removed"})

	warm := hotEvent(event.SampleWarm, 41.2)
	warm.Priority, warm.Limit.Name, warm.Limit.Value, warm.Limit.Written, warm.Limit.Unit, warm.Trust.Reason, warm.Alarm = site.MediumPriority, "warn_above", 40, 40, "degC", "", "b2.sample-warm"
	warm.Value, warm.Count = celsius(41.2, reading.Believed), 0
	add("sample.warm-plain", warm)
	hot := hotEvent(event.SampleHot, 61.2)
	hot.Alarm = "b2.sample-hot"
	add("sample.hot-limit-in-degF", hot)
	hot.Value = fahrenheit(0, reading.Silent)
	hot.Trust.TempKnown = false
	add("sample.hot-temperature-gone", hot)
	cool := hotEvent(event.SampleHotOver, 31.2)
	cool.Trust, cool.Lasted, cool.Highest, cool.Alarm, cool.Who = flowing("open"), 27*time.Minute+20*time.Second, 147, "b2.sample-hot", "J. Marsh"
	cool.Count = 0
	add("sample.hot_over-plain", cool, raised)
	lost := hotEvent(event.TemperatureLost, 0)
	lost.Value, lost.Alarm, lost.Cause = fahrenheit(0, reading.FaultRange), "b2.temperature-lost", "temperature_lost"
	lost.Trust.TempKnown, lost.Trust.Reason = false, ""
	lost.LastGood, lost.Count = fahrenheit(31.4, reading.Believed), 0 // the chemistry is judged still
	lost.LastGood.At = ago(11 * time.Second)
	add("temperature.lost-plain", lost)
	seenCool := lost.LastGood
	lost.Trust.Reason, lost.Count, lost.LastGood = reading.HotSample.String(), 4, fahrenheit(61.2, reading.Believed)
	lost.LastGood.At = seenCool.At
	add("temperature.lost-after-hot", lost)
	lost.Trust.Reason, lost.Count = "", 0
	lost.LastGood = nil
	add("temperature.lost-never-seen", lost)
	back := hotEvent(event.TemperatureBack, 30.9)
	back.Count = 0
	back.Trust, back.Lasted, back.Alarm, back.Cause = flowing("open"), 4*time.Minute+11*time.Second, "b2.temperature-lost", ""
	back.Trust.Temp = 30.9
	add("temperature.back-plain", back, raised)
	closed := hotEvent(event.ValveClosedSeen, 55.3)
	closed.Priority, closed.Cause = site.MediumPriority, "by panel"
	closed.Trust = event.Trust{FlowKnown: true, Flow: 0, TempKnown: true, Temp: 55.3, TempUnit: "degC", Valve: "closed", Reason: reading.ValveClosed.String(), ValveByWhom: "by panel"}
	add("valve.closed-by-panel", closed)
	closed.Cause = "not known"
	closed.Value = fahrenheit(30.2, reading.Believed)
	closed.Trust.Temp = 30.2
	add("valve.closed-not-known", closed)
	closed.Cause, closed.Trust.Valve = "by hand", "from flow"
	add("valve.closed-by-hand", closed)
	opened := hotEvent(event.ValveOpenedSeen, 30.2)
	opened.Priority, opened.Cause = site.MediumPriority, ""
	opened.Trust.Reason, opened.Trust.FlushedML, opened.Trust.OwedML = reading.Flushing.String(), 12, 1864
	add("valve.opened-flushing", opened)
	failed := hotEvent(event.ValveFailedToClose, 61.2)
	failed.Priority, failed.Alarm = site.TopPriority, "b2.valve-failed-to-close"
	add("valve.failed_to_close-open", failed)
	leak := failed
	leak.Trust.Valve, leak.Trust.Flow, leak.Cause = "closed", 35, "leak"
	add("valve.failed_to_close-leak", leak)
	mended := hotEvent(event.ValveNoLongerFailed, 52.8)
	mended.Priority, mended.Alarm, mended.Lasted, mended.Highest, mended.Cause = site.TopPriority, "b2.valve-failed-to-close", 95*time.Second, 144.3, ""
	mended.Trust.Valve, mended.Trust.Flow = "closed", 0
	add("valve.no_longer_failed-plain", mended, raised)
	unsure := hotEvent(event.ValveNotConfirmed, 30.2)
	unsure.Priority, unsure.Alarm, unsure.Cause = site.MediumPriority, "b2.valve-not-confirmed", ""
	unsure.Trust.Valve, unsure.Trust.Reason = "not_confirmed", reading.NotConfirmed.String()
	add("valve.not_confirmed-cool", unsure)
	unsure.Priority, unsure.Value, unsure.Trust.Temp = site.TopPriority, fahrenheit(61.2, reading.Believed), 61.2
	add("valve.not_confirmed-hot", unsure)
	dry := hotEvent(event.OpenNoFlow, 24)
	dry.Priority, dry.Alarm, dry.Trust.Flow, dry.Trust.Reason, dry.Cause = site.MediumPriority, "b2.open-no-flow", 0, reading.NoFlow.String(), ""
	add("sample.open_no_flow-plain", dry)
	dry.Kind, dry.Trust, dry.Lasted = event.FlowBack, flowing("open"), 100*time.Minute
	dry.Trust.Reason, dry.Trust.FlushedML = reading.Flushing.String(), 40
	add("sample.flow_back-plain", dry, raised)

	all = append(all, drivenTales()...)
	all = append(all, statesTales()...)
	all = append(all, againTales()...)

	fed := event.Event{Kind: event.OnLineNotKnown, Priority: site.MediumPriority, Panel: "b2", Point: "b2.rack.feed_on", Cause: "off line", Why: reading.RefusedRead.String()}
	add("boiler.on_line_not_known-off", fed)
	fed.Cause = "on line"
	add("boiler.on_line_not_known-on", fed)

	bus := event.Event{Kind: event.BusLost, Priority: site.HighPriority, Bus: "panel-net", Cause: reading.Refused.String(), Count: 2}
	add("bus.lost-plain", bus)
	bus.Kind, bus.Cause, bus.Priority, bus.Count = event.BusBack, "", site.MediumPriority, 0
	add("bus.back-length-not-known", bus)
	bus.Lasted = 3 * time.Minute
	add("bus.back-plain", bus)
	silent := event.Event{Kind: event.StationSilent, Priority: site.HighPriority, Bus: "panel-net", Station: 1, Panel: "b2", Point: "b2.rack", Cause: reading.TargetSilent.String()}
	add("station.silent-gateway-lives", silent)
	silent.Cause = reading.Timeout.String()
	add("station.silent-timeout", silent)
	silent.Point, silent.Panel, silent.Station = "b3.probe", "b3", 7
	add("station.silent-no-interlock", silent)
	silent.Kind, silent.Point, silent.Cause, silent.Panel, silent.Station = event.StationBack, "b2.rack", "", "b2", 1
	silent.Priority, silent.Lasted = site.MediumPriority, 3*time.Minute
	add("station.back-plain", silent)
	silent.Kind, silent.Cause, silent.Priority, silent.Lasted = event.StationSilent, reading.OutOfStep.String(), site.HighPriority, 0
	add("station.silent-out-of-step", silent)
	bus.Kind, bus.Priority, bus.Cause, bus.Count, bus.Lasted = event.BusLost, site.HighPriority, reading.AnotherMaster.String(), 2, 0
	add("bus.lost-another-master", bus)
	bus.Cause = reading.Unplugged.String()
	add("bus.lost-unplugged", bus)
	bus.Cause = reading.TLSRefused.String()
	add("bus.lost-certificate", bus)
	joined := event.Event{Kind: event.SensorJoined, Priority: site.LowPriority, Bus: "panel-net", Station: 7, Panel: "b3", Point: "b3.probe"}
	add("sensor.joined-plain", joined)
	joined.Kind, joined.Priority, joined.Was, joined.Is = event.SensorExchanged, site.MediumPriority, "A-0417", "B-0032"
	add("sensor.exchanged-plain", joined)
	joined.Panel, joined.Point, joined.Station = "b2", "b2.rack", 1
	add("sensor.exchanged-guarding", joined)

	add("logbook.readings_dropped-plain", event.Event{Kind: event.ReadingsDropped, Priority: site.MediumPriority, Count: 5500})
	add("logbook.failing-disk-full", event.Event{Kind: event.CommitFailing, Priority: site.HighPriority, Cause: "commit seq 12: write /var/lib/rillwatch/logbook.db: no space left on device"})
	add("logbook.failing-unknown", event.Event{Kind: event.CommitFailing, Priority: site.HighPriority, Cause: "commit seq 12: page 4 already freed"})
	add("logbook.back-plain", event.Event{Kind: event.CommitBack, Priority: site.MediumPriority, Lasted: 42 * time.Minute})
	add("daemon.state_lost-panel", event.Event{Kind: event.StateLost, Priority: site.HighPriority, Panel: "b2", Cause: `judge state of panel "b2": invalid character 'x'`})
	add("daemon.state_lost-site", event.Event{Kind: event.StateLost, Priority: site.HighPriority, Cause: `judge state: unexpected EOF`})
	add("drill-plain", event.Event{Kind: event.DrillTold, Priority: site.HighPriority, Panel: "b2", Who: "J. Marsh", Why: "monthly drill"})
	add("drill-site-in-new-york", event.Event{Kind: event.DrillTold, Priority: site.HighPriority, Test: true})
	zone("America/New_York")
	add("alarm.raised-zone-without-name", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open")))
	zone("America/Sao_Paulo")
	lineTales(add)
	measuredTales(add)
	return all
}

// action400 is a first action of exactly 400 characters.
const action400 = "take an ampoule test at the cooled sample after five minutes of running water and write the result and the time on the sheet at the panel; if it agrees within five micrograms per litre, compare the deaerator's temperature with saturation at its own pressure, look at the vent plume and at the level control, and ring the shift chemist before you change a dose; if it does not agree, call the service."
