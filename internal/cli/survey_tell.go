package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"rillwatch/internal/config"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

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
