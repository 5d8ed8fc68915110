package cli

import (
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/rig"
)

func simulateCommand() *cobra.Command {
	var (
		listen  string
		station uint8
		seed    uint64
		speed   float64
		small   bool
		script  string
	)
	c := &cobra.Command{
		Use:   "simulate",
		Short: "Serve a simulated sample panel over Modbus TCP",
		Long: `Serve a simulated sample panel over Modbus TCP, to try a configuration on a
desk. The register table is printed as a map to paste. Every line typed, such
as "cooler-lost", happens to the plant at once; "help" lists what may happen.
Use loopback only.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			k := rig.DefaultConstants()
			if small {
				k = rig.DemoConstants()
			}
			var upsets []rig.Upset
			if script != "" {
				text, err := os.ReadFile(script)
				if err != nil {
					return exit{exitUsage, err}
				}
				if upsets, err = rig.ParseScript(string(text)); err != nil {
					return exit{exitUsage, fmt.Errorf("%s: %w", script, err)}
				}
			}
			p, err := rig.NewPanel(station, k, seed, upsets)
			if err != nil {
				return exit{exitUsage, err}
			}
			s, err := rig.Listen(listen, p)
			if err != nil {
				return err
			}
			defer func() { _ = s.Stop() }() // the process ends; nobody is left to be told
			out := c.OutOrStdout()
			fmt.Fprintf(out, "# A simulated sample panel answers at %s, station %d. Stop with Ctrl-C.\n\n%s\n# %s\n\n", s.URL(), station, rig.MapTOML(), k.LineTOML())
			go listenToKeyboard(c, s, station)
			go printEvery(c, s)
			return s.Run(c.Context(), speed, func(n rig.Notice) {
				fmt.Fprintf(c.ErrOrStderr(), "%8s  %s\n", n.At.Truncate(time.Second), n.Text)
			})
		},
	}
	f := c.Flags()
	f.StringVar(&listen, "listen", "127.0.0.1:5502", "address to serve at; port 0 takes a free one")
	f.Uint8Var(&station, "station", 1, "unit identifier to answer as")
	f.Uint64Var(&seed, "seed", 1, "seed of the readings' noise")
	f.Float64Var(&speed, "speed", 1, "how many times faster than the clock on the wall")
	f.BoolVar(&small, "small", false, "a toy line that is flushed in seconds")
	f.StringVar(&script, "script", "", "file of upsets, one a line: TIME WHAT")
	return c
}

// listenToKeyboard takes a line as something that happens now.
func listenToKeyboard(c *cobra.Command, s *rig.Server, station uint8) {
	lines(c.InOrStdin(), func(line string) {
		switch line = strings.TrimSpace(line); line {
		case "":
		case "help":
			fmt.Fprintln(c.ErrOrStderr(), "what may happen: "+strings.Join(rig.Upsets(), ", "))
		default:
			told, err := s.Do(station, line)
			if err != nil {
				fmt.Fprintln(c.ErrOrStderr(), err)
			}
			for _, n := range told {
				fmt.Fprintf(c.ErrOrStderr(), "%8s  %s\n", n.At.Truncate(time.Second), n.Text)
			}
		}
	})
}

// printEvery writes what the sensors see, every ten seconds.
func printEvery(c *cobra.Command, s *rig.Server) {
	t := time.NewTicker(10 * time.Second)
	defer t.Stop()
	for {
		select {
		case <-c.Context().Done():
			return
		case <-t.C:
			for _, n := range s.Snapshots() {
				fmt.Fprintf(c.ErrOrStderr(), "%8s  %s\n", n.At.Truncate(time.Second), plantLine(n))
			}
		}
	}
}

// plantLine is the simulated panel in one line.
func plantLine(n rig.Snapshot) string {
	valve := "open"
	if n.ValveClosed {
		valve = "closed " + n.ClosedBy.String()
	}
	return fmt.Sprintf("%.1f degC, oxygen %.1f ug/L, %.3f uS/cm, %.0f mL/min, valve %s, cooler %s", n.Temperature, n.Oxygen, n.Conductivity, n.Flow, valve, n.Cooler())
}
