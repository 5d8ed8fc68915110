package derive

import (
	"math"

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
// off, here the lowest within 1 K.
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
	floor := math.Inf(1)
	for _, d := range [...]float64{-floorWithin, 0, floorWithin} {
		k, err := chem.LowestConductivity(t_degC+d, mode, w.Slope)
		if err != nil {
			return 0, false
		}
		floor = min(floor, k)
	}
	return floor, true
}
