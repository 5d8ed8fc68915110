package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// readBeside reads what the interlock looks at beside its first temperature.
func (p *panel) readBeside(t table) {
	l, unit := &p.p.Interlock, p.temperature.p.Unit
	sameUnit := func(key string) *point {
		pt := p.measured(t, key, quantity.Temperature)
		if pt == nil {
			return nil
		}
		p.mustBeFitted(t, key, pt)
		if pt == p.temperature {
			t.wrong(key, "is the interlock's temperature itself", "name another point, or leave it out")
			return nil
		}
		if pt.p.Unit != unit {
			t.wrong(key, fmt.Sprintf("%s is in %s, and %s in %s", pt.p.Path, pt.p.Unit.Name(), p.temperature.p.Path, unit.Name()), "what is compared must be in one unit; say it in the register map")
			return nil
		}
		return pt
	}
	if t.has("second_temperature") {
		if pt := sameUnit("second_temperature"); pt != nil {
			p.second, pt.sensor.guards = pt, true
			l.SecondLostAfter = lostAfter(pt.sensor.s.Period)
			if slowest := max(pt.sensor.s.Period, pt.sensor.s.Refresh); slowest > hotUpdatesWithin {
				t.wrong("second_temperature", fmt.Sprintf("%s is new only every %s, and two hot updates must come within %s to close", pt.p.Path, short(slowest), short(hotUpdatesWithin)),
					"shorten period and refresh of its sensor")
			}
		}
	}
	if a, ok := t.amount("rise_per_min", unit, true); ok && a.value < 0 {
		t.wrong("rise_per_min", a.text()+" a minute is no rise", "write how fast the sample may grow warmer in a minute, or 0 for no such warning")
	} else if ok {
		l.RisePerMin = a.value
	} else if !t.has("rise_per_min") {
		if v, ok := inUnit(riseDefault, unit, true); ok {
			l.RisePerMin = v
			t.took("rise_per_min", riseDefault, "judgement: a dying cooler shows in it minutes before the sample is hot")
		}
	}
	if !t.has("cooling_water") {
		if t.has("approach_above") {
			t.wrongKey("approach_above", "means nothing without cooling_water", "name the point of the cooling water's temperature, or leave it out")
		}
		return
	}
	p.cooling = sameUnit("cooling_water")
	const do = "write how far the sample may be above its cooling water while the cooler is clean, with some room, such as 8 K"
	if !t.has("approach_above") {
		t.missing("approach_above", "write how far the sample may be above its cooling water; only this plant knows its cooler")
	}
	if a, ok := t.amount("approach_above", unit, true); ok && a.value <= 0 {
		t.wrong("approach_above", a.text()+" is no distance", do)
	} else if ok {
		l.ApproachAbove = a.value
	}
}

// readDrive reads the one write there is. Nothing about it has a default that moves a valve.
func (p *panel) readDrive(lock table) {
	t, ok := lock.sub("drive")
	if !ok {
		return
	}
	t.check(shapeDrive)
	d := &p.p.Interlock.Drive
	d.Configured = true
	if name, ok := reference(t, "bus", "bus", t.d.buses, "[bus.NAME]"); ok {
		p.drive = t.d.buses[name]
	}
	station := "write 1 to 247 for a device behind a gateway, or 255 for a device spoken to directly"
	if !t.has("station") {
		t.missing("station", station)
	} else if n, ok := t.whole("station", 0, 255, station); ok {
		switch {
		case n == 0:
			t.wrong("station", "0 is a broadcast: every device behind a gateway would obey it, and none would answer", station)
		case n > 247 && n != 255:
			t.wrong("station", fmt.Sprintf("%d is a reserved number", n), station)
		case n == 255 && p.drive != nil && p.drive.b.Serial():
			t.wrong("station", "255 is no station of a serial line", "write 1 to 247")
		}
		d.Station = uint8(n)
	}
	p.readDriveRegister(t, d)
	switch s, ok := t.m["valve_fails"].(string); {
	case !t.has("valve_fails"):
		t.missing("valve_fails", `write valve_fails = "closed", when the valve closes by itself without power and without its control; otherwise remove drive`)
	case !ok || s != "closed":
		t.wrong("valve_fails", "only a valve that fails closed may be driven: rillwatch, its network and its machine can all fail", `write "closed" when that is so, or remove drive and only observe`)
	}
	if !lock.has("valve_closed") {
		t.wrongHere("the valve has no feedback, so nothing shows where it stands", "name its position switch as valve_closed of the interlock, or remove drive and only observe")
	}
	if line, _ := p.t.sub("line"); !line.has("flow") {
		t.wrongHere("the line has no flow, so nothing shows that a valve which says closed lets nothing through", "name the sample flow as flow of the line, or remove drive and only observe")
	}
	t.readConfirmed(d)
}

