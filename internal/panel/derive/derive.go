// Package derive computes the points that are not measured but follow from others.
//
// Owns: derived readings: their value, bound, reason and the age of their oldest input.
// Never: believes a derived reading more than the worst of its inputs, or gives a number outside the range of what it was computed by.
package derive

import (
	"math"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Inputs are what a derived point is computed from: the readings of its inputs in the order of p.Derive.Inputs, each in its own point's
// unit. That of a constant or of nothing is not looked at.
type Inputs = []reading.Reading

// Step gives the reading of the derived point p. points are all points of the site; the result is in p's unit.
//
// The reason is the worst of the inputs'; an input without a value leaves none. At is the stamp given; Oldest is that of the
// oldest input. A bound goes through the right way round; where two bounds pull the result to opposite sides nothing is known of it, and
// it has no value. What the chemistry refuses has no value either: the reason is BelowWater where no water conducts so little, else
// FaultRange, because its inputs are then outside what the method was published for. Unknown is what is no derivation, or whose inputs
// are not those it takes: that is a fault of ours.
func Step(p *site.Point, points []site.Point, inputs Inputs, at reading.Stamp) reading.Reading {
	kind := p.Derive.By.Kind()
	if kind.By == site.NoDerivation || len(inputs) != len(p.Derive.Inputs) || len(inputs) != len(kind.Inputs) {
		return reading.Not(reading.Unknown, at)
	}
	why, oldest, any := reading.Believed, at, false
	for i, r := range inputs {
		in := p.Derive.Inputs[i]
		if in.Given || in.Point == site.None {
			continue
		}
		if in.Point < 0 || in.Point >= len(points) {
			return reading.Not(reading.Unknown, at)
		}
		if r.Reason.Worse(why) {
			why = r.Reason
		}
		if !any || r.Oldest.Up < oldest.Up {
			oldest, any = r.Oldest, true
		}
	}
	r := reading.Not(why, at)
	if !any {
		r = reading.Not(reading.Unknown, at)
	}
	if r.HasValue() {
		r = compute(p, kind, points, inputs, why, at)
	}
	r.Oldest = oldest
	return r
}

// compute gives the reading where every input has a value.
func compute(p *site.Point, kind site.DeriveKind, points []site.Point, inputs Inputs, why reading.Reason, at reading.Stamp) reading.Reading {
	m := methods[p.Derive.By]
	if m.of == nil {
		return reading.Not(reading.Unknown, at)
	}
	x := args{choice: p.Derive.Choice}
	bound := reading.Exact
	for i, in := range p.Derive.Inputs {
		switch {
		case in.Given:
			x.v[i], x.has[i] = in.Value, true
			continue
		case in.Point == site.None:
			continue
		}
		v, ok := InUnit(inputs[i].Value, points[in.Point].Unit, kind.Inputs[i])
		if !ok {
			return reading.Not(reading.Unknown, at)
		}
		x.v[i], x.has[i] = v, true
		b := inputs[i].Bound
		if m.rises[i] < 0 {
			b = turned(b)
		}
		switch {
		case b == reading.Exact || m.rises[i] == 0:
		case bound == reading.Exact:
			bound = b
		case bound != b:
			return reading.Not(reading.FaultRange, at)
		}
	}
	for i := range kind.Inputs {
		if !x.has[i] && kind.Inputs[i].Needs(x.choice) {
			return reading.Not(reading.Unknown, at)
		}
	}
	result, doubt := m.of(&x)
	if doubt.Quality() == reading.Bad {
		return reading.Not(doubt, at)
	}
	from, err := quantity.ParseUnit(kind.Unit, kind.Result)
	if err != nil {
		panic("derive: " + err.Error()) // a spelling of the table of kinds
	}
	value, _, err := quantity.Convert(result, from, p.Unit)
	if err != nil || math.IsNaN(value) || math.IsInf(value, 0) {
		return reading.Not(reading.FaultRange, at)
	}
	return reading.Of(value, bound, why, at).Demote(doubt)
}

// InUnit gives a value in the unit that an input of a kind takes; false where that cannot be.
func InUnit(v float64, from quantity.Unit, in site.DeriveInput) (float64, bool) {
	to, err := quantity.ParseUnit(in.Unit, in.Quantity)
	if err != nil {
		panic("derive: " + err.Error()) // a spelling of the table of kinds
	}
	v, _, err = quantity.Convert(v, from, to)
	return v, err == nil
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
