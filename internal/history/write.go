package history

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"io"
	"strconv"
	"strings"
	"time"
)

// Plan is a question that was found answerable: its points are there.
type Plan struct {
	Ask    Ask
	source Source
	series []Series
	paths  []string
	gaps   []Gap
}

// Prepare finds what a question asks for, before anything is written. The error is a *Wrong where the question is at fault.
func Prepare(ctx context.Context, src Source, a Ask) (*Plan, error) {
	all, err := src.Series()
	if err != nil {
		return nil, err
	}
	p := &Plan{Ask: a, source: src}
	if p.series, err = choose(all, a.Patterns); err != nil {
		return nil, err
	}
	p.paths = pathsOf(p.series)
	p.gaps, err = src.Gaps(ctx, a.Span)
	return p, err
}

// Write answers the question. More than a page is never held: w is written to as the logbook is read, and an error of w, or the end of ctx,
// ends the reading. An error after the first byte leaves a text that is not whole; JSON and OpenMetrics show that by their missing end.
func (p *Plan) Write(ctx context.Context, w io.Writer, zone *time.Location) (Told, error) {
	out := bufio.NewWriterSize(w, 32<<10)
	t := Told{Gaps: len(p.gaps)}
	var err error
	switch p.Ask.Format {
	case CSV:
		err = p.csv(ctx, out, &t)
	case JSONLines:
		err = p.lines(ctx, out, &t)
	case OpenMetrics:
		err = p.openMetrics(ctx, out, &t)
	case Text:
		err = p.table(ctx, out, &t, zone)
	default:
		err = p.json(ctx, out, &t)
	}
	if flushErr := out.Flush(); err == nil {
		err = flushErr
	}
	return t, err
}

// nothing asked is nothing read: an empty list of paths would mean all of them.
func (p *Plan) readings(ctx context.Context, t *Told, fn func(Row) error) error {
	if len(p.paths) == 0 {
		return nil
	}
	return p.source.Readings(ctx, p.Ask.Span, p.paths, func(r Row) error { t.Rows++; return fn(r) })
}

func (p *Plan) hours(ctx context.Context, t *Told, fn func(Hour) error) error {
	if len(p.paths) == 0 {
		return nil
	}
	return p.source.Hours(ctx, p.Ask.Span, p.paths, func(h Hour) error { t.Rows++; return fn(h) })
}

// rowBody is one reading in JSON; the names are those of the API's readings. value and bound are null where there is none.
type rowBody struct {
	At           string       `json:"at"`
	Panel        string       `json:"panel"`
	Point        string       `json:"point"`
	Quantity     string       `json:"quantity"`
	Value        *json.Number `json:"value"`
	Unit         string       `json:"unit"`
	Bound        *string      `json:"bound"`
	Quality      string       `json:"quality"`
	Reason       string       `json:"reason"`
	Counts       bool         `json:"counts"`
	InMetrics    bool         `json:"in_metrics"`
	Fault        string       `json:"fault"`
	ClockCertain bool         `json:"clock_certain"`
	Start        uint32       `json:"start"` // which start of the daemon
}

func bodyOf(r *Row) rowBody {
	b := rowBody{At: instant(r.At), Quantity: r.Quantity, Unit: r.Unit, Quality: r.Reason.Quality().String(), Reason: r.Why, Counts: r.HasValue() && r.Reason.Row().Counts,
		InMetrics: r.Shown(), Fault: r.Fault, ClockCertain: r.Certain, Start: r.Boot}
	b.Panel, b.Point = panelOf(r.Path)
	if r.HasValue() {
		v, word := json.Number(decimal(r.Value, r.Resolution)), boundName(r.Bound)
		b.Value, b.Bound = &v, &word
	}
	return b
}

// hourBody is one hour in JSON. The four values are over the readings that counted for limits, and null where none did.
type hourBody struct {
	From         string       `json:"from"`
	To           string       `json:"to"`
	Panel        string       `json:"panel"`
	Point        string       `json:"point"`
	Quantity     string       `json:"quantity"`
	Unit         string       `json:"unit"`
	Min          *json.Number `json:"min"`
	Mean         *json.Number `json:"mean"`
	Max          *json.Number `json:"max"`
	Last         *json.Number `json:"last"`
	Counted      uint32       `json:"counted"`
	Good         uint32       `json:"good"`
	Uncertain    uint32       `json:"uncertain"`
	Bad          uint32       `json:"bad"`
	ClockCertain bool         `json:"clock_certain"`
	Start        uint32       `json:"start"`
}

func hourBodyOf(h *Hour) hourBody {
	b := hourBody{From: instant(h.From), To: instant(h.To), Quantity: h.Quantity, Unit: h.Unit, Counted: h.Counted, Good: h.Good, Uncertain: h.Uncertain, Bad: h.Bad,
		ClockCertain: h.Certain, Start: h.Boot}
	b.Panel, b.Point = panelOf(h.Path)
	if h.Counted > 0 {
		number := func(v, step float64) *json.Number { n := json.Number(decimal(v, step)); return &n }
		b.Min, b.Max, b.Last = number(h.Min, h.Resolution), number(h.Max, h.Resolution), number(h.Last, h.Resolution)
		b.Mean = number(h.Mean, meanStep(h.Resolution)) // a mean is computed and carries one digit more than the display
	}
	return b
}

