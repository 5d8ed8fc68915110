// Package rig is a simulated sample panel: the physics of one cooled side-stream of boiler feedwater, and a Modbus TCP server that
// answers as the panel's output would. It exists so that a whole story (oxygen upset, lost cooler, valve closed, opened by hand)
// can be watched on a desk, and so that judgement can be tried against a plant whose truth is known.
//
// Two halves. Plant, Panel and the script are pure: time arrives as an argument, chance as a seed, and the same calls give the same
// bytes. Server is the shell: sockets, a ticker, one mutex.
//
// Owns: the invented plant, its upsets, its register table, its server.
// Never: imports anything of the project, or is imported by the core; it must not share a mistake with what it tests.
package rig

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"
)

// Constants describe one sample stream. Temperatures in degC, oxygen in ug/L, conductivity in uS/cm, volumes in mL, flow in mL/min.
// A time constant of zero means "at once".
type Constants struct {
	SourceTemperature  float64 // water at the tap
	SourceOxygen       float64 // with the deaerator healthy
	UpsetOxygen        float64 // with the deaerator upset
	SourceConductivity float64 // with clean condensate
	LeakConductivity   float64 // with a condensate leak

	LineLengthM float64 // tap to cell
	LineBoreMM  float64
	CoilML      float64 // cooler coil and fittings, added to the line's own volume
	CellML      float64

	FlowSetPoint float64
	FlowNoise    float64 // the meter's reading wanders by at most this, uniformly

	CoolingWater        float64       // what a perfect cooler would cool to
	CoolerEffectiveness float64       // 0..1: share of (source - cooling water) removed while cooling works
	CoolerLossTau       time.Duration // how fast the effectiveness dies when cooling water is lost
	CoolerBackTau       time.Duration // how fast it returns when cooling water is back

	Ambient float64       // room air
	LegTau  time.Duration // the dead leg towards Ambient while nothing flows
	CellTau time.Duration // the cell towards Ambient while nothing flows

	AirOxygen  float64       // water in balance with air; what a pulled sensor reads
	LegAirTau  time.Duration // stagnant leg water towards AirOxygen
	CellAirTau time.Duration // stagnant cell water towards AirOxygen: the cell's outlet is open to the room

	RTDTau    time.Duration
	OxygenTau time.Duration

	ValveStroke  time.Duration // full travel of the motorised sample valve
	CloseAbove   float64       // set point of the panel's own thermal shut-off, strictly above
	CloseConfirm time.Duration // and for this long without a break

	TemperatureNoise  float64 // readings only; the physics and the shut-off see none of it
	OxygenNoise       float64
	ConductivityNoise float64
}

// DefaultConstants is a full-size panel: 15 m of 4 mm bore and a 100 mL coil lead to a 100 mL cell, 288 mL and so 87 s at
// 200 mL/min. No standard gives the time constants; they are judgement: a cooler dies over a minute, an insulated cell cools in
// five, a bare leg full of metal in ten, a sheathed RTD follows in 8 s. 8260 ug/L is air-saturated water at 25 degC (from memory,
// 8.26 mg/L). 48.9 degC is 120 degF, common practice for wetted sensors.
func DefaultConstants() Constants {
	return Constants{
		SourceTemperature:  105, // an LP deaerator a little above atmosphere
		SourceOxygen:       5,
		UpsetOxygen:        60,
		SourceConductivity: 4,
		LeakConductivity:   14,

		LineLengthM: 15,
		LineBoreMM:  4,
		CoilML:      100,
		CellML:      100,

		FlowSetPoint: 200,
		FlowNoise:    1,

		CoolingWater:        20,
		CoolerEffectiveness: 0.94, // 105 - 0.94 x 85 = 25.1 degC, the usual conditioned temperature
		CoolerLossTau:       60 * time.Second,
		CoolerBackTau:       30 * time.Second,

		Ambient: 25,
		LegTau:  600 * time.Second,
		CellTau: 300 * time.Second,

		AirOxygen:  8260,
		LegAirTau:  200 * time.Hour, // a full metal line takes up little: 41 ug/L in an hour
		CellAirTau: 2 * time.Hour,

		RTDTau:    8 * time.Second,
		OxygenTau: 15 * time.Second,

		ValveStroke:  15 * time.Second,
		CloseAbove:   48.9,
		CloseConfirm: 4 * time.Second,

		TemperatureNoise:  0.05,
		OxygenNoise:       0.05,
		ConductivityNoise: 0.003,
	}
}

