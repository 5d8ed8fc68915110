package rig

import (
	"math"
	"math/rand/v2"
	"time"
)

// stepMax is the longest stretch integrated at once: a tenth of a second moves 0.33 mL at 200 mL/min, small against the smallest
// cell (5 mL) and the shortest lag (0.5 s). Longer steps are split.
const stepMax = 100 * time.Millisecond

// ClosedBy says who asked for the sample valve to be closed. The zero value is "nobody".
type ClosedBy uint8

const (
	ByNobody  ClosedBy = iota // asked open
	ByPanel                   // the panel's own thermal shut-off
	ByHand                    // a person at the panel
	ByRequest                 // another system, by the coil
)

func (b ClosedBy) String() string {
	switch b {
	case ByPanel:
		return "panel"
	case ByHand:
		return "hand"
	case ByRequest:
		return "request"
	}
	return "nobody"
}

// Plant is one sample stream from the tap to the cell with the panel's own thermal shut-off. It has no clock and no chance beyond
// its seed: the same calls in the same order leave the same state.
type Plant struct {
	c   Constants
	rng *rand.Rand
	at  time.Duration

	coolerLost, deaeratorUpset, condensateLeak bool
	flowLost, sensorPulled, temperatureLost    bool
	feedOff, silent                            bool

	effectiveness float64 // the cooler's, now
	opening       float64 // the valve's, 0 closed to 1 open
	closedBy      ClosedBy
	over          time.Duration // how long the RTD has been above the set point without a break
	closures      int
	request       bool // the coil
	requests      int  // times it was set while the valve was asked open

	line plug
	cell water
	flow float64 // mL/min through the cell

	rtd, oxygen float64 // the sensors after their own lag
	noise       struct{ temperature, oxygen, conductivity, flow float64 }
}

// NewPlant is a panel in steady service: valve open, cooler working, the line full of cooled fresh water, boiler on line. The error
// names every constant that cannot be.
func NewPlant(c Constants, seed uint64) (*Plant, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	p := &Plant{
		c:             c,
		rng:           rand.New(rand.NewPCG(seed, 0x72696c6c)), // the second word only keeps a small seed from being a weak one
		effectiveness: c.CoolerEffectiveness,
		opening:       1,
		flow:          c.FlowSetPoint,
	}
	fresh := p.inlet()
	p.line = fill(c.LeadML(), fresh, c.Ambient, c.AirOxygen)
	p.cell = fresh
	p.rtd, p.oxygen = fresh.temperature, fresh.oxygen
	return p, nil
}

// At is the plant's own time since it was made.
func (p *Plant) At() time.Duration { return p.at }

// Step lets dt pass. Zero and negative do nothing.
func (p *Plant) Step(dt time.Duration) {
	for dt > 0 {
		h := min(dt, stepMax)
		p.step(h)
		dt -= h
	}
}

func (p *Plant) step(h time.Duration) {
	p.at += h
	p.moveValve(h)
	p.coolOrNot(h)
	p.moveWater(h)
	p.readSensors(h)
	p.shutOff(h)
	p.drawNoise()
}

// share is how far a first-order lag gets in h: 1 - exp(-h/tau), exact for any h.
func share(h, tau time.Duration) float64 {
	if tau <= 0 {
		return 1
	}
	return -math.Expm1(-h.Seconds() / tau.Seconds())
}

func (p *Plant) moveValve(h time.Duration) {
	travel := 1.0
	if p.c.ValveStroke > 0 {
		travel = h.Seconds() / p.c.ValveStroke.Seconds()
	}
	if p.closedBy != ByNobody {
		p.opening = max(0, p.opening-travel)
		if p.opening < 1e-9 { // rounding must not leave a drip
			p.opening = 0
		}
	} else {
		p.opening = min(1, p.opening+travel)
	}
	// Flow in proportion to opening: a straight valve against a constant head.
	p.flow = p.c.FlowSetPoint * p.opening
	if p.flowLost {
		p.flow = 0
	}
}

