package engine_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const twoPanels = `
[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.east]
link = "tcp://127.0.0.1:502"
direct = true
[bus.west]
link = "tcp://127.0.0.1:503"
direct = true
[map.rack.point]
oxygen = { holding = 40001, type = "float32", order = "CDAB", quantity = "dissolved-oxygen", unit = "ppb", floor = 0.2, ceiling = 500 }
temperature = { holding = 40003, type = "int16", scale = 0.1, unit = "degC" }
flow = { input = 30005, type = "uint16", unit = "mL/min" }
valve_closed = { discrete = 10001 }
[panel.b1]
title = "Boiler 1 feedwater"
sensor.rack = { map = "rack", bus = "east", station = 1 }
line = { length_m = 1, bore_mm = 4, coil_mL = 1, cell_mL = 1, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed" }
[panel.b1.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ppb"
on_delay = "3s"
source = { document = "Larkfield feedwater specification", edition = "rev 3", band = "20 to 40 bar", tap = "unknown" }
[panel.b2]
title = "Boiler 2 feedwater"
sensor.rack = { map = "rack", bus = "west", station = 1 }
line = { length_m = 1, bore_mm = 4, coil_mL = 1, cell_mL = 1, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed" }
[logbook]
dir = "/var/lib/rillwatch"
`

func parse(t testing.TB, text string) *site.Site {
	t.Helper()
	s, _, err := config.Parse("test.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

const upset = `start 2026-11-25T02:00:00Z
120s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0
30s: rack.oxygen=31
5s: rack.temperature=25..52
20s: rack.valve_closed=1 rack.flow=0`

func TestTheSameInputsGiveTheSameBytes(t *testing.T) {
	s := parse(t, twoPanels)
	first := tell(t, s, nil, upset)
	for range 3 {
		if again := tell(t, parse(t, twoPanels), nil, upset); again != first {
			t.Fatalf("the same inputs gave other bytes:\n%s", cmp.Diff(first, again))
		}
	}
	if !strings.Contains(first, "sample.hot") || !strings.Contains(first, "alarm.raised") {
		t.Fatalf("the story did not come about:\n%s", first)
	}
}

// run tells a story and keeps the engine.
func run(t *testing.T, s *site.Site, text string) *story {
	t.Helper()
	st := &story{t: t, s: s, values: map[string]string{}, certain: true}
	for _, l := range strings.Split(text, "\n") {
		if err := st.line(strings.TrimSpace(l)); err != nil {
			t.Fatalf("%q: %v", l, err)
		}
	}
	return st
}

func TestJudgeStateComesBackFieldByField(t *testing.T) {
	s := parse(t, twoPanels)
	st := run(t, s, upset)
	before := st.e.States()
	if len(before) != 3 {
		t.Fatalf("got %d state rows, want the site's and two panels'", len(before))
	}
	e := engine.New(s)
	at := reading.Stamp{Wall: st.now().Wall}
	e.Step(engine.Boot{Nonce: "00000009", At: at, WallCertain: true, Hash: s.Hash, States: before,
		Before: engine.Before{Nonce: "00000001", Last: st.now().Wall, WallCertain: true, Hash: s.Hash}})
	if changed := e.States(); len(changed) != 0 {
		t.Fatalf("%d rows differ after the boot: %s", len(changed), changed[0].Data)
	}
	// and not because nothing is kept: an open excursion, a held valve and an alarm stand in it
	all := fmt.Sprintf("%s", before)
	for _, want := range []string{`"excursion":{"active":true`, `"hot":true`, `"phase":"unacknowledged"`, `"raised":"00000001-`} {
		if !strings.Contains(all, want) {
			t.Errorf("the judge state holds no %s:\n%s", want, all)
		}
	}
}

func TestAStateRowThatCannotBeReadIsToldAndNotTakenForPeace(t *testing.T) {
	s := parse(t, twoPanels)
	e := engine.New(s)
	o := e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash, States: []engine.StateRow{{Name: "b1", Data: []byte(`{"line":3}`)}}})
	found := false
	for _, ev := range o.Events {
		found = found || ev.Kind.String() == "daemon.state_lost" && ev.Panel == "b1"
	}
	if !found {
		t.Errorf("nothing was told of the lost state: %v", o.Events)
	}
}

