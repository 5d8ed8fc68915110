package notify

import (
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// usualReminders are the defaults of the configuration.
var usualReminders = [...]time.Duration{15 * time.Minute, 15 * time.Minute, time.Hour, 0}

// againTales are the messages about what stands, told at a site that sends reminders.
func againTales() []tale {
	var all []tale
	add := func(name string, e event.Event, change ...func(*event.Event)) {
		e.ID, e.At = event.ID{Boot: "7c1e0a55", Seq: 88140}, night
		for _, f := range change {
			f(&e)
		}
		all = append(all, tale{name, "Europe/London", e})
	}
	raised := func(e *event.Event) { e.Raised = "7c1e0a55-88102" }

	young := excursion(true)
	young.Start, young.PeakAt, young.Beyond, young.Within, young.UnknownTime, young.Peak = onlyWall(ago(5*time.Minute)), onlyWall(ago(time.Minute)), 5*time.Minute, 0, 0, 33
	add("alarm.raised-reminders-follow", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open")))
	failed := hotEvent(event.ValveFailedToClose, 61.2)
	failed.Priority, failed.Alarm = site.TopPriority, "b2.valve-failed-to-close"
	add("valve.failed_to_close-reminders-follow", failed)
	add("alarm.raised-not-durable", limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), young, flowing("open")), func(e *event.Event) { e.Volatile = true })

	add("alarm.reminder-plain", limitEvent(event.AlarmReminder, oxygen(31.4, "=", reading.Believed), excursion(true), flowing("open")), raised, func(e *event.Event) { e.Nth = 2 })
	add("alarm.reminder-no-flow", limitEvent(event.AlarmReminder, oxygen(31.4, "=", reading.NoFlow), excursion(true), flowing("open")), raised, func(e *event.Event) {
		e.Nth, e.Trust.Flow, e.Trust.Reason = 1, 0, reading.NoFlow.String()
	})
	add("alarm.reminder-within-now", limitEvent(event.AlarmReminder, oxygen(17.2, "=", reading.Believed), excursion(true), flowing("open")), raised, func(e *event.Event) { e.Nth = 3 })
	hot := hotEvent(event.AlarmReminder, 61.2)
	hot.Alarm, hot.Nth, hot.Lasted = "b2.sample-hot", 1, 15*time.Minute
	add("alarm.reminder-hot-sample", hot, raised)
	lost := hotEvent(event.AlarmReminder, 0)
	lost.Value, lost.Alarm, lost.Nth, lost.Lasted, lost.Cause = fahrenheit(0, reading.FaultRange), "b2.temperature-lost", 1, 15*time.Minute, ""
	lost.Trust.TempKnown, lost.Trust.Reason = false, ""
	add("alarm.reminder-temperature-lost", lost, raised)
	failed.Kind, failed.Nth, failed.Lasted = event.AlarmReminder, 4, time.Hour
	add("alarm.reminder-failed-to-close", failed, raised)
	outside := event.Event{Kind: event.AlarmReminder, Priority: site.MediumPriority, Panel: "b2", Point: "b2.rack.flow", Alarm: "b2.flow-outside", Nth: 1, Trust: flowing("open"),
		Value: &event.Value{Point: "b2.rack.flow", Value: 62, Unit: "mL/min", Bound: "=", Quality: "good", Reason: "believed", At: ago(time.Second)},
		Limit: &event.LimitValue{Name: "flow_low", Side: "low", Value: 100, Written: 100, Unit: "mL/min"}}
	add("alarm.reminder-flow-outside", outside, raised)
	check := event.Event{Kind: event.AlarmReminder, Priority: site.MediumPriority, Panel: "b2", Point: "b2.rack", Alarm: "b2.check-in-hand-rack", Nth: 1, Trust: flowing("open"), Who: "J. Marsh", Was: "zero check"}
	add("alarm.reminder-check-over", check, raised)

	worse := *excursion(true)
	worse.Peak, worse.PeakAt = 120, onlyWall(ago(time.Second))
	add("alarm.worse-after-acknowledgement", limitEvent(event.AlarmWorse, oxygen(120, "=", reading.Jumped), &worse, flowing("open")), raised, func(e *event.Event) { e.Who = "J. Marsh" })
	above := worse
	above.Peak, above.PeakBound = 500, ">"
	add("alarm.worse-above-ceiling", limitEvent(event.AlarmWorse, oxygen(500, ">", reading.AboveCeiling), &above, flowing("open")), raised)
	hot.Kind, hot.Nth = event.AlarmWorse, 0
	hot.Value = fahrenheit(78.3, reading.Believed)
	hot.Trust.Temp = 78.3
	add("alarm.worse-hot-sample", hot, raised)

	add("alarm.suspended-one", event.Event{Kind: event.AlarmSuspended, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.oxygen-high", Count: 1})
	add("alarm.suspended-said", event.Event{Kind: event.AlarmSuspended, Priority: site.MediumPriority, Panel: "b2", Count: 3, Who: "J. Marsh"})
	add("alarm.resumed-one", event.Event{Kind: event.AlarmResumed, Priority: site.MediumPriority, Panel: "b2", Alarm: "b2.oxygen-high", Count: 1})
	add("alarm.resumed-three", event.Event{Kind: event.AlarmResumed, Priority: site.MediumPriority, Panel: "b2", Count: 3})

	add("daemon.started-after-an-hour", event.Event{Kind: event.Started, Priority: site.LowPriority, Lasted: 61 * time.Minute, Cause: "3f2a9c41d07e"})
	add("daemon.started-not-known", event.Event{Kind: event.Started, Priority: site.LowPriority, Cause: "3f2a9c41d07e"})
	add("daemon.stopped-plain", event.Event{Kind: event.Stopped, Priority: site.LowPriority})
	add("daemon.config_changed-plain", event.Event{Kind: event.ConfigChanged, Priority: site.LowPriority, Cause: "9b71d2c0aa10 to 3f2a9c41d07e"})
	add("drill-one-recipient", event.Event{Kind: event.DrillTold, Priority: site.HighPriority, Who: "J. Marsh", Why: "first of the month", To: "on-call", Count: 1, Test: true, Cause: "cli-1"})
	return all
}

// reminded tells whether a tale is told at a site that sends reminders.
func reminded(name string) bool {
	return slices.ContainsFunc(againTales(), func(c tale) bool { return c.name == name })
}

// reminding is Larkfield with the usual reminders.
func reminding(tb testing.TB, zone string) *site.Site {
	s := larkfield(tb, zone)
	s.Messages.Reminders = usualReminders
	return s
}

// nightly is Larkfield with somebody who sleeps.
func nightly(tb testing.TB) *site.Site {
	s := reminding(tb, "Europe/London")
	s.Recipients[1].Quiet = site.QuietHours{Configured: true, From: 22 * time.Hour, To: 6 * time.Hour, Least: site.LowPriority}
	s.Recipients[1].Heartbeat = time.Minute
	return s
}

// items are messages as they wait.
func items(s *site.Site, events ...event.Event) []Item {
	var all []Item
	for i := range events {
		e := events[i]
		all = append(all, Item{Key: uint64(i + 1), ID: e.ID.String(), Body: body(s, &e), Created: e.At.Wall})
	}
	return all
}

// lateNight is a night's messages: an alarm that stands, one that is over, a connection.
func lateNight(n int) []event.Event {
	var all []event.Event
	add := func(e event.Event, before time.Duration, priority site.Priority, alarm string) {
		e.At, e.Priority, e.Alarm = ago(before), priority, alarm
		e.ID = event.ID{Boot: "7c1e0a55", Seq: uint64(88000 + len(all))}
		all = append(all, e)
	}
	x := excursion(true)
	add(limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), x, flowing("open")), 3*time.Hour, site.MediumPriority, "b2.oxygen-high")
	bus := event.Event{Kind: event.BusLost, Bus: "panel-net", Cause: reading.Refused.String(), Count: 2}
	add(bus, 2*time.Hour, site.HighPriority, "")
	add(limitEvent(event.AlarmReturned, oxygen(12.1, "=", reading.Believed), excursion(false), flowing("open")), 90*time.Minute, site.MediumPriority, "b2.oxygen-high")
	hot := hotEvent(event.SampleHot, 61.2)
	hot.Trust.Silenced = "sensor rack is out, in the hand of J. Marsh"
	add(hot, 40*time.Minute, site.HighPriority, "b2.sample-hot")
	for len(all) < n {
		add(event.Event{Kind: event.StationBack, Bus: "panel-net", Station: 7, Panel: "b3", Point: "b3.probe"}, time.Duration(n-len(all))*time.Minute, site.MediumPriority, "")
	}
	return all
}

