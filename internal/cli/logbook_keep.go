package cli

import (
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/logbook"
)

// lockPatience is how long a daemon's lock is waited for before it is said to be in use.
const lockPatience = time.Second

// progressOf tells how far a long work is, at most once a second.
func progressOf(to io.Writer, what string) func(done, of int) {
	var last time.Time
	return func(done, of int) {
		if now := time.Now(); now.Sub(last) >= time.Second && done > 0 {
			last = now
			fmt.Fprintf(to, "%d of %d %s\n", done, of, what)
		}
	}
}

func logbookStats() *cobra.Command {
	return &cobra.Command{
		Use:   "stats DIR",
		Short: "Say what the logbook in DIR holds and what room it takes",
		Long: `Say what the logbook in DIR holds and what room it takes: one line a file.
It is opened for reading only; the daemon must be stopped.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			b, err := logbook.OpenForReading(args[0], lockPatience)
			if err != nil {
				return err
			}
			defer b.Close()
			s, err := b.Contents(c.Context())
			if err != nil {
				return err
			}
			out := c.OutOrStdout()
			fmt.Fprintf(out, "logbook.db %d bytes, %d of them free, %s not yet moved\n", s.Bytes, s.FreeBytes, count(s.Hot, "block", "blocks"))
			for _, f := range s.Files {
				fmt.Fprintf(out, "%s %s %s to %s%s, %s, %d readings, %d bytes", f.Name, f.State, f.From.Time().Format(time.RFC3339), f.To.Time().Format(time.RFC3339),
					map[bool]string{false: " (time not certain)"}[f.Certain], count(f.Hours, "hour", "hours"), f.Readings, f.Bytes)
				if f.Readings > 0 {
					fmt.Fprintf(out, ", %.2f bytes a reading", float64(f.Bytes)/float64(f.Readings))
				}
				if f.Why != "" {
					fmt.Fprintf(out, ": %s", f.Why)
				}
				fmt.Fprintln(out)
			}
			gaps, err := b.Gaps(c.Context(), time.Time{}, time.Time{})
			if err != nil {
				return err
			}
			for _, g := range gaps {
				fmt.Fprintf(out, "gap %s to %s: %s", g.From.Time().Format(time.RFC3339), g.To.Time().Format(time.RFC3339), g.Cause)
				if g.Detail != "" {
					fmt.Fprintf(out, " (%s)", g.Detail)
				}
				fmt.Fprintln(out)
			}
			return nil
		},
	}
}

func logbookCompact() *cobra.Command {
	return &cobra.Command{
		Use:   "compact DIR",
		Short: "Write logbook.db in DIR anew without the room that deleted rows left",
		Long: `Write logbook.db in DIR anew without the room that deleted rows left. The
daemon must be stopped. The copy takes its place when it is durable; until
then the logbook is as it was.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			before, after, err := logbook.Compact(args[0], func(done, of int64) {
				fmt.Fprintf(c.ErrOrStderr(), "%d bytes written, of %d at most\n", done, of)
			})
			if err != nil {
				return err
			}
			fmt.Fprintf(c.OutOrStdout(), "logbook.db: %d bytes before, %d after\n", before, after)
			return nil
		},
	}
}
