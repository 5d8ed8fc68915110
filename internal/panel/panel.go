// Package panel is the composition of one panel, in this order: decode, own quality, what people have in hand or have said, line, interlock,
// how the values move, settling, representative, derived, alarm, excursion.
//
// Owns: the order, the durable judge state of a panel, checks in hand, on and off line, and what of it is worth an event.
// Never: knows a date or a socket, keeps a clock, or judges another panel's points.
//
// The interlock sees own quality only, never whether the sample is representative: otherwise the order would be a circle.
// The sensors of the site are a panel without a line, an interlock or limits; it goes first, and the others may look at it.
package panel

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/panel/decode"
	"rillwatch/internal/panel/excursion"
	"rillwatch/internal/panel/interlock"
	"rillwatch/internal/panel/line"
	"rillwatch/internal/panel/validate"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// State is the durable judge state of one panel. It holds durations, not instants, so that neither a restart nor a step of the
// wall clock can bend a delay. It refers to alarms by name, never by index.
type State struct {
	Away      Away            `json:"away,omitzero"` // not yet seen by the line
	Line      line.State      `json:"line,omitzero"`
	Interlock interlock.State `json:"interlock,omitzero"`
	OnLine    OnLine          `json:"on_line,omitzero"`
	Strainer  line.Strainer   `json:"strainer,omitzero"`
	Settling  []Settling      `json:"settling,omitempty"`
	Checks    []Check         `json:"checks,omitempty"`         // sensors that a person has in hand
	WasOut    bool            `json:"was_out,omitempty"`        // one was taken out and came back between two steps
	Fit       bool            `json:"representative,omitempty"` // as last told
	FitKnown  bool            `json:"representative_known,omitempty"`
	Alarms    []Alarm         `json:"alarms,omitempty"`
	Entered   []Entered       `json:"entered,omitempty"`          // by path
	Baselines []Baseline      `json:"baselines,omitempty"`        // by limit
	Valid     []Valid         `json:"valid,omitempty"`            // of the points that limits judge
	Histories []History       `json:"histories,omitempty"`        // of the points that baselines are learned from
	FirstOut  *event.FirstOut `json:"first_out_record,omitempty"` // of the present or last close condition
}

// Away is time in which nobody watched. It is kept until it is booked: a process may end before its first round.
type Away struct {
	For     time.Duration `json:"for_ns,omitempty"`
	Unknown bool          `json:"unknown,omitempty"` // part of it nobody can measure
}

func (a *Away) add(d time.Duration, known bool) {
	a.For += max(0, d)
	a.Unknown = a.Unknown || !known
}

// Alarm is one alarm's durable state: a limit with its judgement and books, or a rule of the interlock.
type Alarm struct {
	Name      string          `json:"name"`
	Away      Away            `json:"away,omitzero"` // not yet booked: since the limit was last judged, in this process or before it
	Judge     alarm.Judge     `json:"judge,omitzero"`
	Alarm     alarm.State     `json:"alarm,omitzero"`
	Excursion excursion.State `json:"excursion,omitzero"`
	Limit     string          `json:"limit,omitempty"`     // the definition it is judged by, while anything hangs on it
	Kept      *Kept           `json:"kept,omitempty"`      // of a limit in alarm: what makes its books a record when its definition is gone
	Lasted    time.Duration   `json:"lasted_ns,omitempty"` // for a rule: seen time since it was raised
	Highest   float64         `json:"highest,omitempty"`   // for a rule: the highest temperature seen since it was raised
	HighSeen  bool            `json:"highest_seen,omitempty"`

	Told    bool         `json:"told,omitempty"`   // people have been told that it stands, and not that it ended
	Owes    bool         `json:"owes,omitempty"`   // of one that was told, then silenced: the silence ended behind something else, and that it still stands was not told
	Quiet   string       `json:"quiet,omitempty"`  // of one that stands and is not told: why; one of event's Quiet names
	Behind  string       `json:"behind,omitempty"` // and what speaks for it
	By      string       `json:"by,omitempty"`     // of one suppressed: what makes it pointless
	Shelf   *Shelf       `json:"shelf,omitempty"`
	Out     *Out         `json:"out,omitempty"`
	Swings  alarm.Swings `json:"swings,omitzero"`
	X       string       `json:"excursion_id,omitempty"` // the ID of the event that opened the present record
	XAckBy  string       `json:"excursion_ack_by,omitempty"`
	XAckAt  reading.Wall `json:"excursion_ack_at,omitempty"`
	Before  string       `json:"before,omitempty"`  // the record that the present one continues under another limit
	Changed bool         `json:"changed,omitempty"` // its limit is another one now, and no reading has been judged by it yet
	Links   []event.Link `json:"links,omitempty"`   // of the present record
	More    int          `json:"more_links,omitempty"`
}

