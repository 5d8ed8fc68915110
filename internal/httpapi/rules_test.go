package httpapi

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// A rule that asks for a family or a state that is not served is a rule that never fires, and no checker of rules can know.
func TestTheDeployedRulesAskOnlyForWhatIsServed(t *testing.T) {
	text, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{"../../deploy/rillwatch.rules.yml", "../../deploy/rillwatch.rules.test.yml"} {
		rules, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		asked := regexp.MustCompile(`\b(rillwatch_[a-z_]+)(\{[^}]*\})?`).FindAllStringSubmatch(string(rules), -1)
		state := regexp.MustCompile(`\b(state|reason|quality|result|fault|bound)="[a-z_]+"`)
		for _, a := range asked {
			if len(series(string(text), a[1], state.FindAllString(a[2], -1)...)) == 0 {
				t.Errorf("%s: nothing is served as %s", file, a[0])
			}
		}
		if len(asked) < 10 || !strings.Contains(string(rules), "rillwatch_reading_believed") {
			t.Errorf("%s: found %d families; the search is broken", file, len(asked))
		}
	}
}
