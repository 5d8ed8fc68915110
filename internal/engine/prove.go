package engine

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// ProofsRow is the name of the state row that holds the proofs. No panel's name begins so.
const ProofsRow = "/proofs"

// proofLooksKept are the last looks kept of one point: two that prove it and what came after.
const proofLooksKept = 4

// Prove says what a device's display shows for a point now, in the point's unit. It is compared with what is read.
type Prove struct {
	Point     string
	Shown     float64
	Step      float64 // what the display's last digit is worth
	Tolerance float64 // how far the two may differ besides, as for a value that moves
}

func (Prove) verb() string { return "prove" }

// NothingToCompare is the refusal of a proof of a point that has no exact value now.
const NothingToCompare Refusal = "nothing_to_compare"

// ProofLook is one comparison of a display with what was read.
type ProofLook struct {
	Shown     float64      `json:"shown"`
	Step      float64      `json:"step"`
	Read      float64      `json:"read"`
	Allowed   float64      `json:"allowed"`             // the most by which they may differ
	Tolerance float64      `json:"tolerance,omitempty"` // what of it was stated
	Within    bool         `json:"within"`
	Who       string       `json:"who"`
	Why       string       `json:"why,omitempty"`
	At        reading.Wall `json:"at"`
	Certain   bool         `json:"clock_certain"`
}

// Proof is what is known of one point's map line.
type Proof struct {
	Point string      `json:"point"` // its path
	Map   string      `json:"map"`   // site.Site.MapHash of the line it was proven with
	Unit  string      `json:"unit"`
	Looks []ProofLook `json:"looks"` // oldest first
}

// ProofStanding is how far a map line is proven. The zero ProofStanding is not at all.
type ProofStanding uint8

// Standings.
const (
	NotProven   ProofStanding = iota
	MapChanged                // it was, with another map line
	Disagrees                 // the last look was not within
	OneValue                  // one value agrees, which proves no scale
	ProvenTwice               // two different values agree
)

var standingNames = [...]string{"not_proven", "map_changed", "disagrees", "one_value", "proven"}

func (p ProofStanding) String() string { return standingNames[int(p)%len(standingNames)] }

// toleranceShare is how many times the tolerance two values must lie apart to prove a scale: both ends may be wrong by it, so a tenth leaves the
// scale known to a fifth. Judgement.
const toleranceShare = 10

// Compare is one look: the display and the reading may differ by half of each one's last step, and by the tolerance. The reading's step is that of
// its register, not the one it is judged in: a float has none but its last bit (IEEE 754, binary32).
func Compare(pt *site.Point, read float64, do Prove) ProofLook {
	k := ProofLook{Shown: do.Shown, Step: do.Step, Tolerance: do.Tolerance, Read: read}
	if pt.Decode.Type != site.Bit {
		k.Allowed = do.Step/2 + registerStep(pt.Decode, read)/2 + do.Tolerance
	}
	k.Within = math.Abs(read-do.Shown) <= k.Allowed*(1+1e-9)
	return k
}

// registerStep is what the last bit of a register is worth at a value.
func registerStep(d site.Decode, v float64) float64 {
	switch d.Type {
	case site.Int16, site.Uint16, site.Int32, site.Uint32:
		return math.Abs(d.Scale)
	case site.Float32:
		return math.Abs(v) * 0x1p-23
	}
	return 0
}

// apart tells whether two looks that agree were at two values: the display moved and the reading with it, each by more than both looks were
// allowed to be wrong, and by so much that the tolerances leave a scale to be proven.
func apart(a, b ProofLook) bool {
	least := a.Allowed + b.Allowed
	least = max(least*(1+1e-9), toleranceShare*max(a.Tolerance, b.Tolerance)*(1-1e-9))
	return math.Abs(a.Shown-b.Shown) > least && math.Abs(a.Read-b.Read) > least
}

// AddProof puts a look behind those of its point. What was proven with another map line is given up. The slice given is not changed.
func AddProof(all []Proof, point, hash, unit string, k ProofLook) []Proof {
	out := make([]Proof, 0, len(all)+1)
	at := -1
	for _, p := range all {
		if p.Point == point {
			at = len(out)
		}
		if p.Point > point && at < 0 {
			at = len(out)
			out = append(out, Proof{Point: point})
		}
		out = append(out, p)
	}
	if at < 0 {
		at = len(out)
		out = append(out, Proof{Point: point})
	}
	p := &out[at]
	looks := append([]ProofLook(nil), p.Looks...)
	if p.Map != hash {
		looks = nil
	}
	looks = append(looks, k)
	if over := len(looks) - proofLooksKept; over > 0 {
		looks = looks[over:]
	}
	*p = Proof{Point: point, Map: hash, Unit: unit, Looks: looks}
	return out
}

