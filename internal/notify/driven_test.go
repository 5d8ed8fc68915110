package notify

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// drivenTales are the messages of a panel whose valve rillwatch may ask to close, and of what is watched beside the first temperature.
func drivenTales() []tale {
	var all []tale
	add := func(name string, e event.Event) {
		e.ID, e.At = event.ID{Boot: "7c1e0a55", Seq: 88121}, night
		all = append(all, tale{name, "Europe/London", e})
	}
	held := func(kind event.Kind, temp float64, request, cause string) event.Event {
		e := hotEvent(kind, temp)
		e.Trust.Request, e.Trust.HeldCause = request, cause
		return e
	}

	hot := held(event.SampleHot, 61.2, "asked", "over_temperature")
	hot.Alarm = "b2.sample-hot"
	add("sample.hot-driven", hot)
	lost := held(event.TemperatureLost, 0, "taken", "temperature_lost")
	lost.Value, lost.Alarm, lost.Cause, lost.Trust.TempKnown = fahrenheit(0, reading.Silent), "b2.temperature-lost", "temperature_lost", false
	lost.Trust.Reason = reading.NotConfirmed.String()
	lost.LastGood = fahrenheit(31.4, reading.Believed)
	lost.LastGood.At = ago(11 * time.Second)
	add("temperature.lost-driven", lost)
	closed := held(event.ValveClosedSeen, 55.3, "taken", "over_temperature")
	closed.Priority, closed.Cause, closed.Trust.Valve, closed.Trust.Flow, closed.Trust.Reason = site.MediumPriority, "by panel", "closed", 0, reading.ValveClosed.String()
	add("valve.closed-as-asked", closed)

	closed.Trust.Request = "failing"
	add("valve.closed-request-not-confirmed", closed)
	closed.Trust.Request = "suspended"
	closed.Trust.OverrideBy, closed.Trust.OverrideWhy, closed.Trust.OverrideUntil, closed.Trust.OverrideLeft = "J. Marsh", "the cooler is being flushed", night.Wall+reading.Wall(40*time.Minute), 40*time.Minute
	add("valve.closed-overridden", closed)
	opened := held(event.ValveOpenedSeen, 25.3, "taken", "over_temperature")
	opened.Priority, opened.Cause, opened.Count, opened.Trust.Reason = site.MediumPriority, "not known", 0, reading.NotConfirmed.String()
	add("valve.opened-held", opened)
	flows := held(event.FlowBack, 25.3, "taken", "over_temperature")
	flows.Priority, flows.Cause, flows.Trust.Reason, flows.Lasted = site.MediumPriority, "", reading.NotConfirmed.String(), 25*time.Minute
	add("sample.flow_back-held", flows)
	failed := held(event.ValveFailedToClose, 25.3, "taken", "found_closed")
	failed.Priority, failed.Cause, failed.Alarm, failed.Trust.Reason = site.TopPriority, "found_closed", "b2.valve-failed-to-close", reading.NotConfirmed.String()
	add("valve.failed_to_close-found-closed", failed)
	unsure := held(event.ValveNotConfirmed, 0, "taken", "temperature_lost")
	unsure.Priority, unsure.Cause, unsure.Alarm, unsure.Value, unsure.Trust.TempKnown = site.TopPriority, "", "b2.valve-not-confirmed", fahrenheit(0, reading.Silent), false
	unsure.Trust.Valve, unsure.Trust.Reason = "not confirmed", reading.NotConfirmed.String()
	add("valve.not_confirmed-temperature-lost", unsure)

	again := held(event.AskedAgain, 55.3, "asked", "over_temperature")
	again.Cause = "over_temperature"
	add("valve.asked_again-after-a-re-arming", again)
	again.Trust.Request = "suspended"
	again.Trust.OverrideBy, again.Trust.OverrideWhy, again.Trust.OverrideUntil, again.Trust.OverrideLeft = "J. Marsh", "the cooler is being flushed", night.Wall+reading.Wall(40*time.Minute), 40*time.Minute
	add("valve.asked_again-overridden", again)
	again = held(event.AskedAgain, 0, "asked", "over_temperature")
	again.Cause, again.Value, again.Trust.TempKnown, again.Trust.FlowKnown, again.Trust.Valve, again.Trust.Reason = "drive back", fahrenheit(0, reading.Unknown), false, false, "not confirmed", reading.NotConfirmed.String()
	add("valve.asked_again-drive-back", again)
	again.Cause = "absence"
	add("valve.asked_again-after-an-absence", again)
	dropped := held(event.RequestDropped, 0, "", "over_temperature")
	dropped.Cause, dropped.Value, dropped.Limit, dropped.Trust, dropped.Count = "drive removed", nil, nil, event.Trust{HeldCause: "over_temperature"}, 0
	add("valve.no_longer_asked-drive-removed", dropped)
	dropped.Cause, dropped.Trust.HeldCause = "panel removed", "temperature_lost"
	add("valve.no_longer_asked-panel-removed", dropped)

	found := held(event.FoundClosed, 24.1, "asked", "found_closed")
	found.Cause, found.Trust.Valve, found.Trust.Flow, found.Trust.Reason = "found_closed", "closed", 0, reading.ValveClosed.String()
	add("valve.found_closed-plain", found)

	cannot := held(event.CannotClose, 61.2, "failing", "over_temperature")
	cannot.Priority, cannot.Alarm, cannot.Cause = site.TopPriority, "b2.valve-cannot-close", reading.AnotherMaster.String()
	add("valve.cannot_close-another-master", cannot)
	cannot.Cause = reading.Refused.String()
	add("valve.cannot_close-link-down", cannot)
	cannot.Cause, cannot.Trust.Valve, cannot.Trust.Flow = "read_back_differs", "closed", 0
	add("valve.cannot_close-read-back-differs", cannot)
	cannot.Cause, cannot.Value, cannot.Trust.TempKnown, cannot.Trust.HeldCause = reading.NotAsked.String(), fahrenheit(0, reading.Silent), false, "temperature_lost"
	add("valve.cannot_close-no-word", cannot)
	cannot.Cause = reading.Listening.String()
	add("valve.cannot_close-listened-to", cannot)
	taken := held(event.OrderTaken, 58.8, "taken", "over_temperature")
	taken.Priority, taken.Alarm, taken.Lasted, taken.Cause, taken.Raised = site.TopPriority, "b2.valve-cannot-close", 42*time.Second, "", "7c1e0a55-88102"
	add("valve.order_taken-plain", taken)
	taken.Trust.Request = "suspended"
	taken.Trust.OverrideBy, taken.Trust.OverrideWhy, taken.Trust.OverrideUntil, taken.Trust.OverrideLeft = "J. Marsh", "the cooler is being flushed", night.Wall+reading.Wall(40*time.Minute), 40*time.Minute
	add("valve.order_taken-overridden", taken)

	rearmed := held(event.Rearmed, 24.6, "none", "")
	rearmed.Who, rearmed.Why, rearmed.Cause, rearmed.Trust.Valve, rearmed.Trust.Flow, rearmed.Trust.Reason = "J. Marsh", "cooling water seen running, strainer cleaned", "", "closed", 0, reading.ValveClosed.String()
	add("valve.rearmed-plain", rearmed)

	over := held(event.OverrideStarted, 31.2, "suspended", "over_temperature")
	over.Who, over.Why, over.Cause, over.Trust.Reason, over.Count = "J. Marsh", "block calibrator on the sensor", "", "", 0
	over.Trust.OverrideBy, over.Trust.OverrideWhy, over.Trust.OverrideUntil, over.Trust.OverrideLeft = over.Who, over.Why, night.Wall+reading.Wall(time.Hour), time.Hour
	add("override.started-plain", over)
	ended := held(event.OverrideEnded, 31.2, "asked", "over_temperature")
	ended.Who, ended.Cause, ended.Trust.Reason, ended.Count = "J. Marsh", "time", "", 0
	add("override.ended-time", ended)
	ended.Cause, ended.Trust.Request, ended.Trust.HeldCause = "restart", "none", ""
	ended.Value, ended.Trust.TempKnown = fahrenheit(0, reading.Unknown), false
	add("override.ended-restart", ended)
	ended.Cause, ended.Trust.Request = "drive removed", ""
	add("override.ended-drive-removed", ended)
	ended.Cause, ended.Value, ended.Limit, ended.Trust = "panel removed", nil, nil, event.Trust{}
	add("override.ended-panel-removed", ended)

	raised := limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), nil, flowing("open"))
	raised.Trust.OverrideBy, raised.Trust.OverrideWhy, raised.Trust.OverrideUntil, raised.Trust.OverrideLeft = "J. Marsh", "block calibrator on the sensor", night.Wall+reading.Wall(time.Hour), time.Hour
	add("alarm.raised-overridden", raised)

	rising := hotEvent(event.SampleRising, 33.4)
	rising.Priority, rising.Alarm, rising.Cause, rising.Count, rising.Trust.Reason, rising.Rate = site.MediumPriority, "b2.sample-rising", "", 0, "", 9.2
	rising.Limit = &event.LimitValue{Name: "rise_per_min", Side: "high", Value: 2, Written: 3.6, Unit: "degF", Source: site.Source{Document: "site setting"}}
	add("sample.rising-plain", rising)
	apart := hotEvent(event.CoolerApproach, 33.4)
	apart.Priority, apart.Alarm, apart.Cause, apart.Count, apart.Trust.Reason = site.MediumPriority, "b2.cooler-approach", "", 0, ""
	apart.Beside = fahrenheit(18.1, reading.Believed)
	apart.Limit = &event.LimitValue{Name: "approach_above", Side: "high", Value: 8, Written: 14.4, Unit: "degF", Source: site.Source{Document: "site setting"}}
	add("sample.far_from_cooling_water-plain", apart)
	one := hotEvent(event.OneTemperatureLost, 0)
	one.Priority, one.Alarm, one.Cause, one.Count, one.Trust.Reason = site.MediumPriority, "b2.one-temperature-lost", "", 0, ""
	one.Trust.Temp = 26.4 // of the other one
	one.Value, one.LastGood = fahrenheit(0, reading.NoValue), fahrenheit(26.1, reading.Believed)
	one.LastGood.At = ago(11 * time.Second)
	add("temperature.one_lost-plain", one)
	return all
}
