package cli_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// millSite is one panel whose registers are whole numbers, so that a test can write what they hold by hand.
const millSite = `[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.panel-net]
link = "tcp://127.0.0.1:502"
direct = true
[map.rack.point]
oxygen = { holding = 40001, type = "int16", scale = 0.1, quantity = "dissolved-oxygen", unit = "ppb" }
temperature = { holding = 40002, type = "int16", scale = 0.1, unit = "degC" }
flow = { holding = 40003, type = "uint16", unit = "mL/min" }
valve_closed = { discrete = 10001 }
[panel.b2]
title = "Boiler 2 feedwater"
tap = "before-scavenger"
sensor.rack = { map = "rack", bus = "panel-net", station = 1, refresh = "1s" }
line = { length_m = 15, bore_mm = 4, coil_mL = 100, cell_mL = 100, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "49 degC", valve_closed = "rack.valve_closed" }
[panel.b2.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ppb"
source = { document = "Larkfield feedwater specification", edition = "rev 3", band = "20 to 40 bar", tap = "before-scavenger" }
action = "confirm by an ampoule test"
[logbook]
dir = "$DIR/book"
[http]
listen = "$LISTEN"
`

// shift is what the registers hold from a second of the story on.
type shift struct {
	from                      int
	oxygen, temperature, flow uint16 // tenths of ppb, tenths of degC, mL/min
	closed                    uint16
}

// night is the story of a night at Larkfield mill, from 01:30:00 UTC: the valve is opened at 01:44:10; at 02:10 oxygen rises beyond its limit,
// at 02:20 it falls; at 02:40 the flow stops with the valve open.
var night = []shift{{0, 63, 212, 0, 1}, {850, 63, 254, 200, 0}, {2400, 231, 254, 200, 0}, {3000, 63, 254, 203, 0}, {4200, 63, 254, 0, 0}}

// writeNight writes the night with the engine and the logbook's own writer, as the daemon does: a commit every ten seconds. From minute 80 to 85
// no daemon runs. It ends at 03:00:00.
func writeNight(dir, text string) (*site.Site, error) {
	s, _, err := config.Parse("site.toml", []byte(text))
	if err != nil {
		return nil, err
	}
	book, err := logbook.Open(dir, time.Second)
	if err != nil {
		return nil, err
	}
	begin := time.Date(2026, 11, 25, 1, 30, 0, 0, time.UTC)
	for _, b := range []struct {
		nonce    string
		from, to int
	}{{"00000001", 0, 80 * 60}, {"00000002", 85 * 60, 90 * 60}} {
		if err := writeBoot(book, s, b.nonce, begin, b.from, b.to); err != nil {
			return nil, err
		}
	}
	return s, book.Close()
}

func writeBoot(book *logbook.Book, s *site.Site, nonce string, begin time.Time, from, to int) error {
	restored, err := book.Restore()
	if err != nil {
		return err
	}
	zero := begin.Add(time.Duration(from) * time.Second)
	at := func(second int, late time.Duration) reading.Stamp {
		up := time.Duration(second-from)*time.Second + late
		return reading.Stamp{Wall: reading.WallOf(zero.Add(up)), Up: up}
	}
	row := logbook.BootRow{Nonce: nonce, WallAtZero: reading.WallOf(zero), WallCertain: true, Hash: s.Hash, Version: "test"}
	if err := book.Begin(row, logbook.EntriesOf(s)); err != nil {
		return err
	}
	e := engine.New(s)
	c := logbook.Commit{Boot: nonce, WallCertain: true}
	take := func(in engine.Input) {
		o := e.Step(in)
		for _, j := range o.Readings {
			if !s.Points[j.Point].Derived() {
				c.Samples = append(c.Samples, logbook.Sample{Point: j.Point, Sample: j.Sample, Reason: j.Reading.Reason})
			}
		}
		c.Events, c.Excursions = append(c.Events, o.Events...), append(c.Excursions, o.Records...)
		c.Through, c.At = o.Seq, o.At
	}
	take(engine.Boot{Nonce: nonce, At: at(from, 0), WallCertain: true, Hash: s.Hash, Before: restored.Before, States: restored.States})
	now := night[0]
	for second := from; second < to; second++ {
		for _, n := range night {
			if n.from <= second {
				now = n
			}
		}
		sent := at(second, 0)
		read := func(t reading.Table, words ...uint16) reading.Read {
			return reading.Read{Station: 1, Table: t, Count: uint16(len(words)), Words: words, Fault: reading.Answered, Sent: sent, Took: 20 * time.Millisecond}
		}
		take(engine.Batch{Batch: reading.Batch{Slot: uint64(second - from), Last: true, At: at(second, 40*time.Millisecond),
			Reads: []reading.Read{read(reading.Holding, now.oxygen, now.temperature, now.flow), read(reading.Discrete, now.closed)}}})
		take(engine.Tick{At: at(second, 500*time.Millisecond)})
		if (second+1)%10 == 0 {
			c.States = e.States()
			if err := book.Commit(c); err != nil {
				return err
			}
			c = logbook.Commit{Boot: nonce, WallCertain: true}
			take(engine.Committed{Seq: c.Through, At: at(second, 600*time.Millisecond)})
		}
	}
	return nil
}

// openNight gives a directory with site.toml and the logbook of the night under "book".
func openNight(t *testing.T) (dir string, s *site.Site) {
	t.Helper()
	dir = t.TempDir()
	text := millText(dir, "127.0.0.1:9618")
	s, err := writeNight(filepath.Join(dir, "book"), text)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "site.toml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir, s
}

func millText(dir, listen string) string {
	return os.Expand(millSite, func(name string) string { return map[string]string{"DIR": dir, "LISTEN": listen}[name] })
}

// nightMain is the command "night" of the scripts: it writes the night into book and its site.toml, whose daemon would listen at $LISTEN.
// With "serve" it keeps the logbook open behind the daemon's own API, at $LISTEN, until its input ends.
func nightMain() {
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	dir, err := os.Getwd()
	fail(err)
	text := millText(dir, os.Getenv("LISTEN"))
	if len(os.Args) < 2 {
		_, err := writeNight("book", text)
		fail(err)
		fail(os.WriteFile("site.toml", []byte(text), 0o600))
		return
	}
}
