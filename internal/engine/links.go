package engine

import (
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// busLostAfter is how many rounds in a row a bus or a station must fail before a person is called: a single lost round is
// everyday life on a plant network, and its readings leave the metrics at once all the same.
const busLostAfter = 3

// unheardFor is how long a station may go without an answer on a line that is out of step before a person is called. Such a line is asked
// more rarely, so rounds do not count; a minute is a dozen of the longest waits a question has to make on it.
const unheardFor = time.Minute

// lateRound is how much later than three periods a round may come before its bus counts as lost: a round may wait for its silent stations.
const lateRound = 5 * time.Second

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
	cause     reading.Fault // what the last request that was made ended with
	heard     time.Duration // Up of the last answer, or of the first round
	heardAny  bool
	told      bool
	toldAt    time.Duration // Up; 0 when that was in an earlier process
	// within the current round
	asked, answered, silent bool
}

// linkDown are the faults that say the bus itself is gone, not one station on it.
func linkDown(f reading.Fault) bool {
	switch f {
	case reading.NotConnected, reading.Refused, reading.Unreachable, reading.Closed, reading.Unplugged, reading.TLSRefused, reading.AnotherMaster:
		return true
	}
	return false
}

// notTried are the faults of questions that never left, so that they say nothing of the link. Listening is our own doing and has an end.
func notTried(f reading.Fault) bool {
	return f == reading.HeldBack || f == reading.NotAsked || f == reading.Listening
}

// unclear are the faults of a line out of step: what came may have been anybody's, or the question had to wait. They say nothing of the
// station.
func unclear(f reading.Fault) bool { return f == reading.OutOfStep || f == reading.NotVouched }

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
		if !notTried(r.Fault) && (!unclear(r.Fault) || run.cause == reading.NotAsked || run.cause == reading.Answered) {
			run.cause = r.Fault
		}
		// What is held back was silent before; a station that nobody had the time to ask was not.
		run.silent = run.silent || !unclear(r.Fault) && !notTried(r.Fault) || r.Fault == reading.HeldBack && run.silentRun > 0
		if r.Fault.Reason() == reading.Believed || r.Fault.Reason() == reading.RefusedRead {
			run.answered = true
			v.Took = r.Took
		}
		v.Fault = r.Fault
		switch {
		case notTried(r.Fault):
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
		e.emit(o, e.speaksFor(event.Event{Kind: event.BusLost, Priority: site.HighPriority, Bus: name, Cause: worstFault(b.Reads).String(), Count: len(l.stations)}, b.Bus, anyStation))
	}
	for k := range l.stations {
		run, v := &l.stations[k], &l.view.Stations[k]
		if run.asked {
			v.Answering, v.Absent = run.answered, !run.answered && !e.expected(b.Bus, v.Station)
			switch {
			case run.answered:
				run.silentRun, run.heard, run.heardAny = 0, b.At.Up, true
				if run.told {
					run.told = false
					e.emit(o, event.Event{Kind: event.StationBack, Priority: site.MediumPriority, Bus: name, Station: v.Station, Panel: e.panelOf(b.Bus, v.Station),
						Point: e.sensorOf(b.Bus, v.Station), Lasted: sinceTold(b.At, run.toldAt)})
				}
			case v.Absent: // may be fitted later
			case !l.view.Connected: // a dead bus holds back its stations: one trouble, one message
				run.heard, run.heardAny = b.At.Up, true
			default:
				if run.silent {
					run.silentRun++
				}
				if !run.heardAny {
					run.heard, run.heardAny = b.At.Up, true
				}
				if (run.silentRun >= busLostAfter || b.At.Up-run.heard > max(unheardFor, busLostAfter*e.slowest(b.Bus, v.Station))) && !run.told {
					run.told, run.toldAt = true, b.At.Up
					e.emit(o, e.speaksFor(event.Event{Kind: event.StationSilent, Priority: site.HighPriority, Bus: name, Station: v.Station,
						Panel: e.panelOf(b.Bus, v.Station), Point: e.sensorOf(b.Bus, v.Station), Cause: run.cause.String()}, b.Bus, int(v.Station)))
				}
			}
		}
		run.asked, run.answered, run.silent = false, false, false
	}
}

// slowest is the longest period of the sensors at a station.
func (e *Engine) slowest(bus int, station uint8) time.Duration {
	longest := time.Duration(0)
	for _, i := range e.s.Buses[bus].Sensors {
		if sn := &e.s.Sensors[i]; sn.Station == station {
			longest = max(longest, sn.Period)
		}
	}
	return longest
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
			e.emit(o, e.speaksFor(event.Event{Kind: event.BusLost, Priority: site.HighPriority, Bus: e.s.Buses[b].Name, Cause: reading.NotAsked.String(), Count: len(l.stations)}, b, anyStation))
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

// sensorOf names the sensors at a station, but for those not fitted yet.
func (e *Engine) sensorOf(bus int, station uint8) string {
	var names []string
	for i := range e.s.Sensors {
		if sn := &e.s.Sensors[i]; sn.Bus == bus && sn.Station == station && e.present(i) {
			names = append(names, sn.Path)
		}
	}
	return strings.Join(names, ", ")
}
