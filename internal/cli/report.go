package cli

import (
	"encoding/json"
	"io"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/app"
	"rillwatch/internal/history"
)

func reportCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "report",
		Short: "Write a report of what is recorded",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(evidenceCommand())
	return c
}

func evidenceCommand() *cobra.Command {
	var p past
	var asJSON bool
	c := &cobra.Command{
		Use:   "evidence POINT TIME",
		Short: "Say whether a sensor saw flow at a moment, with the evidence",
		Long: `Say whether a sensor saw flow at a moment, and show what its panel recorded in
the half hours before and after: value, flow, temperature, valve, litres since
the valve opened, and why readings were or were not believed.

    rillwatch report evidence b2.rack.oxygen 2026-11-25T03:12:00Z --config site.toml

TIME may also be how long ago, such as 90m. Which point is the flow and which
the valve is taken from the configuration as it is now. --json gives every
minute of every point; every reading is in rillwatch history.` + fromWhere + `

Exit codes: 0 whatever the answer, 1 failed, 64 wrong usage, 78 bad configuration.`,
		Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			if p.dir != "" && p.config == "" {
				return wrongUsage("which point is the flow stands in the configuration: name it with --config")
			}
			if err := p.open(); err != nil {
				return err
			}
			defer p.close()
			format := history.Text
			if asJSON {
				format = history.JSON
			}
			if p.book == nil {
				_, err := p.fetch(c.Context(), c.OutOrStdout(), "/api/v1/evidence", map[string]string{"point": args[0], "time": args[1], "format": format})
				return err
			}
			at, err := history.ParseTime(args[1], time.Now())
			if err != nil {
				return wrongUsage("%w", err)
			}
			e, err := history.Evidence(c.Context(), app.Past(p.book), p.site, args[0], at)
			if err != nil {
				return usageOf(err)
			}
			if asJSON {
				enc := json.NewEncoder(c.OutOrStdout())
				enc.SetIndent("", "  ")
				return enc.Encode(e.Body())
			}
			_, err = io.WriteString(c.OutOrStdout(), e.Text())
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print it as JSON")
	p.flags(c)
	return c
}
