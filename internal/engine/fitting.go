package engine

import (
	"rillwatch/internal/event"
	"rillwatch/internal/panel"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// sensorRun is what is known of a sensor as a thing: whether it was ever there, and which one it is. Both outlive the process.
type sensorRun struct {
	joined bool   // of one that may be fitted later: it has answered once
	serial string // as last read; empty before the first
}

// sensorState is the durable form. It goes by the path: a sensor that moves to another station is still the same.
type sensorState struct {
	Sensor string `json:"sensor"`
	Joined bool   `json:"joined,omitempty"`
	Serial string `json:"serial,omitempty"`
}

func (e *Engine) restoreSensors(rows []sensorState) {
	for _, r := range rows {
		for i := range e.s.Sensors {
			if e.s.Sensors[i].Path == r.Sensor {
				e.sensors[i] = sensorRun{joined: r.Joined, serial: r.Serial}
			}
		}
	}
}

func (e *Engine) sensorRows() []sensorState {
	var rows []sensorState
	for i := range e.sensors {
		if run := &e.sensors[i]; *run != (sensorRun{}) {
			rows = append(rows, sensorState{e.s.Sensors[i].Path, run.joined, run.serial})
		}
	}
	return rows
}

// present tells whether a sensor's silence is a fault.
func (e *Engine) present(sensor int) bool {
	return !e.s.Sensors[sensor].FittedLater || e.sensors[sensor].joined
}

// expected tells whether a station's silence is a fault: it is unless every sensor there may be fitted later and none has been seen.
func (e *Engine) expected(bus int, station uint8) bool {
	none := true
	for _, i := range e.s.Buses[bus].Sensors {
		if e.s.Sensors[i].Station != station {
			continue
		}
		if none = false; e.present(i) {
			return true
		}
	}
	return none
}

// meet takes up sensors that answer for the first time, and tells a device that is another one than before.
func (e *Engine) meet(b reading.Batch, o *Outcome) {
	for _, r := range b.Reads {
		if r.Fault != reading.Answered || len(r.Words) != int(r.Count) {
			continue
		}
		for _, i := range e.s.Buses[b.Bus].Sensors {
			sensor := &e.s.Sensors[i]
			if sensor.Station != r.Station {
				continue
			}
			about := event.Event{Priority: site.LowPriority, Bus: e.s.Buses[b.Bus].Name, Station: sensor.Station, Point: sensor.Path}
			if sensor.Panel != site.None {
				about.Panel = e.s.Panels[sensor.Panel].Name
			}
			if !e.present(i) && e.answers(sensor, r) {
				e.sensors[i].joined = true
				about.Kind = event.SensorJoined
				e.emit(o, about)
			}
			id := &sensor.Identity
			if !id.Configured || !covers(r, id.Table, id.Addr, id.Count) {
				continue
			}
			now := panel.Serial(id, r.Words[id.Addr-r.Addr:int(id.Addr-r.Addr)+id.Count])
			was := e.sensors[i].serial
			if now == "" || now == was {
				continue // a device that is starting says nothing yet
			}
			if e.sensors[i].serial = now; was != "" {
				about.Kind, about.Priority, about.Was, about.Is = event.SensorExchanged, site.MediumPriority, was, now
				e.emit(o, about)
			}
		}
	}
}

// answers tells whether a read brought a point of the sensor, or its serial number.
func (e *Engine) answers(sensor *site.Sensor, r reading.Read) bool {
	for _, p := range sensor.Points {
		if pt := &e.s.Points[p]; !pt.Derived() && covers(r, pt.Table, pt.Addr, pt.Decode.Type.Words()) {
			return true
		}
	}
	id := &sensor.Identity
	return id.Configured && covers(r, id.Table, id.Addr, id.Count)
}

// covers tells whether a read holds count addresses from addr.
func covers(r reading.Read, t reading.Table, addr uint16, count int) bool {
	return r.Table == t && r.Addr <= addr && int(addr)+count <= int(r.Addr)+int(r.Count)
}
