package history

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// answer says whether the sensor saw flow, and by what.
func (f *Found) answer() {
	flowPoint, valvePoint := f.roles()
	flow, fresh := f.standing(flowPoint)
	valve, valveFresh := f.standing(valvePoint)
	closed := valveFresh && valve.HasValue() && valve.Value != 0
	anything := false
	for i, p := range f.points {
		m := &f.moment[i]
		anything = anything || m.any && f.at.Sub(m.At.Time()) <= stands*f.site.Sensors[p.Sensor].Period
	}
	name := f.point.Path
	switch {
	case !anything:
		f.Sentence = fmt.Sprintf("Not known: nothing is recorded of the panel of %s at this moment%s.", name, f.gapAt())
	case closed && (!fresh || !flows(flow)):
		f.Answer, f.Sentence = No, fmt.Sprintf("No: the sample valve was closed, so %s stood in still water%s.", name, f.withFlow(flow, fresh))
	case flowPoint == site.None:
		f.Sentence = fmt.Sprintf("Not known: the panel has no flow point, so nobody can say whether %s saw flow%s.", name, f.withValve(valve, valveFresh))
	case !fresh:
		f.Sentence = fmt.Sprintf("Not known: the flow was not read at this moment%s.", f.withValve(valve, valveFresh))
	case !flow.HasValue():
		f.Sentence = fmt.Sprintf("Not known: the flow had no value then (%s)%s.", words(flow), f.withValve(valve, valveFresh))
	case !flows(flow):
		f.Answer, f.Sentence = No, fmt.Sprintf("No: the flow was %s, so %s stood in still water%s.", sayValue(flow), name, f.withValve(valve, valveFresh))
	default:
		f.Answer, f.Sentence = Yes, f.yes(flow, valve, valveFresh)
	}
}

// flows is whether a flow reading says that water moves, by the rule of the line's judgement.
func flows(flow *Row) bool { return flow.HasValue() && flow.Bound != reading.Below && flow.Value > 0 }

func (f *Found) yes(flow, valve *Row, valveFresh bool) string {
	text := fmt.Sprintf("Yes: %s saw flow, %s%s", f.point.Path, sayValue(flow), f.withValve(valve, valveFresh))
	if flow.Reason != reading.Believed {
		text += " (" + words(flow) + ")"
	}
	if w := f.water; !w.Closed && w.Since != 0 {
		text += ", and " + f.litres(w)
	}
	text += "."
	if p, fresh := f.standing(f.index(f.point)); fresh && doubtsWater(p.Reason) {
		text += " But it was not believed then: " + words(p) + "."
	}
	return text
}

// litres says how much had flowed.
func (f *Found) litres(w Water) string {
	amount, what := "", "since the valve opened at"
	if _, valve := f.roles(); valve == site.None {
		what = "since the flow began at"
	}
	if w.AtLeast {
		amount = "at least "
	}
	if !w.Opened {
		amount, what = "more than ", "since"
	}
	return fmt.Sprintf("%s%.1f L had passed %s %s", amount, w.Litres, what, f.clock(w.Since))
}

// clock is a moment of the day, with its date where that is another one.
func (f *Found) clock(w reading.Wall) string {
	text := zoned(w, Zone(f.site))
	if text[:10] == f.at.In(Zone(f.site)).Format("2006-01-02") {
		return text[11:]
	}
	return text
}

// doubtsWater is whether a reason says that the sensor did not stand in the sample as it should.
func doubtsWater(r reading.Reason) bool { return r.Quality() != reading.Bad && !r.Row().Counts }

func (f *Found) withFlow(flow *Row, fresh bool) string {
	if !fresh || flow == nil {
		return ""
	}
	if !flow.HasValue() {
		return ", and the flow had no value"
	}
	return "; the flow was " + sayValue(flow)
}

func (f *Found) withValve(valve *Row, fresh bool) string {
	switch {
	case valve == nil:
		return ""
	case !fresh, !valve.HasValue():
		return ", the position of the sample valve not known"
	case valve.Value != 0:
		return ", though the sample valve was reported closed"
	}
	return ", the sample valve open"
}

// gapAt is why nothing is recorded at the moment, where that is known.
func (f *Found) gapAt() string {
	for i := range f.gaps {
		if g := &f.gaps[i]; !g.From.Time().After(f.at) && f.at.Before(g.To.Time()) {
			return fmt.Sprintf(" (from %s to %s: %s)", f.clock(g.From), f.clock(g.To), g.Cause)
		}
	}
	return ""
}

func (f *Found) index(p *site.Point) int {
	for i := range f.site.Points {
		if &f.site.Points[i] == p && !p.Derived() {
			return i
		}
	}
	return site.None
}

// textWidth is what a terminal and a printed page hold.
const textWidth = 80

