package site

import (
	"fmt"
	"strconv"
	"strings"
)

// MapHash names the line of the register map by which a point is read, with the device it is read from: whatever would make another number of
// the same words, read other words, show the number in another step or judge it by other bounds changes it. It covers the address of the link,
// the station, table and register, type, order, scale, offset, inversion, no-value words, quantity, unit, resolution, floor, ceiling, the
// fault range, and compensation, slope and thermometer of a conductivity. It does not cover frozen_after and jump, which doubt how a number
// moves and not the number, and no name. A proof holds for one such name. It is FNV-1a over the text of the line, 16 hex digits; it
// guards against forgetting, not against forging. It is empty for a point that is not read from a device.
func (s *Site) MapHash(point int) string {
	p := &s.Points[point]
	if p.Derived() {
		return ""
	}
	sensor := &s.Sensors[p.Sensor]
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	end := func(has bool, v float64) string {
		if !has {
			return "none"
		}
		return number(v)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s %d %s %d %s %s %s %s %t %s %s", s.Buses[sensor.Bus].Link, sensor.Station, p.Table, p.Addr, p.Decode.Type, p.Decode.Order,
		number(p.Decode.Scale), number(p.Decode.Offset), p.Decode.Invert, p.Quantity, p.Unit)
	fmt.Fprintf(&b, " %s %s %s %s %s", number(p.Resolution), end(p.HasFloor, p.Floor), end(p.HasCeil, p.Ceiling), end(p.Fault.HasLow, p.Fault.Low), end(p.Fault.HasHigh, p.Fault.High))
	if w := p.Water; w.Compensation != "" {
		fmt.Fprintf(&b, " %s %s", w.Compensation, number(w.Slope))
		if t := w.Temperature; t != None && s.Points[t].Derived() {
			fmt.Fprintf(&b, " %s", s.Points[t].Path)
		} else if t != None {
			by := &s.Points[t]
			fmt.Fprintf(&b, " %s %d %s %d", s.Buses[s.Sensors[by.Sensor].Bus].Link, s.Sensors[by.Sensor].Station, by.Table, by.Addr)
		}
	}
	for _, n := range p.Decode.NoValue {
		fmt.Fprintf(&b, " %d", n)
	}
	const offset, prime = 14695981039346656037, 1099511628211 // FNV-1a, 64 bits
	h := uint64(offset)
	for _, c := range []byte(b.String()) {
		h = (h ^ uint64(c)) * prime
	}
	return fmt.Sprintf("%016x", h)
}
