package config

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"rillwatch/internal/chem"
	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// derivedMax bounds what one panel computes and a person enters: three of every kind.
const derivedMax = 64

// kindKeys are the keys that name a computation, one for each.
func kindKeys() []string {
	var keys []string
	for i := 1; i < site.DerivationCount; i++ {
		keys = append(keys, site.Derivation(i).Key())
	}
	return keys
}

// readDerived makes the derived points, so that one may be the input of another; wireDerived finds their inputs.
func (p *panel) readDerived() {
	keys := kindKeys()
	for _, t := range p.t.named("derive", `derive.NAME = { resistivity_of = "SENSOR.POINT" }`) {
		kind := p.readKind(t, keys)
		pt := p.standing(t, "derived")
		if pt == nil || kind.By == site.NoDerivation {
			continue
		}
		pt.p.Quantity, pt.p.Derive = kind.Result, site.Derive{By: kind.By, Choice: p.readChoice(t, kind)}
		if !strings.Contains(t.name(), kind.InName) {
			t.wrongHere(fmt.Sprintf("does not say in its name of what it is a share: blowdown of %s", kind.InName), fmt.Sprintf("call it blowdown-of-%s; at 20 cycles 5.00 %% of the feedwater are 5.26 %% of the steam", kind.InName))
		}
		pt.p.Unit, _ = quantity.ParseUnit(kind.Unit, kind.Result)
		if kind.Result == quantity.Dose && kind.Choice != "" {
			pt.p.Basis = pt.p.Derive.Choice
		}
		usual := kind.StepOf(pt.p.Derive.Choice)
		if usual == 0 {
			usual = resolutionOf(habitOf(kind.Result), pt.p.Unit)
		}
		p.readDisplay(t, pt, usual, "the usual display of "+kind.Name)
	}
}

// readKind finds the computation a table names, and tells the keys that do not belong to it.
func (p *panel) readKind(t table, keys []string) site.DeriveKind {
	var found []string
	for _, key := range keys {
		if t.has(key) {
			found = append(found, key)
		}
	}
	if len(found) == 0 {
		t.check(shape{"a derived point", append(slices.Clone(keys), "unit", "resolution"), nil})
		if !t.slipped(keys...) {
			t.wrongHere("names no computation", "write one of "+strings.Join(keys, ", "))
		}
		return site.DeriveKind{}
	}
	if len(found) > 1 {
		t.wrongKey(found[1], "is a second computation besides "+found[0], "keep one; a derived point may be the input of another")
		return site.DeriveKind{}
	}
	kind := site.Derivation(1 + slices.Index(keys, found[0])).Kind()
	known := []string{"unit", "resolution"}
	if kind.Choice != "" {
		known = append(known, kind.Choice)
	}
	for _, in := range kind.Inputs {
		known = append(known, in.Key)
	}
	t.check(shape{kind.Name, known, nil})
	return kind
}

// standing makes the point of a table beside the sensors; nil when there are too many.
func (p *panel) standing(t table, what string) *point {
	if p.sensors[t.name()] != nil || t.name() == siteName {
		t.wrongHere("has the name of a sensor", "take another name; a "+what+" point stands beside the sensors")
	} else if p.derived[t.name()] != nil {
		t.wrongHere("has the name of a value that a person enters", "take another name; two points cannot share one path")
		return nil
	}
	if len(p.derived) >= derivedMax {
		t.wrongHere(fmt.Sprintf("is more than the %d derived and entered points a panel may have", derivedMax), "remove some")
		return nil
	}
	pt := &point{t: t}
	pt.p = site.Point{Name: t.name(), Path: p.p.Name + "." + t.name()}
	p.derived[t.name()] = pt
	return pt
}

func (p *panel) readChoice(t table, kind site.DeriveKind) string {
	if kind.Choice == "" {
		return ""
	}
	choice, _ := t.choice(kind.Choice, kind.Choices)
	if !t.has(kind.Choice) {
		t.missing(kind.Choice, "write one of "+quotedList(kind.Choices))
	}
	return choice
}

// readDisplay reads the unit, whose default the point has already, and the resolution of a point that no register gives.
func (p *panel) readDisplay(t table, pt *point, usual float64, why string) {
	q, do := pt.p.Quantity, "write a unit of "+pt.p.Quantity.String()
	from := pt.p.Unit
	pt.ok = true
	if s, ok := t.text("unit", do); ok {
		u, err := quantity.ParseUnit(s, q)
		if err != nil {
			t.wrong("unit", oneLine(err.Error()), do)
			pt.ok = false
			return
		}
		if v, _, err := quantity.ConvertDifference(usual, from, u); err == nil && u != from && v > 0 {
			usual = math.Pow10(int(math.Floor(math.Log10(v) + 1e-9))) // a display goes in tens: 0.01 min for 1 s
		}
		pt.p.Unit = u
	} else if !t.has("unit") {
		t.took("unit", pt.p.Unit.Name(), "what the trade reads")
	} else {
		pt.ok = false
		return
	}
	if a, ok := t.amount("resolution", pt.p.Unit, true); ok && a.value <= 0 {
		t.wrong("resolution", a.text()+" is no step", "write the last digit of the display that matters, such as 0.01")
	} else if ok {
		pt.p.Resolution = a.value
	} else if !t.has("resolution") {
		pt.p.Resolution = usual
		t.took("resolution", withUnit(usual, pt.p.Unit), why)
	}
}

