package app

import (
	"testing"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/reading"

	"fmt"
	"time"
)

// What waits for a busy bus is of a request that a person has withdrawn or suspended.
func TestAnOrderThatWaitsDoesNotOutliveWhatAskedForIt(t *testing.T) {
	s, _, err := config.Parse("hot.toml", fmt.Appendf(nil, hotPanel, "127.0.0.1:502", `, drive = { bus = "net", station = 1, coil = 5, close_value = 1, valve_fails = "closed", confirmed = { by = "J. Marsh", on = "2026-11-20", sole_writer = true, builder_agrees = true, shut_off_stays = true, opens_by_hand = true } }`, t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	for _, do := range []engine.Do{engine.Rearm{Panel: "b2"}, engine.Override{Panel: "b2", For: time.Hour}} {
		l := &loop{engine: engine.New(s), orders: newOrders(s)}
		up := time.Duration(0)
		now := func() reading.Stamp { return reading.Stamp{Wall: reading.Wall(up) + 18e17, Up: up} }
		feed := func(in engine.Input) engine.Outcome {
			o := l.engine.Step(in)
			l.orders.follow(o, l.engine.View()) // as the loop does
			return o
		}
		feed(engine.Boot{Nonce: "00000001", At: now(), WallCertain: true, Hash: s.Hash})
		round := func(slot uint64, temp uint16) {
			up += 100 * time.Millisecond
			feed(engine.Batch{Batch: reading.Batch{Slot: slot, Last: true, At: now(), Reads: []reading.Read{
				{Station: 1, Table: reading.Holding, Addr: 0, Count: 1, Words: []uint16{temp}, Fault: reading.Answered, Sent: now()},
				{Station: 1, Table: reading.Input, Addr: 0, Count: 1, Words: []uint16{200}, Fault: reading.Answered, Sent: now()},
				{Station: 1, Table: reading.Discrete, Addr: 0, Count: 1, Words: []uint16{0}, Fault: reading.Answered, Sent: now()}}}})
		}
		for i, v := range []uint16{600, 600, 250, 250} {
			round(uint64(i), v)
		}
		feed(engine.Tick{At: now()})
		if len(l.orders.of(0)) != 1 {
			t.Fatalf("%d orders wait before the bus, want 1", len(l.orders.of(0)))
		}
		o := feed(engine.Command{ID: "1", Who: "Kim", Why: "hands in the panel", At: now(), Do: do})
		if o.Replies[0].Refusal != engine.NotRefused {
			t.Fatal(o.Replies)
		}
		select {
		case r := <-l.orders.of(0):
			t.Errorf("after %T was obeyed an order is still before the bus, and lives for %v more", do, r.Until-up)
		default:
		}
		if l.orders.stands(reading.Order{}) {
			t.Errorf("after %T was obeyed an order that is under way still stands", do)
		}
	}
}
