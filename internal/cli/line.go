package cli

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/bus"
	"rillwatch/internal/bus/plan"
	"rillwatch/internal/config"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// What the commands at the panel share: a bus by its options, and some rounds over it by the same guarded rounds that the daemon makes.

// lineFlags name one bus: one of a configuration, or a link of its own.
type lineFlags struct {
	config, bus     string
	link, parity    string
	baud, stopBits  int
	sole, direct    bool
	timeout, listen time.Duration
	turnaround      time.Duration
	verbose         bool
}

func (l *lineFlags) flags(c *cobra.Command) *cobra.Command {
	f := c.Flags()
	f.StringVar(&l.config, "config", "", "take the bus from this configuration")
	f.StringVar(&l.bus, "bus", "", "name of the bus in it, where it has several")
	f.StringVar(&l.link, "link", "", "the bus itself, such as tcp://HOST:502 or rtu:///dev/ttyUSB0")
	f.IntVar(&l.baud, "baud", 0, "rate of a serial line, such as 19200")
	f.StringVar(&l.parity, "parity", "", "parity of a serial line: even (as when left out), odd or none")
	f.IntVar(&l.stopBits, "stop-bits", 0, "stop bits of a serial line")
	f.BoolVar(&l.sole, "sole-master", false, "nobody else asks on this serial line")
	f.BoolVar(&l.direct, "direct", false, "the endpoint is the device itself and no gateway")
	f.DurationVar(&l.timeout, "timeout", 0, "how long an answer is waited for")
	f.DurationVar(&l.turnaround, "turnaround", 0, "serial: how long a device may take before it answers")
	f.DurationVar(&l.listen, "listen", 0, "serial: how long to listen first (30s)")
	f.BoolVarP(&l.verbose, "verbose", "v", false, "say on stderr what becomes of the link")
	return c
}

// find gives the bus, without what is asked on it, and the site it was taken from, if any.
func (l *lineFlags) find() (site.Bus, *site.Site, error) {
	switch {
	case l.link != "" && l.config != "":
		return site.Bus{}, nil, exit{exitUsage, errors.New("name a bus by --config or by --link, not by both")}
	case l.link != "":
		b, err := l.ofLink()
		return b, nil, err
	case l.config == "":
		return site.Bus{}, nil, exit{exitUsage, errors.New("say which bus: --config FILE, or --link such as tcp://HOST:502")}
	}
	s, _, err := config.Load(l.config)
	if err != nil {
		return site.Bus{}, nil, configError(err)
	}
	i, err := busOf(s, l.bus)
	if err != nil {
		return site.Bus{}, nil, err
	}
	return s.Buses[i], s, nil
}

func busOf(s *site.Site, name string) (int, error) {
	if name == "" && len(s.Buses) == 1 {
		return 0, nil
	}
	names := make([]string, len(s.Buses))
	for i := range s.Buses {
		if names[i] = s.Buses[i].Name; names[i] == name {
			return i, nil
		}
	}
	if name == "" {
		return 0, exit{exitUsage, fmt.Errorf("say which bus with --bus: %s", strings.Join(names, ", "))}
	}
	return 0, exit{exitUsage, fmt.Errorf("there is no bus %q: %s", name, strings.Join(names, ", "))}
}

// ofLink reads a link by the rules of the configuration, so that both refuse the same with the same words.
func (l *lineFlags) ofLink() (site.Bus, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "[site]\nname = \"by-hand\"\n[bus.line]\nlink = %q\n", l.link)
	if l.timeout > 0 {
		fmt.Fprintf(&b, "timeout = %q\n", l.timeout)
	}
	serial := strings.HasPrefix(l.link, "rtu")
	if l.baud > 0 {
		fmt.Fprintf(&b, "baud = %d\n", l.baud)
	}
	if l.parity != "" {
		fmt.Fprintf(&b, "parity = %q\n", l.parity)
	}
	if l.stopBits > 0 {
		fmt.Fprintf(&b, "stop_bits = %d\n", l.stopBits)
	}
	if l.sole {
		b.WriteString("sole_master = true\n")
	}
	if l.listen > 0 {
		fmt.Fprintf(&b, "listen = %q\n", l.listen)
	}
	if !serial {
		b.WriteString("direct = true\n") // of the two dummy registers below nothing is asked
	}
	b.WriteString("[map.m.point]\na = { holding = 1, type = \"uint16\", unit = \"number\" }\n[panel.p]\nsensor.s = { map = \"m\", bus = \"line\", station = 1, period = \"1m\" }\n[logbook]\ndir = \"/nowhere\"\n")
	s, _, err := config.Parse("--link", []byte(b.String()))
	var mistakes config.Mistakes
	if errors.As(err, &mistakes) {
		var lines []string
		for _, m := range mistakes {
			lines = append(lines, "--"+strings.ReplaceAll(strings.TrimPrefix(m.Path, "bus.line."), "_", "-")+": "+m.What+" ("+m.Do+")")
		}
		return site.Bus{}, exit{exitUsage, errors.New(strings.Join(lines, "\n"))}
	}
	if err != nil {
		return site.Bus{}, err
	}
	out := s.Buses[0]
	out.Direct = l.direct
	if serial && l.timeout == 0 {
		out.Timeout = 0 // from what is asked
	}
	return out, nil
}

// wanted is what is asked of one station.
type wanted struct {
	station uint8
	spans   []site.Span
	longest int
}

