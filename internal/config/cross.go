package config

import (
	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// bandUsual is how far a pH may be from the one that goes with the conductivity: 0.1 for the two sensors and the method, and 0.2 by which
// carbon dioxide alone makes the conductivity promise too much (charge balance: 500 ug/kg of it in water with 500 ug/kg of ammonia).
const bandUsual = 0.3

// cross is the cross-checks of a panel with their points.
type cross struct {
	c site.Cross

	ph, conductivity, temperature, oxygen, sulfite *point
}

func (p *panel) readCross() {
	t, ok := p.t.sub("cross_check")
	if !ok {
		return
	}
	t.check(shapeCross)
	if ph, ok := t.sub("ph"); ok {
		p.readCrossPH(ph)
	}
	if o, ok := t.sub("oxygen"); ok {
		p.readCrossOxygen(o)
	}
}

// need is a point that a cross-check cannot do without. It is one of a sensor, except where a computation may stand for it.
func (p *panel) need(t table, key string, q quantity.Quantity, derived bool) *point {
	if !t.has(key) {
		t.missing(key, "write "+key+` = "SENSOR.POINT", a point of `+q.String())
		return nil
	}
	if derived {
		return p.findOf(t, key, q)
	}
	return p.measured(t, key, q)
}

func (p *panel) readCrossPH(t table) {
	t.check(shapeCrossPH)
	c := &p.cross
	c.ph = p.need(t, "ph", quantity.PH, false)
	c.conductivity = p.need(t, "conductivity", quantity.Conductivity, true)
	c.temperature = p.need(t, "temperature", quantity.Temperature, false)
	const do = `write fed = "ammonia" or fed = "amine"; where caustic, phosphate or anything else is fed, pH and conductivity say nothing of each other, and this check must be left out`
	if !t.has("fed") {
		t.missing("fed", do)
	}
	fed, _ := t.choice("fed", []string{"ammonia", "amine"})
	band, ok := t.number("band", 0.1, 2, "write how far the two may be apart, in pH, such as 0.3")
	if !t.has("band") {
		band, ok = bandUsual, true
		t.took("band", num(bandUsual), "0.1 for the sensors and the method, 0.2 for carbon dioxide")
	}
	if pt := c.conductivity; pt != nil && pt.p.Entered.Configured {
		t.wrong("conductivity", pt.p.Path+" is entered by a person, who is not there when the pH moves", "name a point of a sensor")
		return
	}
	if pt := c.conductivity; pt != nil && !at25(pt) {
		t.wrong("conductivity", pt.p.Path+" is not known to be at 25 degC", `write compensation = "linear" or "ultrapure" on its point in the map, or derive one with conductivity_at_25_of`)
		return
	}
	if c.ph != nil && c.ph.sensor.panel == nil {
		t.wrong("ph", c.ph.p.Path+" is a point of the site, which no single panel may doubt", "name a point of this panel")
		return
	}
	c.c.PH = site.CrossPH{Configured: c.ph != nil && c.conductivity != nil && c.temperature != nil && ok, Amine: fed == "amine", Band: band}
}

func (p *panel) readCrossOxygen(t table) {
	t.check(shapeCrossO2)
	c := &p.cross
	c.oxygen = p.need(t, "oxygen", quantity.DissolvedOxygen, false)
	c.sulfite = p.need(t, "sulfite", quantity.Sulfite, false)
	at := func(key string, pt *point, do string) (float64, bool) {
		if !t.has(key) {
			t.missing(key, do)
		}
		if pt == nil {
			return 0, false
		}
		a, ok := t.amount(key, pt.p.Unit, false)
		if ok && a.value <= 0 {
			t.wrong(key, a.text()+" is not above zero", do)
			return 0, false
		}
		return a.value, ok
	}
	oxygen, ok1 := at("oxygen_above", c.oxygen, `write oxygen_above = "20 ppb", where oxygen is more than this water should hold beside sulfite`)
	sulfite, ok2 := at("sulfite_above", c.sulfite, `write sulfite_above = "5 ppm", well above the zero of the sulfite sensor`)
	if c.oxygen != nil && c.oxygen.sensor.panel == nil {
		t.wrong("oxygen", c.oxygen.p.Path+" is a point of the site, which no single panel may doubt", "name a point of this panel")
		return
	}
	c.c.Oxygen = site.CrossOxygen{Configured: ok1 && ok2, OxygenAbove: oxygen, SulfiteAbove: sulfite}
}

func (c *cross) assemble(pointAt map[*point]int) site.Cross {
	o := c.c
	o.PH.PH, o.PH.Conductivity, o.PH.Temperature = pointAt[c.ph], pointAt[c.conductivity], pointAt[c.temperature]
	o.Oxygen.Oxygen, o.Oxygen.Sulfite = pointAt[c.oxygen], pointAt[c.sulfite]
	return o
}

// readWater reads what a device did to a conductivity before it showed it.
func (mp *mapPoint) readWater() {
	t := mp.t
	if mp.p.Quantity != quantity.Conductivity {
		for _, key := range []string{"compensation", "slope_percent_per_K", "temperature"} {
			if t.has(key) {
				t.wrongKey(key, "is for a conductivity only", "leave it out; this point is "+mp.p.Quantity.String())
			}
		}
		return
	}
	w := &mp.p.Water
	w.Temperature = site.None
	w.Compensation, _ = t.choice("compensation", []string{site.Uncompensated, site.Linear, site.Ultrapure})
	if !t.has("compensation") {
		w.Compensation = site.NotStated
		if t.has("slope_percent_per_K") {
			t.wrongKey("slope_percent_per_K", "means nothing without compensation", `write compensation = "none", "linear" or "ultrapure", as the device is set`)
		}
		if t.has("temperature") {
			mp.warmth, _ = t.text("temperature", `write the name of a point of this map`)
		}
		return
	}
	switch {
	case t.has("slope_percent_per_K") && w.Compensation != site.Linear:
		t.wrongKey("slope_percent_per_K", "is for the linear rule", "leave it out")
	case w.Compensation == site.Linear:
		w.Slope, _ = t.number("slope_percent_per_K", 1, 3, "write the slope the device is set to, 1 to 3 % per K")
		if !t.has("slope_percent_per_K") {
			w.Slope = site.UsualSlope
			t.took("slope_percent_per_K", num(site.UsualSlope), "common practice for dilute salts")
		}
	}
	if !t.has("temperature") {
		t.missing("temperature", `write temperature = "NAME", the point of this map that gives the temperature of the cell; without it nobody can say what water can be`)
		return
	}
	mp.warmth, _ = t.text("temperature", `write the name of a point of this map`)
}

// checkWarmth finds the temperatures that conductivities of a map name, or do not.
func (m *regMap) checkWarmth() {
	var names []string
	for _, mp := range m.points {
		if mp.p.Quantity == quantity.Temperature {
			names = append(names, mp.p.Name)
		}
	}
	for _, mp := range m.points {
		if mp.p.Water.Compensation == site.NotStated {
			if mp.warmth == "" && len(names) == 1 {
				mp.warmth = names[0]
				mp.t.took("temperature", names[0], "the only temperature of this map; it need not be that of the cell, so 5 K are allowed for")
			}
			mp.warnNotStated()
		}
		if mp.warmth == "" {
			continue
		}
		of := m.pointNamed(mp.warmth)
		switch {
		case of == nil:
			mp.t.wrong("temperature", "there is no point "+quotedList([]string{mp.warmth})+" in this map"+maybe(mp.warmth, names), "write the name of a temperature of this map")
			mp.ok = false
		case of.ok && of.p.Quantity != quantity.Temperature:
			mp.t.wrong("temperature", mp.warmth+" is a point of "+of.p.Quantity.String()+", and temperature is wanted", "write the name of a temperature of this map")
			mp.ok = false
		}
	}
}

func (m *regMap) pointNamed(name string) *mapPoint {
	for _, mp := range m.points {
		if mp.p.Name == name {
			return mp
		}
	}
	return nil
}

// warnNotStated says what is lost where nobody states the compensation. 0.02 uS/cm is 50 MOhm.cm: no water at 25 degC shows it, and raw water
// of 8 degC does.
func (mp *mapPoint) warnNotStated() {
	why := "its lowest possible value depends on that by a factor of two and more, so only what no device at all can show of water of that temperature is refused"
	if mp.warmth == "" {
		why = "no temperature is named either, and 0.02 uS/cm is impossible at 25 degC and honest at 8 degC without compensation, so only less than water at 0 degC conducts, 0.011 uS/cm, is refused"
	}
	mp.t.warnHere("does not say how the device compensates: "+why, `write compensation = "none", "linear" or "ultrapure", as the device is set, and temperature = "NAME" of this map`)
}
