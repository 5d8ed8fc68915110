package cli

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/engine"
	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// standing is how far one point's map line is proven.
type standing struct {
	path, word, by, at, with string
	proven                   bool
}

// standings says of every point that is read from a device how far it is proven: by the daemon where it runs, else by the logbook. known is false where neither can be asked.
func standings(c *cobra.Command, s *site.Site) (all []standing, known bool, why string) {
	if body := daemonView(c.Context(), s, "/api/v1/readings"); body != nil {
		if r, err := parseReadings(body); err == nil {
			return ofDaemon(s, r), true, ""
		}
	}
	all, err := ofLogbook(s)
	if err != nil {
		return nil, false, err.Error()
	}
	return all, true, ""
}

// ofLogbook is what the logbook says while no daemon has it.
func ofLogbook(s *site.Site) (all []standing, err error) {
	row, err := logbook.State(s.Logbook.Dir, engine.ProofsRow)
	if err != nil && !errors.Is(err, logbook.ErrNotThere) {
		return nil, err
	}
	proofs, err := engine.ParseProofs(row)
	if err != nil {
		return nil, err
	}
	for i := range s.Points {
		pt := &s.Points[i]
		if !provable(s, i) {
			continue
		}
		p := engine.ProofOf(proofs, pt.Path)
		st, by := p.Standing(s.MapHash(i))
		k := standing{path: pt.Path, word: st.String(), proven: st == engine.ProvenTwice, by: by.Who, with: p.Map}
		if len(p.Looks) > 0 {
			k.at = dayOf(by.At)
		}
		all = append(all, k)
	}
	return all, nil
}

// provable tells whether a point can be compared with a display: it is read from a device, and is not what the device says of itself.
func provable(s *site.Site, i int) bool {
	pt := &s.Points[i]
	if pt.Derived() {
		return false
	}
	sensor := &s.Sensors[pt.Sensor]
	return !(sensor.Status.Configured && sensor.Status.Point == i || sensor.Alive.Configured && sensor.Alive.Point == i)
}

func dayOf(w reading.Wall) string { return w.Time().Format(time.DateOnly) }

func ofDaemon(s *site.Site, r daemonReadings) (all []standing) {
	for i := range s.Points {
		pt := &s.Points[i]
		if !provable(s, i) {
			continue
		}
		k := standing{path: pt.Path, word: engine.NotProven.String()}
		for _, d := range r.Readings {
			if d.Panel+"."+d.Point == pt.Path && d.Proof != nil {
				k.word, k.by, k.with = d.Proof.Standing, d.Proof.By, d.Proof.With
				if len(d.Proof.At) >= len(time.DateOnly) {
					k.at = d.Proof.At[:len(time.DateOnly)]
				}
				if d.Proof.With != s.MapHash(i) {
					k.word = engine.MapChanged.String()
				}
				k.proven = k.word == engine.ProvenTwice.String()
			}
		}
		all = append(all, k)
	}
	return all
}

var standingWords = map[string]string{
	engine.NotProven.String(): "not proven", engine.MapChanged.String(): "map line changed since", engine.Disagrees.String(): "did not agree",
	engine.OneValue.String(): "one value agrees", engine.ProvenTwice.String(): "proven",
}

// notProven is the part of a configuration's report that says which points nobody has proven.
func notProven(s *site.Site) string {
	all, err := ofLogbook(s)
	switch {
	case errors.Is(err, logbook.ErrInUse):
		return "proven points: known to the running daemon (rillwatch prove FILE --list)\n"
	case err != nil:
		return "proven points: not known, the logbook cannot be read here\n"
	}
	var open []string
	for _, k := range all {
		if !k.proven {
			open = append(open, k.path)
		}
	}
	if len(open) == 0 {
		return fmt.Sprintf("proven points: all %d, against their devices' displays\n", len(all))
	}
	return fmt.Sprintf("not proven against the device's display, %d of %d:\n", len(open), len(all)) + wrap("  "+strings.Join(open, ", "), "  ", 78)
}

// tellStandings prints which points are proven.
func (p *prover) tellStandings(c *cobra.Command) error {
	all, known, why := standings(c, p.site)
	if !known {
		return fmt.Errorf("which points are proven is not known: %s", why)
	}
	open := 0
	var b strings.Builder
	fmt.Fprintf(&b, "%-30s %-22s %-10s %s\n", "point", "standing", "on", "by")
	for _, k := range all {
		if len(p.points) > 0 && !slices.Contains(p.points, k.path) {
			continue
		}
		if !k.proven {
			open++
		}
		b.WriteString(strings.TrimRight(fmt.Sprintf("%-30s %-22s %-10s %s", k.path, standingWords[k.word], k.at, k.by), " ") + "\n")
	}
	if _, err := io.WriteString(c.OutOrStdout(), b.String()); err != nil {
		return err
	}
	if open > 0 {
		return exit{exitFailed, fmt.Errorf("%s not proven", count(open, "point is", "points are"))}
	}
	return nil
}
