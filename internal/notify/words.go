package notify

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Sentences that stand in more than one message, so that they are always the same. Hot pressurised water is the one thing at a sample
// panel that hurts people; nobody shall walk there on the strength of a message without having read this.
const (
	handsOff  = "Do not open the grab valve and do not remove a sensor: water and pipework may be hot and under pressure."
	handsOff2 = "Until a person at the panel has seen that the sample runs cool, do not open the grab valve and do not remove a sensor."
	primary   = "The panel's own thermal shut-off is the primary protection."
	watches   = "Rillwatch only observes this panel: it has asked for nothing and has moved nothing."
)

// titleMost bounds a panel's title in a text, where it stands more than once.
const titleMost = 120

// message is one event in words.
type message struct {
	headline string
	text     string
	state    string // raised, returned, acknowledged, noted or test: for machines that group messages
}

// teller makes the words of one event.
type teller struct {
	s     *site.Site
	e     *event.Event
	p     *site.Panel // nil when the event is of no panel, or of one the configuration no longer holds
	zone  *time.Location
	where string // who it is about, in plant words; empty for the site as a whole

	facts []string // for the headline, from the longest to the shortest
	paras []string
	state string
}

func newTeller(s *site.Site, e *event.Event) *teller {
	t := &teller{s: s, e: e, zone: s.Zone, state: "noted"}
	if t.zone == nil {
		t.zone = time.UTC
	}
	for i := range s.Panels {
		if s.Panels[i].Name == e.Panel {
			t.p = &s.Panels[i]
		}
	}
	t.where = t.title(e.Panel)
	return t
}

// compose says an event in words. Every told kind has its own.
func compose(s *site.Site, e *event.Event) message {
	t := newTeller(s, e)
	switch e.Kind {
	case event.AlarmRaised:
		t.raised()
	case event.AlarmReturned:
		t.returned()
	case event.OnLineNotKnown:
		t.onLineNotKnown()
	case event.AlarmAcknowledged:
		t.acknowledged()
	case event.LimitRemoved:
		t.limitRemoved()
	case event.SampleWarm:
		t.warm()
	case event.SampleHot:
		t.hot()
	case event.SampleHotOver:
		t.hotOver()
	case event.TemperatureLost:
		t.temperatureLost()
	case event.TemperatureBack:
		t.temperatureBack()
	case event.ValveClosedSeen:
		t.valveClosed()
	case event.ValveOpenedSeen:
		t.valveOpened()
	case event.ValveFailedToClose:
		t.valveFailed()
	case event.ValveNoLongerFailed:
		t.valveNoLongerFailed()
	case event.ValveNotConfirmed:
		t.valveNotConfirmed()
	case event.OpenNoFlow:
		t.openNoFlow()
	case event.FlowBack:
		t.flowBack()
	case event.BusLost:
		t.busLost()
	case event.BusBack:
		t.busBack()
	case event.StationSilent:
		t.stationSilent()
	case event.StationBack:
		t.stationBack()
	case event.SensorJoined:
		t.sensorJoined()
	case event.SensorExchanged:
		t.sensorExchanged()
	case event.ReadingsDropped:
		t.readingsDropped()
	case event.CommitFailing:
		t.logbookFailing()
	case event.CommitBack:
		t.logbookBack()
	case event.StateLost:
		t.stateLost()
	case event.DrillTold:
		t.drill()
	case event.BaselineMissing:
		t.baselineMissing()
	case event.DataTooLittle:
		t.dataTooLittle()
	case event.DataEnough:
		t.dataEnough()
	default:
		if !t.repeated() {
			t.driven()
			t.line()
			t.states()
		}
	}
	return t.finish()
}

// finish puts headline and text together.
func (t *teller) finish() message {
	if len(t.facts) == 0 { // a kind without words of its own: a test sees to it that no told kind ends here
		t.fact("something happened that this version has no words for")
		t.say("Something happened at " + t.at() + " for which this version of rillwatch has no words. Look at its list of events.")
	}
	t.again()
	m := mark(t.e.Priority)
	if t.e.Test || t.e.Kind == event.DrillTold {
		m += "TEST "
		t.paras = append([]string{"This is a TEST. No valve moved, nothing is wrong because of it, and it is counted nowhere."}, t.paras...)
		t.state = "test"
	}
	if s := clean(t.e.Trust.Silenced); s != "" {
		t.say("Standing at this panel: " + sentence(s))
	}
	t.say(t.override())
	t.say(t.silences())
	if t.e.Volatile {
		t.say("This is not yet on disk: the logbook could not be written, so it is told from memory and may come a second time.")
	}
	t.say(t.ids())
	where := t.where
	if where == "" {
		where = t.siteName() // what is of no panel says whose it is
	}
	return message{headline: headline(m, where, "panel "+clean(t.e.Panel), t.facts), text: strings.Join(t.paras, "\n"), state: t.state}
}

// fact adds a candidate for the headline. Empty ones are dropped.
func (t *teller) fact(s string) {
	if s != "" {
		t.facts = append(t.facts, s)
	}
}