func TestABatchReplacesOnlyTheViewsOfItsPanels(t *testing.T) {
	s := parse(t, twoPanels)
	st := run(t, s, "start 2026-11-25T02:00:00Z\n3s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0")
	before := st.e.View()
	st.values["rack.oxygen"] = "13"
	st.pass(time.Second)
	st.slot++
	if err := st.round(1); err != nil { // west: panel b2
		t.Fatal(err)
	}
	after := st.e.View()
	if before.Panels[0] != after.Panels[0] {
		t.Error("the view of b1 was made anew by a batch of b2's bus")
	}
	if before.Panels[1] == after.Panels[1] {
		t.Error("the view of b2 was not replaced")
	}
	if v := before.Panels[1].Points[1].Reading.Value; v != 12 {
		t.Errorf("an old view changed under its reader: oxygen %v, want 12", v)
	}
}

// TestAViewNeverChangesUnderItsReader compares every view with a copy taken when it was given out.
func TestAViewNeverChangesUnderItsReader(t *testing.T) {
	s := parse(t, twoPanels)
	st := &story{t: t, s: s, values: map[string]string{}, certain: true}
	type held struct {
		view *engine.View
		copy []byte
	}
	dump := func(v *engine.View) []byte {
		c := *v
		c.Site = nil
		raw, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}
	var all []held
	for _, l := range strings.Split(upset, "\n") {
		if err := st.line(l); err != nil {
			t.Fatal(err)
		}
		v := st.e.View()
		all = append(all, held{v, dump(v)})
	}
	for i, h := range all {
		if now := dump(h.view); string(now) != string(h.copy) {
			t.Errorf("view %d changed after it was given out:\n%s", i, cmp.Diff(string(h.copy), string(now)))
		}
	}
}

// TestJudgeStateStaysSmall: the state of a panel is written with every commit that finds it changed.
func TestJudgeStateStaysSmall(t *testing.T) {
	var b strings.Builder
	b.WriteString(`[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.east]
link = "tcp://127.0.0.1:502"
direct = true
[map.rack.point]
temperature = { holding = 40200, type = "int16", scale = 0.1, unit = "degC" }
flow = { input = 30005, type = "uint16", unit = "mL/min" }
`)
	for i := range 28 {
		fmt.Fprintf(&b, "oxygen%d = { holding = %d, type = \"float32\", quantity = \"dissolved-oxygen\", unit = \"ppb\" }\n", i, 40001+2*i)
	}
	b.WriteString(`[panel.b1]
title = "Boiler 1 feedwater"
sensor.rack = { map = "rack", bus = "east", station = 1 }
line = { length_m = 1, bore_mm = 4, coil_mL = 1, cell_mL = 1, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF" }
[logbook]
dir = "/var/lib/rillwatch"
`)
	for i := range 6 {
		fmt.Fprintf(&b, "[panel.b1.limit.oxygen-high-%d]\npoint = \"rack.oxygen%d\"\nhigh = \"20 ppb\"\non_delay = \"3s\"\nsource = { document = \"x\", edition = \"1\", band = \"all\", tap = \"unknown\" }\n", i, i)
	}
	s := parse(t, b.String())
	text := "start 2026-11-25T02:00:00Z\n60s: rack.temperature=25 rack.flow=200"
	for i := range 28 {
		text += fmt.Sprintf(" rack.oxygen%d=31.7", i)
	}
	st := run(t, s, text)
	for _, r := range st.e.States() {
		t.Logf("state row %q: %d bytes", r.Name, len(r.Data))
		if len(r.Data) > 8192 {
			t.Errorf("state row %q: %d bytes with six excursions open", r.Name, len(r.Data))
		}
	}
}

