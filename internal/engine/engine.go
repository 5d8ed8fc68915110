package engine

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// repliesKept bounds the answers remembered for retried commands: a retry comes within minutes, and nobody types more than this in
// that time.
const repliesKept = 32

// Engine is the one timeline. It is owned by one goroutine; only the View it gives out may be shared.
type Engine struct {
	s      *site.Site
	judges []judge // the site's own sensors first, when there are any, then the panels in their order
	free   *panel.Panel

	boot     string
	booted   bool
	seq      uint64 // outcomes
	next     uint64 // events
	certain  bool
	links    []link
	sensors  []sensorRun // by sensor of the site
	replies  []savedReply
	seen     reading.Wall // wall clock of the last input that made the panels step, in this process or before it
	sure     bool         // that clock was certain
	failing  bool
	failedAt time.Duration // Up when a failing commit was told
	dropped  int           // samples given up and not told yet
	dropTold time.Duration // Up when such was last told while commits fail; 0 when it was not
	given    []StateRow    // as last given out by States
	gone     []StateRow    // of panels with a state and without a configuration: what is kept of it
	proofs   []Proof       // by path; replaced, never changed
	view     *View
	judged   uint64
	routes   [][]route // by bus
	orders   uint64    // given since the start
	moment   moment    // of the input in hand

	reminders []reminder
	lookedAt  time.Duration // Up of the last tick
	roots     []string      // by bus: the ID of the event that told it as lost; empty while it lives
}

type judge struct {
	name  string
	index int // in the site's panels; site.None for the site's own sensors
	panel *panel.Panel
	buses []int
}

// route says which point an address of a station feeds, and which judge it belongs to.
type route struct {
	station uint8
	table   reading.Table
	addr    uint16
	words   uint16
	point   int
	sensor  int
	judge   int
}

// siteState is the durable state under the name "".
type siteState struct {
	// Seen is the wall clock of the last input that made the panels step. What a start adds to it before its first round is nothing, so a
	// start that ends early leaves the time before it to be found by the next.
	Seen        reading.Wall  `json:"seen,omitempty"`
	SeenCertain bool          `json:"seen_certain,omitempty"`
	Buses       []busState    `json:"buses,omitempty"`
	Sensors     []sensorState `json:"sensors,omitempty"`
	Replies     []savedReply  `json:"replies,omitempty"`
	Reminders   []reminder    `json:"reminders,omitempty"`
}

type busState struct {
	Bus      string  `json:"bus"`
	Lost     bool    `json:"lost,omitempty"`
	Stations []uint8 `json:"silent_stations,omitempty"`
}

type savedReply struct {
	ID      string  `json:"id"`
	Asked   string  `json:"asked"` // verb and its operands, to tell a retry from a reuse
	Refusal Refusal `json:"refusal,omitempty"`
	Words   string  `json:"words,omitempty"`
}

// New prepares the engine of a site. Nothing is judged before the Boot input.
func New(s *site.Site) *Engine {
	e := &Engine{s: s}
	if p, ok := panel.Free(s); ok {
		e.free = panel.New(s, &p)
		e.judges = append(e.judges, judge{name: "site", index: site.None, panel: e.free, buses: p.Buses})
	}
	for i := range s.Panels {
		e.judges = append(e.judges, judge{name: s.Panels[i].Name, index: i, panel: panel.New(s, &s.Panels[i]), buses: s.Panels[i].Buses})
	}
	e.routes = make([][]route, len(s.Buses))
	for j := range e.judges {
		for i := range s.Points {
			p := &s.Points[i]
			if p.Derived() || p.Panel != e.judges[j].index {
				continue
			}
			sn := &s.Sensors[p.Sensor]
			e.routes[sn.Bus] = append(e.routes[sn.Bus], route{sn.Station, p.Table, p.Addr, uint16(p.Decode.Type.Words()), i, p.Sensor, j})
		}
	}
	e.sensors = make([]sensorRun, len(s.Sensors))
	e.links = make([]link, len(s.Buses))
	e.roots = make([]string, len(s.Buses))
	for b := range s.Buses {
		for _, r := range e.routes[b] {
			e.links[b].stationAt(r.station)
		}
	}
	e.view = e.wholeView(reading.Stamp{})
	return e
}

