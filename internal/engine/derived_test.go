package engine_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// deaerated is a panel with oxygen, the deaerator of the site and a chloride from the laboratory.
const deaerated = `[site]
name       = "larkfield-mill"
altitude_m = 120
sensor.deaerator = { map = "plc", bus = "net", station = 9 }
[bus.net]
link = "tcp://127.0.0.1:502"
[map.plc.point]
pressure    = { input = 30001, type = "uint16", scale = 0.01, unit = "bar(g)" }
temperature = { input = 30002, type = "uint16", scale = 0.1, unit = "degC" }
[map.rack.point]
oxygen = { holding = 40001, type = "float32", quantity = "dissolved-oxygen", unit = "ppb", ceiling = 500 }
flow   = { input = 30005, type = "uint16", unit = "mL/min" }
[panel.b2]
sensor.rack = { map = "rack", bus = "net", station = 1 }
line        = { length_m = 15, bore_mm = 4, cell_mL = 100, flow = "rack.flow" }
entered.chloride = { quantity = "chloride", unit = "mg/L", max_age = "2h" }
derive.below-saturation = { below_saturation_of = "site.deaerator.temperature", gauge_pressure = "site.deaerator.pressure" }
derive.cycles = { cycles_from_chloride = "chloride", feedwater = "5 mg/L" }
[panel.b2.limit.oxygen-high]
point    = "rack.oxygen"
high     = "20 ppb"
on_delay = "10s"
source   = { document = "Larkfield specification", edition = "rev 3", band = "20 to 40 bar", tap = "before-scavenger" }
action   = "confirm by an ampoule test"
[logbook]
dir = "/var/lib/rillwatch"
`

