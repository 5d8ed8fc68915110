package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/config"
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

// resultWord is an answer in a word or two.
func resultWord(f reading.Fault) string {
	switch {
	case f == reading.Answered:
		return "answers"
	case f == reading.OutOfStep:
		return "out of step"
	case garbled(f):
		return "garbled"
	case f == reading.Timeout:
		return "nothing"
	case f == reading.Closed:
		return "hangs up"
	case f == reading.NotAsked:
		return "not asked"
	}
	for code, e := range exceptionCodes {
		if e == f {
			return fmt.Sprintf("exception %02X", code)
		}
	}
	return "exception"
}

// exceptionCodes by their number: Modbus Application Protocol V1.1b3, 7.
var exceptionCodes = map[int]reading.Fault{1: reading.IllegalFunction, 2: reading.IllegalAddress, 3: reading.IllegalValue, 4: reading.DeviceFailure, 5: reading.LongJob,
	6: reading.Busy, 8: reading.MemoryParity, 0x0A: reading.NoPath, 0x0B: reading.TargetSilent}

// meaning says what an answer means to who stands at the panel; empty for one that needs no words.
func meaning(f reading.Fault, serial bool) string {
	switch {
	case f == reading.Answered:
		return ""
	case f == reading.OutOfStep:
		return "answers came that were not asked for here: two devices on one station (this one or another), or one that answers twice or late"
	case garbled(f):
		if serial {
			return "two devices on one station, or another speed, parity or wiring than the line's: look for a second device with this number, then try --settings all"
		}
		return "answers that are not Modbus or not to this question: two devices on one station behind the gateway, or another program's port"
	case f == reading.Closed:
		return "the gateway or device ends the connection when this is asked: it may allow no such station or read, or serve one connection only"
	case f == reading.Timeout && serial:
		return "no device, another station number, or another speed, parity or wiring"
	case f == reading.Timeout:
		return "no device with this number, or a gateway that does not say so"
	}
	switch f {
	case reading.IllegalFunction:
		return "a device is there and does not know this kind of read: try the other table (holding, input)"
	case reading.IllegalAddress:
		return "a device is there, this address is not: the number may be off by one, or in the other table"
	case reading.IllegalValue:
		return "a device is there and refuses the length: it may want a whole block, or fewer"
	case reading.DeviceFailure:
		return "a device is there and reports a failure of its own"
	case reading.LongJob, reading.Busy:
		return "a device is there and busy: ask again later"
	case reading.MemoryParity:
		return "a device is there and reports a memory error"
	case reading.NoPath:
		return "the gateway is alive and has no path to this station: look at its own settings"
	case reading.TargetSilent:
		return "the gateway is alive, the device behind it is silent: power, wiring, station number, or the speed of the line behind the gateway"
	case reading.NotAsked:
		return "not asked before the end"
	}
	return "a device is there and answers with an exception of its own"
}

// share is the value below which so many of a hundred lie, by nearest rank.
func share(of []time.Duration, percent int) time.Duration {
	if len(of) == 0 {
		return 0
	}
	sorted := slices.Clone(of)
	slices.Sort(sorted)
	return sorted[max(0, int(math.Ceil(float64(percent)/100*float64(len(sorted))))-1)]
}

type stationJSON struct {
	Station  uint8          `json:"station"`
	Read     string         `json:"read"`
	Wire     uint16         `json:"wire"`
	Result   string         `json:"result"`
	Meaning  string         `json:"meaning"`
	Outcomes map[string]int `json:"outcomes"`
	P50MS    *float64       `json:"p50_ms"`
	P99MS    *float64       `json:"p99_ms"`
}

