package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"rillwatch/internal/quantity"
)

func waterCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "water",
		Short: "Reckon with water and steam, for a person at the panel",
		Long: `Reckon with water and steam by published equations: each figure comes with its
unit, whose equation it is, and where it holds.

Say every value with its unit, in any the trade uses: "120 degF", "30 psig",
"7 ppb", "0.25 in". rillwatch water units lists them. --unit NAME gives the
figures of that kind in that unit; --json gives all of it to a program.

Exit codes: 0 fine, 1 a value outside the range of the equation, 64 wrong usage.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(oxygenCommand(), pureCommand(), conductivityCommand(), ammoniaCommand(), cationCommand(), phCommand(), orpCommand(),
		scavengerCommand(), cyclesCommand(), tracerCommand(), deaeratorCommand(), steamCommand(), lineCommand(), checksCommand(), unitsCommand())
	return c
}

// source is where a figure comes from, where it holds and how far it can be off, as far as that is published.
type source struct{ by, valid, within string }

// figure is one answer: a number with its unit, or a word.
type figure struct {
	key, name string // in JSON, and on a screen
	value     float64
	unit      quantity.Unit
	label     string // the unit where no table has it, such as "mV/pH"
	digits    int    // significant ones on a screen; 4 where 0
	word      any    // a string, a bool or a count instead of the number
	from      source
}

// sheet is what one calculation was given and what it answers.
type sheet struct {
	command string
	flags   *cobra.Command
	given   []named
	figures []figure
	notes   []string
	json    bool
	units   []string // --unit

	chart     []chartRow // of checks, one a check
	chartUnit quantity.Unit
}

// named is one flag that carries a value.
type named interface {
	flag() string
	isSet() bool
	written() (value any, unit string) // a float64 or a word
}

// calculation is a subcommand of water. build declares its flags and gives back what is to be done with them.
func calculation(name, short, long string, build func(s *sheet) func() error) *cobra.Command {
	s := &sheet{command: "water " + name}
	c := &cobra.Command{Use: name, Short: short, Long: long, Args: cobra.NoArgs}
	s.flags = c
	reckon := build(s)
	c.Flags().StringArrayVar(&s.units, "unit", nil, "give figures of this kind in this `UNIT`; may be said again")
	c.Flags().BoolVar(&s.json, "json", false, "answer in JSON")
	c.Flags().SortFlags = false
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := reckon(); err != nil {
			return s.explain(err)
		}
		if err := s.convert(); err != nil {
			return err
		}
		if s.json {
			return s.writeJSON(c.OutOrStdout())
		}
		return s.write(c.OutOrStdout())
	}
	return c
}

func (s *sheet) tell(f figure) { s.figures = append(s.figures, f) }

func (s *sheet) note(text string) {
	for _, n := range s.notes {
		if n == text {
			return
		}
	}
	s.notes = append(s.notes, text)
}

// assume notes what quantity.Convert had to assume, once for all figures.
func (s *sheet) assume(assumed string) {
	if assumed != "" {
		s.note("ppb (by mass) and ug/L (in a volume), ppm and mg/L: " + assumed)
	}
}

// wrong is wrong usage.
func (s *sheet) wrong(format string, args ...any) error {
	return exit{exitUsage, fmt.Errorf(format+" (see rillwatch %s --help)", append(args, s.command)...)}
}

// need refuses where a flag that has no default was not said.
func (s *sheet) need(flags ...named) error {
	for _, f := range flags {
		if !f.isSet() {
			return s.wrong("--%s is missing", f.flag())
		}
	}
	return nil
}

// oneOf refuses where not exactly one of the flags was said.
func (s *sheet) oneOf(flags ...named) error {
	said, names := 0, make([]string, len(flags))
	for i, f := range flags {
		names[i] = "--" + f.flag()
		if f.isSet() {
			said++
		}
	}
	if said != 1 {
		return s.wrong("say one of %s", strings.Join(names, ", "))
	}
	return nil
}

// explain sets beside a refusal, which speaks in the units of the equation, what the person wrote.
func (s *sheet) explain(err error) error {
	if e := (exit{}); errors.As(err, &e) {
		return err
	}
	if given := s.said(); given != "" {
		return fmt.Errorf("%w (given: %s)", err, given)
	}
	return err
}

func inWords(g named) string {
	v, unit := g.written()
	if number, ok := v.(float64); ok {
		v = strconv.FormatFloat(number, 'g', -1, 64)
	}
	if v == true {
		return "" // its name says it
	}
	return strings.TrimSpace(fmt.Sprint(v) + " " + unit)
}

// said lists what was given, as a person reads it.
func (s *sheet) said() string {
	var given []string
	for _, g := range s.given {
		if g.isSet() {
			given = append(given, strings.TrimSpace(g.flag()+" "+inWords(g)))
		}
	}
	return strings.Join(given, ", ")
}

// convert turns figures into the units asked for with --unit. A unit that none of them has is a mistake.
func (s *sheet) convert() error {
	for _, name := range s.units {
		used, hint := false, ""
		for i := range s.figures {
			f := &s.figures[i]
			if f.unit == (quantity.Unit{}) || f.word != nil {
				continue
			}
			to, err := quantity.ParseUnit(name, f.unit.Quantity())
			if err != nil && ending(f.unit) != "" { // "psi" of an absolute pressure is psi(a), "degF" of a difference degF(diff)
				if with, no := quantity.ParseUnit(name+ending(f.unit), f.unit.Quantity()); no == nil {
					to, err = with, nil
				}
			}
			if err != nil {
				if hint == "" || errors.Is(err, quantity.ErrAmbiguousUnit) {
					hint = err.Error()
				}
				continue
			}
			v, assumed, err := quantity.Convert(f.value, f.unit, to)
			if errors.Is(err, quantity.ErrNeedsBarometer) && side(f.unit) != side(to) {
				continue // the other pressure of the answer may be the one that is meant
			}
			if err != nil {
				return exit{exitUsage, fmt.Errorf("--unit %s: %s: %w", name, f.name, err)}
			}
			s.assume(assumed)
			f.value, f.unit, used = v, to, true
		}
		if !used {
			if hint != "" {
				hint = ": " + hint
			}
			return exit{exitUsage, fmt.Errorf("--unit %s fits none of the figures%s", name, hint)}
		}
	}
	return nil
}

// ending is what a unit says in brackets at its end: "(g)", "(a)" or "(diff)".
func ending(u quantity.Unit) string {
	name := u.Name()
	if i := strings.LastIndexByte(name, '('); i > 0 && strings.HasSuffix(name, ")") {
		return name[i:]
	}
	return ""
}

// side is "(g)" or "(a)" of a unit of pressure.
func side(u quantity.Unit) string {
	if u.Quantity() == quantity.Pressure {
		return ending(u)
	}
	return ""
}

// write is for a person: the figures in a column, the sources numbered beneath, so that none is said twice.
func (s *sheet) write(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s\n", s.command, s.said())
	wide, wideValue := 0, 0
	for _, f := range s.figures {
		wide, wideValue = max(wide, len(f.name)), max(wideValue, len(f.printed()))
	}
	var sources []source
	for _, f := range s.figures {
		n := 0
		for i, known := range sources {
			if known == f.from {
				n = i + 1
			}
		}
		if n == 0 {
			sources = append(sources, f.from)
			n = len(sources)
		}
		fmt.Fprintf(&b, "  %-*s  %-*s  [%d]\n", wide, f.name, wideValue, f.printed(), n)
	}
	for i, from := range sources {
		fmt.Fprintf(&b, "[%d] %s\n", i+1, from.by)
		if from.valid != "" {
			fmt.Fprintf(&b, "    valid: %s\n", from.valid)
		}
		if from.within != "" {
			fmt.Fprintf(&b, "    uncertainty: %s\n", from.within)
		}
	}
	for _, n := range s.notes {
		fmt.Fprintf(&b, "note: %s\n", n)
	}
	b.WriteString(s.chartText())
	_, err := io.WriteString(w, b.String())
	return err
}

// printed is the figure with its unit as a person reads it.
func (f figure) printed() string {
	switch word := f.word.(type) {
	case bool:
		if word {
			return "yes"
		}
		return "no"
	case string:
		return word
	case int:
		return strconv.Itoa(word)
	}
	digits := f.digits
	if digits == 0 {
		digits = 4
	}
	return strings.TrimSpace(significant(f.value, digits) + " " + f.unitText())
}

func (f figure) unitText() string {
	if f.unit == (quantity.Unit{}) {
		return f.label
	}
	return f.unit.Display()
}

// significant writes v with that many significant digits and without an exponent where a person would not write one.
func significant(v float64, digits int) string {
	if v == 0 {
		return "0"
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64)
	size := math.Abs(rounded)
	if size < 1e-6 || size >= 1e12 {
		return strconv.FormatFloat(v, 'e', digits-1, 64)
	}
	return strconv.FormatFloat(rounded, 'f', max(0, digits-1-int(math.Floor(math.Log10(size)))), 64)
}

// valueJSON is one figure for a program: the number with every digit.
type valueJSON struct {
	Value       any    `json:"value"`
	Unit        string `json:"unit"`
	UCUM        string `json:"ucum,omitempty"`
	Source      string `json:"source"`
	Valid       string `json:"valid,omitempty"`
	Uncertainty string `json:"uncertainty,omitempty"`
}

type givenJSON struct {
	Value any    `json:"value"`
	Unit  string `json:"unit"`
}

func (s *sheet) writeJSON(w io.Writer) error {
	out := struct {
		Command string               `json:"command"`
		Given   map[string]givenJSON `json:"given"`
		Results map[string]valueJSON `json:"results"`
		Notes   []string             `json:"notes"`
		Chart   []chartRow           `json:"chart,omitempty"`
	}{s.command, map[string]givenJSON{}, map[string]valueJSON{}, append([]string{}, s.notes...), s.chart}
	for _, g := range s.given {
		if g.isSet() {
			v, unit := g.written()
			out.Given[strings.ReplaceAll(g.flag(), "-", "_")] = givenJSON{v, unit}
		}
	}
	for _, f := range s.figures {
		v := valueJSON{Value: f.value, Unit: f.label, Source: f.from.by, Valid: f.from.valid, Uncertainty: f.from.within}
		if f.unit != (quantity.Unit{}) {
			v.Unit, v.UCUM = f.unit.Name(), f.unit.UCUM()
		}
		if f.word != nil {
			v.Value = f.word
		}
		out.Results[f.key] = v
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(out)
}
