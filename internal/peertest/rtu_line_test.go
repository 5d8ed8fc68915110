package peertest

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// linePoints are all points of truthSite.
func linePoints() (out []string) {
	for i := range ofOne {
		out = append(out, fmt.Sprintf("long.p%d", i), fmt.Sprintf("short.p%d", i))
	}
	return out
}

// shownOf counts the points of a line that have a value in /metrics.
func (d *daemon) shownOf() int {
	d.t.Helper()
	m, n := d.metrics(), 0
	for _, p := range linePoints() {
		n += len(m.values("b2", p))
	}
	return n
}

// lineFault gives what the API says of every station of the one bus, when it says the same of all.
func (d *daemon) lineFault() (fault, words string, connected bool) {
	d.t.Helper()
	var body struct {
		Buses []struct {
			Connected bool `json:"connected"`
			Stations  []struct {
				Fault string `json:"fault"`
				Words string `json:"words"`
			} `json:"stations"`
		} `json:"buses"`
	}
	d.getJSON("/api/v1/status", &body)
	if len(body.Buses) != 1 || len(body.Buses[0].Stations) == 0 {
		d.t.Fatalf("/api/v1/status: %+v, want one bus with stations", body)
	}
	b := body.Buses[0]
	for _, s := range b.Stations {
		if s != b.Stations[0] {
			return fmt.Sprintf("%+v", b.Stations), "", b.Connected
		}
	}
	return b.Stations[0].Fault, b.Stations[0].Words, b.Connected
}

// allShown waits until every point of the line has a value.
func (d *daemon) allShown() time.Duration {
	d.t.Helper()
	return until(d.t, "every point of the line shown", patience, func() (bool, string) {
		n := d.shownOf()
		fault, _, connected := d.lineFault()
		return n == len(linePoints()), fmt.Sprintf("%d shown; the stations: %s, connected %t", n, fault, connected)
	})
}

// logged waits until the daemon's log has a line for the n-th time.
func (d *daemon) logged(what string, n int) {
	d.t.Helper()
	until(d.t, fmt.Sprintf("%q in the log %d times", what, n), patience, func() (bool, string) {
		have := strings.Count(d.said.String(), what)
		return have >= n, fmt.Sprintf("%d times", have)
	})
}

// master speaks on a line as another one would: a question to a station that nobody else asks, and its answer.
type master struct {
	stop chan struct{}
	gone sync.WaitGroup
}

func startMaster(r *relay, every time.Duration) *master {
	m := &master{stop: make(chan struct{})}
	m.gone.Go(func() {
		again := time.NewTicker(every)
		defer again.Stop()
		for {
			r.speak(framed(9, 3, 0, 16, 0, 1))
			r.speak(framed(9, 3, 2, 0x12, 0x34))
			select {
			case <-again.C:
			case <-m.stop:
				return
			}
		}
	})
	return m
}

func (m *master) silence() {
	close(m.stop)
	m.gone.Wait()
}