// tell prints what was found. The error carries the exit code.
func (v *surveyor) tell(w io.Writer, ctx context.Context, b site.Bus, found *survey, maps map[uint8]string) error {
	if !found.sent && !found.foreign && found.down != reading.NotAsked {
		return exit{exitFailed, fmt.Errorf("%s: %s", b.Link, downWords(b, found.down))}
	}
	if v.json {
		if err := printJSON(w, found.json(b)); err != nil {
			return err
		}
	} else if _, err := io.WriteString(w, found.text(b, maps)); err != nil {
		return err
	}
	switch {
	case found.foreign && !found.sent:
		return exit{exitFailed, errors.New("another master speaks on this line; nothing was sent. Read that master's own output instead")}
	case found.foreign:
		return exit{exitFailed, errors.New("another master speaks on this line; nothing more was sent. Read that master's own output instead")}
	case found.early:
		return exit{exitFailed, errors.New("interrupted")}
	case !slices.ContainsFunc(found.stations, func(a *asked) bool { return there(a.is()) }):
		return exit{exitFailed, errors.New("nobody answers")}
	}
	return nil
}

// downWords says why a link could not be taken up.
func downWords(b site.Bus, f reading.Fault) string {
	if b.Scheme == "rtu" && f == reading.Refused {
		return "another program has the serial device"
	}
	return f.Words()
}

func (f *survey) json(b site.Bus) []stationJSON {
	out := []stationJSON{}
	for _, a := range f.stations {
		j := stationJSON{Station: a.station, Read: spanText(a.span), Wire: a.span.Addr, Result: resultWord(a.is()), Meaning: meaning(a.is(), b.Serial()), Outcomes: map[string]int{}}
		for i, n := range a.faults {
			if n > 0 {
				j.Outcomes[reading.Fault(i).String()] = n
			}
		}
		if len(a.took) > 0 {
			p50, p99 := ms(share(a.took, 50)), ms(share(a.took, 99))
			j.P50MS, j.P99MS = &p50, &p99
		}
		out = append(out, j)
	}
	return out
}

func ms(d time.Duration) float64 {
	return float64(d.Round(10*time.Microsecond)) / float64(time.Millisecond)
}

// spanText is a run of registers as a manual that counts from 1 prints it.
func spanText(s site.Span) string {
	text := s.Table.String() + " " + config.ManualNumber(s.Table, s.Addr)
	if s.Count > 1 {
		text += "-" + config.ManualNumber(s.Table, s.Addr+uint16(s.Count)-1)
	}
	return text
}

func (f *survey) text(b site.Bus, maps map[uint8]string) string {
	var t strings.Builder
	fmt.Fprintf(&t, "%-8s %-22s %5s  %-14s %8s %8s %8s\n", "station", "read", "wire", "result", "answers", "p50 ms", "p99 ms")
	var paste []string
	for _, a := range f.stations {
		is := a.is()
		p50, p99 := "", ""
		if len(a.took) > 0 {
			p50, p99 = fmt.Sprintf("%.1f", ms(share(a.took, 50))), fmt.Sprintf("%.1f", ms(share(a.took, 99)))
		}
		row := fmt.Sprintf("%-8d %-22s %5d  %-14s %8s %8s %8s", a.station, spanText(a.span), a.span.Addr, resultWord(is), fmt.Sprintf("%d/%d", len(a.took), a.outcomes), p50, p99)
		t.WriteString(strings.TrimRight(row, " ") + "\n")
		if m := meaning(is, b.Serial()); m != "" {
			t.WriteString(wrap("         "+m, "         ", 78))
		}
		if !there(is) {
			continue
		}
		kind := maps[a.station]
		if kind == "" {
			kind = "MAP"
		}
		if line := fmt.Sprintf("sensor.s%d = { map = %q, bus = %q, station = %d }", a.station, kind, b.Name, a.station); !slices.Contains(paste, line) {
			paste = append(paste, line)
		}
	}
	if len(paste) > 0 {
		t.WriteString("\n# for a panel of the configuration, each with its own name and map\n" + strings.Join(paste, "\n") + "\n")
	}
	return t.String()
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
