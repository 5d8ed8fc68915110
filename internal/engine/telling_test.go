package engine_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const tellingPlant = `[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.east]
link = "tcp://127.0.0.1:502"
[map.rack.point]
oxygen = { holding = 40001, type = "float32", quantity = "dissolved-oxygen", unit = "ppb", floor = 0.2, ceiling = 100 }
temperature = { holding = 40200, type = "int16", scale = 0.1, unit = "degC" }
flow = { input = 30005, type = "uint16", unit = "mL/min" }
valve_closed = { discrete = 10001 }
feed_on = { discrete = 10002 }
[panel.b1]
title = "Boiler 1 feedwater"
sensor.rack = { map = "rack", bus = "east", station = 1 }
line = { length_m = 1, bore_mm = 4, coil_mL = 1, cell_mL = 1, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed" }
on_line = "rack.feed_on"
[panel.b2]
title = "Boiler 2 feedwater"
sensor.rack = { map = "rack", bus = "east", station = 2 }
line = { length_m = 1, bore_mm = 4, coil_mL = 1, cell_mL = 1, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed" }
[panel.b1.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ppb"
on_delay = "5s"
off_delay = "5s"
source = { document = "x", edition = "1", band = "all", tap = "unknown" }
[panel.b1.limit.oxygen-higher]
point = "rack.oxygen"
high = "30 ppb"
on_delay = "5s"
off_delay = "5s"
source = { document = "x", edition = "1", band = "all", tap = "unknown" }
[panel.b1.limit.oxygen-highest]
point = "rack.oxygen"
high = "50 ppb"
on_delay = "3s"
off_delay = "10s"
source = { document = "x", edition = "1", band = "all", tap = "unknown" }
[panel.b2.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ppb"
on_delay = "5s"
off_delay = "5s"
source = { document = "x", edition = "1", band = "all", tap = "unknown" }
[logbook]
dir = "/var/lib/rillwatch"
`

// kept is what the test itself remembers of an alarm.
type kept struct {
	active bool   // the condition holds, by the events on record
	told   bool   // people were told that it stands, and not that it ended
	open   string // the open record
	held   int    // steps for which it has been active, unsilenced and untold with nothing that speaks for it

	moved, since time.Duration // by the process's clock: when it last rose or returned, and for how long that is
}

// ends are the kinds with which an alarm is over.
var ends = map[event.Kind]bool{event.AlarmReturned: true, event.SampleWarmOver: true, event.SampleHotOver: true, event.TemperatureBack: true, event.ValveNoLongerFailed: true,
	event.ValveConfirmed: true, event.FlowBack: true, event.SampleRisingOver: true, event.CoolerApproachOver: true, event.OneTemperatureBack: true, event.OrderTaken: true,
	event.FlowInside: true, event.TemperatureMoves: true, event.ProtectionBack: true, event.CheckOverBack: true, event.LimitRemoved: true}

// begins are the kinds with which an alarm is raised.
var begins = map[event.Kind]bool{event.AlarmRaised: true, event.SampleWarm: true, event.SampleHot: true, event.TemperatureLost: true, event.ValveFailedToClose: true,
	event.ValveNotConfirmed: true, event.OpenNoFlow: true, event.SampleRising: true, event.CoolerApproach: true, event.OneTemperatureLost: true, event.CannotClose: true,
	event.FlowOutside: true, event.TemperatureFrozen: true, event.ProtectionBlind: true, event.CheckOver: true}

