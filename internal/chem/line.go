package chem

import (
	"errors"
	"math"
)

var (
	// From capillary to 2 in pipe: a sample line is neither thinner nor wider.
	bore = span{name: "bore of the line", unit: "mm", min: 0.1, max: 50, positive: true}
	// 1 km is far beyond any plant's sample line.
	lineLength = span{name: "length of the line", unit: "m", min: 0.001, max: 1000, positive: true}
	lineVolume = span{name: "volume of the line", unit: "mL", min: 1e-6, max: 2e6, positive: true} // the two together
	// 100 L/min is a fast loop; a drop a minute is 0.05 mL.
	sampleFlow = span{name: "sample flow", unit: "mL/min", min: 0.01, max: 100e3, positive: true}
	turnovers  = span{name: "line volumes", unit: "", min: 0, max: 1000}
)

// LineVolume is the volume in mL of a line of bore_mm, the inner diameter, and length_m.
//
// Source: definition; a tube of 1/4 in with a wall of 0.035 in has a bore of 4.572 mm and 16.417 mL/m. Valid from 0.1 to 50
// mm and 0.001 to 1000 m. Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func LineVolume(bore_mm, length_m float64) (mL float64, err error) {
	if err := first(bore.refuse(bore_mm), lineLength.refuse(length_m)); err != nil {
		return 0, err
	}
	return math.Pi / 4 * bore_mm * bore_mm * length_m, nil // mm2 m = mL
}

// LeadTime is the time in s that a sample takes through volume_mL of line at flow_mL_min, as a plug. The first of it comes
// after half of that where the flow is laminar.
//
// Source: definition. Valid from 0.000001 to 2 000 000 mL and 0.01 to 100 000 mL/min; without flow there is no lead time.
// Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func LeadTime(volume_mL, flow_mL_min float64) (s float64, err error) {
	if err := first(lineVolume.refuse(volume_mL), sampleFlow.refuse(flow_mL_min)); err != nil {
		return 0, err
	}
	return 60 * volume_mL / flow_mL_min, nil
}

// Velocity is the mean velocity in m/s of flow_mL_min in a line of bore_mm. Source: definition. Valid from 0.01 to 100 000
// mL/min and 0.1 to 50 mm. Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func Velocity(flow_mL_min, bore_mm float64) (m_s float64, err error) {
	if err := first(sampleFlow.refuse(flow_mL_min), bore.refuse(bore_mm)); err != nil {
		return 0, err
	}
	return velocity(flow_mL_min, bore_mm), nil
}

func velocity(flow_mL_min, bore_mm float64) (m_s float64) {
	return flow_mL_min / 60 / (math.Pi / 4 * bore_mm * bore_mm) // mL/s per mm2 = m/s
}

// Where the Reynolds number leaves the kind of flow open: textbook values for a straight round tube.
const (
	LaminarBelow   = 2300
	TurbulentAbove = 4000
)

// Reynolds is the Reynolds number of flow_mL_min of water of t_degC in a line of bore_mm: below LaminarBelow the flow is
// laminar, above TurbulentAbove turbulent, between them either.
//
// Source: definition, with the viscosity of IAPWS SR6-08(2011) and the density of IAPWS-IF97. Valid from 0.01 to 100 000
// mL/min, 0.1 to 50 mm, 0 to 100 degC. Errors: ErrNotFinite, ErrNotPositive, ErrBelowRange, ErrAboveRange.
func Reynolds(flow_mL_min, bore_mm, t_degC float64) (number float64, err error) {
	if err := first(sampleFlow.refuse(flow_mL_min), bore.refuse(bore_mm), liquidTemperature.refuse(t_degC)); err != nil {
		return 0, err
	}
	return velocity(flow_mL_min, bore_mm) * bore_mm / 1000 * density(t_degC) / viscosity(t_degC), nil
}

// FlushedLaminar is the part, 0 to 1, of the water at the end of a line that is new after volumes of it have passed, in
// laminar flow without mixing across: 1 - 1/(4 volumes^2), nothing before half a volume. It is the slow case of a long thin
// line.
//
// Source: parabolic profile of the velocity. Valid from 0 to 1000 volumes. Errors: ErrNotFinite, ErrBelowRange,
// ErrAboveRange.
func FlushedLaminar(volumes float64) (part float64, err error) {
	if err := turnovers.refuse(volumes); err != nil {
		return 0, err
	}
	if volumes <= 0.5 {
		return 0, nil
	}
	return 1 - 1/(4*volumes*volumes), nil
}

// FlushedMixed is the part, 0 to 1, of the water in a stirred cell that is new after volumes of it have passed:
// 1 - exp(-volumes).
//
// Source: mass balance of a mixed vessel. Valid from 0 to 1000 volumes. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func FlushedMixed(volumes float64) (part float64, err error) {
	if err := turnovers.refuse(volumes); err != nil {
		return 0, err
	}
	return -math.Expm1(-volumes), nil
}

var (
	newPart = span{name: "part of new water", unit: "", min: 0, max: 0.9999} // beyond, adsorption on the wall decides
	newHere = span{name: newPart.name, unit: "%", min: 0, max: 99.99}        // the same as people say it
)

// refusePart is the refusal of a part, said in per cent.
func refusePart(part float64) error {
	err := newPart.refuse(part)
	if said := newHere.refuse(100 * part); err != nil && said != nil && !errors.Is(said, ErrNotFinite) {
		return said
	}
	return err
}

// VolumesToFlushLaminar is FlushedLaminar turned round: the line volumes until part of the water is new. Half a volume for
// none. Valid from 0 to 0.9999. Source and errors as there.
func VolumesToFlushLaminar(part float64) (volumes float64, err error) {
	if err := refusePart(part); err != nil {
		return 0, err
	}
	return 0.5 / math.Sqrt(1-part), nil
}

// VolumesToFlushMixed is FlushedMixed turned round: the cell volumes until part of the water is new. Valid from 0 to
// 0.9999. Source and errors as there.
func VolumesToFlushMixed(part float64) (volumes float64, err error) {
	if err := refusePart(part); err != nil {
		return 0, err
	}
	return -math.Log1p(-part), nil
}