// say adds a paragraph of the sentences that are not empty.
func (t *teller) say(sentences ...string) {
	var said []string
	for _, s := range sentences {
		if s = strings.TrimSpace(s); s != "" {
			said = append(said, s)
		}
	}
	if len(said) > 0 {
		t.paras = append(t.paras, capital(strings.Join(said, " ")))
	}
}

// title is what the plant calls a panel.
func (t *teller) title(name string) string {
	if name == "" {
		return ""
	}
	for i := range t.s.Panels {
		if p := &t.s.Panels[i]; p.Name == name && p.Title != name && clean(p.Title) != "" {
			return clip(clean(p.Title), titleMost)
		}
	}
	return "panel " + clean(name)
}

// siteName is the site's name as it is said: a name, so with a capital.
func (t *teller) siteName() string {
	if name := spaced(t.s.Name); name != "" {
		return capital(name)
	}
	return "the site"
}

// at says panel and site.
func (t *teller) at() string {
	if t.where == "" {
		return t.siteName()
	}
	return t.where + " at " + t.siteName()
}

// spaced turns a name of the configuration into words.
func spaced(name string) string {
	return clean(strings.NewReplacer("-", " ", "_", " ").Replace(name))
}

// ids come last: they are for whoever looks the event up, not for whoever must act.
func (t *teller) ids() string {
	var parts []string
	if t.e.Alarm != "" {
		parts = append(parts, "alarm "+clean(t.e.Alarm))
	}
	if t.e.Raised != "" {
		parts = append(parts, "raised as event "+clean(t.e.Raised))
	}
	if !t.e.ID.IsZero() {
		parts = append(parts, "this is event "+clean(t.e.ID.String()))
	}
	if t.s.Hash != "" {
		parts = append(parts, "configuration "+clean(t.s.Hash))
	}
	return sentence("for the record: " + strings.Join(parts, ", "))
}

// point finds a point by its path; nil when the configuration no longer holds it.
func (t *teller) point(path string) *site.Point {
	for i := range t.s.Points {
		if t.s.Points[i].Path == path {
			return &t.s.Points[i]
		}
	}
	return nil
}

// quantityWords are the trade's words. Quantities without one are called by the name the user gave the point.
var quantityWords = map[quantity.Quantity]string{
	quantity.Temperature: "temperature", quantity.DissolvedOxygen: "oxygen", quantity.Conductivity: "conductivity",
	quantity.Resistivity: "resistivity", quantity.Flow: "flow", quantity.Pressure: "pressure", quantity.PH: "pH",
	quantity.ORP: "ORP", quantity.Sulfite: "sulfite", quantity.Dye: "tracer dye",
	quantity.Chloride: "chloride",
}

// subject says what a point measures. Where a panel has two of a kind, it adds the name the user gave this one.
func (t *teller) subject(path string) string {
	p := t.point(path)
	if p == nil {
		parts := strings.Split(path, ".")
		if name := spaced(parts[len(parts)-1]); name != "" {
			return name
		}
		return "a reading"
	}
	if t.p != nil && t.p.Interlock.Configured && t.index(t.p.Interlock.Temperature) == p {
		return "sample temperature"
	}
	if t.p != nil && t.p.Line.Configured && t.index(t.p.Line.Flow) == p {
		return "sample flow"
	}
	if words := t.computed(p); words != "" {
		return words
	}
	words, ok := quantityWords[p.Quantity]
	if !ok {
		return spaced(p.Name)
	}
	same := 0
	for i := range t.s.Points {
		if q := &t.s.Points[i]; q.Panel == p.Panel && q.Quantity == p.Quantity {
			same++
		}
	}
	if same > 1 {
		words += " (" + spaced(p.Name) + ")"
	}
	return words
}

func (t *teller) index(point int) *site.Point {
	if point < 0 || point >= len(t.s.Points) {
		return nil
	}
	return &t.s.Points[point]
}

// reads says a value as a person may use it: a number with its unit when it is believed, else what is the matter.
func reads(v *event.Value, basis string) (s string, number bool) {
	why, ok := believed(v)
	if !ok {
		return "no reading to be believed (" + why.Row().Words + ")", false
	}
	n, _ := numberOf(v)
	return bounded(withUnit(round(n, v.Bound), v.Unit, basis), v.Bound), true
}

func numberOf(v *event.Value) (string, bool) { return number(v.Value, placesOf(v)) }

// since says the moment of the event itself.
func (t *teller) seen(what string) string {
	return what + " at " + t.moment(t.e.At.Wall) + "."
}

// trust says whether the reading may be believed, and why.
func (t *teller) trust() string {
	if t.elsewhere() {
		return "This value does not come from the sensors in the sample, so how the sample runs says nothing of it."
	}
	var s string
	why, known := reading.ParseReason(t.e.Trust.Reason)
	switch {
	case t.e.Trust.Reason == "" && t.p != nil && t.p.Interlock.Configured && !t.e.Trust.TempKnown:
		s = "As far as can be seen, the sensors stand in fresh, flowing sample; whether it is cooled is not known, because its temperature is not read."
	case t.e.Trust.Reason == "":
		s = "As far as can be seen, the sensors stand in fresh, cooled, flowing sample."
	case known && why.Row().Counts:
		s = "The sample is believed with a doubt: " + why.Row().Words + "."
	case known:
		s = "At this moment the sensors do not see the plant's water: " + why.Row().Words + "."
	default:
		s = "Whether the sensors see the plant's water is not known."
	}
	return s + " " + t.evidence()
}

