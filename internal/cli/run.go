package cli

import (
	"context"
	"crypto/rand"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"rillwatch/internal/app"
	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/site"
)

func runCommand() *cobra.Command {
	var r recordFlags
	var capture string
	c := &cobra.Command{
		Use:   "run FILE",
		Short: "Watch the site described in FILE until stopped",
		Long: `Watch the site described in FILE until stopped by SIGTERM or Ctrl-C.

The file is read at the start and on SIGHUP; check it beforehand with "rillwatch
config FILE". On SIGHUP a file that is wrong changes nothing and is told in the
log and to systemd; a right one restarts the watch within the process, which
goes on from the logbook and costs some seconds of readings, recorded as a gap.
Under systemd the service is told ready when the start is on disk, and the
watchdog is fed each time a round of polls has gone through judgement.

--capture records every input from the start on, to be replayed; it ends by
itself or with a reload, and judging never waits for it.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			log := logger(c.ErrOrStderr())
			load := func() (*site.Site, error) {
				s, report, err := config.Load(args[0])
				if err != nil {
					return nil, configError(err)
				}
				for _, w := range report.Warnings {
					log.Warn("configuration", "warning", w.String())
				}
				return s, nil
			}
			first, err := load()
			if err != nil {
				return err
			}
			daemon := app.Config{Version: Version, Log: log, Entropy: rand.Reader}
			var record func(engine.Input, engine.Outcome)
			var endCapture func() error
			if capture != "" {
				if err := r.check(); err != nil {
					return err
				}
				text, err := config.Inline(args[0])
				if err != nil {
					return configError(err)
				}
				rec, err := startRecorder(capture, string(text), first, r.long, r.size, log)
				if err != nil {
					return err
				}
				record, endCapture = rec.record, rec.stop
			}
			hup := make(chan os.Signal, 1)
			signal.Notify(hup, syscall.SIGHUP)
			defer signal.Stop(hup)
			again := reloader{hup: hup, log: log, notify: supervisor(log),
				load: func() (*site.Site, error) {
					s, err := load()
					if err != nil {
						return nil, err
					}
					try := daemon
					try.Site = s
					return s, app.Usable(try)
				},
				run: func(ctx context.Context, s *site.Site, ready func(), notify func(string)) error {
					d := daemon
					d.Site, d.Notify, d.Record, d.Ready = s, notify, record, func(string) { ready() }
					err := app.Run(ctx, d)
					if record != nil { // a capture holds one configuration, and ends with it
						record = nil
						err = errors.Join(err, endCapture())
					}
					return err
				}}
			return again.watch(c.Context(), first)
		},
	}
	f := c.Flags()
	f.StringVar(&capture, "capture", "", "record every input to this file, such as trouble.txtar.gz")
	f.DurationVar(&r.long, "capture-for", 24*time.Hour, "how long to record")
	f.IntVar(&r.size, "capture-size", recordSizeMB, "most MB of the file")
	return c
}

// configError gives an unreadable file the same code as a wrong one: both are for the person who named it.
func configError(err error) error {
	if path := (*fs.PathError)(nil); errors.As(err, &path) {
		return exit{exitConfig, err}
	}
	return err
}

// supervisor tells systemd how the daemon fares, when systemd asks.
func supervisor(log *slog.Logger) func(string) {
	if os.Getenv("NOTIFY_SOCKET") == "" {
		return nil
	}
	return func(state string) {
		if _, err := daemon.SdNotify(false, state); err != nil {
			log.Warn("the supervisor could not be told", "error", err)
		}
	}
}

// logger writes to a terminal or, with the priorities the journal sorts by, to the journal, which adds the time itself.
func logger(w io.Writer) *slog.Logger {
	if os.Getenv("JOURNAL_STREAM") != "" {
		return slog.New(&journalHandler{w: w})
	}
	return slog.New(slog.NewTextHandler(w, nil))
}
