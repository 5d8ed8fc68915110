package config

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// panel is one sample stream.
type panel struct {
	t       table
	p       site.Panel
	sensors map[string]*sensor
	derived map[string]*point // computed, and entered by a person
	uses    []*point          // of site sensors

	flow, onLine, temperature, valve *point
	second, cooling                  *point
	drive                            *bus // that the close request goes over
	limits                           []limit
	cross                            cross
}

type limit struct {
	l     site.Limit
	point *point
}

var tapList = []string{site.TapUnknown.String(), site.BeforeScavenger.String(), site.AfterScavenger.String(), site.IntoStorage.String()}

// siteName is the first part of a path to a sensor of the site, so no panel, sensor or derived point may bear it.
const siteName = "site"

func (d *doc) readSite(top table) {
	t, ok := top.sub("site")
	if !ok {
		if !top.has("site") {
			top.missing("site", `write [site] and name = "..."`)
		}
		return
	}
	t.check(shapeSite)
	const do = `write name = "larkfield-mill", in small letters, digits, - and _`
	if name, ok := t.text("name", do); ok {
		if !namePattern.MatchString(name) || len(name) > nameMax {
			t.wrong("name", fmt.Sprintf("%q is no name", name), do)
		}
		d.out.Name = name
	} else if !t.has("name") {
		t.missing("name", do)
	}
	d.readZone(t)
	if m, ok := t.number("altitude_m", -500, 6000, "write the height above the sea in metres"); ok {
		d.out.AltitudeM, d.out.HasAlt = m, true
	} else if !t.has("altitude_m") {
		t.took("altitude_m", "none", "percent saturation of oxygen cannot be told without it")
	}
	for _, st := range t.named("sensor", `site.sensor.NAME = { map = "...", bus = "...", station = 1 }`) {
		d.siteSensors[st.name()] = d.readSensor(st, nil, siteName)
	}
}

func (d *doc) readZone(t table) {
	const do = `write a name of the IANA time zone table, such as "Europe/London" or "UTC"`
	name, ok := t.text("timezone", do)
	if !ok {
		if t.has("timezone") {
			return
		}
		name = zoneDefault
		t.took("timezone", zoneDefault, "for the times in messages only")
	}
	zone, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		t.wrong("timezone", fmt.Sprintf("%q is no time zone known here", name), do)
		return
	}
	d.out.Zone, d.out.ZoneName = zone, name
}

func (d *doc) readPanels(top table) {
	list := top.named("panel", "[panel.NAME]")
	for _, t := range list {
		d.readPanel(t)
	}
	d.checkResiduals()
	if len(list) == 0 && !hasTable(top, "panel") {
		top.missing("panel", "write [panel.NAME] for each sample stream")
	}
}

func (d *doc) readPanel(t table) {
	t.check(shapePanel)
	p := &panel{t: t, sensors: map[string]*sensor{}, derived: map[string]*point{}}
	p.p.Name = t.name()
	d.panels = append(d.panels, p)
	if t.name() == siteName {
		t.wrongHere("a panel cannot be called site", `take another name; "site." begins the path of the site's own sensors`)
	}
	if title, ok := t.text("title", `write what the plant calls it, such as "Boiler 2 feedwater"`); ok {
		p.p.Title = title
	} else if !t.has("title") {
		p.p.Title = t.name()
		t.took("title", fmt.Sprintf("%q", t.name()), "its name; messages read better with the plant's own words")
	}
	if tap, ok := t.choice("tap", tapList); ok {
		p.p.Tap, _ = site.ParseTap(tap)
	} else if !t.has("tap") {
		t.took("tap", "unknown", "the limits of oxygen differ before and after the scavenger is dosed")
	}
	for _, st := range t.named("sensor", `sensor.NAME = { map = "...", bus = "...", station = 1 }`) {
		if st.name() == siteName {
			st.wrongHere("a sensor of a panel cannot be called site", `take another name; "site." begins the path of the site's own sensors`)
		}
		p.sensors[st.name()] = d.readSensor(st, p, t.name())
	}
	if len(p.sensors) == 0 && !hasTable(t, "sensor") {
		t.warnHere("has no sensor of its own", `write sensor.NAME = { map = "...", bus = "...", station = 1 }, unless the site's sensors are all it has`)
	}
	p.readEntered()
	p.readDerived()
	p.readLine()
	p.wireDerived() // the volume of the line may be an input
	p.readOnLine()
	p.readStartUp()
	p.readInterlock()
	p.readLimits()
	p.readCross()
	p.remark()
}

// at is the point a reference stands for; nil when there is none. blind is set when it goes to a sensor whose map is unknown,
// which might have any point.
func (p *panel) at(reference string) (pt *point, blind bool) {
	sensorName, name, found := strings.Cut(reference, ".")
	if !found {
		return p.derived[reference], false
	}
	s := p.sensors[sensorName]
	if sensorName == siteName {
		sensorName, name, _ = strings.Cut(name, ".")
		s = p.t.d.siteSensors[sensorName]
	}
	if s == nil {
		return nil, false
	}
	return s.points[name], s.m == nil
}

// names is every point the panel may use.
func (p *panel) names() []string {
	var names []string
	add := func(prefix string, sensors map[string]*sensor) {
		for _, s := range sortedKeys(sensors) {
			for _, name := range sortedKeys(sensors[s].points) {
				names = append(names, prefix+s+"."+name)
			}
		}
	}
	add("", p.sensors)
	names = append(names, sortedKeys(p.derived)...)
	add(siteName+".", p.t.d.siteSensors)
	return names
}

