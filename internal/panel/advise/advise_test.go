package advise

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// rack is an invented panel of points with the readings given; derived points follow with their own.
type rack struct {
	s *site.Site
	r []reading.Reading
}

func newRack() *rack {
	return &rack{s: &site.Site{Panels: []site.Panel{{Name: "b2"}}}}
}

func (k *rack) add(t *testing.T, name string, q quantity.Quantity, unit string, resolution float64, r reading.Reading) int {
	t.Helper()
	u, err := quantity.ParseUnit(unit, q)
	if err != nil {
		t.Fatal(err)
	}
	k.s.Points = append(k.s.Points, site.Point{Path: "b2.rack." + name, Name: name, Quantity: q, Unit: u, Resolution: resolution})
	k.r = append(k.r, r)
	i := len(k.s.Points) - 1
	k.s.Panels[0].Points = append(k.s.Panels[0].Points, i)
	return i
}

func (k *rack) facts(side site.Side, reopened bool) Facts {
	return Facts{Site: k.s, Panel: &k.s.Panels[0], Side: side, Reopened: reopened, Of: func(p int) reading.Reading { return k.r[p] }}
}

func is(v float64) reading.Reading { return reading.Of(v, reading.Exact, reading.Believed, at) }

var at = reading.Stamp{Up: time.Minute}

// IAPWS-IF97: water boils at 105.0 degC at 120.90 kPa and 105.26 at 122.01; 0.02 bar are about half a kelvin there.
func TestADeaeratorSaysItsArithmeticWithWhatItsGaugeIsWorth(t *testing.T) {
	k := newRack()
	temp := k.add(t, "temperature", quantity.Temperature, "degC", 0.1, is(103.1))
	gauge := k.add(t, "pressure", quantity.Pressure, "bar(g)", 0.01, is(0.20))
	d := k.add(t, "below-saturation", quantity.TemperatureDifference, "K(diff)", 0.1, is(2.0))
	k.s.Points[d].Sensor = site.None
	k.s.Points[d].Derive = site.Derive{By: site.BelowSaturationOf, Inputs: []site.Input{{Point: temp}, {Point: gauge}, {Point: site.None, Given: true, Value: 1013}, {Point: site.None, Given: true, Value: 0.02}}}
	got := Lines(k.facts(site.NoSide, false), d)
	want := []string{"deaerator 103.1 degC at 0.20 bar gauge, air 1013 hPa absolute: water boils there at 105.1 degC, so it is 2.0 K below saturation",
		"a gauge wrong by 0.02 bar moves this by 0.5 K to either side; the air is not measured, and the weather moves this by 0.7 K"}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("%q", got)
	}

	k.r[temp], k.r[d] = is(107), is(-1.9)
	if got := Lines(k.facts(site.NoSide, false), d); !strings.Contains(got[0], "1.9 K above saturation, which water cannot be") {
		t.Errorf("%q", got)
	}
	k.r[temp] = reading.Not(reading.Silent, at)
	k.r[d] = reading.Not(reading.Silent, at)
	if got := Lines(k.facts(site.NoSide, false), d); len(got) != 1 || got[0] != "no kelvin below saturation now: of temperature it is said that the sensor does not answer" {
		t.Errorf("%q", got)
	}
}

// The questions come in an order, and the last line says who decides: nothing here is an order or a culprit.
func TestOxygenIsAskedAboutAndNobodyIsTold(t *testing.T) {
	k := newRack()
	o := k.add(t, "oxygen", quantity.DissolvedOxygen, "ppb", 0.1, is(31.4))
	if got := Lines(k.facts(site.NoSide, true), o); got != nil {
		t.Errorf("within its limit there is nothing to say: %q", got)
	}
	got := Lines(k.facts(site.High, false), o)
	if len(got) != 4 || !strings.Contains(got[0], "does oxygen fall when the sample flow is raised?") || !strings.Contains(got[0], "common practice") || !strings.HasPrefix(got[3], "these are questions, not orders") {
		t.Errorf("%q", got)
	}
	if got := Lines(k.facts(site.Low, false), o); got != nil {
		t.Errorf("below a low limit: %q", got)
	}
	// at the ceiling soon after the line was opened, air reads the same as a deaerator that failed
	k.s.Points[o].HasCeil, k.s.Points[o].Ceiling = true, 500
	for _, c := range []struct {
		r        reading.Reading
		reopened bool
		want     bool
	}{
		{reading.Of(500, reading.Above, reading.AboveCeiling, at), true, true},
		{is(470), true, true},
		{is(470), false, false},
		{is(300), true, false},
	} {
		k.r[o] = c.r
		if got := strings.Contains(strings.Join(Lines(k.facts(site.NoSide, c.reopened), o), "\n"), "air in the line reads the same"); got != c.want {
			t.Errorf("%+v, reopened %v: %v", c.r, c.reopened, got)
		}
	}
}

