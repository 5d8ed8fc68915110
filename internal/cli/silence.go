package cli

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

func shelveCommand() *cobra.Command {
	a := &asker{}
	var long string
	c := a.flags(&cobra.Command{
		Use:   "shelve ALARM [end]",
		Short: "Silence an alarm for some time, or end that",
		Long: `Silence an alarm such as b2.oxygen-high for some time (an hour where none is
said, at most 12h), or end that before its time.

    rillwatch shelve b2.oxygen-high --for 2h --why "sensor is being exchanged"
    rillwatch shelve b2.oxygen-high end

It is judged and counted all the same, and every message of its panel names it.
The end is told; it comes with the time or the next start of rillwatch, and where
the condition holds then, the alarm is told anew. What warns of hot water, of a
sensor left out or of nobody watching cannot be shelved. It needs --why.` + asksDaemon,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 2 {
				if args[1] != "end" {
					return exit{exitUsage, fmt.Errorf("%q: only end may stand behind the alarm (see %s --help)", args[1], c.CommandPath())}
				}
				if long != "" {
					return exit{exitUsage, errors.New("end takes no --for")}
				}
				return a.ask(c, "unshelve", map[string]any{"alarm": args[0]})
			}
			if err := a.needWhy(); err != nil {
				return err
			}
			fields := map[string]any{"alarm": args[0]}
			if long != "" {
				fields["for"] = long
			}
			return a.ask(c, "shelve", fields)
		},
	})
	c.Flags().StringVar(&long, "for", "", "for how long, such as 30m or 2h; at most 12h")
	return c
}

func serviceCommand() *cobra.Command {
	a := &asker{}
	return a.flags(&cobra.Command{
		Use:   "service ALARM out|in",
		Short: "Take an alarm out of service, or back in",
		Long: `Take an alarm out of service for maintenance, or back in. Out needs --why. It
has no end of its own and outlives a restart, so it is for what stands in a work
order; every message of the panel names it. What warns of hot water, of a sensor
left out or of nobody watching cannot be taken out.` + asksDaemon,
		Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			out, err := either(args[1], "out", "in")
			if err != nil {
				return err
			}
			if out {
				if err := a.needWhy(); err != nil {
					return err
				}
			}
			return a.ask(c, "out_of_service", map[string]any{"alarm": args[0], "out": out})
		},
	})
}

func alarmsCommand() *cobra.Command {
	a := &asker{}
	var panel string
	var all bool
	c := &cobra.Command{
		Use:   "alarms",
		Short: "List the alarms of the running daemon",
		Long: `List the alarms that stand, wait for somebody or are silenced, with who and why.

It asks the running daemon and needs no token.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			path := "/api/v1/alarms"
			if panel != "" {
				path += "?panel=" + panel
			}
			answer, err := a.get(c, path)
			if err != nil {
				return err
			}
			if a.json {
				_, err := c.OutOrStdout().Write(answer)
				return err
			}
			text, err := listAlarms(answer, all)
			if err != nil {
				return err
			}
			_, err = fmt.Fprint(c.OutOrStdout(), text)
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&a.api, "api", "", "address of the daemon (default "+apiDefault+")")
	f.StringVar(&a.config, "config", "", "take the address from this configuration")
	f.BoolVar(&a.json, "json", false, "print the daemon's answer as it came")
	f.StringVar(&panel, "panel", "", "of one panel only")
	f.BoolVar(&all, "all", false, "the normal ones too")
	return c
}

// alarmList is what of the daemon's answer a list for people needs.
type alarmList struct {
	Alarms []struct {
		Alarm, State, Priority string
		Active, Unsteady       bool
		Since                  *string
		AcknowledgedBy         string `json:"acknowledged_by"`
		NotTold                string `json:"not_told"`
		Behind                 string
		SuppressedBy           string `json:"suppressed_by"`
		Shelved                *struct {
			Who, Why string
			LeftS    float64 `json:"left_s"`
		}
		OutOfService *struct {
			Who, Why string
			Since    *string
		} `json:"out_of_service"`
		Returns int `json:"returns_while_unsteady"`
	}
	Counts map[string]int
}

// listAlarms writes one line an alarm, and below it who silenced it or what speaks for it.
func listAlarms(answer []byte, all bool) (string, error) {
	var l alarmList
	if err := unmarshal(answer, &l); err != nil {
		return "", err
	}
	var b strings.Builder
	for _, a := range l.Alarms {
		if !all && a.State == "normal" && !a.Unsteady {
			continue
		}
		holds := ""
		if a.Active {
			holds = "  the condition holds"
		}
		since := ""
		if a.Since != nil {
			since = "  since " + *a.Since
		}
		fmt.Fprintf(&b, "%-40s %-7s %s%s%s\n", a.Alarm, a.Priority, spacedState(a.State), holds, since)
		say := func(format string, args ...any) { fmt.Fprintf(&b, "    "+format+"\n", args...) }
		if a.AcknowledgedBy != "" {
			say("acknowledged by %s", a.AcknowledgedBy)
		}
		if s := a.OutOfService; s != nil {
			say("out of service by %s: %s", s.Who, s.Why)
		}
		if a.SuppressedBy != "" {
			say("suppressed by design: %s", a.SuppressedBy)
		}
		if s := a.Shelved; s != nil {
			say("shelved by %s for %.0f min more: %s", s.Who, s.LeftS/60, s.Why)
		}
		if a.Unsteady {
			say("it comes and goes: %d returns, counted and not told", a.Returns)
		}
		if a.NotTold == "behind" {
			say("not told by itself: %s speaks for it", a.Behind)
		}
	}
	if b.Len() == 0 {
		b.WriteString("no alarm stands, waits or is silenced\n")
	}
	fmt.Fprintf(&b, "unacknowledged %d, acknowledged %d, returned unacknowledged %d, shelved %d, suppressed %d, out of service %d, normal %d\n", l.Counts["unacknowledged"], l.Counts["acknowledged"],
		l.Counts["returned_unacknowledged"], l.Counts["shelved"], l.Counts["suppressed"], l.Counts["out_of_service"], l.Counts["normal"])
	return b.String(), nil
}

func spacedState(s string) string { return strings.ReplaceAll(s, "_", " ") }
