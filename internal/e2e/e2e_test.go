package e2e

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// binary is the program under test, as built for release.
func binary(t *testing.T) string {
	t.Helper()
	b := os.Getenv("RILLWATCH_BIN")
	if b == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("RILLWATCH_BIN is not set: make test sets it to the built binary")
		}
		t.Skip("RILLWATCH_BIN is not set (make test sets it): the built binary was not tried")
	}
	return b
}

// line is one line a process said.
type line struct {
	at   time.Duration
	text string
}

// process is a running binary whose lines can be waited for.
type process struct {
	t     *testing.T
	cmd   *exec.Cmd
	lines chan line
	said  []string
	ended chan error
}

func start(t *testing.T, env []string, args ...string) *process {
	t.Helper()
	return startWith(t, func(c *exec.Cmd) { c.Env = append(os.Environ(), env...) }, args...)
}

// startWith is start of a command that set changes first.
func startWith(t *testing.T, set func(*exec.Cmd), args ...string) *process {
	t.Helper()
	p := &process{t: t, cmd: exec.Command(binary(t), args...), lines: make(chan line, 4096), ended: make(chan error, 1)}
	set(p.cmd)
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	p.cmd.Stdout, p.cmd.Stderr = w, w
	begin := time.Now()
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	_ = w.Close()
	go func() {
		s := bufio.NewScanner(r)
		for s.Scan() {
			p.lines <- line{time.Since(begin), s.Text()}
		}
		close(p.lines)
		p.ended <- p.cmd.Wait()
	}()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill() // it may have ended long ago
		for range p.lines {
		}
		_ = r.Close()
	})
	return p
}

// until waits for a line that holds what, and gives it.
func (p *process) until(what string, within time.Duration) line {
	p.t.Helper()
	end := time.After(within)
	for {
		select {
		case l, ok := <-p.lines:
			if !ok {
				p.t.Fatalf("%q was never said; the process ended after:\n%s", what, strings.Join(p.said, "\n"))
			}
			p.said = append(p.said, l.text)
			if strings.Contains(l.text, what) {
				return l
			}
		case <-end:
			p.t.Fatalf("%q was not said within %s; said:\n%s", what, within, strings.Join(p.said, "\n"))
		}
	}
}

// end waits for the process to end and gives its exit code.
func (p *process) end(within time.Duration) int {
	p.t.Helper()
	for range p.rest(within) {
	}
	select {
	case err := <-p.ended:
		var e *exec.ExitError
		if errors.As(err, &e) {
			return e.ExitCode()
		}
		if err != nil {
			p.t.Fatal(err)
		}
		return 0
	case <-time.After(within):
		p.t.Fatalf("did not end within %s", within)
		return -1
	}
}

func (p *process) rest(within time.Duration) func(func(string) bool) {
	return func(yield func(string) bool) {
		end := time.After(within)
		for {
			select {
			case l, ok := <-p.lines:
				if !ok {
					return
				}
				p.said = append(p.said, l.text)
				if !yield(l.text) {
					return
				}
			case <-end:
				return
			}
		}
	}
}

// TestTheDemoTellsItsStory runs the demo once. The program itself asserts its lines and their order; here a second reader does.
func TestTheDemoTellsItsStory(t *testing.T) {
	t.Parallel()
	p := start(t, nil, "demo", "--once")
	if code := p.end(170 * time.Second); code != 0 {
		t.Fatalf("exit code %d:\n%s", code, strings.Join(p.said, "\n"))
	}
	all := strings.Join(p.said, "\n")
	rest := all
	for _, want := range []string{
		"the deaerator is upset", "oxygen", "acknowledge", "cooling water is lost", "the panel's thermal shut-off closes the sample valve",
		"a person opens the sample valve", "What was seen, in this order:", "readings believed", "oxygen alarm raised", "acknowledged through the API",
		"oxygen alarm returned", "sample warm", "sample hot", "sample valve found closed", "chemistry not representative", "sample valve found open",
		"flushing", "chemistry believed again", "hot sample over",
	} {
		i := strings.Index(rest, want)
		if i < 0 {
			t.Fatalf("the demo does not say, in this order, %q:\n%s", want, all)
		}
		rest = rest[i+len(want):]
	}
	if n := strings.Count(all, "message  "); n > 20 {
		t.Errorf("%d messages for two upsets: a person would throw the telephone away", n)
	}
	last := p.said[len(p.said)-1]
	m := regexp.MustCompile(`ok\s+([0-9.]+) s`).FindStringSubmatch(last)
	if m == nil {
		t.Fatalf("the last line is no line of the summary: %q", last)
	}
	t.Logf("figure: the demo's story took %s s", m[1])
}

// TestTheMomentOfClosingMovesWithTheCooler shows that nothing is scripted but the plant: with only the cooler's constant changed, the valve
// closes at another moment. By the cooler's own law, 25 + 80 x (1 - exp(-t/tau)) reaches 48.9 degC after 0.353 tau: 10.6 s and 7.1 s.
func TestTheMomentOfClosingMovesWithTheCooler(t *testing.T) {
	t.Parallel()
	binary(t)
	took := map[string]float64{}
	t.Run("both", func(t *testing.T) {
		var mu sync.Mutex // the two demos end in their own goroutines
		for name, args := range map[string][]string{"as it is": nil, "quicker": {"--cooler-tau", "20s"}} {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				p := start(t, nil, append([]string{"demo", "--headlines"}, args...)...)
				lost := p.until("cooling water is lost", 120*time.Second)
				closed := p.until("sample valve found closed", 120*time.Second) // the message of the daemon
				_ = p.cmd.Process.Signal(syscall.SIGTERM)                       // the cleanup ends it if this does not
				mu.Lock()
				defer mu.Unlock()
				took[name] = (closed.at - lost.at).Seconds()
			})
		}
	})
	s, f := took["as it is"], took["quicker"]
	t.Logf("figure: from the lost cooler to the valve told as closed: %.1f s, with a quicker cooler %.1f s", s, f)
	if f >= s-1 {
		t.Errorf("a cooler that dies in two thirds of the time closes the valve after %.1f s instead of %.1f s", f, s)
	}
}

