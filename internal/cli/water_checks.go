package cli

import (
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/quantity"
	"rillwatch/internal/stats"
)

// The usual settings of the charts. ASTM D6299 overlays an EWMA of 0.4 (from memory); with 3.054 sigmas it signals falsely once in 500 values,
// and a CUSUM of 0.5 and 4.77 sigmas once in 370 (computed with the CRAN package spc).
const (
	usualLambda   = "0.4"
	usualWidth    = "3.054"
	usualSlack    = "0.5"
	usualDecision = "4.77"

	// ASTM D6299 practice (from memory): at least so many results before a chart is believed.
	baselineGood = 15
	// From fewer a spread is no spread. Judgement.
	baselineLeast = 5
)

// checksFlags are what a list of checks is judged by.
type checksFlags struct {
	of, in                         *text
	baseline                       *number
	target, sigma                  *number
	lambda, width, slack, decision *number
}

// text is a flag, or the one argument, that takes words.
type text struct {
	name string
	said string
}

func (w *text) Set(s string) error                { w.said = s; return nil }
func (w *text) String() string                    { return w.said }
func (w *text) Type() string                      { return "NAME" }
func (w *text) flag() string                      { return w.name }
func (w *text) isSet() bool                       { return w.said != "" }
func (w *text) written() (value any, unit string) { return w.said, "" }

func (s *sheet) text(name, help string) *text {
	w := &text{name: name}
	s.flags.Flags().Var(w, name, help)
	s.given = append(s.given, w)
	return w
}

func checksCommand() *cobra.Command {
	file := &text{name: "file"}
	c := calculation("checks", "Checks of a sensor against standards: bias, charts, drift", `Judge the checks of a sensor: what it showed beside what the standard, the
ampoule or the second instrument said of the same water. FILE is a CSV; its
first line names the columns shown, standard and, for the drift, time:

  time,shown,standard
  2026-11-02T08:10:00Z,7.4,7.0

It answers the bias (shown less standard) with its 95 % interval, the drift of
that difference, and two charts of it, EWMA and two-sided CUSUM. The charts
need to know how much the checks scatter: --sigma, or --baseline N, the first N
checks of a time when all was well. Chart checks, never the readings of every
minute: those hang together, and every limit here would signal falsely.

Example:
  rillwatch water checks checks.csv --of dissolved-oxygen --in ug/L --baseline 15`, func(s *sheet) func() error {
		s.given = append(s.given, file)
		f := &checksFlags{
			of:       s.text("of", "quantity, such as dissolved-oxygen or conductivity"),
			in:       s.text("in", "unit of both columns, such as ug/L"),
			baseline: s.number("baseline", "", "the first so many checks give target and scatter; 15 or more"),
			target:   s.number("target", "", "or the difference looked for, in the unit; 0 unless said"),
			sigma:    s.number("sigma", "", "or the scatter of one difference, in the unit"),
			lambda:   s.number("lambda", "", "of the EWMA, 0 to 1").usual(s, usualLambda),
			width:    s.number("width", "", "of the EWMA's limits, in sigmas").usual(s, usualWidth),
			slack:    s.number("slack", "", "k of the CUSUM, in sigmas").usual(s, usualSlack),
			decision: s.number("decision", "", "h of the CUSUM, in sigmas").usual(s, usualDecision),
		}
		return func() error { return f.judge(s, file.said) }
	})
	c.Use, c.Args = "checks FILE", cobra.ExactArgs(1)
	run := c.RunE
	c.RunE = func(c *cobra.Command, args []string) error {
		file.said = args[0]
		return run(c, args)
	}
	return c
}

// usual gives a number the value it has where nothing is said, and lets the help tell it.
func (n *number) usual(s *sheet, text string) *number {
	if err := n.Set(text); err != nil {
		panic("water: the default of --" + n.name + ": " + err.Error())
	}
	s.flags.Flags().Lookup(n.name).DefValue = text
	return n
}

// differenceUnit is the unit in which two values of u differ: two temperatures differ by kelvins, and not by a temperature.
func differenceUnit(u quantity.Unit) quantity.Unit {
	switch {
	case u.Quantity() != quantity.Temperature:
		return u
	case u.Name() == "degF":
		return unitOf(quantity.TemperatureDifference, "degF(diff)")
	}
	return unitOf(quantity.TemperatureDifference, "K(diff)")
}