// Read is what a round brought for one measured point.
type Read struct {
	Point int // in the site's points
	Slot  uint64
	Words []uint16 // nil unless Fault is Answered
	Fault reading.Fault
	At    reading.Stamp
}

// Input is one step. Reads may be empty: time passes in silence too.
type Input struct {
	Now     reading.Stamp
	Reads   []Read
	Certain bool                    // the wall clock may be believed
	Others  func(point int) Guest   // points of the site's own sensors, as judged in this step
	Dead    func(sensor int) string // the bus or station by which a sensor comes, when people know that it does not answer
	Boot    string
	NextSeq uint64 // the first free event sequence

	Tick    bool                 // the step of a second, which repeats what is asked for
	Rounded bool                 // a whole round over a bus ended with it ...
	Bus     int                  // ... this one
	Result  *reading.OrderResult // what became of an order, when that is what came
}

// Guest is a point as its own panel judged it in the present step.
type Guest struct {
	Own     reading.Reading // own quality only
	Shown   reading.Reading // after everything
	Sampled bool            // read in this step
	Update  bool            // and that was a sensor update
	Steps   uint64          // poll slots since the read before, 0 for the first
	Sample  reading.Sample
}

// Output is what a step brought about.
type Output struct {
	Judged []Judged
	Events []event.Event
	// Records are excursions opened, acknowledged or ended.
	Records []event.Excursion
	// Orders are to leave before anything else happens. They have no ID yet.
	Orders []reading.Order
}

// Judged is one point's reading with its input.
type Judged struct {
	Point   int
	Sample  reading.Sample
	Reading reading.Reading
}

// memory is what a process remembers of a point and may forget at its end: the first read after a boot starts it anew.
type memory struct {
	own     reading.Reading // own quality, as of the last read
	shown   reading.Reading // after everything
	good    reading.Stamp   // the last reading that had a value and was shown
	state   validate.State
	seen    bool
	slot    uint64
	lastUp  time.Duration
	sampled bool // in this step
	update  bool
	sample  reading.Sample
	steps   uint64 // poll slots since the read before, 0 for the first
	habits
}

// Panel judges one panel. It is owned by one goroutine.
type Panel struct {
	s     *site.Site
	p     *site.Panel
	name  string
	slots []int // position in p.Points by site point, for points of this panel
	moves []int // by position: the point whose reads it follows
	mem   []memory
	state State

	devices  []device // by sensor of the site; those of other panels stay zero
	checks   checks
	flowRead bool          // the last reading of the flow is one
	aged     time.Duration // seen time that is not yet in the ages of entered values

	others    func(point int) Guest
	deadOf    func(sensor int) string
	started   bool
	lastUp    time.Duration
	judged    []bool // by limit: in this process
	news      []news
	pointless []time.Duration // by limit: Up when it was last pointless
	heldAt    []time.Duration // by alarm: Up when something else last spoke for it
	overfull  [][]string      // by limit: what goes on beside it for which its record has no room
	standing  []standing
	ownAt     int           // where the alarms of standing begin
	settle    []line.Settle // in the order of mem, of oxygen only; the state has those that owe something
	boot      Boot
	lineOut   line.Output
	stands    reading.Reason // why the sensors do not stand in flowing sample; Believed when nothing says so
	watch     interlock.Output
	lastTemp  reading.Reading // the last of the interlock's temperature that had a value
	lastToo   reading.Reading // of the second one
	asking    bool            // an order was given for the present request
	now       reading.Stamp
	seq       uint64
	bootName  string
	out       Output
	measures
	normals normals
	valid   []validity // in the order of the state's
	lacked  []string   // points of which there was too little since that was told
}

