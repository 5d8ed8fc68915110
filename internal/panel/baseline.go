package panel

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
	"rillwatch/internal/stats"
)

// Baseline is what is normal for a limit. It is learned when a person says so and then stands still until a person says so again: one that
// followed the readings would learn the leak.
type Baseline struct {
	Limit    string       `json:"limit"`
	Of       string       `json:"of"` // the definition of the point it was learned from
	Learned  bool         `json:"learned,omitempty"`
	Value    float64      `json:"value,omitempty"`   // in the point's unit
	Scatter  float64      `json:"scatter,omitempty"` // standard deviation of the quarter-hours
	Quarters int          `json:"quarters,omitempty"`
	At       reading.Wall `json:"at,omitempty"`
	Certain  bool         `json:"certain,omitempty"` // the clock of At
	Who      string       `json:"who,omitempty"`
	Why      string       `json:"why,omitempty"`
	Told     bool         `json:"missing_told,omitempty"`
}

// History is what learning can draw on for one point: means of quarter-hours of readings that were believed, on line, in fresh sample, at no
// end of the range, outside a start-up, and not while a limit of the point was in alarm. It holds a day.
type History struct {
	Point string       `json:"point"`
	Of    string       `json:"of"`
	Now   int64        `json:"now,omitempty"` // quarter-hours that have passed, watched or not
	Means [][2]float64 `json:"means,omitempty"`
}

// recent is what a process keeps of the quarter-hour that is not over. A start loses it.
type recent struct {
	sum   float64 // value x hours
	good  time.Duration
	value float64 // of the reading before, whose time is still to come
	held  bool
}

// normals is what a process keeps for learning.
type normals struct {
	passed time.Duration // towards the next quarter-hour
	recent []recent      // by History
	points []int         // by History: its point, of this panel or of the site
}

// Refusals of learning.
const (
	NoSuchLimit    = "no_such_limit"
	NothingToLearn = "limit_has_no_normal"
	LimitInAlarm   = "limit_in_alarm"
	TooLittle      = "too_little_data"
	TooUnsteady    = "too_unsteady"
	BeyondBound    = "normal_beyond_bound"
	OutOfReach     = "limit_out_of_reach"
	NoDistance     = "no_distance_from_normal"
)

// steady is by how many standard deviations of the quarter-hours a limit must lie from its normal; nearer, it would stand in what is usual.
// Three: practice takes three for the deadband of an analyser.
const steady = 3

// meanDigits is how many digits of a mean are kept: more than any display of a water panel shows.
const meanDigits = 5

// prepareNormals makes a history for each point that a limit with a baseline is on.
func (pl *Panel) prepareNormals() {
	pl.state.Histories, pl.normals = nil, normals{}
	for i := range pl.p.Limits {
		l := &pl.p.Limits[i]
		if path := pl.s.Points[l.Point].Path; l.Of.Learned() && pl.history(path) == nil {
			pl.state.Histories = append(pl.state.Histories, History{Point: path, Of: pl.made(l.Point)})
			pl.normals.points = append(pl.normals.points, l.Point)
		}
	}
	pl.normals.recent = make([]recent, len(pl.state.Histories))
}

func (pl *Panel) history(path string) *History {
	for k := range pl.state.Histories {
		if pl.state.Histories[k].Point == path {
			return &pl.state.Histories[k]
		}
	}
	return nil
}

func (pl *Panel) baseline(limit string) *Baseline {
	for k := range pl.state.Baselines {
		if pl.state.Baselines[k].Limit == limit {
			return &pl.state.Baselines[k]
		}
	}
	return nil
}

// made says how a point comes about, down to the register: what was learned of one is not of another under the same name.
func (pl *Panel) made(point int) string {
	pt := &pl.s.Points[point]
	out := pl.formula(point) + pt.Path + " " + pt.Unit.Name()
	if pt.Derived() {
		return out
	}
	sn, d := &pl.s.Sensors[pt.Sensor], &pt.Decode
	return out + fmt.Sprintf(" %s %d %s %d %s %s %s %s %t %s", pl.s.Buses[sn.Bus].Name, sn.Station, pt.Table, pt.Addr, d.Type, d.Order,
		strconv.FormatFloat(d.Scale, 'g', -1, 64), strconv.FormatFloat(d.Offset, 'g', -1, 64), d.Invert, pt.Water.Compensation)
}

// restoreNormals takes up what was learned. What was learned of a point that is now made otherwise is lost, and told.
func (pl *Panel) restoreNormals(old State) {
	for _, b := range old.Baselines {
		for i := range pl.p.Limits {
			l := &pl.p.Limits[i]
			if l.Name != b.Limit || !l.Of.Learned() {
				continue
			}
			if b.Of != pl.made(l.Point) {
				if b.Learned {
					pl.tellMissing(i, "point changed")
				}
				continue
			}
			pl.state.Baselines = append(pl.state.Baselines, b)
		}
	}
	for _, h := range old.Histories {
		if now := pl.history(h.Point); now != nil && now.Of == h.Of {
			*now = h
		}
	}
	for i := range pl.p.Limits {
		pl.force(i)
	}
}

