package cli

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// surveyPeriod is the grid of a survey's rounds: as fast as any sensor may be asked, so that latency is known in seconds.
	surveyPeriod = 200 * time.Millisecond
	// silencesEnough is how often a station may be silent before it counts as not there: one lost answer is no silence.
	silencesEnough = 2
	// downEnough is how many rounds running a link may be down before the survey ends.
	downEnough = 3
	// stallMost is how long a survey goes on without learning anything: the longest that a silent station is left alone is shorter.
	stallMost = 2 * time.Minute
	looksMost = 1000
)

// settingsTried are the characters of a line that --settings all tries, the likeliest first: the standard's own default, what most devices
// come with, and the rest of the common rates. Common practice.
var settingsTried = func() (out []site.Bus) {
	for _, baud := range []int{19200, 9600, 38400, 57600, 115200, 4800, 2400} {
		for _, c := range []site.Bus{{Parity: "even", StopBits: 1}, {Parity: "none", StopBits: 1}, {Parity: "none", StopBits: 2}, {Parity: "odd", StopBits: 1}} {
			c.Baud = baud
			out = append(out, c)
		}
	}
	return out
}()

// surveyor is one call of the survey command.
type surveyor struct {
	line     lineFlags
	stations string
	read     []string
	wire     bool
	settings string
	looks    int
	json     bool
}