// Text is the evidence for a person, the answer first.
func (f *Found) Text() string {
	zone := Zone(f.site)
	var b strings.Builder
	b.WriteString(wrap(f.Sentence))
	title := f.panel.Title
	if title == "" {
		title = f.panel.Name
	}
	b.WriteString("\n" + wrap(fmt.Sprintf("Evidence for %s (%s) at %s, times in %s.", f.point.Path, title, f.at.In(zone).Format("2006-01-02 15:04:05"), zone)))
	if f.point.Derived() {
		b.WriteString(wrap(f.point.Path + " is computed from other points and is not recorded itself; those it comes from are below."))
	}
	if f.doubtful() {
		b.WriteString(wrap("The clock was not certain in this time, so the times may be wrong."))
	}
	for i := range f.gaps {
		b.WriteString(wrap(gapLine(&f.gaps[i], zone)))
	}

	b.WriteString("\nThe last reading of each point at that moment:\n")
	width := 0
	for _, p := range f.points {
		width = max(width, len(p.Path))
	}
	width = min(width, 40)
	for i, p := range f.points {
		m := &f.moment[i]
		what := "none within the half hour before"
		if m.any {
			what = sayRow(&m.Row)
			if r := &m.Row; r.HasValue() && r.Reason == reading.Believed {
				what += ", believed"
			}
			if age := f.at.Sub(m.At.Time()); age > stands*f.site.Sensors[p.Sensor].Period {
				what += fmt.Sprintf(" (%s before)", age.Truncate(time.Second))
			}
		}
		b.WriteString(hang(fmt.Sprintf("  %-*s  ", width, p.Path), what))
	}
	f.lines(&b, zone)

	b.WriteString("\nWhy readings were or were not believed, in the hour shown:\n")
	for i, p := range f.points {
		sum := map[string]int{}
		for m := range f.minutes {
			for why, n := range f.minutes[m].points[i].reasons {
				sum[why] += n
			}
		}
		b.WriteString(hang(fmt.Sprintf("  %-*s  ", width, p.Path), sayReasons(sum)))
	}
	return b.String()
}

func (f *Found) doubtful() bool {
	for i := range f.moment {
		if f.moment[i].any && !f.moment[i].Certain {
			return true
		}
	}
	return false
}

// lineEvery is the step of the table: thirteen lines for the hour.
const lineEvery = 5