// wireDerived finds the inputs of every derived point, and refuses one that comes from itself.
func (p *panel) wireDerived() {
	for _, name := range sortedKeys(p.derived) {
		pt := p.derived[name]
		kind := pt.p.Derive.By.Kind()
		for i := range kind.Inputs {
			in, value := p.readInput(pt, kind, i)
			pt.inputs, pt.p.Derive.Inputs = append(pt.inputs, in), append(pt.p.Derive.Inputs, value)
		}
		checkCycles(pt)
	}
	seen := map[*point]bool{}
	for _, name := range sortedKeys(p.derived) {
		if circle := circleFrom(p.derived[name], seen, nil); circle != nil {
			least := 0 // it is told at the member that stands first by name, wherever the search came in
			for i, pt := range circle {
				if pt.p.Name < circle[least].p.Name {
					least = i
				}
			}
			var way []string
			for i := range len(circle) + 1 {
				way = append(way, circle[(least+i)%len(circle)].p.Name)
			}
			pt := circle[least]
			pt.t.wrong(pt.p.Derive.By.Key(), "comes from itself: "+strings.Join(way, " from "), "a derived point must come from measured or entered ones in the end")
			return
		}
	}
	for _, name := range sortedKeys(p.derived) {
		if pt := p.derived[name]; pt.p.Derive.By == site.ConductivityAt25Of && len(pt.inputs) > 0 && pt.inputs[0] != nil && pt.inputs[0].p.Derive.By == site.ConductivityAt25Of {
			pt.t.wrong(pt.p.Derive.By.Key(), pt.inputs[0].p.Path+" is at 25 degC already: it is computed so", "use it as it is; compensated twice it would be wrong")
		}
	}
}

// readInput finds one input of a kind: a point, a constant, or nothing.
func (p *panel) readInput(pt *point, kind site.DeriveKind, i int) (*point, site.Input) {
	t, in := pt.t, &kind.Inputs[i]
	unit, _ := quantity.ParseUnit(in.Unit, in.Quantity)
	given := func(v float64) (*point, site.Input) { return nil, site.Input{Point: site.None, Given: true, Value: v} }
	none := site.Input{Point: site.None}
	choice := pt.p.Derive.Choice
	if in.OnlyFor != "" && choice != in.OnlyFor {
		if t.has(in.Key) && choice != "" {
			t.wrongKey(in.Key, fmt.Sprintf("means nothing for %s = %q", kind.Choice, choice), "leave it out")
		}
		return nil, none
	}
	if !t.has(in.Key) {
		switch in.Need {
		case site.Required:
			t.missing(in.Key, p.how(in))
		case site.OrAltitude:
			return p.air(t, in.Key, given)
		case site.OrLineVolume:
			if v := p.p.Line.LeadML; v > 0 {
				t.took(in.Key, withUnit(math.Round(10*v)/10, unit), "the volume of the panel's own line, from tap to cell")
				return given(v)
			}
			t.missing(in.Key, p.how(in)+"; the panel has no line of its own to take it from")
		case site.OrUsual:
			t.took(in.Key, num(in.Usual), in.Why)
			return given(in.Usual)
		}
		return nil, none
	}
	if s, isText := t.m[in.Key].(string); i > 0 && (!isText && in.Quantity == quantity.Number || isText && constant(s) && !p.knows(s)) {
		a, ok := t.amount(in.Key, unit, false)
		if !ok {
			return nil, none
		}
		if low, high, bounded := in.Range(choice); bounded && !(a.value >= low && a.value <= high) {
			said, most := a.text(), withUnit(high, unit)
			if unit.Display() == "" {
				said, most = num(a.written), num(high)
			}
			t.wrong(in.Key, fmt.Sprintf("%s is outside %s to %s, the range of the method, so nothing could ever be computed with it", said, num(low), most), p.how(in))
			return nil, none
		}
		return given(a.value)
	}
	if _, isText := t.m[in.Key].(string); !isText {
		t.notA(in.Key, "a text in quotes", p.how(in))
		return nil, none
	}
	of, ok := p.find(t, in.Key)
	if !ok || !of.ok || !wanted(t, in.Key, of, in.Quantity) {
		return nil, none
	}
	if _, _, err := quantity.Convert(1, of.p.Unit, unit); err != nil {
		t.wrong(in.Key, fmt.Sprintf("%s is in %s, and %s cannot be had from it: %s", of.p.Path, of.p.Unit.Name(), unit.Name(), oneLine(err.Error())), p.how(in))
		return nil, none
	}
	if made := of.p.Derive.By; in.Quantity == quantity.Number && made != site.NoDerivation && made.Kind().Words != in.Means {
		t.wrong(in.Key, fmt.Sprintf("%s is %s, and %s is wanted", of.p.Path, made.Kind().Words, strings.TrimPrefix(in.Says, "the ")), p.how(in))
		return nil, none
	}
	if in.Quantity == quantity.Sulfite && wrongBasis(t, in.Key, of, kind, choice) {
		return nil, none
	}
	if w := of.p.Water.Compensation; in.Quantity == quantity.Conductivity {
		switch {
		case kind.By == site.ConductivityAt25Of && of.p.Water.At25():
			t.wrong(in.Key, fmt.Sprintf("%s is at 25 degC already: its compensation is %q", of.p.Path, w), "use it as it is; compensated twice it would be wrong")
			return nil, none
		case (kind.By == site.PHExpectedFrom || kind.By == site.PHAboveExpected) && w == site.Uncompensated:
			t.wrong(in.Key, of.p.Path+" is not at 25 degC: its compensation is \"none\"", `derive one with conductivity_at_25_of, and name that`)
			return nil, none
		}
	}
	return of, none
}

