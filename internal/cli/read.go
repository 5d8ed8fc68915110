package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/panel/decode"
	"rillwatch/internal/panel/validate"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// reader is one call of the read command.
type reader struct {
	bus                         string
	watch, json, daemon, detail bool
}

func readCommand() *cobra.Command {
	r := &reader{}
	c := &cobra.Command{
		Use:   "read FILE",
		Short: "Read every point once, without the daemon",
		Long: `Make one round over the buses of a configuration and show of each point its
register, the raw words, the value, what may be believed of it and how long the
answer took. It asks, decodes and judges as the daemon does, below water and
derived points included. Two things are for the daemon alone, which goes on
watching: whether the sensor stood in fresh, cooled water, and how a value moves
(frozen, jumped, contradicted). What a person enters is known to it alone too.

While the daemon of this file runs it asks nothing: a line takes one master.
--daemon shows what the daemon itself believes, over its API.

It reads only; it writes to no device. Exit codes: 0 every point has a value,
1 some have none or a bus could not be asked, 64 wrong usage, 78 bad
configuration.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			s, _, err := config.Load(args[0])
			if err != nil {
				return configError(err)
			}
			if r.daemon {
				return r.ofDaemon(c, s, args[0])
			}
			return r.run(c, s)
		},
	}
	f := c.Flags()
	f.StringVar(&r.bus, "bus", "", "ask on this bus only")
	f.BoolVar(&r.watch, "watch", false, "go on, and show each round")
	f.BoolVar(&r.json, "json", false, "print JSON, with --watch a line a round")
	f.BoolVar(&r.daemon, "daemon", false, "show what the running daemon believes instead")
	f.BoolVarP(&r.detail, "verbose", "v", false, "say on stderr what becomes of the links")
	return c
}

// rowJSON is one point as read.
type rowJSON struct {
	Point     string    `json:"point"`
	Bus       string    `json:"bus"`
	Station   uint8     `json:"station"`
	Table     string    `json:"table"`
	Number    string    `json:"number"` // as the file writes it
	Wire      uint16    `json:"wire"`
	Raw       []string  `json:"raw"` // words in hex
	Value     *float64  `json:"value"`
	Unit      string    `json:"unit"`
	Bound     string    `json:"bound,omitempty"`
	Quality   string    `json:"quality"`
	Reason    string    `json:"reason"`
	Words     string    `json:"words"`
	Fault     string    `json:"fault"`
	Derived   bool      `json:"derived,omitempty"` // computed from others: it has no register
	LatencyMS *float64  `json:"latency_ms"`
	reading   readingOf // for the table
}

type readingOf struct {
	point  int
	text   string
	sensor int // None for a derived point
	own    reading.Reading
}

// run reads the buses side by side.
func (r *reader) run(c *cobra.Command, s *site.Site) error {
	buses := make([]int, 0, len(s.Buses))
	for i := range s.Buses {
		if (r.bus == "" || s.Buses[i].Name == r.bus) && len(s.Buses[i].Sensors) > 0 {
			buses = append(buses, i)
		}
	}
	if len(buses) == 0 {
		_, err := busOf(s, r.bus)
		return errors.Join(err, exit{exitUsage, errors.New("nothing is asked on the buses of this file")})
	}
	if err := mindDaemon(c, s, s.Buses[buses[0]], "rillwatch read --daemon"); err != nil {
		return err
	}
	log := (&lineFlags{verbose: r.detail}).log(c)
	if r.watch {
		return r.watching(c, s, buses)
	}
	var mu sync.Mutex // talk of several buses
	talk := func(what string) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Fprintln(c.ErrOrStderr(), what)
	}
	got, errs := make([]*answers, len(buses)), make([]error, len(buses))
	var wait sync.WaitGroup
	for k, i := range buses {
		wait.Go(func() {
			ctx, cancel := context.WithTimeout(c.Context(), liveMost(s.Buses[i]))
			defer cancel()
			got[k], errs[k] = gather(ctx, s, i, log, func(what string) { talk("bus " + s.Buses[i].Name + ": " + what) })
		})
	}
	wait.Wait()
	if c.Context().Err() != nil {
		return exit{exitFailed, errors.New("interrupted")}
	}
	rows, bad := []rowJSON{}, 0
	for k, i := range buses {
		if errs[k] != nil {
			return errs[k]
		}
		rows = append(rows, rowsOf(s, i, got[k])...)
	}
	rows = together(s, rows)
	for _, row := range rows {
		if row.Value == nil {
			bad++
		}
	}
	if err := r.show(c.OutOrStdout(), s, rows); err != nil {
		return err
	}
	if bad > 0 {
		return exit{exitFailed, fmt.Errorf("%s without a value", count(bad, "point", "points"))}
	}
	return nil
}

// watching shows every round of every bus until it is interrupted.
func (r *reader) watching(c *cobra.Command, s *site.Site, buses []int) error {
	type news struct {
		k     int
		batch reading.Batch
	}
	ctx, cancel := context.WithCancel(c.Context())
	defer cancel()
	in, ended := make(chan news), make(chan error, len(buses))
	log := (&lineFlags{verbose: r.detail}).log(c)
	for k, i := range buses {
		go func() {
			ended <- rounds(ctx, s, i, log, func(b reading.Batch) bool {
				select {
				case in <- news{k, b}:
					return true
				case <-ctx.Done():
					return false
				}
			})
		}()
	}
	got := make([]answers, len(buses))
	for {
		select {
		case err := <-ended:
			return err // of a description that cannot be polled, or nil at the end
		case n := <-in:
			a := &got[n.k]
			if a.add(n.batch); len(a.reads) > readsKept {
				a.reads = append([]reading.Read(nil), a.reads[len(a.reads)-readsKept:]...)
			}
			if !n.batch.Last {
				continue
			}
			rows := []rowJSON{}
			for k, i := range buses {
				rows = append(rows, rowsOf(s, i, &got[k])...)
			}
			rows = together(s, rows)
			if !r.json {
				fmt.Fprint(c.OutOrStdout(), between(c.OutOrStdout()))
			}
			if err := r.show(c.OutOrStdout(), s, rows); err != nil {
				return err
			}
		}
	}
}

// readsKept bounds what --watch remembers of a bus: some rounds of the largest.
const readsKept = 4096

// between is what parts two rounds: on a terminal a cleared screen, elsewhere an empty line.
func between(w io.Writer) string {
	if f, ok := w.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
			return "\x1b[H\x1b[2J"
		}
	}
	return "\n"
}

// rowsOf judges what was read of one bus as the daemon judges a sensor's own quality.
func rowsOf(s *site.Site, bus int, a *answers) []rowJSON {
	var rows []rowJSON
	for _, si := range s.Buses[bus].Sensors {
		sensor := &s.Sensors[si]
		device := reading.Believed
		if st := sensor.Status; st.Configured {
			if in, _, _ := inputOf(s, si, st.Point, a); in.Fault == reading.Answered {
				device = validate.Says(st, in.Raw)
			}
		}
		for _, pi := range sensor.Points {
			pt := &s.Points[pi]
			if pt.Derived() {
				continue
			}
			in, words, asked := inputOf(s, si, pi, a)
			if !(sensor.Status.Configured && pi == sensor.Status.Point) {
				in.Device = device
			}
			_, out := validate.Step(pt, sensor.Refresh, validate.State{}, in)
			row := rowJSON{Point: pt.Path, Bus: s.Buses[bus].Name, Station: sensor.Station, Table: pt.Table.String(), Number: pt.Manual, Wire: pt.Addr, Raw: []string{}, Unit: pt.Unit.Name(),
				Fault: in.Fault.String(), reading: readingOf{point: pi, sensor: si}}
			row.take(s, out.Reading)
			if in.Fault != reading.Answered && in.Fault != reading.NotAsked {
				row.Words = downWords(s.Buses[bus], in.Fault)
			}
			for _, w := range words {
				row.Raw = append(row.Raw, fmt.Sprintf("%04x", w))
			}
			if asked.Took > 0 {
				ms := float64(asked.Took.Round(10*time.Microsecond)) / float64(time.Millisecond)
				row.LatencyMS = &ms
			}
			rows = append(rows, row)
		}
	}
	return rows
}

// inputOf is what was read of a point, as validate takes it.
func inputOf(s *site.Site, sensor, point int, a *answers) (in validate.Input, words []uint16, r reading.Read) {
	pt := &s.Points[point]
	r, words, ok := a.of(s.Sensors[sensor].Station, pt.Table, pt.Addr, pt.Decode.Type.Words())
	if !ok {
		return validate.Input{Fault: reading.NotAsked}, nil, r
	}
	in = validate.Input{Fault: r.Fault, At: r.Sent}
	if r.Fault == reading.Answered {
		if in.Raw, ok = decode.Raw(pt.Decode, words); !ok {
			in.Fault = reading.BadFrame
		}
	}
	return in, words, r
}

// valueText is a value with its unit, as a message writes it.
func valueText(pt *site.Point, r reading.Reading) string {
	if pt.Decode.Type == site.Bit {
		return fmt.Sprintf("%.0f", r.Value)
	}
	text := engine.Decimal(r.Value, pt.Resolution)
	if r.Bound != reading.Exact {
		text = r.Bound.String() + " " + text
	}
	return strings.TrimSpace(text + " " + pt.Unit.Display())
}

// show prints the rows, in JSON or as a table of 80 columns.
func (r *reader) show(w io.Writer, s *site.Site, rows []rowJSON) error {
	if r.json {
		if r.watch {
			return printJSONLine(w, rows)
		}
		return printJSON(w, rows)
	}
	var b strings.Builder
	last := site.None
	for i, row := range rows {
		if row.Derived {
			if i == 0 || !rows[i-1].Derived {
				b.WriteString("\nderived\n")
			}
			b.WriteString(derivedText(&s.Points[row.reading.point], row))
			continue
		}
		if si := row.reading.sensor; si != last {
			if last != site.None {
				b.WriteString("\n")
			}
			last = si
			sensor := &s.Sensors[si]
			fmt.Fprintf(&b, "%s: station %d on %s, map %s\n", sensor.Path, sensor.Station, row.Bus, sensor.Map)
			fmt.Fprintf(&b, "  %-13s %-14s %5s %-9s %-14s %-9s %6s\n", "point", "register", "wire", "raw", "value", "quality", "ms")
		}
		b.WriteString(rowText(&s.Points[row.reading.point], row))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// derivedText is a row without a register, in the columns of the others.
func derivedText(pt *site.Point, row rowJSON) string {
	text := strings.TrimRight(fmt.Sprintf("  %-45s %-14s %-9s", pt.Path, row.reading.text, row.Quality), " ") + "\n"
	if row.Reason != reading.Believed.Row().Name {
		text += wrap("      "+row.Reason+": "+row.Words, "      ", 78)
	}
	return text
}

func rowText(pt *site.Point, row rowJSON) string {
	name, more := pt.Name, ""
	if len(name) > 13 {
		name, more = "", "  "+pt.Name+"\n"
	}
	raw, value, ms := strings.Join(row.Raw, " "), row.reading.text, ""
	var below []string
	if len(raw) > 9 {
		below, raw = append(below, "raw "+raw), ""
	}
	if len(value) > 14 {
		below, value = append(below, value), ""
	}
	if row.LatencyMS != nil {
		ms = fmt.Sprintf("%.1f", *row.LatencyMS)
	}
	if row.Reason != reading.Believed.Row().Name {
		below = append(below, row.Reason+": "+row.Words)
	}
	text := more + strings.TrimRight(fmt.Sprintf("  %-13s %-14s %5d %-9s %-14s %-9s %6s", name, row.Table+" "+row.Number, row.Wire, raw, value, row.Quality, ms), " ") + "\n"
	for _, l := range below {
		text += wrap("      "+l, "      ", 78)
	}
	return text
}

// ofDaemon prints what the running daemon believes.
func (r *reader) ofDaemon(c *cobra.Command, s *site.Site, file string) error {
	if r.watch {
		return wrongUsage("--watch is for reading without the daemon")
	}
	body := daemonView(c.Context(), s, "/api/v1/readings")
	if body == nil {
		return exit{exitFailed, fmt.Errorf("no daemon of site %s answers at %s: start it with rillwatch run %s, or read without it", s.Name, reachable(s.HTTP.Listen), file)}
	}
	if r.json {
		_, err := c.OutOrStdout().Write(body)
		return err
	}
	all, err := parseReadings(body)
	if err != nil {
		return err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "What the daemon at %s believes, configuration %s\n", reachable(s.HTTP.Listen), all.Definition)
	if all.Definition != s.Hash {
		fmt.Fprintf(&b, "It was started with another text of the file; this one is %s.\n", s.Hash)
	}
	fmt.Fprintf(&b, "  %-28s %-18s %-9s %s\n", "point", "value", "quality", "reason")
	slices.SortStableFunc(all.Readings, func(a, b daemonReading) int { return strings.Compare(a.Panel+"."+a.Point, b.Panel+"."+b.Point) })
	for _, p := range all.Readings {
		value := ""
		if p.Value != nil {
			value = p.Value.String() + " " + p.Unit
			if p.Unit == "state" {
				value = p.Value.String()
			}
		}
		fmt.Fprintf(&b, "  %-28s %-18s %-9s %s\n", p.Panel+"."+p.Point, value, p.Quality, p.Reason)
	}
	_, err = io.WriteString(c.OutOrStdout(), b.String())
	return err
}
