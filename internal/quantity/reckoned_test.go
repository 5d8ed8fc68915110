package quantity

import (
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"
)

// As TestConversionIsTheNearestFloat64, for what no point measures. The right-hand side follows from the definition named
// beside it (reckoned in Python fractions, rounded once).
func TestConversionOfWhatIsOnlyReckonedWithIsTheNearestFloat64(t *testing.T) {
	checked := map[string]bool{}
	for _, c := range []struct {
		v        float64
		q        Quantity
		from, to string
		want     float64
		source   string
	}{
		{1, OxygenGas, "mL/L", "mL/L", 1, "alone in its quantity"},
		{40000, MassFlow, "lb/h", "kg/s", 5.0399152222222225, "1 lb = 0.45359237 kg; UFC 3-240-13FN prints 5.0 kg/s beside 40 000 lb/h"},
		{50, MassFlow, "t/h", "kg/h", 50000, "1 t = 1000 kg"},
		{500, MassFlow, "g/h", "kg/h", 0.5, "prefix"},
		{1, Mass, "lb", "kg", 0.45359237, "definition of 1959"},
		{20, Mass, "t", "kg", 20000, "1 t = 1000 kg"},
		{1, Energy, "MMBtu", "MJ", 1055.05585262, "1 Btu(IT) = 1055.05585262 J"},
		{1, Energy, "MMBtu", "kWh", 293.0710701722222, "the same over 3.6"},
		{1, Energy, "GJ", "MWh", 0.2777777777777778, "1/3.6"},
		{1, Enthalpy, "Btu/lb", "kJ/kg", 2.326, "definition: 5th conference on steam, 1956"},
		{1, Density, "lb/ft3", "kg/m3", 16.018463373960138, "0.45359237 / 0.3048^3"},
		{1, Density, "kg/L", "kg/m3", 1000, "1 L = 1 dm3"},
		{6, Velocity, "ft/s", "m/s", 1.8288, "6 * 0.3048"},
		{1, Solute, "gr/gal(US)", "mg/L", 17.118061045270945, "64.79891 mg in 3.785411784 L; the trade rounds to 17.1"},
		{1, Solute, "gr/gal(imp)", "mg/L", 14.253767523300242, "64.79891 mg in 4.54609 L; the trade rounds to 14.3, a degree Clark"},
		{20, Solute, "ppb", "ppm", 0.02, "prefix"},
		{20, Solute, "ug/kg", "mg/kg", 0.02, "prefix"},
		{20, Solute, "ug/L", "mg/L", 0.02, "prefix"},
		{20, SulfiteSO3, "ppb as SO3", "ppm as SO3", 0.02, "prefix"},
		{20, SulfiteSO3, "ug/kg as SO3", "mg/kg as SO3", 0.02, "prefix"},
		{20, SulfiteSO3, "ug/L as SO3", "mg/L as SO3", 0.02, "prefix"},
		{20, SulfiteNa2SO3, "ppb as Na2SO3", "ppm as Na2SO3", 0.02, "prefix"},
		{20, SulfiteNa2SO3, "ug/kg as Na2SO3", "mg/kg as Na2SO3", 0.02, "prefix"},
		{20, SulfiteNa2SO3, "ug/L as Na2SO3", "mg/L as Na2SO3", 0.02, "prefix"},
	} {
		checked[c.from], checked[c.to] = true, true
		got, assumed, err := Convert(c.v, mustFind(c.from, c.q), mustFind(c.to, c.q))
		if err != nil || assumed != "" || math.Float64bits(got) != math.Float64bits(c.want) {
			t.Errorf("%v %s = %v %s (assumed %q, %v); want %v: %s", c.v, c.from, got, c.to, assumed, err, c.want, c.source)
		}
	}
	for _, r := range table[firstUnit:] {
		if r.quantity > lastOfPoint && !checked[r.name] {
			t.Errorf("no definition is checked for %s", r.name)
		}
	}
}

func TestWhatIsOnlyReckonedWithIsNoPoint(t *testing.T) {
	for _, q := range Reckoned() {
		if p, ok := ParseQuantity(q.String()); ok || q.String() == "" {
			t.Errorf("%q is the quantity %v of a point", q, p)
		}
		if suffix, u := q.Metric(); suffix != "" || u != (Unit{}) || q.Family() != "" {
			t.Errorf("%s has the metric %q %q %q", q, q.Family(), suffix, u)
		}
		for _, u := range q.Units() {
			if got, err := ParseUnit(u.Name(), q); err != nil || got != u {
				t.Errorf("ParseUnit(%q, %s) = %q, %v", u.Name(), q, got, err)
			}
			for _, a := range u.Aliases() {
				if got, err := ParseUnit(a, q); err != nil || got != u {
					t.Errorf("ParseUnit(%q, %s) = %q, %v", a, q, got, err)
				}
			}
		}
	}
	if _, err := ParseUnit("kg/h", Flow); !errors.Is(err, ErrOtherQuantity) || !strings.Contains(err.Error(), "of mass-flow, not of flow") {
		t.Errorf("kg/h as a flow: %v", err)
	}
}

