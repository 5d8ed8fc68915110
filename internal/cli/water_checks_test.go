package cli

import (
	"math"
	"strings"
	"testing"
)

// FuzzParsePairs: whatever a file holds, the columns stay as long as each other, every value is a number, and time does not run back.
func FuzzParsePairs(f *testing.F) {
	for _, seed := range []string{"", "time,shown,standard\n2026-11-02,7.4,7.0\n", "shown,standard\n1,2\n1,\"2\n", "shown;standard\n1;2\n", "standard,who,shown\n# a remark\n1,Kim,1e400\n\n-1e-5,,NaN\n",
		"time,shown,standard\n2026-11-02T08:10:00+02:00,1,2\n2026-11-02 08:10,1,2\n0000-00-00,0x1,1_0\n"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := parsePairs("f.csv", s)
		if n := len(p.shown); len(p.standard) != n || len(p.lines) != n || len(p.at) != 0 && len(p.at) != n {
			t.Fatalf("%d shown, %d standard, %d lines, %d times", n, len(p.standard), len(p.lines), len(p.at))
		}
		if err == nil && len(p.shown) == 0 {
			t.Fatal("no check and no refusal")
		}
		for i := range p.shown {
			if v := p.shown[i] - p.standard[i]; math.IsNaN(p.shown[i]) || math.IsInf(p.standard[i], 0) || math.IsNaN(v) {
				t.Fatalf("check %d: %v", i, v)
			}
			if i > 0 && len(p.at) > 0 && p.at[i].Before(p.at[i-1]) {
				t.Fatal("time runs back")
			}
		}
		if err != nil && len(strings.Split(err.Error(), "\n")) > checkMistakesMax+1 {
			t.Fatalf("%d lines of mistakes", len(strings.Split(err.Error(), "\n")))
		}
	})
}