// TestASupervisorIsToldAndFed is the other end of sd_notify(3): ready once the start is on disk, the watchdog fed by rounds that went
// through judgement, stopping said before the end.
func TestASupervisorIsToldAndFed(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	sock := filepath.Join(dir, "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: sock, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	got := make(chan string, 256)
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := l.Read(buf)
			if err != nil {
				close(got)
				return
			}
			got <- string(buf[:n])
		}
	}()
	wait := func(what string) {
		t.Helper()
		end := time.After(20 * time.Second)
		for {
			select {
			case s := <-got:
				if slices.Contains(strings.Split(s, "\n"), what) {
					return
				}
			case <-end:
				t.Fatalf("%s never arrived", what)
			}
		}
	}
	plant := start(t, nil, "simulate", "--listen", "127.0.0.1:0")
	link := regexp.MustCompile(`tcp://[0-9.:]+`).FindString(plant.until("answers at", 10*time.Second).text)
	cfg := site(t, dir, link)
	p := start(t, []string{"NOTIFY_SOCKET=" + sock}, "run", cfg)
	wait("READY=1")
	wait("WATCHDOG=1")
	wait("WATCHDOG=1")
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	wait("STOPPING=1")
	if code := p.end(15 * time.Second); code != 0 {
		t.Errorf("exit code %d after SIGTERM:\n%s", code, strings.Join(p.said, "\n"))
	}
	// what was committed is sound
	check := start(t, nil, "logbook", "check", filepath.Join(dir, "logbook"))
	if code := check.end(20 * time.Second); code != 0 {
		t.Errorf("logbook check: exit code %d:\n%s", code, strings.Join(check.said, "\n"))
	}
}

// TestASecondDaemonOnTheSameLogbookIsRefused: two writers would be two truths.
func TestASecondDaemonOnTheSameLogbookIsRefused(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cfg := site(t, dir, "tcp://127.0.0.1:1")
	p := start(t, nil, "run", cfg)
	p.until("started", 20*time.Second)
	second := start(t, nil, "run", cfg)
	if code := second.end(20 * time.Second); code == 0 || code == 2 {
		t.Errorf("the second daemon ended with code %d:\n%s", code, strings.Join(second.said, "\n"))
	}
	if all := strings.Join(second.said, "\n"); !strings.Contains(all, "in use") {
		t.Errorf("the second daemon does not say that the logbook is in use:\n%s", all)
	}
}

// TestTheLiveMetricsPassPromtool asks Debian's promtool about the metrics of a running daemon.
func TestTheLiveMetricsPassPromtool(t *testing.T) {
	t.Parallel()
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("promtool is missing: make tools installs it")
		}
		t.Skip("promtool is missing (make tools installs it): the live metrics were not checked")
	}
	dir := t.TempDir()
	plant := start(t, nil, "simulate", "--listen", "127.0.0.1:0", "--small")
	link := regexp.MustCompile(`tcp://[0-9.:]+`).FindString(plant.until("answers at", 10*time.Second).text)
	p := start(t, nil, "run", site(t, dir, link))
	api := "http://" + regexp.MustCompile(`http=([0-9.:]+)`).FindStringSubmatch(p.until("http=", 20*time.Second).text)[1]
	var text string
	eventually(t, 20*time.Second, "rillwatch_temperature_celsius is served", func() bool {
		text = get(t, api+"/metrics")
		return strings.Contains(text, "rillwatch_temperature_celsius{")
	})
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(text)
	out, err := cmd.CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != "" {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
	t.Logf("figure: %d series in a scrape of one panel", strings.Count(text, "\nrillwatch_"))
}

func get(t *testing.T, url string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return ""
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		return ""
	}
	return string(b)
}

// eventually asks again ten times a second until the answer is yes.
func eventually(t *testing.T, within time.Duration, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	end := time.After(within)
	for !ok() {
		select {
		case <-tick.C:
		case <-end:
			t.Fatalf("not within %s: %s", within, what)
		}
	}
}

// site writes the configuration of one simulated panel into dir.
func site(t *testing.T, dir, link string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	_ = l.Close()
	text := fmt.Sprintf(`[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.panel-net]
link = %q
[map.rack.point]
oxygen = { holding = 40001, type = "float32", order = "CDAB", quantity = "dissolved-oxygen", unit = "ppb", floor = 0.2, ceiling = 500 }
temperature = { holding = 40003, type = "int16", scale = 0.1, unit = "degC", no_value = [-32768] }
flow = { input = 30005, type = "uint16", unit = "mL/min" }
valve_closed = { discrete = 10001 }
[panel.b2]
title = "Boiler 2 feedwater"
sensor.rack = { map = "rack", bus = "panel-net", station = 1 }
line = { length_m = 0.8, bore_mm = 4, coil_mL = 2, cell_mL = 5, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed" }
[http]
listen = "127.0.0.1:%s"
[logbook]
dir = %q
flush = "1s"
`, link, strconv.Itoa(port), filepath.Join(dir, "logbook"))
	file := filepath.Join(dir, "rillwatch.toml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}
