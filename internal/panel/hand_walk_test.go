package panel

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// Long walks by chance, in which people also take the one sensor out and put it back, and one point at a time does not answer.
func TestAWholePanelKeepsTheRulesWithSensorsInHandAndPartsOfItSilent(t *testing.T) {
	s := drivenSite(t)
	r := rand.New(rand.NewPCG(5, 5))
	acts := append([]string{"check", "back", "flow-silent", "valve-silent", "temp-silent"}, walks...)
	rearms, checks, fits, heldChecks := 0, 0, 0, 0
	for n := range 60 {
		w := calm(t, s)
		inHand := false
		sinceBack := 1e9
		zeroFor := 0 // seconds for which truth flow has been 0 or the valve shut
		var path []string
		for range 300 {
			a := acts[r.IntN(len(acts))]
			for range 1 + r.IntN(14)*r.IntN(2) {
				path = append(path, a)
				was := w.pl.state.Interlock.Hold
				broken := ""
				at := reading.Stamp{Wall: reading.Wall(w.slot+1) * 1e9, Up: time.Duration(w.slot+1) * time.Second}
				in := Input{Now: at, Certain: true, Boot: "4f2a91c0", NextSeq: w.seq + 1, Tick: true, Rounded: true}
				switch a {
				case "check", "back":
					w.slot++
					w.flushed += w.flow / 60
					sinceBack += w.flow / 60
					w.over = max(0, w.over-time.Second)
					var out Output
					var ref string
					if a == "check" {
						out, ref, _ = w.pl.CheckInHand(in, 0, "zero", 2*time.Minute, "Ann", "x")
						if ref == "" {
							w.seq += uint64(len(out.Events))
							w.do(fmt.Sprintf("25 %d %d", int(w.flow), map[bool]int{true: 1}[w.shut]))
							inHand = true
							checks++
							if was.Held {
								heldChecks++
							}
							if !w.shut {
								broken = "the guarding sensor was given away with the valve open"
							}
						}
					} else if out, ref = w.pl.SensorBack(in, 0, "Ann", "x"); ref == "" {
						inHand, sinceBack = false, 0
					}
					w.seq += uint64(len(out.Events))
				case "flow-silent", "valve-silent", "temp-silent":
					w.slot++
					w.flushed += w.flow / 60
					sinceBack += w.flow / 60
					w.over = max(0, w.over-time.Second)
					shut := uint16(0)
					if w.shut {
						shut = 1
					}
					for p, v := range []uint16{uint16(w.flow), 12, 25, shut} {
						rd := Read{Point: p, Slot: w.slot, Words: []uint16{v}, Fault: reading.Answered, At: at}
						if a == "flow-silent" && p == 0 || a == "valve-silent" && p == 3 || a == "temp-silent" && p == 2 {
							rd.Words, rd.Fault = nil, reading.Timeout
						}
						in.Reads = append(in.Reads, rd)
					}
					out := w.pl.Step(in)
					w.seq += uint64(len(out.Events))
					h := w.pl.state.Interlock.Hold
					if was.Held && !h.Held {
						broken = "held left"
					}
					if h.Held && !h.Override.On && len(out.Orders) != 1 {
						broken = "asked and no order"
					}
				case "restart":
					broken = w.do(a)
					sinceBack = min(sinceBack, 1e9)
				default:
					sinceBack += w.flow / 60
					broken = w.do(a)
					if broken == "a restart of a held valve gives no order before anything is read" {
						t.Fatal(broken)
					}
				}
				if w.shut || w.flow == 0 {
					zeroFor++
				} else {
					zeroFor = 0
				}
				h := w.pl.state.Interlock.Hold
				if a == "re-arm" && was.Held && !h.Held {
					rearms++
					if inHand {
						broken = "re-armed with a sensor in hand"
					}
				}
				stepped := a != "re-arm" && a != "override" && a != "restart" && a != "check" && a != "back"
				fit := w.pl.Look().Doubt == reading.Believed || w.pl.Look().Doubt == reading.FlowUnproven
				if stepped && fit {
					fits++
					switch {
					case inHand:
						broken = "representative with the sensor in hand"
					case sinceBack < 10:
						broken = fmt.Sprintf("representative %.2f mL after the sensor is back", sinceBack)
					case zeroFor > 4:
						broken = "representative with no flow"
					case h.Held:
						broken = "representative while held"
					}
				}
				if broken != "" {
					b, _ := json.Marshal(w.pl.state)
					t.Fatalf("walk %d: %s\nafter %q\n%s", n, broken, path[max(0, len(path)-40):], b)
				}
			}
		}
	}
	t.Logf("figure: whole panel, sensors in hand: %d re-armings, %d checks, %d of them while held, %d steps representative", rearms, checks, heldChecks, fits)
	if rearms < 20 || checks < 100 || heldChecks < 20 || fits < 200 {
		t.Error("the rules were not tried")
	}
}

