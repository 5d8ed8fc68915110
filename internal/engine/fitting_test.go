package engine_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

const fittedLater = twoPanels + `
[map.probe]
identity = { serial = { holding = 40901, type = "uint32" } }
[map.probe.point]
dye = { holding = 40001, type = "uint16", quantity = "dye", unit = "ppb" }
[map.card.point]
level = { input = 30101, type = "uint16", unit = "%" }
[panel.b3]
title = "Boiler 3 feedwater"
sensor.dye = { map = "probe", bus = "east", station = 13, fitted = "later" }
sensor.card = { map = "card", bus = "east", station = 13, fitted = "later" }
`

// east makes one round over the bus of that name with one read of station 13, holding from addr.
func east(e *engine.Engine, slot uint64, fault reading.Fault, addr uint16, words ...uint16) engine.Outcome {
	at := reading.Stamp{Wall: reading.Wall(slot) * reading.Wall(time.Second), Up: time.Duration(slot) * time.Second}
	r := reading.Read{Station: 13, Table: reading.Holding, Addr: addr, Count: uint16(max(1, len(words))), Words: words, Fault: fault, Sent: at}
	return e.Step(engine.Batch{Batch: reading.Batch{Bus: 0, Slot: slot, Last: true, At: at, Reads: []reading.Read{r}}})
}

func kinds(o engine.Outcome) (names []string) {
	for _, ev := range o.Events {
		if k := ev.Kind.String(); strings.HasPrefix(k, "sensor.") || strings.HasPrefix(k, "station.") {
			names = append(names, k+" "+ev.Point)
		}
	}
	return names
}

func station13(e *engine.Engine) engine.StationView {
	for _, st := range e.View().Buses[0].Stations {
		if st.Station == 13 {
			return st
		}
	}
	return engine.StationView{}
}

func TestASensorJoinsOnceForEverAndIsMissedFromThenOn(t *testing.T) {
	s := parse(t, fittedLater)
	e := engine.New(s)
	e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash})
	var told []string
	slot := uint64(0)
	round := func(n int, fault reading.Fault, words ...uint16) {
		for range n {
			slot++
			told = append(told, kinds(east(e, slot, fault, 0, words...))...)
		}
	}
	round(10, reading.Timeout)
	round(10, reading.HeldBack)
	if st := station13(e); !st.Absent || st.Answering || len(told) > 0 {
		t.Errorf("before it was there: %+v, told %v", st, told)
	}
	round(3, reading.Answered, 7)
	if st := station13(e); st.Absent || !st.Answering {
		t.Errorf("while it is there: %+v", st)
	}
	round(5, reading.TargetSilent)
	if st := station13(e); st.Absent {
		t.Errorf("while it is missed: %+v", st)
	}
	if d := cmp.Diff([]string{"sensor.joined b3.dye", "station.silent b3.dye"}, told); d != "" { // the card was never there
		t.Error(d)
	}

	// the next process knows it, and has nothing to tell of it
	states := e.States()
	e = engine.New(s)
	e.Step(engine.Boot{Nonce: "00000002", Hash: s.Hash, States: states, Before: engine.Before{Nonce: "00000001", Hash: s.Hash}})
	told, slot = nil, 0
	round(5, reading.Timeout)
	round(3, reading.Answered, 7)
	round(5, reading.Timeout)
	if d := cmp.Diff([]string{"station.back b3.dye", "station.silent b3.dye"}, told); d != "" {
		t.Errorf("after the restart: %s", d)
	}
}

func TestAnAnswerOfAnotherLengthIsNoSensorJoining(t *testing.T) {
	s := parse(t, fittedLater)
	e := engine.New(s)
	e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash})
	at := reading.Stamp{Up: time.Second}
	o := e.Step(engine.Batch{Batch: reading.Batch{Bus: 0, Slot: 1, Last: true, At: at, Reads: []reading.Read{
		{Station: 13, Table: reading.Holding, Count: 2, Words: []uint16{7}, Fault: reading.Answered, Sent: at},          // half of what was asked
		{Station: 13, Table: reading.Input, Count: 1, Words: []uint16{7}, Fault: reading.Answered, Sent: at},            // another table
		{Station: 13, Table: reading.Holding, Addr: 1, Count: 1, Words: []uint16{7}, Fault: reading.Answered, Sent: at}, // beside it
		{Station: 12, Table: reading.Holding, Count: 1, Words: []uint16{7}, Fault: reading.Answered, Sent: at},          // another station
	}}})
	if k := kinds(o); len(k) > 0 {
		t.Errorf("told %v", k)
	}
}

func TestASerialNumberOfNothingIsNotAnotherDevice(t *testing.T) {
	s := parse(t, fittedLater)
	e := engine.New(s)
	e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash})
	serial := func(slot uint64, words ...uint16) []string {
		var out []string
		for _, ev := range east(e, slot, reading.Answered, 900, words...).Events {
			if ev.Kind.String() == "sensor.exchanged" {
				out = append(out, ev.Was+" to "+ev.Is)
			}
		}
		return out
	}
	for i, c := range []struct {
		words []uint16
		want  []string
	}{
		{[]uint16{0, 0}, nil}, {[]uint16{0x0001, 0x0002}, nil}, {[]uint16{0x0001, 0x0002}, nil}, {[]uint16{0, 0}, nil}, {[]uint16{0xFFFF, 0xFFFF}, nil},
		{[]uint16{0x0001, 0x0002}, nil}, {[]uint16{0x0001, 0x0003}, []string{"65538 to 65539"}}, {[]uint16{0x0001, 0x0003}, nil},
	} {
		if d := cmp.Diff(c.want, serial(uint64(i+1), c.words...)); d != "" {
			t.Errorf("read %d: %s", i, d)
		}
	}
}