func TestNotAByteLeavesWhileAnotherMasterSpeaks(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	r := startRelay(t, mischief{})
	server := startServer(t, program, "serial", r.server, "115200", "N")
	generation(server, 1)
	other := startMaster(r, 200*time.Millisecond)
	file, _ := site(t, 0, "", truthSite(r.line))
	d := startDaemon(t, binary, file)

	// barred waits until the API says it, and for ten rounds more, in which nothing leaves.
	barred := func(told int) {
		t.Helper()
		until(t, "the API tells of another master", patience, func() (bool, string) {
			fault, words, _ := d.lineFault()
			return fault == "another_master" && strings.Contains(words, "another master"), fault + ": " + words
		})
		d.logged("another master is on this line", told)
		before := r.sent()
		d.roundsMore(10)
		if n := r.sent() - before; n != 0 {
			t.Errorf("%d bytes left while another master spoke", n)
		}
		if n := d.shownOf(); n != 0 {
			t.Errorf("%d points have a value while nothing is asked", n)
		}
		if fault, _, _ := d.lineFault(); fault != "another_master" {
			t.Errorf("after ten rounds the API says %s", fault)
		}
	}
	barred(1)
	if n := r.sent(); n != 0 {
		t.Errorf("%d bytes left since the start", n)
	}
	t.Logf("figure: %d bytes left in the first %d rounds beside another master", r.sent(), 10)

	other.silence()
	back := d.allShown()
	d.logged("the line is ours again", 1)
	if r.sent() == 0 {
		t.Error("values are shown and nothing was asked")
	}

	// It comes back in the middle of polling. A question that was on its way when it began to speak cannot be called back, and one more may
	// leave before this process was let run again; then nothing does.
	before := r.sent()
	other = startMaster(r, 200*time.Millisecond)
	barred(2)
	after := r.sent() - before
	if after > 2*8 {
		t.Errorf("%d bytes left after another master began to speak", after)
	}
	other.silence()
	again := d.allShown()
	t.Logf("figure: %d bytes left after another master began to speak in mid-polling; all points shown %d and %d ms after it fell silent (the listening is 1000 ms)",
		after, back.Milliseconds(), again.Milliseconds())
}

func TestAnUnpluggedAdapterIsNoticedAndTakenUpAgain(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	r := startRelay(t, mischief{})
	server := startServer(t, program, "serial", r.server, "115200", "N")
	generation(server, 1)
	file, _ := site(t, 0, "", truthSite(r.line))
	d := startDaemon(t, binary, file)
	d.allShown()
	with := d.share()

	for n := range 3 {
		r.unplug()
		noticed := until(t, "no reading of an unplugged line", patience, func() (bool, string) {
			shown := d.shownOf()
			return shown == 0, fmt.Sprintf("%d points are shown", shown)
		})
		until(t, "the API names it", patience, func() (bool, string) {
			fault, words, connected := d.lineFault()
			return fault == "unplugged" && !connected, fmt.Sprintf("%s (%s), connected %t", fault, words, connected)
		})
		without := d.share()
		// A read that ends at once for ever takes four fifths of a core; the tests' own scrapes are in both figures.
		if without > with+0.5 {
			t.Errorf("without a device %.2f of a core, with one %.2f: it spins", without, with)
		}
		generation(server, 2+n) // another value, so that an old one would be seen
		r.plug()
		back := d.allShown()
		m := d.metrics()
		for i := range ofOne {
			if v, ok := m.one(numberFamily, map[string]string{"panel": "b2", "point": fmt.Sprintf("short.p%d", i)}); !ok || int(v) != shortWord(i, 2+n) {
				t.Errorf("short.p%d is back with %v, want %d", i, v, shortWord(i, 2+n))
			}
		}
		t.Logf("figure: unplugged, no value after %d ms; %.2f of a core without a device, scraped all the time, and %.2f with one; plugged in, all values after %d ms",
			noticed.Milliseconds(), without, with, back.Milliseconds())
	}
	d.logged("bus lost", 3)
}

// share is how much of a core the daemon takes during six rounds.
func (d *daemon) share() float64 {
	d.t.Helper()
	start, spent := time.Now(), d.processor()
	d.roundsMore(6)
	return (d.processor() - spent).Seconds() / time.Since(start).Seconds()
}

// processor is how much processor time the daemon has had (proc(5): fields 14 and 15 of stat, in ticks of 10 ms).
func (d *daemon) processor() time.Duration {
	d.t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", d.cmd.Process.Pid))
	if err != nil {
		d.t.Fatal(err)
	}
	// The second field is a name in brackets that may hold spaces.
	_, rest, _ := strings.Cut(string(b), ") ")
	fields := strings.Fields(rest)
	if len(fields) < 13 {
		d.t.Fatalf("stat: %q", b)
	}
	user, e1 := strconv.Atoi(fields[11])
	system, e2 := strconv.Atoi(fields[12])
	if e1 != nil || e2 != nil {
		d.t.Fatalf("stat: %q", b)
	}
	return time.Duration(user+system) * 10 * time.Millisecond
}
