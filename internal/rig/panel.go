package rig

import (
	"fmt"
	"time"
)

// stationMax is the highest unit identifier of the Modbus serial line specification; 0 is broadcast and never answered.
const stationMax = 247

// Notice is one thing worth a line on a screen: an upset of the script, or something the panel did by itself.
type Notice struct {
	Station uint8
	At      time.Duration // plant time
	Text    string
}

// Panel is a plant with a script and a station to answer as. Pure, like the plant.
type Panel struct {
	station uint8
	plant   *Plant
	script  []Upset
	next    int // first upset not yet applied

	requests int // told
}

// NewPanel makes a panel that answers as station (1 to 247) and lives through script, whose times must not go back (ParseScript
// gives such a script). The script may be nil.
func NewPanel(station uint8, c Constants, seed uint64, script []Upset) (*Panel, error) {
	if station < 1 || station > stationMax {
		return nil, fmt.Errorf("station %d: want 1 to %d", station, stationMax)
	}
	for i, u := range script {
		if _, err := findUpset(u.Do); err != nil {
			return nil, fmt.Errorf("upset %d: %w", i+1, err)
		}
		if u.At < 0 || (i > 0 && u.At < script[i-1].At) {
			return nil, fmt.Errorf("upset %d: its time %v goes back", i+1, u.At)
		}
	}
	plant, err := NewPlant(c, seed)
	if err != nil {
		return nil, fmt.Errorf("station %d: %w", station, err)
	}
	return &Panel{station: station, plant: plant, script: append([]Upset(nil), script...)}, nil
}

// Station is the unit identifier the panel answers as.
func (p *Panel) Station() uint8 { return p.station }

// Snapshot reads the panel.
func (p *Panel) Snapshot() Snapshot {
	s := p.plant.Snapshot()
	s.Station = p.station
	return s
}

// Step lets dt pass, applying each upset at its own time and not at the end of the step it falls in, and returns what happened.
func (p *Panel) Step(dt time.Duration) []Notice {
	var told []Notice
	if dt < 0 {
		dt = 0
	}
	end := p.plant.At() + dt
	for p.next < len(p.script) && p.script[p.next].At <= end {
		u := p.script[p.next]
		p.next++
		told = p.advance(u.At-p.plant.At(), told)
		told = p.apply(u.Do, told)
	}
	return p.advance(end-p.plant.At(), told)
}

// Do applies an upset now, as a person at the rig would. The error lists the known words.
func (p *Panel) Do(word string) ([]Notice, error) {
	if _, err := findUpset(word); err != nil {
		return nil, err
	}
	return p.apply(word, nil), nil
}

func (p *Panel) apply(word string, told []Notice) []Notice {
	u, err := findUpset(word)
	if err != nil {
		panic(err) // every door checks the word
	}
	u.do(p.plant)
	return append(told, Notice{Station: p.station, At: p.plant.At(), Text: u.text})
}

// advance steps the plant and tells the edges of the valve. Steps longer than stepMax would blur their times, so it splits too.
func (p *Panel) advance(dt time.Duration, told []Notice) []Notice {
	for dt > 0 {
		h := min(dt, stepMax)
		dt -= h
		wasClosed, wasOpen, closures := p.plant.opening == 0, p.plant.opening == 1, p.plant.closures
		if p.plant.requests > p.requests {
			p.requests = p.plant.requests
			told = append(told, Notice{Station: p.station, At: p.plant.At(), Text: "another system asks for the sample valve to be closed"})
		}
		p.plant.Step(h)
		tell := func(text string) {
			told = append(told, Notice{Station: p.station, At: p.plant.At(), Text: text})
		}
		if p.plant.closures > closures {
			tell(fmt.Sprintf("the panel's thermal shut-off closes the sample valve at %.1f degC", p.plant.rtd))
		}
		if p.plant.opening == 0 && !wasClosed {
			tell("the sample valve is closed")
		}
		if p.plant.opening == 1 && !wasOpen {
			tell("the sample valve is open")
		}
	}
	return told
}
