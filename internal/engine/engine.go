package engine

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// busLostAfter is how many rounds in a row a bus or a station must fail before a person is called: a single lost round is
// everyday life on a plant network, and its readings leave the metrics at once all the same.
const busLostAfter = 3

// lateRound is how much later than three periods a round may come before its bus counts as lost: a round may wait for its silent stations.
const lateRound = 5 * time.Second

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
	replies  []savedReply
	seen     reading.Wall // wall clock of the last input that made the panels step, in this process or before it
	sure     bool         // that clock was certain
	failing  bool
	failedAt time.Duration // Up when a failing commit was told
	given    []StateRow    // as last given out by States
	gone     []string      // panels with a state and without a configuration
	view     *View
	judged   uint64
	routes   [][]route // by bus
}

type judge struct {
	name  string
	index int // in the site's panels; site.None for the site's own sensors
	panel *panel.Panel
	buses []int
}

// link is what is known of one bus.
type link struct {
	view     BusView
	seen     bool
	alive    bool // in this round something came back, be it a refusal or one station's silence
	dead     bool // in this round the link itself failed
	lostRun  int
	told     bool
	lostAt   time.Duration // Up when it was told; 0 when that was in an earlier process
	stations []stationRun
}

type stationRun struct {
	silentRun int
	told      bool
	toldAt    time.Duration // Up; 0 when that was in an earlier process
	// within the current round
	asked, answered bool
}

// route says which point an address of a station feeds, and which judge it belongs to.
type route struct {
	station uint8
	table   reading.Table
	addr    uint16
	words   uint16
	point   int
	judge   int
}

// siteState is the durable state under the name "".
type siteState struct {
	// Seen is the wall clock of the last input that made the panels step. What a start adds to it before its first round is nothing, so a
	// start that ends early leaves the time before it to be found by the next.
	Seen        reading.Wall `json:"seen,omitempty"`
	SeenCertain bool         `json:"seen_certain,omitempty"`
	Buses       []busState   `json:"buses,omitempty"`
	Replies     []savedReply `json:"replies,omitempty"`
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
			e.routes[sn.Bus] = append(e.routes[sn.Bus], route{sn.Station, p.Table, p.Addr, uint16(p.Decode.Type.Words()), i, j})
		}
	}
	e.links = make([]link, len(s.Buses))
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
	case Command:
		o.At = in.At
		e.takeCommand(in, &o)
		e.refresh(in.At, -1)
	case Committed:
		o.At = in.At
		if e.failing {
			e.failing = false
			e.emit(&o, event.Event{Kind: event.CommitBack, Priority: site.MediumPriority, Lasted: in.At.Up - e.failedAt})
		}
		if in.Dropped > 0 {
			e.emit(&o, event.Event{Kind: event.ReadingsDropped, Priority: site.MediumPriority, Count: in.Dropped})
		}
	case CommitFailed:
		o.At = in.At
		if !e.failing {
			e.failing, e.failedAt = true, in.At.Up
			e.emit(&o, event.Event{Kind: event.CommitFailing, Priority: site.HighPriority, Cause: in.Why})
		}
		if in.Dropped > 0 {
			e.emit(&o, event.Event{Kind: event.ReadingsDropped, Priority: site.MediumPriority, Count: in.Dropped})
		}
	case ClockState:
		o.At = in.At
		e.certain = in.Certain
		if in.Stepped != 0 {
			e.emit(&o, event.Event{Kind: event.ClockStepped, Priority: site.LowPriority, Lasted: in.Stepped})
		}
	case Delivered:
		o.At = in.At // kept by the logbook; nothing is judged by it
	case Stop:
		o.At = in.At
		e.emit(&o, event.Event{Kind: event.Stopped, Priority: site.LowPriority})
	case OrderDone:
		o.At = in.At // no order is given while only observing
	}
	return o
}

func (e *Engine) emit(o *Outcome, ev event.Event) {
	ev.ID = event.ID{Boot: e.boot, Seq: e.next}
	e.next++
	ev.At = o.At
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
	if lost != nil {
		e.emit(o, event.Event{Kind: event.StateLost, Priority: site.HighPriority, Cause: lost.Error()})
	}
	e.given = append(e.given, in.States...)
	e.view = e.wholeView(in.At)
}

// mournPanels tells the alarms of panels that are no longer configured, once: their rows are emptied with the next commit. Nobody may
// wait for the end of an alarm that nothing judges any more.
func (e *Engine) mournPanels(rows []StateRow, o *Outcome) {
	for _, r := range rows {
		if r.Name == "" || e.has(r.Name) || string(r.Data) == emptyRow {
			continue
		}
		standing, err := panel.Standing(r.Data)
		if err != nil {
			e.emit(o, event.Event{Kind: event.StateLost, Priority: site.HighPriority, Panel: r.Name, Cause: err.Error()})
		}
		for _, a := range standing {
			ev, record := panel.End(a, r.Name, "panel removed")
			e.emit(o, ev)
			if record != nil {
				o.Records = append(o.Records, *record)
			}
		}
		e.gone = append(e.gone, r.Name)
	}
}

