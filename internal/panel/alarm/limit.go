package alarm

import (
	"fmt"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// SlotsBridged is how many poll slots two readings may lie apart for the time between them to count as seen. Three: one lost
// answer and its retry are everyday on a serial line; practice gives "do not bridge gaps of more than 3 polls".
const SlotsBridged = 3

// lagsToClear is how many times the water in the line must have been renewed before a clear value is believed to be the
// boiler's own: with a mixed line three volumes leave about 5 % (exp -3) of the old water.
const lagsToClear = 3

// longest bounds every single span of time that is added or waited for: ten years of a point that is polled once and then
// again. It keeps sums of durations (292 years at most) from wrapping.
const longest = 10 * 365 * 24 * time.Hour

// Stage is where the judgement of one limit stands. The zero Stage is Clear.
type Stage uint8

// Stages.
const (
	Clear   Stage = iota // not beyond, or not yet seen to be
	Pending              // beyond; the on-delay runs
	Open                 // in alarm
	Closing              // in alarm; the closing runs
	stageCount
)

var stageNames = [stageCount]string{"clear", "pending", "open", "closing"}

func (s Stage) String() string { return stageNames[s%stageCount] }

// MarshalText gives the stage's name, which is what is kept on disk.
func (s Stage) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a stage's name.
func (s *Stage) UnmarshalText(b []byte) error {
	for i, n := range stageNames {
		if n == string(b) {
			*s = Stage(i)
			return nil
		}
	}
	return fmt.Errorf("stage of a limit %q is not known", b)
}

// Last says what the time since the last reading counts as for a running delay. The zero Last is Unseen.
type Last uint8

// What the last reading was.
const (
	Unseen    Last = iota // it did not count, or did not decide this limit
	Seen                  // it counted, on the side the delay runs for
	Suspended             // the boiler was off line
	lastCount
)

var lastNames = [lastCount]string{"unseen", "seen", "suspended"}

func (l Last) String() string { return lastNames[l%lastCount] }

// MarshalText gives the name, which is what is kept on disk.
func (l Last) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads the name.
func (l *Last) UnmarshalText(b []byte) error {
	for i, n := range lastNames {
		if n == string(b) {
			*l = Last(i)
			return nil
		}
	}
	return fmt.Errorf("last reading of a limit %q is not known", b)
}

// Judge is what is kept of one limit between two readings. Only a running delay needs more than the stage, so a limit that
// stands still never changes on disk. The zero Judge is clear.
type Judge struct {
	Stage Stage         `json:"stage,omitempty"`
	Run   time.Duration `json:"run_ns,omitempty"`   // seen time of the running delay
	Blind time.Duration `json:"blind_ns,omitempty"` // Pending only: unknown time since the last reading beyond
	Need  time.Duration `json:"need_ns,omitempty"`  // the closing time: while Closing as fixed at its first clear reading, while Pending as it was when that began
	Last  Last          `json:"last,omitempty"`
}

// Judged is one reading on its way into the judgement.
type Judged struct {
	Reading reading.Reading
	Steps   uint64        // poll slots since this point's previous reading in this process; 0: the first
	Period  time.Duration // one slot of this point
	OnLine  bool          // the boiler is fed
	Wait    bool          // the boiler has just gone on line: the on-delay runs, but nothing opens yet
	Lag     time.Duration // lead volume over present flow
	Away    time.Duration // with Steps 0: how long the daemon was away, 0 when nobody knows; blind time of a pending on-delay
}

// Edge is what a reading changed. The zero Edge is nothing.
type Edge uint8

// Edges. Where a delay is 0, Began and Opened, or Clearing and Closed, fall on one reading and the later is given. Began may
// follow Began without Dropped between them: the blind time forgot the first, and this reading is the start of another.
const (
	NoEdge   Edge = iota
	Began         // the on-delay started with this reading
	Dropped       // the on-delay was given up
	Opened        // the on-delay is over
	Clearing      // the closing started with this reading
	Broken        // the closing was given up; still open
	Closed        // the closing is over
	edgeCount
)

var edgeNames = [edgeCount]string{"none", "began", "dropped", "opened", "clearing", "broken", "closed"}

func (e Edge) String() string { return edgeNames[e%edgeCount] }

// StepLimit takes one reading into the judgement of a limit.
//
// The time between two polls belongs to the reading it starts with. A delay runs on time that starts with a counting
// reading on its own side and is at most SlotsBridged slots long; everything else pauses it, and any counting reading
// on another side starts it again. It is over at the first counting reading still on its side at which it has reached its
// length. The closing is the larger of the off-delay and three lags, fixed at its first clear reading. A pending on-delay is
// dropped when more unknown time than the closing time has passed since a reading beyond: in so long a time a whole
// closing could have gone by unseen.
func StepLimit(l *site.Limit, resolution float64, j Judge, in Judged) (Judge, Edge) {
	j = j.pass(in)
	edge := NoEdge
	if j.Stage == Pending && j.Blind > j.Need {
		j, edge = Judge{}, Dropped
	}
	beyond, clear, decides := l.Places(resolution, in.Reading)
	if !in.OnLine || !decides {
		return j.pause(in.OnLine), edge
	}

	switch j.Stage {
	case Clear:
		switch {
		case !beyond:
			return Judge{}, edge
		case l.OnDelay <= 0 && !in.Wait:
			return Judge{Stage: Open}, Opened
		}
		return Judge{Stage: Pending, Last: Seen, Need: closing(l, in.Lag)}, Began

	case Pending:
		switch {
		case !beyond:
			return Judge{}, Dropped
		case j.Run >= l.OnDelay && !in.Wait:
			return Judge{Stage: Open}, Opened
		}
		j.Last, j.Blind = Seen, 0
		return j, NoEdge

	case Closing:
		switch {
		case !clear:
			return Judge{Stage: Open}, Broken
		case j.Run >= j.Need:
			return Judge{}, Closed
		}
		j.Last = Seen
		return j, NoEdge
	}

	// Open.
	need := closing(l, in.Lag)
	switch {
	case !clear:
		return Judge{Stage: Open}, NoEdge
	case need <= 0:
		return Judge{}, Closed
	}
	return Judge{Stage: Closing, Last: Seen, Need: need}, Clearing
}

// pass books the time since the reading before.
func (j Judge) pass(in Judged) Judge {
	if j.Stage != Pending && j.Stage != Closing {
		return j
	}
	blind := time.Duration(0)
	switch dt := span(in.Steps, in.Period); {
	case in.Steps == 0:
		blind = min(max(in.Away, 0), longest)
	case j.Last == Suspended:
	case j.Last == Unseen || in.Steps > SlotsBridged:
		blind = dt
	default:
		j.Run += dt
	}
	if j.Stage == Pending {
		j.Blind += blind
	}
	return j
}

// pause notes that a running delay stands still from here on.
func (j Judge) pause(onLine bool) Judge {
	if j.Stage != Pending && j.Stage != Closing {
		return j
	}
	j.Last = Unseen
	if !onLine {
		j.Last = Suspended
	}
	return j
}

// closing is the time a limit must be seen clear: the larger of its off-delay and three lags.
func closing(l *site.Limit, lag time.Duration) time.Duration {
	return max(l.OffDelay, lagsToClear*min(max(lag, 0), longest/lagsToClear), 0)
}

func span(steps uint64, period time.Duration) time.Duration {
	if period <= 0 {
		return 0
	}
	if steps > uint64(longest/period) {
		return longest
	}
	return time.Duration(steps) * period
}
