// Package app starts every part of the daemon, joins what it started, and carries values between rooms that do not know each other.
//
// Owns: the goroutines, the channels between them, the clock, and the order in which things start and stop.
// Never: decides anything about a reading, or lets a word out that is not on disk.
//
// Shutdown is the flow of the data: the buses stop, the engine ends when its inputs do, the last commit is made, the notifier
// and the server end. A crash takes the same way back in as any other start.
package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"time"

	"rillwatch/internal/bus"
	"rillwatch/internal/engine"
	"rillwatch/internal/httpapi"
	"rillwatch/internal/logbook"
	"rillwatch/internal/notify"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Config is what the daemon runs on.
type Config struct {
	Site    *site.Site
	Version string
	Log     *slog.Logger
	Entropy io.Reader // for the boot nonce and command ids

	// Token and Secrets, when set, stand in for the files named in the configuration: the demo has no files.
	Token   []byte
	Secrets map[string][]byte // by recipient

	// Record, when set, is given every input with what it brought about, by the engine's goroutine: it must not wait.
	Record func(engine.Input, engine.Outcome)

	// Ready is called once, when the API listens and the boot is on disk.
	Ready  func(api string)
	Notify func(state string) // tells the supervisor (sd_notify); nil when there is none
}

const (
	lockWait = 2 * time.Second // for the daemon before us to let go of the logbook
	// stopBound is how long a stop may take: one request in flight (at most 1 s), one commit, and the server's own 2 s.
	stopBound = 10 * time.Second
	// tokenMin is the least length of a token: shorter ones can be guessed over a plant network in a weekend.
	tokenMin = 16
)

// ErrConfig marks what the person who wrote the configuration can mend: a missing secret, an unusable token.
var ErrConfig = errors.New("configuration")

// Run runs the daemon until ctx ends, then stops it in order. It returns nil after an orderly stop.
func Run(ctx context.Context, c Config) error {
	secrets, token, err := c.secrets()
	if err != nil {
		return err
	}
	files, err := meansOf(c.Site, false)
	if err != nil {
		return err
	}
	nonce, err := drawNonce(c.Entropy)
	if err != nil {
		return fmt.Errorf("drawing the boot nonce: %w", err)
	}
	start := time.Now()
	now := func() reading.Stamp {
		t := time.Now()
		return reading.Stamp{Wall: reading.WallOf(t), Up: t.Sub(start)}
	}

	book, err := logbook.Open(c.Site.Logbook.Dir, lockWait)
	if err != nil {
		return fmt.Errorf("opening the logbook: %w", err)
	}
	closeBook := sync.OnceFunc(func() {
		if err := book.Close(); err != nil {
			c.Log.Error("closing the logbook", "error", err)
		}
	})
	defer closeBook()
	restored, err := book.Restore()
	if err != nil {
		return fmt.Errorf("restoring from the logbook: %w", err)
	}

	ln, err := net.Listen("tcp", c.Site.HTTP.Listen)
	if err != nil {
		// not a mistake of the file: who holds the address may let go of it, and a watcher never gives up restarting
		return fmt.Errorf("http.listen: %w", err)
	}

	l := newLoop(c, book, now, nonce)
	defer l.stopWriter()
	if err := l.begin(restored); err != nil {
		_ = ln.Close()
		return err
	}

	// the notifier and the server outlive the buses: what the last round raised must still get its chance, and a reader
	// may watch the stop
	tailCtx, tailStop := context.WithCancel(context.WithoutCancel(ctx))
	defer tailStop()
	var tail sync.WaitGroup
	tailErr := make(chan error, 2)
	sender := notify.New(notify.Config{Site: c.Site, Outbox: l.outbox, Secrets: secrets, Old: files.old, Roots: files.roots, Forms: files.forms,
		Now: now, Certain: func(reading.Stamp) bool { return l.view.Load().Clock.Certain }, Rand: l.jitter, Log: c.Log})
	l.beat = sender.Beat
	tail.Go(func() {
		if err := sender.Run(tailCtx, l.wake); err != nil {
			tailErr <- fmt.Errorf("notifier: %w", err)
		}
	})
	api := httpapi.New(httpapi.Config{Site: c.Site, View: l.view.Load, Ask: l.ask, Token: token, Now: now, Facts: l.facts(sender, restored.Before.Nonce != ""), Drills: drills(sender), Version: c.Version, NewID: l.newID, Log: c.Log, Past: Past(book)})
	tail.Go(func() {
		if err := httpapi.Serve(tailCtx, ln, api); err != nil {
			tailErr <- fmt.Errorf("http: %w", err)
		}
	})

	polls, stopPolls := context.WithCancel(ctx)
	defer stopPolls()
	tail.Go(func() { keepLogbook(polls, c, book, now) })
	var buses sync.WaitGroup
	busErr := make(chan error, len(c.Site.Buses))
	for i := range c.Site.Buses {
		buses.Go(func() {
			if err := bus.RunOrders(polls, c.Site, i, now, bus.Orders{Given: l.orders.of(i), Done: l.done, Stands: l.orders.stands}, l.batches, c.Log); err != nil {
				busErr <- fmt.Errorf("%w: %w", ErrConfig, err)
			}
		})
	}
	engineDone := make(chan struct{})
	go func() {
		defer close(engineDone)
		l.run()
	}()

	c.tell("READY=1\nSTATUS=watching " + c.Site.Name)
	if c.Ready != nil {
		c.Ready("http://" + ln.Addr().String())
	}
	c.Log.Info("started", "site", c.Site.Name, "version", c.Version, "boot", nonce, "config", c.Site.Hash, "http", ln.Addr().String())

	var failed error
	select {
	case <-ctx.Done():
	case failed = <-busErr:
	case failed = <-tailErr:
	}
	c.tell("STOPPING=1")
	late := time.AfterFunc(stopBound, func() {
		c.Log.Error("stopping took too long; leaving. What was committed is safe.", "bound", stopBound)
		os.Exit(1)
	})
	defer late.Stop()
	stopPolls()
	buses.Wait()
	close(l.batches)
	<-engineDone
	tailStop()
	tail.Wait()
	l.outbox.close()
	l.stopWriter()
	c.Log.Info("stopped", "outcomes", l.seq, "commits", book.Stats().Commits)
	closeBook() // within the bound: a disk that hangs must not hold the stop
	return failed
}

