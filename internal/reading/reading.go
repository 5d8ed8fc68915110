// Package reading holds the nouns that every room speaks: stamps, the batches a bus yields, the readings a panel judges and
// the one table that says what each reason means.
//
// Owns: Stamp, Batch, Read, Fault, Order, Sample, Reading, Quality, Reason and the reason table.
// Never: does arithmetic on Wall, reads a clock, or gives a bad reading a value.
package reading

import "time"

// Wall is a civil instant in nanoseconds since the Unix epoch, UTC. It is for people: it may step, and a box without a
// battery clock boots in 1970. No duration may be computed from two Walls, but for the one exception the boots table needs.
type Wall int64

// Time gives the instant in UTC.
func (w Wall) Time() time.Time { return time.Unix(0, int64(w)).UTC() }

// WallOf turns a time into a Wall.
func WallOf(t time.Time) Wall { return Wall(t.UnixNano()) }

// Stamp is one moment seen by two clocks. Up is the time since this process started, from a clock that never steps; all
// arithmetic uses it. Wall is what a person's watch said. The zero Stamp means "no moment".
type Stamp struct {
	Wall Wall
	Up   time.Duration
}

// IsZero tells whether no moment was recorded.
func (s Stamp) IsZero() bool { return s == Stamp{} }

// Since is the time that passed from earlier to s on the clock that never steps.
func (s Stamp) Since(earlier Stamp) time.Duration { return s.Up - earlier.Up }

// Table is one of the four data tables of the Modbus data model (Application Protocol V1.1b3, 4.3). The zero Table is none.
type Table uint8

// The four tables, in the order of their function codes.
const (
	NoTable  Table = iota
	Coil           // read-write bits, function 01
	Discrete       // read-only bits, function 02
	Holding        // read-write 16-bit registers, function 03
	Input          // read-only 16-bit registers, function 04
)

var tableNames = [...]string{"", "coil", "discrete", "holding", "input"}

func (t Table) String() string {
	if int(t) < len(tableNames) {
		return tableNames[t]
	}
	return ""
}

// ParseTable reads a table's name as written in a register map.
func ParseTable(s string) (Table, bool) {
	for i, n := range tableNames {
		if i > 0 && n == s {
			return Table(i), true
		}
	}
	return NoTable, false
}

// Bits tells whether the table holds single bits.
func (t Table) Bits() bool { return t == Coil || t == Discrete }

// Read is one request of a round and what came of it. Count addresses from Addr (0-based, as on the wire) were asked.
// Words holds exactly Count words when Fault is Answered (a bit per word, 0 or 1, for coils and discretes) and is nil otherwise.
type Read struct {
	Station uint8
	Table   Table
	Addr    uint16
	Count   uint16
	Words   []uint16
	Fault   Fault
	Sent    Stamp         // when the request left, or would have left
	Took    time.Duration // until the answer was whole, or until it was given up
}

// Batch is what one vouched segment of a round over a bus yielded. Every round yields at least one, also in silence: a
// request that could not be sent is a Read with the fault that prevented it.
type Batch struct {
	Bus     int    // index in the site's buses
	Slot    uint64 // place on the poll grid of the bus since the process started; a jump by more than one says slots were missed
	Segment int    // 0-based within the round
	Last    bool   // the round is complete with this segment
	At      Stamp  // when the segment was vouched for
	Reads   []Read
}

// Order asks a bus for the one kind of write there is: closing a sample valve. Repeated orders are harmless.
type Order struct {
	ID      uint64
	Bus     int
	Station uint8
	Table   Table // Coil or Holding
	Addr    uint16
	Value   uint16 // for a coil 0 or 1
	Panel   int
	Until   time.Duration // Up after which it is not sent any more: what was withdrawn must not move a valve later
}

// OrderResult is what became of an order: the fault of the write and the value read back.
type OrderResult struct {
	ID       uint64
	Panel    int
	Fault    Fault
	ReadBack uint16
	Known    bool // ReadBack was read after the write
	At       Stamp
}

// Quality says how far a reading may be believed. The zero Quality is Bad.
type Quality uint8

// Qualities, least believed first.
const (
	Bad       Quality = iota // not a measurement of the sample; has no value anywhere
	Uncertain                // a measurement with a stated doubt
	Good
)

var qualityNames = [...]string{"bad", "uncertain", "good"}

func (q Quality) String() string {
	if int(q) < len(qualityNames) {
		return qualityNames[q]
	}
	return "bad"
}

// Bound says how a value bounds the truth. The zero Bound is exact.
type Bound uint8

// Bounds.
const (
	Exact Bound = iota // the value itself
	Below              // the truth is below the value: the sensor is at its floor
	Above              // the truth is above the value: the sensor is at its ceiling
)

func (b Bound) String() string {
	switch b {
	case Below:
		return "<"
	case Above:
		return ">"
	}
	return "="
}

// Sample is the input side of a reading, as it is kept in the logbook: the raw number before scaling, or the fault.
// Raw holds an integer type sign-extended to 64 bits, or the IEEE bits of a float type.
type Sample struct {
	Slot  uint64
	Raw   uint64
	Fault Fault // Answered when Raw is what the device said
	At    Stamp
}

// Reading is one judged value of one point. The zero Reading is bad, with reason Unknown.
// Value is in the point's unit and is 0 whenever the quality is Bad; use Of and Not, which keep that true.
type Reading struct {
	Value  float64
	Bound  Bound
	Reason Reason
	At     Stamp // when the request left
	Oldest Stamp // for derived points, the stamp of the oldest input; else equal to At
}

// Of is a reading with a value. A reason whose quality is Bad has no value, so the value is dropped.
func Of(value float64, bound Bound, why Reason, at Stamp) Reading {
	if why.Quality() == Bad {
		return Not(why, at)
	}
	return Reading{Value: value, Bound: bound, Reason: why, At: at, Oldest: at}
}

// Not is a reading without a value.
func Not(why Reason, at Stamp) Reading { return Reading{Reason: why, At: at, Oldest: at} }

// Quality is the quality the reading's reason stands for.
func (r Reading) Quality() Quality { return r.Reason.Quality() }

// HasValue tells whether Value means anything.
func (r Reading) HasValue() bool { return r.Quality() != Bad }

// Counts tells whether limits are judged by this reading.
func (r Reading) Counts() bool { return r.HasValue() && r.Reason.Row().Counts }

// Shown tells whether the value may appear in metrics.
func (r Reading) Shown() bool { return r.HasValue() && r.Reason.Row().Shown }

// Demote gives the reading the worse of its own reason and why. Of two reasons the earlier in the table is the worse.
func (r Reading) Demote(why Reason) Reading {
	if why.Worse(r.Reason) {
		r.Reason = why
	}
	if r.Quality() == Bad {
		r.Value, r.Bound = 0, Exact
	}
	return r
}

// Valve is what is known of the sample valve. The zero Valve is not confirmed.
type Valve uint8

// Valve states, as evidence shows them.
const (
	ValveNotConfirmed Valve = iota
	ValveOpen
	ValveClosedState
)

func (v Valve) String() string { return [...]string{"not_confirmed", "open", "closed"}[int(v)%3] }
