package config

import (
	"fmt"
	"strings"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

func (p *panel) readInterlock() {
	t, ok := p.t.sub("interlock")
	if !ok {
		return
	}
	t.check(shapeLock)
	l := &p.p.Interlock
	l.Configured = true
	if t.has("valve_closed") {
		p.valve = p.findOf(t, "valve_closed", quantity.State)
		p.mustBeFitted(t, "valve_closed", p.valve)
	} else if line, _ := p.t.sub("line"); !line.has("flow") {
		t.warnHere("neither valve_closed nor a flow shows whether the sample valve is closed", "name the valve's feedback, or the line's flow")
	}
	if travel, ok := t.span("travel", 0, travelMax); ok {
		l.Travel = travel
	} else if !t.has("travel") {
		l.Travel = travelDefault
		t.took("travel", short(travelDefault), "judgement: a motorised valve turns in 5 to 15 s")
	}
	if !t.has("temperature") {
		t.missing("temperature", `write temperature = "SENSOR.POINT"`)
		return
	}
	p.readDrive(t)
	if p.temperature = p.measured(t, "temperature", quantity.Temperature); p.temperature == nil {
		return
	}
	p.readThresholds(t)
	p.readBeside(t)
	p.mustBeFitted(t, "temperature", p.temperature)
	s := p.temperature.sensor
	s.guards = true
	if s.s.Period == 0 || s.s.Refresh == 0 {
		return // told already
	}
	l.LostAfter = lostAfter(s.s.Period)
	if slowest := max(s.s.Period, s.s.Refresh); slowest > hotUpdatesWithin {
		t.wrong("temperature", fmt.Sprintf("%s is new only every %s, and two hot updates must come within %s to close", p.temperature.p.Path, short(slowest), short(hotUpdatesWithin)),
			"shorten period and refresh of its sensor")
	}
	if !s.refreshSet {
		t.warn("temperature", "the sensor has no refresh, so one held word counts as two hot updates and is told as hot", fmt.Sprintf("set refresh of %s to the time its device takes for a new measurement", s.s.Path))
	}
}

// mustBeFitted refuses to guard by a sensor whose absence is no fault: nobody would be told that nothing guards.
func (p *panel) mustBeFitted(t table, key string, pt *point) {
	if pt != nil && pt.sensor.s.FittedLater {
		t.wrong(key, fmt.Sprintf("%s may be fitted later, and while it is absent nothing would guard and nobody would be told", pt.sensor.s.Path), "name a point of a sensor that is there, or leave fitted out")
	}
}

func (p *panel) readThresholds(t table) {
	l, pt := &p.p.Interlock, &p.temperature.p
	read := func(key, usual, why string) (float64, string, bool) {
		a, ok := t.amount(key, pt.Unit, false)
		if ok {
			return a.value, a.text(), true
		}
		if t.has(key) {
			return 0, "", false
		}
		t.took(key, usual, why)
		v, ok := inUnit(usual, pt.Unit, false)
		return v, usual, ok
	}
	warn, warnText, ok1 := read("warn_above", warnDefault, "common practice: just warm to the hand")
	closeAt, closeText, ok2 := read("close_above", closeDefault, "common practice: most wetted sensors end at 45 to 50 degC")
	if !ok1 || !ok2 {
		return
	}
	l.WarnAbove, l.CloseAbove, l.WarnText, l.CloseText = warn, closeAt, warnText, closeText
	key := "close_above"
	if !t.has(key) {
		key = "warn_above"
	}
	if closeAt <= warn {
		t.wrong(key, fmt.Sprintf("close_above, %s, is not above warn_above, %s", closeText, warnText), "the warning must come first, to leave time to look at the cooling water")
	}
	if pt.HasCeil && closeAt >= pt.Ceiling {
		t.wrong(key, fmt.Sprintf("close_above, %s, is at or above the ceiling of %s, %s, so it could never be seen", closeText, pt.Path, withUnit(pt.Ceiling, pt.Unit)), "lower it, or correct the ceiling")
	} else if pt.Fault.HasHigh && closeAt >= pt.Fault.High {
		t.wrong(key, fmt.Sprintf("close_above, %s, is at or above fault_above of %s, %s, so it could never be seen", closeText, pt.Path, withUnit(pt.Fault.High, pt.Unit)), "lower it, or raise fault_above")
	}
}

func (p *panel) readLimits() {
	for _, t := range p.t.named("limit", "[panel.NAME.limit.NAME]") {
		p.readLimit(t)
	}
	p.checkNormals()
}

func (p *panel) readLimit(t table) {
	t.check(shapeLimit)
	l := site.Limit{Name: t.name()}
	if site.PanelAlarm(l.Name) {
		t.wrongHere("bears the name of an alarm of the panel itself", "give the limit another name: two alarms of one name cannot be told apart")
		return
	}
	if site.InterlockAlarm(l.Name) {
		t.wrongHere("bears the name of an alarm of the interlock", "give the limit another name: two alarms of one name cannot be told apart")
		return
	}
	value, side, taken := t, "", false
	if t.has("from") {
		value, side, taken = p.takeFrom(t, &l)
	} else {
		side = readMeasure(t, &l)
		p.readSource(t, &l)
	}
	onlyFor(t, &l)
	l.Action, _ = t.text("action", "write what to do first, in the plant's own words")
	if !t.has("action") {
		t.warnHere("names no first action", `write action = "..."; a message at night should say what to do`)
	}
	l.Cause, _ = t.text("cause", "write what it usually comes from, in the plant's own words")
	l.Consequence, _ = t.text("consequence", "write what comes of doing nothing, and in what time, in the plant's own words")
	p.readApplies(t, &l)
	l.Priority = site.MediumPriority
	if s, ok := t.choice("priority", []string{"top", "high", "medium", "low"}); ok {
		l.Priority, _ = site.ParsePriority(s)
	} else if !t.has("priority") {
		t.took("priority", priorityName, "judgement: a limit gives warning, it does not protect")
	}
	if !t.has("point") {
		t.missing("point", `write point = "SENSOR.POINT"`)
		return
	}
	pt, ok := p.find(t, "point")
	if !ok || !pt.ok {
		return
	}
	if pt.p.Quantity == quantity.State {
		t.wrong("point", pt.p.Path+" is a state, which has no limit", "name a point that is a number")
		return
	}
	if taken {
		if q := p.t.d.setLimit(t).quantity; q != pt.p.Quantity {
			t.wrong("from", fmt.Sprintf("the limit is one of %s, and %s is %s", q, pt.p.Path, pt.p.Quantity), "name a point of that quantity, or another limit")
			return
		}
	} else if !t.has("from") {
		readBasis(t, &l, pt.p.Quantity)
	}
	takeBasis(t, l.Basis, pt)
	if side == "" {
		readDelays(t, &l, habitOf(pt.p.Quantity))
		return
	}
	if !p.readValue(t, value, side, &l, pt) {
		return
	}
	p.limits = append(p.limits, limit{l, pt})
}

// readValue reads the number of a limit with its delays and its deadband. The number may stand in another table than the rest: that of a set.
func (p *panel) readValue(t, value table, key string, l *site.Limit, pt *point) bool {
	h := habitOf(pt.p.Quantity)
	if l.Of != site.TheValue && pt.p.Entered.Configured {
		t.wrong("point", pt.p.Path+" is entered by a person now and then, so it has neither a rate nor a normal", "name a point of a sensor, or write high or low")
		return false
	}
	if l.Of.Rate() {
		if !readRate(t, key, l, pt) {
			return false
		}
		h.onDelay, h.offDelay, h.delayWhy = 0, l.Window, "judgement: the window is a delay already; all of it must be seen clear"
		readDelays(t, l, h)
		return true
	}
	readDelays(t, l, h)
	if key != "below_normal" { // which alone has no number of its own
		a, ok := value.amount(key, pt.p.Unit, false)
		if !ok {
			return false
		}
		l.Value, l.Written, l.Unit, l.Normal.HasBound = a.value, a.written, a.unit, l.Of.Learned()
		p.readDeadband(t, l, pt)
		at := key
		if t.has("from") {
			at = "from"
		}
		checkReach(t, at, l, &pt.p)
	} else if t.has("deadband") {
		p.readDeadband(t, l, pt)
	}
	return !l.Of.Learned() || readNormal(t, l, pt)
}

// readSource reads whose limit it is. There is no bare limit: serious documents differ sevenfold for the same boiler.
func (p *panel) readSource(t table, l *site.Limit) {
	const do = `write source = { document = "...", edition = "...", band = "...", tap = "..." }; a limit belongs to whoever set it`
	if !t.has("source") {
		t.missing("source", do)
		return
	}
	s, ok := t.sub("source")
	if !ok {
		return
	}
	s.check(shapeSource)
	if l.Source.Document, ok = s.text("document", do); !ok && !s.has("document") {
		s.missing("document", "write the document that sets this limit, such as the boiler maker's specification")
	}
	l.Source.Edition, _ = s.text("edition", "write the edition and clause")
	l.Source.Band, _ = s.text("band", "write the pressure band the limit is for")
	l.Source.Tap, _ = s.choice("tap", tapList)
	var silent []string
	for _, key := range []string{"edition", "band", "tap"} {
		if !s.has(key) {
			silent = append(silent, key)
		}
	}
	if len(silent) > 0 {
		s.d.add(&s.d.report.Warnings, s.d.at.value(s.path), written(s.path), "does not say "+strings.Join(silent, ", "), "add it; the same document has other limits for other pressures and taps")
	}
	p.matchTap(s, "tap", l)
}

// readBasis: sulfite as SO3 and as Na2SO3 differ by 1.574 (126.04/80.06), so a bare number is 57 % wrong half of the time.
func readBasis(t table, l *site.Limit, q quantity.Quantity) {
	switch {
	case q == quantity.Sulfite && !t.has("basis"):
		t.missing("basis", `write basis = "SO3" or basis = "Na2SO3"; the two differ by 57 %`)
	case q == quantity.Sulfite:
		l.Basis, _ = t.choice("basis", []string{"SO3", "Na2SO3"})
	case t.has("basis"):
		t.wrongKey("basis", "is for sulfite only", "leave it out; this point is "+q.String())
	}
}

func readDelays(t table, l *site.Limit, h habit) {
	for _, d := range []struct {
		key   string
		to    *time.Duration
		usual time.Duration
	}{{"on_delay", &l.OnDelay, h.onDelay}, {"off_delay", &l.OffDelay, h.offDelay}} {
		if span, ok := t.span(d.key, 0, delayMax); ok {
			*d.to = span
		} else if !t.has(d.key) {
			*d.to = d.usual
			t.took(d.key, short(d.usual), h.delayWhy)
		}
	}
}

func (p *panel) readDeadband(t table, l *site.Limit, pt *point) {
	if t.has("deadband") {
		a, ok := t.amount("deadband", pt.p.Unit, true)
		if ok && a.value < 0 {
			t.wrong("deadband", a.text()+" is below 0", "write how far inside the limit a value must be to clear")
		}
		l.Deadband = a.value
		return
	}
	value, why := deadbandOf(habitOf(pt.p.Quantity), l.Value, pt.p.Unit)
	if pt == p.flow {
		// Of the panel's own flow the normal flow is known, and that is what the 5 % of the alarm tables are of.
		if v, _, err := quantity.ConvertDifference(0.05*p.p.Line.FlowLow, quantity.Flow.Units()[0], pt.p.Unit); err == nil {
			value, why = v, "5 % of the low end of the panel's flow range; "+starting
		}
	}
	l.Deadband = value
	t.took("deadband", withUnit(value, pt.p.Unit), why)
}

// checkReach finds limits that could never be passed, or never be left again.
func checkReach(t table, side string, l *site.Limit, pt *site.Point) {
	at := withUnit(l.Written, l.Unit)
	raise := "lower the limit, or set fault_above of the point"
	fault, end, hasFault, hasEnd, passes, reaches := pt.Fault.High, pt.Ceiling, pt.Fault.HasHigh, pt.HasCeil, l.Value >= pt.Fault.High, l.Value >= pt.Ceiling
	within, faultName, endName := "below", "fault_above", "ceiling"
	if l.Side == site.Low {
		fault, end, hasFault, hasEnd, passes, reaches = pt.Fault.Low, pt.Floor, pt.Fault.HasLow, pt.HasFloor, l.Value <= pt.Fault.Low, l.Value <= pt.Floor
		within, faultName, endName = "above", "fault_below", "floor"
		raise = "raise the limit, or set fault_below of the point"
	}
	switch {
	case hasFault && passes:
		t.wrong(side, fmt.Sprintf("%s is not %s %s of %s, %s, so it could never be passed", at, within, faultName, pt.Path, withUnit(fault, pt.Unit)), raise)
		return
	case hasEnd && reaches:
		t.warn(side, fmt.Sprintf("%s is not %s the %s of %s, %s, so the sensor cannot see it passed", at, within, endName, pt.Path, withUnit(end, pt.Unit)), "check the limit and the sensor's range")
		return
	}
	clear, beyond := l.Value-l.Deadband, false
	bottom, hasBottom := pt.Floor, pt.HasFloor
	if !hasBottom && neverNegative(pt.Quantity) {
		bottom, hasBottom = 0, true
	}
	if l.Side == site.Low {
		clear = l.Value + l.Deadband
		beyond = pt.HasCeil && clear > pt.Ceiling
	} else {
		beyond = hasBottom && clear < bottom
	}
	if beyond {
		key := "deadband"
		if !t.has(key) {
			key = side
		}
		t.wrong(key, fmt.Sprintf("with the limit at %s and a deadband of %s the alarm clears at %s, which the sensor cannot show", at, withUnit(l.Deadband, pt.Unit), withUnit(clear, pt.Unit)),
			"write a smaller deadband")
	}
}

// neverNegative tells the quantities whose zero is the least there is.
func neverNegative(q quantity.Quantity) bool {
	switch q {
	case quantity.DissolvedOxygen, quantity.Conductivity, quantity.Resistivity, quantity.Flow, quantity.Sulfite, quantity.Dye, quantity.Chloride, quantity.Dose, quantity.Duration:
		return true
	}
	return false
}