func (p *Plant) coolOrNot(h time.Duration) {
	goal, tau := p.c.CoolerEffectiveness, p.c.CoolerBackTau
	if p.coolerLost {
		goal, tau = 0, p.c.CoolerLossTau
	}
	p.effectiveness += (goal - p.effectiveness) * share(h, tau)
}

// inlet is the water now entering the line: the cooler sits at the tap, as a primary cooler does.
func (p *Plant) inlet() water {
	w := water{
		temperature:  p.c.SourceTemperature - p.effectiveness*(p.c.SourceTemperature-p.c.CoolingWater),
		oxygen:       p.c.SourceOxygen,
		conductivity: p.c.SourceConductivity,
	}
	if p.deaeratorUpset {
		w.oxygen = p.c.UpsetOxygen
	}
	if p.condensateLeak {
		w.conductivity = p.c.LeakConductivity
	}
	return w
}

func (p *Plant) moveWater(h time.Duration) {
	if mL := p.flow * h.Minutes(); mL > 0 {
		// While water flows its heat loss to the room is neglected: it spends a minute in a leg that needs ten to cool.
		in := p.line.push(mL, p.inlet())
		p.cell = mix(p.cell, in, -math.Expm1(-mL/p.c.CellML))
	} else {
		p.line.stand(share(h, p.c.LegTau), share(h, p.c.LegAirTau))
		p.cell.temperature += (p.c.Ambient - p.cell.temperature) * share(h, p.c.CellTau)
		p.cell.oxygen += (p.c.AirOxygen - p.cell.oxygen) * share(h, p.c.CellAirTau)
	}
	if p.sensorPulled {
		p.cell.oxygen = p.c.AirOxygen // the cell stands open: what is put back stands in aerated water
	}
}

func (p *Plant) readSensors(h time.Duration) {
	temperature, oxygen := p.cell.temperature, p.cell.oxygen
	if p.sensorPulled {
		temperature, oxygen = p.c.Ambient, p.c.AirOxygen
	}
	p.rtd += (temperature - p.rtd) * share(h, p.c.RTDTau)
	p.oxygen += (oxygen - p.oxygen) * share(h, p.c.OxygenTau)
}

// shutOff is the panel's own controller. It only closes; opening is a person's work, because a closed valve shows it room air.
func (p *Plant) shutOff(h time.Duration) {
	if p.rtd <= p.c.CloseAbove {
		p.over = 0
		return
	}
	p.over += h
	if p.over >= p.c.CloseConfirm && p.closedBy == ByNobody {
		p.closedBy = ByPanel
		p.closures++
	}
}

func (p *Plant) drawNoise() {
	within := func(a float64) float64 { return a * (2*p.rng.Float64() - 1) }
	p.noise.flow = within(p.c.FlowNoise)
	p.noise.temperature = within(p.c.TemperatureNoise)
	p.noise.oxygen = within(p.c.OxygenNoise)
	p.noise.conductivity = within(p.c.ConductivityNoise)
}

// CoolerLost stops the cooling water; the cooler dies with CoolerLossTau.
func (p *Plant) CoolerLost() { p.coolerLost = true }

// CoolerRestored brings the cooling water back; the cooler recovers with CoolerBackTau.
func (p *Plant) CoolerRestored() { p.coolerLost = false }

// DeaeratorUpset raises the oxygen at the tap to UpsetOxygen at once.
func (p *Plant) DeaeratorUpset() { p.deaeratorUpset = true }

// DeaeratorRecovered returns the oxygen at the tap to SourceOxygen.
func (p *Plant) DeaeratorRecovered() { p.deaeratorUpset = false }

// CondensateLeak raises the conductivity at the tap to LeakConductivity.
func (p *Plant) CondensateLeak() { p.condensateLeak = true }

// CondensateClean returns the conductivity at the tap to SourceConductivity.
func (p *Plant) CondensateClean() { p.condensateLeak = false }

// FlowLost stops the sample with the valve where it is: a blocked line.
func (p *Plant) FlowLost() { p.flowLost = true }

// FlowRestored lets the sample flow again.
func (p *Plant) FlowRestored() { p.flowLost = false }

// SensorPulled lifts oxygen cell and RTD into room air. The shut-off then sees room air too.
func (p *Plant) SensorPulled() { p.sensorPulled = true }

