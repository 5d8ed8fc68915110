package config

import (
	"cmp"
	"slices"

	"rillwatch/internal/site"
)

// assemble turns what was read, which has no mistakes, into lists and indices.
func (d *doc) assemble() {
	s := &d.out
	var points []*point
	for _, sensor := range d.sensors {
		for _, name := range sortedKeys(sensor.points) {
			points = append(points, sensor.points[name])
		}
	}
	for _, p := range d.panels {
		for _, name := range sortedKeys(p.derived) {
			points = append(points, p.derived[name])
		}
	}
	slices.SortFunc(points, func(a, b *point) int { return cmp.Compare(a.p.Path, b.p.Path) })

	buses, sensors, panels, pointAt := map[*bus]int{}, map[*sensor]int{}, map[*panel]int{nil: site.None}, map[*point]int{nil: site.None}
	for i, pt := range points {
		pointAt[pt] = i
	}
	for i, sensor := range d.sensors { // by path
		sensors[sensor] = i
	}
	for i, p := range d.panels { // by name
		panels[p] = i
	}
	for i, name := range sortedKeys(d.buses) {
		buses[d.buses[name]] = i
	}

	for _, pt := range points {
		p := pt.p
		p.Panel, p.Sensor = site.None, site.None
		if pt.sensor != nil {
			p.Panel, p.Sensor = panels[pt.sensor.panel], sensors[pt.sensor]
		}
		for i, in := range pt.inputs {
			p.Derive.Inputs[i].Point = pointAt[in]
		}
		if pt.warmth != "" {
			p.Water.Temperature = pointAt[pt.sensor.points[pt.warmth]]
		}
		s.Points = append(s.Points, p)
	}
	for _, sensor := range d.sensors {
		o := sensor.s
		o.Panel, o.Bus = panels[sensor.panel], buses[sensor.bus]
		for _, name := range sortedKeys(sensor.points) {
			o.Points = append(o.Points, pointAt[sensor.points[name]])
		}
		slices.Sort(o.Points)
		o.Allowed = sensor.m.allowed()
		if st := sensor.m.status; st != nil {
			o.Status = st.s
			o.Status.Point = pointAt[sensor.points[statusName]]
		}
		if sensor.m.alive != nil {
			o.Alive = site.Alive{Configured: true, Point: pointAt[sensor.points[aliveName]]}
		}
		if id := sensor.m.identity; id != nil {
			o.Identity = id.s
			o.Identity.Every = o.Every * max(1, uint64(identityEvery/o.Period))
		}
		s.Sensors = append(s.Sensors, o)
	}
	for _, name := range sortedKeys(d.buses) {
		b := d.buses[name]
		for _, guards := range []bool{true, false} { // the interlock's sensors are asked first
			for _, sensor := range d.sensors {
				if sensor.bus == b && sensor.guards == guards {
					b.b.Sensors = append(b.b.Sensors, sensors[sensor])
				}
			}
		}
		s.Buses = append(s.Buses, b.b)
	}
	for i, p := range d.panels {
		s.Panels = append(s.Panels, p.assemble(i, s, sensors, buses, pointAt))
	}
}

func (p *panel) assemble(self int, s *site.Site, sensors map[*sensor]int, buses map[*bus]int, pointAt map[*point]int) site.Panel {
	o := p.p
	for _, name := range sortedKeys(p.sensors) {
		sensor := p.sensors[name]
		o.Sensors = append(o.Sensors, sensors[sensor])
		o.Buses = append(o.Buses, buses[sensor.bus])
		for _, pn := range sortedKeys(sensor.points) {
			o.Points = append(o.Points, pointAt[sensor.points[pn]])
		}
	}
	for _, pt := range p.uses {
		o.Buses = append(o.Buses, buses[pt.sensor.bus])
	}
	slices.Sort(o.Sensors)
	slices.Sort(o.Points)
	slices.Sort(o.Buses)
	o.Buses = slices.Compact(o.Buses)
	for _, pt := range p.inOrder() { // after the measured, and each after what it is computed from
		at := pointAt[pt]
		s.Points[at].Panel = self
		o.Points = append(o.Points, at)
	}
	o.Line.Flow = pointAt[p.flow]
	o.OnLine = pointAt[p.onLine]
	o.Interlock.Temperature = pointAt[p.temperature]
	o.Interlock.ValveClosed = pointAt[p.valve]
	o.Cross = p.cross.assemble(pointAt)
	if p.second != nil {
		o.Interlock.HasSecond, o.Interlock.Second = true, pointAt[p.second]
	}
	if p.cooling != nil {
		o.Interlock.HasCooling, o.Interlock.Cooling = true, pointAt[p.cooling]
	}
	if o.Interlock.Drive.Configured {
		o.Interlock.Drive.Bus = buses[p.drive]
	}
	for _, l := range p.limits { // by name
		l.l.Point = pointAt[l.point]
		o.Limits = append(o.Limits, l.l)
	}
	return o
}