// lines is the hour as a table: the last reading of the minute before each time.
func (f *Found) lines(b *strings.Builder, zone *time.Location) {
	flow, valve := f.roles()
	temperature := f.temperature()
	unitOf := func(point int) string {
		if point == site.None {
			return "not fitted"
		}
		return f.site.Points[point].Unit.Name()
	}
	fmt.Fprintf(b, "\n  %-8s %10s %10s %10s %6s %9s\n", "time", clip(f.point.Name, 10), "flow", "temp", "valve", "passed")
	own := f.point.Unit.Name()
	if f.point.Derived() {
		own = "computed"
	}
	fmt.Fprintf(b, "  %-8s %10s %10s %10s %6s %9s  %s\n", "", own, unitOf(flow), unitOf(temperature), "", "L", "reason")
	cell := func(m *minute, point int) string {
		for i, p := range f.points {
			if point == site.None || p != &f.site.Points[point] {
				continue
			}
			l := &m.points[i].last
			switch {
			case !l.any:
				return "-"
			case !l.HasValue():
				return "none"
			}
			bound := ""
			if l.Bound != reading.Exact {
				bound = l.Bound.String()
			}
			return bound + decimal(l.Value, l.Resolution)
		}
		return ""
	}
	for i := 0; i < minutes; i += lineEvery {
		m := &f.minutes[i]
		position := map[string]string{"0": "open", "1": "closed"}[cell(m, valve)]
		if position == "" && valve != site.None {
			position = "-"
		}
		passed := ""
		switch {
		case !m.water.Metered:
		case !m.any:
			passed = "-"
		case m.water.Closed:
			passed = "0"
		default:
			passed = fmt.Sprintf("%.1f", m.water.Litres)
			if m.water.AtLeast || !m.water.Opened {
				passed = ">" + passed
			}
		}
		why, pointer := "nothing read", " "
		if own := f.index(f.point); own != site.None && m.points[0].last.any {
			why = m.points[0].last.Why
		} else if own == site.None {
			why = ""
		}
		if i == minutes/2 {
			pointer = ">"
		}
		line := fmt.Sprintf("%s %-8s %10s %10s %10s %6s %9s  %s", pointer, m.to.In(zone).Format("15:04:05"), cell(m, f.index(f.point)), cell(m, flow), cell(m, temperature), position, passed, why)
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	if flow != site.None {
		what := "the valve opened"
		if valve == site.None {
			what = "the flow began"
		}
		b.WriteString("  passed: litres since " + what + "; > where some of it was not metered\n")
	}
}

// clip keeps a name within its column.
func clip(text string, width int) string {
	if r := []rune(text); len(r) > width {
		return string(r[:width-1]) + "~"
	}
	return text
}

func sayReasons(sum map[string]int) string {
	if len(sum) == 0 {
		return "nothing recorded"
	}
	names := slices.Sorted(maps.Keys(sum))
	slices.SortStableFunc(names, func(a, b string) int { return sum[b] - sum[a] })
	var all []string
	for _, n := range names {
		all = append(all, fmt.Sprintf("%s %d", n, sum[n]))
	}
	return strings.Join(all, ", ")
}

// wrap breaks a text at spaces so that no line is wider than textWidth.
func wrap(text string) string { return hang("", text) }

// hang writes a text behind a head; what does not fit goes below, indented.
func hang(head, text string) string {
	indent := strings.Repeat(" ", len([]rune(head)))
	var b strings.Builder
	b.WriteString(head)
	used, first := len([]rune(head)), true
	for word := range strings.FieldsSeq(text) {
		n := len([]rune(word))
		switch {
		case first:
			first = false
		case used+1+n > textWidth:
			b.WriteString("\n" + indent)
			used = len(indent)
		default:
			b.WriteByte(' ')
			used++
		}
		b.WriteString(word)
		used += n
	}
	b.WriteByte('\n')
	return b.String()
}

// waterBody is what had flowed, in JSON.
type waterBody struct {
	Litres  json.Number `json:"litres"`
	Since   string      `json:"since"`
	Opened  bool        `json:"since_is_opening"` // else the first reading looked at
	AtLeast bool        `json:"at_least"`         // a part of the time was not metered
	Closed  bool        `json:"closed"`
}

func (w Water) body() *waterBody {
	if !w.Metered || w.Since == 0 {
		return nil
	}
	return &waterBody{json.Number(fmt.Sprintf("%.3f", w.Litres)), instant(w.Since), w.Opened, w.AtLeast, w.Closed}
}

// EvidenceBody is the evidence in JSON.
type EvidenceBody struct {
	Answer      Answer       `json:"answer"`
	Sentence    string       `json:"sentence"`
	Point       string       `json:"point"` // whole path
	Panel       string       `json:"panel"`
	At          string       `json:"at"`
	Definition  string       `json:"definition"` // configuration that says which point is the flow
	Flow        string       `json:"flow,omitempty"`
	Temperature string       `json:"temperature,omitempty"`
	ValveClosed string       `json:"valve_closed,omitempty"`
	Water       *waterBody   `json:"water"`
	Moment      []momentBody `json:"moment"`
	Minutes     []minuteBody `json:"minutes"`
	Gaps        []gapBody    `json:"gaps"`
}

type momentBody struct {
	rowBody
	AgeS json.Number `json:"age_s"`
}

type minuteBody struct {
	To     string       `json:"to"`
	Water  *waterBody   `json:"water"`
	Points []bucketBody `json:"points"`
}

type bucketBody struct {
	Point    string         `json:"point"`
	Last     *rowBody       `json:"last"`
	Min      *json.Number   `json:"min"` // of readings that have a value
	Max      *json.Number   `json:"max"`
	Readings int            `json:"readings"`
	Reasons  map[string]int `json:"reasons"`
}

// Body is the evidence for a program: every minute of every point.
func (f *Found) Body() EvidenceBody {
	flow, valve := f.roles()
	b := EvidenceBody{Answer: f.Answer, Sentence: f.Sentence, Point: f.point.Path, Panel: f.panel.Name, At: instant(reading.WallOf(f.at)), Definition: f.site.Hash,
		Flow: pathOf(f.site, flow), Temperature: pathOf(f.site, f.temperature()), ValveClosed: pathOf(f.site, valve), Water: f.water.body(),
		Moment: []momentBody{}, Gaps: (&Plan{gaps: f.gaps}).gapBodies()}
	for i := range f.moment {
		if m := &f.moment[i]; m.any {
			b.Moment = append(b.Moment, momentBody{bodyOf(&m.Row), json.Number(fmt.Sprintf("%.3f", f.at.Sub(m.At.Time()).Seconds()))})
		}
	}
	for m := range f.minutes {
		k := &f.minutes[m]
		mb := minuteBody{To: instant(reading.WallOf(k.to)), Points: []bucketBody{}}
		if k.any {
			mb.Water = k.water.body()
		}
		for i := range k.points {
			p := &k.points[i]
			if p.n == 0 {
				continue
			}
			row := bodyOf(&p.last.Row)
			bb := bucketBody{Point: f.points[i].Path, Last: &row, Readings: p.n, Reasons: p.reasons}
			if p.values > 0 {
				low, high := json.Number(decimal(p.min, p.last.Resolution)), json.Number(decimal(p.max, p.last.Resolution))
				bb.Min, bb.Max = &low, &high
			}
			mb.Points = append(mb.Points, bb)
		}
		b.Minutes = append(b.Minutes, mb)
	}
	return b
}
