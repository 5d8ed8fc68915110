package config

import (
	"fmt"
	"strconv"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// What a device says of itself: its status, that it is alive, and which one it is. Status and alive become points of these names, so that
// a person can see the words that made a reading disbelieved.
const (
	statusName = "status"
	aliveName  = "alive"
)

type status struct {
	mp *mapPoint
	s  site.Status
}

type identity struct {
	mp *mapPoint // for its place only
	s  site.Identity
}

// word reads a register of the device itself as a point; nil when it has a mistake.
func (m *regMap) word(t table, typ site.Type) *mapPoint {
	before := len(t.d.mistakes)
	mp := &mapPoint{t: t}
	mp.p.Name = t.name()
	for _, o := range m.points {
		if o.p.Name == mp.p.Name {
			t.wrongHere("has the name of a point of this map", "give the point another name; the register becomes a point called "+mp.p.Name)
			return nil
		}
	}
	m.readRegister(mp)
	q := quantity.Number
	if mp.p.Decode.Type = typ; mp.p.Table.Bits() {
		mp.p.Decode.Type, q = site.Bit, quantity.State
	} else {
		mp.p.Resolution = 1
	}
	mp.p.Decode.Scale, mp.p.Quantity, mp.p.Unit = 1, q, q.Units()[0]
	if mp.placed {
		mp.checkSpace(m)
	}
	if len(t.d.mistakes) > before || !mp.placed {
		return nil
	}
	mp.ok = true
	mp.tellAddress()
	return mp
}

func (m *regMap) readStatus() {
	t, ok := m.t.sub(statusName)
	if !ok {
		return
	}
	t.check(shapeStatus)
	st := &status{s: site.Status{Configured: true, Mask: 0xFFFF}}
	if st.mp = m.word(t, site.Uint16); st.mp == nil {
		return
	}
	most := int64(0xFFFF)
	if st.mp.p.Decode.Type == site.Bit {
		most, st.s.Mask = 1, 1
		if t.has("mask") {
			t.wrongKey("mask", "means nothing for a single bit", "leave it out")
		}
	} else if n, ok := t.whole("mask", 1, most, "write the bits that report a fault, such as 0x000F"); ok {
		st.s.Mask = uint16(n)
	} else if !t.has("mask") {
		t.took("mask", "0xFFFF", "every bit is looked at")
	}
	before := len(t.d.mistakes)
	value := func(key, do string) uint16 {
		n, ok := t.whole(key, 0, most, do)
		if ok && uint16(n)&^st.s.Mask != 0 {
			t.wrong(key, fmt.Sprintf("0x%04X has bits outside the mask, 0x%04X, so it could never be seen", n, st.s.Mask), "write the value of the masked bits")
		}
		return uint16(n)
	}
	st.s.Good = value("good", "write the value of the masked bits while nothing is wrong")
	if !t.has("good") {
		t.took("good", "0", "no bit reports anything")
	}
	if t.has("hold") {
		st.s.Hold, st.s.HasHold = value("hold", "write the value of the masked bits while the device holds its output"), true
		if st.s.Hold == st.s.Good && len(t.d.mistakes) == before {
			t.wrong("hold", "is the same as good", "write the value of the masked bits while the device holds its output, or leave hold out")
		}
	}
	m.status = st
	m.points = append(m.points, st.mp)
}

func (m *regMap) readAlive() {
	t, ok := m.t.sub(aliveName)
	if !ok {
		return
	}
	t.check(shapeAlive)
	typ := site.Uint16
	if s, ok := t.choice("type", []string{"uint16", "uint32"}); ok {
		typ, _ = site.ParseType(s)
	}
	if m.alive = m.word(t, typ); m.alive == nil {
		return
	}
	if m.alive.p.Decode.Type == site.Bit {
		if t.has("type") {
			t.wrongKey("type", "means nothing for a single bit", "leave it out")
		}
		t.warnHere("is a single bit: one that changes at the beat of the polls looks as if it stood still", "take a counter, if the device has one")
	}
	m.points = append(m.points, m.alive)
}

// readIdentity reads where the serial number stands. It is asked about once a minute, and nothing is judged by it.
func (m *regMap) readIdentity() {
	all, ok := m.t.sub("identity")
	if !ok {
		return
	}
	all.check(shapeIdentity)
	const do = `write identity = { serial = { holding = 901, type = "text", registers = 8 } }`
	t, ok := all.sub("serial")
	if !ok {
		if !all.has("serial") {
			all.missing("serial", do)
		}
		return
	}
	before := len(t.d.mistakes)
	t.check(shapeSerial)
	mp := &mapPoint{t: t}
	mp.p.Name = "identity.serial"
	m.readRegister(mp)
	id := &identity{mp: mp, s: site.Identity{Configured: true, Table: mp.p.Table, Addr: mp.p.Addr}}
	kind, ok := t.choice("type", []string{"text", "uint16", "uint32"})
	if !t.has("type") {
		t.missing("type", `write type = "text" and registers, or "uint16" or "uint32"`)
	}
	if ok && kind == "text" {
		n, good := t.whole("registers", 1, identityMax, fmt.Sprintf("write how many registers hold the text, 1 to %d; each holds two characters", identityMax))
		if !t.has("registers") {
			t.missing("registers", "write how many registers hold the text; each holds two characters")
		}
		if id.s.Count = int(n); good && int(n) > m.longest {
			t.wrong("registers", fmt.Sprintf("%d registers are more than longest_read allows, %d", n, m.longest), "raise longest_read; a serial number must be read in one request")
		}
	} else if ok {
		id.s.Type, _ = site.ParseType(kind)
		id.s.Count = id.s.Type.Words()
		if t.has("registers") {
			t.wrongKey("registers", "is for a text", "leave it out; the type says how many")
		}
	}
	if s, ok := t.choice("order", []string{"ABCD", "CDAB", "BADC", "DCBA"}); ok {
		id.s.Order, _ = site.ParseOrder(s)
		if id.s.Type != site.Uint32 {
			t.wrongKey("order", "is for uint32", "leave it out")
		}
	}
	if mp.placed && int(id.s.Addr)+id.s.Count > space {
		t.wrong(mp.tableKey, fmt.Sprintf("%d registers would run past the last one", id.s.Count), "look the number up in the device's manual again")
	}
	if len(t.d.mistakes) > before || !mp.placed {
		return
	}
	m.identity = id
	t.d.note(written(t.path), fmt.Sprintf("%s %s is wire address %d, %s", id.s.Table, mp.p.Manual, id.s.Addr, count(id.s.Count, "register", "registers")))
	m.checkIdentityStyle(mp)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// checkIdentityStyle holds the serial number's register against the style of the map's other numbers.
func (m *regMap) checkIdentityStyle(mp *mapPoint) {
	if m.wire || len(m.points) == 0 {
		return
	}
	for _, o := range m.points {
		if !o.placed || o.p.Table == reading.Coil && o.number <= 9999 {
			continue
		}
		a, _, _ := styleOf(o.number)
		if b, _, _ := styleOf(mp.number); a != b {
			mp.t.wrong(mp.tableKey, fmt.Sprintf("%s %s, but %s of %s %s", strconv.FormatInt(mp.number, 10), styleWords[b], strconv.FormatInt(o.number, 10), o.p.Name, styleWords[a]),
				"write all numbers of one map in one style, as its manual prints them")
		}
		return
	}
}