// stationAt finds a station, adding it in ascending order.
func (l *link) stationAt(station uint8) int {
	for i := range l.view.Stations {
		if l.view.Stations[i].Station == station {
			return i
		}
	}
	at := len(l.view.Stations)
	for at > 0 && l.view.Stations[at-1].Station > station {
		at--
	}
	l.view.Stations = append(l.view.Stations[:at], append([]StationView{{Station: station}}, l.view.Stations[at:]...)...)
	l.stations = append(l.stations[:at], append([]stationRun{{}}, l.stations[at:]...)...)
	return at
}

// View is what readers may see. It is immutable and replaced by every Step.
func (e *Engine) View() *View { return e.view }

// Step takes one input and gives what it brought about.
func (e *Engine) Step(in Input) Outcome {
	e.seq++
	e.moment = momentOf(in)
	o := Outcome{Seq: e.seq}
	switch in := in.(type) {
	case Boot:
		o.At = in.At
		e.takeBoot(in, &o)
	case Batch:
		o.At = in.At
		e.takeBatch(in, &o)
	case Tick:
		o.At = in.At
		e.missRounds(in.At, &o)
		e.seen, e.sure = in.At.Wall, e.certain
		for j := range e.judges {
			e.step(j, in.At, nil, &o)
		}
		e.refresh(in.At, -1)
		e.remind(in, &o)
	case Command:
		o.At = in.At
		e.takeCommand(in, &o)
		e.refresh(in.At, -1)
	case Committed:
		o.At = in.At
		back := e.failing && !in.Held
		if back {
			e.failing = false
			e.emit(&o, event.Event{Kind: event.CommitBack, Priority: site.MediumPriority, Lasted: in.At.Up - e.failedAt})
		}
		e.drop(in.Dropped, !in.Held, in.At, &o)
	case CommitFailed:
		o.At = in.At
		if !e.failing {
			e.failing, e.failedAt = true, in.At.Up
			e.emit(&o, event.Event{Kind: event.CommitFailing, Priority: site.HighPriority, Cause: in.Why})
		}
		e.drop(in.Dropped, false, in.At, &o)
	case ClockState:
		o.At = in.At
		e.takeClock(in, &o)
	case Delivered:
		o.At = in.At // kept by the logbook; nothing is judged by it
	case Stop:
		o.At = in.At
		e.emit(&o, event.Event{Kind: event.Stopped, Priority: site.LowPriority})
	case OrderDone:
		o.At = in.At
		e.takeResult(in, &o)
	}
	e.follow(&o)
	for i := range o.Events {
		o.Events[i].ClockUncertain = !e.certain
	}
	return o
}

// dropEvery is how often it is told that a disk which goes on failing costs readings: at once, then once an hour, and the rest when it is
// back. Each message of it waits for that disk too.
const dropEvery = time.Hour

// drop tells the samples that were given up.
func (e *Engine) drop(n int, back bool, at reading.Stamp, o *Outcome) {
	e.dropped += n
	if e.dropped > 0 && (back || e.dropTold == 0 || at.Up-e.dropTold >= dropEvery) {
		e.emit(o, event.Event{Kind: event.ReadingsDropped, Priority: site.MediumPriority, Count: e.dropped})
		e.dropped, e.dropTold = 0, at.Up
	}
	if back {
		e.dropTold = 0
	}
}

func (e *Engine) emit(o *Outcome, ev event.Event) {
	ev.ID = event.ID{Boot: e.boot, Seq: e.next}
	e.next++
	ev.At = o.At
	e.nameOverride(&ev)
	o.Events = append(o.Events, ev)
}

