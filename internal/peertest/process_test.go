package peertest

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

const (
	// patience is how long anything may take that should come at once. It is no claim about speed: a shared machine may stall for
	// seconds, and a test that fails for that teaches people to run it again.
	patience = 30 * time.Second
	// pollEvery is how often an answer is asked for while waiting for it to change.
	pollEvery = 20 * time.Millisecond
	// stopWait is longer than the daemon's own bound of 10 s for a stop.
	stopWait = 20 * time.Second
)

// tools gives the binary under test and the peer, or ends the test.
func tools(t *testing.T) (binary, peer string) {
	t.Helper()
	binary, peer = os.Getenv("RILLWATCH_BIN"), os.Getenv("RILLWATCH_PEER")
	var missing []string
	if binary == "" {
		missing = append(missing, "RILLWATCH_BIN (the built binary)")
	}
	if peer == "" {
		missing = append(missing, "RILLWATCH_PEER (the compiled testdata/peer/peer.c)")
	}
	if len(missing) == 0 {
		return binary, peer
	}
	why := "not set: " + strings.Join(missing, ", ") + "; make peers sets both"
	if os.Getenv("CI") == "true" {
		t.Fatal(why)
	}
	t.Skip(why)
	return "", ""
}

// until asks ok again and again until it says yes, and gives how long that took. A no says what is still missing.
func until(t *testing.T, what string, within time.Duration, ok func() (bool, string)) time.Duration {
	t.Helper()
	start := time.Now()
	deadline := time.NewTimer(within)
	defer deadline.Stop()
	again := time.NewTicker(pollEvery)
	defer again.Stop()
	for {
		yes, missing := ok()
		if yes {
			return time.Since(start)
		}
		select {
		case <-deadline.C:
			t.Fatalf("not within %s: %s\nstill: %s", within, what, missing)
		case <-again.C:
		}
	}
}

// tail keeps what a process says, for the report of a failure. It is written by the process's copier and read by the test.
type tail struct {
	mu  sync.Mutex
	all []byte
}

// tailMax bounds what is kept; a daemon says a line per event.
const tailMax = 256 << 10

func (b *tail) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.all = append(b.all, p...)
	if over := len(b.all) - tailMax; over > 0 {
		b.all = append([]byte(nil), b.all[over:]...)
	}
	return len(p), nil
}

func (b *tail) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return string(b.all)
}

// peer is an independent Modbus server.
type peer struct {
	t    *testing.T
	port int // 0 on a serial line
	in   io.WriteCloser
	out  *bufio.Reader
}

// startPeer starts the C server on a TCP port of its own.
func startPeer(t *testing.T, program string) *peer {
	t.Helper()
	return startServer(t, program, "0")
}

// startServer starts a server that speaks the command language of peer.c and, at the end of the test, has it say that nobody ever asked
// it to write.
func startServer(t *testing.T, program string, args ...string) *peer {
	t.Helper()
	cmd := exec.Command(program, args...)
	var said tail
	cmd.Stderr = &said
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("the peer %s: %v", program, err)
	}
	p := &peer{t: t, in: in, out: bufio.NewReader(out)}
	// The end of its stdin ends it; a peer that does not care is killed by its own pid.
	t.Cleanup(func() {
		if !t.Failed() {
			p.neverWritten()
		}
		_ = in.Close()
		kill := time.AfterFunc(stopWait, func() { _ = cmd.Process.Kill() })
		defer kill.Stop()
		if err := cmd.Wait(); err != nil {
			t.Errorf("the peer ended with %v: %s", err, said.String())
		}
	})
	line := p.line()
	where, ok := strings.CutPrefix(line, "listening ")
	if !ok {
		t.Fatalf("the peer said %q, not where it listens: %s", line, said.String())
	}
	if p.port, _ = strconv.Atoi(where); p.port != 0 { // 0 on a serial device
		wire.served(p.port, 0)
	}
	return p
}

func (p *peer) line() string {
	p.t.Helper()
	line, err := p.out.ReadString('\n')
	if err != nil {
		p.t.Fatalf("the peer is gone: %v", err)
	}
	return strings.TrimSpace(line)
}

// do carries out one command of the peer and gives what it answers after "ok".
func (p *peer) do(format string, args ...any) string {
	p.t.Helper()
	command := fmt.Sprintf(format, args...)
	if _, err := io.WriteString(p.in, command+"\n"); err != nil {
		p.t.Fatalf("peer %q: %v", command, err)
	}
	answer, ok := strings.CutPrefix(p.line(), "ok")
	if !ok {
		p.t.Fatalf("peer %q: %s", command, answer)
	}
	return strings.TrimSpace(answer)
}

// counts gives how many requests the peer has had, and how many of them were anything but a read.
func (p *peer) counts() (requests, writes int) {
	p.t.Helper()
	answer := p.do("count")
	if _, err := fmt.Sscanf(answer, "requests=%d writes=%d", &requests, &writes); err != nil {
		p.t.Fatalf("peer count: %q: %v", answer, err)
	}
	return requests, writes
}

func (p *peer) neverWritten() {
	p.t.Helper()
	requests, writes := p.counts()
	if p.port != 0 {
		wire.served(p.port, requests)
	}
	if requests == 0 {
		p.t.Errorf("the peer was never asked anything, so that no write came proves nothing")
	}
	if writes != 0 {
		p.t.Errorf("%d of %d requests were writes; this program only observes", writes, requests)
	}
	p.t.Logf("figure: %d requests to the peer, %d writes", requests, writes)
}

// daemon is one running "rillwatch run".
type daemon struct {
	t    *testing.T
	cmd  *exec.Cmd
	base string // http://127.0.0.1:PORT
	said *tail
	done chan struct{} // closed when the process has ended
	err  error         // of Wait; read after done
}