// meanStep is a tenth of the display's step; a state, which has none, is shown as a share to the thousandth.
func meanStep(resolution float64) float64 {
	if resolution == 0 {
		return 0.001
	}
	return resolution / 10
}

type gapBody struct {
	From         string `json:"from"`
	To           string `json:"to"`
	Cause        string `json:"cause"`
	Detail       string `json:"detail,omitempty"`
	Readings     uint64 `json:"readings,omitempty"`
	ClockCertain bool   `json:"clock_certain"`
}

func (p *Plan) gapBodies() []gapBody {
	all := []gapBody{}
	for _, g := range p.gaps {
		all = append(all, gapBody{instant(g.From), instant(g.To), g.Cause, g.Detail, g.Readings, g.Certain})
	}
	return all
}

// json writes one object; the rows are the last member, so that one that broke off is no JSON.
func (p *Plan) json(ctx context.Context, out *bufio.Writer, t *Told) error {
	head := struct {
		From  *string   `json:"from"` // null: from the beginning
		To    string    `json:"to"`
		Every string    `json:"every"`
		Gaps  []gapBody `json:"gaps"`
	}{To: p.Ask.Span.To.UTC().Format(time.RFC3339Nano), Every: "raw", Gaps: p.gapBodies()}
	name := "readings"
	if p.Ask.Hourly {
		head.Every, name = "hour", "hours"
	}
	if !p.Ask.Span.From.IsZero() {
		from := p.Ask.Span.From.UTC().Format(time.RFC3339Nano)
		head.From = &from
	}
	raw, err := json.Marshal(head)
	if err != nil {
		return err
	}
	_, _ = out.Write(raw[:len(raw)-1]) // an error of a bufio.Writer stays and comes from the next call that returns one
	_, _ = out.WriteString(`,"` + name + `":[`)
	before := "\n"
	err = p.bodies(ctx, t, func(raw []byte) error {
		_, _ = out.WriteString(before)
		before = ",\n"
		_, err := out.Write(raw)
		return err
	})
	if err != nil {
		return err
	}
	_, err = out.WriteString("\n]}\n")
	return err
}

func (p *Plan) lines(ctx context.Context, out *bufio.Writer, t *Told) error {
	return p.bodies(ctx, t, func(raw []byte) error {
		_, _ = out.Write(raw)
		return out.WriteByte('\n')
	})
}

func (p *Plan) bodies(ctx context.Context, t *Told, put func([]byte) error) error {
	give := func(body any) error {
		raw, err := json.Marshal(body)
		if err != nil {
			return err
		}
		return put(raw)
	}
	if p.Ask.Hourly {
		return p.hours(ctx, t, func(h Hour) error { return give(hourBodyOf(&h)) })
	}
	return p.readings(ctx, t, func(r Row) error { return give(bodyOf(&r)) })
}

var (
	rowColumns = []string{"at", "panel", "point", "quantity", "value", "unit", "bound", "quality", "reason", "counts", "in_metrics", "fault", "clock_certain", "start"}

	hourColumns = []string{"from", "to", "panel", "point", "quantity", "unit", "min", "mean", "max", "last", "counted", "good", "uncertain", "bad", "clock_certain", "start"}
)

func (p *Plan) csv(ctx context.Context, w *bufio.Writer, t *Told) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true // RFC 4180
	number := func(n uint32) string { return strconv.FormatUint(uint64(n), 10) }
	var err error
	if p.Ask.Hourly {
		_ = out.Write(hourColumns) // its error stays and comes with the rows or the flush
		err = p.hours(ctx, t, func(h Hour) error {
			b := hourBodyOf(&h)
			return out.Write([]string{b.From, b.To, cell(b.Panel), cell(b.Point), cell(b.Quantity), cell(b.Unit), or(b.Min), or(b.Mean), or(b.Max), or(b.Last),
				number(b.Counted), number(b.Good), number(b.Uncertain), number(b.Bad), strconv.FormatBool(b.ClockCertain), number(b.Start)})
		})
	} else {
		_ = out.Write(rowColumns)
		err = p.readings(ctx, t, func(r Row) error {
			b := bodyOf(&r)
			return out.Write([]string{b.At, cell(b.Panel), cell(b.Point), cell(b.Quantity), or(b.Value), cell(b.Unit), or(b.Bound), b.Quality, cell(b.Reason),
				strconv.FormatBool(b.Counts), strconv.FormatBool(b.InMetrics), cell(b.Fault), strconv.FormatBool(b.ClockCertain), number(b.Start)})
		})
	}
	out.Flush()
	if err == nil {
		err = out.Error()
	}
	return err
}

// cell makes a text safe for a spreadsheet, which runs a cell that begins with one of these as a formula. Numbers are not passed through it.
func cell(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n", rune(text[0])) {
		return "'" + text
	}
	return text
}

func or[T ~string](text *T) string {
	if text == nil {
		return ""
	}
	return string(*text)
}