// evidence is what is known of flow, temperature and valve; what is not known is said to be so.
func (t *teller) evidence() string {
	r := t.e.Trust
	flow := "not known"
	if r.FlowKnown {
		flow = "none"
		if n, ok := number(r.Flow, 0); ok && n != "0" {
			flow = n + " mL/min"
		}
	}
	temperature := "not known"
	if r.TempKnown && r.TempUnit != "" {
		v, unit := t.likeTheValue(r.Temp, r.TempUnit)
		if n, ok := number(v, 1); ok {
			temperature = withUnit(n, unit, "")
		}
	}
	s := "Sample flow " + flow + ", temperature " + temperature + ", sample valve " + t.valve()
	if owed, ok := number(r.OwedML-r.FlushedML, 0); ok && r.OwedML > r.FlushedML {
		s += ", " + owed + " mL of fresh water still to pass"
	}
	return s + "."
}

// likeTheValue gives a temperature of the evidence in the unit of the temperature the event is about, so that one message does not say
// the same temperature in two units.
func (t *teller) likeTheValue(v float64, unit string) (float64, string) {
	if t.e.Value == nil {
		return v, unit
	}
	want, isTemperature := unitOf(t.e.Value.Unit, quantity.Temperature)
	have, known := unitOf(unit, quantity.Temperature)
	if !isTemperature || !known || want == have {
		return v, unit
	}
	c, _, err := quantity.Convert(v, have, want)
	if err != nil {
		return v, unit
	}
	return c, want.Name()
}

// valve says what is known of the sample valve and from what.
func (t *teller) valve() string {
	switch t.e.Trust.Valve {
	case "open":
		return "open by its feedback"
	case "closed":
		return "closed by its feedback"
	case "from flow":
		return "judged by the flow (it has no feedback)"
	}
	return "not confirmed open"
}

// age says how fresh the value was when the event happened.
func (t *teller) age() string {
	v := t.e.Value
	if _, ok := believed(v); !ok || v.At.IsZero() || v.At.Up > t.e.At.Up || v.At.Up == 0 {
		return ""
	}
	d := t.e.At.Since(v.At)
	if d < time.Second {
		return "The value was less than 1 s old."
	}
	return "The value was " + spell(d) + " old."
}

// lastGood gives the last value that was believed, with its age.
func (t *teller) lastGood() string {
	v := t.e.LastGood
	s, ok := reads(v, "")
	if !ok {
		return "The last good value is not known."
	}
	s = "The last good value was " + s
	if v.At.Up > 0 && v.At.Up <= t.e.At.Up {
		s += ", " + spell(t.e.At.Since(v.At)) + " before"
	} else if clockSet(v.At.Wall) {
		s += " at " + t.moment(v.At.Wall)
	}
	return s + "."
}

// lasted says how long the trouble stood, where that is known. It is counted from when the trouble was told, which is later than when it
// began by the time the rule waits.
func (t *teller) lasted() string {
	if t.e.Lasted <= 0 {
		return ""
	}
	return "The trouble had lasted " + spell(t.e.Lasted) + " since it was told."
}

// standing is the state and what comes next. No reminder is promised that is not sent.
func (t *teller) standing(ends string) string {
	t.state = "raised"
	s := fmt.Sprintf("New, %s priority", t.e.Priority)
	if t.e.Alarm == "" { // what has no name cannot be acknowledged
		if s += ". No reminder follows"; ends != "" {
			s += "; the next message comes when " + ends
		}
		return s + "."
	}
	next := "No reminder follows; the next message comes when it is acknowledged"
	if again, ok := t.nextReminder(); ok {
		next = "The first reminder comes " + again + ", unless it is acknowledged before; another message comes when it grows much worse"
	}
	s += ", not acknowledged. " + next
	if ends != "" {
		s += " or when " + ends
	}
	return s + "."
}

// over is the state of a trouble that ended.
func (t *teller) over() string {
	t.state = "returned"
	if who := clean(t.e.Who); who != "" {
		return "It had been acknowledged by " + who + ". This ends the matter; no more messages about it follow."
	}
	if t.e.Alarm == "" {
		return "No more messages about it follow."
	}
	return "Nobody had acknowledged it. No more messages about it follow."
}

// many says a count with its noun.
func many(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

// list joins names as they are said.
func list(names []string) string {
	switch len(names) {
	case 0:
		return ""
	case 1:
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// brief shortens what a person wrote so that it fits beside other words; empty when not one word fits.
func brief(s string, n int) string {
	if s = clean(s); utf8.RuneCountInString(s) <= n {
		return s
	}
	return shorten(s, n)
}
