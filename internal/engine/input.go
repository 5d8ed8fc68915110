// Package engine routes inputs to the panels, merges their outcomes, keeps the sequence and the View, and gives inputs and
// outcomes their text form.
//
// Owns: Input, Outcome, View, the sequence of events.
// Never: waits, logs, or decides anything about a reading.
package engine

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// Input is one thing that reaches the engine. The sum is closed; every kind has a text form.
type Input interface{ input() }

// Boot is the first input of a process: what the logbook restored.
type Boot struct {
	Nonce       string // 8 hex digits, drawn once per process
	At          reading.Stamp
	WallCertain bool
	Hash        string     // configuration hash
	Before      Before     // what the logbook knows of the boot before; zero when there was none
	States      []StateRow // durable judge state, sorted by name
}

// Before is what is known of the time before this boot.
type Before struct {
	Nonce       string
	Last        reading.Wall // wall clock of the last commit of the boot before
	WallCertain bool
	Hash        string
}

// StateRow is the durable judge state of one panel, or of the site under the name "". Data is JSON.
type StateRow struct {
	Name string
	Data []byte
}

// Batch is one vouched segment of a round.
type Batch struct{ reading.Batch }

// Tick comes once a second and drives what must happen in silence.
type Tick struct{ At reading.Stamp }

// Command is what a person or program asked for. The same ID asked again is answered as the first time.
type Command struct {
	ID   string
	Who  string
	Why  string
	From string // "api", "cli"
	At   reading.Stamp
	Do   Do
}

// Committed says that all outcomes up to and including Seq are on disk.
type Committed struct {
	Seq     uint64
	At      reading.Stamp
	Dropped int // samples given up to stay within the bound, not yet told
}

// CommitFailed says that a commit did not succeed; the writer will try again.
type CommitFailed struct {
	Seq     uint64
	At      reading.Stamp
	Why     string
	Dropped int // samples given up to stay within the bound since the last commit that succeeded
}

// Delivered says how an attempt to tell a recipient ended for good.
type Delivered struct {
	ID        event.ID
	Recipient string
	Result    string // delivered, refused, expired
	At        reading.Stamp
}

// ClockState says what is known of the wall clock.
type ClockState struct {
	At      reading.Stamp
	Certain bool
	Stepped time.Duration // how far it stepped since the last ClockState; 0 when it did not
}

// Stop is the last input of an orderly end.
type Stop struct{ At reading.Stamp }

// OrderDone is what became of an order.
type OrderDone struct{ reading.OrderResult }

func (Boot) input()         {}
func (Batch) input()        {}
func (Tick) input()         {}
func (Command) input()      {}
func (Committed) input()    {}
func (CommitFailed) input() {}
func (Delivered) input()    {}
func (ClockState) input()   {}
func (OrderDone) input()    {}
func (Stop) input()         {}

// Do is what a command does. The sum is closed. Verbs the engine does not obey yet are refused by name.
type Do interface{ verb() string }

// Verbs.
type (
	Acknowledge struct{ Alarm string } // "b2.oxygen-high"
	Shelve      struct {
		Alarm string
		For   time.Duration
	}
	Unshelve     struct{ Alarm string }
	OutOfService struct {
		Alarm string
		Out   bool
	}
	CheckInHand struct {
		Sensor string
		What   string
		For    time.Duration
		Back   bool
	}
	SetOnLine struct {
		Panel  string
		OnLine bool
		For    time.Duration
	}
	EnterValue struct {
		Point string
		Value float64
		Unit  string
		Basis string
		Taken reading.Wall
	}
	LearnBaseline struct{ Limit string }
	Override      struct {
		Panel string
		For   time.Duration
	}
	Rearm struct{ Panel string }
	Drill struct{ Recipient string }
)

func (Acknowledge) verb() string   { return "acknowledge" }
func (Shelve) verb() string        { return "shelve" }
func (Unshelve) verb() string      { return "unshelve" }
func (OutOfService) verb() string  { return "out_of_service" }
func (CheckInHand) verb() string   { return "check_in_hand" }
func (SetOnLine) verb() string     { return "set_on_line" }
func (EnterValue) verb() string    { return "enter_value" }
func (LearnBaseline) verb() string { return "learn_baseline" }
func (Override) verb() string      { return "override" }
func (Rearm) verb() string         { return "rearm" }
func (Drill) verb() string         { return "drill" }

// Outcome is what one input brought about. It is first made durable, then told. The caller owns it. Changes of judge state are
// not copied into every outcome: the engine gives those since the last commit when a commit is armed (Engine.States).
type Outcome struct {
	Seq      uint64 // 1 for the first outcome of a boot, then without a gap
	At       reading.Stamp
	Readings []Judged          // for the logbook
	Events   []event.Event     // each with its ID
	Records  []event.Excursion // excursions opened, acknowledged or ended: records to keep
	Orders   []reading.Order
	Replies  []Reply
}

// Judged is one reading with the input it came from.
type Judged struct {
	Point   int // in the site's points
	Sample  reading.Sample
	Reading reading.Reading
}

// Refusal names why a command was not obeyed. The zero Refusal is none.
type Refusal string

// Refusals.
const (
	NotRefused      Refusal = ""
	NoSuchAlarm     Refusal = "no_such_alarm"
	NothingToAck    Refusal = "nothing_to_acknowledge"
	NoName          Refusal = "who_is_missing"
	VerbNotObeyed   Refusal = "not_obeyed_yet"
	NotBooted       Refusal = "not_booted"
	CommandIDReused Refusal = "command_id_reused" // the same ID with another content
	NoSuchSensor    Refusal = "no_such_sensor"
	NoWhat          Refusal = "what_is_missing" // of a check in hand
	BadSpan         Refusal = "bad_span"        // a length of time outside its bounds
)

// Reply answers a command, once the outcome it stands in is durable.
type Reply struct {
	Command string
	Refusal Refusal
	Words   string
}