// tellMissing tells once that a limit has no baseline, and what it is judged by meanwhile.
func (pl *Panel) tellMissing(i int, cause string) {
	l := &pl.p.Limits[i]
	pl.state.Baselines = append(pl.state.Baselines, Baseline{Limit: l.Name, Of: pl.made(l.Point), Told: true})
	pl.force(i)
	pl.emit(event.Event{Kind: event.BaselineMissing, Priority: site.LowPriority, Alarm: pl.name + "." + l.Name, Point: pl.s.Points[l.Point].Path, Cause: cause, Limit: pl.limitValue(&pl.inForce[i])})
}

// missing tells each limit whose baseline was never learned, with the first step of a process and once for ever.
func (pl *Panel) missing() {
	for i := range pl.p.Limits {
		if l := &pl.p.Limits[i]; l.Of.Learned() && pl.baseline(l.Name) == nil {
			pl.tellMissing(i, "never learned")
		}
	}
}

// gather brings together what may be learned from. unseen is the time since the step before, with that in which nobody watched; known is
// false where nobody knows how long that was, and then what lies before it is of no known age.
func (pl *Panel) gather(unseen time.Duration, known bool) {
	if len(pl.state.Histories) == 0 {
		return
	}
	n := &pl.normals
	n.passed += unseen
	whole := int64(n.passed / site.Quarter)
	n.passed -= time.Duration(whole) * site.Quarter
	for k := range pl.state.Histories {
		h, r := &pl.state.Histories[k], &n.recent[k]
		if !known {
			h.Means = nil
		}
		h.Now += whole
		h.drop()
		pt := n.points[k]
		if m := pl.at(pt); m.Sampled {
			h.take(r, pl.learnable(pt, m.Shown), m.Shown.Value, m.Steps, pl.pointPeriod(pt))
		}
	}
}

// drop forgets what is older than a baseline may look back.
func (h *History) drop() {
	old := 0
	for old < len(h.Means) && float64(h.Now)-h.Means[old][1] > float64(site.LearnMost/site.Quarter) {
		old++
	}
	h.Means = h.Means[old:]
}

// take books the time since the reading before, which belongs to that reading, and closes a quarter-hour of such time when it is full.
func (h *History) take(r *recent, good bool, value float64, steps uint64, period time.Duration) {
	if r.held && steps > 0 && steps <= alarm.SlotsBridged {
		dt := time.Duration(steps) * period
		r.sum, r.good = r.sum+r.value*dt.Hours(), r.good+dt
		if r.good >= site.Quarter {
			if mean, err := strconv.ParseFloat(strconv.FormatFloat(r.sum/r.good.Hours(), 'g', meanDigits, 64), 64); err == nil {
				h.Means = append(h.Means, [2]float64{mean, float64(h.Now)})
			}
			r.sum, r.good = 0, 0
		}
	}
	r.held, r.value = good, value
}

// learnable tells whether a reading may be learned from.
func (pl *Panel) learnable(point int, r reading.Reading) bool {
	if !r.Counts() || r.Bound != reading.Exact || pl.operating() != site.OnLineState {
		return false
	}
	if r.Reason != reading.Believed && r.Reason != reading.FlowUnproven && r.Reason != reading.TimeUncertain {
		return false
	}
	return !pl.troubled(point, alarm.Pending) // what stands in its on-delay is in alarm by and by, and would by then have been learned
}

// inAlarm tells whether a limit of the point is open.
func (pl *Panel) inAlarm(point int) bool { return pl.troubled(point) }

// troubled tells whether a limit of the point is open, or at another stage named.
func (pl *Panel) troubled(point int, or ...alarm.Stage) bool {
	for i := range pl.p.Limits {
		s := pl.state.Alarms[i].Judge.Stage
		if pl.p.Limits[i].Point == point && (s == alarm.Open || s == alarm.Closing || slices.Contains(or, s)) {
			return true
		}
	}
	return false
}

// Learned is what a person who had a baseline learned, or was refused, is told.
type Learned struct {
	Baseline
	Unit    string
	Had     time.Duration // of believed readings ...
	Over    time.Duration // ... in this
	Least   time.Duration
	Before  *Baseline // what it replaces; nil for the first
	Limit   event.LimitValue
	Bound   float64 // in Unit
	Decimal int
	Normal  float64 // Value and Scatter in Unit
	Spread  float64
}

