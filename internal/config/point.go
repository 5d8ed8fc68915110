package config

import (
	"fmt"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

var typeList = []string{"int16", "uint16", "int32", "uint32", "float32", "float64"}

// readType finds how words become a number, and refuses keys that could not matter.
func (mp *mapPoint) readType() bool {
	t := mp.t
	d := &mp.p.Decode
	d.Scale = 1
	if mp.tableKey == "" {
		return false
	}
	if mp.p.Table.Bits() {
		d.Type = site.Bit
		if s, ok := t.text("type", "leave type out"); ok && s != "bit" {
			t.wrong("type", fmt.Sprintf("a %s is one bit, never %q", mp.tableKey, s), "leave type out")
		}
		for _, key := range []string{"scale", "offset", "no_value", "order", "resolution", "floor", "ceiling", "fault_below", "fault_above", "frozen_after", "jump"} {
			if t.has(key) {
				t.wrongKey(key, "means nothing for a single bit", "leave it out; invert = true turns a bit round")
			}
		}
		d.Invert, _ = t.flag("invert")
		return true
	}
	if t.has("invert") {
		t.wrongKey("invert", "is for coils and discrete inputs", "leave it out; scale = -1 turns a number round")
	}
	if !t.has("type") {
		t.missing("type", `write type = "uint16" or another of `+quotedList(typeList)+", as the device's manual says")
		return false
	}
	if s, ok := t.m["type"].(string); ok && s == "bit" {
		t.wrong("type", "a single bit of a register is not obeyed yet", "read it as a coil or discrete input, if the device has it there")
		return false
	}
	s, ok := t.choice("type", typeList)
	if !ok {
		return false
	}
	d.Type, _ = site.ParseType(s)

	switch words := d.Type.Words(); {
	case words == 1 && t.has("order"):
		t.wrongKey("order", fmt.Sprintf("means nothing for %s, which is one register", d.Type), "leave it out; the bytes of one register have one order")
	case words > 1 && !t.has("order"):
		t.took("order", "ABCD", "most significant first, the only order the protocol knows; prove it against the device's own display")
	case words > 1:
		const do = `write one of "ABCD", "CDAB", "BADC", "DCBA"; prove it against the device's own display`
		if s, ok := t.text("order", do); ok {
			if d.Order, ok = site.ParseOrder(s); !ok {
				t.wrong("order", fmt.Sprintf("%q is no order of bytes", s), do) // no guess: every order gives some number
			}
		}
	}
	return true
}

// noteDensity says that a share of mass and mass in a volume are taken for one another, where a point has either: metrics, limits and what is
// computed may want the other.
func noteDensity(t table, u quantity.Unit) {
	for _, o := range u.Quantity().Units() {
		if v, assumed, err := quantity.Convert(1, u, o); err == nil && v == 1 && assumed != "" {
			t.notePoint("unit", fmt.Sprintf("%s and %s are one unit here: %s", u.Name(), o.Name(), assumed))
			return
		}
	}
}

// readUnit finds quantity and unit; either may follow from the other where only one is possible.
func (mp *mapPoint) readUnit() bool {
	t := mp.t
	if mp.p.Decode.Type == site.Bit {
		mp.p.Quantity = quantity.State
		mp.p.Unit = quantity.State.Units()[0]
		if s, ok := t.text("quantity", "leave quantity out"); ok && s != quantity.State.String() {
			t.wrong("quantity", fmt.Sprintf("a bit is a state, never %q", s), "leave quantity out")
		}
		if s, ok := t.text("unit", "leave unit out"); ok && s != quantity.State.String() {
			t.wrong("unit", "a bit has no unit", "leave unit out")
		}
		return true
	}
	if t.has("quantity") {
		var names []string
		for _, q := range quantity.Quantities() {
			if q != quantity.State {
				names = append(names, q.String())
			}
		}
		if s, ok := t.m["quantity"].(string); ok && s == quantity.State.String() {
			t.wrong("quantity", "a state is one bit, and this is a register", "read it as a coil or discrete input, or call it a number")
			return false
		}
		s, ok := t.choice("quantity", names)
		if !ok {
			return false
		}
		mp.p.Quantity, _ = quantity.ParseQuantity(s)
	}
	if !t.has("unit") {
		units := mp.p.Quantity.Units()
		switch {
		case mp.p.Quantity == quantity.None:
			t.missing("unit", `write unit = "degC" or another, as the device's manual says`)
			return false
		case len(units) == 1:
			mp.p.Unit = units[0]
			t.took("unit", units[0].Name(), "the only unit of "+mp.p.Quantity.String())
			return true
		}
		names := make([]string, len(units))
		for i, u := range units {
			names[i] = u.Name()
		}
		t.missing("unit", fmt.Sprintf("write one of %s, as the device's manual says", quotedList(names)))
		return false
	}
	s, ok := t.text("unit", `write a unit in quotes, such as "degC"`)
	if !ok {
		return false
	}
	u, err := quantity.ParseUnit(s, mp.p.Quantity)
	if err != nil {
		do := "write the unit of the number the device sends, after scale and offset"
		if mp.p.Quantity == quantity.None {
			do += "; where several quantities share it, say quantity as well"
		}
		t.wrong("unit", oneLine(err.Error()), do)
		return false
	}
	if u.Quantity() == quantity.State {
		t.wrong("unit", "a state is one bit, and this is a register", "read it as a coil or discrete input, or call it a number")
		return false
	}
	mp.p.Unit, mp.p.Quantity = u, u.Quantity()
	return true
}

// noValueMax bounds the words that mean "no value"; no device is known with more than a few.
const noValueMax = 16

// readNumbers reads what turns the raw number into the value.
func (mp *mapPoint) readNumbers() {
	t := mp.t
	if mp.p.Decode.Type == site.Bit {
		return
	}
	d := &mp.p.Decode
	if f, ok := t.finite("scale", "write the number that one raw step is worth, such as 0.1"); ok {
		if f == 0 {
			t.wrong("scale", "0 would turn every value into nothing", "write what one raw step is worth, or leave scale out for 1")
		} else {
			d.Scale = f
		}
	}
	if f, ok := t.finite("offset", "write a number; the value is raw x scale + offset"); ok {
		d.Offset = f
	}
	mp.readNoValue()

	h := habitOf(mp.p.Quantity)
	whole := d.Type != site.Float32 && d.Type != site.Float64
	switch a, ok := t.amount("resolution", mp.p.Unit, true); {
	case ok && a.value <= 0:
		t.wrong("resolution", fmt.Sprintf("%s is no step", a.text()), "write the last digit of the display that matters, such as 0.1")
	case ok:
		mp.p.Resolution = a.value
	case t.has("resolution"):
	case whole:
		mp.p.Resolution = abs(d.Scale)
		t.took("resolution", withUnit(mp.p.Resolution, mp.p.Unit), "one raw step")
	default:
		mp.p.Resolution = resolutionOf(h, mp.p.Unit)
		t.took("resolution", withUnit(mp.p.Resolution, mp.p.Unit), "the usual display of "+mp.p.Quantity.String())
	}
}

func abs(f float64) float64 {
	if f < 0 {
		return -f
	}
	return f
}

func (mp *mapPoint) readNoValue() {
	t := mp.t
	const do = `write the raw number before scaling, such as [-32768] or ["0x8000"]`
	v, ok := t.m["no_value"]
	if !ok {
		return
	}
	list, ok := v.([]any)
	if !ok {
		t.notA("no_value", "a list", do)
		return
	}
	if len(list) > noValueMax {
		t.wrong("no_value", fmt.Sprintf("holds more than %d words", noValueMax), "leave only those the manual names; fault_below and fault_above bound the rest")
		return
	}
	for i, e := range list {
		raw, what := rawOf(e, mp.p.Decode.Type)
		if what != "" {
			at := append(t.under("no_value"), fmt.Sprintf("[%d]", i))
			t.d.add(&t.d.mistakes, t.d.at.value(at), written(at), what, do)
			continue
		}
		mp.p.Decode.NoValue = append(mp.p.Decode.NoValue, raw)
	}
}

// readRange reads floor and ceiling, which are results, and the fault range, outside which nothing is believed.
func (mp *mapPoint) readRange() {
	t, p := mp.t, &mp.p
	if p.Decode.Type == site.Bit {
		return
	}
	floor, hasFloor := t.amount("floor", p.Unit, false)
	ceiling, hasCeil := t.amount("ceiling", p.Unit, false)
	below, hasBelow := t.amount("fault_below", p.Unit, false)
	above, hasAbove := t.amount("fault_above", p.Unit, false)
	p.Floor, p.HasFloor, p.Ceiling, p.HasCeil = floor.value, hasFloor, ceiling.value, hasCeil
	p.Fault = site.Range{Low: below.value, High: above.value, HasLow: hasBelow, HasHigh: hasAbove}

	if hasFloor && hasCeil && floor.value >= ceiling.value {
		t.wrong("ceiling", fmt.Sprintf("%s is not above the floor of %s", ceiling.text(), floor.text()), "floor is the bottom of the sensor's range, ceiling the top")
	}
	if hasBelow && hasAbove && below.value >= above.value {
		t.wrong("fault_above", fmt.Sprintf("%s is not above fault_below, %s", above.text(), below.text()), "between the two every value is believed")
	}
	if hasFloor && hasBelow && floor.value <= below.value {
		t.wrong("floor", fmt.Sprintf("%s is not above fault_below, %s, so it could never be reached", floor.text(), below.text()), "lower fault_below; the bottom of the range is a result, not a fault")
	}
	if hasCeil && hasAbove && ceiling.value >= above.value {
		t.wrong("ceiling", fmt.Sprintf("%s is not below fault_above, %s, so it could never be reached", ceiling.text(), above.text()), "raise fault_above; the top of the range is a result, not a fault")
	}
	mp.defaultFaults(hasFloor, hasCeil)
}

// defaultFaults takes the ends of the fault range that are not said, but never one that contradicts what is said.
func (mp *mapPoint) defaultFaults(hasFloor, hasCeil bool) {
	t, p := mp.t, &mp.p
	h := habitOf(p.Quantity)
	low, okLow := inUnit(h.faultBelow, p.Unit, false)
	lowWhy := h.faultWhy
	if p.Entered.Configured && notBelowNone(p.Quantity) {
		low, okLow, lowWhy = 0, true, "a person enters a result, and none is less than nothing; the drift of a zero is an analyser's"
	}
	if okLow && !t.has("fault_below") && !(hasFloor && p.Floor <= low) && !(p.Fault.HasHigh && p.Fault.High <= low) && !(hasCeil && p.Ceiling <= low) {
		p.Fault.Low, p.Fault.HasLow = low, true
		t.took("fault_below", withUnit(low, p.Unit), lowWhy)
	}
	high, okHigh := inUnit(h.faultAbove, p.Unit, false)
	if okHigh && !t.has("fault_above") && !(hasCeil && p.Ceiling >= high) && !(p.Fault.HasLow && p.Fault.Low >= high) && !(hasFloor && p.Floor >= high) {
		p.Fault.High, p.Fault.HasHigh = high, true
		t.took("fault_above", withUnit(high, p.Unit), h.faultWhy)
	}
}

// notBelowNone tells the quantities of which there may be none and never less.
func notBelowNone(q quantity.Quantity) bool {
	switch q {
	case quantity.DissolvedOxygen, quantity.Conductivity, quantity.Sulfite, quantity.Dye, quantity.Chloride, quantity.Dose:
		return true
	}
	return false
}
