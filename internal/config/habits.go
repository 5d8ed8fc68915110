package config

import (
	"fmt"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

const (
	frozenMin  = time.Minute
	frozenMax  = 48 * time.Hour
	startUpMax = 24 * time.Hour
	never      = "never"

	frozenWhy = "judgement; it becomes longer where a sensor stands still by habit, and a sibling must have moved"
	jumpWhy   = "practice: water usually moves no faster in a minute; a jump is a doubt, and counts"
)

// habit of standing still and of moving, by quantity. What moves by a person's hand or by a pump has none.
var still = []struct {
	quantity quantity.Quantity
	after    time.Duration
	jump     string  // in a minute
	share    float64 // of the value, in a minute
}{
	{quantity.Temperature, 4 * time.Hour, "5 degC", 0},
	{quantity.DissolvedOxygen, 4 * time.Hour, "50 ppb", 0},
	{quantity.Conductivity, 4 * time.Hour, "1 uS/cm", 1}, // twofold in a minute; pure water is all noise below 1 uS/cm
	{quantity.Resistivity, 4 * time.Hour, "1 MOhm.cm", 1},
	{quantity.PH, 4 * time.Hour, "0.5 pH", 0},
	{quantity.ORP, 4 * time.Hour, "100 mV", 0},
	{quantity.Sulfite, 6 * time.Hour, "10 ppm", 0},
	{quantity.Dye, 6 * time.Hour, "50 ppb", 0},
}

// isNever tells whether a value turns a judgement off: "never", 0 or "0s".
func isNever(v any) bool { return v == never || v == "0s" || v == int64(0) }

// readHabits reads after what time a value that stands still is frozen, and what in a minute is a jump.
func (mp *mapPoint) readHabits() {
	t, p := mp.t, &mp.p
	if p.Decode.Type == site.Bit {
		return
	}
	after, jump, share := time.Duration(0), "", 0.0
	for _, h := range still {
		if h.quantity == p.Quantity {
			after, jump, share = h.after, h.jump, h.share
		}
	}
	switch {
	case isNever(t.m["frozen_after"]):
	case t.has("frozen_after"):
		p.FrozenAfter, _ = t.span("frozen_after", frozenMin, frozenMax)
	case after > 0:
		p.FrozenAfter = after
		t.took("frozen_after", short(after), frozenWhy)
	default:
		t.took("frozen_after", never, "what a pump or a person sets may stand still")
	}
	switch {
	case isNever(t.m["jump"]):
	case t.has("jump"):
		if a, ok := t.amount("jump", p.Unit, true); ok && a.value <= 0 {
			t.wrong("jump", fmt.Sprintf("%s is no movement", a.text()), `write the most that water usually moves in a minute, or "never"`)
		} else if ok {
			p.Jump = a.value
		}
	case jump != "":
		p.Jump, _ = inUnit(jump, p.Unit, true)
		p.JumpShare = share
		text := withUnit(p.Jump, p.Unit)
		if share > 0 {
			text = "twofold, at least " + text
		}
		t.took("jump", text+" in a minute", jumpWhy)
	default:
		t.took("jump", never, "what a pump or a person sets may jump")
	}
}

// readStartUp reads how long after going on line no limit of the chemistry opens.
func (p *panel) readStartUp() {
	if long, ok := p.t.span("start_up", 0, startUpMax); ok {
		p.p.StartUp = long
	} else if !p.t.has("start_up") {
		p.t.took("start_up", "none", "limits open at once after going on line; a boiler fed on and off goes on line many times a day")
	}
}
