package engine_test

import (
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

func roundOf(e *engine.Engine, slot uint64, up time.Duration, faults map[uint8]reading.Fault) engine.Outcome {
	at := reading.Stamp{Wall: reading.Wall(up), Up: up}
	b := reading.Batch{Bus: 0, Slot: slot, Last: true, At: at}
	for _, st := range e.View().Buses[0].Stations {
		f, ok := faults[st.Station]
		if !ok {
			continue
		}
		r := reading.Read{Station: st.Station, Table: reading.Holding, Addr: 0, Count: 1, Fault: f, Sent: at}
		if f == reading.Answered {
			r.Words = []uint16{7}
		}
		b.Reads = append(b.Reads, r)
	}
	return e.Step(engine.Batch{Batch: b})
}

// A station that is polled every two minutes and once is not vouched for.
func TestOneAnswerOutOfStepOfASlowStationCallsNobody(t *testing.T) {
	for _, f := range []reading.Fault{reading.OutOfStep, reading.NotVouched} {
		s := parse(t, twoPanels)
		for i := range s.Sensors {
			s.Sensors[i].Period = 2 * time.Minute
		}
		e := engine.New(s)
		e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash})
		id := e.View().Buses[0].Stations[0].Station
		var told []string
		for i := range 10 {
			fault := reading.Answered
			if i == 6 {
				fault = f
			}
			told = append(told, kinds(roundOf(e, uint64(i*120), time.Duration(1+i*120)*time.Second, map[uint8]reading.Fault{id: fault}))...)
		}
		if len(told) > 0 {
			t.Errorf("one read %v: %v", f, told)
		}
	}
}

// A station that nobody has asked yet, because others used up what a round may lose to silence.
func TestAStationThatWasNeverAskedIsNotSilent(t *testing.T) {
	s := parse(t, twoPanels+"[panel.b3]\ntitle = \"Boiler 3 feedwater\"\nsensor.rack = { map = \"rack\", bus = \"east\", station = 2 }\n")
	e := engine.New(s)
	e.Step(engine.Boot{Nonce: "00000001", Hash: s.Hash})
	stations := e.View().Buses[0].Stations
	if len(stations) < 2 {
		t.Fatalf("%d stations", len(stations))
	}
	a, b := stations[0].Station, stations[1].Station
	var told []string
	for i := range 6 {
		o := roundOf(e, uint64(i), time.Duration(i+1)*time.Second, map[uint8]reading.Fault{a: reading.Timeout, b: reading.HeldBack})
		for _, ev := range o.Events {
			if ev.Kind.String() == "station.silent" && ev.Station == b {
				told = append(told, ev.Kind.String()+" cause "+ev.Cause)
			}
		}
	}
	if len(told) > 0 {
		t.Errorf("station %d was held back six times and never asked: %v", b, told)
	}
}