func (f *checksFlags) judge(s *sheet, path string) error {
	if err := s.need(f.of, f.in); err != nil {
		return err
	}
	q, ok := quantity.ParseQuantity(f.of.said)
	if !ok || q == quantity.State {
		return s.wrong("--of %.32q: no quantity of a sensor; rillwatch water units lists them", f.of.said)
	}
	u, err := quantity.ParseUnit(f.in.said, q)
	if err != nil {
		return s.wrong("--in: %w", err)
	}
	if f.baseline.set && f.sigma.set {
		return s.wrong("say --baseline or --sigma, not both: each says how much the checks scatter")
	}
	if f.target.set && !f.baseline.set && !f.sigma.set {
		return s.wrong("--target is of the charts, and they need --baseline or --sigma too")
	}
	p, err := readPairs(path)
	if err != nil {
		return exit{exitFailed, err}
	}
	if len(p.unread) > 0 {
		s.note("columns not looked at: " + strings.Join(p.unread, ", "))
	}
	in := differenceUnit(u)
	d := make([]float64, len(p.shown))
	for i := range d {
		d[i] = p.shown[i] - p.standard[i]
	}
	s.tell(figure{key: "checks", name: "checks", word: len(d), from: byGiven})
	if err := tellBias(s, p, in); err != nil {
		return err
	}
	if err := tellDrift(s, p, d, in); err != nil {
		return err
	}
	return f.charts(s, p, d, in)
}

func tellBias(s *sheet, p pairs, in quantity.Unit) error {
	b, err := stats.PairedBias(p.shown, p.standard)
	switch {
	case errors.Is(err, stats.ErrNoSpread):
		s.tell(figure{key: "bias", name: "difference of every check", value: p.shown[0] - p.standard[0], unit: in, from: byPaired})
		s.note("all differences are alike: the display hides the scatter, and no interval follows")
		return nil
	case errors.Is(err, stats.ErrTooFew):
		s.tell(figure{key: "bias", name: "difference of the one check", value: p.shown[0] - p.standard[0], unit: in, from: byPaired})
		s.note("one check has no interval: two at the least, five to be of use")
		return nil
	case err != nil:
		return err
	}
	s.tell(figure{key: "bias", name: "bias, shown less standard", value: b.Mean, unit: in, from: byPaired})
	s.tell(figure{key: "bias_low", name: "95 % interval of the bias, from", value: b.Low, unit: in, from: byPaired})
	s.tell(figure{key: "bias_high", name: "to", value: b.High, unit: in, from: byPaired})
	s.tell(figure{key: "scatter", name: "scatter of one difference", value: b.SD, unit: in, from: byPaired})
	s.tell(figure{key: "t", name: "t of the bias", value: b.T, from: byPaired})
	s.tell(figure{key: "biased", name: "differs from zero", word: b.Significant(), from: byPaired})
	if b.N < 5 {
		s.note("under five checks the interval is wide")
	}
	return nil
}

// tellDrift is the slope of the difference over time, in the unit a day.
func tellDrift(s *sheet, p pairs, d []float64, in quantity.Unit) error {
	if len(p.at) == 0 {
		s.note("no column time: no drift")
		return nil
	}
	days := make([]float64, len(d))
	for i, at := range p.at {
		days[i] = at.Sub(p.at[0]).Hours() / 24
	}
	l, err := stats.Regression(days, d)
	switch {
	case errors.Is(err, stats.ErrTooFew):
		s.note("a drift needs three checks")
		return nil
	case errors.Is(err, stats.ErrNoSpread):
		s.note("no drift to be told: all differences, or all times, are alike")
		return nil
	case err != nil:
		return err
	}
	label := in.Display() + " a day"
	s.tell(figure{key: "drift", name: "drift of the difference", value: l.Slope, label: label, from: byLeastSquares})
	s.tell(figure{key: "drift_low", name: "95 % interval of the drift, from", value: l.SlopeLow, label: label, from: byLeastSquares})
	s.tell(figure{key: "drift_high", name: "to", value: l.SlopeHigh, label: label, from: byLeastSquares})
	s.tell(figure{key: "drifts", name: "drifts", word: l.Drifts(), from: byLeastSquares})
	return nil
}

// chartRow is one check on both charts, in the unit of the differences.
type chartRow struct {
	Line       int     `json:"line"`
	Time       string  `json:"time,omitempty"`
	Difference float64 `json:"difference"`
	EWMA       float64 `json:"ewma"`
	Lower      float64 `json:"ewma_lower"`
	Upper      float64 `json:"ewma_upper"`
	EWMASignal string  `json:"ewma_signal"`
	High       float64 `json:"cusum_high"`
	Low        float64 `json:"cusum_low"`
	CUSUM      string  `json:"cusum_signal"`
}

