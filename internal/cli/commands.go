package cli

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

// The commands that a person gives to the running daemon. Each prints what the daemon says when it is on disk.

const asksDaemon = `

It asks the running daemon, with the token that http.token_file holds, and
prints the answer when it is on disk. Exit code 1 when it is refused.`

func ackCommand() *cobra.Command {
	a := &asker{}
	return a.flags(&cobra.Command{
		Use:   "ack ALARM",
		Short: "Say that you have seen an alarm",
		Long: `Say that you have seen an alarm, such as b2.oxygen-high. Its name is in the
last line of its message. It mends nothing: the condition is unchanged.` + asksDaemon,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return a.ask(c, "acknowledge", map[string]any{"alarm": args[0]})
		},
	})
}

func checkCommand() *cobra.Command {
	a := &asker{}
	var what, long string
	c := a.flags(&cobra.Command{
		Use:   "check SENSOR [back]",
		Short: "Say that you take a sensor out, or that it is back",
		Long: `Say that you take a sensor out of the sample line, such as b2.rack, what for and
for how long (at most 8h); or that it is back in its cell.

    rillwatch check b2.rack --what "zero check" --for 2h --why "monthly"
    rillwatch check b2.rack back

Before a sensor is taken out, in this order: isolate the sample at its root
valve, prove that nothing flows, relieve the pressure; then remove it. The water
is hot and under pressure.

Its readings are not believed until you say that it is back, and the others of
the panel owe a long flush. When the time is over people are called. A sensor
that gives the sample temperature needs the sample valve confirmed closed;
where it is not, nobody sees a hot sample meanwhile, and that is told.` + asksDaemon,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 2 {
				if args[1] != "back" {
					return exit{exitUsage, fmt.Errorf("%q: only back may stand behind the sensor (see %s --help)", args[1], c.CommandPath())}
				}
				return a.ask(c, "check_in_hand", map[string]any{"sensor": args[0], "back": true})
			}
			if what == "" || long == "" {
				return exit{exitUsage, errors.New(`say what you do with it and for how long: --what "zero check" --for 2h`)}
			}
			if err := a.needWhy(); err != nil {
				return err
			}
			return a.ask(c, "check_in_hand", map[string]any{"sensor": args[0], "what": what, "for": long})
		},
	})
	c.Flags().StringVar(&what, "what", "", "what you do with the sensor")
	c.Flags().StringVar(&long, "for", "", "for how long, such as 90m or 2h; at most 8h")
	return c
}

func onlineCommand() *cobra.Command {
	a := &asker{}
	var long string
	c := a.flags(&cobra.Command{
		Use:   "online PANEL on|off",
		Short: "Say for some time whether a boiler is fed",
		Long: `Say for some time whether the boiler of a panel is fed (at most 168h, a week).

    rillwatch online b2 off --for 60h --why "weekend"

It goes before the panel's own signal. Off line, no flow and no chemistry of the
panel raises an alarm and open excursions are suspended; a hot sample is watched
all the same. The end is told, a restart ends it too, and a sample that flows
again is told. Off needs --why.` + asksDaemon,
		Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			on, err := either(args[1], "on", "off")
			if err != nil {
				return err
			}
			if long == "" {
				return exit{exitUsage, errors.New("say for how long: --for 8h")}
			}
			if !on {
				if err := a.needWhy(); err != nil {
					return err
				}
			}
			return a.ask(c, "set_on_line", map[string]any{"panel": args[0], "on_line": on, "for": long})
		},
	})
	c.Flags().StringVar(&long, "for", "", "for how long, such as 90m or 8h; at most 168h")
	return c
}

func rearmCommand() *cobra.Command {
	a := &asker{}
	return a.flags(&cobra.Command{
		Use:   "rearm PANEL",
		Short: "Withdraw the request to close a sample valve",
		Long: `Withdraw the request to close the sample valve of a panel, which stands until a
person does so. It moves nothing: opening is done at the panel, by a person who
has proved the cooling water. It needs --why.` + asksDaemon,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if strings.TrimSpace(a.why) == "" {
				return exit{exitUsage, errors.New("say why with --why: everybody who is told reads it")}
			}
			return a.ask(c, "rearm", map[string]any{"panel": args[0]})
		},
	})
}

func overrideCommand() *cobra.Command {
	a := &asker{}
	var long string
	c := a.flags(&cobra.Command{
		Use:   "override PANEL",
		Short: "Suspend the request to close a sample valve for some time",
		Long: `Suspend the request to close the sample valve of a panel for some time (an hour
where none is said, at most 8h). Then it returns by itself. Every message of the
panel names it meanwhile. It needs --why.` + asksDaemon,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := a.needWhy(); err != nil {
				return err
			}
			fields := map[string]any{"panel": args[0]}
			if long != "" {
				fields["for"] = long
			}
			return a.ask(c, "override", fields)
		},
	})
	c.Flags().StringVar(&long, "for", "", "for how long, such as 30m; at most 8h")
	return c
}

func closedCommand() *cobra.Command {
	a := &asker{}
	return a.flags(&cobra.Command{
		Use:   "closed PANEL by-hand",
		Short: "Say that a sample valve was closed by hand",
		Long: `Say that the sample valve of a panel, which is seen closed and nobody knows why,
was closed by hand.

    rillwatch closed b2 by-hand --why "grab sample"

It moves nothing and ends nothing. It is kept until the valve is seen open: where
rillwatch may close the valve, a start that finds it closed takes your word as
the cause. It is refused while the valve is not seen closed, and where the panel
closed it on a hot sample.` + asksDaemon,
		Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			if args[1] != "by-hand" {
				return exit{exitUsage, fmt.Errorf("%q: only by-hand may stand behind the panel (see %s --help)", args[1], c.CommandPath())}
			}
			return a.ask(c, "valve_by_hand", map[string]any{"panel": args[0]})
		},
	})
}

// either reads one of two words; true for the first.
func either(word, yes, no string) (bool, error) {
	switch word {
	case yes:
		return true, nil
	case no:
		return false, nil
	}
	return false, exit{exitUsage, fmt.Errorf("%q: write %s or %s", word, yes, no)}
}
