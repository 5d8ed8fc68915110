package cli

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/app"
	"rillwatch/internal/config"
	"rillwatch/internal/notify"
	"rillwatch/internal/rig"
)

// demoLimit bounds the demo: the story takes about 90 s, and a demo that hangs must say so.
const demoLimit = 150 * time.Second

// demoSite is the configuration of the demo: one panel, as a user would write it, with short delays.
const demoSite = `
[site]
name = "larkfield-demo"
timezone = "Europe/London"

[bus.panel-net]
link = %q

%s
[panel.b2]
title = "Boiler 2 feedwater"
tap = "before-scavenger"
sensor.rack = { map = "rack-output", bus = "panel-net", station = 1 }
%s
on_line = "rack.feed_on"
interlock = { temperature = "rack.temperature", warn_above = "40 degC", close_above = "120 degF", valve_closed = "rack.valve_closed", travel = "3s" }
derive.resistivity = { resistivity_of = "rack.conductivity" }

[panel.b2.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ug/L"
on_delay = "2s"
off_delay = "3s"
priority = "high"
source = { document = "Larkfield feedwater specification", edition = "rev 3, clause 4.2", band = "20 to 40 bar", tap = "before-scavenger" }
action = "confirm by an ampoule test, then compare deaerator temperature with saturation at its pressure"

[recipient.on-call]
url = %q
secret_file = %q

[http]
listen = "127.0.0.1:%d"
token_file = %q

[logbook]
dir = %q
flush = "2s"
`