func began(t *testing.T, text string, lines ...string) *story {
	t.Helper()
	s, _, err := config.Parse("deaerated.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	st := &story{t: t, s: s, values: map[string]string{}, certain: true}
	for _, l := range append([]string{"start 2026-11-25T02:00:00Z"}, lines...) {
		if err := st.line(l); err != nil {
			t.Fatalf("%q: %v", l, err)
		}
	}
	return st
}

const calm = "600s: rack.oxygen=12 rack.flow=200 site.deaerator.pressure=0.20 site.deaerator.temperature=104.9"

func (st *story) point(path string) int {
	for i := range st.s.Points {
		if st.s.Points[i].Path == path {
			return i
		}
	}
	st.t.Fatal(path)
	return 0
}

func (st *story) reading(path string) reading.Reading {
	at := st.point(path)
	for _, p := range st.e.View().Panels {
		for _, v := range p.Points {
			if v.Point == at {
				return v.Reading
			}
		}
	}
	st.t.Fatal(path)
	return reading.Reading{}
}

// IAPWS-IF97: water boils at 105.00 degC at 120.902 kPa and 105.264 at 122.009; 0.20 bar gauge under the usual air of 120 m, 998.9 hPa, are
// 119.89 kPa, so 104.76 degC, and 103.1 degC is 1.66 K below it.
func TestARaisedLimitCarriesTheArithmeticOfTheDeaerator(t *testing.T) {
	st := began(t, deaerated, calm, "30s: rack.oxygen=40 site.deaerator.temperature=103.1")
	var raised *event.Event
	for i := range st.events {
		if st.events[i].Kind == event.AlarmRaised {
			raised = &st.events[i]
		}
	}
	if raised == nil || len(raised.Advice) < 4 || !strings.HasPrefix(raised.Advice[0], "deaerator 103.1 degC at 0.20 bar gauge, air 998.9 hPa absolute: water boils there at 104.8 degC, so it is 1.7 K below saturation") {
		t.Fatalf("%+v", raised)
	}
	// the view says the same of the point while its limit stands
	if got := st.e.View().Advice(st.point("b2.rack.oxygen")); strings.Join(got, "\n") != strings.Join(raised.Advice, "\n") {
		t.Errorf("%q\nwant %q", got, raised.Advice)
	}
	raw, err := json.Marshal(raised)
	var back event.Event
	if err != nil || json.Unmarshal(raw, &back) != nil || len(back.Advice) != len(raised.Advice) {
		t.Errorf("the logbook keeps %s", raw)
	}
}

// A restart of the watch within seconds must not make a value younger, and a row on disk must not change with every second.
func TestAnEnteredValueIsNeverYoungerThanItIs(t *testing.T) {
	st := began(t, deaerated, calm, "enter b2.chloride 100 mg/L - 90m Kim")
	for range 20 {
		for _, l := range []string{"30s:", "restart 5s"} {
			if err := st.line(l); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := st.line("5s:"); err != nil {
		t.Fatal(err)
	}
	r := st.reading("b2.chloride")
	if age := st.now().Since(r.At); age < 90*time.Minute+20*35*time.Second || age > 90*time.Minute+20*(35*time.Second+time.Minute)+10*time.Second {
		t.Errorf("%s old after 90 min and 20 restarts of 35 s: %+v", age, r)
	}
	if err := st.line("605s:"); err != nil { // until the line is flushed; its volume is in the row too
		t.Fatal(err)
	}
	_ = st.e.States()
	if err := st.line("10s:"); err != nil {
		t.Fatal(err)
	}
	for _, row := range st.e.States() {
		if row.Name == "b2" {
			t.Errorf("ten quiet seconds changed the row: %s", row.Data)
		}
	}
}

// Under the same id the same value is entered once, and another is refused.
func TestARetriedEntryIsAnsweredAsTheFirstTime(t *testing.T) {
	st := began(t, deaerated, calm)
	ask := func(v float64) engine.Reply {
		o := st.e.Step(engine.Command{ID: "v-1", Who: "Kim", At: st.now(), Do: engine.EnterValue{Point: "b2.chloride", Value: v, Unit: "mg/L"}})
		if len(o.Replies) != 1 {
			t.Fatalf("%+v", o)
		}
		st.events = o.Events
		return o.Replies[0]
	}
	first := ask(100)
	if first.Refusal != engine.NotRefused || len(st.events) != 1 || st.events[0].Kind != event.ValueEntered || st.events[0].Who != "Kim" {
		t.Fatalf("%+v %+v", first, st.events)
	}
	if again := ask(100); again != first || len(st.events) != 0 {
		t.Errorf("%+v %+v", again, st.events)
	}
	if other := ask(200); other.Refusal != engine.CommandIDReused {
		t.Errorf("%+v", other)
	}
	if r := st.reading("b2.chloride"); r.Value != 100 {
		t.Errorf("%+v", r)
	}
}

func TestAValueBeforeTheFirstRoundIsAskedForAgain(t *testing.T) {
	st := began(t, deaerated)
	o := st.e.Step(engine.Command{ID: "v-1", Who: "Kim", At: st.now(), Do: engine.EnterValue{Point: "b2.chloride", Value: 1, Unit: "mg/L"}})
	if o.Replies[0].Refusal != engine.NotBooted {
		t.Errorf("%+v", o.Replies)
	}
}

// ammonia is a panel whose water holds ammonia alone.
const ammonia = `[site]
name = "larkfield-mill"
[bus.net]
link = "tcp://127.0.0.1:502"
[map.rack.point]
ph           = { holding = 40001, type = "int16", scale = 0.01, quantity = "ph", jump = "never" }
conductivity = { holding = 40002, type = "float32", unit = "uS/cm", compensation = "linear", temperature = "temperature" }
temperature  = { holding = 40004, type = "int16", scale = 0.1, unit = "degC" }
flow         = { input = 30005, type = "uint16", unit = "mL/min" }
[panel.b2]
sensor.rack = { map = "rack", bus = "net", station = 1 }
line        = { length_m = 1, bore_mm = 4, cell_mL = 20, flow = "rack.flow" }
cross_check = { ph = { ph = "rack.ph", conductivity = "rack.conductivity", temperature = "rack.temperature", fed = "FED" } }
[logbook]
dir = "/var/lib/rillwatch"
`

// What a legitimate water shows is never doubted: PHREEQC with Amm.dat gives, for 1 mg/kg of ammonia, pH 9.550, 9.385, 9.228 and 8.933 at 20, 25,
// 30 and 40 degC, 6.68 uS/cm at 25; carbon dioxide lowers the pH by up to 0.2 below what the conductivity promises (500 ug/kg of each:
// 8.913, where the trade's 8.57 + log10 of the conductivity says 9.132, so 3.65 uS/cm; charge balance by hand); an amine lifts it by 0.05 (from the conductances).
func TestALegitimatePHIsNeverDoubtedAndAWrongOneIs(t *testing.T) {
	for _, fed := range []string{"ammonia", "amine"} {
		st := began(t, strings.Replace(ammonia, "FED", fed, 1), "300s: rack.ph=9.38 rack.conductivity=6.68 rack.temperature=25 rack.flow=200")
		for _, c := range []struct{ values, want string }{
			{"rack.ph=9.55 rack.temperature=20", "believed"},
			{"rack.ph=9.23 rack.temperature=30", "believed"},
			{"rack.ph=8.93 rack.temperature=40", "believed"},
			{"rack.ph=9.38 rack.temperature=40", "believed"}, // a device that brings its pH to 25 degC
			{"rack.ph=9.43 rack.temperature=25", "believed"},
			{"rack.ph=8.91 rack.conductivity=3.65", "believed"}, // 8.57 + log10(3.65) = 9.13
			{"rack.ph=8.40", "cross_check"},
			{"rack.ph=9.60", "cross_check"},
			{"rack.ph=9.60 rack.temperature=10", "believed"}, // outside what the temperature is known for
			{"rack.ph=9.60 rack.temperature=25 rack.conductivity=0.2", "believed"},
			{"rack.ph=9.60 rack.temperature=silent rack.conductivity=3.65", "believed"},
			{"rack.ph=9.60 rack.temperature=25", "cross_check"},
			{"rack.flow=0", "no_flow"},
		} {
			if err := st.line("70s: " + c.values); err != nil {
				t.Fatal(err)
			}
			if got := st.reading("b2.rack.ph").Reason.String(); got != c.want {
				t.Errorf("%s, %s: %s, want %s", fed, c.values, got, c.want)
			}
		}
	}
}

// For a minute two sensors may disagree: a change reaches them one after the other.
func TestADisagreementOfLessThanAMinuteDoubtsNothing(t *testing.T) {
	st := began(t, strings.Replace(ammonia, "FED", "ammonia", 1), "300s: rack.ph=9.38 rack.conductivity=6.68 rack.temperature=25 rack.flow=200")
	for _, l := range []string{"58s: rack.ph=8.40", "1s: rack.ph=9.38", "58s: rack.ph=8.40"} {
		if err := st.line(l); err != nil {
			t.Fatal(err)
		}
		if got := st.reading("b2.rack.ph").Reason; got != reading.Believed {
			t.Errorf("%s: %s", l, got)
		}
	}
	if err := st.line("5s:"); err != nil {
		t.Fatal(err)
	}
	if got := st.reading("b2.rack.ph").Reason; got != reading.CrossCheck {
		t.Errorf("after a minute: %s", got)
	}
	if advice := st.e.View().Advice(st.point("b2.rack.ph")); len(advice) == 0 || !strings.Contains(advice[0], "goes with pH 9.39") {
		t.Errorf("%q", advice)
	}
}