func TestEveryVerbSurvivesItsTextForm(t *testing.T) {
	s := parse(t, twoPanels)
	dos := []engine.Do{
		engine.Acknowledge{Alarm: "b1.oxygen-high"},
		engine.Shelve{Alarm: "b1.oxygen-high", For: time.Hour},
		engine.OutOfService{Alarm: "b1.oxygen-high", Out: true},
		engine.CheckInHand{Sensor: "b1.rack", What: "daily check, in a standard", For: 20 * time.Minute},
		engine.SetOnLine{Panel: "b1", OnLine: true, For: 48 * time.Hour},
		engine.EnterValue{Point: "b1.rack.oxygen", Value: 6.3, Unit: "ug/L", Basis: "ampoule", Taken: 1764064800000000000},
		engine.LearnBaseline{Limit: "b1.oxygen-high"},
		engine.Override{Panel: "b1", For: time.Hour},
		engine.Rearm{Panel: "b1"},
		engine.ValveByHand{Panel: "b1"},
		engine.Drill{Recipient: "on-call"},
		engine.Prove{Point: "b1.rack.oxygen", Shown: -18.4, Step: 0.1, Tolerance: 1e-3},
	}
	e := engine.New(s)
	e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash})
	for i, do := range dos {
		in := engine.Command{ID: fmt.Sprintf("c %d", i), Who: "Kim \"K\" =x", Why: "line one\nline two", From: "api", At: reading.Stamp{Wall: 1764064800000000001, Up: time.Second}, Do: do}
		back, err := engine.ParseInputs(s, engine.TextVersion+"\n"+engine.FormatInput(s, in))
		if err != nil {
			t.Errorf("%T: %v", do, err)
			continue
		}
		if d := cmp.Diff([]engine.Input{in}, back); d != "" {
			t.Errorf("%T (-was +is):\n%s", do, d)
		}
		o := e.Step(in)
		if len(o.Replies) != 1 {
			t.Fatalf("%T: %d replies", do, len(o.Replies))
		}
		switch do.(type) {
		case engine.Acknowledge, engine.Shelve, engine.Unshelve, engine.OutOfService, engine.SetOnLine, engine.CheckInHand, engine.Override, engine.Rearm, engine.ValveByHand: // obeyed: their own stories say how
		case engine.LearnBaseline:
			if o.Replies[0].Refusal != engine.NothingToLearn { // b1.oxygen-high is a plain limit
				t.Errorf("%T: refusal %q, want %q", do, o.Replies[0].Refusal, engine.NothingToLearn)
			}
		case engine.Prove: // nothing has been read
			if o.Replies[0].Refusal != engine.NothingToCompare {
				t.Errorf("%T: refusal %q", do, o.Replies[0].Refusal)
			}
		case engine.EnterValue:
			if o.Replies[0].Refusal != engine.NoSuchPoint { // b1.rack.oxygen is measured
				t.Errorf("%T: refusal %q, want %q", do, o.Replies[0].Refusal, engine.NoSuchPoint)
			}
		case engine.Drill:
			if o.Replies[0].Refusal != engine.NoSuchRecipient { // this site has none
				t.Errorf("%T: refusal %q, want %q", do, o.Replies[0].Refusal, engine.NoSuchRecipient)
			}
		default:
			if o.Replies[0].Refusal != engine.VerbNotObeyed {
				t.Errorf("%T: refusal %q, want %q", do, o.Replies[0].Refusal, engine.VerbNotObeyed)
			}
		}
	}
	others := []engine.Input{
		engine.Delivered{Recipient: "on-call", Result: "delivered"},
		engine.ClockState{Certain: true, Stepped: -3 * time.Second},
		engine.OrderDone{OrderResult: reading.OrderResult{ID: 7, Panel: 1, Fault: reading.Answered, Known: true, ReadBack: 1}},
		engine.CommitFailed{Seq: 4, Why: "no space left on device", Dropped: 12},
		engine.Stop{},
	}
	for _, in := range others {
		switch d := in.(type) {
		case engine.Delivered:
			d.ID.Boot, d.ID.Seq = "4f2a91c0", 12
			in = d
		}
		back, err := engine.ParseInputs(s, engine.TextVersion+"\n"+engine.FormatInput(s, in))
		if err != nil {
			t.Errorf("%T: %v", in, err)
		} else if d := cmp.Diff([]engine.Input{in}, back, cmpopts.EquateEmpty()); d != "" {
			t.Errorf("%T (-was +is):\n%s", in, d)
		}
	}
}

