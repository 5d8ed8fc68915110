// Package site is the parsed, immutable description of what is watched: buses, register maps, panels, sensors, points and
// limits, and where the results go.
//
// Owns: the types a configuration becomes, their order and their indices.
// Never: knows TOML, reads a file, or changes after it was built.
//
// Every list is sorted by name (points by path), and every index points into one of these lists, so two loads of the same
// file give the same indices. What is kept on disk refers to paths, never to indices.
package site

import (
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
)

// None is the index of "there is none".
const None = -1

// Site is one plant's description.
type Site struct {
	Name      string
	Zone      *time.Location // for messages only
	ZoneName  string
	AltitudeM float64
	HasAlt    bool
	Hash      string // first 12 hex digits of SHA-256 over all configuration text; names the definition in records

	Buses      []Bus
	Sensors    []Sensor
	Points     []Point
	Panels     []Panel
	Recipients []Recipient
	Messages   Messages
	HTTP       HTTP
	Logbook    Logbook
}

// Bus is one network endpoint or one serial line.
type Bus struct {
	Name    string
	Link    string        // as written, e.g. "tcp://10.0.40.21:502"
	Scheme  string        // "tcp", "tcp+tls", "rtu" or "rtuovertcp"
	Address string        // host:port, or the path of a serial device
	Period  time.Duration // the poll grid: the shortest period of its sensors
	Timeout time.Duration // for one request, at most 1 s on tcp and tcp+tls; 0 on a serial line: from the wire
	Sensors []int         // sensors on this bus, those of an interlock first

	// Of a serial line; on rtuovertcp Baud is that of the line behind the serial server, and Parity and StopBits are the server's.
	Baud       int           // bits a second
	Parity     string        // "none", "even" or "odd"
	StopBits   int           // 1 or 2
	Direct     bool          // of a network endpoint: it is the device itself, with no serial line behind it
	SoleMaster bool          // the user says that no other master is on the line; without it rtu is refused
	Listen     time.Duration // silence heard before the first request; below 1 s only in tests

	TLS TLS // of tcp+tls
}

// TLS names the files of a secured link. They are read again for every connection, so that a renewed certificate needs no restart.
type TLS struct {
	CA         string // certificates that may sign the device's, or the device's own
	Cert, Key  string // ours
	ServerName string // the name in the device's certificate; empty: the host of the address
}

// Sensor is one device, or one part of a device, described by a register map.
type Sensor struct {
	Path        string // "b2.rack" or "site.deaerator"
	Name        string // "rack"
	Panel       int    // None for a sensor of the site
	Bus         int
	Station     uint8
	Map         string        // the map's name
	Every       uint64        // asked every so many slots of its bus
	Period      time.Duration // Every slots
	Refresh     time.Duration // a good read this long after the last update is an update though nothing changed
	Points      []int         // its points, by path
	LongestRead int           // most addresses in one request
	Turnaround  time.Duration // on a serial line: the longest its device takes before it begins to answer; 0: 100 ms
	Allowed     []Span        // addresses that may be asked, by table then address: those of the map's points and its also_readable
	FittedLater bool          // absence is no fault until first seen
	Status      Status        // what the device says of its own state
	Alive       Alive         // what must change while the device works
	Identity    Identity      // which device it is
}

// Status is a word in which a device reports its own state. Its point is one of the sensor's.
type Status struct {
	Configured bool
	Point      int
	Mask       uint16 // the bits that are looked at
	Good       uint16 // their value while nothing is wrong
	Hold       uint16 // their value while the device holds its output, such as while it is calibrated
	HasHold    bool
}

// Alive is a word that changes while a device works. Its point is one of the sensor's.
type Alive struct {
	Configured bool
	Point      int
}

// Identity is the registers in which a device says its serial number. They are no point: nothing judges them.
type Identity struct {
	Configured bool
	Table      reading.Table // Holding or Input
	Addr       uint16        // wire address of the first
	Count      int           // registers
	Type       Type          // Uint16 or Uint32; NoType: text, two characters a register
	Order      Order
	Every      uint64 // asked every so many slots of the bus; a multiple of the sensor's
}

// Span is the registers of the identity.
func (d *Identity) Span() Span { return Span{Table: d.Table, Addr: d.Addr, Count: d.Count} }

// Span is a run of addresses of one table.
type Span struct {
	Table reading.Table
	Addr  uint16 // wire address of the first
	Count int    // at least 1; Addr+Count <= 65536
}

// Type is how words make a number. The zero Type is none.
type Type uint8

// Types.
const (
	NoType Type = iota
	Bit
	Int16
	Uint16
	Int32
	Uint32
	Float32
	Float64
)

var typeNames = [...]string{"", "bit", "int16", "uint16", "int32", "uint32", "float32", "float64"}

func (t Type) String() string { return typeNames[int(t)%len(typeNames)] }