func (e *Engine) takeBoot(in Boot, o *Outcome) {
	e.boot, e.booted, e.next, e.certain = in.Nonce, true, 1, in.WallCertain
	lost := e.restoreSite(in)
	away := time.Duration(in.At.Wall - e.seen) // across a restart only the wall clocks can tell; both must be certain
	known := in.WallCertain && e.sure && in.Before.Nonce != "" && away > 0
	if !known {
		away = 0
	}
	e.emit(o, event.Event{Kind: event.Started, Priority: site.LowPriority, Cause: in.Hash, Lasted: away})
	if !e.certain {
		e.emit(o, event.Event{Kind: event.ClockUncertain, Priority: site.LowPriority, Cause: in.Doubt})
	}
	if in.Before.Nonce != "" && in.Before.Hash != in.Hash {
		e.emit(o, event.Event{Kind: event.ConfigChanged, Priority: site.LowPriority, Cause: in.Before.Hash + " to " + in.Hash})
	}
	for j := range e.judges {
		b := panel.Boot{Away: away, AwayKnown: known, First: in.Before.Nonce == "", State: rowNamed(in.States, e.judges[j].name)}
		out, err := e.judges[j].panel.Restore(b, e.input(in.At, nil))
		if err != nil {
			// a row that cannot be read must not be taken for "nothing was wrong": it is told, and judgement starts anew
			e.emit(o, event.Event{Kind: event.StateLost, Priority: site.HighPriority, Panel: e.judges[j].name, Cause: err.Error()})
			continue
		}
		e.merge(out, o)
	}
	e.mournPanels(in.States, o)
	proofs, err := ParseProofs(rowNamed(in.States, ProofsRow))
	if e.proofs = proofs; err != nil {
		e.emit(o, event.Event{Kind: event.StateLost, Priority: site.HighPriority, Cause: "proofs: " + err.Error()})
	}
	if lost != nil {
		e.emit(o, event.Event{Kind: event.StateLost, Priority: site.HighPriority, Cause: lost.Error()})
	}
	e.given = append(e.given, in.States...)
	e.view = e.wholeView(in.At)
}

// mournPanels tells the alarms of panels that are no longer configured, once: their rows are emptied with the next commit, but for a holding,
// which only a person ends. Nobody may wait for the end of an alarm that nothing judges any more.
func (e *Engine) mournPanels(rows []StateRow, o *Outcome) {
	for _, r := range rows {
		if r.Name == "" || r.Name == ProofsRow || e.has(r.Name) {
			continue
		}
		left, err := panel.Depart(r.Data)
		if bytes.Equal(r.Data, left.Keep) {
			continue // told at an earlier start
		}
		if err != nil {
			e.emit(o, event.Event{Kind: event.StateLost, Priority: site.HighPriority, Panel: r.Name, Cause: err.Error()})
		}
		if left.Ended.On {
			e.emit(o, event.Event{Kind: event.OverrideEnded, Priority: site.HighPriority, Panel: r.Name, Cause: "panel removed", Who: left.Ended.By, Why: left.Ended.Why})
		}
		if left.Dropped != "" {
			e.emit(o, event.Event{Kind: event.RequestDropped, Priority: site.HighPriority, Panel: r.Name, Cause: "panel removed", Trust: event.Trust{HeldCause: left.Dropped}})
		}
		for _, a := range left.Alarms {
			ev, record := panel.End(a, r.Name, "panel removed")
			e.emit(o, ev)
			if record != nil {
				o.Records = append(o.Records, *record)
			}
		}
		e.gone = append(e.gone, StateRow{Name: r.Name, Data: left.Keep})
	}
}

func (e *Engine) has(name string) bool {
	for j := range e.judges {
		if e.judges[j].name == name {
			return true
		}
	}
	return false
}

// restoreSite takes up what was known of the buses, the commands and the time.
func (e *Engine) restoreSite(in Boot) error {
	e.seen, e.sure = in.Before.Last, in.Before.WallCertain
	raw := rowNamed(in.States, "")
	if raw == nil {
		return nil
	}
	var st siteState
	if err := json.Unmarshal(raw, &st); err != nil {
		return err
	}
	if st.Seen != 0 {
		e.seen, e.sure = st.Seen, st.SeenCertain
	}
	e.replies, e.reminders = st.Replies, st.Reminders
	e.restoreSensors(st.Sensors)
	for _, b := range st.Buses {
		for i := range e.s.Buses {
			if e.s.Buses[i].Name != b.Bus {
				continue
			}
			e.links[i].told = b.Lost
			for _, n := range b.Stations {
				for k := range e.links[i].view.Stations {
					if e.links[i].view.Stations[k].Station == n {
						e.links[i].stations[k].told = true
					}
				}
			}
		}
	}
	return nil
}

func rowNamed(rows []StateRow, name string) []byte {
	for i := range rows {
		if rows[i].Name == name {
			return rows[i].Data
		}
	}
	return nil
}

// States gives the durable state that differs from what was given out before, sorted by name. It is called when a commit is armed;
// if that commit fails the rows go into the next one.
func (e *Engine) States() []StateRow {
	var out []StateRow
	give := func(name string, data []byte) {
		if old := rowNamed(e.given, name); old == nil || !bytes.Equal(old, data) {
			out = append(out, StateRow{Name: name, Data: data})
		}
	}
	give("", e.siteRow())
	if len(e.proofs) > 0 {
		give(ProofsRow, FormatProofs(e.proofs))
	}
	for j := range e.judges {
		give(e.judges[j].name, e.judges[j].panel.Marshal())
	}
	for _, r := range e.gone {
		give(r.Name, r.Data)
	}
	sortRows(out)
	for _, r := range out {
		e.given = putRow(e.given, r)
	}
	return out
}

