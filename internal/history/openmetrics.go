package history

import (
	"bufio"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
)

// hourStats are what an hour is told by, in a label: they are of one quantity and one unit, and so one family.
var hourStats = [...]string{"min", "mean", "max", "last"}

// family is a metric family of an OpenMetrics text.
type family struct {
	name, help string
	metric     string // what of the name the quantity and the unit give
	unit       quantity.Unit
	series     []Series
}

// families gathers the series by family, both sorted by name. What this program has no unit for is left out.
func (p *Plan) families() []family {
	byName := map[string]*family{}
	var names []string
	for _, s := range p.series {
		from, ok := unitOf(s)
		if !ok {
			continue
		}
		name, unit := from.Metric()
		f := byName[name]
		if f == nil {
			f = &family{name: "rillwatch_" + name, metric: name, help: "Recorded values of " + s.Quantity, unit: unit}
			if p.Ask.Hourly {
				f.name, f.help = "rillwatch_hour_"+name, "Hours of "+s.Quantity
			}
			if unit.Display() != "" {
				f.help += " in " + unit.Display()
			}
			byName[name] = f
			names = append(names, name)
		}
		f.series = append(f.series, s)
	}
	slices.Sort(names)
	all := make([]family, 0, len(names))
	for _, n := range names {
		all = append(all, *byName[n])
	}
	return all
}

func unitOf(s Series) (quantity.Unit, bool) {
	q, ok := quantity.ParseQuantity(s.Quantity)
	if !ok {
		return quantity.Unit{}, false
	}
	u, err := quantity.ParseUnit(s.Unit, q)
	return u, err == nil
}

// openMetrics writes values as /metrics shows them, each with its time, and the end mark. The text format (OpenMetrics 1.0) wants the
// samples of one series together and in order of time, so the logbook is read once for each series; what a wall clock that went back
// would put out of order is left out and counted.
func (p *Plan) openMetrics(ctx context.Context, out *bufio.Writer, t *Told) error {
	for _, f := range p.families() {
		fmt.Fprintf(out, "# TYPE %s gauge\n# HELP %s %s.\n", f.name, f.name, escaped(f.help))
		for _, path := range pathsOf(f.series) {
			labels := labelsOf(path)
			if p.Ask.Hourly {
				for _, stat := range hourStats {
					if err := p.hourSeries(ctx, out, t, f, path, stat, labels); err != nil {
						return err
					}
				}
				continue
			}
			s := samples{out: out, told: t, name: f.name, labels: labels}
			err := p.source.Readings(ctx, p.Ask.Span, []string{path}, func(r Row) error {
				if !r.Shown() {
					return nil
				}
				return s.put(f, r.Value, Series{r.Path, r.Quantity, r.Unit}, r.At)
			})
			if err != nil {
				return err
			}
		}
	}
	_, err := out.WriteString("# EOF\n")
	return err
}

// hourSeries writes one figure of the hours of one point. An hour stands at its end, when it was known.
func (p *Plan) hourSeries(ctx context.Context, out *bufio.Writer, t *Told, f family, path, stat, labels string) error {
	s := samples{out: out, told: t, name: f.name, labels: labels + `,of="` + stat + `"`}
	return p.source.Hours(ctx, p.Ask.Span, []string{path}, func(h Hour) error {
		if h.Counted == 0 {
			return nil
		}
		v := map[string]float64{"min": h.Min, "mean": h.Mean, "max": h.Max, "last": h.Last}[stat]
		return s.put(f, v, Series{h.Path, h.Quantity, h.Unit}, h.To)
	})
}

// samples are those of one series.
type samples struct {
	out          *bufio.Writer
	told         *Told
	name, labels string
	last         reading.Wall
	any          bool
}

func (s *samples) put(f family, v float64, of Series, at reading.Wall) error {
	from, ok := unitOf(of)
	if name, _ := from.Metric(); !ok || name != f.metric {
		return nil // it was recorded under another quantity then, which is a family of its own
	}
	value, _, err := quantity.Convert(v, from, f.unit)
	if err != nil {
		return nil // as in /metrics: a value too large for the metric's unit is as good as none
	}
	if s.any && at <= s.last {
		s.told.LeftOut++
		return nil
	}
	s.last, s.any = at, true
	s.told.Rows++
	ms := int64(at) / 1e6
	_, err = fmt.Fprintf(s.out, "%s{%s} %s %d.%03d\n", s.name, s.labels, strconv.FormatFloat(value, 'g', -1, 64), ms/1000, ms%1000)
	return err
}

func labelsOf(path string) string {
	panel, point := panelOf(path)
	return `panel="` + escaped(panel) + `",point="` + escaped(point) + `"`
}

// escaped is a text of the format: names hold nothing of this today.
func escaped(text string) string {
	return strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(text)
}
