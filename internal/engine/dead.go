package engine

import (
	"fmt"

	"rillwatch/internal/event"
	"rillwatch/internal/site"
)

// anyStation stands for all stations of a bus.
const anyStation = -1

// dead names the bus or the station by which a sensor comes, when people have been told that it does not answer; empty else.
func (e *Engine) dead(sensor int) string {
	sn := &e.s.Sensors[sensor]
	l := &e.links[sn.Bus]
	if l.told {
		return "bus " + e.s.Buses[sn.Bus].Name
	}
	for k := range l.view.Stations {
		if l.view.Stations[k].Station == sn.Station && l.stations[k].told {
			return fmt.Sprintf("station %s/%d", e.s.Buses[sn.Bus].Name, sn.Station)
		}
	}
	return ""
}

// speaksFor puts into the event of a bus or a station that does not answer what it speaks for: the readings that are missing, the alarms that
// stand on them, and the panels whose sample temperature nobody sees meanwhile.
func (e *Engine) speaksFor(ev event.Event, bus, station int) event.Event {
	of := func(sensor int) bool {
		sn := &e.s.Sensors[sensor]
		return sn.Bus == bus && (station == anyStation || int(sn.Station) == station) && e.present(sensor)
	}
	for i := range e.s.Points {
		p := i
		if e.s.Points[i].Derived() {
			p = e.s.MovesWith(i)
		}
		if p != site.None && e.s.Points[p].Sensor != site.None && of(e.s.Points[p].Sensor) {
			ev.Readings++
		}
	}
	for j := range e.judges {
		if e.judges[j].index == site.None {
			continue
		}
		ev.Held += e.judges[j].panel.StandOn(of)
		if e.judges[j].panel.Unseen(func(sensor int) bool { return of(sensor) || e.dead(sensor) != "" }) && touches(e.judges[j].buses, bus) {
			ev.Unseen = append(ev.Unseen, e.judges[j].name)
		}
	}
	return ev
}