// A check and its end between two steps: the line was open all the same, and the answer says that it must be flushed.
func TestACheckAndItsEndInOneSecondOweTheLongFlush(t *testing.T) {
	s := drivenSite(t)
	w := calm(t, s)
	w.do("25 0 1")
	w.do("25 0 1")
	at := reading.Stamp{Wall: reading.Wall(w.slot) * 1e9, Up: time.Duration(w.slot) * time.Second}
	in := Input{Now: at, Certain: true, Boot: "4f2a91c0", NextSeq: w.seq + 1}
	if _, ref, _ := w.pl.CheckInHand(in, 0, "zero", 2*time.Minute, "Ann", "x"); ref != "" {
		t.Fatal(ref)
	}
	if _, ref := w.pl.SensorBack(in, 0, "Ann", "x"); ref != "" {
		t.Fatal(ref)
	}
	w.do("25 200 0")
	w.do("25 200 0")
	if l := w.pl.Look(); l.OwedML < 40 { // three leads of 10 mL and ten cells of 1 mL
		t.Errorf("owed %v mL after a sensor was out, want 40", l.OwedML)
	}
}

// What nobody sees is not suspended: the one guarding sensor is in a person's hand, and what it reads there is a value of a bottle.
func TestAnOverrideIsRefusedWhileTheGuardingSensorIsInHand(t *testing.T) {
	s := drivenSite(t)
	w := calm(t, s)
	w.do("25 0 1")
	w.do("25 0 1")
	at := reading.Stamp{Wall: reading.Wall(w.slot) * 1e9, Up: time.Duration(w.slot) * time.Second}
	in := Input{Now: at, Certain: true, Boot: "4f2a91c0", NextSeq: w.seq + 1}
	if _, ref, _ := w.pl.CheckInHand(in, 0, "zero", 2*time.Minute, "Ann", "x"); ref != "" {
		t.Fatal(ref)
	}
	w.do("25 0 1")
	at = reading.Stamp{Wall: reading.Wall(w.slot) * 1e9, Up: time.Duration(w.slot) * time.Second}
	in.Now = at
	if _, ref := w.pl.Override(in, 8*time.Hour, "Kim", "x"); ref == "" {
		t.Errorf("overridden for 8 h while the guarding sensor is in a bottle")
	}
}

// The other order: nothing asks for the valve to be closed, and the one temperature that is left would be in a bottle.
func TestTheGuardingSensorIsNotGivenAwayUnderAnOverride(t *testing.T) {
	s := drivenSite(t)
	w := calm(t, s)
	w.do("25 0 1")
	w.do("25 0 1")
	in := Input{Now: reading.Stamp{Wall: reading.Wall(w.slot) * 1e9, Up: time.Duration(w.slot) * time.Second}, Certain: true, Boot: "4f2a91c0", NextSeq: w.seq + 1}
	if _, ref := w.pl.Override(in, time.Hour, "Kim", "x"); ref != "" {
		t.Fatal(ref)
	}
	if _, ref, _ := w.pl.CheckInHand(in, 0, "zero", 2*time.Minute, "Ann", "x"); ref != SensorGuards {
		t.Errorf("the one guarding sensor is given away under an override: refusal %q", ref)
	}
}