// Boot is what a panel must know of the start of the process.
type Boot struct {
	State     []byte // JSON as given out by Marshal; nil when there is none
	Away      time.Duration
	AwayKnown bool
	First     bool // there was no boot before
}

// New prepares the judge of one panel. free makes the one for the sensors of the site.
func New(s *site.Site, p *site.Panel) *Panel {
	pl := &Panel{s: s, p: p, name: p.Name}
	pl.slots = make([]int, len(s.Points))
	for i := range pl.slots {
		pl.slots[i] = site.None
	}
	for i, pt := range p.Points {
		pl.slots[pt] = i
		pl.moves = append(pl.moves, s.MovesWith(pt))
	}
	pl.mem = make([]memory, len(p.Points))
	pl.devices = make([]device, len(s.Sensors))
	pl.judged = make([]bool, len(p.Limits))
	pl.pointless = make([]time.Duration, len(p.Limits))
	pl.overfull = make([][]string, len(p.Limits))
	pl.settle = make([]line.Settle, len(p.Points))
	for i := range p.Limits {
		pl.state.Alarms = append(pl.state.Alarms, Alarm{Name: pl.name + "." + p.Limits[i].Name})
	}
	if p.Interlock.Configured {
		for _, r := range rules {
			if !site.InterlockAlarm(r.name) || pl.alarmAt(pl.name+"."+r.name) != site.None {
				panic("panel " + pl.name + ": alarm " + r.name + " twice, or not among the names kept for the interlock")
			}
			pl.state.Alarms = append(pl.state.Alarms, Alarm{Name: pl.name + "." + r.name})
		}
	}
	pl.prepareValid()
	pl.raiseable()
	pl.prepareMeasures()
	pl.prepareNormals()
	pl.heldAt = make([]time.Duration, len(pl.state.Alarms))
	return pl
}

// Guest gives a point of this panel as it was judged in the last step; the zero Guest for a point of another panel.
func (pl *Panel) Guest(point int) Guest {
	i := pl.pos(point)
	if i == site.None {
		return Guest{}
	}
	m := &pl.mem[i]
	return Guest{Own: m.own, Shown: m.shown, Sampled: m.sampled, Update: m.update, Steps: m.steps, Sample: m.sample}
}

// at gives any point this panel may look at: its own, or one of the site's own sensors.
func (pl *Panel) at(point int) Guest {
	if point == site.None || pl.pos(point) != site.None || pl.others == nil {
		return pl.Guest(point)
	}
	return pl.others(point)
}

func (pl *Panel) pos(point int) int {
	if point < 0 || point >= len(pl.slots) {
		return site.None
	}
	return pl.slots[point]
}

func (pl *Panel) alarmAt(name string) int {
	for i := range pl.state.Alarms {
		if pl.state.Alarms[i].Name == name {
			return i
		}
	}
	return site.None
}

func (pl *Panel) begin(in Input) {
	pl.out = Output{}
	pl.seq, pl.bootName, pl.now, pl.others, pl.deadOf = in.NextSeq, in.Boot, in.Now, in.Others, in.Dead
}

