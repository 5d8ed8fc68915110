package chem

import (
	"math"
	"testing"
)

// scavengerRows are the rows of the table that the program knows.
var scavengerRows = map[Scavenger]string{
	SodiumSulfite: "sodium sulfite", SulfiteAsSO3: "sulfite ion as SO3", SodiumBisulfite: "sodium bisulfite",
	SodiumMetabisulfite: "sodium metabisulfite", Hydrazine: "hydrazine", DEHA: "DEHA (full oxidation to acetate)",
	ErythorbicAcid: "erythorbic acid (first step)", Carbohydrazide: "carbohydrazide",
}

func TestScavengersMeetTheTable(t *testing.T) {
	table := readTable(t, "scavengers.csv", 12)
	found := 0
	for _, row := range table.rows {
		for s, name := range scavengerRows {
			if table.text(row, "scavenger") != name {
				continue
			}
			found++
			got, err := ScavengerRatio(s)
			want, half, _ := table.number(row, "mg_100pct_active_per_mg_O2")
			near(t, name, got, err, want, half*1.01)
			mass, half, _ := table.number(row, "molar_mass_g_mol")
			near(t, name+", molar mass", scavengers[s].weight, nil, mass, half*1.01)
		}
	}
	if found != len(scavengers)-1 {
		t.Errorf("%d of %d scavengers compared", found, len(scavengers)-1)
	}
	// As the trade rounds them, from memory: 7.88, 1.0, 1.24, 11.0, 1.4.
	for _, c := range []struct {
		s    Scavenger
		want float64
	}{{SodiumSulfite, 7.88}, {Hydrazine, 1.0}, {DEHA, 1.24}, {ErythorbicAcid, 11.0}, {Carbohydrazide, 1.4}} {
		got, err := ScavengerRatio(c.s)
		near(t, "the trade", got, err, c.want, 0.01)
	}
}

// An independent count: the electrons each gives in its reaction, four for a molecule of oxygen. Sulfite gives 2, hydrazine
// 4, DEHA 9 (36 in four), erythorbic acid 2, carbohydrazide 8, metabisulfite 4.
func TestScavengersBalanceInElectrons(t *testing.T) {
	for s, electrons := range map[Scavenger]float64{
		SodiumSulfite: 2, SulfiteAsSO3: 2, SodiumBisulfite: 2, SodiumMetabisulfite: 4, Hydrazine: 4, DEHA: 9, ErythorbicAcid: 2, Carbohydrazide: 8,
	} {
		got, err := ScavengerRatio(s)
		near(t, scavengerRows[s], got, err, scavengers[s].weight/electrons/(31.998/4), 1e-12)
	}
}

// Worked by hand: 5.004 * oxygen + residual / cycles, and SO3 * 1.5743 = Na2SO3.
func TestFeedOfSulfiteAsWorkedByHand(t *testing.T) {
	f, err := ScavengerFeed(SulfiteAsSO3, 7, 30, 20)
	near(t, "total", f.Total_mg_L, err, 1.535, 0.0005)
	near(t, "for oxygen", f.Oxygen_mg_L, nil, 0.035, 0.0005)
	near(t, "98 % is blowdown", 100*f.Blowdown_mg_L/f.Total_mg_L, nil, 98, 0.5)
	na, err := SodiumSulfiteFromSO3(f.Total_mg_L)
	near(t, "as Na2SO3", na, err, 2.417, 0.0005)
	back, err := SO3FromSodiumSulfite(na)
	near(t, "and back", back, err, f.Total_mg_L, 1e-15)
	f, err = ScavengerFeed(SulfiteAsSO3, 7000, 30, 10)
	near(t, "cold start", f.Total_mg_L, err, 38.0, 0.05)
	// The same reckoned in the other substance is the same.
	g, err := ScavengerFeed(SodiumSulfite, 7000, 30*1.574341, 10)
	asSO3, err1 := SO3FromSodiumSulfite(g.Total_mg_L)
	near(t, "the basis does not matter", asSO3, first(err, err1), f.Total_mg_L, 1e-5)
	// Once through: nothing is concentrated, so feed is residual and demand.
	f, err = ScavengerFeed(SodiumBisulfite, 1000, 5, 1)
	near(t, "one cycle", f.Total_mg_L, err, 6.5038+5, 0.0001)
	got, err := ScavengerDemand(DEHA, 100)
	near(t, "DEHA for 100 ug/L", got, err, 0.1238, 0.00005)
	rises(t, "feed", -1, 1, 1000, 500, func(v float64) (float64, error) {
		f, err := ScavengerFeed(SulfiteAsSO3, 7, 30, v)
		return f.Total_mg_L, err
	})
}

func TestVolatileScavengerHasNoResidualByCycles(t *testing.T) {
	for _, s := range []Scavenger{Hydrazine, DEHA, Carbohydrazide} {
		got, err := ScavengerFeed(s, 7, 0.1, 20)
		refused(t, "with a residual", got.Total_mg_L, err, ErrVolatile)
		got, err = ScavengerFeed(s, 7, 0, 20)
		demand, err1 := ScavengerDemand(s, 7)
		near(t, "without", got.Total_mg_L, first(err, err1), demand, 0)
	}
}

func TestScavengersOutsideTheirRangeAreErrorsNotValues(t *testing.T) {
	total := one(func(f Feed) float64 { return f.Total_mg_L })
	for _, e := range []edge{
		{"ScavengerDemand", 0, 100e3, false, func(v float64) (float64, error) { return ScavengerDemand(SodiumSulfite, v) }},
		{"ScavengerFeed over oxygen", 0, 100e3, false, func(v float64) (float64, error) { return total(ScavengerFeed(SodiumSulfite, v, 20, 20)) }},
		{"ScavengerFeed over residual", 0, 1000, false, func(v float64) (float64, error) { return total(ScavengerFeed(SodiumSulfite, 7, v, 20)) }},
		{"ScavengerFeed over cycles", 1, 1000, true, func(v float64) (float64, error) { return total(ScavengerFeed(SodiumSulfite, 7, 20, v)) }},
		{"SodiumSulfiteFromSO3", 0, 1000, false, SodiumSulfiteFromSO3},
		{"SO3FromSodiumSulfite", 0, 1000 * (weightNa2SO3 / weightSO3), false, SO3FromSodiumSulfite},
	} {
		e.holdsItsRange(t)
	}
	for _, s := range []Scavenger{ScavengerNotStated, Carbohydrazide + 1, math.MaxUint8} {
		got, err := ScavengerRatio(s)
		refused(t, "ratio", got, err, ErrNoneSuch)
		got, err = ScavengerDemand(s, 7)
		refused(t, "demand", got, err, ErrNoneSuch)
		got, err = total(ScavengerFeed(s, 7, 20, 20))
		refused(t, "feed", got, err, ErrNoneSuch)
	}
}