func demoCommand() *cobra.Command {
	var (
		once   bool
		port   int
		cooler time.Duration
		quiet  bool
	)
	c := &cobra.Command{
		Use:   "demo",
		Short: "Watch a simulated panel live through two upsets",
		Long: `Watch a simulated panel live through two upsets. No file is needed: the
command starts a simulated panel, a recipient that prints what it is told, and
the daemon, which polls the panel over real TCP on loopback. Nothing is
scripted but what happens to the plant. With --once it ends after the story,
prints what it saw, and fails if a line is missing or out of order.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			d := &demo{out: c.OutOrStdout(), start: time.Now(), quiet: quiet}
			return d.run(c.Context(), once, port, cooler)
		},
	}
	f := c.Flags()
	f.BoolVar(&once, "once", false, "end after the story, with a summary, and fail if it did not come about")
	f.IntVar(&port, "port", 0, "port of the API on 127.0.0.1; 0 takes a free one")
	f.DurationVar(&cooler, "cooler-tau", 0, "time constant of the cooler's loss; 0: the rig's own")
	f.BoolVar(&quiet, "headlines", false, "print only the headlines of messages")
	return c
}

// demo is one telling.
type demo struct {
	out   io.Writer
	start time.Time
	quiet bool
	api   string
	token string

	mu   sync.Mutex // the recipient, the rig and the watcher print and tick off
	done []seen
	full chan struct{}
}

// seen is one line of the story that came about.
type seen struct {
	at   time.Duration
	name string
	what string
}

// story names what must be seen, in this order. Each is seen from outside: a message that arrived, a reading of the API, an answer of it.
var story = []string{
	"readings believed",
	"oxygen alarm raised",
	"acknowledged through the API",
	"oxygen alarm returned",
	"sample warm",
	"sample hot",
	"sample valve found closed",
	"chemistry not representative",
	"sample valve found open",
	"flushing",
	"chemistry believed again",
	"hot sample over",
}

func (d *demo) say(format string, args ...any) {
	fmt.Fprintf(d.out, "%5.1f s  "+format+"\n", append([]any{time.Since(d.start).Seconds()}, args...)...)
}

// tick marks a line of the story as seen, once, and only when its turn has come: a line out of order stays unseen.
func (d *demo) tick(name, what string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if n := len(d.done); n < len(story) && story[n] == name {
		d.done = append(d.done, seen{time.Since(d.start), name, what})
		if n+1 == len(story) {
			close(d.full)
		}
	}
}

// next tells whether name is what the story waits for.
func (d *demo) next(name string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.done) < len(story) && story[len(d.done)] == name
}

func (d *demo) run(ctx context.Context, once bool, port int, cooler time.Duration) error {
	d.full = make(chan struct{})
	dir, err := os.MkdirTemp("", "rillwatch-demo-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }() // a leftover in the temporary folder harms nobody

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()

	k := rig.DemoConstants()
	if cooler > 0 {
		k.CoolerLossTau = cooler
	}
	upsets, err := rig.ParseScript(rig.DemoScript)
	if err != nil {
		return err
	}
	plant, err := rig.NewPanel(1, k, 1, upsets)
	if err != nil {
		return err
	}
	server, err := rig.Listen("127.0.0.1:0", plant)
	if err != nil {
		return err
	}
	defer func() { _ = server.Stop() }()

	hook, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	secretFile, secret, err := d.secret(dir)
	if err != nil {
		return err
	}
	tokenFile := filepath.Join(dir, "token")
	if err := os.WriteFile(tokenFile, []byte(d.token+"\n"), 0o600); err != nil {
		return err
	}
	if port == 0 {
		if port, err = freePort(); err != nil {
			return err
		}
	}
	text := fmt.Sprintf(demoSite, server.URL(), rig.MapTOML(), k.LineTOML(), "http://"+hook.Addr().String()+"/hook", secretFile, port, tokenFile, filepath.Join(dir, "logbook"))
	site, _, err := config.Parse("demo.toml", []byte(text))
	if err != nil {
		return fmt.Errorf("the demo's own configuration: %w", err)
	}

	fmt.Fprintf(d.out, `A simulated sample panel, watched by the daemon over real TCP. Everything is short so that a story fits in a minute and a half:
  %.0f mL from tap to cell and a %.0f mL cell (a real panel has some ten times as much), delays of seconds where a plant takes minutes.
  Oxygen is judged against 20 ug/L, the sample is hot above 120 degF (48.9 degC). The panel's own controller closes the valve; rillwatch only observes.
  First the long flush that a first start owes; then a deaerator upset; then the cooler is lost.

`, k.LeadML(), k.CellML)

	var parts sync.WaitGroup
	defer parts.Wait()
	defer cancel()
	receiver := &http.Server{Handler: d.receiver(secret), ReadHeaderTimeout: 5 * time.Second}
	parts.Go(func() { _ = receiver.Serve(hook) })
	defer func() { _ = receiver.Close() }()
	d.start = time.Now()
	parts.Go(func() {
		_ = server.Run(ctx, 1, func(n rig.Notice) { d.say("plant    %s", n.Text) })
	})

	daemonDone := make(chan error, 1)
	ready := make(chan string, 1)
	parts.Go(func() {
		daemonDone <- app.Run(ctx, app.Config{Site: site, Version: Version, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Entropy: rand.Reader,
			Ready: func(api string) { ready <- api }})
	})
	select {
	case d.api = <-ready:
	case err := <-daemonDone:
		return fmt.Errorf("the daemon ended: %w", err)
	case <-ctx.Done():
		return nil
	}
	d.say("daemon   metrics at %s/metrics, readings at %s/api/v1/readings", d.api, d.api)
	parts.Go(func() { d.watch(ctx) })

	var end <-chan time.Time
	full := d.full
	if once {
		end = time.After(demoLimit)
	}
	for {
		select {
		case <-full:
			if once {
				return d.summary()
			}
			d.say("demo     the story is over; the daemon goes on until Ctrl-C")
			full = nil
		case err := <-daemonDone:
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("the daemon ended: %w", err)
		case <-end:
			return errors.Join(fmt.Errorf("the story did not come about in %s", demoLimit), d.summary())
		case <-ctx.Done():
			return nil
		}
	}
}

// secret draws the webhook secret and the API token of this telling.
func (d *demo) secret(dir string) (file string, key []byte, err error) {
	var raw [32]byte
	if _, err := rand.Read(raw[:]); err != nil {
		return "", nil, err
	}
	d.token = hex.EncodeToString(raw[:])
	if _, err := rand.Read(raw[:]); err != nil {
		return "", nil, err
	}
	text := "whsec_" + base64.StdEncoding.EncodeToString(raw[:])
	file = filepath.Join(dir, "secret")
	if err := os.WriteFile(file, []byte(text+"\n"), 0o600); err != nil {
		return "", nil, err
	}
	key, err = notify.ParseSecret(text)
	return file, key, err
}

func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	port := l.Addr().(*net.TCPAddr).Port
	return port, l.Close()
}

// told is what the recipient reads of a message.
type told struct {
	Type string `json:"type"`
	Data struct {
		Headline  string `json:"headline"`
		Text      string `json:"text"`
		Alarm     string `json:"alarm"`
		Excursion *struct {
			ID string `json:"id"`
		} `json:"excursion"`
	} `json:"data"`
}

// receiver is the recipient: it believes only what is signed, and prints it.
func (d *demo) receiver(secret []byte) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(io.LimitReader(r.Body, 64<<10))
		if err != nil {
			http.Error(w, "cut off", http.StatusBadRequest)
			return
		}
		if !signed(secret, r.Header, body) {
			http.Error(w, "the signature is not right", http.StatusUnauthorized)
			d.say("recipient refused a message that was not signed rightly")
			return
		}
		var m told
		if err := json.Unmarshal(body, &m); err != nil {
			http.Error(w, "not JSON", http.StatusBadRequest)
			return
		}
		w.WriteHeader(http.StatusNoContent)
		d.hear(m)
	})
}

// signed checks a message as any recipient would: over id, time and body, with the shared secret, and not older than five minutes.
func signed(secret []byte, h http.Header, body []byte) bool {
	sec, err := strconv.ParseInt(h.Get("webhook-timestamp"), 10, 64)
	at := time.Unix(sec, 0)
	if err != nil || time.Since(at).Abs() > 5*time.Minute {
		return false
	}
	return hmac.Equal([]byte(h.Get("webhook-signature")), []byte(notify.Sign(secret, h.Get("webhook-id"), at, body)))
}

func (d *demo) hear(m told) {
	if d.quiet {
		d.say("message  %s", m.Data.Headline)
	} else {
		d.say("message  %s\n%s", m.Data.Headline, indent(m.Data.Text))
	}
	oxygen := m.Data.Alarm == "b2.oxygen-high"
	switch kind := strings.TrimSuffix(strings.TrimPrefix(m.Type, "dev.rillwatch."), ".v1"); {
	case kind == "alarm.raised" && oxygen:
		d.tick("oxygen alarm raised", m.Data.Headline)
		go d.acknowledge()
	case kind == "alarm.returned" && oxygen:
		d.tick("oxygen alarm returned", m.Data.Headline)
	case kind == "sample.warm":
		d.tick("sample warm", m.Data.Headline)
	case kind == "sample.hot":
		d.tick("sample hot", m.Data.Headline)
	case kind == "valve.closed":
		d.tick("sample valve found closed", m.Data.Headline)
	case kind == "valve.opened":
		d.tick("sample valve found open", m.Data.Headline)
	case kind == "sample.hot_over":
		d.look(context.Background()) // the message may be quicker than the next look at the API
		d.tick("hot sample over", m.Data.Headline)
	}
}

func indent(s string) string {
	return "           | " + strings.ReplaceAll(strings.TrimSpace(s), "\n", "\n           | ")
}

// acknowledge takes notice of the oxygen alarm as a person would: with a name and a reason, through the API.
func (d *demo) acknowledge() {
	body := `{"who":"Kim at the panel","why":"ampoule test under way"}`
	req, err := http.NewRequest(http.MethodPost, d.api+"/api/v1/alarms/b2.oxygen-high/acknowledge", bytes.NewBufferString(body))
	if err != nil {
		d.say("api      %v", err)
		return
	}
	req.Header.Set("Authorization", "Bearer "+d.token)
	req.Header.Set("Content-Type", "application/json")
	res, err := (&http.Client{Timeout: 10 * time.Second}).Do(req)
	if err != nil {
		d.say("api      %v", err)
		return
	}
	answer, _ := io.ReadAll(io.LimitReader(res.Body, 4<<10)) // what came is shown; a cut answer shows as such
	_ = res.Body.Close()
	d.say("api      POST acknowledge: %s %s", res.Status, strings.TrimSpace(string(answer)))
	if res.StatusCode == http.StatusOK {
		d.tick("acknowledged through the API", "by Kim at the panel")
	}
}

// reading is a point as the API shows it.
type reading struct {
	Point  string   `json:"point"`
	Value  *float64 `json:"value"`
	Unit   string   `json:"unit"`
	Bound  string   `json:"bound"`
	Reason string   `json:"reason"`
}

// watch reads the API every half second and says when what is believed of the oxygen reading changes.
func (d *demo) watch(ctx context.Context) {
	t := time.NewTicker(500 * time.Millisecond)
	defer t.Stop()
	before, lastSaid := "", time.Time{}
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		reason, line := d.look(ctx)
		if line == "" {
			continue // the daemon may be stopping; the story's clock is the judge
		}
		if reason != before || time.Since(lastSaid) > 5*time.Second {
			d.say("readings %s", line)
			lastSaid = time.Now()
		}
		before = reason
	}
}

// look reads the API once and ticks off what it shows. line is empty when nothing could be read.
func (d *demo) look(ctx context.Context) (reason, line string) {
	all, err := d.readings(ctx)
	if err != nil {
		return "", ""
	}
	ox, ok := find(all, "oxygen")
	if !ok {
		return "", ""
	}
	line = readingsLine(all)
	switch ox.Reason {
	case "believed":
		if d.next("readings believed") {
			d.tick("readings believed", line)
		}
		d.tick("chemistry believed again", "without a command")
	case "valve_closed":
		d.tick("chemistry not representative", "oxygen: the sample valve is closed")
	case "flushing":
		d.tick("flushing", "oxygen waits for fresh water")
	}
	return ox.Reason, line
}

func (d *demo) readings(ctx context.Context) ([]reading, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, d.api+"/api/v1/readings", nil)
	if err != nil {
		return nil, err
	}
	res, err := (&http.Client{Timeout: 5 * time.Second}).Do(req)
	if err != nil {
		return nil, err
	}
	defer func() { _ = res.Body.Close() }()
	var out struct {
		Readings []reading `json:"readings"`
	}
	return out.Readings, json.NewDecoder(io.LimitReader(res.Body, 1<<20)).Decode(&out)
}

func find(all []reading, name string) (reading, bool) {
	for _, r := range all {
		if strings.HasSuffix(r.Point, "."+name) || r.Point == name {
			return r, true
		}
	}
	return reading{}, false
}

func readingsLine(all []reading) string {
	var parts []string
	for _, name := range []string{"oxygen", "temperature", "flow", "conductivity", "resistivity"} {
		r, ok := find(all, name)
		if !ok {
			continue
		}
		v := "no value"
		if r.Value != nil {
			v = fmt.Sprintf("%s%g %s", map[string]string{"above": "above ", "below": "below "}[r.Bound], *r.Value, r.Unit)
		}
		if r.Reason != "believed" {
			v += " (" + r.Reason + ")"
		}
		parts = append(parts, name+" "+v)
	}
	return strings.Join(parts, ", ")
}

// summary prints what came about and fails when a line is missing.
func (d *demo) summary() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	fmt.Fprintln(d.out, "\nWhat was seen, in this order:")
	w := tabwriter.NewWriter(d.out, 2, 2, 2, ' ', 0)
	for i, name := range story {
		if i < len(d.done) {
			fmt.Fprintf(w, "  ok\t%5.1f s\t%s\t%s\n", d.done[i].at.Seconds(), name, d.done[i].what)
		} else {
			fmt.Fprintf(w, "  MISSING\t\t%s\t\n", name)
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if len(d.done) < len(story) {
		return fmt.Errorf("%d of %d lines of the story were seen; %q is the first that was not", len(d.done), len(story), story[len(d.done)])
	}
	return nil
}