// 5.004 of SO3 and 7.878 of Na2SO3 use up one of oxygen (reactions and IUPAC atomic weights): 60 ppb take 0.300 and 0.473 mg/L.
func TestOxygenBesideSulfiteSaysWhatItWouldTake(t *testing.T) {
	k := newRack()
	o := k.add(t, "oxygen", quantity.DissolvedOxygen, "ppb", 0.1, reading.Of(60, reading.Exact, reading.CrossCheck, at))
	s := k.add(t, "sulfite", quantity.Sulfite, "ppm", 0.1, is(12))
	k.s.Panels[0].Cross.Oxygen = site.CrossOxygen{Configured: true, Oxygen: o, Sulfite: s, OxygenAbove: 20, SulfiteAbove: 5}
	got := Lines(k.facts(site.NoSide, false), o)
	if len(got) != 6 || got[0] != "sulfite of 12.0 ppm stands beside oxygen of 60.0 ppb in one stream" ||
		got[1] != "to use up this oxygen takes 0.300 mg/L of sulfite as SO3 or 0.473 mg/L as Na2SO3; 12.0 mg/L are there" {
		t.Errorf("%q", got)
	}
}

// 4.23 uS/cm with ammonia alone: pH 9.19 (charge balance; PHREEQC with Amm.dat gives 9.188 at 4.234).
func TestADoubtedPHSaysWhichWouldGoWithTheConductivity(t *testing.T) {
	k := newRack()
	ph := k.add(t, "ph", quantity.PH, "pH", 0.01, reading.Of(8.5, reading.Exact, reading.CrossCheck, at))
	sc := k.add(t, "conductivity", quantity.Conductivity, "uS/cm", 0.01, is(4.23))
	temp := k.add(t, "temperature", quantity.Temperature, "degC", 0.1, is(25))
	k.s.Panels[0].Cross.PH = site.CrossPH{Configured: true, PH: ph, Conductivity: sc, Temperature: temp, Band: 0.3}
	got := Lines(k.facts(site.NoSide, false), ph)
	if len(got) != 5 || !strings.HasPrefix(got[0], "with ammonia alone 4.23 uS/cm at 25 degC goes with pH 9.19; the electrode reads pH 8.50, 0.69 lower") || !strings.HasPrefix(got[4], "these are questions") {
		t.Errorf("%q", got)
	}
	k.r[ph] = is(9.2)
	if got := Lines(k.facts(site.NoSide, false), ph); got != nil {
		t.Errorf("believed: %q", got)
	}
}

func TestBelowWaterSaysWhereTheFloorIsAndNotTheReading(t *testing.T) {
	k := newRack()
	temp := k.add(t, "temperature", quantity.Temperature, "degC", 0.1, is(15))
	sc := k.add(t, "conductivity", quantity.Conductivity, "uS/cm", 0.001, reading.Not(reading.BelowWater, at))
	k.s.Points[sc].Water = site.Water{Compensation: site.Linear, Slope: 2, Temperature: temp}
	got := Lines(k.facts(site.NoSide, false), sc)
	if len(got) != 4 || !strings.HasPrefix(got[0], "at 15.0 degC, compensated by the linear rule, no water shows less than 0.03") {
		t.Errorf("%q", got)
	}
}

// Every kind says something of itself while it has a value, and no line is an order, a number without end, or longer than a person reads.
func TestEveryKindSaysHowItCameAboutInPlainWords(t *testing.T) {
	values := map[site.Derivation][]float64{
		site.ResistivityOf: {4, 0.25}, site.PercentSaturationOf: {12, 25, 1013, 0.145}, site.ConductivityAt25Of: {4, 35, 2, 3.33},
		site.CyclesFromConductivity: {5000, 250, 20}, site.CyclesFromChloride: {100, 5, 20}, site.CyclesFromTracer: {200, 10, 20},
		site.BlowdownOfFeedwater: {20, 5}, site.BlowdownOfSteam: {20, 5.26}, site.ScavengerDemandOf: {7, 0.035}, site.ScavengerFeedOf: {7, 30, 20, 1.535},
		site.ProductFromTracer: {10, 0.1, 7, 10}, site.BelowSaturationOf: {103.1, 0.2, 1013, 0.02, 2}, site.PHExpectedFrom: {4.2, 9.19},
		site.PHAboveExpected: {9.3, 4.2, 0.11}, site.LeadTimeOf: {200, 290, 87},
	}
	for i := 1; i < site.DerivationCount; i++ {
		by := site.Derivation(i)
		kind, v := by.Kind(), values[by]
		if len(v) != len(kind.Inputs)+1 {
			t.Fatalf("%s: %d values", kind.Name, len(v))
		}
		k := newRack()
		derive := site.Derive{By: by}
		if len(kind.Choices) > 0 {
			derive.Choice = kind.Choices[0]
		}
		for n, in := range kind.Inputs {
			derive.Inputs = append(derive.Inputs, site.Input{Point: k.add(t, in.Key, in.Quantity, in.Unit, 0.01, is(v[n]))})
		}
		d := k.add(t, "made", kind.Result, kind.Unit, 0.01, is(v[len(v)-1]))
		k.s.Points[d].Sensor, k.s.Points[d].Derive = site.None, derive
		lines := Lines(k.facts(site.NoSide, false), d)
		if len(lines) == 0 {
			t.Errorf("%s says nothing", kind.Name)
		}
		for _, l := range lines {
			if len(l) > 260 || strings.Contains(l, "%!") || strings.Contains(l, "NaN") || strings.Contains(l, "  ") || l != strings.TrimSpace(l) {
				t.Errorf("%s: %q", kind.Name, l)
			}
		}
	}
}

