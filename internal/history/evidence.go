package history

import (
	"context"
	"fmt"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// around is how far before and after the moment evidence goes: a line's lag and an off-delay are minutes, and a feed pulse fits in.
	around = 30 * time.Minute
	// lookBack is how far back the opening of the valve is looked for: a day of flow and valve is some 200,000 readings, a second's work.
	lookBack = 24 * time.Hour
	// stands is how many periods a reading stands for what came after it, as in the judgement of the line.
	stands = 3

	minutes = int(2*around/time.Minute) + 1 // the last one before the beginning, so that the first line has a reading
)

// Answer says whether the sensor stood in flowing water.
type Answer string

// Answers.
const (
	NotKnown Answer = "not_known" // the zero answer of the text as well
	Yes      Answer = "yes"
	No       Answer = "no"
)

// Found is the evidence around a moment of one point.
type Found struct {
	Answer   Answer
	Sentence string // answers "did the sensor see flow?" by itself

	site    *site.Site
	panel   *site.Panel
	point   *site.Point
	at      time.Time
	points  []*site.Point // measured ones, the asked one first, then those that say whether water flowed
	moment  []seen        // by points: the last reading at or before the moment
	minutes [minutes]minute
	water   Water // at the moment
	gaps    []Gap
}

// seen is one reading, or none.
type seen struct {
	Row
	any bool
}

// minute is what a minute held, by points. It ends with its To.
type minute struct {
	to     time.Time
	points []bucket
	water  Water
	any    bool // the flow was read within it
}

type bucket struct {
	last     seen
	n        int
	values   int
	min, max float64
	reasons  map[string]int
}