// ParseType reads a type's name.
func ParseType(s string) (Type, bool) {
	for i, n := range typeNames {
		if i > 0 && n == s {
			return Type(i), true
		}
	}
	return NoType, false
}

// Words is the number of registers (or bits) a value takes; 0 for NoType.
func (t Type) Words() int {
	switch t {
	case Bit, Int16, Uint16:
		return 1
	case Int32, Uint32, Float32:
		return 2
	case Float64:
		return 4
	}
	return 0
}

// Order is the order of the bytes of a value that takes more than one register, named by where the bytes A (most
// significant) to D of a 32-bit value stand on the wire. A 64-bit value follows the same rule over its four words:
// ABCD most significant word first, CDAB least significant word first, BADC and DCBA the same with the bytes of each word swapped.
type Order uint8

// Orders. The zero Order is the protocol's own big-endian.
const (
	ABCD Order = iota
	CDAB
	BADC
	DCBA
)

var orderNames = [...]string{"ABCD", "CDAB", "BADC", "DCBA"}

func (o Order) String() string { return orderNames[int(o)%len(orderNames)] }

// ParseOrder reads an order's name.
func ParseOrder(s string) (Order, bool) {
	for i, n := range orderNames {
		if n == s {
			return Order(i), true
		}
	}
	return ABCD, false
}

// Decode says how words become a value: value = raw x Scale + Offset, in the point's unit.
type Decode struct {
	Type    Type
	Order   Order
	Scale   float64 // never 0; 1 when not said
	Offset  float64
	Invert  bool     // for bits: 1 means false
	NoValue []uint64 // raw values, as in reading.Sample.Raw, that mean "no value"
}

// Range is an optional span of values. Unset ends do not bind.
type Range struct {
	Low, High       float64
	HasLow, HasHigh bool
}

// Point is one measured or derived value.
type Point struct {
	Path   string // "b2.rack.oxygen", "b2.resistivity"
	Name   string // the last part
	Panel  int    // None for a point of a site sensor
	Sensor int    // None for a derived point

	Quantity quantity.Quantity
	Unit     quantity.Unit
	// Resolution is the step of the display in the point's unit; comparisons are made in whole steps of it. Above 0 except for states.
	Resolution float64

	// For measured points.
	Table    reading.Table
	Addr     uint16 // wire address of the first register
	Manual   string // the number as printed in the manual, for people at the bench; never in a message
	Decode   Decode
	Floor    float64 // at or below: the truth is below
	HasFloor bool
	Ceiling  float64 // at or above: the truth is above
	HasCeil  bool
	Fault    Range // outside (strictly): not a measurement

	FrozenAfter time.Duration // standing still for longer, while a sibling moves, is frozen; 0: never
	Jump        float64       // more than this in a minute is a jump, in the point's unit ...
	JumpShare   float64       // ... or more than this share of the value, whichever is more; both 0: never

	// For derived points.
	Derive Derive

	// Basis is what the amount is given as: "SO3" or "Na2SO3" of sulfite, the substance of a scavenger demand or feed; empty where nobody
	// has said it, or where there is none to say.
	Basis string

	Entered Entered // for points that a person enters
	Water   Water   // for a conductivity: what was done to it before it was shown
}

// Derived tells whether the point is not read from a device: it is computed, or entered by a person.
func (p *Point) Derived() bool { return p.Sensor == None }

// Chemistry tells whether the point describes the water and so needs the sensor to stand in fresh, cooled, flowing sample.
func (p *Point) Chemistry() bool {
	switch p.Quantity {
	case quantity.DissolvedOxygen, quantity.Conductivity, quantity.Resistivity, quantity.PH, quantity.ORP, quantity.Sulfite, quantity.Dye, quantity.Chloride:
		return true
	}
	return p.Derive.By.Kind().Water
}

// Tap is where on the plant the sample is drawn.
type Tap uint8

// Taps. The zero Tap is unknown.
const (
	TapUnknown Tap = iota
	BeforeScavenger
	AfterScavenger
	IntoStorage
)

var tapNames = [...]string{"unknown", "before-scavenger", "after-scavenger", "into-storage"}

func (t Tap) String() string { return tapNames[int(t)%len(tapNames)] }

// ParseTap reads a tap's name.
func ParseTap(s string) (Tap, bool) {
	for i, n := range tapNames {
		if n == s {
			return Tap(i), true
		}
	}
	return TapUnknown, false
}

// Panel is one sample stream with its sensors.
type Panel struct {
	Name      string
	Title     string // plant words, e.g. "Boiler 2 feedwater"
	Tap       Tap
	Sensors   []int
	Points    []int // its own and derived points, measured first, then derived in an order in which inputs come before uses
	Line      Line
	Interlock Interlock
	OnLine    int           // point that says whether the boiler is fed; None when unknown
	StartUp   time.Duration // after going on line no limit of the chemistry opens for so long; 0: they open at once
	Limits    []Limit
	Cross     Cross // what two sensors of the stream say of each other
	Buses     []int // buses any of its sensors, or a site sensor it uses, is on
}