// TestNoSilenceLosesACondition walks at random through hot samples, closed valves, silent stations, dead gateways, checks, starts and steps of
// the clock while people shelve, take out, put back and acknowledge, and holds after every input:
//
//   - on record an alarm begins and ends in turn, and so does its excursion;
//   - nobody is told of an end who was not told of a beginning, and nothing is told twice;
//   - what stands is told, or is silenced by name, or is unsteady and that was told, or something that stands and is told speaks for it;
//   - what must not be silenced is not silenced by being unsteady either, once it has stood for two minutes on end;
//   - what is told as returned was seen within its limit in that step.
func TestNoSilenceLosesACondition(t *testing.T) {
	const seed, moves = 4, 220
	walks := 6
	if os.Getenv("RILLWATCH_SOAK") == "1" {
		walks = 60
	}
	s := parse(t, tellingPlant)
	counts := map[string]int{}
	for walk := range walks {
		r := rand.New(rand.NewPCG(seed, uint64(walk)))
		w := &walker{t: t, s: s, name: fmt.Sprintf("seed %d, walk %d", seed, walk), alarms: map[string]*kept{}, counts: counts, troubles: map[string]bool{}}
		w.st = &story{t: t, s: s, values: map[string]string{}, certain: true, watch: w.look}
		w.do("start 2026-11-25T02:00:00Z")
		w.do("60s: oxygen=12 rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0 rack.feed_on=1")
		for range moves {
			w.do(w.next(r))
		}
	}
	t.Logf("figure: telling: seed %d, %d walks of %d moves: %v", seed, walks, moves, counts)
	for _, name := range []string{"told", "quiet shelved", "quiet out_of_service", "quiet behind", "quiet unsteady", "quiet untold", "quiet together", "again shelf_over", "again in_service",
		"again unsuppressed", "again cause_over", "again stands", "unsteady", "steady", "starts"} {
		if counts[name] < 3 {
			t.Errorf("the walks show nothing of %q: %d", name, counts[name])
		}
	}
}

type walker struct {
	t        *testing.T
	s        *site.Site
	st       *story
	name     string
	log      []string
	alarms   map[string]*kept
	troubles map[string]bool // buses and stations told not to answer
	counts   map[string]int
	begun    bool // the process has stepped
}

func (w *walker) fail(format string, args ...any) {
	w.t.Helper()
	w.t.Fatalf("%s: %s\nafter\n%s", w.name, fmt.Sprintf(format, args...), strings.Join(w.log[max(0, len(w.log)-25):], "\n"))
}

func (w *walker) do(line string) {
	w.log = append(w.log, line)
	if err := w.st.line(line); err != nil {
		w.fail("%v", err)
	}
}

// next is a move: a minute or less of the plant, or what a person does.
func (w *walker) next(r *rand.Rand) string {
	pick := func(s ...string) string { return s[r.IntN(len(s))] }
	names := []string{"b1.oxygen-high", "b1.oxygen-higher", "b1.oxygen-highest", "b2.oxygen-high", "b1.sample-warm", "b1.temperature-lost", "b2.open-no-flow"}
	alarm := func() string { return names[r.IntN(len(names))] }
	poll := func(text string) string { return fmt.Sprintf("%ds: %s", 3+r.IntN(50), text) }
	whole := " rack.temperature=25 rack.flow=200 rack.valve_closed=0 rack.feed_on=1"
	all := func(v string) string {
		return "rack.oxygen=" + v + " rack.temperature=" + v + " rack.flow=" + v + " rack.valve_closed=" + v + " rack.feed_on=" + v
	}
	switch r.IntN(24) {
	case 0, 1, 2, 3:
		return poll("rack.oxygen=" + pick("12", "25", "35", "60", "100") + whole)
	case 4, 5:
		return poll("rack.oxygen=" + pick("12", "25", "60") + whole)
	case 6:
		return poll("rack.oxygen=" + pick("silent", "refused", "nan"))
	case 7:
		return poll("rack.temperature=" + pick("45", "55", "55", "refused"))
	case 8:
		return fmt.Sprintf("%ds: rack.temperature=55", 130+r.IntN(60))
	case 9:
		return poll("rack.valve_closed=1 rack.flow=0")
	case 10:
		return poll(all("silent"))
	case 11:
		return poll(all("down"))
	case 12:
		return poll("rack.feed_on=0 rack.flow=0")
	case 13, 14:
		return "ack " + alarm() + " by Ann"
	case 15, 16:
		return fmt.Sprintf("shelve %s for %dm by Kim", alarm(), 1+r.IntN(6))
	case 17:
		return "unshelve " + alarm() + " by Kim"
	case 18:
		return "takeout " + alarm() + " by Kim"
	case 19, 20:
		return "putback " + alarm() + " by Kim"
	case 21:
		if r.IntN(3) > 0 {
			return "clock steps " + pick("-2h", "10m", "3h")
		}
		w.counts["starts"]++
		w.begun = false
		return pick("restart 30s", "restart 5m", "restart unknown")
	case 22:
		if r.IntN(4) > 0 {
			return poll("rack.oxygen=" + pick("12", "25"))
		}
		return fmt.Sprintf("%ds: rack.oxygen=%s"+whole, 1900+r.IntN(400), pick("12", "35"))
	}
	return "gap " + pick("5s", "40s")
}

