// Package derive computes the points that are not measured but follow from others.
//
// Owns: derived readings: their value, bound, reason and the age of their oldest input.
// Never: believes a derived reading more than the worst of its inputs.
package derive

import (
	"errors"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Step gives the reading of the derived point p. points are all points of the site, and inputs the readings of those that
// p.Derive.Inputs names, in that order: an input is in its own point's unit, and the result is in p's.
//
// The reason is the worst of the inputs'; an input without a value leaves none. At is the stamp given; Oldest is that of the
// oldest input. The reading is Unknown when p is no derivation, or the inputs are not those it takes.
func Step(p *site.Point, points []site.Point, inputs []reading.Reading, at reading.Stamp) reading.Reading {
	if len(inputs) == 0 || len(inputs) != len(p.Derive.Inputs) {
		return reading.Not(reading.Unknown, at)
	}
	why, oldest := reading.Believed, inputs[0].Oldest
	for _, r := range inputs {
		if r.Reason.Worse(why) {
			why = r.Reason
		}
		if r.Oldest.Up < oldest.Up {
			oldest = r.Oldest
		}
	}
	r := reading.Not(why, at)
	if r.HasValue() {
		switch p.Derive.By {
		case site.ResistivityOf:
			r = resistivity(p, points, inputs, why, at)
		default:
			r = reading.Not(reading.Unknown, at)
		}
	}
	r.Oldest = oldest
	return r
}

// The units in which chem speaks.
var (
	microsiemens = unit("uS/cm", quantity.Conductivity)
	megohm       = unit("MOhm.cm", quantity.Resistivity)
)

func unit(s string, q quantity.Quantity) quantity.Unit {
	u, err := quantity.ParseUnit(s, q)
	if err != nil {
		panic("derive: " + err.Error()) // a spelling of this file's own
	}
	return u
}

// resistivity is one over the conductivity, so a bound turns round: less than the least conductivity the cell can tell is more
// than the resistivity that belongs to it. No water conducts nothing, so a conductivity that chem refuses as too low is below
// water, and one it refuses as too high no measurement.
func resistivity(p *site.Point, points []site.Point, inputs []reading.Reading, why reading.Reason, at reading.Stamp) reading.Reading {
	i := p.Derive.Inputs[0]
	if len(inputs) != 1 || i < 0 || i >= len(points) {
		return reading.Not(reading.Unknown, at)
	}
	kappa, _, err := quantity.Convert(inputs[0].Value, points[i].Unit, microsiemens)
	if err != nil {
		return reading.Not(reading.Unknown, at)
	}
	rho, err := chem.ResistivityFromConductivity(kappa)
	switch {
	case errors.Is(err, chem.ErrNotPositive), errors.Is(err, chem.ErrBelowRange):
		return reading.Not(reading.BelowWater, at)
	case err != nil:
		return reading.Not(reading.FaultRange, at)
	}
	value, _, err := quantity.Convert(rho, megohm, p.Unit)
	if err != nil {
		return reading.Not(reading.Unknown, at)
	}
	return reading.Of(value, turned(inputs[0].Bound), why, at)
}

func turned(b reading.Bound) reading.Bound {
	switch b {
	case reading.Below:
		return reading.Above
	case reading.Above:
		return reading.Below
	}
	return reading.Exact
}
