package notify

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// statesTales are the messages about silenced, unsteady and changed alarms, and what one message says for others.
func statesTales() []tale {
	var all []tale
	add := func(name string, e event.Event) {
		e.ID, e.At = event.ID{Boot: "7c1e0a55", Seq: 88121}, night
		all = append(all, tale{name, "Europe/London", e})
	}
	young := excursion(true)
	young.Start, young.PeakAt, young.Beyond, young.Within, young.UnknownTime = onlyWall(ago(70*time.Minute)), onlyWall(ago(9*time.Minute)), 60*time.Minute, 0, 10*time.Minute
	young.Peak = 33
	anew := limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open"))
	for _, again := range []string{event.AgainShelfOver, event.AgainInService, event.AgainUnsuppress, event.AgainCauseOver, event.AgainUnsteady} {
		anew.Again = again
		add("alarm.raised-anew-"+strings.ReplaceAll(again, "_", "-"), anew)
	}
	steep := *young
	steep.Start, steep.Beyond, steep.UnknownTime, steep.Peak, steep.PeakAt = onlyWall(ago(4*time.Minute)), 4*time.Minute, 0, 61.4, onlyWall(ago(0))
	worst := limitEvent(event.AlarmRaised, oxygen(61.4, "=", reading.Believed), &steep, flowing("open"))
	worst.Held = 2
	add("alarm.raised-worst-of-three", worst)
	silenced := limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open"))
	silenced.Trust.Silences = []event.Silence{
		{Alarm: "b2.ph-low", State: event.QuietOutOfService, Who: "J. Marsh", Why: "electrode ordered, work order 4711", Since: ago(50 * time.Hour).Wall},
		{Alarm: "b2.sulfite-low", State: event.QuietShelved, Who: "A. Reed", Why: "reagent comes at six", Until: night.Wall + reading.Wall(3*time.Hour), Left: 3 * time.Hour},
	}
	add("alarm.raised-others-silenced", silenced)
	complete := *excursion(false)
	complete.IntegralLow, complete.UpperKnown, complete.IntegralUpper, complete.Valid, complete.ValidKnown, complete.LongestGap = false, true, 18.2, 0.9429, true, 4*time.Minute
	complete.Ended = "returned"
	complete.Links = []event.Link{{What: event.LinkOffLine, From: at("2026-10-25T01:12:00Z", 0).Wall, To: at("2026-10-25T01:20:00Z", 0).Wall},
		{What: event.LinkCheck, Who: "A. Reed", From: at("2026-10-25T02:01:00Z", 0).Wall}}
	complete.MoreLinks, complete.Suspended = 1, 8*time.Minute
	add("alarm.returned-complete", limitEvent(event.AlarmReturned, oxygen(12.1, "=", reading.Believed), &complete, flowing("open")))

	over := limitEvent(event.AlarmUnshelved, oxygen(12.1, "=", reading.Believed), nil, flowing("open"))
	over.Who, over.Why, over.Cause = "A. Reed", "sensor is being exchanged", "time"
	add("alarm.shelf_over-time", over)
	over.Cause, over.Is, over.Value = "restart", "in alarm", oxygen(0, "=", reading.NoFlow)
	over.Trust.Reason, over.Trust.Flow = reading.NoFlow.String(), 0
	over.Excursion, over.Behind = young, event.QuietSuppressed
	add("alarm.shelf_over-restart-in-alarm", over)
	over.Cause, over.Value, over.Trust, over.Behind = "time", oxygen(31.4, "=", reading.Believed), flowing("open"), "b2.oxygen-very-high"
	add("alarm.shelf_over-behind-a-worse-limit", over)
	out := limitEvent(event.AlarmOutOfService, oxygen(31.4, "=", reading.Believed), nil, flowing("open"))
	out.Priority, out.Who, out.Why, out.Is = site.LowPriority, "A. Reed", "sensor sent to the maker", "in alarm"
	out.Trust.Silences = []event.Silence{{Alarm: "b2.oxygen-high", State: event.QuietOutOfService, Who: "A. Reed", Why: "sensor sent to the maker", Since: night.Wall}}
	add("alarm.out_of_service-in-alarm", out)
	quick := *excursion(false)
	quick.PeakAt = onlyWall(ago(40 * time.Second))
	swings := limitEvent(event.AlarmUnsteady, oxygen(17.9, "=", reading.Believed), &quick, flowing("open"))
	swings.Count = 3
	add("alarm.unsteady-oxygen", swings)
	hot := hotEvent(event.AlarmUnsteady, 47)
	hot.Alarm, hot.Count, hot.Is, hot.Cause = "b2.sample-hot", 3, "stands", ""
	add("alarm.unsteady-hot", hot)
	calm := limitEvent(event.AlarmSteady, oxygen(12.1, "=", reading.Believed), nil, flowing("open"))
	calm.Count, calm.Cause = 17, "rest"
	add("alarm.steady-rest", calm)
	calm.Is, calm.Value, calm.Excursion, calm.Behind = "in alarm", oxygen(31.4, "=", reading.Believed), young, "b2.oxygen-very-high"
	add("alarm.steady-rest-in-alarm", calm)
	calm.Cause, calm.Behind = "restart", "station panel-net/3"
	add("alarm.steady-restart", calm)

	old := *excursion(false)
	old.End, old.LengthUnknown, old.Ended = reading.Stamp{}, true, "limit_changed"
	changed := limitEvent(event.LimitChanged, nil0(), &old, event.Trust{})
	changed.Limit.Value, changed.Limit.Written, changed.Is = 30, 30, "in alarm"
	changed.Value = nil
	add("alarm.limit_changed-carries-on", changed)
	owned := changed
	asWritten := *changed.Limit
	asWritten.Value, asWritten.Written, asWritten.Source.Edition = old.Limit.Value, old.Limit.Written, "rev 4, clause 4.1"
	owned.Limit = &asWritten
	add("alarm.limit_changed-owner", owned)
	add("alarm.limit_removed-changed", event.Event{Kind: event.LimitRemoved, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.oxygen-high", Cause: "limit changed"})
	milder := limitEvent(event.AlarmReturned, oxygen(17.1, "=", reading.Believed), &complete, flowing("open"))
	milder.Passed = &event.LimitValue{Name: "oxygen-raised", Side: site.High.String(), Value: 15, Written: 15, Unit: "ppb"}
	add("alarm.returned-milder-stands", milder)
	within := limitEvent(event.LimitChanged, oxygen(28.2, "=", reading.Believed), nil, flowing("open"))
	within.Limit.Value, within.Limit.Written = 30, 30
	add("alarm.limit_changed-within", within)

	bus := event.Event{Kind: event.BusLost, Priority: site.HighPriority, Bus: "panel-net", Cause: reading.Refused.String(), Count: 2, Readings: 9, Held: 2, Unseen: []string{"b2"}}
	add("bus.lost-alarms-held", bus)
	return all
}

func nil0() *event.Value { return oxygen(0, "=", reading.Unknown) }

// TestWhatIsQuietCallsNobody: one trouble is one message, however many events are on record.
func TestWhatIsQuietCallsNobody(t *testing.T) {
	s := larkfield(t, "UTC")
	for _, why := range []string{event.QuietShelved, event.QuietSuppressed, event.QuietOutOfService, event.QuietBehind, event.QuietUnsteady, event.QuietUntold, event.QuietTogether, event.QuietAsked, event.QuietChanged} {
		e := limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), excursion(true), flowing("open"))
		if len(Rows(s, &e)) == 0 {
			t.Fatal("a raised alarm calls nobody")
		}
		e.Quiet = why
		if rows := Rows(s, &e); len(rows) != 0 {
			t.Errorf("%s: %d messages", why, len(rows))
		}
	}
}

// TestEveryReasonToTellAnewHasItsWords: a name without words would look like a new alarm.
func TestEveryReasonToTellAnewHasItsWords(t *testing.T) {
	for again := range againWords {
		e := limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), excursion(true), flowing("open"))
		e.Again = again
		m := compose(larkfield(t, "UTC"), &e)
		if !strings.Contains(m.headline, "still: ") || !strings.HasPrefix(m.text, "Told anew: ") {
			t.Errorf("%s: %s\n%s", again, m.headline, m.text)
		}
	}
	for _, again := range []string{event.AgainShelfOver, event.AgainInService, event.AgainUnsuppress, event.AgainCauseOver, event.AgainUnsteady, event.AgainStarted, event.AgainStandsStill} {
		if againWords[again] == "" {
			t.Errorf("no words for %s", again)
		}
	}
}
