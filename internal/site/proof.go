package site

import (
	"fmt"
	"strconv"
	"strings"
)

// MapHash names the line of the register map by which a point is read, with the device it is read from: whatever would make another number of
// the same words, or read other words, changes it. A proof holds for one such name. It is FNV-1a over the text of the line, 16 hex digits; it
// guards against forgetting, not against forging. It is empty for a point that is not read from a device.
func (s *Site) MapHash(point int) string {
	p := &s.Points[point]
	if p.Derived() {
		return ""
	}
	sensor := &s.Sensors[p.Sensor]
	var b strings.Builder
	fmt.Fprintf(&b, "%d %s %d %s %s %s %s %t %s %s", sensor.Station, p.Table, p.Addr, p.Decode.Type, p.Decode.Order,
		strconv.FormatFloat(p.Decode.Scale, 'g', -1, 64), strconv.FormatFloat(p.Decode.Offset, 'g', -1, 64), p.Decode.Invert, p.Quantity, p.Unit)
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