func TestAReadThatDoesNotCoverAValueNeverBecomesANumber(t *testing.T) {
	s := parse(t, twoPanels)
	e := engine.New(s)
	e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash, WallCertain: true})
	at := reading.Stamp{Wall: 1, Up: time.Second}
	// only the first word of the oxygen value was asked: the point was not read, whatever the device answered
	e.Step(engine.Batch{Batch: reading.Batch{Bus: 0, Slot: 1, Last: true, At: at, Reads: []reading.Read{
		{Station: 1, Table: reading.Holding, Addr: 0, Count: 1, Words: []uint16{0x3333}, Fault: reading.Answered, Sent: at},
		{Station: 1, Table: reading.Holding, Addr: 0, Count: 2, Words: []uint16{0x3333}, Fault: reading.Answered, Sent: at}, // and one that is short
	}}})
	for _, p := range e.View().Panels[0].Points {
		if p.Reading.HasValue() {
			t.Errorf("%s has a value: %v", s.Points[p.Point].Path, p.Reading)
		}
	}
}

// restarted boots a story's state under another configuration and gives what is told at the start, and the engine.
func restarted(t *testing.T, st *story, text string) (engine.Outcome, *engine.Engine, *site.Site) {
	t.Helper()
	var rows []engine.StateRow
	for _, r := range st.e.States() {
		rows = put(rows, r)
	}
	s := parse(t, text)
	e := engine.New(s)
	o := e.Step(engine.Boot{Nonce: "00000009", At: reading.Stamp{Wall: st.now().Wall}, WallCertain: true, Hash: s.Hash, States: rows,
		Before: engine.Before{Nonce: "00000001", Last: st.now().Wall, WallCertain: true, Hash: st.s.Hash}})
	return o, e, s
}

// TestALimitOfSomethingElseEndsTheOldRecordAndInheritsNothing: what was seen under one definition says nothing under another, and its evidence is not
// rewritten in the units of the new one.
func TestALimitOfSomethingElseEndsTheOldRecordAndInheritsNothing(t *testing.T) {
	for name, change := range map[string][2]string{
		"unit": {`quantity = "dissolved-oxygen", unit = "ppb", floor = 0.2, ceiling = 500`, `quantity = "dissolved-oxygen", unit = "ppm"`},
		"gone": {"[panel.b1.limit.oxygen-high]", "[panel.b1.limit.oxygen-too-high]"},
	} {
		st := run(t, parse(t, twoPanels), upset)
		o, e, _ := restarted(t, st, strings.Replace(twoPanels, change[0], change[1], 1))
		var told []string
		for _, ev := range o.Events {
			if ev.Kind.String() == "alarm.limit_removed" {
				told = append(told, ev.Alarm)
				if ev.Raised != "00000001-4" || ev.Excursion == nil || ev.Excursion.Unit != "ppb" || ev.Excursion.Peak != 31 || ev.Limit.Written != 20 {
					t.Errorf("%s: %+v, excursion %+v", name, ev, ev.Excursion)
				}
			}
		}
		if d := cmp.Diff([]string{"b1.oxygen-high"}, told); d != "" {
			t.Errorf("%s: told as removed (-want +got):\n%s", name, d)
		}
		if len(o.Records) != 1 || o.Records[0].Open || o.Records[0].ID != "00000001-4" || !o.Records[0].LengthUnknown {
			t.Errorf("%s: records %+v", name, o.Records)
		}
		for _, a := range e.View().Panels[0].Alarms {
			if strings.HasPrefix(a.Name, "b1.oxygen") && (a.Active || a.State != "normal") {
				t.Errorf("%s: the new limit begins as %+v", name, a)
			}
		}
	}
	// the same definition in another spelling is the same limit
	st := run(t, parse(t, twoPanels), upset)
	if o, _, _ := restarted(t, st, strings.Replace(twoPanels, `high = "20 ppb"`, `high = 20`, 1)); len(o.Records) != 0 {
		t.Errorf("the same limit was ended: %+v", o.Events)
	}
}