func putRow(rows []StateRow, r StateRow) []StateRow {
	for i := range rows {
		if rows[i].Name == r.Name {
			rows[i] = r
			return rows
		}
	}
	return append(rows, r)
}

func sortRows(rows []StateRow) {
	for i := 1; i < len(rows); i++ { // a handful of rows, all but sorted
		for k := i; k > 0 && rows[k].Name < rows[k-1].Name; k-- {
			rows[k], rows[k-1] = rows[k-1], rows[k]
		}
	}
}

func (e *Engine) siteRow() []byte {
	st := siteState{Seen: e.seen, SeenCertain: e.sure, Sensors: e.sensorRows(), Replies: e.replies, Reminders: e.reminders}
	for b := range e.links {
		bs := busState{Bus: e.s.Buses[b].Name, Lost: e.links[b].told}
		for k := range e.links[b].stations {
			if e.links[b].stations[k].told {
				bs.Stations = append(bs.Stations, e.links[b].view.Stations[k].Station)
			}
		}
		st.Buses = append(st.Buses, bs)
	}
	raw, err := json.Marshal(st)
	if err != nil {
		panic("site state: " + err.Error())
	}
	return raw
}

func (e *Engine) input(now reading.Stamp, reads []panel.Read) panel.Input {
	in := panel.Input{Now: now, Reads: reads, Certain: e.certain, Boot: e.boot, NextSeq: e.next, Dead: e.dead}
	in.Tick, in.Rounded, in.Bus, in.Result = e.moment.tick, e.moment.rounded, e.moment.bus, e.moment.result
	if e.free != nil {
		in.Others = e.free.Guest
	}
	return in
}

func (e *Engine) step(j int, now reading.Stamp, reads []panel.Read, o *Outcome) {
	e.merge(e.judges[j].panel.Step(e.input(now, reads)), o)
}

func (e *Engine) merge(out panel.Output, o *Outcome) {
	for _, d := range out.Judged {
		o.Readings = append(o.Readings, Judged(d))
	}
	o.Events = append(o.Events, out.Events...)
	e.next += uint64(len(out.Events))
	o.Records = append(o.Records, out.Records...)
	e.giveOrders(out.Orders, o)
}

// takeBatch gives each read to the points it feeds, the site's own sensors first, then to the panels on this bus.
func (e *Engine) takeBatch(in Batch, o *Outcome) {
	if in.Bus < 0 || in.Bus >= len(e.links) {
		panic(fmt.Sprintf("batch of bus %d: there are %d", in.Bus, len(e.links)))
	}
	e.meet(in.Batch, o)
	reads := make([][]panel.Read, len(e.judges))
	for _, r := range in.Reads {
		for _, rt := range e.routes[in.Bus] {
			if rt.station != r.Station || rt.table != r.Table || rt.addr < r.Addr || uint32(rt.addr)+uint32(rt.words) > uint32(r.Addr)+uint32(r.Count) {
				continue
			}
			if r.Fault != reading.Answered && !e.present(rt.sensor) {
				continue // it may not be fitted yet: nothing has been read, and nothing is wrong
			}
			pr := panel.Read{Point: rt.point, Slot: in.Slot, Fault: r.Fault, At: r.Sent}
			if r.Fault == reading.Answered {
				if len(r.Words) != int(r.Count) {
					pr.Fault = reading.BadFrame
				} else {
					pr.Words = r.Words[rt.addr-r.Addr : rt.addr-r.Addr+rt.words]
				}
			}
			reads[rt.judge] = append(reads[rt.judge], pr)
		}
	}
	e.seen, e.sure = in.At.Wall, e.certain
	e.watchBus(in.Batch, o)
	for j := range e.judges {
		// the site's own sensors step with every batch, so that what a panel sees of them belongs to this step
		if e.judges[j].index == site.None || touches(e.judges[j].buses, in.Bus) {
			e.step(j, in.At, reads[j], o)
		}
	}
	if in.Last {
		e.judged++
	}
	e.refresh(in.At, in.Bus)
}

func touches(buses []int, bus int) bool {
	for _, b := range buses {
		if b == bus {
			return true
		}
	}
	return false
}