// Learn learns what is normal for a limit from what was seen before, and freezes it. It returns the name of the refusal, or "". The normal is the
// median of the means of quarter-hours, which takes no harm from fewer than half of them.
func (pl *Panel) Learn(in Input, name, who, why string) (Output, Learned, string) {
	pl.begin(in)
	i := pl.alarmAt(name)
	if i == site.None || i >= len(pl.p.Limits) {
		return pl.out, Learned{}, NoSuchLimit
	}
	l := pl.p.Limits[i]
	if !l.Of.Learned() {
		return pl.out, Learned{}, NothingToLearn
	}
	pt := &pl.s.Points[l.Point]
	h := pl.history(pt.Path)
	out := Learned{Unit: l.Unit.Name(), Over: l.Normal.Over, Least: l.Normal.Least, Decimal: pl.decimalsIn(pt, l.Unit), Bound: l.Written}
	var means []float64
	for _, m := range h.Means {
		if float64(h.Now)-m[1] < float64(l.Normal.Over/site.Quarter) {
			means = append(means, m[0])
		}
	}
	out.Had = time.Duration(len(means)) * site.Quarter
	if pl.inAlarm(l.Point) {
		return pl.out, out, LimitInAlarm
	}
	if out.Had < l.Normal.Least {
		return pl.out, out, TooLittle
	}
	middle, err := stats.MiddleOf(means)
	if err != nil { // means are finite, and learn_least is above nought
		panic("panel " + pl.name + ": " + err.Error())
	}
	b := Baseline{Limit: l.Name, Of: pl.made(l.Point), Learned: true, Value: middle.Middle, Scatter: middle.SD, Quarters: middle.N, At: in.Now.Wall, Certain: in.Certain, Who: who, Why: clip(why)}
	at := pl.hang(l, b.Value)
	out.Baseline, out.Limit = b, *pl.limitValue(&at)
	out.Normal, out.Spread = pl.convert(b.Value, pt, l.Unit), b.Scatter*pl.step(pt, l.Unit)
	switch {
	case l.Normal.HasBound && (l.Of == site.AboveNormal && b.Value >= l.Value || l.Of == site.BelowNormal && b.Value <= l.Value):
		return pl.out, out, BeyondBound
	case pl.steps(pt, at.Value) == pl.steps(pt, b.Value): // a share of next to nothing is nothing, and there what is usual is beyond the limit
		return pl.out, out, NoDistance
	case pt.HasFloor && l.Of == site.BelowNormal && at.Value <= pt.Floor, pt.HasCeil && l.Of == site.AboveNormal && at.Value >= pt.Ceiling,
		l.Of == site.BelowNormal && l.Normal.By > 0 && b.Value > 0 && at.Value <= 0:
		return pl.out, out, OutOfReach
	case steady*b.Scatter > math.Abs(at.Value-b.Value):
		return pl.out, out, TooUnsteady
	}
	if before := pl.baseline(l.Name); before == nil {
		pl.state.Baselines = append(pl.state.Baselines, b)
	} else {
		if before.Learned {
			was := *before
			out.Before = &was
		}
		*before = b
	}
	pl.force(i)
	a := &pl.state.Alarms[i]
	a.Judge, a.Excursion = alarm.Judge{}, a.Excursion.Forget() // a delay that ran under another number says nothing under this one
	e := event.Event{Kind: event.BaselineLearned, Priority: site.LowPriority, Alarm: name, Point: pt.Path, Who: who, Why: why, Limit: pl.limitValue(&pl.inForce[i])}
	if out.Before != nil {
		e.Was = strconv.FormatFloat(pl.convert(out.Before.Value, pt, l.Unit), 'f', out.Decimal, 64) + " " + out.Unit
	}
	e.Is = strconv.FormatFloat(out.Normal, 'f', out.Decimal, 64) + " " + out.Unit
	out.Limit = *e.Limit
	pl.emit(e)
	return pl.out, out, ""
}

// steps is a value in whole steps of the display.
func (pl *Panel) steps(pt *site.Point, v float64) float64 {
	if pt.Resolution > 0 {
		return math.Round(v / pt.Resolution)
	}
	return v
}

// usual is what was learned to be normal for a point, in its unit, by the first limit of it that has a baseline; 0 where none has.
func (pl *Panel) usual(point int) float64 {
	for i := range pl.p.Limits {
		if l := &pl.p.Limits[i]; l.Point == point && l.Of.Learned() {
			if b := pl.baseline(l.Name); b != nil && b.Learned {
				return b.Value
			}
		}
	}
	return 0
}

// normalOf gives what was learned for a limit, for an event; nil where nothing was, or nothing can be.
func (pl *Panel) normalOf(l *site.Limit) *event.Normal {
	b := pl.baseline(l.Name)
	if !l.Of.Learned() || b == nil || !b.Learned {
		return nil
	}
	pt := &pl.s.Points[l.Point]
	d := pl.decimalsIn(pt, l.Unit)
	n := &event.Normal{Value: rounded(pl.convert(b.Value, pt, l.Unit), d), Scatter: rounded(b.Scatter*pl.step(pt, l.Unit), d+1), Quarters: b.Quarters, Distance: l.Normal.Written, Who: b.Who, Why: b.Why}
	if b.Certain {
		n.At = b.At
	}
	if l.Normal.HasBound {
		for i := range pl.p.Limits {
			n.Bound = n.Bound || pl.p.Limits[i].Name == l.Name && pl.p.Limits[i].Value == l.Value
		}
	}
	return n
}
