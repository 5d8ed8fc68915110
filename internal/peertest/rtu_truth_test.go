package peertest

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Registers that tell on themselves: each point's value holds the number of the point and a generation, which grows while the line is
// played with. A value taken from another answer has another number, one kept from before an older generation than its stamp allows.
// Points of two words hold the generation in both, so that two halves of different answers do not match.
//
// They stand in groups too far apart to be asked together, all of one length, so that the answers to several questions look alike.

const (
	groups     = 3
	apart      = 100  // addresses from one group to the next
	perGroup   = 6    // points
	openWords  = 60   // addresses of a group that may be asked, for other lengths
	poison     = 0xEE // both bytes of every word that is no point
	ofOne      = groups * perGroup
	longWidth  = 2 // words: uint32 in holding registers of station 1
	shortWidth = 1 // uint16 in input registers of station 2
)

// addrOf is where the i-th point stands.
func addrOf(i, width int) int { return i/perGroup*apart + i%perGroup*width }

func longWords(point, gen int) (high, low int) { return point<<10 | gen&0x3FF, 1<<12 | gen&0xFFF }
func shortWord(point, gen int) int             { return point<<11 | gen&0x7FF }

// told reads a value back; the generation is negative where the two halves of a long one do not match.
func told(long bool, v uint32) (point, gen int) {
	if !long {
		return int(v) >> 11, int(v) & 0x7FF
	}
	if v>>16&0x3FF != v&0x3FF || v>>12&0xF != 1 {
		return int(v >> 26), -1
	}
	return int(v >> 26), int(v) & 0xFFF
}

// generation gives both stations all their values, a group in one command, so that no answer mixes two.
func generation(server *peer, gen int) {
	server.t.Helper()
	for g := range groups {
		var long, short []int
		for i := g * perGroup; i < (g+1)*perGroup; i++ {
			high, low := longWords(i, gen)
			long = append(long, high, low)
			short = append(short, shortWord(i, gen))
		}
		for station, words := range [][]int{long, short} {
			var line strings.Builder
			for len(words) < openWords {
				words = append(words, poison<<8|poison)
			}
			for _, w := range words {
				fmt.Fprintf(&line, " %04X", w)
			}
			server.do("unit %d", 1+station)
			server.do("%s %d%s", []string{"holding", "input"}[station], g*apart, line.String())
		}
	}
}

// truthSite is a site with these points on a line.
func truthSite(line string) string {
	var b strings.Builder
	b.WriteString("[site]\nname = \"larkfield-line\"\ntimezone = \"UTC\"\n")
	b.WriteString(strings.Replace(lineBus, "LINE", line, 1))
	describe := func(name, table, type_ string, width int) {
		var open []string
		for g := range groups {
			open = append(open, fmt.Sprintf("%q", fmt.Sprintf("%s %d-%d", table, g*apart+perGroup*width, g*apart+openWords-1)))
		}
		fmt.Fprintf(&b, "[map.%s]\nnumbering = \"wire\"\nturnaround = \"20ms\"\nalso_readable = [%s]\n[map.%s.point]\n", name, strings.Join(open, ", "), name)
		for i := range ofOne {
			fmt.Fprintf(&b, "p%d = { %s = %d, %s, unit = \"number\" }\n", i, table, addrOf(i, width), type_)
		}
	}
	describe("long", "holding", `type = "uint32", order = "ABCD"`, longWidth)
	describe("short", "input", `type = "uint16"`, shortWidth)
	b.WriteString(`[panel.b2]
title = "Boiler 2 feedwater"
sensor.long = { map = "long", bus = "panel-net", station = 1, period = "400ms" }
sensor.short = { map = "short", bus = "panel-net", station = 2, period = "400ms" }
[http]
listen = "127.0.0.1:0"
[logbook]
dir = "DIR"
flush = "1s"
`)
	return b.String()
}

// played is the mischief of these tests: one answer in five suffers. Answers come up to ten timeouts late, the timeout being that of the
// longest request: 3.5 characters, 8 bytes out and 29 back at 115200 baud, 20 ms of turnaround and 30 ms for the operating system.
var played = mischief{seed: 20261125, turn: 16 * time.Millisecond, drop: 0.05, late: 0.08, double: 0.07, lateMax: 550 * time.Millisecond}