// Evidence gathers what the panel of a point recorded in the half hours before and after a moment. Which of its points is the flow, and which
// says that the valve is closed, is known from the site as it is configured now. The error is a *Wrong for a point that has no panel.
func Evidence(ctx context.Context, src Source, s *site.Site, path string, at time.Time) (*Found, error) {
	f := &Found{Answer: NotKnown, site: s, at: at}
	for i := range s.Points {
		if s.Points[i].Path == path {
			f.point = &s.Points[i]
		}
	}
	switch {
	case f.point == nil:
		return nil, &Wrong{"point", fmt.Sprintf("there is no point %q; write it as in the readings, such as b2.rack.oxygen", path)}
	case f.point.Panel == site.None:
		return nil, &Wrong{"point", fmt.Sprintf("%s is of the site and stands in no sample stream", path)}
	case at.IsZero():
		return nil, &Wrong{"time", "evidence is of one moment"}
	}
	f.panel = &s.Panels[f.point.Panel]
	f.gather()

	flow, valve := f.roles()
	w := meter{flow: pathOf(s, flow), valve: pathOf(s, valve), Water: Water{Metered: flow != site.None}}
	if flow != site.None {
		w.hold = stands * s.Sensors[s.Points[flow].Sensor].Period
		w.unit = s.Points[flow].Unit
	}
	start := at.Add(-around - time.Minute)
	if paths := trimmed(w.flow, w.valve); len(paths) > 0 {
		err := src.Readings(ctx, Span{start.Add(-lookBack), start}, paths, func(r Row) error { w.take(&r); return nil })
		if err != nil {
			return nil, err
		}
	}
	index := map[string]int{}
	paths := make([]string, len(f.points))
	for i, p := range f.points {
		index[p.Path], paths[i] = i, p.Path
	}
	for m := range f.minutes {
		f.minutes[m].to = start.Add(time.Duration(m+1) * time.Minute)
		f.minutes[m].points = make([]bucket, len(f.points))
	}
	f.moment = make([]seen, len(f.points))
	f.water = w.Water
	end := at.Add(around + time.Nanosecond) // what was read at the end itself is in it
	err := src.Readings(ctx, Span{start, end}, paths, func(r Row) error {
		w.take(&r)
		f.take(index[r.Path], &r, w.Water, r.Path == w.flow)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if f.gaps, err = src.Gaps(ctx, Span{start, end}); err != nil {
		return nil, err
	}
	f.answer()
	return f, nil
}

// gather lists the measured points of the panel, the asked one first, then flow, temperature and valve, also where they are of the site.
func (f *Found) gather() {
	flow, valve := f.roles()
	have := map[int]bool{}
	add := func(i int) {
		if i == site.None || have[i] || f.site.Points[i].Derived() {
			return
		}
		have[i] = true
		f.points = append(f.points, &f.site.Points[i])
	}
	for i := range f.site.Points {
		if &f.site.Points[i] == f.point {
			add(i)
		}
	}
	add(flow)
	add(f.temperature())
	add(valve)
	for _, i := range f.panel.Points {
		add(i)
	}
}

// roles are the points that say whether water flowed; site.None where the panel has none.
func (f *Found) roles() (flow, valve int) {
	flow, valve = site.None, site.None
	if f.panel.Line.Configured {
		flow = f.panel.Line.Flow
	}
	if f.panel.Interlock.Configured {
		valve = f.panel.Interlock.ValveClosed
	}
	return flow, valve
}

// temperature is the sample's: the interlock's, else the panel's only one.
func (f *Found) temperature() int {
	if f.panel.Interlock.Configured {
		return f.panel.Interlock.Temperature
	}
	only := site.None
	for _, i := range f.panel.Points {
		if p := &f.site.Points[i]; !p.Derived() && p.Quantity == quantity.Temperature {
			if only != site.None {
				return site.None
			}
			only = i
		}
	}
	return only
}

func pathOf(s *site.Site, point int) string {
	if point == site.None {
		return ""
	}
	return s.Points[point].Path
}

func trimmed(paths ...string) []string {
	var all []string
	for _, p := range paths {
		if p != "" {
			all = append(all, p)
		}
	}
	return all
}

// take puts one reading into its minute.
func (f *Found) take(point int, r *Row, w Water, metered bool) {
	at := r.At.Time()
	if !at.After(f.at) {
		f.moment[point] = seen{*r, true}
		f.water = w
	}
	// a reading at the very end of a minute belongs to it
	m := int((at.Sub(f.minutes[0].to) + time.Minute - 1) / time.Minute)
	if m < 0 || m >= minutes {
		return
	}
	b := &f.minutes[m].points[point]
	b.last = seen{*r, true}
	b.n++
	if b.reasons == nil {
		b.reasons = map[string]int{}
	}
	b.reasons[r.Why]++
	if r.HasValue() {
		if b.values == 0 {
			b.min, b.max = r.Value, r.Value
		}
		b.values++
		b.min, b.max = min(b.min, r.Value), max(b.max, r.Value)
	}
	f.minutes[m].water = w
	f.minutes[m].any = f.minutes[m].any || metered
}

// at gives the last reading of a point at the moment, none where it no longer stood for it.
func (f *Found) standing(point int) (*Row, bool) {
	if point == site.None {
		return nil, false
	}
	for i, p := range f.points {
		if p == &f.site.Points[point] {
			m := &f.moment[i]
			return &m.Row, m.any && f.at.Sub(m.At.Time()) <= stands*f.site.Sensors[p.Sensor].Period
		}
	}
	return nil, false
}

// Water is what flowed since the sample valve opened or, without a position switch, since the flow began.
type Water struct {
	Metered bool // there is a flow meter
	Litres  float64
	Since   reading.Wall // the opening, or the first reading looked at; 0: nothing was read
	Opened  bool         // Since is an opening that was seen
	AtLeast bool         // a part of the time was not metered
	Closed  bool         // the valve is closed, or without a switch the flow has stopped
}

// meter adds up the flow. It bridges no stretch longer than three periods, and none across a start of the daemon.
type meter struct {
	Water
	flow, valve string
	unit        quantity.Unit
	hold        time.Duration

	rate  float64 // mL/min, of the last reading of the flow
	known bool
	up    time.Duration
	boot  uint32
}

var perMinute, _ = quantity.ParseUnit("mL/min", quantity.Flow)

func (w *meter) take(r *Row) {
	switch r.Path {
	case w.valve:
		if !r.HasValue() {
			return // its last word stands
		}
		closed := r.Value != 0
		if w.Closed && !closed {
			w.open(r.At)
		}
		w.Closed = closed
	case w.flow:
		w.step(r)
	}
}

func (w *meter) open(at reading.Wall) {
	w.Litres, w.Since, w.Opened, w.AtLeast = 0, at, true, false
}

func (w *meter) step(r *Row) {
	if w.Since == 0 {
		w.Since = r.At
	}
	rate, known := 0.0, r.HasValue()
	if known && r.Bound != reading.Below && r.Value > 0 { // at its floor the sample has stopped
		var err error
		if rate, _, err = quantity.Convert(r.Value, w.unit, perMinute); err != nil {
			rate, known = 0, false
		}
	}
	bridged := w.known && known && r.Boot == w.boot && r.Up-w.up <= w.hold
	if w.valve == "" && known {
		if w.Closed && rate > 0 {
			w.open(r.At)
		}
		w.Closed = rate == 0
	}
	switch {
	case bridged && !w.Closed:
		w.Litres += (w.rate + rate) / 2 * (r.Up - w.up).Minutes() / 1000
	case !bridged && w.boot != 0:
		w.AtLeast = true
	}
	if known || r.Boot != w.boot {
		w.rate, w.known = rate, known
	} else {
		w.known = false
	}
	w.up, w.boot = r.Up, r.Boot
}
