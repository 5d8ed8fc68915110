package cli

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"rillwatch/internal/history"
)

// question are the flags of a question about the past.
type question struct {
	past
	from, to string
	points   []string
	hourly   bool
}

func (a *question) flags(c *cobra.Command) *cobra.Command {
	a.past.flags(c)
	f := c.Flags()
	f.StringVar(&a.from, "from", "1h", "from when: a moment with its zone, how long ago, or begin")
	f.StringVar(&a.to, "to", "now", "until when")
	f.StringSliceVar(&a.points, "points", nil, "only these: a panel, paths, or patterns such as 'b2.*.oxygen'")
	f.BoolVar(&a.hourly, "hourly", false, "one line an hour and point instead of every reading")
	return c
}

func (a *question) words(format string) map[string]string {
	words := map[string]string{"from": a.from, "to": a.to, "format": format}
	if len(a.points) > 0 {
		words["points"] = strings.Join(a.points, ",")
	}
	if a.hourly {
		words["every"] = "hour"
	}
	return words
}

const timesHelp = `
A time is 2026-11-25T08:00:00Z or 2026-11-25T08:00:00+01:00, how long ago such as
90m, 36h or 7d, now, or begin for the beginning of the logbook.`

func historyCommand() *cobra.Command {
	a := &question{}
	var asJSON bool
	c := &cobra.Command{
		Use:   "history",
		Short: "Show what is recorded, as a table",
		Long: `Show what is recorded: a line each time what is shown of a point changes, or
with --hourly the least, mean and most of every hour. What is missing, and why,
comes first.

    rillwatch history --config site.toml --points b2 --from 2h
    rillwatch history --config site.toml --points 'b2.*.oxygen' --from 7d --hourly
` + timesHelp + fromWhere + `

Exit codes: 0 fine, 1 failed or interrupted, 64 wrong usage, 78 bad configuration.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := a.open(); err != nil {
				return err
			}
			defer a.close()
			format := history.Text
			if asJSON {
				format = history.JSON
			}
			_, err := a.write(c.Context(), &meter{w: c.OutOrStdout(), talk: c.ErrOrStderr()}, a.words(format))
			return broken(err)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print it as JSON, with every reading")
	return a.flags(c)
}

func exportCommand() *cobra.Command {
	a := &question{}
	var format, out string
	c := &cobra.Command{
		Use:   "export",
		Short: "Write what is recorded as CSV, JSON Lines or OpenMetrics",
		Long: `Write what is recorded, to stdout or to a file that is there only when it is
whole. CSV and JSON Lines hold every reading with its quality and reason.
OpenMetrics holds what /metrics would have shown, with its time, and is what
promtool builds blocks from:

    rillwatch export --config site.toml --from begin --format openmetrics --out all.om
    promtool tsdb create-blocks-from openmetrics all.om DIR
` + timesHelp + fromWhere + `

Long ones tell on stderr how far they are, and Ctrl-C ends them. Exit codes:
0 fine, 1 failed or interrupted, 64 wrong usage, 78 bad configuration.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if format != history.CSV && format != history.JSONLines && format != history.OpenMetrics {
				return wrongUsage("--format is csv, jsonl or openmetrics, not %q", format)
			}
			if err := a.open(); err != nil {
				return err
			}
			defer a.close()
			var told history.Told
			write := func(w io.Writer) (err error) {
				told, err = a.write(c.Context(), &meter{w: w, talk: c.ErrOrStderr()}, a.words(format))
				return broken(err)
			}
			var err error
			if out == "" {
				err = write(c.OutOrStdout())
			} else {
				err = wholeFile(out, write)
			}
			if err != nil {
				return err
			}
			row := count(told.Rows, "reading", "readings")
			if a.hourly {
				row = count(told.Rows, "hourly row", "hourly rows")
			}
			fmt.Fprintf(c.ErrOrStderr(), "%s, %s without readings in the range\n", row, count(told.Gaps, "stretch", "stretches"))
			if told.LeftOut > 0 {
				fmt.Fprintf(c.ErrOrStderr(), "%s left out: the clock went back, and OpenMetrics takes no time twice\n", count(told.LeftOut, "value", "values"))
			}
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&format, "format", history.CSV, "csv, jsonl or openmetrics")
	f.StringVar(&out, "out", "", "file to write; one that is there is not written over")
	return a.flags(c)
}

// wholeFile writes a file under another name and gives it its own only when it is whole and on the device.
func wholeFile(path string, write func(io.Writer) error) (err error) {
	if _, err := os.Lstat(path); err == nil {
		return wrongUsage("%s is there already, and is not written over", path)
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name()) // what is not whole is worth nothing, and the cause is told
		}
	}()
	err = write(f)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	// a link, not a renaming: what somebody else put there meanwhile stays
	if err = os.Link(f.Name(), path); err != nil {
		return err
	}
	return os.Remove(f.Name())
}