// find is the point that a reference names.
func (p *panel) find(t table, key string) (*point, bool) {
	const do = `write SENSOR.POINT of this panel, or "site.SENSOR.POINT"`
	s, ok := t.text(key, do)
	if !ok {
		return nil, false
	}
	pt, blind := p.at(s)
	if pt != nil {
		if pt.sensor != nil && pt.sensor.panel == nil {
			p.uses = append(p.uses, pt)
		}
		return pt, true
	}
	if blind {
		return nil, false // the missing map has been told
	}
	what := fmt.Sprintf("there is no point %q", s)
	if own, ok := strings.CutPrefix(s, p.p.Name+"."); ok {
		if pt, _ := p.at(own); pt != nil {
			t.wrong(key, what, fmt.Sprintf("leave the panel's name out: %q", own))
			return nil, false
		}
	}
	if len(t.d.mistakes) > hintsMax {
		t.wrong(key, what, do)
		return nil, false
	}
	names := p.names()
	switch near := maybe(s, names); {
	case near != "":
		t.wrong(key, what+near, do)
	case len(names) == 0:
		t.wrong(key, what, "this panel has no points; give it a sensor")
	default:
		t.wrong(key, what, "this panel may use "+quotedList(names))
	}
	return nil, false
}

// findOf is find for a point of one quantity. The point is nil when it cannot be used further.
func (p *panel) findOf(t table, key string, q quantity.Quantity) *point {
	pt, ok := p.find(t, key)
	if !ok || !pt.ok || !wanted(t, key, pt, q) {
		return nil
	}
	return pt
}

// measured is findOf for what must be seen by a sensor: no computation and no person may stand in for it.
func (p *panel) measured(t table, key string, q quantity.Quantity) *point {
	pt := p.findOf(t, key, q)
	if pt != nil && pt.sensor == nil {
		t.wrong(key, pt.p.Path+" is not measured", "name a point of a sensor")
		return nil
	}
	return pt
}

// wanted tells a point of another quantity than the one that is needed.
func wanted(t table, key string, pt *point, q quantity.Quantity) bool {
	if pt.p.Quantity != q {
		do := "name a point of that quantity"
		if q == quantity.State {
			do = "name a point that is a coil or discrete input"
		}
		t.wrong(key, fmt.Sprintf("%s is a point of %s, and %s is wanted", pt.p.Path, pt.p.Quantity, q), do)
		return false
	}
	return true
}

func (p *panel) readLine() {
	t, ok := p.t.sub("line")
	if !ok {
		return
	}
	t.check(shapeLine)
	l := &p.p.Line
	l.Configured = true
	// The bounds catch a slip of the unit: a bore in inches, a length in millimetres.
	need := func(key string, low, high float64, do string) float64 {
		if !t.has(key) {
			t.missing(key, do)
		}
		v, _ := t.number(key, low, high, do)
		return v
	}
	length := need("length_m", 0.1, 1000, "write the length of the line from the tap to the cell, in metres")
	bore := need("bore_mm", 0.5, 50, "write the inner diameter of the line, in millimetres")
	l.CellML = need("cell_mL", 0.1, 10000, "write the volume of the cell, in millilitres")
	coil, _ := t.number("coil_mL", 0, 100000, "write the volume of the cooler's coil, in millilitres")
	if !t.has("coil_mL") {
		t.took("coil_mL", "0", "no coil")
	}
	l.LeadML = math.Pi/4*bore*bore*length + coil // 1 mm2 x 1 m is 1 mL
	flow := quantity.Flow.Units()[0]             // mL/min
	l.FlowLow, l.FlowHigh = flowLowDefault, flowHighDefault
	for _, end := range []struct {
		key string
		to  *float64
	}{{"flow_low", &l.FlowLow}, {"flow_high", &l.FlowHigh}} {
		if a, ok := t.amount(end.key, flow, false); ok {
			*end.to = a.value
		} else if !t.has(end.key) {
			t.took(end.key, withUnit(*end.to, flow), "common practice for sensor cells")
		}
	}
	switch {
	case l.FlowLow <= 0:
		t.wrong("flow_low", withUnit(l.FlowLow, flow)+" is no flow", "write the least flow at which the sensors may be believed")
	case l.FlowLow >= l.FlowHigh:
		at := "flow_high"
		if !t.has(at) {
			at = "flow_low"
		}
		t.wrong(at, fmt.Sprintf("the flow range of %s to %s is empty", withUnit(l.FlowLow, flow), withUnit(l.FlowHigh, flow)), "write flow_low below flow_high")
	}
	if t.has("flow") {
		p.flow = p.measured(t, "flow", quantity.Flow)
	}
}

func (p *panel) readOnLine() {
	if !p.t.has("on_line") {
		p.t.took("on_line", "none", "the boiler counts as on line until a person says otherwise")
		return
	}
	p.onLine = p.findOf(p.t, "on_line", quantity.State)
}

// remark tells what a panel cannot do as it is described.
func (p *panel) remark() {
	p.remarkTap()
	if !p.t.has("interlock") {
		p.t.notePoint("interlock", "there is none: nobody watches the temperature of this sample")
	}
	line, _ := p.t.sub("line")
	if !line.has("flow") {
		line.notePoint("flow", "there is none: chemistry is at best uncertain, because flow is not proven")
	}
}