func (c *Config) tell(state string) {
	if c.Notify != nil {
		c.Notify(state)
	}
}

// secrets reads the token and the recipients' secrets.
func (c *Config) secrets() (map[string][]byte, []byte, error) {
	out := map[string][]byte{}
	var errs []error
	for i := range c.Site.Recipients {
		r := &c.Site.Recipients[i]
		if s, ok := c.Secrets[r.Name]; ok {
			out[r.Name] = s
			continue
		}
		raw, err := readSecret(r.SecretFile)
		if err == nil {
			out[r.Name], err = notify.ParseSecret(string(raw))
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("recipient %s: %w", r.Name, err))
		}
	}
	token := c.Token
	if token == nil && c.Site.HTTP.TokenFile != "" {
		raw, err := readSecret(c.Site.HTTP.TokenFile)
		if err == nil && len(raw) < tokenMin {
			err = fmt.Errorf("%s: the token is shorter than %d characters", c.Site.HTTP.TokenFile, tokenMin)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("http token: %w", err))
		}
		token = raw
	}
	if len(errs) > 0 {
		return nil, nil, fmt.Errorf("%w: %w", ErrConfig, errors.Join(errs...))
	}
	return out, token, nil
}

// readSecret reads a file that only its owner and group may read.
func readSecret(file string) ([]byte, error) {
	info, err := os.Stat(file)
	if err != nil {
		return nil, err
	}
	if info.Mode().Perm()&0o007 != 0 {
		return nil, fmt.Errorf("%s: everybody may read it (mode %04o); take that away: chmod o-rwx", file, info.Mode().Perm())
	}
	raw, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	s := strings.TrimSpace(string(raw))
	if s == "" {
		return nil, fmt.Errorf("%s: the file is empty", file)
	}
	return []byte(s), nil
}

func drawNonce(r io.Reader) (string, error) {
	var b [4]byte
	if _, err := io.ReadFull(r, b[:]); err != nil {
		return "", err
	}
	return fmt.Sprintf("%08x", b), nil
}

// booted is the first input.
func booted(s *site.Site, r logbook.Restored, nonce string, at reading.Stamp, k *clock) engine.Boot {
	return engine.Boot{Nonce: nonce, At: at, WallCertain: k.certain, Doubt: k.why, Hash: s.Hash, Before: r.Before, States: r.States}
}
