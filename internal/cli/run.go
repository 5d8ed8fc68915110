package cli

import (
	"crypto/rand"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"rillwatch/internal/app"
	"rillwatch/internal/config"
)

func runCommand() *cobra.Command {
	var r recordFlags
	var capture string
	c := &cobra.Command{
		Use:   "run FILE",
		Short: "Watch the site described in FILE until stopped",
		Long: `Watch the site described in FILE until stopped by SIGTERM or Ctrl-C.

The file is read once; check it beforehand with "rillwatch config FILE". Under
systemd the service is told ready when the start is on disk, and the watchdog
is fed each time a round of polls has gone through judgement.

--capture records every input from the start on, to be replayed; it ends by
itself, and judging never waits for it.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			site, report, err := config.Load(args[0])
			if err != nil {
				return configError(err)
			}
			log := logger(c.ErrOrStderr())
			for _, w := range report.Warnings {
				log.Warn("configuration", "warning", w.String())
			}
			daemon := app.Config{Site: site, Version: Version, Log: log, Entropy: rand.Reader, Notify: supervisor(log)}
			if capture == "" {
				return app.Run(c.Context(), daemon)
			}
			if err := r.check(); err != nil {
				return err
			}
			text, err := os.ReadFile(args[0])
			if err != nil {
				return configError(err)
			}
			rec, err := startRecorder(capture, string(text), site, r.long, r.size, log)
			if err != nil {
				return err
			}
			daemon.Record = rec.record
			err = app.Run(c.Context(), daemon)
			if e := rec.stop(); err == nil {
				err = e
			}
			return err
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