func TestWhatIsNotThereIsNotAdvisedOn(t *testing.T) {
	k := newRack()
	o := k.add(t, "oxygen", quantity.DissolvedOxygen, "ppb", 0.1, reading.Not(reading.Silent, at))
	for name, got := range map[string][]string{
		"no facts":           Lines(Facts{}, 0),
		"no such point":      Lines(k.facts(site.High, true), 7),
		"a reading of none":  Lines(k.facts(site.High, true), o),
		"a sensor of a site": Lines(Facts{Site: k.s, Of: func(int) reading.Reading { return is(500) }}, o),
	} {
		if got != nil {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// 0.2 K above saturation with a gauge of which nobody says how wrong it may be, 0.9 with one that may be 0.1 bar wrong: no instrument need be at
// fault. IAPWS-IF97: water boils at 105.10 degC under 0.200 bar on 1013 hPa, and 0.02 bar are 0.48 K there.
func TestADeaeratorAboveSaturationWithinTheErrorOfItsGaugeAccusesNobody(t *testing.T) {
	for _, c := range []struct {
		degC, gauge float64 // gauge: its error in bar, 0 where nobody states it
		accused     bool
	}{{105.2, 0, false}, {105.5, 0, false}, {105.7, 0, true}, {105.2, 0.02, false}, {105.7, 0.02, true}, {106, 0.1, false}, {109, 0.1, true}} {
		k := newRack()
		temp := k.add(t, "temperature", quantity.Temperature, "degC", 0.1, is(c.degC))
		gauge := k.add(t, "pressure", quantity.Pressure, "bar(g)", 0.001, is(0.2))
		air := k.add(t, "barometer", quantity.Pressure, "hPa(a)", 1, is(1013))
		d := k.add(t, "below-saturation", quantity.TemperatureDifference, "K(diff)", 0.1, is(105.1-c.degC))
		off := site.Input{Point: site.None, Given: c.gauge > 0, Value: c.gauge}
		k.s.Points[d].Sensor = site.None
		k.s.Points[d].Derive = site.Derive{By: site.BelowSaturationOf, Inputs: []site.Input{{Point: temp}, {Point: gauge}, {Point: air}, off}}
		got := strings.Join(Lines(k.facts(site.NoSide, false), d), "\n")
		if accused := strings.Contains(got, "reads wrong"); accused != c.accused || !strings.Contains(got, "K above saturation") || !c.accused && !strings.Contains(got, "no more than the gauge may be wrong") {
			t.Errorf("%+v: %q", c, got)
		}
		// A pressure of the air that nobody measures may be 3 % off, another 0.7 K.
		k.s.Points[d].Derive.Inputs[2] = site.Input{Point: site.None, Given: true, Value: 1013}
		if got := strings.Join(Lines(k.facts(site.NoSide, false), d), "\n"); strings.Contains(got, "reads wrong") != (c.degC >= 109) || !strings.Contains(got, "the weather moves this by 0.7 K") {
			t.Errorf("%+v without a barometer: %q", c, got)
		}
	}
}

// A demand that the display of its point is too coarse for is said all the same, and nothing is less than nothing.
func TestAScavengerDemandIsNeverSaidToBeNone(t *testing.T) {
	for _, c := range []struct {
		scavenger  string
		resolution float64
		oxygen     reading.Reading
		made       reading.Reading
		want       string
	}{
		{"N2H4", 0.0001, is(4), is(0.004006), "uses up 0.0040 mg/L of N2H4"},
		{"N2H4", 0.1, is(4), is(0.004006), "uses up 0.004 mg/L of N2H4"},
		{"N2H4", 0.01, reading.Of(1, reading.Below, reading.Believed, at), reading.Of(0.001, reading.Below, reading.Believed, at), "uses up less than 0.001 mg/L of N2H4"},
		{"SO3", 0.01, is(0), is(0), "uses up 0.00 mg/L of SO3"},
	} {
		k := newRack()
		o := k.add(t, "oxygen", quantity.DissolvedOxygen, "ppb", 0.1, c.oxygen)
		d := k.add(t, "demand", quantity.Dose, "mg/L", c.resolution, c.made)
		k.s.Points[d].Sensor = site.None
		k.s.Points[d].Derive = site.Derive{By: site.ScavengerDemandOf, Choice: c.scavenger, Inputs: []site.Input{{Point: o}}}
		if got := strings.Join(Lines(k.facts(site.NoSide, false), d), "\n"); !strings.Contains(got, c.want) {
			t.Errorf("%+v: %q", c, got)
		}
	}
}
