package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"rillwatch/internal/config"
	"rillwatch/internal/guess"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	shownLines = 12 // lines of a table: what a person looks through
)

// decoder is one call of the decode command.
type decoder struct {
	line    lineFlags
	station int
	words   []string
	at      string
	read    []string
	wire    bool
	longest int

	quantity, unit, top string
	shown               []string
	within              float64
	number              int64
	typ, order, name    string
	keep                string
	all, json           bool
	wanted              guess.Wanted
	looks               []guess.Look
	unread              []site.Span // of this call's look
}

func decodeCommand() *cobra.Command {
	d := &decoder{}
	c := &cobra.Command{
		Use:   "decode",
		Short: "Find the map line that gives what a device's display shows",
		Long: `Find the map line by which the registers of a device give what its display
shows. Every type, order of bytes, power of ten and sign is tried at every
address.

Look once, then wait until the display shows something else and look again:

    rillwatch decode --link tcp://10.0.40.21:502 --station 1 \
      --read holding:40001-40012 --quantity dissolved-oxygen --unit ppb \
      --number 40001 --shown 18.4 --keep oxygen.looks

The file of --keep holds the looks so far, and each call adds one. "18.4" means
18.35 to 18.45: write the digits that the display shows. --number, --type and
--order are what the manual says; what is off by one or swapped is named.

Words may be given instead of read, a group for each --shown:

    rillwatch decode --at holding:40001 --words "3333 4193" --shown 18.4 \
      --words "cccd 4194" --shown 18.6

Without --shown it lists the sensible readings, the most plausible first, and
what was set aside and why. It reads only; it writes to no device.

Exit codes: 0 something fits, 1 nothing does or nothing was read, 64 wrong
usage, 78 bad configuration.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return d.run(c) },
	}
	d.line.flags(c)
	f := c.Flags()
	f.IntVar(&d.station, "station", 1, "station to read from")
	f.StringArrayVar(&d.read, "read", nil, "registers to read, such as holding:40001-40012")
	f.BoolVar(&d.wire, "wire", false, "numbers are wire addresses, counted from 0")
	f.IntVar(&d.longest, "longest-read", 125, "most registers in one request")
	f.StringArrayVar(&d.words, "words", nil, "words in hex, instead of reading")
	f.StringVar(&d.at, "at", "holding:1", "where the first of --words stands")
	f.StringVar(&d.quantity, "quantity", "", "what is measured, such as dissolved-oxygen")
	f.StringVar(&d.unit, "unit", "", "the display's unit")
	f.StringVar(&d.top, "top", "", "top of the sensor's range: lines too narrow for it are left out")
	f.StringArrayVar(&d.shown, "shown", nil, "what the display shows now")
	f.Float64Var(&d.within, "within", 0, "how far the value may have moved since, in the unit")
	f.Int64Var(&d.number, "number", -1, "the register's number as the manual prints it")
	f.StringVar(&d.typ, "type", "", "the type that the manual says")
	f.StringVar(&d.order, "order", "", "the order of bytes that the manual says")
	f.StringVar(&d.name, "name", "point", "name of the point in the map line")
	f.StringVar(&d.keep, "keep", "", "file that keeps the looks")
	f.BoolVar(&d.all, "all", false, "list everything")
	f.BoolVar(&d.json, "json", false, "print JSON")
	return c
}

func wrongUsage(format string, args ...any) error {
	return exit{exitUsage, fmt.Errorf(format, args...)}
}

func (d *decoder) run(c *cobra.Command) error {
	if err := d.settle(); err != nil {
		return err
	}
	if err := d.mindKept(); err != nil {
		return err
	}
	if err := d.takeLooks(c); err != nil {
		return err
	}
	if len(d.shown) == 0 && d.keep == "" {
		return d.list(c.OutOrStdout())
	}
	if d.keep != "" {
		if err := d.keepLooks(); err != nil {
			return err
		}
	}
	return d.judge(c.OutOrStdout())
}

// settle reads the options.
func (d *decoder) settle() error {
	w := &d.wanted
	if d.quantity != "" {
		q, ok := quantity.ParseQuantity(d.quantity)
		if !ok || q == quantity.State {
			return wrongUsage("--quantity %q is none; rillwatch water units lists them", d.quantity)
		}
		w.Quantity, w.Unit = q, q.Units()[0]
	}
	if d.unit != "" {
		u, err := quantity.ParseUnit(d.unit, w.Quantity)
		if err != nil {
			return wrongUsage("--unit: %w", err)
		}
		w.Unit, w.Quantity = u, u.Quantity()
	}
	if w.Quantity != quantity.None {
		w.Possible = config.FaultRange(w.Quantity, w.Unit)
	}
	if d.top != "" {
		v, err := strconv.ParseFloat(d.top, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return wrongUsage("--top %q is no number", d.top)
		}
		w.HasTop, w.Top = true, v
	}
	if d.typ != "" {
		t, ok := site.ParseType(d.typ)
		if !ok || t == site.Bit {
			return wrongUsage("--type %q is none of int16 uint16 int32 uint32 float32 float64", d.typ)
		}
		w.Type = t
	}
	if d.order != "" {
		o, ok := site.ParseOrder(d.order)
		if !ok {
			return wrongUsage("--order %q is none of ABCD CDAB BADC DCBA", d.order)
		}
		w.HasOrder, w.Order = true, o
	}
	if d.within < 0 || math.IsNaN(d.within) || math.IsInf(d.within, 0) {
		return wrongUsage("--within is a distance in the display's unit")
	}
	if d.longest < 1 || d.longest > 125 {
		return wrongUsage("--longest-read is 1 to 125 (Modbus Application Protocol V1.1b3, 6.3)")
	}
	switch {
	case len(d.words) > 0 && len(d.read) > 0:
		return wrongUsage("give --words or --read, not both")
	case len(d.words) > 0 && len(d.shown) > 0 && len(d.words) != len(d.shown):
		return wrongUsage("there are %d --words and %d --shown: each look is one of both", len(d.words), len(d.shown))
	case len(d.words) == 0 && len(d.shown) > 1:
		return wrongUsage("one --shown a call when reading live: the display and the registers are looked at together (keep the looks with --keep FILE)")
	case len(d.words) > 1 && len(d.shown) == 0:
		return wrongUsage("one --words, or a --shown for each")
	case len(d.words) == 0 && len(d.read) == 0 && d.keep == "":
		return wrongUsage("give --words, or --read and a bus")
	case len(d.read) > 0 && len(d.shown) == 0 && d.keep != "":
		return wrongUsage("a look to keep needs --shown, what the display shows now")
	}
	return nil
}

// takeLooks reads the words, live or from the options.
func (d *decoder) takeLooks(c *cobra.Command) error {
	var spans [][]guess.Span
	switch {
	case len(d.words) > 0:
		at, err := parseSpan(d.at, d.wire)
		if err != nil {
			return wrongUsage("--at: %w", err)
		}
		if at.Table.Bits() {
			return wrongUsage("--at: a bit is one value already; a register is holding or input")
		}
		for _, text := range d.words {
			words, err := parseWords(text)
			if err != nil {
				return wrongUsage("--words: %w", err)
			}
			if int(at.Addr)+len(words) > 65536 {
				return wrongUsage("--words: %d words from wire address %d run past the last register", len(words), at.Addr)
			}
			spans = append(spans, []guess.Span{{Table: at.Table, Addr: at.Addr, Words: words}})
		}
	case len(d.read) > 0:
		got, err := d.live(c)
		if err != nil {
			return err
		}
		spans = append(spans, got)
	}
	for i, s := range spans {
		k := guess.Look{Spans: s, Unread: d.unread}
		if len(d.shown) > 0 {
			shown, err := guess.ParseShown(d.shown[i])
			if err != nil {
				return wrongUsage("--shown %w", err)
			}
			shown.Half += d.within
			k.Shown = shown
		}
		d.looks = append(d.looks, k)
	}
	if d.number >= 0 && len(d.looks) > 0 {
		return d.place(d.looks[0].Spans[0].Table)
	}
	return nil
}

// place finds the wire address of --number.
func (d *decoder) place(t reading.Table) error {
	addr, err := config.WireAddress(t, d.number, d.wire)
	if err != nil {
		return wrongUsage("--number: %w", err)
	}
	d.wanted.HasNumber, d.wanted.Addr, d.wanted.Wire = true, addr, d.wire
	return nil
}

// parseSpan reads TABLE:NUMBER or TABLE:FIRST-LAST.
func parseSpan(s string, wire bool) (site.Span, error) {
	table, numbers, _ := strings.Cut(s, ":")
	t, ok := reading.ParseTable(table)
	if !ok {
		return site.Span{}, fmt.Errorf("%q: write TABLE:NUMBER or TABLE:FIRST-LAST, with holding, input, coil or discrete", s)
	}
	from, to, more := strings.Cut(numbers, "-")
	if !more {
		to = from
	}
	var addr [2]uint16
	for i, text := range []string{from, to} {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return site.Span{}, fmt.Errorf("%q: %q is no number", s, text)
		}
		if addr[i], err = config.WireAddress(t, n, wire); err != nil {
			return site.Span{}, fmt.Errorf("%q: %w", s, err)
		}
	}
	if addr[1] < addr[0] {
		return site.Span{}, fmt.Errorf("%q: the last is before the first", s)
	}
	return site.Span{Table: t, Addr: addr[0], Count: int(addr[1]) - int(addr[0]) + 1}, nil
}

// parseWords reads words in hex, with or without 0x, parted by spaces or commas.
func parseWords(s string) ([]uint16, error) {
	var out []uint16
	for _, f := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || r == ',' || r == '\n' || r == '\t' }) {
		n, err := strconv.ParseUint(strings.TrimPrefix(strings.ToLower(f), "0x"), 16, 16)
		if err != nil {
			return nil, fmt.Errorf("%q is no word of four hex digits", f)
		}
		out = append(out, uint16(n))
	}
	if len(out) == 0 || len(out) > guess.WordsMax {
		return nil, fmt.Errorf("want 1 to %d words", guess.WordsMax)
	}
	return out, nil
}

// live reads the registers. Where a device refuses a request for its addresses or its length, the halves are asked, down to single ones:
// a hole refuses the whole of what it is in (Modbus Application Protocol V1.1b3, 7, code 02).
func (d *decoder) live(c *cobra.Command) ([]guess.Span, error) {
	b, known, err := d.line.find()
	if err != nil {
		return nil, err
	}
	if d.station < 1 || d.station > 255 {
		return nil, wrongUsage("--station is 1 to 247, or 255 for a device spoken to directly")
	}
	pending := []site.Span{}
	total := 0
	for _, text := range d.read {
		span, err := parseSpan(text, d.wire)
		if err != nil {
			return nil, wrongUsage("--read: %w", err)
		}
		if span.Table.Bits() {
			return nil, wrongUsage("--read %s: a bit is one value already; a register is holding or input", text)
		}
		if len(pending) > 0 && span.Table != pending[0].Table {
			return nil, wrongUsage("--read: one table at a time")
		}
		pending = append(pending, span)
		total += span.Count
	}
	if total > guess.WordsMax {
		return nil, wrongUsage("--read: %d registers, and at most %d are looked through at once", total, guess.WordsMax)
	}
	if err := mindDaemon(c, known, b, "--words"); err != nil {
		return nil, err
	}
	w := c.ErrOrStderr()
	turnaround := d.line.turnaround
	if known != nil && turnaround == 0 {
		i, _ := busOf(known, d.line.bus)
		turnaround = known.Turnaround(i)
	}
	got := map[int]uint16{}
	asked := slices.Clone(pending)
	for longest := d.longest; len(pending) > 0; longest = (longest + 1) / 2 {
		s, checked := siteOf(b, turnaround, []wanted{{uint8(d.station), pending, longest}})
		if !checked {
			fmt.Fprintln(w, "asked in one way only: behind a gateway an answer to another question would not show")
		}
		ctx, cancel := context.WithTimeout(c.Context(), liveMost(b))
		a, err := gather(ctx, s, 0, d.line.log(c), func(what string) { fmt.Fprintln(w, what) })
		cancel()
		if err != nil {
			return nil, fmt.Errorf("the bus cannot be asked: %w", err)
		}
		var refused []site.Span
		for _, r := range a.reads {
			switch {
			case r.Fault == reading.Answered:
				for i, x := range r.Words {
					got[int(r.Addr)+i] = x
				}
			case (r.Fault == reading.IllegalAddress || r.Fault == reading.IllegalValue) && r.Count > 1 && longest > 1:
				refused = append(refused, site.Span{Table: r.Table, Addr: r.Addr, Count: int(r.Count)})
			case r.Fault == reading.IllegalAddress || r.Fault == reading.IllegalFunction:
				fmt.Fprintf(w, "%s wire %d: %s\n", r.Table, r.Addr, r.Fault.Words())
			case len(got) == 0:
				if _, _, ok := a.of(r.Station, r.Table, r.Addr, 1); ok && r.Fault != reading.HeldBack {
					err = fmt.Errorf("station %d: %s", r.Station, downWords(b, r.Fault))
				}
			}
		}
		if err != nil && len(got) == 0 && len(refused) == 0 {
			return nil, err
		}
		pending, b.Listen = refused, min(b.Listen, relisten)
	}
	table := asked[0]
	var out []guess.Span
	for a := range 65536 {
		x, ok := got[a]
		if !ok {
			if slices.ContainsFunc(asked, func(s site.Span) bool { return a >= int(s.Addr) && a < int(s.Addr)+s.Count }) {
				d.unread = behind(d.unread, table.Table, a)
			}
			continue
		}
		if n := len(out); n > 0 && int(out[n-1].Addr)+len(out[n-1].Words) == a {
			out[n-1].Words = append(out[n-1].Words, x)
		} else {
			out = append(out, guess.Span{Table: table.Table, Addr: uint16(a), Words: []uint16{x}})
		}
	}
	if len(out) == 0 {
		return nil, errors.New("no register was answered")
	}
	return out, nil
}

// behind puts an address behind a row of spans.
func behind(spans []site.Span, t reading.Table, addr int) []site.Span {
	if n := len(spans); n > 0 && int(spans[n-1].Addr)+spans[n-1].Count == addr {
		spans[n-1].Count++
		return spans
	}
	return append(spans, site.Span{Table: t, Addr: uint16(addr), Count: 1})
}

// mapLine is a line of a register map as a person pastes it.
func mapLine(name string, l guess.Line, w guess.Wanted, wire bool) string {
	number := config.ManualNumber(l.Table, l.Addr)
	if wire {
		number = strconv.Itoa(int(l.Addr))
	}
	s := fmt.Sprintf("%s = { %s = %s, type = %q", name, l.Table, number, l.Type)
	if l.Type.Words() > 1 {
		s += fmt.Sprintf(", order = %q", l.Order)
	}
	if t := l.ScaleText(); t != "" {
		s += ", scale = " + t
	}
	if w.Quantity != quantity.None {
		if _, err := quantity.ParseUnit(w.Unit.Name(), quantity.None); err != nil {
			s += fmt.Sprintf(", quantity = %q", w.Quantity)
		}
		s += fmt.Sprintf(", unit = %q", w.Unit.Name())
	} else {
		s += `, unit = "number"`
	}
	return s + " }"
}

func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}