// DemoConstants is the same water in a toy line, so that a whole story fits in a minute and a half: 12 mL of lead and a 5 mL cell
// are fresh after 8 s at 200 mL/min (one lead, three cells) or 26 s (three leads, ten cells). A cooler that dies over 30 s crosses
// 40 degC about four seconds before 48.9 degC: time to read the warning before the valve moves.
func DemoConstants() Constants {
	c := DefaultConstants()
	c.LineLengthM, c.LineBoreMM, c.CoilML, c.CellML = 0.8, 4, 2, 5
	c.CoolerLossTau = 30 * time.Second
	c.CoolerBackTau = 2 * time.Second
	c.LegTau = 8 * time.Second
	c.CellTau = 6 * time.Second
	c.LegAirTau = 8000 * time.Second // some 20 ug/L in a 20 s stop: stagnant water is seen, and one lead carries it away
	c.CellAirTau = 4000 * time.Second
	c.RTDTau = 500 * time.Millisecond
	c.OxygenTau = 500 * time.Millisecond
	c.ValveStroke = 1500 * time.Millisecond
	c.CloseConfirm = time.Second
	return c
}

// LeadML is the volume from the tap to the cell in mL: pi/4 x bore^2 x length (mm^2 x m = mL) plus the coil.
func (c Constants) LeadML() float64 {
	return math.Pi/4*c.LineBoreMM*c.LineBoreMM*c.LineLengthM + c.CoilML
}

// LineTOML is the panel's line as a configuration writes it, for a sensor named "rack".
func (c Constants) LineTOML() string {
	n := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	return fmt.Sprintf("line = { length_m = %s, bore_mm = %s, coil_mL = %s, cell_mL = %s, flow = \"rack.flow\" }",
		n(c.LineLengthM), n(c.LineBoreMM), n(c.CoilML), n(c.CellML))
}

// Bounds of a believable panel. They keep every register in range (temperature is int16 in tenths, flow uint16) and the physics
// finite; they are far outside anything built.
const (
	temperatureMin, temperatureMax = -50, 400
	valueMax                       = 1e6 // oxygen in ug/L, conductivity in uS/cm
	volumeMax                      = 1e6 // mL
	flowMax                        = 60000
	lengthMax                      = 1000 // m of line, mm of bore
	tauMax                         = 10000 * time.Hour
)

// check names every constant that cannot be. The door of the pure half: past it nothing looks again.
func (c Constants) check() error {
	var errs []error
	in := func(name string, v, low, high float64) {
		if !(v >= low && v <= high) { // also catches NaN
			errs = append(errs, fmt.Errorf("%s is %v, want %v to %v", name, v, low, high))
		}
	}
	in("SourceTemperature", c.SourceTemperature, temperatureMin, temperatureMax)
	in("CoolingWater", c.CoolingWater, temperatureMin, temperatureMax)
	in("Ambient", c.Ambient, temperatureMin, temperatureMax)
	in("CloseAbove", c.CloseAbove, temperatureMin, temperatureMax)
	in("SourceOxygen", c.SourceOxygen, 0, valueMax)
	in("UpsetOxygen", c.UpsetOxygen, 0, valueMax)
	in("AirOxygen", c.AirOxygen, 0, valueMax)
	in("SourceConductivity", c.SourceConductivity, 0, valueMax)
	in("LeakConductivity", c.LeakConductivity, 0, valueMax)
	in("LineLengthM", c.LineLengthM, 0, lengthMax)
	in("LineBoreMM", c.LineBoreMM, 0, lengthMax)
	in("CoilML", c.CoilML, 0, volumeMax)
	in("LeadML", c.LeadML(), 0.1, volumeMax)
	in("CellML", c.CellML, 0.1, volumeMax)
	in("FlowSetPoint", c.FlowSetPoint, 0, flowMax)
	in("FlowNoise", c.FlowNoise, 0, 1)
	in("CoolerEffectiveness", c.CoolerEffectiveness, 0, 1)
	in("TemperatureNoise", c.TemperatureNoise, 0, 1)
	in("OxygenNoise", c.OxygenNoise, 0, 10)
	in("ConductivityNoise", c.ConductivityNoise, 0, 10)
	tau := func(name string, d time.Duration) {
		if d < 0 || d > tauMax {
			errs = append(errs, fmt.Errorf("%s is %v, want 0 to %v", name, d, tauMax))
		}
	}
	tau("CoolerLossTau", c.CoolerLossTau)
	tau("CoolerBackTau", c.CoolerBackTau)
	tau("LegTau", c.LegTau)
	tau("CellTau", c.CellTau)
	tau("LegAirTau", c.LegAirTau)
	tau("CellAirTau", c.CellAirTau)
	tau("RTDTau", c.RTDTau)
	tau("OxygenTau", c.OxygenTau)
	tau("ValveStroke", c.ValveStroke)
	tau("CloseConfirm", c.CloseConfirm)
	return errors.Join(errs...)
}
