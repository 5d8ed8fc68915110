package engine

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// View is everything a reader may see at one moment. It is immutable: a batch replaces the views of its panels only.
type View struct {
	Site   *site.Site
	Boot   string
	At     reading.Stamp
	Seq    uint64 // of the last outcome in it
	Judged uint64 // rounds that went through judgement since the start
	Panels []*PanelView
	Free   []PointView // points of site sensors, in path order
	Buses  []BusView
	Clock  ClockView
	Proofs []Proof // of map lines, by path
}

// ClockView is what is known of the wall clock.
type ClockView struct{ Certain bool }

// PointView is one point as it stands.
type PointView struct {
	Point    int
	Reading  reading.Reading
	LastGood reading.Stamp // stamp of the last reading that had a value and was shown; zero when none since the start
}

// PanelView is one panel as it stands.
type PanelView struct {
	Panel      int
	At         reading.Stamp
	Points     []PointView       // in the order of site.Panel.Points
	Alarms     []AlarmView       // limits first, in the order of site.Panel.Limits, then the rules of the interlock
	Excursions []event.Excursion // open ones
	Interlock  InterlockView
	Line       LineView
	OnLine     bool
	OnLineFrom string        // the point's path, "command" or "assumed"
	StartUp    time.Duration // left of the time after going on line in which no limit of the chemistry opens
	Words      []WordView
}

// AlarmView is one alarm as it stands.
type AlarmView struct {
	Name      string // "b2.oxygen-high"
	Limit     int    // in the panel's limits; site.None for a rule
	State     string // normal, unacknowledged, acknowledged, returned_unacknowledged, shelved, suppressed, out_of_service
	Priority  site.Priority
	Active    bool // the condition holds
	Since     reading.Stamp
	Raised    event.ID
	AckBy     string
	Pending   time.Duration // seen time of a running on-delay
	Excursion string
	Judged    *site.Limit   // of a limit that hangs on a learned normal: as it is judged now; nil for others
	Normal    *event.Normal // what was learned; nil where nothing was
	Usual     float64       // the same in the point's unit; 0: nothing

	Shelf     SilenceView // runs on underneath whatever else silences
	Out       SilenceView
	Suppress  string // what makes it pointless: valve.closed, or the bus or station that does not answer
	Told      bool   // people have been told that it stands, and not that it ended
	Quiet     string // of one that is active and not told: why (the Quiet names of package event)
	Behind    string // and what speaks for it
	Unsteady  bool   // it comes and goes; counted, and not told until it has rested
	Swings    int    // and so often it has returned since
	MustSpeak bool   // it can neither be shelved nor taken out of service
}

// WordView is a person's word that stands at a panel: a sensor in hand, or that the boiler is fed or not.
type WordView struct {
	Command string // the verb it was given by
	Sensor  string // its path, of a check in hand
	What    string // of a check in hand
	OnLine  bool   // of on and off line
	Who     string
	Why     string        // its beginning
	Left    time.Duration // none when it has run out
	Over    bool          // a check whose time is over and whose sensor is still out
}

// NotKnown is the state of an interlock that nothing has judged yet in this process: it must not look like one that watches.
const NotKnown = "not_known"

// InterlockView is the sample over-temperature watch as it stands.
type InterlockView struct {
	Configured bool
	State      string // watching, warm, hot, temperature_lost; not_known before the first step
	Valve      reading.Valve
	ValveFrom  string // feedback, flow, none
	ValveBy    string // when closed: by panel, by hand, not known
	FirstOut   string // cause of the present or last closing condition
	FirstOutAt reading.Stamp

	Driven  bool // rillwatch may ask for the valve to be closed
	Holding panel.Holding
}

// LineView is the state of the sample line.
type LineView struct {
	Representative bool
	Reason         reading.Reason // why not
	FlushedML      float64
	OwedML         float64
	Lag            time.Duration
	LagKnown       bool
	Reopened       bool // the line was seen stopped or open within the last hours
}

// BusView is one bus as it stands.
type BusView struct {
	Connected bool
	Rounds    uint64
	Missed    uint64 // slots in which no round was made
	LastSlot  uint64
	At        reading.Stamp
	Stations  []StationView
	Faults    [reading.FaultCount]uint64
}

// StationView is one station as it stands.
type StationView struct {
	Station   uint8
	Answering bool
	Absent    bool // not answering, and that is no fault: its sensors may be fitted later and none has been seen
	Fault     reading.Fault
	Took      time.Duration // of its last answer
}
