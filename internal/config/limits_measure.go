package config

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

const (
	windowUsual  = 30 * time.Minute // judgement: a deaerator or a leak moves oxygen within minutes, and a swing of the load is over by then
	windowMin    = time.Minute      // a jump is told by the point itself
	windowMax    = 24 * time.Hour   // slower than this is drift, which checks against a second method find
	rateDeadband = 0.2              // of the limit; judgement

	learnOverUsual  = 24 * time.Hour // judgement: a whole day of load, make-up and returned condensate
	learnLeastUsual = 6 * time.Hour
	learnLeastMin   = 2 * time.Hour // eight quarter-hours: fewer give no scatter
)

// readMeasure reads what of its point a limit judges, and on which side. It gives the key that holds its value; empty when nothing can be
// read on from it.
func readMeasure(t table, l *site.Limit) string {
	var sides []string
	for _, key := range []string{"high", "low", "rises", "falls"} {
		if t.has(key) {
			sides = append(sides, key)
		}
	}
	switch {
	case t.has("above_normal") && t.has("below_normal"):
		t.wrongKey("below_normal", "is a second side besides above_normal", "write one limit for each side")
		return ""
	case len(sides) > 1:
		t.wrongKey(sides[1], "is a second side besides "+sides[0], "write one limit for each side")
		return ""
	case t.has("above_normal"):
		if len(sides) == 0 {
			t.missing("high", `write high = "10 uS/cm" too: the ceiling that applies whatever was learned, and alone until something is`)
			return ""
		}
		if sides[0] != "high" {
			t.wrongKey(sides[0], "does not go with above_normal", "write the ceiling as high")
			return ""
		}
		l.Of, l.Side = site.AboveNormal, site.High
		return "high"
	case t.has("below_normal"):
		if len(sides) > 0 && sides[0] != "low" {
			t.wrongKey(sides[0], "does not go with below_normal", "write the floor as low, or leave it out")
			return ""
		}
		l.Of, l.Side = site.BelowNormal, site.Low
		if len(sides) == 0 {
			t.warnHere("has no low, so until its normal is learned nothing is judged by it", "write the floor as low as well, or learn the normal soon: rillwatch learn PANEL.LIMIT")
			return "below_normal"
		}
		return "low"
	case len(sides) == 0:
		if !t.slipped("high", "low", "rises", "falls", "above_normal", "below_normal") {
			t.wrongHere("has no value", `write high = "20 ppb" or low = "7 pH"`)
		}
		return ""
	}
	switch sides[0] {
	case "high":
		l.Side = site.High
	case "low":
		l.Side = site.Low
	case "rises":
		l.Of, l.Side = site.Rises, site.High
	case "falls":
		l.Of, l.Side = site.Falls, site.High
	}
	return sides[0]
}

// onlyFor tells keys that mean nothing for this limit.
func onlyFor(t table, l *site.Limit) {
	if t.has("window") && !l.Of.Rate() {
		t.wrongKey("window", "is for a limit of a rate", "leave it out, or write rises or falls")
	}
	for _, key := range []string{"learn_over", "learn_least"} {
		if t.has(key) && !l.Of.Learned() {
			t.wrongKey(key, "is for a limit that hangs on a learned normal", "leave it out, or write above_normal or below_normal")
		}
	}
}

// readRate reads "10 ppb/h" or "0.5 ppb/min", and the window it is taken over.
func readRate(t table, key string, l *site.Limit, pt *point) bool {
	do := fmt.Sprintf(`write a speed above 0 in quotes, such as %s = "10 %s/h", or /min`, key, pt.p.Unit.Name())
	text, ok := t.text(key, do)
	if !ok {
		return false
	}
	amount, found := strings.CutSuffix(text, "/h")
	l.Per = time.Hour
	if !found {
		if amount, found = strings.CutSuffix(text, "/min"); found {
			l.Per = time.Minute
		}
	}
	if !found {
		t.wrong(key, fmt.Sprintf("%q does not say in what time", text), do)
		return false
	}
	v, u, err := quantity.ParseValue(strings.TrimSpace(amount), pt.p.Quantity)
	if err == nil && v > 0 {
		l.Value, _, err = quantity.ConvertDifference(v, u, pt.p.Unit)
		l.Value *= float64(time.Hour / l.Per)
		l.Written, l.Unit = v, u
	}
	switch {
	case err != nil:
		t.wrong(key, oneLine(err.Error()), do)
		return false
	case v <= 0 || math.IsInf(l.Value, 0):
		t.wrong(key, fmt.Sprintf("%q is no speed", text), do)
		return false
	}
	if l.Window, ok = t.span("window", windowMin, windowMax); !ok {
		if t.has("window") {
			return false
		}
		l.Window = windowUsual
		t.took("window", short(windowUsual), "judgement: the rate is the middle of the slopes within it, and nothing is told before it is full")
	}
	if pt.sensor != nil && pt.sensor.s.Period > 0 && l.Window < site.RateParts*pt.sensor.s.Period {
		at := "window"
		if !t.has(at) {
			at = key
		}
		t.wrong(at, fmt.Sprintf("in a window of %s the sensor, read every %s, gives fewer than %d readings", short(l.Window), short(pt.sensor.s.Period), site.RateParts), "write a longer window")
		return false
	}
	l.Deadband = rateDeadband * l.Value
	if t.has("deadband") {
		t.wrongKey("deadband", "is not for a limit of a rate", "leave it out; it is a fifth of the limit")
	} else {
		t.took("deadband", num(rateDeadband*l.Written)+" "+l.UnitName(), "a fifth of the limit; judgement")
	}
	return true
}