// at25 tells whether a conductivity is known to be at 25 degC.
func at25(pt *point) bool { return pt.p.Water.At25() || pt.p.Derive.By == site.ConductivityAt25Of }

// checkCycles refuses two conductivities at different temperatures of reference: the quotient would be off by as much as they are.
func checkCycles(pt *point) {
	if pt.p.Derive.By != site.CyclesFromConductivity || len(pt.inputs) < 2 || pt.inputs[0] == nil || pt.inputs[1] == nil {
		return
	}
	a, b := pt.inputs[0], pt.inputs[1]
	for range 2 {
		if a.p.Water.Compensation == site.Uncompensated && at25(b) {
			pt.t.wrong("feedwater", fmt.Sprintf("%s is as it is in the line, and %s at 25 degC", a.p.Path, b.p.Path), "derive the first at 25 degC with conductivity_at_25_of, and name that")
			return
		}
		a, b = b, a
	}
}

// how says what may be written for an input.
func (p *panel) how(in *site.DeriveInput) string {
	do := fmt.Sprintf(`write %s = "SENSOR.POINT"`, in.Key)
	switch {
	case in.Quantity == quantity.Number && in.Need == site.OrUsual:
		do = fmt.Sprintf("write %s and a number", in.Key)
	case in.Quantity == quantity.Number:
		do += ", or a number"
	default:
		do += fmt.Sprintf(", or a number with its unit, such as %q", withUnit(cmp.Or(in.Usual, 1), firstUnit(in)))
	}
	return do + ": " + in.Says
}

func firstUnit(in *site.DeriveInput) quantity.Unit {
	u, _ := quantity.ParseUnit(in.Unit, in.Quantity)
	return u
}

// constant tells a number with its unit from the name of a point.
func constant(s string) bool {
	s = strings.TrimLeft(strings.TrimSpace(s), "+-.")
	return s != "" && s[0] >= '0' && s[0] <= '9'
}

// knows tells whether a reference names a point of this panel or the site.
func (p *panel) knows(reference string) bool {
	pt, blind := p.at(reference)
	return pt != nil || blind
}

// air is the pressure of the air where no barometer is named.
func (p *panel) air(t table, key string, given func(float64) (*point, site.Input)) (*point, site.Input) {
	s := &p.t.d.out
	if !s.HasAlt {
		t.missing(key, `write barometer = "SENSOR.POINT" or "1013 hPa(a)", or altitude_m of the site; at 1600 m the same water is 22 % nearer saturation`)
		return nil, site.Input{Point: site.None}
	}
	hPa, err := chem.AltitudePressure(s.AltitudeM)
	if err != nil {
		t.wrongHere("the usual pressure of the air at the site's altitude is not known: "+oneLine(err.Error()), `write barometer = "SENSOR.POINT" or "1013 hPa(a)"`)
		return nil, site.Input{Point: site.None}
	}
	t.took(key, fmt.Sprintf("%.1f hPa(a)", hPa), "the usual pressure of the air at altitude_m of the site; the weather moves it by some 3 %")
	return given(hPa)
}

// circleFrom is a circle that can be reached from a derived point; nil when there is none. seen are the points that lead to none: each is
// looked at once, for the ways through a panel may be more than anybody can walk.
func circleFrom(pt *point, seen map[*point]bool, way []*point) []*point {
	if i := slices.Index(way, pt); i >= 0 {
		return way[i:]
	}
	if seen[pt] || pt.sensor != nil {
		return nil
	}
	way = append(way, pt)
	for _, in := range pt.inputs {
		if in == nil {
			continue
		}
		if circle := circleFrom(in, seen, way); circle != nil {
			return circle
		}
	}
	seen[pt] = true
	return nil
}

// inOrder is the derived and entered points, each after those it is computed from; of equals by name.
func (p *panel) inOrder() []*point {
	var order []*point
	var put func(pt *point)
	put = func(pt *point) {
		if slices.Contains(order, pt) {
			return
		}
		for _, in := range pt.inputs {
			if in != nil && in.sensor == nil {
				put(in)
			}
		}
		order = append(order, pt)
	}
	for _, name := range sortedKeys(p.derived) {
		put(p.derived[name])
	}
	return order
}
