package cli

import (
	"errors"
	"strings"

	"github.com/spf13/cobra"
)

func learnCommand() *cobra.Command {
	a := &asker{}
	return a.flags(&cobra.Command{
		Use:   "learn LIMIT",
		Short: "Have it learned what is normal for a limit",
		Long: `Have it learned what is normal for a limit with above_normal or below_normal,
such as b2.sulfite-lost, from what was seen in the last hours.

    rillwatch learn b2.sulfite-lost --why "a week after the new feed pump, well tested"

Give it when the plant has run as it should for that time and a test of the
water has shown it: whatever was seen becomes the normal. Only readings count
that were believed, on line, in fresh sample, after the start-up and outside an
alarm; too few, too unsteady or beyond the limit's bound, it is refused by name.
What is learned stands still until somebody has it learned again. It needs --why.` + asksDaemon,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if strings.TrimSpace(a.why) == "" {
				return exit{exitUsage, errors.New("say why with --why: a limit hangs on this, and the logbook keeps why")}
			}
			return a.ask(c, "learn_baseline", map[string]any{"limit": args[0]})
		},
	})
}
