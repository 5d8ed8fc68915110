package derive

import (
	"rillwatch/internal/chem"
	"rillwatch/internal/site"
)

// floorWithin is how far the temperature a device shows may be from that of the water in its cell, in K. Judgement; pure water conducts 4 to
// 7 % more for each kelvin, so a floor taken at the very temperature shown would call good water impossible.
const floorWithin = 1.0

// Floor is the lowest conductivity in uS/cm that a sound cell can show at t_degC after the compensation stated; false where nothing is
// stated, or the temperature is outside the range of the source.
//
// Source: chem.LowestConductivity, the lower of two routes to the conductivity of pure water less what a trace of base and a cell may take
// off, less what 1 K of the thermometer does.
func Floor(w site.Water, t_degC float64) (uS_cm float64, ok bool) {
	mode := chem.CompensationNotStated
	switch w.Compensation {
	case site.Uncompensated:
		mode = chem.Uncompensated
	case site.Linear:
		mode = chem.LinearTo25
	case site.Ultrapure:
		mode = chem.UltrapureTo25
	}
	floor, err := chem.LowestConductivity(t_degC, mode, w.Slope)
	if err != nil {
		return 0, false
	}
	// The device compensates by the temperature it shows, and the water is what it is: a thermometer that shows a kelvin too much makes pure
	// water look as much lower as it conducts less at a kelvin below. Compensation to 25 degC from above makes that difference smaller.
	at, err := chem.LowestConductivity(t_degC, chem.Uncompensated, 0)
	if err != nil {
		return 0, false
	}
	below, err := chem.LowestConductivity(t_degC-floorWithin, chem.Uncompensated, 0)
	if err != nil {
		return 0, false
	}
	share := 1.0 // what compensation makes of a difference of raw conductivities
	if mode == chem.LinearTo25 && at > 0 {
		share = max(1, floor/at)
	}
	return floor - share*(at-below), true
}