// TestEveryMessageThatNoEventMakesHasBeenRead holds summaries and heartbeats to their goldens.
func TestEveryMessageThatNoEventMakesHasBeenRead(t *testing.T) {
	s := nightly(t)
	last := ago(26 * time.Minute)
	fromItem := func(it Item) message {
		m := decoded(t, it.Body)
		return message{headline: m.Data.Headline, text: m.Data.Text}
	}
	lost := func(panel, alarm string, kind event.Kind) event.Event {
		e := hotEvent(kind, 0)
		e.Panel, e.Alarm, e.Value, e.Root, e.At, e.ID = panel, alarm, fahrenheit(0, reading.Silent), "7c1e0a55-88000", ago(8*time.Second), event.ID{Boot: "7c1e0a55", Seq: 88003}
		return e
	}
	full := Beat{Boot: "7c1e0a55", Nth: 1234, At: night, Committed: 90211, Points: 9, Without: 1, Oldest: 4 * time.Second, OldestPoint: "b2.rack.oxygen", Alarms: 2, Unseen: 1, Shelved: 1, Suppressed: 3, Overridden: 1, InHand: 1, ClockCertain: true}
	young := Beat{Boot: "7c1e0a55", Nth: 1, At: at("1970-01-01T00:00:20Z", 20*time.Second), Points: 9, Without: 9}
	low := []event.Event{lateNight(3)[0], lateNight(3)[2]}
	low[0].Priority, low[1].Priority = site.LowPriority, site.LowPriority
	for name, m := range map[string]message{
		"summary-late":        fromItem(summaryOf(s, &s.Recipients[0], items(s, lateNight(4)...), byDelay)),
		"summary-late-many":   fromItem(summaryOf(s, &s.Recipients[0], items(s, lateNight(40)...), byDelay)),
		"summary-flood":       fromItem(summaryOf(s, &s.Recipients[0], items(s, lateNight(14)[4:]...), byFlood)),
		"summary-quiet-hours": fromItem(summaryOf(s, &s.Recipients[1], items(s, low...), byQuiet)),
		"summary-one-cause":   fromItem(summaryOf(s, &s.Recipients[0], items(s, lost("b2", "b2.temperature-lost", event.TemperatureLost), lost("b2", "b2.valve-not-confirmed", event.ValveNotConfirmed)), byCause)),
		"summary-unreadable":  fromItem(summaryOf(s, &s.Recipients[0], []Item{{ID: "7c1e0a55-1", Body: []byte("{"), Created: night.Wall}, items(s, lateNight(1)...)[0]}, byDelay)),
		"heartbeat-plain":     beatWords(s, &full, &last, &s.Recipients[1]),
		"heartbeat-first":     beatWords(s, &young, nil, &s.Recipients[1]),
	} {
		got := m.headline + "\n\n" + m.text + "\n"
		file := filepath.Join("testdata", "made", name+".txt")
		if flag.Lookup("update").Value.String() == "true" {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		read, err := os.ReadFile(file)
		if err != nil {
			t.Error(err)
			continue
		}
		if string(read) != got {
			t.Errorf("%s reads\n%s\nbut this was read by a person\n%s", name, got, read)
		}
		e := event.Event{Kind: event.AlarmReturned} // nothing that only an event must hold
		for _, w := range lint(&e, m) {
			if strings.HasPrefix(name, "heartbeat") && strings.HasPrefix(w, "the priority is not first") {
				continue // it is told from an alarm by its first word
			}
			t.Errorf("%s: %s", name, w)
		}
		if strings.HasPrefix(name, "summary") && !(strings.Contains(m.text, "not open the grab valve") && strings.Contains(m.text, "First action:")) {
			t.Errorf("%s: the hands are not warned off, or nothing is to be done", name)
		}
		if strings.HasPrefix(name, "heartbeat") != strings.HasPrefix(m.headline, "Heartbeat ") {
			t.Errorf("%s begins %q", name, m.headline)
		}
	}
}
