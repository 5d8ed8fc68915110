package crashtest

import (
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
	"syscall"
	"testing"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
)

// plague has a disk's syncs fail or hang from now on, by strace on the running daemon, until the function it gives is called.
func plague(t *testing.T, pid int, how string) (cure func()) {
	t.Helper()
	tool, err := exec.LookPath("strace")
	if err != nil {
		missing(t, "strace is not installed (make tools brings it): no sync can be made to fail")
	}
	cmd := exec.Command(tool, "-f", "-o", filepath.Join(t.TempDir(), "syncs"), "-e", "trace=fdatasync,fsync", "-e", "inject=fdatasync,fsync:"+how, "-p", strconv.Itoa(pid))
	said, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	attached := make(chan bool, 1)
	go func() {
		all := make([]byte, 4096)
		n, _ := said.Read(all) // what it says first, or nothing at all
		attached <- strings.Contains(string(all[:n]), "attached")
		_, _ = io.Copy(io.Discard, said)
	}()
	select {
	case ok := <-attached:
		if !ok {
			_ = cmd.Wait()
			missing(t, "this machine does not let strace take up a running process")
		}
	case <-time.After(patience):
		t.Fatal("strace did not take the daemon up")
	}
	return func() {
		if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // of a signal
	}
}

var listens = regexp.MustCompile(`msg=started .*\bhttp=(\S+)`)

