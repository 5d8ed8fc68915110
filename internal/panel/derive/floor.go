package derive

import (
	"rillwatch/internal/chem"
	"rillwatch/internal/site"
)

// How far the temperature a device shows may be from that of the water in its cell, in K. Judgement; pure water conducts 4 to 7 % more for
// each kelvin, so a floor taken at the very temperature shown would call good water impossible.
const (
	floorWithin = 1.0
	// Where nobody has said how a conductivity is compensated, nobody has said either that the temperature beside it is that of its cell: it
	// may stand elsewhere in the same device.
	floorWithinNotStated = 5.0
)

// Floor is the lowest conductivity in uS/cm that a sound cell can show at t_degC after the compensation stated; false where there is nothing
// to judge, or the temperature is outside the range of the source. Where the compensation is not stated it is the lowest of all the ways a
// device may have been set, so that no legitimate reading lies below.
//
// Source: chem.LowestConductivity, the lower of two routes to the conductivity of pure water less what a trace of base and a cell may take
// off, less what the error of the thermometer does.
func Floor(w site.Water, t_degC float64) (uS_cm float64, ok bool) {
	switch w.Compensation {
	case site.Uncompensated:
		return floor(chem.Uncompensated, 0, t_degC, floorWithin)
	case site.Linear:
		return floor(chem.LinearTo25, w.Slope, t_degC, floorWithin)
	case site.Ultrapure:
		return floor(chem.UltrapureTo25, 0, t_degC, floorWithin)
	case site.NotStated:
		// Between the ends the slope moves the linear floor one way only.
		for i, way := range [...]struct {
			mode  chem.Compensation
			slope float64
		}{{chem.Uncompensated, 0}, {chem.LinearTo25, 1}, {chem.LinearTo25, 3}, {chem.UltrapureTo25, 0}} {
			v, known := floor(way.mode, way.slope, t_degC, floorWithinNotStated)
			if !known {
				return 0, false
			}
			if i == 0 || v < uS_cm {
				uS_cm = v
			}
		}
		return max(uS_cm, FloorAnywhere()), true // beyond 70 degC what five kelvin make is more than all of the lowest
	}
	return 0, false
}

// FloorAnywhere is the lowest conductivity in uS/cm that a sound cell can show in any water that is not ice, whatever its temperature and
// compensation: that of pure water at 0 degC, not compensated. Every compensation to 25 degC makes more of cold water, and of warm water a
// third at the least, which then conducts many times as much. Source as Floor.
func FloorAnywhere() (uS_cm float64) {
	v, err := chem.LowestConductivity(0, chem.Uncompensated, 0)
	if err != nil {
		panic("derive: " + err.Error()) // 0 degC is in the range of the source
	}
	return v
}

func floor(mode chem.Compensation, slope, t_degC, within float64) (uS_cm float64, ok bool) {
	lowest, err := chem.LowestConductivity(t_degC, mode, slope)
	if err != nil {
		return 0, false
	}
	// The device compensates by the temperature it shows, and the water is what it is: a thermometer that shows a kelvin too much makes pure
	// water look as much lower as it conducts less at a kelvin below. Compensation to 25 degC from above makes that difference smaller.
	at, err := chem.LowestConductivity(t_degC, chem.Uncompensated, 0)
	if err != nil {
		return 0, false
	}
	below, err := chem.LowestConductivity(max(0, t_degC-within), chem.Uncompensated, 0) // colder it is ice
	if err != nil {
		return 0, false
	}
	share := 1.0 // what compensation makes of a difference of raw conductivities
	if mode == chem.LinearTo25 && at > 0 {
		share = max(1, lowest/at)
	}
	return lowest - share*(at-below), true
}