func (pl *Panel) emit(e event.Event) event.ID {
	e.ID = event.ID{Boot: pl.bootName, Seq: pl.seq}
	pl.seq++
	e.Panel = pl.name
	e.At = pl.now
	pl.nameOverride(&e)
	pl.out.Events = append(pl.out.Events, e)
	return e.ID
}

// Step judges what a round brought, or that time passed without one.
func (pl *Panel) Step(in Input) Output {
	pl.begin(in)
	since := max(0, in.Now.Up-pl.lastUp)
	unseen, known := since, true
	if !pl.started { // the time away joins the state with the first step only: a start that ends before it changes nothing
		unseen, known = unseen+pl.boot.Away, pl.boot.AwayKnown
		if !pl.boot.First {
			pl.state.Away.add(unseen, known)
		}
	}
	for i, judged := range pl.judged {
		if !judged && !pl.boot.First {
			pl.state.Alarms[i].Away.add(unseen, known)
		}
	}
	elapsed := since
	if !pl.started {
		elapsed = 0
	}
	pl.own(in)
	pl.handStep(in, since)
	pl.onLine(in, since)
	pl.lineStep(in, elapsed)
	pl.interlockStep(in, elapsed)
	pl.order(in)
	pl.habitsStep(in)
	pl.settleStep(elapsed)
	pl.represent(in)
	pl.age(in, unseen, known)
	pl.derive(in)
	if pl.crossCheck(since, elapsed) {
		pl.derive(in) // what comes from a doubted reading is doubted too
	}
	if !pl.started {
		pl.missing()
	}
	pl.limits(in, since)
	pl.gather(unseen, known)
	pl.validStep(elapsed)
	pl.rules(in, since, elapsed)
	pl.tellHolding()
	pl.stand(in, since, elapsed)
	pl.rememberLacking()
	pl.fitness(in)
	for i, pt := range pl.p.Points {
		if m := &pl.mem[i]; m.sampled {
			pl.out.Judged = append(pl.out.Judged, Judged{Point: pt, Sample: m.sample, Reading: m.shown})
		}
	}
	pl.started, pl.lastUp = true, max(pl.lastUp, in.Now.Up)
	return pl.out
}

// own decodes what came and gives each measured point the quality it has of itself.
func (pl *Panel) own(in Input) {
	for i := range pl.mem {
		pl.mem[i].sampled, pl.mem[i].update = false, false
	}
	pl.heed(in)
	for _, r := range in.Reads {
		i := pl.pos(r.Point)
		if i == site.None {
			continue
		}
		m, pt := &pl.mem[i], &pl.s.Points[r.Point]
		sensor := &pl.s.Sensors[pt.Sensor]
		raw, fault := uint64(0), r.Fault
		if fault == reading.Answered {
			var ok bool
			if raw, ok = decode.Raw(pt.Decode, r.Words); !ok {
				fault = reading.BadFrame // a plan that cuts a value in two would be ours to mend; it must not become a number
			}
		}
		vin := validate.Input{Raw: raw, Fault: fault, At: r.At, Device: pl.devices[pt.Sensor].of(sensor, r.Point), Moved: pl.devices[pt.Sensor].moved}
		m.steps, m.elapsed = 0, 0
		every := max(1, sensor.Every)
		if m.seen && r.Slot/every == m.slot/every {
			continue // asked already in this turn, for another sensor of the station: taken twice, delays would run too fast
		}
		if m.seen {
			vin.Elapsed = max(0, r.At.Up-m.lastUp)
			m.elapsed = vin.Elapsed
			// in turns of this sensor: a late round may ask it in a slot between two of them
			m.steps = max(1, r.Slot/every-m.slot/every)
		}
		var vout validate.Output
		m.state, vout = validate.Step(pt, sensor.Refresh, m.state, vin)
		m.own, m.update, m.sampled = vout.Reading, vout.Update, true
		m.sample = reading.Sample{Slot: r.Slot, Raw: raw, Fault: fault, At: r.At}
		m.seen, m.slot, m.lastUp = true, r.Slot, r.At.Up
	}
	for i, pt := range pl.p.Points {
		if p := &pl.s.Points[pt]; !p.Derived() {
			pl.mem[i].own = validate.Stale(pl.mem[i].own, in.Now, pl.s.Sensors[p.Sensor].Period)
			if pl.devices[p.Sensor].still && pl.mem[i].own.HasValue() {
				pl.mem[i].own = pl.mem[i].own.Demote(reading.NotUpdating) // found between two reads
			}
		}
	}
	pl.belowWater()
}