// look holds the rules after one input.
func (w *walker) look(o engine.Outcome) {
	for i := range o.Events {
		w.take(&o.Events[i])
	}
	for _, x := range o.Records {
		a := w.of(x.Alarm)
		switch {
		case x.Open && a.open != "" && a.open != x.ID:
			w.fail("%s: record %s opened while %s is", x.Alarm, x.ID, a.open)
		case !x.Open && a.open != x.ID:
			w.fail("%s: record %s closed while %q is open", x.Alarm, x.ID, a.open)
		}
		a.open = map[bool]string{true: x.ID}[x.Open]
	}
	v := w.st.e.View()
	byName := map[string]*engine.AlarmView{}
	for _, p := range v.Panels {
		for i := range p.Alarms {
			byName[p.Alarms[i].Name] = &p.Alarms[i]
		}
	}
	if len(o.Readings) > 0 {
		w.begun = true
	}
	for name, a := range byName {
		k := w.of(name)
		if k.since = o.At.Up - k.moved; k.since < 0 { // of another process
			k.moved, k.since = o.At.Up, 0
		}
		if a.Active != k.active {
			w.fail("%s: active %v, on record %v", name, a.Active, k.active)
		}
		if a.Told != k.told {
			w.fail("%s: told %v, by the messages %v (%+v)", name, a.Told, k.told, a)
		}
		if k.held++; w.accounted(byName, a, 0) || !w.begun {
			k.held = 0
		}
		if k.held > 30 { // half a minute of rounds and ticks at two a second: what spoke for it is over, and ten seconds are its own
			w.fail("%s stands and nobody knows: %+v", name, a)
		}
	}
}

// accounted tells whether an alarm is normal, told, silenced by name, unsteady, or spoken for by something that is itself accounted for.
func (w *walker) accounted(all map[string]*engine.AlarmView, a *engine.AlarmView, depth int) bool {
	switch {
	case !a.Active || a.Told:
		return true
	case a.Unsteady: // an alarm that must speak is told again when it has stood for so long
		return !a.MustSpeak || w.of(a.Name).since <= alarm.UnsteadyStands
	case a.State == "shelved":
		return a.Shelf.On
	case a.State == "out_of_service":
		return a.Out.On
	case a.State == "suppressed":
		return a.Suppress != ""
	case a.Quiet != event.QuietBehind || depth > 5:
		return false
	}
	if by, ok := all[a.Behind]; ok {
		return by.Active && by.State != "shelved" && by.State != "suppressed" && by.State != "out_of_service" && w.accounted(all, by, depth+1)
	}
	return w.troubles[a.Behind]
}

func (w *walker) of(alarm string) *kept {
	if w.alarms[alarm] == nil {
		w.alarms[alarm] = &kept{}
	}
	return w.alarms[alarm]
}

