package config

import (
	"fmt"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// Judgement: below a minute a person could not enter it in time; a year is longer than anything in a boiler stands.
const (
	ageMin = time.Minute
	ageMax = 366 * 24 * time.Hour

	// enteredMax bounds what a person keeps up to date at one panel, and the row of its state, of which each takes some 150 bytes.
	enteredMax = 16
)

// readEntered reads the points whose values a person enters.
func (p *panel) readEntered() {
	for n, t := range p.t.named("entered", `entered.NAME = { quantity = "chloride", unit = "mg/L", max_age = "26h" }`) {
		if n == enteredMax {
			t.wrongHere(fmt.Sprintf("is more than the %d values a person may enter at one panel", enteredMax), "remove some")
			break
		}
		t.check(shapeEntered)
		mp := &mapPoint{t: t}
		known := false
		if t.has("quantity") || t.has("unit") {
			known = mp.readUnit()
		} else if !t.slipped("quantity", "unit") {
			t.missing("quantity", `write quantity = "chloride" and unit = "mg/L", or others`)
		}
		pt := p.standing(t, "entered")
		if pt == nil || !known {
			continue
		}
		pt.p.Quantity, pt.p.Unit = mp.p.Quantity, mp.p.Unit
		pt.p.Entered.Configured = true
		noteDensity(t, pt.p.Unit)
		if age, ok := t.span("max_age", ageMin, ageMax); ok {
			pt.p.Entered.MaxAge = age
		} else if !t.has("max_age") {
			t.missing("max_age", `write max_age = "26h", how long a value may stand before it is stale: a round of the laboratory and a little more`)
		}
		p.readEnteredBasis(t, &pt.p)
		p.readDisplay(t, pt, resolutionOf(habitOf(pt.p.Quantity), pt.p.Unit), "the usual display of "+pt.p.Quantity.String())
		mp.p = pt.p
		mp.readRange()
		pt.p.Fault = mp.p.Fault
	}
}

func (p *panel) readEnteredBasis(t table, pt *site.Point) {
	l := site.Limit{}
	if pt.Quantity == quantity.Sulfite || t.has("basis") {
		readBasis(t, &l, pt.Quantity)
	}
	pt.Entered.Basis, pt.Basis = l.Basis, l.Basis
}
