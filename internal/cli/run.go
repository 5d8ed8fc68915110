package cli

import (
	"crypto/rand"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"os"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"rillwatch/internal/app"
	"rillwatch/internal/config"
)

func runCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "run FILE",
		Short: "Watch the site described in FILE until stopped",
		Long: `Watch the site described in FILE until stopped by SIGTERM or Ctrl-C.

The file is read once; check it beforehand with "rillwatch config FILE". Under
systemd the service is told ready when the start is on disk, and the watchdog
is fed each time a round of polls has gone through judgement.`,
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
			return app.Run(c.Context(), app.Config{Site: site, Version: Version, Log: log, Entropy: rand.Reader, Notify: supervisor(log)})
		},
	}
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
