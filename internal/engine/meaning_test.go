package engine_test

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// laboratory is a panel with a value entered by hand, as QUANT, and what DERIVE computes from it.
const laboratory = `[site]
name       = "larkfield-mill"
altitude_m = 120
[bus.net]
link = "tcp://127.0.0.1:502"
[map.rack.point]
k25  = { holding = 40005, type = "float32", unit = "uS/cm", compensation = "linear", temperature = "t" }
t    = { holding = 40003, type = "float32", unit = "degC" }
flow = { input = 30005, type = "uint16", unit = "mL/min" }
[panel.b2]
sensor.rack = { map = "rack", bus = "net", station = 1 }
line        = { length_m = 1, bore_mm = 4, cell_mL = 10, flow = "rack.flow" }
entered.x   = { quantity = "QUANT", unit = "mg/L", max_age = "2h" }
DERIVE
[logbook]
dir = "/var/lib/rillwatch"
`

func laboratoryOf(quant, derive string) string {
	return strings.NewReplacer("QUANT", quant, "DERIVE", derive).Replace(laboratory)
}

// becomes restarts a story under another configuration, which takes up what the first left on disk.
func (st *story) becomes(text string) {
	st.t.Helper()
	s, _, err := config.Parse("test.toml", []byte(text))
	if err != nil {
		st.t.Fatal(err)
	}
	for _, r := range st.e.States() {
		st.states = put(st.states, r)
	}
	st.s, st.events = s, nil
	if err := st.line("restart 5s"); err != nil {
		st.t.Fatal(err)
	}
}

// TestAnEnteredValueIsOfItsQuantityAndOfNoOther: 100 mg/L of chloride is no dose of 100 mg/L after the file has changed.
func TestAnEnteredValueIsOfItsQuantityAndOfNoOther(t *testing.T) {
	st := began(t, laboratoryOf("chloride", ""), "60s: rack.k25=1 rack.t=25 rack.flow=200", "enter b2.x 100 mg/L - - Kim", "5s:")
	if r := st.reading("b2.x"); !r.HasValue() {
		t.Fatalf("entered, and %s", r.Reason)
	}
	st.becomes(laboratoryOf("dose", ""))
	if err := st.line("5s: rack.k25=1 rack.t=25 rack.flow=200"); err != nil {
		t.Fatal(err)
	}
	if r := st.reading("b2.x"); r.HasValue() {
		t.Errorf("a chloride became a dose of %v", r.Value)
	}
}

// TestALimitOnAComputedPointBelongsToItsFormula: cycles from chloride were beyond the limit; computed from conductivity under the same name
// they are others, and the first have not returned.
func TestALimitOnAComputedPointBelongsToItsFormula(t *testing.T) {
	const limit = "\n[panel.b2.limit.hi]\npoint = \"cy\"\nhigh = \"20 number\"\non_delay = \"10s\"\nsource = { document = \"Larkfield specification\", edition = \"rev 3\", band = \"20 to 40 bar\", tap = \"before-scavenger\" }\n"
	st := began(t, laboratoryOf("chloride", `derive.cy = { cycles_from_chloride = "x", feedwater = "5 mg/L" }`+limit),
		"60s: rack.k25=1 rack.t=25 rack.flow=200", "enter b2.x 150 mg/L - - Kim", "60s:")
	raised := false
	for _, e := range st.events {
		raised = raised || e.Kind == event.AlarmRaised
	}
	if !raised {
		t.Fatal("30 cycles raised nothing")
	}
	st.becomes(laboratoryOf("chloride", `derive.cy = { cycles_from_conductivity = "rack.k25", feedwater = "1 uS/cm" }`+limit))
	if err := st.line("700s: rack.k25=5 rack.t=25 rack.flow=200"); err != nil {
		t.Fatal(err)
	}
	for _, e := range st.events {
		if e.Kind == event.AlarmReturned {
			t.Errorf("told as returned: %+v", e)
		}
	}
}

// TestAnOrdersEndIsNoSecondLookAtASitesPoint: whatever comes of orders, a limit on a point of the site opens after its own delay.
func TestAnOrdersEndIsNoSecondLookAtASitesPoint(t *testing.T) {
	const driven = `[site]
name = "larkfield-mill"
altitude_m = 120
sensor.d = { map = "plc", bus = "net", station = 9 }
[bus.net]
link = "tcp://127.0.0.1:502"
[map.plc.point]
p = { input = 30001, type = "uint16", scale = 0.01, unit = "bar(g)" }
t = { input = 30002, type = "uint16", scale = 0.1, unit = "degC" }
[map.rack.point]
temperature  = { holding = 40003, type = "int16", scale = 0.1, unit = "degC" }
flow         = { input = 30005, type = "uint16", unit = "mL/min" }
valve_closed = { discrete = 10001 }
[panel.b2]
sensor.rack = { map = "rack", bus = "net", station = 1 }
line        = { length_m = 1, bore_mm = 4, coil_mL = 10, cell_mL = 10, flow = "rack.flow" }
interlock   = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed", drive = { bus = "net", station = 1, coil = 5, close_value = 1, valve_fails = "closed", confirmed = { by = "J. Marsh", on = "2026-11-20", sole_writer = true, builder_agrees = true, shut_off_stays = true, opens_by_hand = true } } }
derive.below = { below_saturation_of = "site.d.t", gauge_pressure = "site.d.p" }
[panel.b2.limit.cold]
point     = "below"
high      = "1 K(diff)"
on_delay  = "60s"
source    = { document = "Larkfield specification", edition = "rev 3", band = "20 to 40 bar", tap = "before-scavenger" }
[logbook]
dir = "/var/lib/rillwatch"
`
	opens := func(results bool) time.Duration {
		st := began(t, driven, "60s: rack.temperature=25 rack.flow=200 rack.valve_closed=0 site.d.p=0.20 site.d.t=104.7")
		st.values["site.d.t"], st.events = "100.0", nil
		begin := st.up
		for range 100 {
			st.pass(time.Second)
			st.slot++
			for b := range st.s.Buses {
				if err := st.round(b); err != nil {
					t.Fatal(err)
				}
			}
			if results {
				st.feed(engine.OrderDone{OrderResult: reading.OrderResult{ID: 1, Fault: reading.Answered, ReadBack: 1, Known: true, At: st.now()}})
			}
			st.feed(engine.Tick{At: st.now()})
			for _, e := range st.events {
				if e.Kind == event.AlarmRaised && strings.Contains(e.Alarm, "cold") {
					return st.up - begin
				}
			}
		}
		return 0
	}
	if a, b := opens(false), opens(true); a == 0 || a != b {
		t.Errorf("a delay of 60 s is over after %v without orders, and after %v with their ends", a, b)
	}
}