func TestNoValueIsWrongThoughAnswersAreLateDoubledAndDropped(t *testing.T) {
	const (
		want    = 2000 // published values: one point of one round each
		atMost  = 3 * time.Minute
		look    = 50 * time.Millisecond
		renewed = 5 // looks a generation lasts
	)
	binary, program := tools(t)
	t.Parallel()
	r := startRelay(t, played)
	server := startServer(t, program, "serial", r.server, "115200", "N")
	var given []time.Time // when each generation was all there
	renew := func() {
		generation(server, len(given))
		given = append(given, time.Now())
	}
	renew()
	file, _ := site(t, 0, "", truthSite(r.line))
	d := startDaemon(t, binary, file)

	type one struct {
		point string
		stamp float64
	}
	seen := map[one]bool{}
	wrong := 0
	complain := func(format string, args ...any) {
		if wrong++; wrong <= 10 {
			t.Errorf(format, args...)
		}
	}
	again := time.NewTicker(look)
	defer again.Stop()
	start := time.Now()
	for n := 0; len(seen) < want; n++ {
		if n%renewed == renewed-1 {
			renew()
		}
		m := d.metrics()
		stamps := map[string]float64{}
		for _, x := range m {
			if x.family == "rillwatch_reading_last_good_timestamp_seconds" {
				stamps[x.labels["point"]] = x.value
			}
		}
		for _, x := range m {
			var sensor string
			var point int
			if x.family != numberFamily {
				continue
			}
			name := x.labels["point"]
			if _, err := fmt.Sscanf(strings.Replace(name, ".p", " ", 1), "%s %d", &sensor, &point); err != nil {
				t.Fatalf("a point %q", name)
			}
			key := one{name, stamps[name]}
			if seen[key] {
				continue
			}
			seen[key] = true
			at, gen := told(sensor == "long", uint32(x.value))
			switch {
			case at != point || gen < 0 || float64(uint32(x.value)) != x.value:
				complain("%s is published as %X: the value of point %d", name, uint32(x.value), at)
			case gen >= len(given):
				complain("%s is published with generation %d of %d", name, gen, len(given))
			// The value was asked for after this generation's successor was there. A millisecond is for the stamp's digits.
			case gen+1 < len(given) && given[gen+1].Add(time.Millisecond).Before(time.UnixMicro(int64(key.stamp*1e6))):
				complain("%s was asked for %v after generation %d was there and is published with generation %d", name,
					time.UnixMicro(int64(key.stamp*1e6)).Sub(given[gen+1]), gen+1, gen)
			}
		}
		if time.Since(start) > atMost {
			t.Fatalf("in %s %d values were published, want %d; %s", atMost, len(seen), want, r.done())
		}
		<-again.C
	}
	rounds, _ := d.metrics().one("rillwatch_judged_rounds_total", nil)
	t.Logf("figure: %d values published, %d wrong, %d generations, %g rounds, %.0f s; %s", len(seen), wrong, len(given), rounds, time.Since(start).Seconds(), r.done())
}

// TestTheSameMischiefFoolsAReaderThatTrustsTheLine is why the test above says something: the same relay, the same server and the same seed
// before a reader that takes the next answer of the right length for its own.
func TestTheSameMischiefFoolsAReaderThatTrustsTheLine(t *testing.T) {
	const (
		reads = 200
		wait  = 60 * time.Millisecond
	)
	_, program := tools(t)
	t.Parallel()
	r := startRelay(t, played)
	server := startServer(t, program, "serial", r.server, "115200", "N")
	generation(server, 0)
	line, err := os.OpenFile(r.line, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = line.Close() })
	right, wrong := 0, 0
	for i := range reads {
		point := i % ofOne
		addr := addrOf(point, shortWidth)
		if _, err := line.Write(framed(2, 4, byte(addr>>8), byte(addr), 0, 1)); err != nil {
			t.Fatal(err)
		}
		if err := line.SetReadDeadline(time.Now().Add(wait)); err != nil {
			t.Fatal(err)
		}
		var got []byte
		for b := make([]byte, 7); len(got) < 7; {
			n, err := line.Read(b[:7-len(got)])
			if got = append(got, b[:n]...); err != nil {
				break
			}
		}
		if len(got) < 7 || !soundFrame(got) {
			continue
		}
		if at, _ := told(false, uint32(got[3])<<8|uint32(got[4])); at == point {
			right++
		} else {
			wrong++
		}
	}
	if wrong == 0 {
		t.Errorf("of %d answers none was wrong: what the relay does harms nobody, so that nothing wrong was published proves nothing", right)
	}
	t.Logf("figure: a reader that trusts the line took %d answers of %d reads, %d of them wrong; %s", right+wrong, reads, wrong, r.done())
}