// TestOffLineIsForgottenWithThePointThatSaidSo: off line silences chemistry, so nobody may be left off line by a signal that is no longer there.
func TestOffLineIsForgottenWithThePointThatSaidSo(t *testing.T) {
	fed := strings.Replace(strings.Replace(twoPanels, "valve_closed = { discrete = 10001 }", "valve_closed = { discrete = 10001 }\nfed = { discrete = 10002 }", 1),
		`title = "Boiler 1 feedwater"`, "title = \"Boiler 1 feedwater\"\non_line = \"rack.fed\"", 1)
	st := run(t, parse(t, fed), "start 2026-11-25T02:00:00Z\n5s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0 rack.fed=0")
	if v := st.e.View().Panels[0]; v.OnLine {
		t.Fatal("the story is not off line")
	}
	if _, e, _ := restarted(t, st, fed); e.View().Panels[0].OnLine {
		t.Error("a plain restart forgot that the boiler is off line")
	}
	if _, e, _ := restarted(t, st, strings.Replace(fed, "on_line = \"rack.fed\"\n", "", 1)); !e.View().Panels[0].OnLine {
		t.Error("off line for ever: the point that said so is gone")
	}
}

// TestTheHighestTemperatureIsInTheUnitOfTheEvent: 52 degC is 125.6 degF, not 52 degF.
func TestTheHighestTemperatureIsInTheUnitOfTheEvent(t *testing.T) {
	s := parse(t, twoPanels)
	st := run(t, s, upset)
	var over *engine.Outcome
	for _, v := range []string{"25", "25", "25", "25"} {
		st.values["rack.valve_closed"], st.values["rack.flow"], st.values["rack.temperature"] = "0", "200", v
		for range 10 {
			st.pass(time.Second)
			st.slot++
			at := st.now()
			b := reading.Batch{Bus: 0, Slot: st.slot, Last: true, At: at}
			for _, r := range []struct {
				table reading.Table
				addr  uint16
				words []uint16
			}{{reading.Holding, 0, []uint16{0, 0x41f8}}, {reading.Holding, 2, []uint16{250}}, {reading.Input, 4, []uint16{200}}, {reading.Discrete, 0, []uint16{0}}} {
				b.Reads = append(b.Reads, reading.Read{Station: 1, Table: r.table, Addr: r.addr, Count: uint16(len(r.words)), Words: r.words, Fault: reading.Answered, Sent: at})
			}
			o := st.e.Step(engine.Batch{Batch: b})
			for i := range o.Events {
				if o.Events[i].Kind.String() == "sample.hot_over" {
					over = &o
				}
			}
		}
	}
	if over == nil {
		t.Fatal("the sample never ceased to be hot")
	}
	for _, ev := range over.Events {
		if ev.Kind.String() == "sample.hot_over" && (ev.Value.Unit != "degF" || ev.Highest < 125.5 || ev.Highest > 125.7) {
			t.Errorf("highest %v %s, want 125.6 degF", ev.Highest, ev.Value.Unit)
		}
	}
}

// TestAReadTakenForAnotherSensorOfTheStationRunsNoDelay: two sensors of one station, one asked ten times as often, and its requests cover the
// other's register. The slow one's delays still count its own turns.
func TestAReadTakenForAnotherSensorOfTheStationRunsNoDelay(t *testing.T) {
	s := parse(t, `[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.east]
link = "tcp://127.0.0.1:502"
direct = true
[map.a]
numbering = "wire"
also_readable = ["holding 100-120"]
[map.a.point]
low = { holding = 100, type = "uint16", quantity = "number", unit = "number" }
high = { holding = 110, type = "uint16", quantity = "number", unit = "number" }
[map.b]
numbering = "wire"
[map.b.point]
kappa = { holding = 104, type = "uint16", scale = 0.01, quantity = "conductivity", unit = "uS/cm" }
[panel.b1]
title = "Boiler 1 feedwater"
sensor.fast = { map = "a", bus = "east", station = 1 }
sensor.slow = { map = "b", bus = "east", station = 1, period = "10s" }
[panel.b1.limit.kappa-high]
point = "slow.kappa"
high = "5 uS/cm"
on_delay = "60s"
source = { document = "x", edition = "1", band = "a", tap = "unknown" }
[logbook]
dir = "/var/lib/rillwatch"
`)
	e := engine.New(s)
	e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash, WallCertain: true})
	for slot := uint64(1); slot <= 100; slot++ {
		at := reading.Stamp{Wall: reading.Wall(slot), Up: time.Duration(slot) * time.Second}
		words := make([]uint16, 11)
		words[4] = 1250
		o := e.Step(engine.Batch{Batch: reading.Batch{Bus: 0, Slot: slot, Last: true, At: at, Reads: []reading.Read{
			{Station: 1, Table: reading.Holding, Addr: 100, Count: 11, Words: words, Fault: reading.Answered, Sent: at}}}})
		for _, ev := range o.Events {
			if ev.Kind.String() == "alarm.raised" {
				if slot < 60 || slot > 75 {
					t.Errorf("raised in slot %d, after an on-delay of 60 s", slot)
				}
				return
			}
		}
	}
	t.Error("never raised")
}