func TestAShareOfMassOfWhatIsOnlyReckonedWithNeedsTheDensity(t *testing.T) {
	for _, q := range []Quantity{Solute, SulfiteSO3, SulfiteNa2SO3} {
		for _, a := range q.Units() {
			for _, b := range q.Units() {
				_, assumed, err := Convert(31, a, b)
				crosses := table[a.id].basis != table[b.id].basis
				if errors.Is(err, ErrNeedsDensity) != crosses || assumed != "" {
					t.Errorf("%s to %s: assumed %q, %v", a, b, assumed, err)
				}
			}
		}
	}
}

func TestSulfiteDoesNotChangeItsBasisInSilence(t *testing.T) {
	got, _, err := Convert(30, mustFind("mg/L as SO3", SulfiteSO3), mustFind("mg/L as Na2SO3", SulfiteNa2SO3))
	if got != 0 || !errors.Is(err, ErrDifferentQuantity) || !strings.Contains(err.Error(), "1.5743") {
		t.Errorf("30 mg/L as SO3 = %v mg/L as Na2SO3, %v", got, err)
	}
}

// TestExactIsWhatConvertReckonsWith: the factor a person is shown gives the conversion, in rational numbers.
func TestExactIsWhatConvertReckonsWith(t *testing.T) {
	for _, q := range append(Quantities(), Reckoned()...) {
		for _, a := range q.Units() {
			for _, b := range q.Units() {
				got, assumed, err := Convert(120, a, b)
				fa, oa, baseA := a.Exact()
				fb, ob, baseB := b.Exact()
				if baseA != baseB {
					if err == nil && assumed == "" {
						t.Errorf("%s stands on %s and %s on %s, and yet one becomes the other", a, baseA, b, baseB)
					}
					continue
				}
				r := new(big.Rat).Mul(big.NewRat(120, 1), fa)
				if oa != nil {
					r.Add(r, oa)
				}
				if ob != nil {
					r.Sub(r, ob)
				}
				want, _ := r.Quo(r, fb).Float64()
				if err != nil || got != want {
					t.Errorf("120 %s = %v %s, %v; by the factors shown %v", a, got, b, err, want)
				}
			}
		}
	}
	if f, o, base := (Unit{}).Exact(); f != nil || o != nil || base != "" {
		t.Errorf("no unit: %v, %v, %q", f, o, base)
	}
	f, _, _ := mustFind("ft", Length).Exact()
	f.SetInt64(0) // the caller's own
	if v, _, err := Convert(1, mustFind("ft", Length), mustFind("m", Length)); v != 0.3048 || err != nil {
		t.Errorf("the table was changed through Exact: 1 ft = %v m, %v", v, err)
	}
}

func TestBaseOfEveryUnitIsSaid(t *testing.T) {
	for _, q := range append(Quantities(), Reckoned()...) {
		for _, u := range q.Units() {
			factor, _, base := u.Exact()
			if bases[q] == "" || base == "" {
				t.Errorf("%s %s stands on %q", q, u, base)
			}
			if b, ok := find(base, q); ok { // Pa is in no list, and sulfite's basis is part of its names
				if f, o, _ := b.Exact(); f.Cmp(one) != 0 || o != nil {
					t.Errorf("%s, the base of %s, is itself %v of it", base, u, f)
				}
			}
			if factor.Sign() <= 0 {
				t.Errorf("%s: factor %v", u, factor)
			}
		}
	}
}

// As TestUCUMCodes: put through the validator of the US National Library of Medicine (@lhncbc/ucum-lhc) and found valid.
func TestUCUMCodesOfWhatIsOnlyReckonedWith(t *testing.T) {
	valid := map[string]bool{}
	for _, code := range strings.Fields(`mL/L kg/h t/h [lb_av]/h kg/s g/h kg t [lb_av] MJ GJ kW.h MW.h 10*6.[Btu_IT] kJ/kg [Btu_IT]/[lb_av] kg/m3 kg/L
		[lb_av]/[cft_i] m/s [ft_i]/s s min h d mg/kg ug/kg [ppm] [ppb] mg/L ug/L [gr]/[gal_us] [gr]/[gal_br]
		[gal_us]/h [gal_br]/h mm[Hg] [in_i'Hg] atm m3 [gal_us] [gal_br]`) {
		valid[code] = true
	}
	for _, q := range Reckoned() {
		for _, u := range q.Units() {
			if !valid[u.UCUM()] {
				t.Errorf("%s of %s: the code %q was not put through the validator", u, q, u.UCUM())
			}
		}
	}
	for _, c := range []struct {
		q          Quantity
		name, ucum string
	}{
		{Flow, "gal(US)/h", "[gal_us]/h"}, {Flow, "gal(imp)/h", "[gal_br]/h"}, {Pressure, "mmHg(a)", "mm[Hg]"}, {Pressure, "inHg(a)", "[in_i'Hg]"},
		{Pressure, "atm(a)", "atm"}, {Volume, "m3", "m3"}, {Volume, "gal(US)", "[gal_us]"}, {Volume, "gal(imp)", "[gal_br]"},
	} {
		if u := mustFind(c.name, c.q); u.UCUM() != c.ucum || !valid[c.ucum] {
			t.Errorf("%s: UCUM %q, want %q", c.name, u.UCUM(), c.ucum)
		}
	}
}