// metric reads one number from /metrics.
func metric(t *testing.T, base, name string) float64 {
	t.Helper()
	res, err := (&http.Client{Timeout: patience}).Get(base + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(body), "\n") {
		if strings.HasPrefix(line, name) {
			v, err := strconv.ParseFloat(line[strings.LastIndexByte(line, ' ')+1:], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
	}
	t.Fatalf("/metrics has no %s", name)
	return 0
}

// loose are the messages told before they were on disk.
func (h *hook) loose() (n int) {
	for _, w := range h.all() {
		if !w.durable {
			n++
		}
	}
	return n
}

// TestADiskWhoseSyncsFailOrHangSilencesNoAlarmAndDelaysNoRound: a real daemon's fdatasync fails, or does not return for half a minute. Alarms
// are told from memory, that the disk fails is told, judgement goes on; when the disk is back, every id told is on it as the same event.
func TestADiskWhoseSyncsFailOrHangSilencesNoAlarmAndDelaysNoRound(t *testing.T) {
	for name, how := range map[string]string{"fail": "error=EIO", "hang": "delay_enter=30s"} {
		t.Run(name, func(t *testing.T) {
			bin := program(t)
			t.Parallel()
			h := startHook(t)
			p := newPlace(t, startPanel(t), h.url, sensors)
			cmd := exec.Command(bin, "run", p.file)
			said := run(t, cmd)
			base := ""
			until(t, "started", func() bool {
				all, err := os.ReadFile(said)
				if err != nil {
					t.Fatal(err)
				}
				if m := listens.FindSubmatch(all); m != nil {
					base = "http://" + string(m[1])
				}
				return base != "" && len(h.all()) > 2
			})
			cure := plague(t, cmd.Process.Pid, how)
			judged, missed := metric(t, base, "rillwatch_judged_rounds_total"), metric(t, base, `rillwatch_bus_missed_slots_total`)
			begin := time.Now()
			until(t, "alarms told from memory", func() bool { return h.loose() >= 3 })
			until(t, "that the disk fails", func() bool { return h.has("logbook.failing") })
			rounds, lost := metric(t, base, "rillwatch_judged_rounds_total")-judged, metric(t, base, `rillwatch_bus_missed_slots_total`)-missed
			took := time.Since(begin)
			cure()
			until(t, "that it is back", func() bool { return h.has("logbook.back") })
			if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			if err := cmd.Wait(); err != nil {
				t.Errorf("SIGTERM: %v", err)
			}
			t.Logf("figure: syncs %s for %.0f s: %.0f rounds judged, %.0f places on the grid without one, %d messages told from memory of %d", name, took.Seconds(), rounds, lost, h.loose(), len(h.all()))
			if rounds < 40 || lost > rounds/10 {
				t.Errorf("%.0f rounds and %.0f missed in %s: judgement waited for the disk", rounds, lost, took)
			}
			sameOnDisk(t, p.book, h)
		})
	}
}

// sameOnDisk checks that what was told is in the logbook under the id it was told by, and nothing twice; and that what the logbook has as told
// arrived.
func sameOnDisk(t *testing.T, book string, h *hook) {
	t.Helper()
	if r, err := logbook.Check(book); err != nil || len(r.Findings) > 0 {
		t.Errorf("check: %v %v", err, r.Findings)
	}
	b, err := logbook.Open(book, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = b.Close() }()
	events, err := everyEvent(b)
	if err != nil {
		t.Fatal(err)
	}
	byID := map[string]event.Event{}
	for _, e := range events {
		byID[e.ID.String()] = e
	}
	for _, w := range twice(events) {
		t.Error(w)
	}
	seen := map[string]int{}
	same := func(m inside) {
		seen[m.ID]++
		if e := byID[m.ID]; e.Kind.String() != m.Kind || e.Alarm != m.Alarm {
			t.Errorf("%s was told as %s of %s, and is %s of %s in the logbook", m.ID, m.Kind, m.Alarm, e.Kind, e.Alarm)
		}
	}
	for _, w := range h.all() {
		if w.kind != summary {
			same(inside{w.id, w.kind, w.alarm})
			continue
		}
		for _, m := range w.in {
			same(m)
		}
	}
	r, err := toldOf(b, h.all())
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range r.wrong(events) {
		t.Error(w)
	}
	for id, n := range seen {
		if n > 1 {
			t.Errorf("%s was told %d times by one process", id, n)
		}
	}
}

// TestADaemonThatMayNotWriteSaysWhoMust: the service's user is not the directory's owner.
func TestADaemonThatMayNotWriteSaysWhoMust(t *testing.T) {
	bin := program(t)
	if os.Geteuid() != 0 {
		missing(t, "only root can become nobody; covered in part by the logbook's TestAUserWithoutPermissionIsToldSo")
	}
	dir, err := os.MkdirTemp("", "rillwatch-nobody") // t.TempDir may not be entered by others
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = os.RemoveAll(dir) }()
	theirs := filepath.Join(dir, "rillwatch")
	secretFile, file := filepath.Join(dir, "secret"), filepath.Join(dir, "site.toml")
	for path, content := range map[string]string{secretFile: secret, file: larkfield("127.0.0.1:1", "http://127.0.0.1:1/hook", secretFile, filepath.Join(theirs, "logbook"), 0)} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(path, 65534, 65534); err != nil {
			t.Fatal(err)
		}
	}
	copied := filepath.Join(dir, "bin") // the built one may lie where nobody may go
	raw, err := os.ReadFile(bin)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(copied, raw, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(theirs, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(copied, "run", file)
	cmd.Dir, cmd.Env = dir, environment()
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	out, err := cmd.CombinedOutput()
	if err == nil || cmd.ProcessState.ExitCode() == 2 {
		t.Errorf("the daemon ended with %v", err)
	}
	for _, want := range []string{"may not be opened by this user", filepath.Join(theirs, "logbook"), "must belong to the daemon's user"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("it does not say %q:\n%s", want, out)
		}
	}
}

// readWord takes apart a message.
func readWord(id string, body []byte) (word, error) {
	var m struct {
		Data struct {
			Kind    string `json:"kind"`
			Alarm   string `json:"alarm"`
			Durable *bool  `json:"durable"`

			Count    int      `json:"count"`
			Messages []inside `json:"messages"`
		} `json:"data"`
	}
	if err := json.Unmarshal(body, &m); err != nil {
		return word{}, err
	}
	if m.Data.Durable == nil {
		return word{}, fmt.Errorf("message %s does not say whether it is durable", id)
	}
	w := word{id: id, kind: m.Data.Kind, alarm: m.Data.Alarm, durable: *m.Data.Durable}
	if w.kind == summary {
		w.count, w.in = m.Data.Count, m.Data.Messages
	}
	return w, nil
}
