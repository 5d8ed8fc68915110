package cli

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"rillwatch/internal/logbook"
)

func logbookCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "logbook",
		Short: "Look into a logbook",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(
		&cobra.Command{
			Use:   "check DIR",
			Short: "Check every page and every row of the logbook in DIR",
			Long: `Check every page and every row of the logbook in DIR. It is opened for
reading only. Exit code 1 when anything is found.`,
			Args: cobra.ExactArgs(1),
			RunE: func(c *cobra.Command, args []string) error {
				r, err := logbook.CheckWith(args[0], progressOf(c.ErrOrStderr(), "files checked"))
				if err != nil {
					return err
				}
				for _, f := range r.Findings {
					fmt.Fprintln(c.OutOrStdout(), f)
				}
				if r.More > 0 {
					fmt.Fprintf(c.OutOrStdout(), "and %d more\n", r.More)
				}
				if r.Files > 0 || r.Aside > 0 {
					fmt.Fprintf(c.OutOrStdout(), "%s beside logbook.db, %s, %s put together, %d set aside\n", count(r.Files, "file", "files"), count(r.Chunks, "chunk", "chunks"), count(r.Hours, "hour", "hours"), r.Aside)
				}
				fmt.Fprintf(c.OutOrStdout(), "%s: %s, %d bytes, %s, %d readings in %s, %s, %s, %s waiting\n", args[0], count(len(r.Findings)+r.More, "finding", "findings"), r.Bytes, count(r.Boots, "start", "starts"),
					r.Samples, count(r.Blocks, "block", "blocks"), count(r.Events, "event", "events"), count(r.Excursions, "excursion", "excursions"), count(r.Waiting, "message", "messages"))
				if len(r.Findings) > 0 {
					return exit{exitFailed, fmt.Errorf("%s: %s", args[0], count(len(r.Findings)+r.More, "finding", "findings"))}
				}
				return nil
			},
		},
		logbookStats(),
		logbookCompact(),
		&cobra.Command{
			Use:   "state DIR",
			Short: "Print the judge state kept in the logbook in DIR, as JSON",
			Args:  cobra.ExactArgs(1),
			RunE: func(c *cobra.Command, args []string) error {
				rows, err := logbook.DumpState(args[0])
				if err != nil {
					return err
				}
				out := make(map[string]json.RawMessage, len(rows))
				for _, r := range rows {
					name := r.Name
					if name == "" {
						name = "(site)"
					}
					out[name] = r.Data
				}
				enc := json.NewEncoder(c.OutOrStdout())
				enc.SetIndent("", "  ")
				return enc.Encode(out)
			},
		},
	)
	return c
}

// lines calls f with each line until the input ends.
func lines(r io.Reader, f func(string)) {
	s := bufio.NewScanner(r)
	for s.Scan() {
		f(s.Text())
	}
}
