package advise

import (
	"strings"
	"testing"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// 12 less 3 are 9 mg/L. By the reaction Na2SO3 + 1/2 O2 and the IUPAC atomic weights (126.04 to 15.999, so 7.878 to 1) they take up 1.14 mg/L of
// oxygen; as SO3 (80.06 to 15.999, so 5.004 to 1) 1.80. 3 is a quarter of 12.
func TestSulfiteBelowItsNormalSaysWhatIsMissingAndAsksForThePump(t *testing.T) {
	k := newRack()
	s := k.add(t, "sulfite", quantity.Sulfite, "ppm", 0.1, is(3))
	f := k.facts(site.Low, false)
	f.Normal = 12
	for basis, want := range map[string]string{
		"Na2SO3": "9.0 mg/L are missing: as Na2SO3, at 7.9 to one of oxygen, they would take up 1.14 mg/L of oxygen",
		"SO3":    "9.0 mg/L are missing: as SO3, at 5.0 to one of oxygen, they would take up 1.80 mg/L of oxygen",
	} {
		k.s.Panels[0].Limits = []site.Limit{{Point: s, Side: site.Low, Basis: basis}}
		got := Lines(f, s)
		if len(got) != 6 || got[0] != "sulfite of 3.0 ppm is 25 % of its own normal of 12.0 ppm" || got[1] != want || !strings.Contains(got[2], "pump run") || !strings.HasPrefix(got[5], "these are questions, not orders") {
			t.Errorf("%s: %q", basis, got)
		}
	}
	// What oxygen does in the same stream stands beside it.
	k.add(t, "oxygen", quantity.DissolvedOxygen, "ppb", 0.1, is(31.4))
	if got := Lines(f, s); len(got) != 7 || got[2] != "oxygen of the same stream reads 31.4 ppb (oxygen)" {
		t.Errorf("%q", got)
	}
	// Without a normal there is no arithmetic, and the questions stand.
	f.Normal = 0
	if got := Lines(f, s); len(got) != 5 || strings.Contains(strings.Join(got, " "), "missing") {
		t.Errorf("%q", got)
	}
	// On the other side, within, without a reading, or of something else there is nothing to say.
	f.Normal = 12
	for name, g := range map[string]Facts{"high": {Side: site.High}, "within": {Side: site.NoSide}} {
		h := f
		h.Side = g.Side
		if got := Lines(h, s); got != nil {
			t.Errorf("%s: %q", name, got)
		}
	}
	k.r[s] = reading.Not(reading.Silent, at)
	if got := Lines(f, s); got != nil {
		t.Errorf("silent: %q", got)
	}
}