const siteSensors = `
[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.east]
link = "tcp://127.0.0.1:502"
direct = true
[bus.west]
link = "tcp://127.0.0.1:503"
direct = true
[map.plc]
numbering = "wire"
[map.plc.point]
kappa = { holding = 0, type = "uint16", scale = 0.01, quantity = "conductivity", unit = "uS/cm" }
temp = { holding = 1, type = "int16", scale = 0.1, unit = "degC" }
flow = { holding = 2, type = "uint16", unit = "mL/min" }
on = { discrete = 0 }
[map.rack.point]
oxygen = { holding = 40001, type = "uint16", scale = 0.1, quantity = "dissolved-oxygen", unit = "ppb" }
[site.sensor.plc]
map = "plc"
bus = "east"
station = 9
[panel.b2]
title = "Boiler 2 feedwater"
sensor.rack = { map = "rack", bus = "west", station = 1 }
line = { length_m = 1, bore_mm = 4, coil_mL = 1, cell_mL = 1, flow = "site.plc.flow" }
derive.rho = { resistivity_of = "site.plc.kappa" }
interlock = { temperature = "site.plc.temp", warn_above = "40 degC", close_above = "120 degF" }
on_line = "site.plc.on"
[panel.b2.limit.kappa-high]
point = "site.plc.kappa"
high = "5 uS/cm"
on_delay = "3s"
source = { document = "x", edition = "1", band = "a", tap = "unknown" }
[panel.b2.limit.rho-low]
point = "rho"
low = "0.1 MOhm.cm"
on_delay = "3s"
source = { document = "x", edition = "1", band = "a", tap = "unknown" }
[logbook]
dir = "/var/lib/rillwatch"
`

// TestPointsOfTheSiteAreJudgedWhereverAPanelUsesThem: a limit, an interlock, a line or a derived point over a sensor of the site, on another
// bus than the panel's own, is judged like any other and not passed over in silence.
func TestPointsOfTheSiteAreJudgedWhereverAPanelUsesThem(t *testing.T) {
	got := tell(t, parse(t, siteSensors), nil, `start 2026-11-25T02:00:00Z
120s: plc.kappa=4 plc.temp=25 plc.flow=200 plc.on=1 rack.oxygen=12
10s: plc.kappa=12.5
10s: plc.kappa=4 plc.temp=60`)
	for _, want := range []string{"b2.rack.oxygen 12.0 ppb good believed", "alarm=b2.kappa-high", "alarm=b2.rho-low", "boiler.on_line", "sample.warm", "sample.hot"} {
		if !strings.Contains(got, want) {
			t.Errorf("nothing is said of %q:\n%s", want, got)
		}
	}
	// at the fourth reading beyond: three slots of seen time
	if n := strings.Count(got, "alarm.raised at=2026-11-25T02:02:04Z"); n != 2 {
		t.Errorf("%d alarms raised at 02:02:04, want both limits:\n%s", n, got)
	}
}

