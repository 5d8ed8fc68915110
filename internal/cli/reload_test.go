package cli

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/app"
	"rillwatch/internal/config"
	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
	"rillwatch/internal/site"
)

// reloadStory drives a reloader with a daemon that does nothing but say what becomes of it.
type reloadStory struct {
	r       reloader
	hup     chan os.Signal
	file    *site.Site // what the file says now; nil: it is wrong
	refuses string     // a site on which the daemon cannot start
	said    []string
}

func newReloadStory() *reloadStory {
	s := &reloadStory{hup: make(chan os.Signal, 1)}
	s.r = reloader{hup: s.hup, log: slog.New(slog.DiscardHandler), notify: func(state string) { s.said = append(s.said, state) },
		load: func() (*site.Site, error) {
			if s.file == nil {
				return nil, errors.New("site.toml:3:1: panle: unknown key\nsite.toml:4:1: another")
			}
			return s.file, nil
		},
		run: func(ctx context.Context, on *site.Site, ready func(), notify func(string)) error {
			if on.Name == s.refuses {
				return fmt.Errorf("http.listen: the address of %s is taken", on.Name)
			}
			ready()
			notify("READY=1\nSTATUS=watching " + on.Name)
			<-ctx.Done()
			notify("STOPPING=1")
			return nil
		}}
	return s
}

// TestAWrongFileChangesNothingAndARightOneRestarts: what the supervisor hears, in order. That it is the end it hears only at the end.
func TestAWrongFileChangesNothingAndARightOneRestarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newReloadStory()
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- s.r.watch(ctx, &site.Site{Name: "one"}) }()
		synctest.Wait()
		ask := func(file *site.Site) {
			s.file = file
			s.hup <- syscall.SIGHUP
			synctest.Wait()
		}
		ask(nil)
		ask(&site.Site{Name: "two"})
		s.refuses = "three"
		ask(&site.Site{Name: "three"})
		ask(&site.Site{Name: "four"})
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		want := []string{"READY=1\nSTATUS=watching one", "STATUS=reload refused: site.toml:3:1: panle: unknown key (and 1 line more); watching one as before",
			"RELOADING=1\nSTATUS=reloading", "READY=1\nSTATUS=watching two",
			"RELOADING=1\nSTATUS=reloading", "STATUS=the new configuration was given up: http.listen: the address of three is taken; watching two as before", "READY=1\nSTATUS=watching two",
			"RELOADING=1\nSTATUS=reloading", "READY=1\nSTATUS=watching four", "STOPPING=1"}
		if !slices.Equal(s.said, want) {
			t.Errorf("the supervisor heard\n%q, want\n%q", s.said, want)
		}
	})
}

// TestADaemonThatCannotStartEnds: there is nothing to go back to.
func TestADaemonThatCannotStartEnds(t *testing.T) {
	s := newReloadStory()
	s.refuses = "one"
	if err := s.r.watch(t.Context(), &site.Site{Name: "one"}); err == nil {
		t.Error("it ends without a word")
	}
}

// reloadSite has one sensor that nobody answers for: what is proved is the daemon's own.
const reloadSite = `[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.panel-net]
link = "tcp://127.0.0.1:1"
direct = true
[map.rack.point]
oxygen = { holding = 40001, type = "int16", scale = 0.1, quantity = "dissolved-oxygen", unit = "ppb" }
[panel.b2]
title = "TITLE"
sensor.rack = { map = "rack", bus = "panel-net", station = 1 }
[logbook]
dir = "DIR"
`

// TestAReloadIsABootThatContinues: the real daemon over a real logbook. The second start knows the first as the one before it, was stopped in order, and
// raises nothing anew; a wrong file between them leaves no trace.
func TestAReloadIsABootThatContinues(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "site.toml")
	write := func(title string) {
		text := strings.NewReplacer("TITLE", title, "DIR", filepath.Join(dir, "book")).Replace(reloadSite)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("Boiler 2")
	load := func() (*site.Site, error) {
		s, _, err := config.Load(file)
		if err == nil {
			s.HTTP.Listen = "127.0.0.1:0"
		}
		return s, err
	}
	first, err := load()
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	hup, ready, status := make(chan os.Signal, 1), make(chan string, 8), make(chan string, 8)
	r := reloader{hup: hup, load: load, log: slog.New(slog.NewTextHandler(&log, nil)),
		notify: func(state string) {
			if strings.HasPrefix(state, "STATUS=reload refused") {
				status <- state
			}
		},
		run: func(ctx context.Context, s *site.Site, began func(), notify func(string)) error {
			return app.Run(ctx, app.Config{Site: s, Version: "test", Log: slog.New(slog.DiscardHandler), Entropy: rand.Reader, Notify: notify,
				Ready: func(string) { began(); ready <- s.Hash }})
		}}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.watch(ctx, first) }()
	wait := func(c <-chan string) string {
		t.Helper()
		select {
		case s := <-c:
			return s
		case err := <-ended:
			t.Fatalf("the daemon ended: %v\n%s", err, log.String())
		case <-time.After(time.Minute):
			t.Fatal("nothing comes within a minute")
		}
		return ""
	}
	one := wait(ready)
	write(`Boiler 2"
colour = "blue`)
	hup <- syscall.SIGHUP
	if s := wait(status); !strings.Contains(s, "colour") {
		t.Errorf("the refusal does not name the key: %s", s)
	}
	write("Boiler two")
	hup <- syscall.SIGHUP
	two := wait(ready)
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}

	b, err := logbook.OpenForReading(filepath.Join(dir, "book"), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	boots, err := b.Boots()
	if err != nil || len(boots) != 2 || one == two || boots[0].Hash != one || boots[1].Hash != two {
		t.Fatalf("starts %+v (%v), want one of %s and one of %s", boots, err, one, two)
	}
	events, err := b.Events(event.ID{}, 100)
	if err != nil {
		t.Fatal(err)
	}
	var kinds []string
	for i := range events {
		if events[i].Kind == event.Started || events[i].Kind == event.Stopped {
			kinds = append(kinds, events[i].Kind.String())
		}
	}
	if want := []string{"daemon.started", "daemon.stopped", "daemon.started", "daemon.stopped"}; !slices.Equal(kinds, want) {
		t.Errorf("on record: %v, want %v", kinds, want)
	}
}