var startedLine = regexp.MustCompile(`msg=started .*\bhttp=(\S+)`)

// environment is what the processes get: no socket of a supervisor and no journal of the machine the tests run on.
func environment() []string {
	return []string{"PATH=" + os.Getenv("PATH"), "HOME=" + os.Getenv("HOME"), "TZ=UTC"}
}

// startDaemon starts the binary on a configuration and waits until it says where it listens.
func startDaemon(t *testing.T, binary, config string) *daemon {
	t.Helper()
	cmd := exec.Command(binary, "run", config)
	cmd.Env = environment()
	d := &daemon{t: t, cmd: cmd, said: &tail{}, done: make(chan struct{})}
	pipe, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("%s: %v", binary, err)
	}
	listens := make(chan string, 1)
	go func() {
		defer close(d.done)
		in := bufio.NewScanner(pipe)
		for in.Scan() {
			_, _ = d.said.Write(append(in.Bytes(), '\n')) // never fails
			if m := startedLine.FindStringSubmatch(in.Text()); m != nil {
				select {
				case listens <- m[1]:
				default:
				}
			}
		}
		d.err = cmd.Wait()
	}()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the daemon (pid %d) said:\n%s", cmd.Process.Pid, lastLines(d.said.String(), 60))
		}
		if d.alive() {
			d.terminate()
		}
	})
	select {
	case at := <-listens:
		d.base = "http://" + at
	case <-d.done:
		t.Fatalf("the daemon ended at once: %v", d.err)
	case <-time.After(patience):
		t.Fatalf("the daemon did not start within %s", patience)
	}
	return d
}

func lastLines(s string, n int) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}

func (d *daemon) alive() bool {
	select {
	case <-d.done:
		return false
	default:
		return true
	}
}

// terminate asks for an orderly stop and expects one.
func (d *daemon) terminate() {
	d.t.Helper()
	if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		d.t.Errorf("SIGTERM to pid %d: %v", d.cmd.Process.Pid, err)
	}
	select {
	case <-d.done:
		if d.err != nil {
			d.t.Errorf("SIGTERM: the daemon ended with %v, want an orderly end", d.err)
		}
	case <-time.After(stopWait):
		d.t.Errorf("the daemon did not stop within %s; it is killed", stopWait)
		_ = d.cmd.Process.Kill()
		<-d.done
	}
}

// kill ends the process as a crash would.
func (d *daemon) kill() {
	d.t.Helper()
	if err := d.cmd.Process.Kill(); err != nil {
		d.t.Fatalf("kill -9 of pid %d: %v", d.cmd.Process.Pid, err)
	}
	select {
	case <-d.done:
	case <-time.After(stopWait):
		d.t.Fatalf("pid %d outlived kill -9 by %s", d.cmd.Process.Pid, stopWait)
	}
	if d.err == nil {
		d.t.Fatal("the daemon ended by itself before it was killed")
	}
}

var client = &http.Client{Timeout: 10 * time.Second}

func (d *daemon) get(path string) []byte {
	d.t.Helper()
	res, err := client.Get(d.base + path)
	if err != nil {
		d.t.Fatalf("GET %s: %v", path, err)
	}
	defer func() { _ = res.Body.Close() }()
	body, err := io.ReadAll(io.LimitReader(res.Body, 8<<20))
	if err != nil || res.StatusCode != http.StatusOK {
		d.t.Fatalf("GET %s: %s, %v: %.300s", path, res.Status, err, body)
	}
	return body
}

func (d *daemon) getJSON(path string, into any) {
	d.t.Helper()
	body := d.get(path)
	if err := json.Unmarshal(body, into); err != nil {
		d.t.Fatalf("GET %s: %v: %.300s", path, err, body)
	}
}

// roundsMore waits until judgement has gone through n more rounds: the daemon's own measure of time, which a slow machine cannot bend.
func (d *daemon) roundsMore(n float64) {
	d.t.Helper()
	rounds := func() float64 {
		v, ok := d.metrics().one("rillwatch_judged_rounds_total", nil)
		if !ok {
			d.t.Fatal("/metrics does not count judged rounds")
		}
		return v
	}
	first := rounds()
	until(d.t, fmt.Sprintf("%g more rounds judged", n), patience, func() (bool, string) {
		now := rounds()
		return now >= first+n, fmt.Sprintf("%g of them", now-first)
	})
}

// command runs one command of the binary to its end.
func command(t *testing.T, binary string, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	cmd := exec.Command(binary, args...)
	cmd.Env = environment()
	var out, talk bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &talk
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	late := time.AfterFunc(patience, func() { _ = cmd.Process.Kill() })
	err := cmd.Wait()
	if !late.Stop() {
		t.Fatalf("%s did not end within %s", strings.Join(args, " "), patience)
	}
	if err != nil && cmd.ProcessState.ExitCode() < 0 {
		t.Fatalf("%s: %v", strings.Join(args, " "), err)
	}
	return out.String(), talk.String(), cmd.ProcessState.ExitCode()
}

// site writes a configuration and what it refers to into a folder of its own. The text may hold PEER, HOOK, SECRET and DIR.
func site(t *testing.T, port int, hook, text string) (file, dir string) {
	t.Helper()
	dir = t.TempDir()
	secret := filepath.Join(dir, "on-call.secret")
	if err := os.WriteFile(secret, []byte(vectorSecret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	book := filepath.Join(dir, "logbook")
	text = strings.NewReplacer("PEER", "tcp://127.0.0.1:"+strconv.Itoa(port), "HOOK", hook, "SECRET", secret, "DIR", book).Replace(text)
	file = filepath.Join(dir, "site.toml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file, book
}
