package cli

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/config"
	"rillwatch/internal/guess"
	"rillwatch/internal/site"
)

const (
	proofLock   = 2 * time.Second  // how long a logbook in use is waited for
	readWithin  = 30 * time.Second // how long a point without a value is waited for
	csvMost     = 1 << 20          // bytes of a file of displays
	proofLookAt = 100 * time.Millisecond
)

// prover is one call of the prove command.
type prover struct {
	ask       asker
	points    []string
	from      string
	tolerance float64
	list      bool
	site      *site.Site
}

func proveCommand() *cobra.Command {
	p := &prover{}
	c := &cobra.Command{
		Use:   "prove FILE",
		Short: "Compare every point with its device's display, and keep the proof",
		Long: `Walk the points of a configuration: it shows what is read, you type what the
device's own display shows, and the comparison goes into the logbook with your
name and the name of the map line. A line that is changed afterwards has lost
its proof.

One value proves no scale: a point is proven when two values agree. Come back
when the display shows something else. They agree when they differ by no more
than half a step of the display, half a step of the register, and --tolerance,
in the point's unit, for a value that moves. Both display and reading must have
moved by more than the two looks allow, and by ten times the tolerance.

    rillwatch prove site.toml --who "Kim Reed"
    rillwatch prove site.toml --who "Kim Reed" --shown displays.csv
    rillwatch prove site.toml --list

The lines of a CSV are POINT,SHOWN, and a third field may say the tolerance.
While the daemon of this file runs, what it reads is compared, and it keeps the
proof: it needs the token then (--token-file, or http.token_file in FILE).

It reads only; it writes to no device. Exit codes: 0 all that was compared
agrees (with --list: all points are proven), 1 something does not, 64 wrong
usage, 78 bad configuration.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error { return p.run(c, args[0]) },
	}
	f := c.Flags()
	f.StringVar(&p.ask.who, "who", os.Getenv("USER"), "your name, for the logbook")
	f.StringVar(&p.ask.why, "why", "", "why, for the logbook")
	f.StringVar(&p.ask.api, "api", "", "address of the daemon, when it is not the one in FILE")
	f.StringVar(&p.ask.tokenFile, "token-file", "", "file that holds the command token")
	f.StringArrayVar(&p.points, "point", nil, "only this point, such as b2.rack.oxygen")
	f.StringVar(&p.from, "shown", "", "CSV file of what the displays show; - for stdin")
	f.Float64Var(&p.tolerance, "tolerance", 0, "how far reading and display may differ besides, in the point's unit")
	f.BoolVar(&p.list, "list", false, "only say which points are proven, by whom")
	return c
}

// display is what one display shows.
type display struct {
	point     int
	shown     guess.Shown
	step      float64
	tolerance float64
}

func (p *prover) run(c *cobra.Command, file string) error {
	s, _, err := config.Load(file)
	if err != nil {
		return configError(err)
	}
	p.site = s
	for _, path := range p.points {
		if p.pointNamed(path) == site.None {
			return wrongUsage("--point %s: no such point is read from a device", path)
		}
	}
	if p.list {
		return p.tellStandings(c)
	}
	if strings.TrimSpace(p.ask.who) == "" {
		return wrongUsage("say who you are with --who: the logbook keeps who did what")
	}
	if !distance(p.tolerance) {
		return wrongUsage("--tolerance is a distance in the point's unit, not below 0 and not without end")
	}
	named := p.ask.api != ""
	if !named {
		p.ask.api = "http://" + reachable(s.HTTP.Listen)
	}
	p.ask.config = ""
	if err := p.ask.address(); err != nil {
		return err
	}
	if p.view(c.Context()) != nil {
		if _, err := p.daemonReadings(c); err != nil {
			return err
		}
		if p.ask.tokenFile == "" {
			p.ask.tokenFile = s.HTTP.TokenFile
		}
		fmt.Fprintln(c.ErrOrStderr(), "the daemon runs: what it reads is compared, and it keeps the proof")
		return p.walk(c, p.byDaemon(c), p.putByDaemon)
	}
	if named {
		return exit{exitFailed, fmt.Errorf("no daemon of site %s answers at %s", s.Name, p.ask.api)}
	}
	src, err := p.ownReader(c)
	if err != nil {
		return err
	}
	defer src.stop()
	return p.walk(c, src.value, p.putByHand)
}

// distance tells whether a number can be one: a NaN compares with nothing, and an infinity with everything.
func distance(v float64) bool { return v >= 0 && !math.IsInf(v, 1) }

func (p *prover) pointNamed(path string) int {
	for i := range p.site.Points {
		if p.site.Points[i].Path == path && provable(p.site, i) {
			return i
		}
	}
	return site.None
}

// wantedPoints are the points to walk: those named, or all that are read from a device.
func (p *prover) wantedPoints() (out []int) {
	for i := range p.site.Points {
		if pt := &p.site.Points[i]; provable(p.site, i) && (len(p.points) == 0 || slices.Contains(p.points, pt.Path)) {
			out = append(out, i)
		}
	}
	return out
}

// shown is what is read of a point, as a person compares it.
type shownValue struct {
	value float64
	text  string
	why   string // why there is no exact value; empty when there is
}

// compared is what became of one comparison.
type compared uint8

const (
	notCompared compared = iota
	agrees
	differs
)

// walk compares point by point. A device that shows nothing new can be passed over.
func (p *prover) walk(c *cobra.Command, read func(int) shownValue, put func(*cobra.Command, display, shownValue) (compared, string, error)) error {
	var n [differs + 1]int
	one := func(d display) error {
		v := read(d.point)
		if v.why != "" {
			n[notCompared]++
			_, err := fmt.Fprintf(c.OutOrStdout(), "%s: nothing to compare with: %s\n", p.site.Points[d.point].Path, v.why)
			return err
		}
		ok, words, err := put(c, d, v)
		if err != nil {
			return err
		}
		n[ok]++
		_, err = io.WriteString(c.OutOrStdout(), wrap(words, "  ", 78))
		return err
	}
	if p.from != "" {
		all, err := p.fromCSV(c)
		if err != nil {
			return err
		}
		for _, d := range all {
			if err := one(d); err != nil {
				return err
			}
		}
	} else {
		without, err := p.fromKeyboard(c, read, one)
		if n[notCompared] += without; err != nil {
			return err
		}
	}
	var bad []string
	if k := n[differs]; k > 0 {
		bad = append(bad, count(k, "point does", "points do")+" not agree with the display")
	}
	if k := n[notCompared]; k > 0 {
		bad = append(bad, count(k, "point", "points")+" could not be compared")
	}
	if n[agrees]+n[differs]+n[notCompared] == 0 {
		bad = append(bad, "nothing was compared")
	}
	if len(bad) > 0 {
		return exit{exitFailed, errors.New(strings.Join(bad, ", "))}
	}
	return nil
}

// fromKeyboard asks for each display in turn, and counts the points without a value.
func (p *prover) fromKeyboard(c *cobra.Command, read func(int) shownValue, one func(display) error) (without int, err error) {
	in := bufio.NewScanner(c.InOrStdin())
	for _, i := range p.wantedPoints() {
		pt := &p.site.Points[i]
		v := read(i)
		if v.why != "" {
			without++
			fmt.Fprintf(c.ErrOrStderr(), "%s: %s\n", pt.Path, v.why)
			continue
		}
		for {
			fmt.Fprintf(c.ErrOrStderr(), "%s reads %s. What does its display show, in %s? (Enter passes it over, q ends) ", pt.Path, v.text, pt.Unit.Name())
			if !in.Scan() {
				fmt.Fprintln(c.ErrOrStderr())
				return without, in.Err()
			}
			text := strings.TrimSpace(in.Text())
			if text == "" {
				break
			}
			if text == "q" {
				return without, nil
			}
			d, err := p.displayOf(i, text, p.tolerance)
			if err != nil {
				fmt.Fprintln(c.ErrOrStderr(), err)
				continue
			}
			if err := one(d); err != nil {
				return without, err
			}
			break
		}
	}
	return without, nil
}

func (p *prover) displayOf(point int, text string, tolerance float64) (display, error) {
	shown, err := guess.ParseShown(text)
	if err != nil {
		return display{}, err
	}
	d := display{point: point, shown: shown, step: 2 * shown.Half, tolerance: tolerance}
	if p.site.Points[point].Decode.Type == site.Bit {
		if d.step = 0; shown.Value != 0 && shown.Value != 1 {
			return d, errors.New("a bit is 0 or 1")
		}
	}
	return d, nil
}

// fromCSV reads POINT,SHOWN[,TOLERANCE].
func (p *prover) fromCSV(c *cobra.Command) ([]display, error) {
	in := c.InOrStdin()
	if p.from != "-" {
		f, err := os.Open(p.from)
		if err != nil {
			return nil, exit{exitUsage, err}
		}
		defer f.Close()
		in = f
	}
	raw, err := io.ReadAll(io.LimitReader(in, csvMost))
	if err != nil {
		return nil, err
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf")))) // spreadsheets put a byte order mark
	r.FieldsPerRecord, r.Comment, r.TrimLeadingSpace = -1, '#', true
	var out []display
	for {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, wrongUsage("%s: %w", p.from, err)
		}
		line, _ := r.FieldPos(0)
		if len(out) == 0 && rec[0] == "point" {
			continue
		}
		bad := func(format string, args ...any) error {
			return wrongUsage("%s: line %d: %w", p.from, line, fmt.Errorf(format, args...))
		}
		if len(rec) < 2 || len(rec) > 3 {
			return nil, bad("write POINT,SHOWN or POINT,SHOWN,TOLERANCE")
		}
		i := p.pointNamed(rec[0])
		if i == site.None {
			return nil, bad("%q: no such point is read from a device", rec[0])
		}
		tolerance := p.tolerance
		if len(rec) == 3 {
			if tolerance, err = strconv.ParseFloat(strings.TrimSpace(rec[2]), 64); err != nil || !distance(tolerance) {
				return nil, bad("%q is no tolerance", rec[2])
			}
		}
		d, err := p.displayOf(i, rec[1], tolerance)
		if err != nil {
			return nil, bad("%w", err)
		}
		out = append(out, d)
	}
}