// Line is the sample line up to and through the cell.
type Line struct {
	Configured bool
	LeadML     float64 // volume from tap to cell, mL: length x bore area + coil
	CellML     float64
	Flow       int     // point; None: flow is not proven
	FlowLow    float64 // the panel's flow range, mL/min
	FlowHigh   float64
}

// Interlock is the sample over-temperature watch of a panel. Without a Drive it only observes.
type Interlock struct {
	Configured  bool
	Temperature int     // point
	WarnAbove   float64 // in the point's unit
	CloseAbove  float64 // in the point's unit; above WarnAbove
	WarnText    string  // as the user wrote it, e.g. "40 degC"; a bare number is in the point's unit
	CloseText   string  // as the user wrote it, e.g. "120 degF"
	ValveClosed int     // point, true = closed; None: judged from flow
	Travel      time.Duration
	LostAfter   time.Duration // the larger of 10 s and three periods of the sensor

	HasSecond       bool // a second temperature guards too, in the unit of the first
	Second          int  // point
	SecondLostAfter time.Duration
	RisePerMin      float64 // a steeper rise is told, in the point's unit; 0: not judged
	HasCooling      bool    // the cooling water's temperature is known, in the unit of the first
	Cooling         int     // point
	ApproachAbove   float64 // a larger distance of the sample from the cooling water is told, in the point's unit

	Drive Drive
}

// Side is the side of a limit. The zero Side is none.
type Side uint8

// Sides.
const (
	NoSide Side = iota
	High
	Low
)

func (s Side) String() string { return [...]string{"", "high", "low"}[int(s)%3] }

// Priority of an alarm. The zero Priority is the highest: what nobody ranked must be heard.
type Priority uint8

// Priorities.
const (
	TopPriority Priority = iota
	HighPriority
	MediumPriority
	LowPriority
)

var priorityNames = [...]string{"top", "high", "medium", "low"}

func (p Priority) String() string { return priorityNames[int(p)%len(priorityNames)] }

// ParsePriority reads a priority's name.
func ParsePriority(s string) (Priority, bool) {
	for i, n := range priorityNames {
		if n == s {
			return Priority(i), true
		}
	}
	return TopPriority, false
}

// interlockAlarms are the names of what the interlock itself raises; a limit of the same panel cannot bear one of them.
var interlockAlarms = [...]string{"sample-warm", "sample-hot", "temperature-lost", "valve-failed-to-close", "valve-not-confirmed", "open-no-flow",
	"sample-rising", "cooler-approach", "one-temperature-lost", "valve-cannot-close"}

// InterlockAlarm tells whether a name belongs to an alarm of the interlock.
func InterlockAlarm(name string) bool {
	for _, n := range interlockAlarms {
		if n == name {
			return true
		}
	}
	return false
}

// Source says whose limit it is.
type Source struct {
	Document string `json:"document"`
	Edition  string `json:"edition"`
	Band     string `json:"band"`
	Tap      string `json:"tap"`
	Memory   bool   `json:"from_memory,omitempty"` // the value was not read in the document
}

// Limit is a value that a point shall not pass on one side.
type Limit struct {
	Name     string // "oxygen-high", unique within the panel
	Point    int
	Side     Side
	Value    float64       // in the point's unit
	Written  float64       // the number as written
	Unit     quantity.Unit // the unit written, used in messages
	Deadband float64       // in the point's unit, at least 0
	OnDelay  time.Duration
	OffDelay time.Duration
	Priority Priority
	Source   Source
	Basis    string // for sulfite: "SO3" or "Na2SO3"
	Action   string // first action, in the plant's words

	Cause       string // what it usually comes from, in the plant's words
	Consequence string // what comes of doing nothing, in the plant's words
	Of          Measure
	Window      time.Duration // of a rate: the time over which it is taken
	Per         time.Duration // of a rate: the time its Written number is for, an hour or a minute
	Normal      Normal        // of a limit that hangs on a learned baseline
	Applies     Applies
}

// HTTP is where the API and metrics are served.
type HTTP struct {
	Listen    string
	TokenFile string // empty: commands are refused
}

// Logbook is where evidence is kept.
type Logbook struct {
	Dir   string
	Flush time.Duration // how often samples are committed; events do not wait

	Keep       time.Duration // how long readings are kept
	KeepHours  time.Duration // how long hours put together are kept; not shorter than Keep
	KeepEvents time.Duration // how long events and excursions are kept; not shorter than Keep
	Disk       int64         // bytes the logbook may take; beyond it the oldest readings go
}
