package panel

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// OnLine is whether the boiler is being fed.
type OnLine struct {
	Known bool   `json:"known,omitempty"`
	Off   bool   `json:"off,omitempty"`   // never known counts as on line
	Point string `json:"point,omitempty"` // what said so: another point, or none, knows nothing of it
	Told  bool   `json:"not_known_told,omitempty"`

	Said Said `json:"said,omitzero"` // by a person, which goes before the point while it lasts

	// Counts from the start of a process: what cannot be read is told a few seconds later then.
	Blind time.Duration `json:"-"`
	// StartUp is what is left of the time after going on line in which no limit of the chemistry opens. It silences, so it ends with the process.
	StartUp time.Duration `json:"-"`
}

// IsZero tells whether there is nothing to keep on disk.
func (o OnLine) IsZero() bool {
	o.Blind, o.StartUp = 0, 0
	return o == OnLine{}
}

// Said is a command that says whether the boiler is fed. It ends at the earliest of the time seen, the wall clock and the process.
type Said struct {
	Active bool         `json:"active,omitempty"`
	Off    bool         `json:"off,omitempty"`
	Who    string       `json:"who,omitempty"`
	Why    string       `json:"why,omitempty"`
	Until  reading.Wall `json:"until,omitempty"`

	Left    time.Duration `json:"-"`
	Dry     bool          `json:"-"` // while off: the flow has stopped since
	Flowing time.Duration `json:"-"` // and how long it has flowed again
	Told    bool          `json:"-"` // that it flows again
}

const (
	// SaidMost is how long a command may say whether a boiler is fed: a holiday. What lasts longer is said again, by somebody who looked.
	SaidMost  = 7 * 24 * time.Hour
	saidLeast = time.Minute
	// flowsAgain is how long the sample must flow again before somebody is told: a grab sample or a leak of a minute is nothing. Judgement.
	flowsAgain = 2 * time.Minute
)

// BadSpan refuses a length of time outside its bounds.
const BadSpan = "bad_span"

// off tells whether the boiler counts as off line: what a person says goes before what the point says.
func (o OnLine) off() bool {
	if o.Said.Active {
		return o.Said.Off
	}
	return o.Off
}

// from says whose word it is: "command", "point" or "assumed".
func (o OnLine) from() string {
	switch {
	case o.Said.Active:
		return "command"
	case o.Known:
		return "point"
	}
	return "assumed"
}

// word is the state that the point last gave.
func (o OnLine) word() string {
	if o.Off {
		return "off line"
	}
	return "on line"
}

// onLine keeps whether the boiler is fed. While that cannot be read the last state holds, and is told to hold: off line silences chemistry.
func (pl *Panel) onLine(in Input, since time.Duration) {
	st := &pl.state.OnLine
	st.StartUp = max(0, st.StartUp-since)
	was := st.off()
	pl.onLinePoint(since)
	pl.said(in, since)
	if was && !st.off() {
		st.StartUp = pl.p.StartUp
	}
}

func (pl *Panel) onLinePoint(since time.Duration) {
	if pl.p.OnLine == site.None {
		return
	}
	r := pl.at(pl.p.OnLine).Own
	st := &pl.state.OnLine
	if !r.HasValue() {
		// a silent station is told as that, and its message says that what stood still stands
		if st.Blind += since; st.Blind > max(10*time.Second, 3*pl.periodOf(pl.p.OnLine)) && !st.Told && (r.Reason != reading.Silent || st.Off) {
			st.Told = true
			pl.emit(event.Event{Kind: event.OnLineNotKnown, Priority: site.MediumPriority, Point: pl.s.Points[pl.p.OnLine].Path, Cause: st.word(), Why: r.Reason.String()})
		}
		return
	}
	if st.Blind = 0; st.Told {
		st.Told = false
		pl.emit(event.Event{Kind: event.OnLineKnown, Priority: site.LowPriority, Point: pl.s.Points[pl.p.OnLine].Path})
	}
	off := r.Value == 0
	if st.Known && st.Off == off {
		return
	}
	fed := st.Known && st.Off && !off
	st.Known, st.Off, st.Point = true, off, pl.s.Points[pl.p.OnLine].Path
	kind := event.OnLine
	if off {
		kind = event.OffLine
	}
	pl.emit(event.Event{Kind: kind, Priority: site.LowPriority, Point: st.Point})
	if fed {
		pl.fedAgain("signal")
	}
}

// said runs what a person said to its end, and minds the sample that flows again before it.
func (pl *Panel) said(in Input, since time.Duration) {
	s := &pl.state.OnLine.Said
	if !s.Active {
		return
	}
	s.Left -= since
	if s.Left <= 0 || in.Certain && s.Until != 0 && in.Now.Wall >= s.Until {
		pl.saidOver("time")
		return
	}
	f := pl.p.Line.Flow
	if !s.Off || !pl.p.Line.Configured || f == site.None {
		return
	}
	r := pl.proof(f).Own
	switch {
	case !r.HasValue():
	case r.Bound == reading.Below || pl.millilitres(r) <= 0:
		s.Dry, s.Flowing = true, 0
	case s.Dry:
		if s.Flowing += since; s.Flowing >= flowsAgain {
			pl.fedAgain("flow")
		}
	}
}

// fedAgain tells once that something speaks against "off line", which a person said and which silences.
func (pl *Panel) fedAgain(by string) {
	s := &pl.state.OnLine.Said
	if !s.Active || !s.Off || s.Told {
		return
	}
	s.Told = true
	pl.emit(event.Event{Kind: event.FedWhileOffLine, Priority: site.MediumPriority, Cause: by, Who: s.Who, Why: s.Why, Trust: pl.trust()})
}

// saidOver ends what a person said and tells what holds from now on.
func (pl *Panel) saidOver(cause string) {
	s := pl.state.OnLine.Said
	pl.state.OnLine.Said = Said{}
	e := event.Event{Kind: event.SaidOver, Priority: site.LowPriority, Who: s.Who, Why: s.Why, Cause: cause, Was: "on line", Is: "on line"}
	if s.Off {
		e.Was = "off line"
	}
	if pl.state.OnLine.off() {
		e.Is = "off line"
	}
	if pl.p.OnLine != site.None {
		e.Point = pl.s.Points[pl.p.OnLine].Path
	}
	pl.emit(e)
}

// SetOnLine takes a person's word that the boiler is fed or not, for so long. It returns the name of the refusal, or "". A later word replaces
// an earlier one, its end included.
func (pl *Panel) SetOnLine(in Input, on bool, long time.Duration, who, why string) (Output, string) {
	pl.begin(in)
	if long < saidLeast || long > SaidMost {
		return pl.out, BadSpan
	}
	was := pl.state.OnLine.off()
	s := Said{Active: true, Off: !on, Who: who, Why: clip(why), Left: long}
	if in.Certain {
		s.Until = in.Now.Wall + reading.Wall(long)
	}
	pl.state.OnLine.Said = s
	if was && on {
		pl.state.OnLine.StartUp = pl.p.StartUp
	}
	e := event.Event{Kind: event.OnLine, Priority: site.LowPriority, Who: who, Why: why, Cause: "command", Lasted: long}
	if !on {
		e.Kind = event.OffLine
	}
	pl.emit(e)
	return pl.out, ""
}