// take notes an event, and holds what an event alone can break.
func (w *walker) take(e *event.Event) {
	told := e.Told()
	if told && e.Alarm != "" {
		w.counts["told"]++
	}
	if e.Quiet != "" {
		w.counts["quiet "+e.Quiet]++
	}
	if e.Again != "" {
		w.counts["again "+e.Again]++
	}
	station := fmt.Sprintf("station %s/%d", e.Bus, e.Station)
	switch e.Kind {
	case event.BusLost:
		w.troubles["bus "+e.Bus] = true
	case event.BusBack:
		delete(w.troubles, "bus "+e.Bus)
	case event.StationSilent:
		w.troubles[station] = true
	case event.StationBack:
		delete(w.troubles, station)
	case event.AlarmUnsteady:
		w.counts["unsteady"]++
		if a := w.of(e.Alarm); told && !a.told {
			w.fail("%s is told as unsteady, and nobody was told that it stood", e.Alarm)
		} else if told {
			a.told = false
		}
	case event.AlarmSteady:
		w.counts["steady"]++
	case event.AlarmAcknowledged: // it says that the alarm stands and was seen
		if a := w.of(e.Alarm); a.active {
			a.told = true
		}
	}
	if e.Alarm == "" || !begins[e.Kind] && !ends[e.Kind] {
		return
	}
	a := w.of(e.Alarm)
	if e.Again == "" {
		a.moved = e.At.Up
	}
	switch {
	case begins[e.Kind] && e.Again == "":
		if a.active {
			w.fail("%s begins twice", e.Alarm)
		}
		a.active = true
		if told {
			a.told = true
		}
	case begins[e.Kind]:
		if !a.active {
			w.fail("%s is told anew and does not stand", e.Alarm)
		}
		a.told = a.told || told
	default:
		if !a.active {
			w.fail("%s ends twice", e.Alarm)
		}
		if told && !a.told {
			w.fail("%s: people are told that it ended, and had not been told that it stood", e.Alarm)
		}
		if e.Kind == event.AlarmReturned {
			why, _ := reading.ParseReason(e.Value.Reason)
			if !why.Row().Counts || e.Value.Value > e.Limit.Written {
				w.fail("%s returned on %+v", e.Alarm, e.Value)
			}
		}
		a.active = false
		if e.Quiet != event.QuietUnsteady || !a.told { // the third return of three is told as unsteady right after
			a.told = false
		}
	}
}

// TestAConditionThatStandsWithoutAWordIsFound: a rule that finds nothing proves nothing.
func TestAConditionThatStandsWithoutAWordIsFound(t *testing.T) {
	w := &walker{troubles: map[string]bool{"bus east": true}, alarms: map[string]*kept{"j": {since: 3 * time.Minute}, "k": {since: time.Minute}, "l": {since: time.Hour}}}
	all := map[string]*engine.AlarmView{
		"a": {Active: true, State: "unacknowledged", Told: true},
		"b": {Active: true, State: "unacknowledged", Quiet: event.QuietBehind, Behind: "a"},
		"c": {Active: true, State: "unacknowledged", Quiet: event.QuietBehind, Behind: "d"},
		"d": {Active: true, State: "shelved", Shelf: engine.SilenceView{On: true}},
		"e": {Active: true, State: "unacknowledged"},
		"f": {Active: true, State: "unacknowledged", Quiet: event.QuietBehind, Behind: "bus east"},
		"g": {Active: true, State: "unacknowledged", Quiet: event.QuietBehind, Behind: "bus west"},
		"h": {Active: true, State: "suppressed"},
		"i": {Active: true, State: "suppressed", Suppress: "valve.closed"},
		"j": {Name: "j", Active: true, State: "unacknowledged", Unsteady: true, MustSpeak: true},
		"k": {Name: "k", Active: true, State: "unacknowledged", Unsteady: true, MustSpeak: true},
		"l": {Name: "l", Active: true, State: "unacknowledged", Unsteady: true},
	}
	for name, want := range map[string]bool{"a": true, "b": true, "c": false, "d": true, "e": false, "f": true, "g": false, "h": false, "i": true, "j": false, "k": true, "l": true} {
		if got := w.accounted(all, all[name], 0); got != want {
			t.Errorf("%s: accounted for %v, want %v", name, got, want)
		}
	}
}
