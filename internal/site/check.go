package site

import "time"

// Entered says that a person gives the point's value, and for how long it stands.
type Entered struct {
	Configured bool
	MaxAge     time.Duration // older than this it is stale
	Basis      string        // for sulfite: "SO3" or "Na2SO3"; a value in another is refused
}

// Compensations a device may do to a conductivity before it shows it.
const (
	NotStated     = "not stated" // nobody has said: it is held against the lowest floor of all three
	Uncompensated = "none"
	Linear        = "linear"    // divided by 1 + slope (t - 25)
	Ultrapure     = "ultrapure" // pure water and a trace of salt each brought to 25 degC
)

// UsualSlope is the slope of the linear rule in % per K where none is said: common practice for dilute salts.
const UsualSlope = 2.0

// Water says what a conductivity is, so that it can be told whether any water can conduct so little. The zero Water says nothing, and then
// nothing is judged by it.
type Water struct {
	Compensation string  // one of the four; empty for what no device measures
	Slope        float64 // of Linear, in % per K
	Temperature  int     // the point of its temperature; None where none is known
}

// At25 tells whether the conductivity is one at 25 degC.
func (w Water) At25() bool { return w.Compensation == Linear || w.Compensation == Ultrapure }

// Cross is what a panel checks between its sensors.
type Cross struct {
	PH     CrossPH
	Oxygen CrossOxygen
}

// CrossPH holds a measured pH against the one that goes with the conductivity, where nothing but ammonia or an amine is fed.
type CrossPH struct {
	Configured   bool
	PH           int     // point
	Conductivity int     // point, at 25 degC
	Temperature  int     // point: of the water at the pH electrode
	Amine        bool    // a neutralising amine is fed, alone or with ammonia
	Band         float64 // how far they may be apart, in pH
}

// CrossOxygen doubts a high oxygen where sulfite stands well above zero in the same stream.
type CrossOxygen struct {
	Configured   bool
	Oxygen       int // point
	Sulfite      int // point
	OxygenAbove  float64
	SulfiteAbove float64 // both in their point's unit
}
