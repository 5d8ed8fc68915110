package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rillwatch/internal/site"
)

// bus is one endpoint with the sensors on it.
type bus struct {
	t       table
	b       site.Bus
	sensors []*sensor
}

// sensor is one device, or one part of a device.
type sensor struct {
	t          table
	s          site.Sensor
	panel      *panel // nil for a sensor of the site
	bus        *bus   // nil when unknown; told already
	m          *regMap
	points     map[string]*point
	stationOK  bool
	refreshSet bool
	guards     bool // an interlock takes its temperature from it
}

// point is a map's point on one sensor, or a derived point.
type point struct {
	p      site.Point
	sensor *sensor // nil for a derived point
	ok     bool    // false: it has a mistake of its own

	inputs []*point // of a derived point, one for each input of its kind; nil: a constant or nothing
	t      table    // of a derived point
	warmth string   // of a conductivity: the name of the point of its sensor that gives its temperature
}

// pointsMax bounds the points of a site: twenty times what was measured for one daemon.
const pointsMax = 20000

func (d *doc) readBuses(top table) {
	list := top.named("bus", `[bus.NAME] and link = "tcp://HOST:502"`)
	for _, t := range list {
		t.check(shapeBus)
		b := &bus{t: t, b: site.Bus{Name: t.name()}}
		d.buses[t.name()] = b
		b.readLink()
		b.readLine()
		b.readTLS()
		b.readDirect()
		most := timeoutMax
		if b.b.Serial() {
			most = site.LineTimeoutMax
		}
		if timeout, ok := t.span("timeout", timeoutMin, most); ok {
			b.b.Timeout = timeout
		}
	}
	if len(list) == 0 && !hasTable(top, "bus") {
		top.missing("bus", `write [bus.NAME] and link = "tcp://HOST:502"`)
	}
}

// readSensor reads one sensor of a panel, or of the site when p is nil.
func (d *doc) readSensor(t table, p *panel, prefix string) *sensor {
	t.check(shapeSensor)
	s := &sensor{t: t, panel: p, points: map[string]*point{}}
	s.s = site.Sensor{Name: t.name(), Path: prefix + "." + t.name()}
	d.sensors = append(d.sensors, s)

	if name, ok := reference(t, "map", "register map", d.maps, "[map.NAME.point]"); ok {
		s.m = d.maps[name]
		s.m.used = true
		s.s.Map = name
	}
	if name, ok := reference(t, "bus", "bus", d.buses, "[bus.NAME]"); ok {
		s.bus = d.buses[name]
		s.bus.sensors = append(s.bus.sensors, s)
	}
	s.readStation()
	if fitted, ok := t.choice("fitted", []string{"now", "later"}); ok {
		s.s.FittedLater = fitted == "later"
	}
	if period, ok := t.span("period", periodMin, periodMax); ok {
		s.s.Period = period
	} else if !t.has("period") {
		s.s.Period = periodDefault
		t.took("period", short(periodDefault), "far below the lag of any sample line")
	}
	if refresh, ok := t.span("refresh", periodMin, refreshMax); ok {
		s.s.Refresh, s.refreshSet = refresh, true
	} else if !t.has("refresh") {
		s.s.Refresh = s.s.Period
		if s.s.Period > 0 {
			t.took("refresh", short(s.s.Period), "one period: every answer is taken for a new measurement")
		}
	}
	s.makePoints()
	return s
}

// reference reads the name of something that is described elsewhere in the file.
func reference[V any](t table, key, what string, from map[string]V, how string) (string, bool) {
	do := "write the name of one that the file describes as " + how
	if !t.has(key) {
		t.missing(key, do)
		return "", false
	}
	s, ok := t.text(key, do)
	if !ok {
		return "", false
	}
	if _, ok := from[s]; !ok {
		names := sortedKeys(from)
		if len(t.d.mistakes) > hintsMax {
			names = nil
		}
		if len(names) > 0 {
			do = "the file describes " + quotedList(names)
		}
		t.wrong(key, fmt.Sprintf("there is no %s %q%s", what, s, maybe(s, names)), do)
		return "", false
	}
	return s, true
}

func (s *sensor) readStation() {
	do := "write 1 to 247 for a device behind a gateway, or 255 for a device spoken to directly"
	t := s.t
	serial := s.bus != nil && s.bus.b.Serial()
	if serial {
		do = "write 1 to 247, as it is set in the device"
	}
	if !t.has("station") {
		t.missing("station", do)
		return
	}
	n, ok := t.whole("station", 0, 255, do)
	switch {
	case !ok:
	case n == 0:
		t.wrong("station", "0 is a broadcast, which every device behind a gateway obeys and none answers", do)
	case n > 247 && (n != 255 || serial):
		t.wrong("station", fmt.Sprintf("%d is a reserved number", n), do)
	default:
		s.s.Station, s.stationOK = uint8(n), true
	}
}