func TestAPanelThatIsNoLongerConfiguredIsToldOnceAndItsAlarmsWithIt(t *testing.T) {
	st := run(t, parse(t, twoPanels), upset)
	rows := st.e.States()
	one := parse(t, strings.Replace(strings.ReplaceAll(twoPanels, "panel.b1", "panel.b3"), "Boiler 1", "Boiler 3", 1))
	told := func(rows []engine.StateRow) (names []string, out []engine.StateRow) {
		e := engine.New(one)
		o := e.Step(engine.Boot{Nonce: "00000009", Hash: one.Hash, States: rows, Before: engine.Before{Nonce: "00000001"}})
		for _, ev := range o.Events {
			if ev.Kind.String() == "alarm.limit_removed" {
				names = append(names, ev.Alarm)
			}
		}
		return names, e.States()
	}
	names, changed := told(rows)
	if d := cmp.Diff([]string{"b1.oxygen-high", "b1.sample-warm", "b1.sample-hot", "b1.sample-rising"}, names); d != "" {
		t.Errorf("told as removed (-want +got):\n%s", d)
	}
	for _, r := range changed {
		rows = put(rows, r)
	}
	if names, _ := told(rows); len(names) != 0 {
		t.Errorf("told again at the next start: %v", names)
	}
}

// TestWhatWasNotTriedSaysNothingOfTheLink: a station that is held back does not make a dead connection look alive.
func TestWhatWasNotTriedSaysNothingOfTheLink(t *testing.T) {
	s := parse(t, twoPanels)
	e := engine.New(s)
	e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash, WallCertain: true})
	var kinds []string
	for slot, f := range []reading.Fault{reading.Answered, reading.Refused, reading.HeldBack, reading.Refused, reading.HeldBack, reading.HeldBack, reading.Refused, reading.HeldBack} {
		at := reading.Stamp{Wall: 1, Up: time.Duration(slot+1) * time.Second}
		r := reading.Read{Station: 1, Table: reading.Input, Addr: 4, Count: 1, Fault: f, Sent: at}
		if f == reading.Answered {
			r.Words = []uint16{200}
		}
		o := e.Step(engine.Batch{Batch: reading.Batch{Bus: 0, Slot: uint64(slot), Last: true, At: at, Reads: []reading.Read{r}}})
		for _, ev := range o.Events {
			if strings.HasPrefix(ev.Kind.String(), "bus.") {
				kinds = append(kinds, fmt.Sprintf("%d%s", slot, ev.Kind))
			}
		}
	}
	if d := cmp.Diff([]string{"6bus.lost"}, kinds); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestQuantitiesOfThePointsAreKnown(t *testing.T) {
	s := parse(t, twoPanels)
	for i := range s.Points {
		if s.Points[i].Quantity == quantity.None {
			t.Errorf("%s has no quantity", s.Points[i].Path)
		}
	}
}

func FuzzParseInputs(f *testing.F) {
	s := parse(f, twoPanels)
	at := reading.Stamp{Wall: 1764064800000000000, Up: 1500 * time.Millisecond}
	for _, in := range []engine.Input{
		engine.Boot{Nonce: "4f2a91c0", At: at, Hash: "abc", States: []engine.StateRow{{Name: "b1", Data: []byte("{}")}}},
		engine.Tick{At: at},
		engine.Batch{Batch: reading.Batch{Bus: 1, Slot: 3, Last: true, At: at, Reads: []reading.Read{{Station: 1, Table: reading.Holding, Addr: 0, Count: 2, Words: []uint16{0x3333, 0x4193}, Fault: reading.Answered, Sent: at}}}},
		engine.Command{ID: "a b", Who: "Kim", Do: engine.Acknowledge{Alarm: "b1.oxygen-high"}, At: at},
		engine.Committed{Seq: 3, At: at},
	} {
		f.Add(engine.TextVersion + "\n" + engine.FormatInput(s, in))
	}
	f.Fuzz(func(t *testing.T, text string) {
		ins, err := engine.ParseInputs(s, text)
		if err != nil {
			return
		}
		// what was read can be written, and reads back as the same
		var b strings.Builder
		b.WriteString(engine.TextVersion + "\n")
		for _, in := range ins {
			b.WriteString(engine.FormatInput(s, in) + "\n")
		}
		again, err := engine.ParseInputs(s, b.String())
		if err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		if d := cmp.Diff(ins, again, cmpopts.EquateEmpty()); d != "" {
			t.Fatalf("reads back as something else:\n%s", d)
		}
	})
}
