package panel

import (
	"slices"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Check is a sensor that a person has in hand. What it measures there is a standard, a bucket or air, so nothing is judged by it, and the
// others of the panel stand in a line that is open.
//
// The time it was taken for ends at the earliest of the time seen, the wall clock and the process. The check itself ends only when a person
// says that the sensor is back: until then nobody knows where it is, and a reading that looks right may be of a bottle.
type Check struct {
	Sensor string        `json:"sensor"` // its path
	Who    string        `json:"who"`
	Why    string        `json:"why,omitempty"`
	What   string        `json:"what"`
	For    time.Duration `json:"for_ns"`
	Until  reading.Wall  `json:"until,omitempty"`
	Over   bool          `json:"over,omitempty"`  // the time has run out
	Cause  string        `json:"cause,omitempty"` // "time" or "restart"

	Left  time.Duration `json:"-"`
	taken bool          // a step has seen the sensor out
}

const (
	// CheckMost is the longest a check may be taken for: one shift. A forgotten one is the commonest silent failure there is.
	CheckMost  = 8 * time.Hour
	checkLeast = time.Minute
)

// Refusals of a check in hand.
const (
	SensorGuards = "sensor_guards"  // it gives the interlock's temperature, and the valve is not confirmed closed or not asked to stay so
	NotInHand    = "not_in_hand"    // a sensor that nobody has cannot come back
	CheckRunOut  = "check_run_out"  // a check that has run out cannot be lengthened
	SiteSensor   = "sensor_of_site" // a sensor that several panels use
)

// drives tells whether rillwatch itself asks for this panel's valve to be closed.
func (pl *Panel) drives() bool { return pl.p.Interlock.Configured && pl.p.Interlock.Drive.Configured }

// guarding gives the points of the temperatures that the interlock watches.
func (pl *Panel) guarding() []int {
	k := &pl.p.Interlock
	switch {
	case !k.Configured:
		return nil
	case k.HasSecond:
		return []int{k.Temperature, k.Second}
	}
	return []int{k.Temperature}
}

// guards tells whether a sensor gives a temperature that the interlock watches.
func (pl *Panel) guards(path string) bool {
	return slices.ContainsFunc(pl.guarding(), func(p int) bool { return pl.sensorOf(p) == path })
}

// guardedWithout tells whether a temperature is read and guards that is of none of these sensors.
func (pl *Panel) guardedWithout(paths ...string) bool {
	return slices.ContainsFunc(pl.guarding(), func(p int) bool {
		return !slices.Contains(paths, pl.sensorOf(p)) && pl.inHand(pl.sensorOf(p)) == site.None && pl.at(p).Own.HasValue()
	})
}

func (pl *Panel) sensorOf(point int) string {
	if s := pl.s.Points[point].Sensor; s != site.None {
		return pl.s.Sensors[s].Path
	}
	return ""
}

func (pl *Panel) inHand(path string) int {
	return slices.IndexFunc(pl.state.Checks, func(c Check) bool { return c.Sensor == path })
}

// guardInHand tells whether the interlock has lost a temperature to a person's hand.
func (pl *Panel) guardInHand() bool {
	return slices.ContainsFunc(pl.state.Checks, func(c Check) bool { return pl.guards(c.Sensor) })
}

// heldOff tells whether the one guarding temperature, in a person's hand, is not to be told as lost: it is told as what it is. Where there is
// another it is lost like any, so that the two together are; and where rillwatch drives the valve it is lost as soon as that is not closed any more.
func (pl *Panel) heldOff() bool {
	k := &pl.p.Interlock
	return !k.HasSecond && pl.inHand(pl.sensorOf(k.Temperature)) != site.None && (!pl.drives() || pl.lineOut.Valve == reading.ValveClosedState)
}

// blind tells whether nobody watches the temperature of a sample that may flow.
func (pl *Panel) blind() bool {
	return pl.guardInHand() && !pl.guardedWithout() && pl.lineOut.Valve != reading.ValveClosedState
}

// silenced says what people have in hand or have said at this panel, for every message that comes meanwhile: whoever is woken must know it.
func (pl *Panel) silenced() string {
	var said []string
	for _, c := range pl.state.Checks {
		said = append(said, "sensor "+strings.TrimPrefix(c.Sensor, pl.name+".")+" is out, in the hand of "+c.Who)
	}
	if s := pl.state.OnLine.Said; s.Active && s.Off {
		said = append(said, s.Who+" has said that the boiler is off line")
	}
	return strings.Join(said, "; ")
}

// whyMost bounds the reason that is kept with a check and with a word, in characters: the judge state of a panel is a row of 4 kB, and the whole
// reason stands in the event.
const whyMost = 100

// clip shortens a reason for the state.
func clip(s string) string { return event.Clip(s, whyMost) }

// proof is a point as it may prove something: one of a sensor in hand has no value there. Bits are read on: a position switch is in no bottle.
func (pl *Panel) proof(point int) Guest {
	g := pl.at(point)
	if g.Own.Reason == reading.CheckInHand {
		g.Own, g.Update, g.Sampled = reading.Not(reading.Unknown, g.Own.At), false, false
	}
	return g
}

// handStep runs the time of the checks, and takes belief from what the sensors in hand say.
func (pl *Panel) handStep(in Input, since time.Duration) {
	for k := range pl.state.Checks {
		c := &pl.state.Checks[k]
		c.taken = true
		if !c.Over {
			c.Left -= since
			if c.Left <= 0 || in.Certain && c.Until != 0 && in.Now.Wall >= c.Until {
				c.Over, c.Cause, c.Left = true, "time", 0
			}
		}
		for i, pt := range pl.p.Points {
			if p := &pl.s.Points[pt]; !p.Derived() && p.Quantity != quantity.State && pl.sensorOf(pt) == c.Sensor {
				pl.mem[i].own = pl.mem[i].own.Demote(reading.CheckInHand)
			}
		}
	}
}

// CheckInHand takes it that a person has a sensor out, for so long. It returns the name of the refusal, or "", and whether nobody watches the
// temperature meanwhile. A check that has not run out is lengthened by another one.
func (pl *Panel) CheckInHand(in Input, sensor int, what string, long time.Duration, who, why string) (_ Output, refused string, blind bool) {
	pl.begin(in)
	path := pl.s.Sensors[sensor].Path
	k := pl.inHand(path)
	blind = pl.guards(path) && !pl.guardedWithout(path) && pl.lineOut.Valve != reading.ValveClosedState
	switch {
	case long < checkLeast || long > CheckMost:
		return pl.out, BadSpan, false
	case k != site.None && pl.state.Checks[k].Over:
		return pl.out, CheckRunOut, false
	case blind && pl.drives():
		return pl.out, SensorGuards, false
	case pl.drives() && pl.watch.Override.On && pl.guards(path) && !pl.guardedWithout(path): // closed, and nothing asks for it to stay so
		return pl.out, SensorGuards, false
	}
	c := Check{Sensor: path, Who: who, Why: clip(why), What: what, For: long, Left: long}
	if in.Certain {
		c.Until = in.Now.Wall + reading.Wall(long)
	}
	if k == site.None {
		pl.state.Checks = append(pl.state.Checks, c)
	} else {
		pl.state.Checks[k] = c
	}
	e := event.Event{Kind: event.CheckStarted, Priority: site.LowPriority, Point: path, Who: who, Why: why, Was: what, Lasted: long, Trust: pl.trust()}
	if blind {
		e.Cause = "protection blind"
	}
	pl.emit(e)
	return pl.out, "", blind
}

// sensorOut tells whether a sensor of the panel is out, or was between the last two.
func (pl *Panel) sensorOut() bool { return len(pl.state.Checks) > 0 || pl.state.WasOut }

// SensorBack takes a person's word that a sensor is back in its cell.
func (pl *Panel) SensorBack(in Input, sensor int, who, why string) (Output, string) {
	pl.begin(in)
	path := pl.s.Sensors[sensor].Path
	k := pl.inHand(path)
	if k == site.None {
		return pl.out, NotInHand
	}
	was := pl.state.Checks[k]
	pl.state.Checks = slices.Delete(pl.state.Checks, k, k+1)
	if len(pl.state.Checks) == 0 {
		pl.state.Checks = nil
	}
	pl.state.WasOut = pl.state.WasOut || !was.taken // taken and put back between two steps, the line was open all the same
	pl.emit(event.Event{Kind: event.CheckBack, Priority: site.LowPriority, Point: path, Who: who, Why: why, Was: was.What, Trust: pl.trust()})
	return pl.out, ""
}

// restoreChecks takes up what people had in hand. The time they took it for ends with the process; the sensors are still out.
func (pl *Panel) restoreChecks(old []Check) {
	for _, c := range old {
		if !slices.ContainsFunc(pl.p.Sensors, func(s int) bool { return pl.s.Sensors[s].Path == c.Sensor }) {
			pl.emit(event.Event{Kind: event.CheckBack, Priority: site.LowPriority, Point: c.Sensor, Who: c.Who, Why: c.Why, Was: c.What, Cause: "sensor removed"})
			continue
		}
		if !c.Over {
			c.Over, c.Cause = true, "restart"
		}
		pl.state.Checks = append(pl.state.Checks, c)
	}
}
