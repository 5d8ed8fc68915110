package panel

import (
	"strconv"
	"strings"

	"rillwatch/internal/panel/decode"
	"rillwatch/internal/panel/validate"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// device is what a sensor says of itself, as last heard. The zero device says nothing.
type device struct {
	status reading.Reason // SensorFault, SensorHold or Believed; Unknown before its status was read
	alive  validate.Alive
	still  bool
	moved  bool // in this step
}

// heed takes what the sensors say of themselves, before anything they measure is judged: both may come in one answer. While a status
// cannot be read its last word holds.
func (pl *Panel) heed(in Input) {
	for i := range pl.devices {
		pl.devices[i].moved = false
	}
	for _, r := range in.Reads {
		if pl.pos(r.Point) == site.None {
			continue
		}
		pt := &pl.s.Points[r.Point]
		sensor, d := &pl.s.Sensors[pt.Sensor], &pl.devices[pt.Sensor]
		status, alive := sensor.Status.Configured && r.Point == sensor.Status.Point, sensor.Alive.Configured && r.Point == sensor.Alive.Point
		if !status && !alive {
			continue
		}
		raw, fault := uint64(0), r.Fault
		if fault == reading.Answered {
			var ok bool
			if raw, ok = decode.Raw(pt.Decode, r.Words); !ok {
				fault = reading.BadFrame
			}
		}
		if status && fault == reading.Answered {
			d.status = validate.Says(sensor.Status, raw)
		}
		if alive {
			var moved bool
			d.alive, moved = d.alive.Step(raw, fault, r.At)
			d.moved = d.moved || moved
		}
	}
	for i := range pl.devices {
		if d := &pl.devices[i]; pl.s.Sensors[i].Alive.Configured {
			d.still = d.alive.Still(in.Now, pl.s.Sensors[i].Period)
		}
	}
}

// of is what the sensor says of one of its points. The words it says it with are shown as they are: a person must see which bit it was.
func (d *device) of(sensor *site.Sensor, point int) reading.Reason {
	own := sensor.Status.Configured && point == sensor.Status.Point || sensor.Alive.Configured && point == sensor.Alive.Point
	switch {
	case !own && (d.status == reading.SensorFault || d.status == reading.SensorHold):
		return d.status
	case d.still:
		return reading.NotUpdating
	}
	return reading.Believed
}

// Serial is the serial number that words of an identity say; empty where they say none, as while a device starts. A text loses the padding
// around it, and what cannot be printed in it becomes a question mark.
func Serial(id *site.Identity, words []uint16) string {
	if len(words) != id.Count {
		return ""
	}
	same := true
	for _, w := range words {
		same = same && w == words[0]
	}
	if same && (words[0] == 0 || words[0] == 0xFFFF) {
		return ""
	}
	if id.Type != site.NoType {
		raw, ok := decode.Raw(site.Decode{Type: id.Type, Order: id.Order}, words)
		if !ok {
			return ""
		}
		return strconv.FormatUint(raw, 10)
	}
	text := make([]byte, 0, 2*len(words))
	for _, w := range words {
		for _, c := range [2]byte{byte(w >> 8), byte(w)} {
			switch {
			case c == 0:
				c = ' '
			case c < ' ' || c > '~':
				c = '?'
			}
			text = append(text, c)
		}
	}
	return strings.TrimSpace(string(text))
}