// SensorBack puts them back into the cell, which meanwhile stood open to air.
func (p *Plant) SensorBack() { p.sensorPulled = false }

// TemperatureLost makes the output give its no-value word. The shut-off has its own wire and still sees.
func (p *Plant) TemperatureLost() { p.temperatureLost = true }

// TemperatureBack ends TemperatureLost.
func (p *Plant) TemperatureBack() { p.temperatureLost = false }

// OpenByHand is a person opening the sample valve at the panel. Whether the cooling water was proved is that person's affair: the
// shut-off closes again if not.
func (p *Plant) OpenByHand() {
	p.closedBy = ByNobody
	p.over = 0
	p.request = false
}

// Request is another system writing the panel's coil. Set, it asks for the valve to be closed; cleared, it asks for nothing: as the shut-off's
// closing, it is ended by a person at the panel alone. A valve that is closed already stays whose it is.
func (p *Plant) Request(set bool) {
	p.request = set
	if set && p.closedBy == ByNobody {
		p.closedBy = ByRequest
		p.requests++
	}
}

// CloseByHand is a person closing the sample valve. A valve the shut-off holds stays the shut-off's.
func (p *Plant) CloseByHand() {
	if p.closedBy == ByNobody {
		p.closedBy = ByHand
	}
}

// BoilerOffLine clears the feed bit; the water stays as it is.
func (p *Plant) BoilerOffLine() { p.feedOff = true }

// BoilerOnLine sets the feed bit.
func (p *Plant) BoilerOnLine() { p.feedOff = false }

// StationSilent makes the panel's station stop answering. The physics go on.
func (p *Plant) StationSilent() { p.silent = true }

// StationAnswering ends StationSilent.
func (p *Plant) StationAnswering() { p.silent = false }

// Snapshot is the plant now, in the units of Constants. Temperature, Oxygen, Conductivity and Flow are as the sensors show them, with
// lag and noise; Water and WaterOxygen are the truth in the cell, which no real panel has.
type Snapshot struct {
	Station uint8 // 0 for a plant no panel serves
	At      time.Duration

	Temperature  float64
	Oxygen       float64
	Conductivity float64
	Flow         float64

	Water       float64 // true cell temperature
	WaterOxygen float64 // true cell oxygen

	Opening     float64 // 0 closed to 1 open
	ValveClosed bool    // the end switch
	ClosedBy    ClosedBy
	Closures    int  // by the shut-off, since the start
	Request     bool // the coil, as last written

	CoolerLost      bool
	Effectiveness   float64 // the cooler's, now
	FeedOn          bool
	FlowLost        bool
	SensorPulled    bool
	TemperatureLost bool
	Silent          bool

	Alive uint16 // whole seconds of plant time, wrapping
}

// Cooler is the cooler in a word.
func (s Snapshot) Cooler() string {
	if s.CoolerLost {
		return "lost"
	}
	return "working"
}

// Snapshot reads the plant.
func (p *Plant) Snapshot() Snapshot {
	s := Snapshot{
		At:              p.at,
		Temperature:     p.rtd + p.noise.temperature,
		Oxygen:          max(0, p.oxygen+p.noise.oxygen),
		Conductivity:    max(0, p.cell.conductivity+p.noise.conductivity),
		Water:           p.cell.temperature,
		WaterOxygen:     p.cell.oxygen,
		Opening:         p.opening,
		ValveClosed:     p.opening == 0,
		ClosedBy:        p.closedBy,
		Closures:        p.closures,
		Request:         p.request,
		CoolerLost:      p.coolerLost,
		Effectiveness:   p.effectiveness,
		FeedOn:          !p.feedOff,
		FlowLost:        p.flowLost,
		SensorPulled:    p.sensorPulled,
		TemperatureLost: p.temperatureLost,
		Silent:          p.silent,
		Alive:           uint16(p.at / time.Second),
	}
	if p.flow > 0 { // a turbine meter at rest reads a steady zero
		s.Flow = max(0, p.flow+p.noise.flow)
	}
	return s
}
