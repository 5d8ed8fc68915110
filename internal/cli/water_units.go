package cli

import (
	"encoding/json"
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"rillwatch/internal/quantity"
)

// unitJSON is one row of the table of units.
type unitJSON struct {
	Quantity string   `json:"quantity"`
	Name     string   `json:"name"`
	UCUM     string   `json:"ucum"`
	Aliases  []string `json:"aliases"`
	Factor   string   `json:"factor"` // a rational: 5/9
	Offset   string   `json:"offset,omitempty"`
	Base     string   `json:"base"`
	Point    bool     `json:"point"` // whether a configuration can have it
}

func unitsCommand() *cobra.Command {
	asJSON := false
	c := &cobra.Command{
		Use:   "units [QUANTITY]",
		Short: "List the units of measure, with their exact factors",
		Long: `List every unit there is, or those of one quantity: the name to write, its code
in UCUM 2.2, other spellings that are taken, and the factor, an exact rational
number: a value times the factor, plus the offset, is in the base unit. UCUM
says neither gauge nor absolute, nor of what.

Example:
  rillwatch water units pressure`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			rows, err := unitRows(args)
			if err != nil {
				return err
			}
			if asJSON {
				enc := json.NewEncoder(c.OutOrStdout())
				enc.SetIndent("", "  ")
				enc.SetEscapeHTML(false)
				return enc.Encode(rows)
			}
			w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(w, "QUANTITY\tNAME\tUCUM\tALIASES\tEXACT")
			for _, r := range rows {
				exact := "x " + r.Factor
				if r.Offset != "" {
					exact += " + " + r.Offset
				}
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s %s\n", r.Quantity, r.Name, r.UCUM, strings.Join(r.Aliases, ", "), exact, r.Base)
			}
			return w.Flush()
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "answer in JSON")
	return c
}

func unitRows(args []string) ([]unitJSON, error) {
	var rows []unitJSON
	var names []string
	points := len(quantity.Quantities())
	for i, q := range append(quantity.Quantities(), quantity.Reckoned()...) {
		names = append(names, q.String())
		if len(args) > 0 && args[0] != q.String() {
			continue
		}
		for _, u := range q.Units() {
			factor, offset, base := u.Exact()
			r := unitJSON{Quantity: q.String(), Name: u.Name(), UCUM: u.UCUM(), Aliases: append([]string{}, u.Aliases()...), Factor: factor.RatString(), Base: base, Point: i < points}
			if offset != nil {
				r.Offset = offset.RatString()
			}
			rows = append(rows, r)
		}
	}
	if len(rows) == 0 {
		return nil, exit{exitUsage, fmt.Errorf("no quantity %q; there are %s", args[0], strings.Join(names, ", "))}
	}
	return rows, nil
}
