package crashtest

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rillwatch/internal/config"
	"rillwatch/internal/site"
)

const (
	// patience bounds what should come at once; it claims nothing about speed.
	patience = 60 * time.Second
	// sensors is how many oxygen sensors the panel has, each with a limit of its own.
	sensors = 6
	// beat is how long one of them stays beyond its limit, and then within: as eventful a plant as the delays allow.
	beat = 700 * time.Millisecond
	// secret is the example of the Standard Webhooks specification.
	secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
)

// program gives the binary under test, or ends the test.
func program(t *testing.T) string {
	t.Helper()
	bin := os.Getenv("RILLWATCH_BIN")
	if bin == "" {
		missing(t, "RILLWATCH_BIN is not set (the built binary); make peers sets it")
	}
	return bin
}

// startPanel plays a panel over Modbus TCP: its oxygen goes beyond the limit and back again, each sensor in its own time. It is no
// physics; what is proved here is the logbook's.
func startPanel(t *testing.T) (address string) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var served sync.WaitGroup
	conns := make(chan net.Conn, 4096)
	start := time.Now()
	served.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				close(conns)
				return
			}
			conns <- c
			served.Go(func() { answer(c, start) })
		}
	})
	t.Cleanup(func() {
		_ = ln.Close()
		for c := range conns {
			_ = c.Close()
		}
		served.Wait()
	})
	return ln.Addr().String()
}

// answer serves reads of holding registers: 0 to 5 oxygen in 0.1 ug/L, 6 the flow.
func answer(c net.Conn, start time.Time) {
	defer func() { _ = c.Close() }()
	in := bufio.NewReader(c)
	for {
		var q [12]byte
		if _, err := io.ReadFull(in, q[:]); err != nil {
			return
		}
		from, n := int(binary.BigEndian.Uint16(q[8:])), int(binary.BigEndian.Uint16(q[10:]))
		if q[7] != 3 || n == 0 || from+n > 100 {
			return
		}
		a := append([]byte(nil), q[:4]...)
		a = binary.BigEndian.AppendUint16(a, uint16(3+2*n))
		a = append(a, q[6], q[7], byte(2*n))
		for r := from; r < from+n; r++ {
			v := uint16(2400)
			if r < sensors {
				v = 120 + uint16(time.Since(start)/time.Second)%5
				if (time.Since(start)+time.Duration(r)*beat/3)/beat%2 == 1 {
					v += 190
				}
			}
			a = binary.BigEndian.AppendUint16(a, v)
		}
		if _, err := c.Write(a); err != nil {
			return
		}
	}
}

// larkfield is the configuration: a toy line that is flushed within half a second, and no delays. The alarms of the first urgent sensors are of
// top priority, which no flood holds back; those of the others are told together once there are many.
func larkfield(panel, hook, secretFile, book string, urgent int) string {
	var b strings.Builder
	fmt.Fprintf(&b, `
[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.panel-net]
link = "tcp://%s"
direct = true
timeout = "150ms"
[map.rack.point]
flow = { holding = 40007, type = "uint16", unit = "mL/min" }
`, panel)
	for i := range sensors {
		fmt.Fprintf(&b, "oxygen-%d = { holding = %d, type = \"uint16\", scale = 0.1, quantity = \"dissolved-oxygen\", unit = \"ppb\" }\n", i, 40001+i)
	}
	b.WriteString(`
[panel.b2]
title = "Boiler 2 feedwater"
sensor.rack = { map = "rack", bus = "panel-net", station = 1, period = "200ms", refresh = "200ms" }
line = { length_m = 1, bore_mm = 1, cell_mL = 1, flow = "rack.flow", flow_high = "3000 mL/min" }
`)
	for i := range sensors {
		fmt.Fprintf(&b, `[panel.b2.limit.oxygen-%d-high]
point = "rack.oxygen-%d"
high = "20 ppb"
on_delay = "0s"
off_delay = "0s"
source = { document = "Larkfield feedwater specification", edition = "rev 3", band = "20 to 40 bar", tap = "unknown" }
`, i, i)
		if i < urgent {
			b.WriteString("priority = \"top\"\n")
		}
	}
	fmt.Fprintf(&b, `
[recipient.on-call]
url = %q
secret_file = %q
[http]
listen = "127.0.0.1:0"
[logbook]
dir = %q
flush = "1s"
`, hook, secretFile, book)
	return b.String()
}

// place is where one daemon lives.
type place struct {
	root, file, book string
	site             *site.Site
}

func newPlace(t *testing.T, panel, hook string, urgent int) place {
	t.Helper()
	root, conf := t.TempDir(), t.TempDir()
	p := place{root: root, file: filepath.Join(conf, "site.toml"), book: filepath.Join(root, "logbook")}
	secretFile := filepath.Join(conf, "secret")
	text := larkfield(panel, hook, secretFile, p.book, urgent)
	for name, content := range map[string]string{p.file: text, secretFile: secret + "\n"} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, _, err := config.Load(p.file)
	if err != nil {
		t.Fatal(err)
	}
	p.site = s
	return p
}

// environment is what a daemon gets: no socket of a supervisor and no journal of the machine the tests run on.
func environment() []string {
	return []string{"PATH=" + os.Getenv("PATH"), "HOME=" + os.Getenv("HOME"), "TZ=UTC"}
}

// hook is a recipient that takes everything.
type hook struct {
	url string
	mu  sync.Mutex // requests come on the server's goroutines
	got []word
}

// word is one message that arrived.
type word struct {
	id, kind, alarm string
	durable         bool
	count           int      // of a summary: how many messages it is of ...
	in              []inside // ... and the most urgent of them
}

// inside is one message within a summary.
type inside struct {
	ID    string `json:"id"`
	Kind  string `json:"kind"`
	Alarm string `json:"alarm"`
}

func startHook(t *testing.T) *hook {
	t.Helper()
	h := &hook{}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(io.LimitReader(r.Body, 1<<20)) // what is cut off is no JSON and found below
		m, err := readWord(r.Header.Get("webhook-id"), body)
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		h.mu.Lock()
		h.got = append(h.got, m)
		h.mu.Unlock()
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(srv.Close)
	h.url = srv.URL + "/hook"
	return h
}

func (h *hook) all() []word {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]word(nil), h.got...)
}

// has tells whether something was told, by itself or in a summary.
func (h *hook) has(kind string) bool {
	for _, w := range h.all() {
		if w.kind == kind || slices.ContainsFunc(w.in, func(m inside) bool { return m.Kind == kind }) {
			return true
		}
	}
	return false
}

// until asks again and again.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for !ok() {
		select {
		case <-deadline.C:
			t.Fatalf("not within %s: %s", patience, what)
		case <-again.C:
		}
	}
}

// run starts a daemon; its talk goes to the file it gives, which is printed when the test fails.
func run(t *testing.T, cmd *exec.Cmd) (talk string) {
	t.Helper()
	cmd.Env = environment()
	said, err := os.CreateTemp(t.TempDir(), "said")
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout, cmd.Stderr = said, said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			all, _ := os.ReadFile(said.Name()) // it is only shown
			t.Logf("pid %d said: %s", cmd.Process.Pid, tailOf(all))
		}
		_ = said.Close()
	})
	return said.Name()
}

func tailOf(b []byte) []byte { return b[max(0, len(b)-3000):] }
