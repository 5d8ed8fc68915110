package history

import (
	"bufio"
	"context"
	"fmt"
	"time"

	"rillwatch/internal/reading"
)

// table writes what a person reads: of raw readings a line when what is shown of a point changes, because at one a second nobody reads them
// all; of hours a line each. Gaps come first, so that nobody takes what is missing for what was quiet.
func (p *Plan) table(ctx context.Context, out *bufio.Writer, t *Told, zone *time.Location) error {
	from := "the beginning"
	if !p.Ask.Span.From.IsZero() {
		from = zoned(reading.WallOf(p.Ask.Span.From), zone)
	}
	fmt.Fprintf(out, "From %s to %s, times in %s.\n", from, zoned(reading.WallOf(p.Ask.Span.To), zone), zone)
	for i := range p.gaps {
		fmt.Fprintln(out, gapLine(&p.gaps[i], zone))
	}
	fmt.Fprintln(out)
	if p.Ask.Hourly {
		return p.hourTable(ctx, out, t, zone)
	}
	width := 0
	for _, path := range p.paths {
		width = max(width, len(path))
	}
	shown := map[string]string{} // by path: bounded by the points
	doubtful, same := false, 0
	err := p.readings(ctx, t, func(r Row) error {
		what := sayRow(&r)
		if shown[r.Path] == what {
			same++
			return nil
		}
		shown[r.Path] = what
		_, err := fmt.Fprintf(out, "%s%s  %-*s  %s\n", zoned(r.At, zone), mark(r.Certain, &doubtful), width, r.Path, what)
		return err
	})
	if err != nil {
		return err
	}
	if t.Rows == 0 {
		fmt.Fprintln(out, "No readings are recorded for this.")
	}
	if same > 0 {
		fmt.Fprintf(out, "\n%d further readings showed no change and are left out here.\n", same)
	}
	return explainDoubt(out, doubtful)
}

func (p *Plan) hourTable(ctx context.Context, out *bufio.Writer, t *Told, zone *time.Location) error {
	width := len("point")
	for _, path := range p.paths {
		width = max(width, len(path))
	}
	doubtful := false
	err := p.hours(ctx, t, func(h Hour) error {
		if t.Rows == 1 {
			fmt.Fprintf(out, "%-17s %-*s %9s %9s %9s  %s\n", "hour from", width, "point", "least", "mean", "most", "unit")
		}
		when := h.From.Time().In(zone).Format("2006-01-02 15:04") + mark(h.Certain, &doubtful)
		total := h.Good + h.Uncertain + h.Bad
		note := ""
		if h.Counted < total {
			note = fmt.Sprintf(", %d of %d counted", h.Counted, total)
		}
		if h.Counted == 0 {
			_, err := fmt.Fprintf(out, "%s %-*s %9s %9s %9s  none of %d counted\n", when, width, h.Path, "-", "-", "-", total)
			return err
		}
		_, err := fmt.Fprintf(out, "%s %-*s %9s %9s %9s  %s%s\n", when, width, h.Path, decimal(h.Min, h.Resolution), decimal(h.Mean, meanStep(h.Resolution)), decimal(h.Max, h.Resolution), h.Unit, note)
		return err
	})
	if err != nil {
		return err
	}
	if t.Rows == 0 {
		fmt.Fprintln(out, "No hours are recorded for this.")
	}
	return explainDoubt(out, doubtful)
}

// mark stands behind a time that nobody vouches for.
func mark(certain bool, doubtful *bool) string {
	if certain {
		return " "
	}
	*doubtful = true
	return "?"
}

func explainDoubt(out *bufio.Writer, doubtful bool) error {
	if !doubtful {
		return nil
	}
	_, err := fmt.Fprintln(out, "\n? the clock was not certain then, so the time may be wrong.")
	return err
}

func gapLine(g *Gap, zone *time.Location) string {
	from, to := zoned(g.From, zone), zoned(g.To, zone)
	if from[:10] == to[:10] {
		to = to[11:]
	}
	return fmt.Sprintf("No readings from %s to %s: %s.", from, to, g.Cause)
}

// sayRow is a reading in words: its value, and its reason where that is not plain belief.
func sayRow(r *Row) string {
	if !r.HasValue() {
		return "no value: " + words(r)
	}
	text := sayValue(r)
	if r.Reason != reading.Believed {
		text += ", " + words(r)
	}
	return text
}

func sayValue(r *Row) string {
	text := decimal(r.Value, r.Resolution)
	if r.Quantity == "state" {
		text = map[string]string{"0": "no", "1": "yes"}[text]
	} else if r.Unit != "" {
		text += " " + r.Unit
	}
	switch r.Bound {
	case reading.Above:
		return "above " + text
	case reading.Below:
		return "below " + text
	}
	return text
}

// words is the reason for a person; one that this program does not know is given by its recorded name.
func words(r *Row) string {
	if name := r.Reason.String(); r.Why != "" && name != r.Why {
		return r.Why
	}
	return r.Reason.Row().Words
}
