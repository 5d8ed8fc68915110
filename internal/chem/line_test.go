package chem

import (
	"math"
	"testing"
)

const quarterInch_mm = 4.572 // 1/4 in less twice 0.035 in

func TestSampleLineMeetsTheTable(t *testing.T) {
	perMetre, err := LineVolume(quarterInch_mm, 1)
	near(t, "mL/m", perMetre, err, 16.417, 0.0005)
	tenMetres, err := LineVolume(quarterInch_mm, 10)
	near(t, "ten metres", tenMetres, err, 10*perMetre, 1e-9)
	table := readTable(t, "sample_line.csv", 10)
	for _, row := range table.rows {
		flow := table.must(row, "flow_mL_min")
		for _, c := range []struct {
			column string
			f      func() (float64, error)
			extra  float64 // beside the rounding of the print
		}{
			{"velocity_m_s", func() (float64, error) { return Velocity(flow, quarterInch_mm) }, 0},
			{"lag_s_per_m", func() (float64, error) { return LeadTime(perMetre, flow) }, 0},
			{"lag_s_per_10m", func() (float64, error) { return LeadTime(tenMetres, flow) }, 0},
			// The viscosity at 0.1 MPa has its own short equation: 0.02 %.
			{"Re_25C", func() (float64, error) { return Reynolds(flow, quarterInch_mm, 25) }, 2e-4},
			{"Re_40C", func() (float64, error) { return Reynolds(flow, quarterInch_mm, 40) }, 2e-4},
		} {
			want, half, _ := table.number(row, c.column)
			got, err := c.f()
			near(t, c.column+" at "+row[0], got, err, want, half+c.extra*want+1e-9)
		}
		v, err := Velocity(flow, quarterInch_mm)
		near(t, "ft/s at "+row[0], v/0.3048, err, table.must(row, "velocity_ft_s"), 0.0006)
	}
	// By hand: 2300 at 442 mL/min, 4000 at 769, 6 ft/s at 1801, all at 25 degC.
	for _, c := range []struct{ flow, number, perUnit float64 }{{442, LaminarBelow, 5.2}, {769, TurbulentAbove, 5.2}} {
		got, err := Reynolds(c.flow, quarterInch_mm, 25)
		near(t, "regime", got, err, c.number, c.perUnit/2+0.2)
	}
	v, err := Velocity(1801, quarterInch_mm)
	near(t, "6 ft/s", v/0.3048, err, 6, 0.002)
}

// The law of the flush worked by hand: laminar 75 % after one line volume, 93.8 after 2, 97.2 after 3, 99.0 after 5; mixed
// 63, 86, 95.0 and 99.3 %.
func TestFlushMeetsTheTable(t *testing.T) {
	for _, c := range []struct{ volumes, laminar, mixed, half float64 }{
		{0, 0, 0, 0}, {1, 0.75, 0.63, 0.005}, {2, 0.938, 0.86, 0.005}, {3, 0.972, 0.950, 0.0005}, {5, 0.990, 0.993, 0.0005},
	} {
		got, err := FlushedLaminar(c.volumes)
		near(t, "laminar", got, err, c.laminar, 0.0005)
		got, err = FlushedMixed(c.volumes)
		near(t, "mixed", got, err, c.mixed, c.half)
	}
	// The first new water of laminar flow comes after half the plug's time.
	got, err := FlushedLaminar(0.5)
	near(t, "half a volume", got, err, 0, 0)
	got, err = FlushedLaminar(0.501)
	if err != nil || got <= 0 {
		t.Errorf("just past half a volume: %v, %v", got, err)
	}
	// Counted: rings of a parabola, each new once its own water has come through; weighed by what each carries.
	for _, volumes := range []float64{0.6, 1, 2, 4} {
		const rings = 20000
		var all, fresh float64
		for i := range rings {
			r := (float64(i) + 0.5) / rings
			carries := 2 * (1 - r*r) * 2 * r // velocity over the mean, times area
			all += carries
			if 2*(1-r*r)*volumes >= 1 {
				fresh += carries
			}
		}
		got, err := FlushedLaminar(volumes)
		near(t, "counted", got, err, fresh/all, 2e-4)
	}
	rises(t, "laminar", 1, 0.5, 50, 300, FlushedLaminar)
	rises(t, "mixed", 1, 0, 20, 300, FlushedMixed)
}

func TestLineGoesThereAndBack(t *testing.T) {
	for part := 0.0; part < 0.9999; part += 0.0137 {
		v, err := VolumesToFlushLaminar(part)
		if err != nil {
			t.Fatal(err)
		}
		back, err := FlushedLaminar(v)
		near(t, "laminar", back, err, part, 1e-12)
		if v, err = VolumesToFlushMixed(part); err != nil {
			t.Fatal(err)
		}
		back, err = FlushedMixed(v)
		near(t, "mixed", back, err, part, 1e-12)
	}
	v, err := VolumesToFlushMixed(0.95)
	near(t, "three volumes", v, err, 3, 0.005)
	v, err = VolumesToFlushLaminar(0.99)
	near(t, "five volumes", v, err, 5, 1e-9)
	v, err = VolumesToFlushLaminar(0)
	near(t, "nothing new yet", v, err, 0.5, 0)
	// Lead time is length over velocity, two ways to the same.
	volume, err := LineVolume(3, 12)
	s, err1 := LeadTime(volume, 80)
	m_s, err2 := Velocity(80, 3)
	near(t, "lead", s, first(err, err1, err2), 12/m_s, 1e-9)
}

func TestLineOutsideItsRangeIsAnErrorNotAValue(t *testing.T) {
	for _, e := range []edge{
		{"LineVolume over bore", 0.1, 50, true, func(v float64) (float64, error) { return LineVolume(v, 1) }},
		{"LineVolume over length", 0.001, 1000, true, func(v float64) (float64, error) { return LineVolume(4, v) }},
		{"LeadTime over volume", 1e-6, 2e6, true, func(v float64) (float64, error) { return LeadTime(v, 100) }},
		{"LeadTime over flow", 0.01, 100e3, true, func(v float64) (float64, error) { return LeadTime(100, v) }},
		{"Velocity over flow", 0.01, 100e3, true, func(v float64) (float64, error) { return Velocity(v, 4) }},
		{"Velocity over bore", 0.1, 50, true, func(v float64) (float64, error) { return Velocity(100, v) }},
		{"Reynolds over flow", 0.01, 100e3, true, func(v float64) (float64, error) { return Reynolds(v, 4, 25) }},
		{"Reynolds over bore", 0.1, 50, true, func(v float64) (float64, error) { return Reynolds(100, v, 25) }},
		{"Reynolds over temperature", 0, 100, false, func(v float64) (float64, error) { return Reynolds(100, 4, v) }},
		{"FlushedLaminar", 0, 1000, false, FlushedLaminar},
		{"FlushedMixed", 0, 1000, false, FlushedMixed},
		{"VolumesToFlushLaminar", 0, 0.9999, false, VolumesToFlushLaminar},
		{"VolumesToFlushMixed", 0, 0.9999, false, VolumesToFlushMixed},
	} {
		e.holdsItsRange(t)
	}
	got, err := LeadTime(100, 0)
	refused(t, "no flow, no lead time", got, err, ErrNotPositive)
	got, err = LineVolume(0, 1)
	refused(t, "no line", got, err, ErrNotPositive)
	if v, err := LineVolume(50, 1000); err != nil || v > lineVolume.max || math.IsInf(v, 0) {
		t.Errorf("the largest line, %v mL, does not fit LeadTime; %v", v, err)
	}
}
