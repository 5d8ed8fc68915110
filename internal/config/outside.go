package config

import (
	"fmt"
	"strconv"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// What the commands at the panel share with the file, so that both mean the same by a number and by a quantity.

// WireAddress turns the number of a register, as a manual prints it or, with wire, as it goes over the wire, into its wire address. The error
// says what to write instead.
func WireAddress(t reading.Table, number int64, wire bool) (uint16, error) {
	addr, what, do := wireAddress(t, number, wire)
	if what != "" {
		return 0, fmt.Errorf("%s (%s)", what, do)
	}
	return addr, nil
}

// ManualNumber is how a manual that counts from 1 prints a wire address: five digits up to 9999, six beyond, a coil without a leading digit.
func ManualNumber(t reading.Table, addr uint16) string {
	n := int64(addr) + 1
	for _, d := range digits {
		if d.table == t && n <= 9999 {
			return strconv.FormatInt(d.digit*10000+n, 10)
		}
		if d.table == t {
			return strconv.FormatInt(d.digit*100000+n, 10)
		}
	}
	return strconv.FormatInt(n, 10)
}

// FaultRange is what is taken for a quantity when the file does not say: outside it nothing is a measurement.
func FaultRange(q quantity.Quantity, unit quantity.Unit) (r site.Range) {
	h := habitOf(q)
	r.Low, r.HasLow = inUnit(h.faultBelow, unit, false)
	r.High, r.HasHigh = inUnit(h.faultAbove, unit, false)
	return r
}