// readConfirmed reads that a person has in writing what no file can prove. Each is a key of its own, so that nobody confirms what he has not read.
func (t table) readConfirmed(d *site.Drive) {
	c, ok := t.sub("confirmed")
	if !ok {
		if !t.has("confirmed") {
			t.missing("confirmed", `write confirmed = { by = "WHO", on = "2026-11-25", `+strings.Join(confirmKeys(), " = true, ")+" = true }, when you have each in writing; otherwise remove drive")
		}
		return
	}
	c.check(shapeConfirmed)
	const whom = "write the name of who has it in writing"
	if d.ConfirmedBy, ok = c.text("by", whom); !ok && !c.has("by") {
		c.missing("by", whom)
	}
	const when = `write the day, such as "2026-11-25"`
	if on, ok := c.text("on", when); ok {
		if _, err := time.Parse(time.DateOnly, on); err != nil {
			c.wrong("on", fmt.Sprintf("%q is no day", on), when)
		}
		d.ConfirmedOn = on
	} else if !c.has("on") {
		c.missing("on", when)
	}
	for _, f := range confirm {
		if f.key == "" {
			continue
		}
		do := "write true when you have it in writing that " + f.what + "; otherwise remove drive and only observe"
		switch v, ok := c.flag(f.key); {
		case !c.has(f.key):
			c.missing(f.key, do)
		case ok && !v:
			c.wrong(f.key, "is false, and a valve is driven only where it is true", do)
		}
	}
}

// confirmKeys are the keys of what must be confirmed.
func confirmKeys() (keys []string) {
	for _, f := range confirm {
		if f.key != "" {
			keys = append(keys, f.key)
		}
	}
	return keys
}

func (p *panel) readDriveRegister(t table, d *site.Drive) {
	key := "coil"
	switch coil, holding := t.has("coil"), t.has("holding"); {
	case coil && holding:
		t.wrongKey("holding", "is a second register besides coil", "keep one; the valve is asked to close in one place")
		return
	case holding:
		key = "holding"
	case !coil:
		t.missing("coil", "write coil or holding and its number, as the panel's manual prints it")
		return
	}
	wire := false
	if style, ok := t.choice("numbering", []string{"manual", "wire"}); ok {
		wire = style == "wire"
	} else if !t.has("numbering") {
		t.took("numbering", "manual", "numbers as the panel's manual prints them, counted from 1")
	}
	d.Table, _ = reading.ParseTable(key)
	n, ok := t.whole(key, 0, 465536, "write the number without quotes")
	if !ok {
		return
	}
	addr, what, do := wireAddress(d.Table, n, wire)
	if what != "" {
		t.wrong(key, what, do)
		return
	}
	d.Addr = addr
	most, how := int64(1), "write 1 or 0: the one value of the coil that closes the valve"
	if d.Table == reading.Holding {
		most, how = 65535, "write the one value of the register that closes the valve, 0 to 65535"
	}
	if v, ok := t.whole("close_value", 0, most, how); ok {
		d.Value = uint16(v)
	} else if !t.has("close_value") {
		t.missing("close_value", how)
	}
}

// checkDrives refuses two drives of one place, and tells what a person must confirm of each.
func (d *doc) checkDrives() {
	type place struct {
		bus     *bus
		station uint8
		table   reading.Table
		addr    uint16
	}
	at := map[place]string{}
	for _, p := range d.panels {
		v := &p.p.Interlock.Drive
		if !v.Configured || p.drive == nil {
			continue
		}
		lock, _ := p.t.sub("interlock")
		t, _ := lock.sub("drive")
		here := place{p.drive, v.Station, v.Table, v.Addr}
		direct := p.drive.b.Direct // the device itself answers whatever station is asked for
		if direct {
			here.station = 0
		}
		if f := p.valve; f != nil && f.sensor != nil && slices.Contains(p.drive.sensors, f.sensor) && (direct || f.sensor.s.Station == v.Station) && f.p.Table == v.Table && f.p.Addr == v.Addr {
			lock.wrong("valve_closed", f.p.Path+" is the very coil that the drive writes: it shows what was asked, and not where the valve stands", "name the valve's own position switch")
		}
		if first := at[here]; first != "" {
			t.wrongHere("asks in the same place as panel "+first, "each panel's valve has its own coil or register")
		}
		at[here] = p.p.Name
		if len(p.drive.sensors) == 0 {
			t.wrong("bus", "no sensor is on this bus, so nothing would show whether it is there", "put the request on a bus that is polled")
		}
		for _, s := range p.drive.sensors {
			if s.m == nil || !direct && s.s.Station != v.Station {
				continue
			}
			for _, mp := range s.m.points {
				if mp.ok && mp.p.Table == v.Table && mp.span().Addr <= v.Addr && int(v.Addr) < int(mp.span().Addr)+mp.span().Count && mp.p.Table == reading.Holding {
					t.wrong("holding", fmt.Sprintf("%s reads this register as a measurement", s.s.Path), "name the register that the panel takes the close request from")
				}
			}
		}
		what := fmt.Sprintf("rillwatch may write %d to %s wire address %d of station %d on bus %s, and nothing else", v.Value, v.Table, v.Addr, v.Station, p.drive.b.Name)
		t.notePoint("close_value", what)
		for i, c := range confirm {
			t.d.note(written(t.path), fmt.Sprintf("confirmed in writing by %s on %s: %d. %s", v.ConfirmedBy, v.ConfirmedOn, i+1, c.what))
		}
	}
}

// confirm is what no file can prove and a person must have in writing before a valve is driven. The second has its key in valve_fails.
var confirm = [...]struct{ key, what string }{
	{"sole_writer", "nobody and nothing else writes this coil or register, neither the panel's controller nor another system"},
	{"", "the sample valve closes by itself when its power or its control fails"},
	{"builder_agrees", "the panel's builder agrees to the request and to what the panel does with it"},
	{"shut_off_stays", "the panel's own thermal shut-off stays in service and stays the primary protection; rillwatch claims no safety integrity level"},
	{"opens_by_hand", "a re-arming only ends the writing: rillwatch never writes a value that opens, so a person at the panel must be able to open the valve afterwards"},
}