// scale says what the charts stand on: target and sigma, and from which check on they run.
func (f *checksFlags) scale(s *sheet, d []float64, in quantity.Unit) (target, sigma float64, from int, err error) {
	if f.sigma.set {
		return f.target.v, f.sigma.v, 0, nil
	}
	n := int(f.baseline.v)
	switch {
	case float64(n) != f.baseline.v || n < baselineLeast:
		return 0, 0, 0, s.wrong("--baseline %v: write a whole number, %d at the least, %d or more to be believed", f.baseline.v, baselineLeast, baselineGood)
	case n >= len(d):
		return 0, 0, 0, exit{exitFailed, fmt.Errorf("--baseline %d: there are %d checks, so none is left for the charts", n, len(d))}
	case n < baselineGood:
		s.note(fmt.Sprintf("a baseline of %d checks: ASTM D6299 wants %d at the least (from memory)", n, baselineGood))
	}
	c, err := stats.IndividualsChart(d[:n])
	if err != nil {
		return 0, 0, 0, fmt.Errorf("the baseline: %w", err)
	}
	target, sigma = c.Mean, c.MeanMovingRange/1.128
	if f.target.set {
		target = f.target.v
	}
	return target, sigma, n, nil
}

func (f *checksFlags) charts(s *sheet, p pairs, d []float64, in quantity.Unit) error {
	if !f.baseline.set && !f.sigma.set {
		s.note(fmt.Sprintf("no charts: say --baseline N (the first N checks, %d or more) or --sigma, for how much checks scatter is not known", baselineGood))
		return nil
	}
	target, sigma, from, err := f.scale(s, d, in)
	if err != nil {
		return err
	}
	of := byGiven
	if !f.sigma.set {
		of = byIndividuals
	}
	s.tell(figure{key: "target", name: "charts: target", value: target, unit: in, from: of})
	s.tell(figure{key: "sigma", name: "charts: sigma of one difference", value: sigma, unit: in, from: of})
	ewma := stats.EWMA{Target: target, Sigma: sigma, Lambda: f.lambda.v, Width: f.width.v}
	cusum := stats.CUSUM{Target: target, Slack: f.slack.v * sigma, Decision: f.decision.v * sigma}
	s.tell(figure{key: "cusum_slack", name: "CUSUM: slack k", value: cusum.Slack, unit: in, from: byCUSUM})
	s.tell(figure{key: "cusum_decision", name: "CUSUM: decision h", value: cusum.Decision, unit: in, from: byCUSUM})
	var z stats.EWMAState
	var sums stats.CUSUMState
	firstEWMA, firstCUSUM := "none", "none"
	for i := from; i < len(d); i++ {
		var point stats.EWMAPoint
		var signal stats.Signal
		if z, point, err = ewma.Step(z, d[i]); err != nil {
			return fmt.Errorf("line %d: %w", p.lines[i], err)
		}
		if sums, signal, err = cusum.Step(sums, d[i]); err != nil {
			return fmt.Errorf("line %d: %w", p.lines[i], err)
		}
		row := chartRow{Line: p.lines[i], Difference: d[i], EWMA: point.Z, Lower: point.Lower, Upper: point.Upper, EWMASignal: point.Signal.String(),
			High: sums.High, Low: sums.Low, CUSUM: signal.String()}
		if len(p.at) > 0 {
			row.Time = p.at[i].UTC().Format(time.RFC3339)
		}
		s.chart = append(s.chart, row)
		first := func(found *string, signal stats.Signal) {
			if *found == "none" && signal != stats.Within {
				*found = strings.TrimSpace(fmt.Sprintf("%s at line %d %s", signal, row.Line, row.Time))
			}
		}
		first(&firstEWMA, point.Signal)
		first(&firstCUSUM, signal)
	}
	s.tell(figure{key: "ewma_signal", name: "EWMA: first signal", word: firstEWMA, from: byEWMA})
	s.tell(figure{key: "cusum_signal", name: "CUSUM: first signal", word: firstCUSUM, from: byCUSUM})
	if firstEWMA != "none" || firstCUSUM != "none" {
		s.note("a signal says that sensor and standard have come apart; it does not say which of them has moved: look at the standard first (common practice)")
	}
	s.note("the charts run on after a signal, and begin with the first check after the baseline")
	s.chartUnit = in
	return nil
}

// chartText is the charts for a person: one check a line.
func (s *sheet) chartText() string {
	if len(s.chart) == 0 {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, "chart, in %s:\n", s.chartUnit.Name())
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "  LINE\tTIME\tDIFFERENCE\tEWMA\tLOWER\tUPPER\tSIGNAL\tCUSUM+\tCUSUM-\tSIGNAL")
	for _, r := range s.chart {
		at := r.Time
		if at == "" {
			at = "-"
		}
		fmt.Fprintf(w, "  %d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.Line, at, significant(r.Difference, 4), significant(r.EWMA, 4), significant(r.Lower, 4), significant(r.Upper, 4), r.EWMASignal,
			significant(r.High, 4), significant(r.Low, 4), r.CUSUM)
	}
	w.Flush()
	return b.String()
}
