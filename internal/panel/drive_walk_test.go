package panel

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// walker is a whole panel with a driven valve, beside the truth that a test knows: where the valve stands, what has flowed since it last
// began, and what a person has done.
type walker struct {
	s    *site.Site
	pl   *Panel
	slot uint64
	seq  uint64

	flushed float64 // mL, since flow last began with the valve open; the truth, from the words that were sent
	flow    float64
	shut    bool
	over    time.Duration // seen time that an override has left; 0: none
}

func drivenSite(t *testing.T) *site.Site {
	t.Helper()
	s, _ := bench(t)
	s.Points = append(s.Points, site.Point{Path: "b2.rack.valve_closed", Resolution: 0, Decode: site.Decode{Type: site.Bit, Scale: 1}})
	s.Sensors[0].Points = append(s.Sensors[0].Points, 3)
	p := &s.Panels[0]
	p.Points = append(p.Points, 3)
	p.Interlock.ValveClosed = 3
	p.Interlock.Drive = site.Drive{Configured: true, Station: 1, Table: reading.Coil, Addr: 4, Value: 1}
	return s
}

const overrideOf = 5 * time.Second

// do makes one act and gives what was broken by it; empty when nothing was.
func (w *walker) do(what string) string {
	w.slot++
	at := reading.Stamp{Wall: reading.Wall(w.slot) * 1e9, Up: time.Duration(w.slot) * time.Second}
	in := Input{Now: at, Certain: true, Boot: "4f2a91c0", NextSeq: w.seq + 1, Tick: true, Rounded: true}
	wasHeld := w.pl.state.Interlock.Hold.Held
	wasAsking := wasHeld && !w.pl.state.Interlock.Hold.Override.On
	var out Output
	var refused string
	w.flushed += w.flow / 60 // what flowed a second ago has flowed
	w.over = max(0, w.over-time.Second)
	switch what {
	case "re-arm":
		out, refused = w.pl.Rearm(in, "Kim", "a job")
	case "override":
		if out, refused = w.pl.Override(in, overrideOf, "Kim", "a job"); refused == "" {
			w.over = overrideOf
		}
	case "taken", "failed":
		in.Result = &reading.OrderResult{Fault: reading.Answered, Known: true, ReadBack: 1}
		if what == "failed" {
			in.Result = &reading.OrderResult{Fault: reading.Timeout}
		}
		out = w.pl.Step(in)
	case "restart":
		state := w.pl.Marshal()
		w.pl = New(w.s, &w.s.Panels[0])
		var err error
		if out, err = w.pl.Restore(Boot{State: state, AwayKnown: true}, in); err != nil {
			panic(err)
		}
		w.flushed, w.over = 0, 0 // time nobody saw is credited to nobody
		if wasHeld && len(out.Orders) == 0 {
			return "a restart of a held valve gives no order before anything is read"
		}
	default:
		var temp, flow, shut int
		fault := reading.Answered
		if _, err := fmt.Sscanf(what, "%d %d %d", &temp, &flow, &shut); err != nil {
			fault = reading.Timeout
		}
		if fault == reading.Answered {
			open := shut == 0 && flow > 0
			if !open {
				w.flushed = 0
			}
			w.flow, w.shut = 0, shut != 0
			if open {
				w.flow = float64(flow)
			}
			for p, v := range []uint16{uint16(flow), 12, uint16(temp), uint16(shut)} {
				in.Reads = append(in.Reads, Read{Point: p, Slot: w.slot, Words: []uint16{v}, Fault: fault, At: at})
			}
		} else {
			for p := range 4 {
				in.Reads = append(in.Reads, Read{Point: p, Slot: w.slot, Fault: fault, At: at})
			}
		}
		out = w.pl.Step(in)
	}
	w.seq += uint64(len(out.Events))
	return w.rule(what, in, out, refused, wasHeld, wasAsking)
}

