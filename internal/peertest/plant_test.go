package peertest

import (
	"fmt"
	"slices"
	"testing"
	"time"
)

// plantSite is one panel on one page, as a user writes it, with the delays and volumes of a toy: the lead is 3.1 mL (1 m of 2 mm bore), so
// the long flush after a first start, three leads and ten cells, is 109 mL. period, timeout and delays are filled in.
const plantSite = `
[site]
name = "larkfield-mill"
timezone = "Europe/London"
altitude_m = 120

[bus.panel-net]
link = "PEER"
timeout = "%[2]s"

[map.rack-output]
numbering = "wire"
[map.rack-output.point]
oxygen       = { holding = 0, type = "float32", order = "CDAB", quantity = "dissolved-oxygen", unit = "ppb", floor = 0.2, ceiling = 500 }
temperature  = { holding = 2, type = "int16", scale = 0.1, unit = "degC", no_value = [-32768] }
conductivity = { holding = 3, type = "uint16", scale = 0.01, unit = "uS/cm" }
flow         = { input = 4, type = "uint16", unit = "mL/min" }
valve_closed = { discrete = 0 }
feed_on      = { discrete = 1 }

[map.other.point]
level = { holding = 40001, type = "uint16", unit = "number" }

[panel.b2]
title = "Boiler 2 feedwater"
tap = "before-scavenger"
sensor.rack = { map = "rack-output", bus = "panel-net", station = 1, period = "%[1]s", refresh = "%[1]s" }
sensor.other = { map = "other", bus = "panel-net", station = 2, period = "%[1]s" }
line = { length_m = 1, bore_mm = 2, cell_mL = 10, flow = "rack.flow", flow_high = "3000 mL/min" }
on_line = "rack.feed_on"
derive.resistivity = { resistivity_of = "rack.conductivity" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed", travel = "60s" }

[panel.b2.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ppb"
on_delay = "%[3]s"
off_delay = "2s"
priority = "high"
source = { document = "Larkfield feedwater specification", edition = "rev 3, clause 4.2", band = "20 to 40 bar", tap = "before-scavenger" }
action = "confirm by an ampoule test, then compare deaerator temperature with saturation at its pressure"

[recipient.on-call]
url = "HOOK"
secret_file = "SECRET"

[http]
listen = "127.0.0.1:0"

[logbook]
dir = "DIR"
flush = "1s"
`

const (
	period  = 400 * time.Millisecond
	timeout = 300 * time.Millisecond // below the period; a machine that stalls for less loses no answer
	delay   = 2 * time.Second        // on_delay
)

// plant is the panel as the peer plays it.
type plant struct{ *peer }

// startPlant starts a peer with a cool, flowing, good sample. 2400 mL/min flushes the toy line in 3 s.
func startPlant(t *testing.T, program string) plant {
	t.Helper()
	p := plant{startPeer(t, program)}
	p.do("unit 2")
	p.do("u16 holding 0 ABCD 77")
	p.do("unit 1")
	p.oxygen("5.5")
	p.temperature(25)
	p.do("u16 holding 3 ABCD 20") // 0.20 uS/cm
	p.flow(2400)
	p.valveClosed(false)
	p.do("discrete 1 1")
	return p
}

func (p plant) oxygen(ppb string)    { p.t.Helper(); p.do("f32 holding 0 CDAB %s", ppb) }
func (p plant) temperature(degC int) { p.t.Helper(); p.do("i16 holding 2 ABCD %d", 10*degC) }
func (p plant) flow(mlPerMin int)    { p.t.Helper(); p.do("u16 input 4 ABCD %d", mlPerMin) }
func (p plant) valveClosed(closed bool) {
	p.t.Helper()
	p.do("discrete 0 %d", map[bool]int{true: 1}[closed])
}

const (
	oxygenFamily      = "rillwatch_dissolved_oxygen_ppb"
	temperatureFamily = "rillwatch_temperature_celsius"
)

// rackPoints are all points that come from station 1, the derived one included.
var rackPoints = []string{"rack.oxygen", "rack.temperature", "rack.conductivity", "rack.flow", "rack.valve_closed", "rack.feed_on", "resistivity"}

// believed waits until the line is flushed and every point of the panel is shown.
func (d *daemon) believed() {
	d.t.Helper()
	until(d.t, "every reading believed", patience, func() (bool, string) {
		m := d.metrics()
		for _, p := range append([]string{"other.level"}, rackPoints...) {
			if m.reason("b2", p) != "believed" || len(m.values("b2", p)) != 1 {
				return false, fmt.Sprintf("%s: %q, %v", p, m.reason("b2", p), m.values("b2", p))
			}
		}
		return true, ""
	})
}

// shown gives the value of a point in /metrics; ok is false when no family has one.
func (d *daemon) shown(family, point string) (v float64, ok bool) {
	d.t.Helper()
	m := d.metrics()
	values := m.values("b2", point)
	if len(values) > 1 || len(values) == 1 && values[0].family != family {
		d.t.Fatalf("%s: %v, want at most one sample, of %s", point, values, family)
	}
	if len(values) == 0 {
		return 0, false
	}
	return values[0].value, true
}

// told waits until the recipient took a message of a kind for the n-th time.
func (h *hook) told(kind string, n int) message {
	h.t.Helper()
	var found []message
	until(h.t, fmt.Sprintf("message %d of %s", n, kind), patience, func() (bool, string) {
		found = h.of(kind)
		return len(found) >= n, fmt.Sprintf("taken so far: %v", h.kinds())
	})
	return found[n-1]
}

// inOrder tells whether want stand in got in this order, others between them allowed.
func inOrder(got, want []string) bool {
	for _, w := range want {
		i := slices.Index(got, w)
		if i < 0 {
			return false
		}
		got = got[i+1:]
	}
	return true
}
