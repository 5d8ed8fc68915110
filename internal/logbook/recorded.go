package logbook

import (
	"math"
	"slices"
	"time"

	"rillwatch/internal/panel/validate"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Recorded is one reading as it stands in the logbook, with what it meant when it was judged.
type Recorded struct {
	Path       string
	Quantity   string
	Unit       string
	Resolution float64 // step of the display, in Unit

	Boot    uint32        // ordinal of the process start it belongs to
	Slot    uint64        // place on the poll grid since then
	Up      time.Duration // time since then, on the grid
	At      reading.Wall  // the wall clock of that moment, by the table of boots as it is now
	Certain bool          // that wall clock is certain

	Raw        uint64 // the word before scaling, as reading.Sample has it; 0 unless Fault is Answered
	Fault      reading.Fault
	Reason     reading.Reason // as it was judged; Unknown where this program has no reason of that name
	FaultName  string
	ReasonName string

	Value float64 // in Unit, as it was judged; 0 where the reason's quality is bad
	Bound reading.Bound
	Entry *Entry // what the dictionary says of the point: decode, scale, offset
}

// HasValue tells whether Value means anything.
func (r *Recorded) HasValue() bool { return r.Reason.Quality() != reading.Bad }

// wall is the wall clock of a moment of this boot: the sum that makes re-stamping one row.
func (r *BootRow) wall(up time.Duration) reading.Wall { return r.WallAtZero + reading.Wall(up) }

// judge turns raw words of one dictionary entry into values as the daemon judged them. It uses the very step that judged them
// first, on what the dictionary kept of the point.
type judge struct {
	point   site.Point
	measure bool    // the entry is of a measured point this program can decode
	by      float64 // what a whole number is divided by; 0: it is multiplied by the scale
	ends    bool    // the entry says whether there is a ceiling or a floor
}

func newJudge(e *Entry) judge {
	j := judge{ends: e.Floor != nil || e.Ceiling != nil}
	var order bool
	j.point.Decode.Type, j.measure = site.ParseType(e.Type)
	j.point.Decode.Order, order = site.ParseOrder(e.Order)
	_ = order // the order of words is undone in a raw; an unknown one costs nothing here
	j.point.Decode.Scale, j.point.Decode.Offset = e.Scale, e.Offset
	j.point.Decode.Invert, j.point.Decode.NoValue = e.Invert, e.NoValue
	if by := math.Round(1 / e.Scale); math.Abs(by) > 1 && !math.IsInf(by, 0) && 1/by == e.Scale {
		j.by = by
	}
	if e.Floor != nil {
		j.point.Floor, j.point.HasFloor = *e.Floor, true
	}
	if e.Ceiling != nil {
		j.point.Ceiling, j.point.HasCeil = *e.Ceiling, true
	}
	return j
}

// value gives the value and its bound; both are zero where why has none. Entries older than their own floor and ceiling tell the
// bound by the reason alone, and then the value is what the device said.
func (j *judge) value(raw uint64, fault reading.Fault, why reading.Reason) (float64, reading.Bound) {
	if !j.measure || fault != reading.Answered || why.Quality() == reading.Bad {
		return 0, reading.Exact
	}
	if why == reading.Believed && j.plain() {
		return j.scaled(float64(int64(raw))), reading.Exact
	}
	_, out := validate.Step(&j.point, 0, validate.State{}, validate.Input{Raw: raw, Fault: reading.Answered})
	r := out.Reading
	if !j.ends {
		switch why {
		case reading.AboveCeiling:
			r.Bound = reading.Above
		case reading.BelowDetection:
			r.Bound = reading.Below
		}
	}
	return r.Value, r.Bound
}

// scaled is what decode makes of a whole number: by a division where the scale is one over a whole number. A test holds the two together.
func (j *judge) scaled(x float64) float64 {
	if j.by != 0 {
		return x/j.by + j.point.Decode.Offset
	}
	return float64(x*j.point.Decode.Scale) + j.point.Decode.Offset
}

// plainValues is value for many believed raws of a plain entry.
func (j *judge) plainValues(dst []float64, raws []uint64) []float64 {
	dst = slices.Grow(dst, len(raws))
	for _, r := range raws {
		dst = append(dst, j.scaled(float64(int64(r))))
	}
	return dst
}