// arbitraryZero are the quantities of which a share means nothing.
func arbitraryZero(q quantity.Quantity) bool {
	return q == quantity.Temperature || q == quantity.PH || q == quantity.ORP || q == quantity.Pressure
}

// readNormal reads how far from its learned baseline a point may be: "20 %" of it, or so much in a unit.
func readNormal(t table, l *site.Limit, pt *point) bool {
	key, other := "above_normal", "2 "+pt.p.Unit.Name()
	if l.Of == site.BelowNormal {
		key = "below_normal"
	}
	n := &l.Normal
	do := fmt.Sprintf(`write how far from its normal it may be, such as %s = "30 %%" or %q`, key, other)
	text, _ := t.m[key].(string)
	if share, ok := strings.CutSuffix(text, "%"); ok {
		f, err := strconv.ParseFloat(strings.TrimSpace(share), 64)
		switch {
		case arbitraryZero(pt.p.Quantity):
			t.wrong(key, fmt.Sprintf("a share of %s means nothing", pt.p.Quantity), fmt.Sprintf("write the distance, such as %s = %q", key, other))
			return false
		case err != nil || !(f > 0) || math.IsInf(f, 0) || l.Of == site.BelowNormal && f >= 100:
			t.wrong(key, fmt.Sprintf("%q is no share to be judged by", text), do)
			return false
		}
		n.Share, n.Written = f/100, num(f)+" %"
	} else {
		a, ok := t.amount(key, pt.p.Unit, true)
		if !ok {
			return false
		}
		if a.value <= 0 {
			t.wrong(key, a.text()+" is no distance", do)
			return false
		}
		n.By, n.Written = a.value, a.text()
		if l.Unit == (quantity.Unit{}) {
			l.Unit = a.unit
		}
	}
	if l.Unit == (quantity.Unit{}) {
		l.Unit = pt.p.Unit
	}
	span := func(key string, low, high, usual time.Duration, why string) time.Duration {
		d, ok := t.span(key, low, high)
		if !ok && !t.has(key) {
			d = usual
			t.took(key, short(d), why)
		}
		if ok && d%site.Quarter != 0 {
			t.wrong(key, short(d)+" is not a whole number of quarter-hours", "write such as \"6h\" or \"90m\"")
		}
		return d
	}
	n.Over = span("learn_over", learnLeastMin, site.LearnMost, learnOverUsual, "judgement: a day of load, make-up and returned condensate")
	n.Least = span("learn_least", learnLeastMin, site.LearnMost, min(learnLeastUsual, max(n.Over, learnLeastMin)), "judgement: so much of it must have been believed and on line")
	if n.Over > 0 && n.Least > n.Over {
		at := "learn_least"
		if !t.has(at) {
			at = "learn_over"
		}
		t.wrong(at, fmt.Sprintf("learn_least, %s, is longer than learn_over, %s", short(n.Least), short(n.Over)), "no span holds more than itself")
		return false
	}
	if n.HasBound {
		t.notePoint(key, fmt.Sprintf("judged by %s alone until its normal is learned (rillwatch learn); the nearer of the two then decides", withUnit(l.Written, l.Unit)))
	} else {
		t.notePoint(key, "judged by nothing until its normal is learned (rillwatch learn)")
	}
	return true
}

// readApplies reads the states of the boiler in which the limit is judged.
func (p *panel) readApplies(t table, l *site.Limit) {
	v, ok := t.m["applies"]
	if !ok {
		return
	}
	do := `write a list of one or more of "on-line", "start-up", "off-line"`
	list, ok := v.([]any)
	if !ok || len(list) == 0 {
		t.notA("applies", "a list of states with something in it", do)
		return
	}
	for _, one := range list {
		found := false
		for i, name := range site.OperatingStates() {
			if one == name {
				l.Applies, found = l.Applies.With(site.OperatingState(i)), true
			}
		}
		if !found {
			t.wrong("applies", fmt.Sprintf("%q is no state of a boiler", fmt.Sprint(one)), do)
			return
		}
	}
	if p.p.StartUp == 0 && l.Applies.In(site.StartUpState) {
		t.warn("applies", "there is no start-up here: the panel has no start_up", `write start_up = "20m" in the panel, or leave start-up out`)
	}
}

// remarkTap tells points that the place of the tap makes senseless.
func (p *panel) remarkTap() {
	if p.p.Tap != site.BeforeScavenger {
		return
	}
	warn := func(pt *point) {
		if pt.p.Quantity == quantity.Sulfite {
			p.t.warn("tap", fmt.Sprintf("%s is a sulfite, and a sample drawn before the scavenger is dosed holds none", pt.p.Path),
				"correct the tap, or take the point out: it would read the zero of its sensor, and a limit of it says nothing")
		}
	}
	for _, s := range sortedKeys(p.sensors) {
		for _, name := range sortedKeys(p.sensors[s].points) {
			warn(p.sensors[s].points[name])
		}
	}
	for _, name := range sortedKeys(p.derived) {
		warn(p.derived[name])
	}
}

// checkNormals bounds the points of a panel that may have a learned baseline.
func (p *panel) checkNormals() {
	var points []*point
	for _, l := range p.limits {
		if l.l.Of.Learned() && !slices.Contains(points, l.point) {
			points = append(points, l.point)
		}
	}
	if len(points) > site.NormalsMost {
		p.t.wrong("limit", fmt.Sprintf("%d points have a learned normal, and a panel keeps %d", len(points), site.NormalsMost), "judge the others by high and low")
	}
}