// Standing is how far a proof goes for a map line. by is the look that made it so; zero where there is none.
func (p Proof) Standing(hash string) (st ProofStanding, by ProofLook) {
	n := len(p.Looks)
	if n == 0 {
		return NotProven, by
	}
	last := p.Looks[n-1]
	switch {
	case p.Map != hash:
		return MapChanged, last
	case !last.Within:
		return Disagrees, last
	}
	for i := n - 2; i >= 0 && p.Looks[i].Within; i-- {
		if apart(p.Looks[i], last) {
			return ProvenTwice, last
		}
	}
	return OneValue, last
}

// ProofOf finds the proof of a point among all.
func ProofOf(all []Proof, point string) Proof {
	for _, p := range all {
		if p.Point == point {
			return p
		}
	}
	return Proof{}
}

// FormatProofs gives the row that holds the proofs, and ParseProofs reads it; no row is no proof.
func FormatProofs(all []Proof) []byte {
	raw, err := json.Marshal(all)
	if err != nil {
		panic("proofs: " + err.Error()) // every number in them is finite
	}
	return raw
}

// ParseProofs reads what FormatProofs gives.
func ParseProofs(raw []byte) (all []Proof, err error) {
	if len(raw) == 0 {
		return nil, nil
	}
	err = json.Unmarshal(raw, &all)
	return all, err
}

// prove compares what a display shows with what is read, keeps it and puts it on record.
func (e *Engine) prove(in Command, do Prove, o *Outcome) Reply {
	no := func(why Refusal, words string) Reply { return Reply{in.ID, why, words} }
	i := site.None
	for k := range e.s.Points {
		if e.s.Points[k].Path == do.Point && !e.s.Points[k].Derived() {
			i = k
		}
	}
	if i == site.None {
		return no(NoSuchPoint, "there is no point named "+do.Point+" that is read from a device")
	}
	for _, v := range []float64{do.Shown, do.Step, do.Tolerance} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return no(ValueNotPossible, "what a display shows is a number")
		}
	}
	if do.Step < 0 || do.Tolerance < 0 {
		return no(ValueNotPossible, "a step and a tolerance are not below 0")
	}
	p := &e.s.Points[i]
	r := e.readingOf(i)
	if !r.HasValue() || r.Bound != reading.Exact {
		return no(NothingToCompare, do.Point+" has no exact value to compare with now: "+r.Reason.Row().Words)
	}
	k := Compare(p, r.Value, do)
	k.Who, k.Why, k.At, k.Certain = in.Who, in.Why, in.At.Wall, e.certain
	hash := e.s.MapHash(i)
	e.proofs = AddProof(e.proofs, do.Point, hash, p.Unit.Name(), k)
	st, _ := ProofOf(e.proofs, do.Point).Standing(hash)
	panel := ""
	if p.Panel != site.None {
		panel = e.s.Panels[p.Panel].Name
	}
	number := func(v float64) string { return Decimal(v, min(p.Resolution, max(do.Step, 1e-6))) }
	words := fmt.Sprintf("%s reads %s and the display shows %s: %s", do.Point, Decimal(r.Value, p.Resolution), strings.TrimSpace(number(do.Shown)+" "+p.Unit.Display()), ProofWords(k, st))
	e.emit(o, event.Event{Kind: event.PointCompared, Priority: site.LowPriority, Panel: panel, Point: do.Point, Who: in.Who, Why: in.Why, Cause: st.String(), Was: number(do.Shown), Is: Decimal(r.Value, p.Resolution)})
	return Reply{in.ID, NotRefused, words}
}

// Differ stands in the words of a look that does not agree, and in no others.
const Differ = "they differ"

// ProofWords says what a look came to.
func ProofWords(k ProofLook, st ProofStanding) string {
	switch {
	case !k.Within:
		return fmt.Sprintf(Differ+" by %.4g, and %.4g is allowed; the map line is not right, or the value moved", math.Abs(k.Read-k.Shown), k.Allowed)
	case st == ProvenTwice:
		return "proven by two values"
	case k.Tolerance > 0:
		return fmt.Sprintf("they agree; one value proves no scale, so compare again when both show another, by more than %.4g: ten times the tolerance, and more than was allowed", max(toleranceShare*k.Tolerance, 2*k.Allowed))
	}
	return "they agree; one value proves no scale, so compare again when it shows another"
}

// readingOf is a point's reading as it stands in the View.
func (e *Engine) readingOf(point int) reading.Reading {
	for _, v := range e.view.Free {
		if v.Point == point {
			return v.Reading
		}
	}
	for _, p := range e.view.Panels {
		if p == nil {
			continue
		}
		for _, v := range p.Points {
			if v.Point == point {
				return v.Reading
			}
		}
	}
	return reading.Reading{}
}
