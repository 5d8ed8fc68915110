package engine_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const driveText = `, drive = { bus = "east", station = 9, coil = 5, close_value = 1, valve_fails = "closed", confirmed = { by = "J. Marsh", on = "2026-11-20", sole_writer = true, builder_agrees = true, shut_off_stays = true, opens_by_hand = true } }`

const twoLinesPlant = `[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.east]
link = "tcp://127.0.0.1:502"
direct = true
[bus.west]
link = "tcp://127.0.0.2:502"
direct = true
[map.rack.point]
oxygen = { holding = 40001, type = "float32", quantity = "dissolved-oxygen", unit = "ppb", floor = 0.2, ceiling = 100 }
temperature = { holding = 40200, type = "int16", scale = 0.1, unit = "degC" }
flow = { input = 30005, type = "uint16", unit = "mL/min" }
valve_closed = { discrete = 10001 }
[map.other.point]
temp = { holding = 40200, type = "int16", scale = 0.1, unit = "degC" }
[panel.b1]
title = "Boiler 1 feedwater"
sensor.rack = { map = "rack", bus = "east", station = 1 }
SECOND
line = { length_m = 1, bore_mm = 4, coil_mL = 1, cell_mL = 1, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed" TWO DRIVE }
[panel.b1.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ppb"
on_delay = "5s"
off_delay = "5s"
source = { document = "x", edition = "1", band = "all", tap = "unknown" }
[logbook]
dir = "/var/lib/rillwatch"
`

func twoLinesSite(t *testing.T, drive, second bool) *site.Site {
	text := twoLinesPlant
	d, two, sec := "", "", ""
	if drive {
		d = driveText
	}
	if second {
		two, sec = `, second_temperature = "too.temp"`, `sensor.too = { map = "other", bus = "west", station = 2 }`
	} else {
		sec = `sensor.too = { map = "other", bus = "west", station = 2 }`
	}
	text = strings.NewReplacer("DRIVE", d, "TWO", two, "SECOND", sec).Replace(text)
	return parse(t, text)
}

// Walks by chance through hot and lost temperatures on two lines, silent stations, orders that fail, checks, re-armings, overrides, starts and files
// with and without the drive. Nobody may be left not knowing that rillwatch asks for a valve to be closed as of now, that a sample is hot, or
// that nobody sees its temperature; and what is held is never believed.
func TestWhatIsAskedOfADrivenValveIsToldOnEveryWalk(t *testing.T) {
	walks := 3
	if os.Getenv("RILLWATCH_SOAK") == "1" {
		walks = 60
	}
	for _, drive := range []bool{false, true} {
		for _, second := range []bool{false, true} {
			s := twoLinesSite(t, drive, second)
			other := twoLinesSite(t, !drive, second)
			for walk := range walks {
				ok := t.Run(fmt.Sprintf("drive=%v,second=%v,%d", drive, second, walk), func(t *testing.T) {
					drivenWalk(t, s, other, drive, rand.New(rand.NewPCG(78, uint64(walk))))
				})
				if !ok {
					break
				}
			}
		}
	}
}

