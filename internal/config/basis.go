package config

import (
	"fmt"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

const oneBasis = "write the same substance in both; SO3 and Na2SO3 differ by 57 %" // 126.04 to 80.06, IUPAC atomic weights

// readBasis reads what a sulfite analyser shows its sulfite as. It may be left out: a limit says it too.
func (mp *mapPoint) readBasis() {
	if t := mp.t; t.has("basis") {
		l := site.Limit{}
		readBasis(t, &l, mp.p.Quantity)
		mp.p.Basis = l.Basis
	}
}

// takeBasis holds the basis of a limit against that of its point, or gives it to a point of which nobody has said it.
func takeBasis(t table, basis string, pt *point) {
	switch {
	case basis == "":
	case pt.p.Basis == "":
		pt.p.Basis = basis
	case pt.p.Basis != basis:
		key, is := "basis", "is"
		if !t.has(key) {
			key = "from"
		}
		if pt.p.Entered.Configured {
			is = "is entered"
		}
		t.wrong(key, fmt.Sprintf("%s %s as %s", pt.p.Path, is, pt.p.Basis), "write the same basis in both; SO3 and Na2SO3 differ by 57 %")
	}
}

// wrongBasis tells a residual that counts in another substance than the feed that is to be reckoned from it.
func wrongBasis(t table, key string, of *point, kind site.DeriveKind, choice string) bool {
	if of.p.Basis == "" || choice == "" || of.p.Basis == choice {
		return false
	}
	t.wrong(key, fmt.Sprintf("%s is as %s, and %s is %q", of.p.Path, of.p.Basis, kind.Choice, choice), oneBasis)
	return true
}

// checkResiduals refuses a sulfite to reckon with whose basis is another, or that nobody has said. It runs when the limits of every panel have
// been read, for they say it too, and those of one panel may be on a sensor of the site.
func (d *doc) checkResiduals() {
	complete := len(d.mistakes) == 0 // else the limit that says it may be one of those that could not be read
	for _, p := range d.panels {
		for _, name := range sortedKeys(p.derived) {
			pt := p.derived[name]
			kind := pt.p.Derive.By.Kind()
			for i, of := range pt.inputs {
				if of == nil || kind.Inputs[i].Quantity != quantity.Sulfite || wrongBasis(pt.t, kind.Inputs[i].Key, of, kind, pt.p.Derive.Choice) {
					continue
				}
				if of.p.Basis == "" && complete {
					pt.t.wrong(kind.Inputs[i].Key, fmt.Sprintf("nobody has said whether %s is as SO3 or as Na2SO3", of.p.Path),
						"write basis on its point in the map, as the analyser shows it, or in a limit on it; the two differ by 57 %")
				}
			}
		}
	}
}