// emptyRow is the state of a panel that is no longer configured and has been told.
const emptyRow = "{}"

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
	e.replies = st.Replies
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
	for j := range e.judges {
		give(e.judges[j].name, e.judges[j].panel.Marshal())
	}
	for _, name := range e.gone {
		give(name, []byte(emptyRow))
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
	st := siteState{Seen: e.seen, SeenCertain: e.sure, Replies: e.replies}
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
	in := panel.Input{Now: now, Reads: reads, Certain: e.certain, Boot: e.boot, NextSeq: e.next}
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
}

// takeBatch gives each read to the points it feeds, the site's own sensors first, then to the panels on this bus.
func (e *Engine) takeBatch(in Batch, o *Outcome) {
	if in.Bus < 0 || in.Bus >= len(e.links) {
		panic(fmt.Sprintf("batch of bus %d: there are %d", in.Bus, len(e.links)))
	}
	reads := make([][]panel.Read, len(e.judges))
	for _, r := range in.Reads {
		for _, rt := range e.routes[in.Bus] {
			if rt.station != r.Station || rt.table != r.Table || rt.addr < r.Addr || uint32(rt.addr)+uint32(rt.words) > uint32(r.Addr)+uint32(r.Count) {
				continue
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

// linkDown are the faults that say the bus itself is gone, not one station on it.
func linkDown(f reading.Fault) bool {
	switch f {
	case reading.NotConnected, reading.Refused, reading.Unreachable, reading.Closed, reading.Unplugged, reading.TLSRefused, reading.AnotherMaster, reading.Listening:
		return true
	}
	return false
}

// watchBus keeps what is known of a bus and its stations, and tells when one is lost or back.
func (e *Engine) watchBus(b reading.Batch, o *Outcome) {
	l := &e.links[b.Bus]
	name := e.s.Buses[b.Bus].Name
	if b.Segment == 0 && l.seen && b.Slot > l.view.LastSlot+1 {
		l.view.Missed += b.Slot - l.view.LastSlot - 1
	}
	l.seen, l.view.LastSlot, l.view.At = true, b.Slot, b.At
	// readers hold the slice of the view before
	l.view.Stations = append([]StationView(nil), l.view.Stations...)
	for _, r := range b.Reads {
		k := l.stationAt(r.Station)
		if r.Fault != reading.Answered && int(r.Fault) < reading.FaultCount {
			l.view.Faults[r.Fault]++
		}
		v, run := &l.view.Stations[k], &l.stations[k]
		run.asked = true
		if r.Fault.Reason() == reading.Believed || r.Fault.Reason() == reading.RefusedRead {
			run.answered = true
			v.Took = r.Took
		}
		v.Fault = r.Fault
		switch {
		case r.Fault == reading.HeldBack, r.Fault == reading.NotAsked: // what was not tried says nothing of the link
		case linkDown(r.Fault):
			l.dead = true
		default:
			l.alive = true
		}
	}
	if !b.Last {
		return
	}
	l.view.Rounds++
	learnt := l.alive || l.dead
	if learnt {
		l.view.Connected = l.alive
	}
	l.alive, l.dead = false, false
	if !learnt {
		// nothing was tried in this round
	} else if l.view.Connected {
		l.lostRun = 0
		if l.told {
			l.told = false
			e.emit(o, event.Event{Kind: event.BusBack, Priority: site.MediumPriority, Bus: name, Lasted: sinceTold(b.At, l.lostAt)})
		}
	} else if l.lostRun++; l.lostRun == busLostAfter && !l.told {
		l.told, l.lostAt = true, b.At.Up
		e.emit(o, event.Event{Kind: event.BusLost, Priority: site.HighPriority, Bus: name, Cause: worstFault(b.Reads).String(), Count: len(l.stations)})
	}
	for k := range l.stations {
		run, v := &l.stations[k], &l.view.Stations[k]
		if run.asked {
			v.Answering = run.answered
			switch {
			case run.answered:
				run.silentRun = 0
				if run.told {
					run.told = false
					e.emit(o, event.Event{Kind: event.StationBack, Priority: site.MediumPriority, Bus: name, Station: v.Station, Panel: e.panelOf(b.Bus, v.Station),
						Point: e.sensorOf(b.Bus, v.Station), Lasted: sinceTold(b.At, run.toldAt)})
				}
			case l.view.Connected: // a dead bus holds back its stations: one trouble, one message
				if run.silentRun++; run.silentRun == busLostAfter && !run.told {
					run.told, run.toldAt = true, b.At.Up
					e.emit(o, event.Event{Kind: event.StationSilent, Priority: site.HighPriority, Bus: name, Station: v.Station,
						Panel: e.panelOf(b.Bus, v.Station), Point: e.sensorOf(b.Bus, v.Station), Cause: v.Fault.String()})
				}
			}
		}
		run.asked, run.answered = false, false
	}
}

// sinceTold is how long ago something was told in this process; 0 when that is not known.
func sinceTold(now reading.Stamp, at time.Duration) time.Duration {
	if at == 0 {
		return 0
	}
	return now.Up - at
}

// missRounds tells a bus that yields no rounds at all: silence of our own making is a loss like any other.
func (e *Engine) missRounds(now reading.Stamp, o *Outcome) {
	for b := range e.links {
		l := &e.links[b]
		late := 3*e.s.Buses[b].Period + lateRound
		if now.Up-l.view.At.Up <= late {
			continue
		}
		l.view.Connected = false
		l.view.Stations = append([]StationView(nil), l.view.Stations...)
		for k := range l.view.Stations {
			l.view.Stations[k].Answering = false
		}
		if !l.told {
			l.told, l.lostAt = true, now.Up
			e.emit(o, event.Event{Kind: event.BusLost, Priority: site.HighPriority, Bus: e.s.Buses[b].Name, Cause: reading.NotAsked.String(), Count: len(l.stations)})
		}
	}
}

func worstFault(reads []reading.Read) reading.Fault {
	for _, r := range reads {
		if linkDown(r.Fault) {
			return r.Fault
		}
	}
	return reading.NotConnected
}

// panelOf names the first panel that has a sensor at a station.
func (e *Engine) panelOf(bus int, station uint8) string {
	for i := range e.s.Sensors {
		if sn := &e.s.Sensors[i]; sn.Bus == bus && sn.Station == station && sn.Panel != site.None {
			return e.s.Panels[sn.Panel].Name
		}
	}
	return ""
}

// sensorOf names the sensors at a station.
func (e *Engine) sensorOf(bus int, station uint8) string {
	var names []string
	for i := range e.s.Sensors {
		if sn := &e.s.Sensors[i]; sn.Bus == bus && sn.Station == station {
			names = append(names, sn.Path)
		}
	}
	return strings.Join(names, ", ")
}

// takeCommand obeys a command once. Who asks must say so; asked again under the same ID the answer is the first one.
func (e *Engine) takeCommand(in Command, o *Outcome) {
	asked := in.Do.verb() + " " + doOperands(in.Do)
	for _, r := range e.replies {
		if r.ID != in.ID {
			continue
		}
		if r.Asked != asked {
			o.Replies = append(o.Replies, Reply{in.ID, CommandIDReused, "this command id was used for something else; use a new one"})
			return
		}
		o.Replies = append(o.Replies, Reply{in.ID, r.Refusal, r.Words})
		return
	}
	rep := e.obey(in, o)
	if rep.Refusal != NotRefused {
		e.emit(o, event.Event{Kind: event.CommandRefused, Priority: site.LowPriority, Who: in.Who, Why: in.Why, Cause: string(rep.Refusal), Alarm: alarmOf(in.Do)})
	}
	o.Replies = append(o.Replies, rep)
	e.replies = append(e.replies, savedReply{in.ID, asked, rep.Refusal, rep.Words})
	if over := len(e.replies) - repliesKept; over > 0 {
		e.replies = append([]savedReply(nil), e.replies[over:]...)
	}
}

func (e *Engine) obey(in Command, o *Outcome) Reply {
	no := func(why Refusal, words string) Reply { return Reply{in.ID, why, words} }
	if !e.booted {
		return no(NotBooted, "the daemon is still starting")
	}
	if strings.TrimSpace(in.Who) == "" {
		return no(NoName, "say who you are: the logbook keeps who did what")
	}
	do, ok := in.Do.(Acknowledge)
	if !ok {
		return no(VerbNotObeyed, "this version does not obey "+in.Do.verb()+" yet; nothing was changed")
	}
	for j := range e.judges {
		if !e.judges[j].panel.Has(do.Alarm) {
			continue
		}
		out, refused := e.judges[j].panel.Acknowledge(e.input(in.At, nil), do.Alarm, in.Who, in.Why)
		if refused != "" {
			return no(Refusal(refused), "there is nothing to acknowledge: "+do.Alarm+" is not waiting for anyone")
		}
		e.merge(out, o)
		return Reply{in.ID, NotRefused, "acknowledged " + do.Alarm + "; the condition itself is unchanged"}
	}
	return no(NoSuchAlarm, "there is no alarm named "+do.Alarm)
}

func alarmOf(d Do) string {
	if a, ok := d.(Acknowledge); ok {
		return a.Alarm
	}
	return ""
}
