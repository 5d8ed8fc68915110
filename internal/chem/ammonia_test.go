package chem

import (
	"math"
	"testing"
)

func TestWaterWithAmmoniaMeetsTwoRoutes(t *testing.T) {
	table := readTable(t, "ammonia_water.csv", 18)
	for _, row := range table.rows {
		w, err := WaterWithAmmonia(table.must(row, "NH3_ug_per_kg"))
		// By hand: three decimals of pH, four of conductivity; the corrections for ionic strength differ by 0.2 %.
		want := table.must(row, "SC25_first_principles_uS_cm")
		near(t, row[0]+" ug/kg, conductivity by hand", w.Conductivity_uS_cm, err, want, 0.0022*want+0.0001)
		near(t, row[0]+" ug/kg, pH by hand", w.PH, err, table.must(row, "pH25_first_principles"), 0.0012)
		if want, _, ok := table.number(row, "SC25_PHREEQC_uS_cm"); ok {
			near(t, row[0]+" ug/kg, conductivity, PHREEQC", w.Conductivity_uS_cm, err, want, 0.0025*want)
			near(t, row[0]+" ug/kg, pH, PHREEQC", w.PH, err, table.must(row, "pH25_PHREEQC"), 0.002)
		}
		// The form the trade uses, from memory, and its published error.
		if w.Trusted {
			near(t, row[0]+" ug/kg, 8.57 + log10", 8.57+math.Log10(w.Conductivity_uS_cm), nil, w.PH, 0.0125)
		}
		if trusted := w.Conductivity_uS_cm >= 0.3 && w.Conductivity_uS_cm <= 25; w.Trusted != trusted {
			t.Errorf("%s ug/kg, %v uS/cm: trusted is %v", row[0], w.Conductivity_uS_cm, w.Trusted)
		}
	}
	// Remembered published points, to their digits: 0.5, 1 and 2 mg/kg.
	for _, c := range []struct{ ug_kg, pH, kappa float64 }{{500, 9.2, 4.2}, {1000, 9.4, 6.7}, {2000, 9.6, 10}} {
		w, err := WaterWithAmmonia(c.ug_kg)
		near(t, "from memory, pH", w.PH, err, c.pH, 0.05)
		near(t, "from memory, conductivity", w.Conductivity_uS_cm, err, c.kappa, 0.03*c.kappa)
	}
	w, err := WaterWithAmmonia(0)
	near(t, "pure water, pH", w.PH, err, 6.9975, 0.0002)
	near(t, "pure water, conductivity", w.Conductivity_uS_cm, err, 0.0549, 0.00006)
}

func TestPHFromConductivityMeetsTheTable(t *testing.T) {
	table := readTable(t, "ammonia_from_conductivity.csv", 20)
	for _, row := range table.rows {
		kappa := table.must(row, "SC25_uS_cm")
		w, err := AmmoniaFromConductivity(kappa)
		near(t, "pH at "+row[0]+" uS/cm", w.PH, err, table.must(row, "pH_NH3_only"), 0.0015)
		want := table.must(row, "NH3_ug_per_kg")
		// Where all of it is ionised 1 ug/kg is 0.015 uS/cm; beyond, the ammonia goes with the square of the conductivity.
		near(t, "ammonia at "+row[0]+" uS/cm", w.Ammonia_ug_kg, err, want, 0.005*want+0.06)
		near(t, "the conductivity itself", w.Conductivity_uS_cm, err, kappa, 1e-9)
	}
}

func TestAmmoniaGoesThereAndBack(t *testing.T) {
	for _, ug_kg := range []float64{0.1, 1, 20, 333, 1000, 5000, 10e3} {
		w, err := WaterWithAmmonia(ug_kg)
		if err != nil {
			t.Fatal(err)
		}
		back, err := AmmoniaFromConductivity(w.Conductivity_uS_cm)
		near(t, "by conductivity", back.Ammonia_ug_kg, err, ug_kg, 1e-8*ug_kg+1e-9)
		back, err = AmmoniaFromPH(w.PH)
		near(t, "by pH", back.Ammonia_ug_kg, err, ug_kg, 1e-8*ug_kg+1e-9)
		near(t, "and the rest", back.Conductivity_uS_cm, err, w.Conductivity_uS_cm, 1e-8)
	}
	rises(t, "pH", 1, 0, 10e3, 500, func(v float64) (float64, error) { return one(ofPH)(WaterWithAmmonia(v)) })
	rises(t, "conductivity", 1, 0, 10e3, 500, func(v float64) (float64, error) { return one(ofConductivity)(WaterWithAmmonia(v)) })
}

func ofPH(w AmmoniaWater) float64           { return w.PH }
func ofConductivity(w AmmoniaWater) float64 { return w.Conductivity_uS_cm }

func TestCationConductivityMeetsTheTable(t *testing.T) {
	table := readTable(t, "cation_conductivity.csv", 10)
	for _, row := range table.rows {
		cl := table.must(row, "chloride_ug_per_kg")
		got, err := CationConductivityFromChloride(cl)
		want, half, _ := table.number(row, "kappa_after_cation_exchange_as_HCl_uS_cm")
		near(t, row[0]+" ug/kg", got, err, want, half+2e-4*want) // molar mass 35.453 or 35.45
		back, err := ChlorideFromCationConductivity(got)
		near(t, row[0]+" ug/kg and back", back, err, cl, 1e-9*cl+1e-9)
	}
	rises(t, "cation conductivity", 1, 0, 200, 400, CationConductivityFromChloride)
	// The pH of the acid, from the same charge balance, is what the hydrogen in it says: 0.1374 uS/cm, pH 6.503 at 10 ug/kg.
	h := math.Pow(10, -6.503)
	near(t, "from the pH of the table", 997.05*(349.65*h+198*math.Pow(10, -13.995)/h+76.31*10/35.453e6), nil, acidConductivity(10), 0.0003)
}

func TestAmmoniaOutsideItsRangeIsAnErrorNotAValue(t *testing.T) {
	low, high := withAmmonia(0), withAmmonia(10e3)
	for _, e := range []edge{
		{"WaterWithAmmonia", 0, 10e3, false, func(v float64) (float64, error) { return one(ofPH)(WaterWithAmmonia(v)) }},
		{"AmmoniaFromConductivity", low.Conductivity_uS_cm, high.Conductivity_uS_cm, true, func(v float64) (float64, error) { return one(ofPH)(AmmoniaFromConductivity(v)) }},
		{"AmmoniaFromPH", low.PH, high.PH, true, func(v float64) (float64, error) { return one(ofConductivity)(AmmoniaFromPH(v)) }},
		{"CationConductivityFromChloride", 0, 200, false, CationConductivityFromChloride},
		{"ChlorideFromCationConductivity", acidConductivity(0), acidConductivity(200), true, ChlorideFromCationConductivity},
	} {
		e.holdsItsRange(t)
	}
}
