package cli

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
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
			if cooler < 0 {
				return exit{exitUsage, fmt.Errorf("--cooler-tau %s: a time constant is not negative", cooler)}
			}
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
