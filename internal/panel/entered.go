package panel

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Entered is a value that a person gave, as it stands.
type Entered struct {
	Point string        `json:"point"` // its path
	Of    string        `json:"of"`    // its quantity
	Unit  string        `json:"unit"`
	Basis string        `json:"basis,omitempty"`
	Value float64       `json:"value"`
	Taken reading.Wall  `json:"taken"` // for people
	Age   time.Duration `json:"age_ns"`
	// NotKnown: time has passed that nobody can measure, so nobody can say how old the value is. It is stale then.
	NotKnown bool `json:"age_not_known,omitempty"`
	// Undated: Taken is by a clock that nobody trusted. It is put right once the clock is known, by the age.
	Undated bool `json:"undated,omitempty"`
}

const (
	// enteredPeriod is how often limits look at an entered value: it does not move between, and their delays are minutes.
	enteredPeriod = 10 * time.Second
	// agedEvery is how often the ages on disk move on: a row that changes with every second would be written with every commit. A restart
	// adds as much, so that no age is ever too small.
	agedEvery = time.Minute
)

// age lets time pass over the entered values and gives their points the readings that are left of them. unseen is the time since the
// step before, known whether anybody measured it.
func (pl *Panel) age(in Input, unseen time.Duration, known bool) {
	if pl.aged += unseen; pl.aged >= agedEvery {
		for i := range pl.state.Entered {
			pl.state.Entered[i].Age += pl.aged
		}
		pl.aged = 0
	}
	for i := range pl.state.Entered {
		pl.state.Entered[i].NotKnown = pl.state.Entered[i].NotKnown || !known
	}
	for i, pt := range pl.p.Points {
		p, m := &pl.s.Points[pt], &pl.mem[i]
		if !p.Entered.Configured {
			continue
		}
		r := pl.enteredReading(p, in)
		m.own = r
		pl.show(m, r)
		slot := uint64(in.Now.Up / enteredPeriod)
		if m.steps = slot - m.slot; m.seen && m.steps == 0 {
			continue
		}
		if !m.seen {
			m.steps = 0
		}
		m.seen, m.slot, m.sampled = true, slot, true
		m.sample = reading.Sample{Slot: slot, Fault: reading.NotAsked, At: in.Now}
	}
}

// enteredReading is what is left of a value by its age.
func (pl *Panel) enteredReading(p *site.Point, in Input) reading.Reading {
	v := pl.enteredAt(p.Path)
	if v == nil {
		return reading.Reading{}
	}
	age := v.Age + pl.aged
	if v.Undated && in.Certain && !v.NotKnown {
		v.Taken, v.Undated = in.Now.Wall-reading.Wall(age), false
	}
	at := reading.Stamp{Wall: v.Taken, Up: in.Now.Up - age}
	if v.NotKnown || age > p.Entered.MaxAge {
		return reading.Not(reading.Stale, at)
	}
	r := reading.Of(v.Value, reading.Exact, reading.Believed, at)
	if !in.Certain {
		r = r.Demote(reading.TimeUncertain)
	}
	return r
}

func (pl *Panel) enteredAt(path string) *Entered {
	for i := range pl.state.Entered {
		if pl.state.Entered[i].Point == path {
			return &pl.state.Entered[i]
		}
	}
	return nil
}

// Started tells whether the panel has made a step in this process: before that it is not known how long nobody watched.
func (pl *Panel) Started() bool { return pl.started }

// Enter takes a value in the point's unit that a person gives. age is how long ago it was taken, by clocks that both were certain. The
// caller has seen to it that point is an entered point of this panel, and that the value is one it may have.
func (pl *Panel) Enter(in Input, point int, value float64, taken reading.Wall, age time.Duration, who, why string) Output {
	pl.begin(in)
	p := &pl.s.Points[point]
	v := Entered{Point: p.Path, Of: p.Quantity.String(), Unit: p.Unit.Name(), Basis: p.Entered.Basis, Value: value, Taken: taken, Age: age - pl.aged, Undated: !in.Certain}
	if old := pl.enteredAt(p.Path); old != nil {
		*old = v
	} else {
		at := 0
		for at < len(pl.state.Entered) && pl.state.Entered[at].Point < v.Point {
			at++
		}
		pl.state.Entered = append(pl.state.Entered[:at], append([]Entered{v}, pl.state.Entered[at:]...)...)
	}
	m, r := &pl.mem[pl.pos(point)], pl.enteredReading(p, in)
	m.own = r
	pl.show(m, r) // what is computed from it follows with the next step, within a second
	said := pl.valueOf(p, r, p.Unit)
	pl.emit(event.Event{Kind: event.ValueEntered, Priority: site.LowPriority, Point: p.Path, Value: &said, Cause: p.Entered.Basis, Who: who, Why: why})
	return pl.out
}

// restoreEntered takes up the values of the process before whose points are still what they were.
func (pl *Panel) restoreEntered(old []Entered) {
	for _, v := range old {
		for _, pt := range pl.p.Points {
			p := &pl.s.Points[pt]
			if p.Path == v.Point && p.Entered.Configured && p.Quantity.String() == v.Of && p.Unit.Name() == v.Unit && p.Entered.Basis == v.Basis {
				v.Age += agedEvery
				pl.state.Entered = append(pl.state.Entered, v)
			}
		}
	}
}