// makePoints gives the sensor the points of its map.
func (s *sensor) makePoints() {
	d := s.t.d
	if s.m == nil {
		return
	}
	if d.points += len(s.m.points); d.points > pointsMax {
		if d.points-len(s.m.points) <= pointsMax { // told once
			s.t.wrongHere(fmt.Sprintf("with this sensor the site has more than %d points", pointsMax), "divide the site among several rillwatch")
		}
		s.m = nil
		return
	}
	for _, mp := range s.m.points {
		pt := &point{p: mp.p, sensor: s, ok: mp.ok, warmth: mp.warmth}
		pt.p.Path = s.s.Path + "." + mp.p.Name
		s.points[mp.p.Name] = pt
	}
	s.s.LongestRead, s.s.Turnaround = s.m.longest, s.m.turnaround
}

// checkBuses finds the grid of each bus and what does not fit it.
func (d *doc) checkBuses() {
	endpoints := map[string]*bus{}
	for _, name := range sortedKeys(d.buses) {
		b := d.buses[name]
		if first := endpoints[b.b.Address]; first != nil && b.b.Address != "" {
			b.t.wrong("link", fmt.Sprintf("%s is the endpoint of bus %s already", b.b.Address, first.b.Name), "put its sensors on that bus; one connection to an endpoint leaves the others for those who need them")
		} else {
			endpoints[b.b.Address] = b
		}
		b.findPeriod()
		b.findTimeout()
	}
}

func (b *bus) findPeriod() {
	for _, s := range b.sensors {
		if s.s.Period > 0 && (b.b.Period == 0 || s.s.Period < b.b.Period) {
			b.b.Period = s.s.Period
		}
	}
	if b.b.Period == 0 {
		b.b.Period = periodDefault
	}
	for _, s := range b.sensors {
		if s.s.Period%b.b.Period != 0 {
			s.t.wrong("period", fmt.Sprintf("%s is no whole multiple of %s, the shortest period on bus %s", short(s.s.Period), short(b.b.Period), b.b.Name),
				"all sensors of a bus are asked on one grid; take a multiple, such as "+short(s.s.Period.Truncate(b.b.Period)))
			continue
		}
		s.s.Every = uint64(s.s.Period / b.b.Period)
	}
}

func (b *bus) findTimeout() {
	switch {
	case b.b.Serial(): // by the wire, once it is known what is asked
	case b.b.Timeout == 0 && !b.t.has("timeout"):
		b.b.Timeout = min(timeoutDefault, b.b.Period/2)
		b.t.took("timeout", short(b.b.Timeout), "well above the answer of a controller, and at most half of the bus's period")
	case b.b.Timeout >= b.b.Period:
		b.t.wrong("timeout", fmt.Sprintf("%s is not shorter than %s, the shortest period on this bus", short(b.b.Timeout), short(b.b.Period)), "shorten it, or ask the sensors less often; one silent device must not eat the others' turn")
	}
}

// checkStations refuses two sensors that read the same register of one device.
func (d *doc) checkStations() {
	type station struct {
		bus *bus
		n   uint8
	}
	at := map[station][]*sensor{}
	slices.SortFunc(d.sensors, func(a, b *sensor) int { return strings.Compare(a.s.Path, b.s.Path) })
	for _, s := range d.sensors {
		if s.bus == nil || s.m == nil || !s.stationOK {
			continue
		}
		key := station{s.bus, s.s.Station}
		for _, o := range at[key] {
			if what := s.m.sharedWith(o.m); what != "" {
				s.t.wrong("station", fmt.Sprintf("station %d on bus %s is read by %s already, and both read %s", s.s.Station, s.bus.b.Name, o.s.Path, what),
					"correct the station, or make it one sensor of the site that both panels use")
				break
			}
		}
		at[key] = append(at[key], s)
	}
}

// sharedWith names a register that two maps both read; empty when there is none.
func (m *regMap) sharedWith(o *regMap) string {
	if m == o && len(m.points) > 0 {
		return "the registers of map " + m.t.name()
	}
	for _, a := range m.points {
		for _, b := range o.points {
			if ofDevice(a) && ofDevice(b) && a.span() == b.span() && a.p.Decode.Type == b.p.Decode.Type {
				continue // two parts of one device may both heed what it says of itself
			}
			if a.ok && b.ok && overlap(a.span(), b.span()) {
				return fmt.Sprintf("%s wire address %d", a.p.Table, max(a.p.Addr, b.p.Addr))
			}
		}
	}
	return ""
}

func ofDevice(mp *mapPoint) bool { return mp.p.Name == statusName || mp.p.Name == aliveName }

// checkUse warns of what is described and used by nobody.
func (d *doc) checkUse() {
	if !d.clean() {
		return // what seems unused may only be misspelled
	}
	for _, name := range sortedKeys(d.buses) {
		if b := d.buses[name]; len(b.sensors) == 0 {
			b.t.warnHere("no sensor is on this bus, so nothing is asked there", "remove it, or put a sensor on it")
		}
	}
	for _, name := range sortedKeys(d.maps) {
		if m := d.maps[name]; !m.used && d.own[name] {
			m.t.warnHere("no sensor uses this map", "remove it, or name it in a sensor")
		}
	}
}

// lostAfter is when a temperature asked for every period is lost.
func lostAfter(period time.Duration) time.Duration {
	return max(lostAfterMin, lostAfterPeriods*period)
}
