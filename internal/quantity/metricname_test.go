package quantity_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"rillwatch/internal/quantity"
)

// promlint is the naming check of Prometheus itself (`promtool check metrics`).
func TestPromlintRefusesOnlyMillivolts(t *testing.T) {
	seen := make(map[string]bool)
	var findings []string
	for _, q := range quantity.Quantities() {
		for _, u := range q.Units() {
			family, _ := u.Metric()
			name := "rillwatch_" + family
			if seen[name] {
				continue
			}
			seen[name] = true
			problems, err := promlint.New(strings.NewReader(fmt.Sprintf("# HELP %[1]s h.\n# TYPE %[1]s gauge\n%[1]s 1\n", name))).Lint()
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			for _, p := range problems {
				findings = append(findings, p.Metric+": "+p.Text)
			}
		}
	}
	want := `rillwatch_orp_millivolts: use base unit "volts" instead of "millivolts"`
	if got := strings.Join(findings, "\n"); got != want {
		t.Errorf("promlint finds\n%s\nwant only\n%s", got, want)
	}
}