func surveyCommand() *cobra.Command {
	v := &surveyor{}
	c := &cobra.Command{
		Use:   "survey",
		Short: "Ask who answers on a bus, and say what each answer means",
		Long: `Ask who answers on a bus, and say what each answer means.

    rillwatch survey --config site.toml --bus line
    rillwatch survey --link tcp://10.0.40.21:502 --stations 1-4 --read holding:1
    rillwatch survey --link rtu:///dev/ttyUSB0 --baud 19200 --sole-master \
      --stations 1-8 --read holding:1 --settings all

On a serial line it listens first, and sends nothing where another master
speaks. It asks only what it is told: with --config the first point of each
map, with --read what stands there, of every station named. An exception is an
answer: the device is there. --settings all tries the common speeds and
parities, on a line that has no other master.

The sensor lines at the end are for the configuration. It reads only; it writes
to no device. Ctrl-C ends it with what is known by then.

Exit codes: 0 somebody answers, 1 nobody does or another master speaks, 64 wrong
usage, 78 bad configuration.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return v.run(c) },
	}
	v.line.flags(c)
	f := c.Flags()
	f.StringVar(&v.stations, "stations", "", "stations to ask, such as 1-8,17")
	f.StringArrayVar(&v.read, "read", nil, "what to ask of each, such as holding:1")
	f.BoolVar(&v.wire, "wire", false, "numbers are wire addresses, counted from 0")
	f.StringVar(&v.settings, "settings", "", "all: try the common speeds and parities of a serial line")
	f.IntVar(&v.looks, "looks", 10, "how often a station that answers is asked")
	f.BoolVar(&v.json, "json", false, "print JSON")
	return c
}

func (v *surveyor) run(c *cobra.Command) error {
	b, known, err := v.line.find()
	if err != nil {
		return err
	}
	if v.looks < 1 || v.looks > looksMost {
		return wrongUsage("--looks is 1 to %d", looksMost)
	}
	want, maps, err := v.wanted(b, known)
	if err != nil {
		return err
	}
	if err := mindDaemon(c, known, b, "rillwatch read --daemon"); err != nil {
		return err
	}
	turnaround := v.line.turnaround
	if known != nil && turnaround == 0 {
		i, _ := busOf(known, v.line.bus)
		turnaround = known.Turnaround(i)
	}
	switch v.settings {
	case "":
	case "all":
		return v.trySettings(c, b, turnaround, want)
	default:
		return wrongUsage("--settings %q: only all is known", v.settings)
	}
	found, err := v.ask(c, b, turnaround, want, v.looks)
	if err != nil {
		return err
	}
	return v.tell(c.OutOrStdout(), c.Context(), b, found, maps)
}

// wanted is what is asked of whom, and the map of each station where the configuration knows one.
func (v *surveyor) wanted(b site.Bus, known *site.Site) (want []wanted, maps map[uint8]string, err error) {
	var byHand []site.Span
	for _, text := range v.read {
		span, err := parseSpan(text, v.wire)
		if err != nil {
			return nil, nil, wrongUsage("--read: %w", err)
		}
		if span.Count > 125 {
			return nil, nil, wrongUsage("--read %s: one request takes at most 125", text)
		}
		byHand = append(byHand, span)
	}
	stations, err := parseStations(v.stations)
	if err != nil {
		return nil, nil, wrongUsage("--stations: %w", err)
	}
	maps = map[uint8]string{}
	if known != nil {
		for _, si := range b.Sensors {
			sensor := &known.Sensors[si]
			if maps[sensor.Station] != "" || len(stations) > 0 && !slices.Contains(stations, sensor.Station) || len(sensor.Points) == 0 {
				continue
			}
			maps[sensor.Station] = sensor.Map
			spans := byHand
			if len(spans) == 0 {
				spans = []site.Span{firstPoint(known, sensor)}
			}
			want = append(want, wanted{sensor.Station, spans, sensor.LongestRead})
		}
	}
	for _, n := range stations {
		if slices.ContainsFunc(want, func(w wanted) bool { return w.station == n }) {
			continue
		}
		if len(byHand) == 0 {
			return nil, nil, wrongUsage("no map tells what may be asked of station %d: say it with --read, such as --read holding:1", n)
		}
		want = append(want, wanted{n, byHand, 125})
	}
	if len(want) == 0 {
		return nil, nil, wrongUsage("say whom to ask with --stations, such as 1-8")
	}
	return want, maps, nil
}

// firstPoint is the registers of the point with the lowest address of a sensor.
func firstPoint(s *site.Site, sensor *site.Sensor) site.Span {
	first := sensor.Points[0]
	for _, pi := range sensor.Points {
		a, b := &s.Points[pi], &s.Points[first]
		if a.Addr < b.Addr || a.Addr == b.Addr && a.Table > b.Table {
			first = pi
		}
	}
	pt := &s.Points[first]
	return site.Span{Table: pt.Table, Addr: pt.Addr, Count: pt.Decode.Type.Words()}
}

// parseStations reads "1-8,17".
func parseStations(s string) ([]uint8, error) {
	var out []uint8
	for _, part := range strings.FieldsFunc(s, func(r rune) bool { return r == ',' || r == ' ' }) {
		from, to, more := strings.Cut(part, "-")
		if !more {
			to = from
		}
		a, err := strconv.Atoi(from)
		b, err2 := strconv.Atoi(to)
		if err != nil || err2 != nil || b < a {
			return nil, fmt.Errorf("%q: write such as 1-8,17", part)
		}
		for n := a; n <= b; n++ {
			if n < 1 || n > 247 && n != 255 {
				return nil, fmt.Errorf("%d: a station is 1 to 247, or 255 for a device spoken to directly", n)
			}
			if !slices.Contains(out, uint8(n)) {
				out = append(out, uint8(n))
			}
		}
	}
	return out, nil
}

// asked is what became of the questions to one station.
type asked struct {
	station  uint8
	span     site.Span
	faults   [reading.FaultCount]int
	outcomes int
	took     []time.Duration // of answers and exceptions
	told     bool
}

// outcome counts one read.
func (a *asked) outcome(r reading.Read) {
	a.faults[r.Fault]++
	a.outcomes++
	if r.Fault == reading.Answered || exception(r.Fault) {
		a.took = append(a.took, r.Took)
	}
}

// exception tells whether a fault is a device's or a gateway's own word.
func exception(f reading.Fault) bool {
	return f >= reading.IllegalFunction && f <= reading.OtherException
}

// there tells whether an answer comes from the device itself, and not from the gateway before it.
func there(f reading.Fault) bool {
	return f == reading.Answered || exception(f) && f != reading.NoPath && f != reading.TargetSilent
}

func garbled(f reading.Fault) bool {
	return f == reading.BadCRC || f == reading.BadFrame || f == reading.OutOfStep
}

// is the station's answer in one word: what it did most tellingly.
func (a *asked) is() reading.Fault {
	for _, f := range []reading.Fault{reading.BadCRC, reading.BadFrame, reading.OutOfStep} {
		if f == reading.OutOfStep && a.faults[reading.Timeout] > 0 && a.faults[reading.Answered] == 0 {
			continue // what came in its place was another station's, late
		}
		if a.faults[f] > 0 {
			return f
		}
	}
	if a.faults[reading.Answered] > 0 {
		return reading.Answered
	}
	for f := reading.IllegalFunction; f <= reading.OtherException; f++ {
		if a.faults[f] > 0 {
			return f
		}
	}
	for _, f := range []reading.Fault{reading.Closed, reading.Timeout} {
		if a.faults[f] > 0 {
			return f
		}
	}
	return reading.NotAsked
}

// enough tells whether no more need be asked.
func (a *asked) enough(looks int) bool {
	switch a.is() {
	case reading.Timeout, reading.TargetSilent, reading.NoPath, reading.Closed:
		return a.outcomes >= min(looks, silencesEnough)
	}
	return a.outcomes >= looks
}

// survey is what became of a bus.
type survey struct {
	stations []*asked
	foreign  bool          // another master was heard
	sent     bool          // before that something had been asked
	down     reading.Fault // how the link failed, where nothing could be asked at all
	early    bool          // interrupted
}

// ask asks every station until enough is known of each.
func (v *surveyor) ask(c *cobra.Command, b site.Bus, turnaround time.Duration, want []wanted, looks int) (*survey, error) {
	w := c.ErrOrStderr()
	s, checked := siteOf(b, turnaround, want)
	s.Buses[0].Period = surveyPeriod
	if !checked {
		fmt.Fprintln(w, "asked in one way only: behind a gateway an answer to another question would not show")
	}
	out := &survey{}
	for _, q := range want {
		for _, span := range q.spans {
			out.stations = append(out.stations, &asked{station: q.station, span: span})
		}
	}
	listening, down, known := false, 0, -1
	var since time.Duration // of the last news
	err := rounds(c.Context(), s, 0, v.line.log(c), func(batch reading.Batch) bool {
		for _, r := range batch.Reads {
			switch {
			case r.Fault == reading.Listening:
				if !listening {
					listening = true
					fmt.Fprintf(w, "listening for %s whether another master speaks; nothing is sent\n", b.Listen)
				}
			case r.Fault == reading.AnotherMaster:
				out.foreign = true
			case r.Fault == reading.Answered || exception(r.Fault) || garbled(r.Fault) || r.Fault == reading.Timeout || r.Fault == reading.Closed:
				out.sent = true
				for _, a := range out.stations {
					if a.station == r.Station && a.span.Table == r.Table && r.Addr >= a.span.Addr && int(r.Addr) < int(a.span.Addr)+a.span.Count {
						if a.outcome(r); !a.told {
							a.told = true
							fmt.Fprintf(w, "station %d: %s\n", a.station, resultWord(r.Fault))
						}
					}
				}
			case r.Fault != reading.NotAsked && r.Fault != reading.HeldBack && r.Fault != reading.NotVouched && r.Fault != reading.NotConnected:
				out.down = r.Fault
			}
		}
		if batch.Last && out.down != reading.NotAsked && !out.sent {
			if down++; down >= downEnough {
				return false
			}
		}
		if n := out.known(looks); n != known || listening && !out.sent {
			known, since = n, batch.At.Up
		} else if batch.At.Up-since > stallMost {
			fmt.Fprintf(w, "nothing new for %s: that is all\n", stallMost)
			return false
		}
		return !out.foreign && slices.ContainsFunc(out.stations, func(a *asked) bool { return !a.enough(looks) })
	})
	out.early = c.Context().Err() != nil
	return out, err
}

// known counts the outcomes that are of use.
func (f *survey) known(looks int) (n int) {
	for _, a := range f.stations {
		n += min(a.outcomes, looks)
	}
	return n
}

// trySettings asks once with each of the common settings of a line. It listens in full before the first, and again for a moment before each:
// bytes of another master are heard whatever their speed.
func (v *surveyor) trySettings(c *cobra.Command, b site.Bus, turnaround time.Duration, want []wanted) error {
	switch {
	case b.Scheme != "rtu":
		return wrongUsage("--settings: the speed of a line behind %s:// is set there, not here", b.Scheme)
	case !b.SoleMaster:
		return wrongUsage("--settings all needs a line that has no other master: --sole-master")
	}
	w, talk := c.OutOrStdout(), c.ErrOrStderr()
	b.Timeout = 0 // another for each speed
	fmt.Fprintf(w, "%-7s %-7s %-5s %-9s %s\n", "baud", "parity", "stop", "stations", "result")
	some := false
	for _, setting := range settingsTried {
		b.Baud, b.Parity, b.StopBits = setting.Baud, setting.Parity, setting.StopBits
		fmt.Fprintf(talk, "%d baud, parity %s, %s\n", b.Baud, b.Parity, count(b.StopBits, "stop bit", "stop bits"))
		found, err := v.ask(c, b, turnaround, want, 1)
		if err != nil {
			return err
		}
		by := map[string][]string{}
		var words []string
		for _, a := range found.stations {
			word := resultWord(a.is())
			if a.is() == reading.Timeout || a.is() == reading.NotAsked {
				continue
			}
			some = some || !garbled(a.is())
			if by[word] == nil {
				words = append(words, word)
			}
			by[word] = append(by[word], strconv.Itoa(int(a.station)))
		}
		for _, word := range words {
			fmt.Fprintf(w, "%-7d %-7s %-5d %-9s %s\n", b.Baud, b.Parity, b.StopBits, strings.Join(by[word], ","), word)
		}
		switch {
		case found.foreign || found.early:
			return v.tell(io.Discard, c.Context(), b, found, nil)
		case !found.sent && found.down != reading.NotAsked:
			return exit{exitFailed, fmt.Errorf("%s: %s", b.Link, downWords(b, found.down))}
		}
		b.Listen = min(b.Listen, relisten)
	}
	if !some {
		return exit{exitFailed, errors.New("nobody answers with any of them")}
	}
	return nil
}