func (pl *Panel) periodOf(point int) time.Duration {
	if point == site.None || pl.s.Points[point].Sensor == site.None {
		return time.Second
	}
	return pl.s.Sensors[pl.s.Points[point].Sensor].Period
}

func (pl *Panel) lineStep(in Input, elapsed time.Duration) {
	l := &pl.p.Line
	li := line.Input{Elapsed: elapsed, Period: pl.periodOf(l.Flow)}
	if !pl.started && !pl.boot.First {
		li.Away, li.AwayUnknown = pl.state.Away.For, pl.state.Away.Unknown
		pl.state.Away = Away{}
	}
	if l.Configured && l.Flow != site.None {
		r := pl.proof(l.Flow).Own
		li.FlowConfigured, li.FlowOK, li.FlowAge = true, r.HasValue(), in.Now.Since(r.At)
		li.Flow, li.FlowAtFloor = pl.millilitres(r), r.Bound == reading.Below
	}
	if v := pl.p.Interlock.ValveClosed; pl.p.Interlock.Configured && v != site.None {
		r := pl.at(v).Own
		li.FeedbackConfigured, li.FeedbackOK, li.FeedbackAge = true, r.HasValue(), in.Now.Since(r.At)
		li.FeedbackClosed, li.FeedbackPeriod = r.Value != 0, pl.periodOf(v)
	}
	li.SensorOut, pl.flowRead = pl.sensorOut(), li.FlowOK
	pl.state.Line, pl.lineOut = line.Step(l, pl.state.Line, li)
	pl.strain(&li)
	// with the valve closed or the flow gone a temperature is room air; the interlock knows, a trend must not
	flows := li.FlowOK && li.Flow > 0 && !li.FlowAtFloor
	switch {
	case pl.lineOut.Valve == reading.ValveClosedState:
		pl.stands = reading.ValveClosed
	case li.FeedbackConfigured && !li.FeedbackOK && !flows:
		pl.stands = reading.NotConfirmed
	case li.FlowOK && !flows:
		pl.stands = reading.NoFlow
	default:
		pl.stands = reading.Believed
	}
}

// represent takes the panel's own doubt into every reading that needs fresh, cooled, flowing sample.
func (pl *Panel) represent(in Input) {
	doubt := pl.doubt()
	for i, pt := range pl.p.Points {
		p, m := &pl.s.Points[pt], &pl.mem[i]
		if p.Derived() {
			continue
		}
		r := m.of(m.own)
		switch {
		case p.Chemistry():
			if r = r.Demote(doubt); pl.settle[i].Owed {
				r = r.Demote(reading.Settling)
			}
		case pt == pl.p.Interlock.Temperature && pl.p.Interlock.Configured:
			r = r.Demote(pl.stands)
		}
		if !in.Certain {
			r = r.Demote(reading.TimeUncertain)
		}
		pl.show(m, r)
	}
}

func (pl *Panel) show(m *memory, r reading.Reading) {
	m.shown = r
	if r.Shown() {
		m.good = r.At
	}
}

// doubt is the worst reason why the sample is not representative; Believed when nothing speaks against it.
func (pl *Panel) doubt() reading.Reason {
	doubt := pl.lineOut.Reason
	if pl.watch.Demote.Worse(doubt) {
		doubt = pl.watch.Demote
	}
	return doubt
}