func (w *walker) rule(what string, in Input, out Output, refused string, wasHeld, wasAsking bool) string {
	l := w.pl.Look()
	h := w.pl.state.Interlock.Hold
	fit := l.Doubt == reading.Believed || l.Doubt == reading.FlowUnproven
	stepped := what != "re-arm" && what != "override" && what != "restart"
	oxygen := w.pl.Guest(1).Shown
	switch {
	case wasHeld && !h.Held && !(what == "re-arm" && refused == ""):
		return "held closed was left without a re-arming"
	case wasAsking && what != "restart" && !(h.Held && !h.Override.On) && !((what == "re-arm" || what == "override") && refused == ""):
		return "the request stopped by itself"
	case stepped && fit && w.shut && len(in.Reads) > 0:
		return "representative with the valve closed"
	case stepped && fit && w.flow == 0 && len(in.Reads) > 0:
		return "representative at zero flow"
	case stepped && fit && w.flushed+1e-3 < 3*1: // the least any stop owes: three cells of 1 mL
		return "representative in a line that is not flushed"
	case stepped && fit && h.Held:
		return "representative while held closed"
	case oxygen.Counts() && len(in.Reads) > 0 && !fit:
		return "a limit judges water that is not the plant's"
	case h.Override.On != (w.over > 0) && stepped:
		return "an override did not end with its time"
	case stepped && h.Held && !h.Override.On && len(out.Orders) != 1:
		return "asked, and not one order in a second"
	case stepped && (!h.Held || h.Override.On) && len(out.Orders) != 0:
		return "an order that nothing asks for"
	}
	for _, o := range out.Orders {
		o.ID, o.Until = 0, 0
		if o != (reading.Order{Station: 1, Table: reading.Coil, Addr: 4, Value: 1}) {
			return fmt.Sprintf("another order than the drive's: %+v", o)
		}
	}
	for i := range out.Events {
		e := &out.Events[i]
		if h.Override.On && e.Trust.OverrideBy != "Kim" {
			return "an event does not name the override that stands: " + e.Kind.String()
		}
		if _, err := json.Marshal(e); err != nil {
			return err.Error()
		}
		if e.Kind == event.HeldClosed && (e.FirstOut == nil || e.FirstOut.Boot != "4f2a91c0" || e.FirstOut.To > in.Now.Up || e.FirstOut.To < in.Now.Up && w.pl.watch.Met || e.FirstOut.From > e.FirstOut.To || e.FirstOut.To-e.FirstOut.From > 10*time.Minute) {
			return "held without its first-out"
		}
	}
	return ""
}

// temperature, flow, closed
var walks = []string{"25 200 0", "55 200 0", "45 200 0", "25 0 0", "25 0 1", "55 0 1", "25 20 1", "silence", "re-arm", "override", "taken", "failed", "restart"}

// calm is a panel in steady service: flushed and representative.
func calm(t *testing.T, s *site.Site) *walker {
	w := &walker{s: s, pl: New(s, &s.Panels[0])}
	for range 20 {
		if broken := w.do("25 200 0"); broken != "" {
			t.Fatal(broken)
		}
	}
	if l := w.pl.Look(); l.Doubt != reading.Believed {
		t.Fatalf("the walk does not begin in believed sample: %v", l.Doubt)
	}
	return w
}

// Every sequence of three acts from steady service and from a held valve, and long walks by chance, of the whole panel: what is said of the
// sample agrees with where the valve stands, what flows and what has flowed, and the request with what a person did.
func TestAWholePanelWithADrivenValveKeepsTheRulesOnEveryWalk(t *testing.T) {
	s := drivenSite(t)
	for _, prelude := range [][]string{nil, {"55 200 0", "55 200 0"}} {
		n := 0
		var walk func(path []string)
		walk = func(path []string) {
			if len(path) == 3 {
				w := calm(t, s)
				for i, a := range append(append([]string{}, prelude...), path...) {
					if broken := w.do(a); broken != "" {
						t.Fatalf("%s\nafter %q, %q at step %d: %+v", broken, prelude, path, i, w.pl.state.Interlock.Hold)
					}
				}
				n++
				return
			}
			for _, a := range walks {
				walk(append(path[:len(path):len(path)], a))
			}
		}
		walk(nil)
		if want := len(walks) * len(walks) * len(walks); n != want {
			t.Errorf("%d walks, want %d", n, want)
		}
		t.Logf("figure: whole panel, from %q: %d walks of three acts", prelude, n)
	}
	r := rand.New(rand.NewPCG(2026, 11))
	rearmed, held, fit, steps := 0, 0, 0, 0
	for range 30 {
		w := calm(t, s)
		var path []string
		for range 300 {
			a := walks[r.IntN(len(walks))]
			for range 1 + r.IntN(12)*r.IntN(2) { // often for a while, so that lines flush and temperatures prove low
				was := w.pl.state.Interlock.Hold.Held
				path = append(path, a)
				if broken := w.do(a); broken != "" {
					t.Fatalf("%s\nat step %d of a walk, the last %q: %+v", broken, len(path), path[max(0, len(path)-30):], w.pl.state.Interlock.Hold)
				}
				steps++
				if now := w.pl.state.Interlock.Hold.Held; was && !now {
					rearmed++
				} else if now {
					held++
				}
				if l := w.pl.Look(); l.Doubt == reading.Believed {
					fit++
				}
			}
		}
	}
	t.Logf("figure: whole panel, by chance: %d steps, %d held, %d representative, %d re-armings", steps, held, fit, rearmed)
	if rearmed < 50 || held < 1000 || fit < 200 {
		t.Error("the rules were not tried")
	}
}