// byHandPeriod is the grid of rounds asked by hand: as often as sensors of a panel are asked.
const byHandPeriod = time.Second

// siteOf is a site of one bus on which nothing but what is wanted is asked: one register or bit a point. checked is false where everything can be
// asked in one way only, so that a gateway's mix-up would not show.
func siteOf(b site.Bus, turnaround time.Duration, want []wanted) (s *site.Site, checked bool) {
	s = &site.Site{Name: "by-hand", Zone: time.UTC, ZoneName: "UTC"}
	b.Period, b.Sensors = byHandPeriod, nil
	for i, w := range want {
		sensor := site.Sensor{Path: fmt.Sprintf("by-hand.s%d", i), Panel: site.None, Station: w.station, Every: 1, Period: byHandPeriod, LongestRead: w.longest, Turnaround: turnaround}
		for _, span := range w.spans {
			sensor.Allowed = append(sensor.Allowed, span)
			for k := range span.Count {
				typ := site.Uint16
				if span.Table.Bits() {
					typ = site.Bit
				}
				sensor.Points = append(sensor.Points, len(s.Points))
				s.Points = append(s.Points, site.Point{Path: fmt.Sprintf("%s.%s%d", sensor.Path, span.Table, int(span.Addr)+k), Panel: site.None, Sensor: i,
					Table: span.Table, Addr: span.Addr + uint16(k), Decode: site.Decode{Type: typ, Scale: 1}})
			}
		}
		b.Sensors = append(b.Sensors, i)
		s.Sensors = append(s.Sensors, sensor)
	}
	s.Buses = []site.Bus{b}
	checked = true
	if !b.Serial() && !b.Direct {
		p := plan.Of(s, 0)
		if checked = slices.ContainsFunc(p.Requests, p.Bendable); !checked {
			s.Buses[0].Direct = true
		}
	}
	return s, checked
}

// clock gives stamps from now on.
func clock() func() reading.Stamp {
	start := time.Now()
	return func() reading.Stamp {
		now := time.Now()
		return reading.Stamp{Wall: reading.WallOf(now), Up: now.Sub(start)}
	}
}

// rounds makes rounds over a bus and gives every batch to take, until it wants no more or ctx ends.
func rounds(ctx context.Context, s *site.Site, i int, log *slog.Logger, take func(reading.Batch) bool) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	out := make(chan reading.Batch)
	done := make(chan error, 1)
	go func() { done <- bus.Run(ctx, s, i, clock(), nil, out, log) }()
	for {
		select {
		case err := <-done:
			return err
		case b := <-out:
			if !take(b) {
				cancel()
				return <-done
			}
		}
	}
}

// answers is what was read so far, the latest last.
type answers struct {
	reads []reading.Read
	last  bool // a whole round is in
}

func (a *answers) add(b reading.Batch) {
	a.reads = append(a.reads, b.Reads...)
	a.last = b.Last
}

// of is the latest read that covers a run of addresses, with its words.
func (a *answers) of(station uint8, t reading.Table, addr uint16, n int) (r reading.Read, words []uint16, ok bool) {
	for i := len(a.reads) - 1; i >= 0; i-- {
		r = a.reads[i]
		from := int(addr) - int(r.Addr)
		if r.Station != station || r.Table != t || from < 0 || from+n > int(r.Count) {
			continue
		}
		if r.Fault == reading.Answered {
			words = r.Words[from : from+n]
		}
		return r, words, true
	}
	return reading.Read{}, nil, false
}

// passing tells whether a fault says nothing yet: the next round may know more.
func passing(f reading.Fault) bool {
	switch f {
	case reading.NotAsked, reading.HeldBack, reading.Listening, reading.NotVouched, reading.OutOfStep, reading.NotConnected:
		return true
	}
	return false
}

// roundsMost bounds how often what says nothing yet is asked again by hand.
const roundsMost = 5

// gather makes rounds until everything on a bus was asked and says what became of it, or roundsMost are over. While the line is
// listened to there is no round, and talk is told so once.
func gather(ctx context.Context, s *site.Site, i int, log *slog.Logger, talk func(string)) (*answers, error) {
	a := &answers{}
	listening, made := false, 0
	err := rounds(ctx, s, i, log, func(b reading.Batch) bool {
		if slices.ContainsFunc(b.Reads, func(r reading.Read) bool { return r.Fault == reading.Listening }) {
			if !listening {
				listening = true
				talk(fmt.Sprintf("listening for %s whether another master speaks; nothing is sent", s.Buses[i].Listen))
			}
			return true
		}
		a.add(b)
		if slices.ContainsFunc(b.Reads, func(r reading.Read) bool { return r.Fault == reading.AnotherMaster }) {
			return false
		}
		if !b.Last {
			return true
		}
		if made++; made >= roundsMost {
			return false
		}
		for _, si := range s.Buses[i].Sensors {
			sensor := &s.Sensors[si]
			for _, pi := range sensor.Points {
				pt := &s.Points[pi]
				if pt.Derived() {
					continue
				}
				if r, _, ok := a.of(sensor.Station, pt.Table, pt.Addr, pt.Decode.Type.Words()); !ok || passing(r.Fault) {
					return true
				}
			}
		}
		return false
	})
	return a, err
}

func (l *lineFlags) log(c *cobra.Command) *slog.Logger {
	if l.verbose {
		return logger(c.ErrOrStderr())
	}
	return slog.New(slog.DiscardHandler)
}
