package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"rillwatch/internal/app"
	"rillwatch/internal/config"
)

func configCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "config FILE",
		Short: "Check a configuration and print every default it takes",
		Long: `Check a configuration. Every mistake is reported at once as

    file:line:column: path: what is wrong (what to do)

on stderr, with exit code 78. A good file prints what was not said and which
default was taken for it, the wire address of every point, what a round of each
bus costs, the points that nobody has proven yet, and warnings. Nothing is
started and nothing is sent.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			site, report, err := config.Load(args[0])
			if err != nil {
				return configError(err)
			}
			if err := app.Recipients(site); err != nil { // certificates and templates: a template is tried on every kind of message
				return err
			}
			report.Write(c.OutOrStdout())
			fmt.Fprint(c.OutOrStdout(), notProven(site))
			_, err = fmt.Fprintf(c.OutOrStdout(), "\n%s: good. Site %s, configuration %s: %s, %s, %s, %s.\n", args[0], site.Name, site.Hash,
				count(len(site.Buses), "bus", "buses"), count(len(site.Panels), "panel", "panels"), count(len(site.Sensors), "sensor", "sensors"), count(len(site.Points), "point", "points"))
			return err
		},
	}
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
