// Package excursion keeps the books of one episode beyond a limit: when it began and ended, how far it went, and how its time
// divides into beyond, within, unknown and suspended.
//
// Owns: the books of an excursion, from the first reading beyond to the record of the whole.
// Never: decides whether an excursion opens or closes (it is told), calls time within that nobody saw, or computes a duration
// from wall clocks.
package excursion

import (
	"fmt"
	"math"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// SlotsBridged is how many poll slots two readings may lie apart for the time between them to be known, and two counting
// readings for the integral to run through. Practice gives "do not bridge gaps of more than 3 polls".
const SlotsBridged = 3

// longest bounds one span of time that is added, and mostTime a sum of them, so that no sum of durations (292 years at
// most) can wrap, whatever a wall clock claimed across a restart.
const (
	longest  = 10 * 365 * 24 * time.Hour
	mostTime = 10 * longest
)

// Do is what the judgement of the limit makes of this reading. The zero Do is nothing.
type Do uint8

// What may be done.
const (
	Nothing Do = iota // only keep the books
	Begin             // the on-delay started: books are opened, tentatively
	Drop              // the on-delay was given up: no books
	Confirm           // the excursion is open; without a Begin before, it begins here
	MarkEnd           // first clear reading of a closing: the excursion ends here if the closing holds
	Unmark            // the closing was given up: the books run on, the time since the mark included
	Finish            // the closing is over: the excursion ended at the mark, or here without one
	doCount
)

var doNames = [doCount]string{"nothing", "begin", "drop", "confirm", "mark_end", "unmark", "finish"}

func (d Do) String() string { return doNames[d%doCount] }

// Input is one reading on its way into the books.
type Input struct {
	Do          Do
	Reading     reading.Reading
	WallCertain bool          // the wall clock of the reading's stamp is known to be right
	Steps       uint64        // poll slots since this point's previous reading in this process; 0 counts as a restart
	Period      time.Duration // one slot of this point
	OnLine      bool          // the boiler is fed
	Restart     bool          // the first reading since the process started
	Away        time.Duration // across a restart: difference of the re-stamped wall clocks
	AwayKnown   bool          // both clocks were certain
}

// Moment is an instant for people, and whether the clock was to be trusted.
type Moment struct {
	Wall    reading.Wall `json:"wall,omitempty"`
	Certain bool         `json:"certain,omitempty"`
}

// Held says what the time since the last reading is booked as. The zero Held is Unknown.
type Held uint8

// What the last reading was.
const (
	Unknown Held = iota // it did not count, or did not decide this limit
	Beyond
	Within
	OffLine
	heldCount
)

var heldNames = [heldCount]string{"unknown", "beyond", "within", "off_line"}

func (h Held) String() string { return heldNames[h%heldCount] }

// MarshalText gives the name, which is what is kept on disk.
func (h Held) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads the name.
func (h *Held) UnmarshalText(b []byte) error {
	for i, n := range heldNames {
		if n == string(b) {
			*h = Held(i)
			return nil
		}
	}
	return fmt.Errorf("held time of an excursion %q is not known", b)
}

// Books are the sums of an excursion up to some reading.
type Books struct {
	Beyond        time.Duration `json:"beyond_ns,omitempty"`    // past the limit itself; the deadband has no say here
	Within        time.Duration `json:"within_ns,omitempty"`    // at the limit or inside it
	Unknown       time.Duration `json:"unknown_ns,omitempty"`   // nobody can say
	Suspended     time.Duration `json:"suspended_ns,omitempty"` // off line; in no share
	Integral      float64       `json:"integral,omitempty"`     // unit x hours, between counting readings
	Gaps          float64       `json:"gaps,omitempty"`         // unit x hours, what the gaps may add at the larger of the distances at their ends
	Sum           float64       `json:"sum,omitempty"`          // unit x hours, value over the time beyond: the mean's numerator
	LengthUnknown bool          `json:"length_unknown,omitempty"`
	Gap           time.Duration `json:"gap_ns,omitempty"`         // the run of unknown time that lasts
	LongestGap    time.Duration `json:"longest_gap_ns,omitempty"` // the longest there was, that one included
}

// blind books unknown time. Only time that is beyond, within or suspended ends a run of it.
func (b Books) blind(d time.Duration) Books {
	b.Unknown, b.Gap = more(b.Unknown, d), more(b.Gap, d)
	b.LongestGap = max(b.LongestGap, b.Gap)
	return b
}

func (b *Books) endGap(d time.Duration) {
	if d > 0 {
		b.Gap = 0
	}
}

// State is what is kept of one excursion between two readings. The zero State is: there is none.
type State struct {
	Active    bool `json:"active,omitempty"`
	Tentative bool `json:"tentative,omitempty"` // the on-delay still runs
	Marked    bool `json:"marked,omitempty"`    // End and AtEnd stand

	Start     Moment        `json:"start,omitzero"`
	Last      Moment        `json:"last,omitzero"` // the last reading taken into the books
	End       Moment        `json:"end,omitzero"`
	Peak      float64       `json:"peak,omitempty"`
	PeakBound reading.Bound `json:"peak_bound,omitempty"`
	PeakAt    Moment        `json:"peak_at,omitzero"`
	Lower     bool          `json:"lower,omitempty"` // a reading at the end of the range was beyond: the integral is a lower bound

	Now   Books `json:"now,omitzero"`
	AtEnd Books `json:"at_end,omitzero"`

	Held     Held          `json:"held,omitempty"`
	Value    float64       `json:"value,omitempty"`    // of the last counting reading
	Distance float64       `json:"distance,omitempty"` // beyond the limit, of the last counting reading
	Span     time.Duration `json:"span_ns,omitempty"`  // since the last counting reading, without suspended time
	Cut      bool          `json:"cut,omitempty"`      // off line or a restart since the last counting reading
}

// Step takes one reading into the books. The limit's resolution decides what is beyond (0 compares the numbers themselves).
//
// Time between two polls belongs to the reading it starts with; where two readings lie more than SlotsBridged slots apart
// it is unknown. Off-line time is suspended, however long the gaps in it, because the last known state of the boiler holds.
// The integral is the sum of (e1 + e2)/2 x dt, e the distance beyond the limit or 0, over pairs of counting readings at
// most SlotsBridged slots apart (the trapezoid rule); a reading between them that does not count does not break it, off-line
// time and a restart do. A Begin always opens new books. A Begin or first Confirm on a reading that is not beyond is none.
//
// Finish gives the finished record and leaves no state; every other step gives nil. What never was confirmed leaves no record.
func Step(l *site.Limit, resolution float64, s State, in Input) (State, *Record) {
	if in.Do == Drop || in.Do == Begin {
		s = State{}
	}
	if !s.Active {
		if in.Do != Begin && in.Do != Confirm {
			return State{}, nil
		}
		return begin(l, resolution, in), nil
	}
	if s.Tentative && in.Do == Finish {
		return State{}, nil
	}

	s = s.pass(in)
	s = s.see(l, resolution, in)
	switch in.Do {
	case Confirm:
		s.Tentative = false
	case MarkEnd:
		s = s.mark()
	case Unmark:
		s.Marked, s.End, s.AtEnd = false, Moment{}, Books{}
	case Finish:
		if !s.Marked {
			s = s.mark()
		}
		r := s.record(s.AtEnd)
		r.End, r.EndCertain = s.End.Wall, s.End.Certain
		return State{}, &r
	}
	return s, nil
}

func begin(l *site.Limit, resolution float64, in Input) State {
	if beyond, _, decides := l.Places(resolution, in.Reading); !in.OnLine || !decides || !beyond {
		return State{}
	}
	at := moment(in)
	s := State{Active: true, Tentative: in.Do == Begin, Start: at, Peak: in.Reading.Value, PeakBound: in.Reading.Bound, PeakAt: at}
	return s.see(l, resolution, in)
}

func (s State) mark() State {
	s.Marked, s.End, s.AtEnd = true, s.Last, s.Now
	return s
}

// pass books the time since the reading before.
func (s State) pass(in Input) State {
	b := &s.Now
	if in.Restart || in.Steps == 0 {
		s.Cut = true
		if !in.AwayKnown || in.Away <= 0 {
			b.LengthUnknown = true
			return s
		}
		away := min(in.Away, longest)
		*b, s.Span = b.blind(away), more(s.Span, away)
		return s
	}
	dt := span(in.Steps, in.Period)
	if s.Held == OffLine {
		b.Suspended = more(b.Suspended, dt)
		b.endGap(dt)
		return s
	}
	s.Span = more(s.Span, dt)
	switch {
	case s.Held == Unknown || in.Steps > SlotsBridged:
		*b = b.blind(dt)
	case s.Held == Beyond:
		b.endGap(dt)
		b.Beyond = more(b.Beyond, dt)
		b.Sum = plus(b.Sum, s.Value*dt.Hours())
	default:
		b.endGap(dt)
		b.Within = more(b.Within, dt)
	}
	return s
}

// see takes in what the reading says.
func (s State) see(l *site.Limit, resolution float64, in Input) State {
	s.Last = moment(in)
	if !in.OnLine {
		s.Held, s.Cut = OffLine, true
		return s
	}
	beyond, _, decides := l.Places(resolution, in.Reading)
	if !decides {
		s.Held = Unknown
		return s
	}

	r, d := in.Reading, 0.0
	if beyond {
		d = plus(0, math.Abs(r.Value-l.Value))
	}
	if s.Cut || s.Span > SlotsBridged*in.Period {
		s.Now.Gaps = plus(s.Now.Gaps, max(s.Distance, d)*s.Span.Hours())
	} else {
		s.Now.Integral = plus(s.Now.Integral, (s.Distance/2+d/2)*s.Span.Hours())
	}
	s.Value, s.Distance, s.Span, s.Cut = r.Value, d, 0, false

	s.Held = Within
	if beyond {
		s.Held = Beyond
		s.Lower = s.Lower || r.Bound != reading.Exact
		if l.Further(resolution, r, s.Peak, s.PeakBound) {
			s.Peak, s.PeakBound, s.PeakAt = r.Value, r.Bound, s.Last
		}
	}
	return s
}

// Record is an excursion as it is told: all books in plain fields. Durations are seen time; wall clocks are for people.
type Record struct {
	Start        reading.Wall
	StartCertain bool
	End          reading.Wall // 0 while open
	EndCertain   bool
	Peak         float64 // in the point's unit, as Mean
	PeakBound    reading.Bound
	PeakAt       reading.Wall

	Beyond        time.Duration
	Within        time.Duration
	Unknown       time.Duration
	Suspended     time.Duration
	LengthUnknown bool // a restart whose length nobody knows lies within; it adds nothing to any sum

	Integral      float64 // unit x hours
	IntegralLow   bool    // the integral is a lower bound: the sensor was at the end of its range
	IntegralUpper float64 // unit x hours, with every gap at the larger of the distances at its two ends; 0 when not known
	UpperKnown    bool    // false with readings at the end of the range, or a restart of unknown length
	Mean          float64 // time-weighted value while beyond; 0 when Beyond is 0

	Valid      float64       // (Beyond + Within) / (Beyond + Within + Unknown): the share that was seen; Suspended is in no share
	ValidKnown bool          // false where that is 0/0, or a restart of unknown length lies within
	LongestGap time.Duration // the longest run of unknown time
}

// Forget gives up books that were never confirmed; those of an excursion stay.
func (s State) Forget() State {
	if s.Open() {
		return s
	}
	return State{}
}

// Open tells whether the excursion is confirmed and not finished.
func (s State) Open() bool { return s.Active && !s.Tentative }

// Record gives the books so far. A gap that has no second end yet stands in the upper bound at the distance of its first.
func (s State) Record() Record {
	b := s.Now
	b.Gaps = plus(b.Gaps, s.Distance*s.Span.Hours())
	return s.record(b)
}

func (s State) record(b Books) Record {
	r := Record{
		Start: s.Start.Wall, StartCertain: s.Start.Certain,
		Peak: s.Peak, PeakBound: s.PeakBound, PeakAt: s.PeakAt.Wall,
		Beyond: b.Beyond, Within: b.Within, Unknown: b.Unknown, Suspended: b.Suspended, LengthUnknown: b.LengthUnknown,
		Integral: b.Integral, IntegralLow: s.Lower, UpperKnown: !s.Lower && !b.LengthUnknown,
	}
	r.LongestGap = b.LongestGap
	if whole := more(more(b.Beyond, b.Within), b.Unknown); whole > 0 && !b.LengthUnknown {
		r.Valid, r.ValidKnown = float64(b.Beyond+b.Within)/float64(whole), true
	}
	if r.UpperKnown {
		r.IntegralUpper = plus(b.Integral, b.Gaps)
	}
	if b.Beyond > 0 {
		r.Mean = plus(0, b.Sum/b.Beyond.Hours())
	}
	return r
}

func moment(in Input) Moment { return Moment{Wall: in.Reading.At.Wall, Certain: in.WallCertain} }

func span(steps uint64, period time.Duration) time.Duration {
	if period <= 0 {
		return 0
	}
	if steps > uint64(longest/period) {
		return longest
	}
	return time.Duration(steps) * period
}

// more adds durations and stops at mostTime.
func more(a, b time.Duration) time.Duration { return min(a+b, mostTime) }

// plus adds and keeps the sum finite: a state on disk has no way to write infinity, and a sum that does not fit adds nothing.
func plus(a, b float64) float64 {
	if c := a + b; !math.IsInf(c, 0) && !math.IsNaN(c) {
		return c
	}
	return a
}
