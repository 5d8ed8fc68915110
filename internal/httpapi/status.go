package httpapi

import (
	"encoding/json"
	"net/http"
	"strconv"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

// statusBody answers GET /api/v1/status.
type statusBody struct {
	Site         string       `json:"site"`
	Definition   string       `json:"definition"`
	Version      string       `json:"version"`
	Boot         string       `json:"boot"`
	At           *string      `json:"at"`
	ClockCertain bool         `json:"clock_certain"`
	JudgedRounds uint64       `json:"judged_rounds"`
	Restored     bool         `json:"restored"`
	Panels       []panelBody  `json:"panels"`
	Buses        []busBody    `json:"buses"`
	Logbook      logbookBody  `json:"logbook"`
	Outbox       []outboxBody `json:"outbox"`
}

type panelBody struct {
	Panel          string         `json:"panel"`
	Title          string         `json:"title"`
	Tap            string         `json:"tap"`
	OnLine         bool           `json:"on_line"`
	OnLineFrom     string         `json:"on_line_from"`
	StartUpLeftS   *json.Number   `json:"start_up_left_s"` // null when limits open at once
	Representative bool           `json:"representative"`
	Reason         string         `json:"reason"` // why not
	Words          string         `json:"words"`
	FlushedML      *json.Number   `json:"flushed_ml"`
	OwedML         *json.Number   `json:"owed_ml"`
	LagS           *json.Number   `json:"lag_s"` // null when not known
	Interlock      *interlockBody `json:"interlock"`
	Valve          valveBody      `json:"valve"`
	AlarmsActive   int            `json:"alarms_active"`
	ExcursionsOpen int            `json:"excursions_open"`
	Said           []saidBody     `json:"said"` // by people: sensors in hand, on and off line
}

type interlockBody struct {
	State      string  `json:"state"` // one of interlockStates
	Mode       string  `json:"mode"`  // "observe" or "drive"
	FirstOut   string  `json:"first_out,omitempty"`
	FirstOutAt *string `json:"first_out_at"`

	Drive *driveBody `json:"drive,omitempty"`
}

// driveBody is what rillwatch asks of a valve.
type driveBody struct {
	Held     bool          `json:"held_closed"` // until a person re-arms
	Cause    string        `json:"cause,omitempty"`
	At       *string       `json:"held_at"`
	Request  string        `json:"request"`           // none, asked, taken, failing, suspended
	Trouble  string        `json:"trouble,omitempty"` // why the request is failing: the name of a fault, not_read_back, read_back_differs
	Override *overrideBody `json:"override,omitempty"`
}

type overrideBody struct {
	By    string      `json:"by"`
	Why   string      `json:"why"`
	Until *string     `json:"ends_at"`
	LeftS json.Number `json:"left_s"`
}

func driveOf(v *engine.InterlockView) *driveBody {
	h := &v.Holding
	b := &driveBody{Held: h.Held, Cause: h.Cause.String(), Request: h.Request, Trouble: h.Trouble, At: instant(reading.Stamp{Wall: h.At})}
	if o := &h.Override; o.On {
		b.Override = &overrideBody{o.By, o.Why, instant(reading.Stamp{Wall: o.Until}), seconds(o.Left)}
	}
	return b
}

type valveBody struct {
	State string `json:"state"` // open, closed, not_confirmed
	From  string `json:"from"`  // feedback, flow, none
	By    string `json:"by,omitempty"`
}

type busBody struct {
	Bus         string            `json:"bus"`
	Connected   bool              `json:"connected"`
	Rounds      uint64            `json:"rounds"`
	MissedSlots uint64            `json:"missed_slots"`
	At          *string           `json:"at"`
	Faults      map[string]uint64 `json:"faults"` // those that occurred
	Stations    []stationBody     `json:"stations"`
}

type stationBody struct {
	Station   uint8       `json:"station"`
	Answering bool        `json:"answering"`
	Fault     string      `json:"fault"`
	Words     string      `json:"words"`
	TookS     json.Number `json:"took_s"` // of its last answer
}

type logbookBody struct {
	Commits        uint64  `json:"commits"`
	CommitFailures uint64  `json:"commit_failures"`
	LastCommitAt   *string `json:"last_commit_at"`
	SamplesDropped uint64  `json:"samples_dropped"`
	Bytes          int64   `json:"bytes"`
}

type outboxBody struct {
	Recipient string `json:"recipient"`
	Waiting   int    `json:"waiting"`
	Delivered uint64 `json:"delivered"`
	Refused   uint64 `json:"refused"`
	Expired   uint64 `json:"expired"`
	InSummary uint64 `json:"in_summary"`
	Attempts  uint64 `json:"attempts"`

	Heartbeats       uint64 `json:"heartbeats"`
	HeartbeatsFailed uint64 `json:"heartbeats_failed"`
}

// interlockStates are the states of the sample over-temperature watch.
var interlockStates = []string{"watching", "warm", "hot", "temperature_lost", engine.NotKnown}

func (s *server) status(w http.ResponseWriter, r *http.Request) {
	if _, ok := query(w, r); !ok {
		return
	}
	v, now, f := s.View(), s.Now(), s.Facts()
	if v == nil {
		notStarted.write(w, "nothing has been judged yet", nil)
		return
	}
	body := statusBody{Site: s.Site.Name, Definition: s.Site.Hash, Version: s.Version, Boot: v.Boot, At: instant(v.At), ClockCertain: v.Clock.Certain,
		JudgedRounds: v.Judged, Restored: f.Restored, Panels: []panelBody{}, Buses: []busBody{}, Outbox: []outboxBody{},
		Logbook: logbookBody{f.Commits, f.CommitFailures, instant(f.LastCommit), f.SamplesDropped, f.LogbookBytes}}
	for _, p := range v.Panels {
		if p != nil {
			body.Panels = append(body.Panels, s.panelBody(standingPanel(v, now, p)))
		}
	}
	for b := range v.Buses {
		body.Buses = append(body.Buses, busOf(s.Site.Buses[b].Name, &v.Buses[b]))
	}
	for _, o := range f.Outbox {
		body.Outbox = append(body.Outbox, outboxBody(o))
	}
	writeJSON(w, body)
}

func (s *server) panelBody(p *engine.PanelView) panelBody {
	cfg := &s.Site.Panels[p.Panel]
	row := p.Line.Reason.Row()
	b := panelBody{Panel: cfg.Name, Title: cfg.Title, Tap: cfg.Tap.String(), OnLine: p.OnLine, OnLineFrom: p.OnLineFrom,
		Representative: p.Line.Representative, Reason: row.Name, Words: row.Words, FlushedML: digits(p.Line.FlushedML, 0), OwedML: digits(p.Line.OwedML, 0),
		Valve: valveBody{p.Interlock.Valve.String(), p.Interlock.ValveFrom, p.Interlock.ValveBy}, ExcursionsOpen: len(p.Excursions)}
	if p.StartUp > 0 {
		left := seconds(p.StartUp)
		b.StartUpLeftS = &left
	}
	if p.Line.LagKnown {
		lag := seconds(p.Line.Lag)
		b.LagS = &lag
	}
	if p.Interlock.Configured {
		b.Interlock = &interlockBody{State: p.Interlock.State, Mode: "observe", FirstOut: p.Interlock.FirstOut, FirstOutAt: instant(p.Interlock.FirstOutAt)}
		if p.Interlock.Driven {
			b.Interlock.Mode, b.Interlock.Drive = "drive", driveOf(&p.Interlock)
		}
	}
	b.AlarmsActive, b.Said = active(p), saidOf(s.Site, p)
	return b
}

// active counts the alarms whose condition holds.
func active(p *engine.PanelView) int {
	n := 0
	for i := range p.Alarms {
		if p.Alarms[i].Active {
			n++
		}
	}
	return n
}

func busOf(name string, v *engine.BusView) busBody {
	b := busBody{Bus: name, Connected: v.Connected, Rounds: v.Rounds, MissedSlots: v.Missed, At: instant(v.At), Faults: map[string]uint64{}, Stations: []stationBody{}}
	for f, n := range v.Faults {
		if n > 0 {
			b.Faults[faultName(f)] = n
		}
	}
	for _, st := range v.Stations {
		b.Stations = append(b.Stations, stationBody{st.Station, st.Answering, st.Fault.String(), st.Fault.Words(), seconds(st.Took)})
	}
	return b
}

// formatWritten writes a number of the configuration back with the digits it was written in.
func formatWritten(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