func drivenWalk(t *testing.T, s, other *site.Site, drive bool, r *rand.Rand) {
	var log []string
	var last []string
	ask := false
	justBooted := true
	unseen := map[string]bool{} // troubles that stand and named b1
	lostFor, mustFor := time.Duration(0), map[string]time.Duration{}
	var prev time.Duration
	st := &story{t: t, s: s, changed: other, values: map[string]string{}, certain: true}
	fail := func(format string, a ...any) {
		t.Helper()
		t.Fatalf("%s\nafter\n%s\nevents\n%s", fmt.Sprintf(format, a...), strings.Join(log[max(0, len(log)-14):], "\n"), strings.Join(last[max(0, len(last)-40):], "\n"))
	}
	orders := "taken"
	st.watch = func(o engine.Outcome) {
		up := o.At.Up
		el := max(0, up-prev)
		prev = up
		toldOf := false
		for i := range o.Events {
			e := &o.Events[i]
			if e.Kind == event.Started {
				justBooted, el, prev = true, 0, up
			}
			txt := engine.FormatEvent(e)
			if len(txt) > 260 {
				txt = txt[:260] + " q=" + e.Quiet
			}
			last = append(last, txt)
			k := fmt.Sprintf("%s/%d", e.Bus, e.Station)
			switch e.Kind {
			case event.BusLost:
				unseen["bus "+e.Bus] = slices.Contains(e.Unseen, "b1")
			case event.BusBack:
				delete(unseen, "bus "+e.Bus)
			case event.StationSilent:
				unseen["st "+k] = slices.Contains(e.Unseen, "b1")
			case event.StationBack:
				delete(unseen, "st "+k)
			}
			if e.Panel == "b1" && e.Told() && (e.Trust.Request == "asked" || e.Trust.Request == "taken" || e.Trust.Request == "failing" || e.Trust.HeldCause != "") {
				toldOf = true
			}
		}
		v := st.e.View()
		if v == nil || len(v.Panels) == 0 || v.Panels[0] == nil {
			return
		}
		p := v.Panels[0]
		h := p.Interlock.Holding
		if h.Ask && !ask && !justBooted {
			if !toldOf {
				fail("asks to close as of now and nobody is told: %+v", h)
			}
		}
		ask = h.Ask
		if len(o.Readings) > 0 {
			justBooted = false
		}
		if p.Interlock.Holding.Held && p.Line.Representative {
			fail("held and believed")
		}
		anyUnseen := false
		for _, u := range unseen {
			anyUnseen = anyUnseen || u
		}
		lostTold, lostUnsteady := false, false
		for i := range p.Alarms {
			a := &p.Alarms[i]
			if a.MustSpeak && a.Active && !a.Told && !(strings.HasSuffix(a.Name, "temperature-lost") && anyUnseen) {
				if mustFor[a.Name] += el; mustFor[a.Name] > 135*time.Second {
					fail("must speak, stands and untold for long: %+v", a)
				}
			} else {
				mustFor[a.Name] = 0
			}
			if strings.HasSuffix(a.Name, ".temperature-lost") {
				lostTold, lostUnsteady = a.Told, a.Unsteady
			}
			if strings.HasSuffix(a.Name, ".sample-hot") && a.Active && !a.Told && !a.Unsteady {
				fail("hot and untold: %+v", a)
			}
		}
		if lostNow(p) && !lostTold && !anyUnseen && !lostUnsteady {
			if lostFor += el; lostFor > 45*time.Second {
				fail("lost and nobody knows")
			}
		} else {
			lostFor = 0
		}
		for _, od := range o.Orders {
			res := reading.OrderResult{ID: od.ID, Panel: od.Panel, Fault: reading.Answered, ReadBack: od.Value, Known: true, At: st.now()}
			switch orders {
			case "taken":
			case "unanswered":
				continue
			case "timeout":
				res.Fault, res.Known, res.ReadBack = reading.Timeout, false, 0
			}
			st.feed(engine.OrderDone{OrderResult: res})
		}
	}
	do := func(l string) {
		log = append(log, l)
		last = append(last, "> "+l)
		if err := st.line(l); err != nil {
			fail("%v", err)
		}
	}
	do("start 2026-11-25T02:00:00Z")
	do("60s: rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0 too.temp=25")
	pick := func(s ...string) string { return s[r.IntN(len(s))] }
	poll := func(text string) string { return fmt.Sprintf("%ds: %s", 1+r.IntN(25), text) }
	all := func(v string) string {
		return "rack.oxygen=" + v + " rack.temperature=" + v + " rack.flow=" + v + " rack.valve_closed=" + v
	}
	whole := "rack.oxygen=12 rack.temperature=25 rack.flow=200 rack.valve_closed=0 too.temp=25"
	isDriven := drive
	for range 250 {
		switch r.IntN(26) {
		case 0, 1, 2, 3:
			do(poll(whole))
		case 4:
			do(poll("rack.temperature=" + pick("45", "55", "55", "refused", "25")))
		case 5:
			do(poll("too.temp=" + pick("45", "55", "refused", "silent", "25", "down")))
		case 6:
			do(poll("rack.valve_closed=1 rack.flow=0"))
		case 7:
			do(poll("rack.valve_closed=0 rack.flow=200 rack.temperature=25 too.temp=25"))
		case 8:
			do(poll(all("silent")))
		case 9:
			do(poll(all("down")))
		case 10:
			do(poll("rack.valve_closed=refused rack.flow=" + pick("0", "200")))
		case 11, 12, 13:
			do("rearm b1 by Kim")
		case 14:
			do("override b1 " + pick("10s", "30s", "1m") + " by Kim")
		case 15:
			do("check b1." + pick("rack", "rack", "too") + " for 2m by Ann: zero check")
		case 16, 17:
			do("back b1." + pick("rack", "rack", "too") + " by Ann")
		case 18:
			do("ack b1." + pick("temperature-lost", "sample-hot", "valve-failed-to-close") + " by Ann")
		case 19:
			orders = pick("taken", "taken", "unanswered", "timeout")
			log = append(log, "orders "+orders)
		case 20:
			do(pick("gap 5s", "gap 40s"))
		case 21:
			do(pick("restart 5s", "restart 30s", "restart 5m", "restart unknown"))
		case 22:
			if r.IntN(2) == 0 {
				st.changed = map[bool]*site.Site{true: s, false: other}[isDriven != drive]
				isDriven = !isDriven
				do("change 5s")
			}
		case 23:
			do("byhand b1 by Kim")
		case 24:
			do(pick("off b1 for 2m by Kim", "on b1 for 2m by Kim"))
		case 25:
			do(fmt.Sprintf("%ds: %s", 200+r.IntN(100), whole))
		}
	}
}

func lostNow(p *engine.PanelView) bool {
	for i := range p.Alarms {
		if strings.HasSuffix(p.Alarms[i].Name, ".temperature-lost") {
			return p.Alarms[i].Active
		}
	}
	return false
}
