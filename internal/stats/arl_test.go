package stats

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

// chartStep takes one value into a chart.
type chartStep func(x float64) (Signal, error)

// runLength is how many normal values a chart takes to its first signal.
func runLength(t *testing.T, r *rand.Rand, shift float64, step chartStep) float64 {
	t.Helper()
	for n := 1; n <= 100_000; n++ { // a hundred times the longest mean here
		signal, err := step(shift + r.NormFloat64())
		if err != nil {
			t.Fatal(err)
		}
		if signal != Within {
			return float64(n)
		}
	}
	t.Fatal("a chart that never signals")
	return 0
}

// newChart is one chart of the table, from its start.
func newChart(t *testing.T, kind string, a, b float64) chartStep {
	t.Helper()
	switch kind {
	case "EWMA2":
		c, s := EWMA{Sigma: 1, Lambda: a, Width: b, Steady: true}, EWMAState{}
		return func(x float64) (Signal, error) {
			var p EWMAPoint
			var err error
			s, p, err = c.Step(s, x)
			return p.Signal, err
		}
	case "CUSUM1", "CUSUM2":
		c, s := CUSUM{Slack: a, Decision: b}, CUSUMState{}
		return func(x float64) (Signal, error) {
			var signal Signal
			var err error
			s, signal, err = c.Step(s, x)
			if kind == "CUSUM1" && signal == Low {
				signal = Within
			}
			return signal, err
		}
	case "SHEW3":
		c, s := EWMA{Sigma: 1, Lambda: a, Width: b, Steady: true}, EWMAState{}
		return func(x float64) (Signal, error) {
			var p EWMAPoint
			var err error
			s, p, err = c.Step(s, x)
			return p.Signal, err
		}
	}
	t.Fatalf("chart %q", kind)
	return nil
}

// Lucas and Saccucci 1990, Montgomery and Runger, and R's spc: the mean run length of each chart at each shift, by
// simulation from one seed. The tolerance is four standard errors of the simulated mean, one in 16 000 by chance, and half
// the last printed digit.
func TestRunLengthsMeetThePublishedOnes(t *testing.T) {
	rows, head := readText(t, "arl.csv")
	column := map[string]int{}
	for i, h := range head {
		column[h] = i
	}
	compared, published := 0, 0
	worst := 0.0
	for i, row := range rows {
		cell := func(name string) float64 {
			v, err := strconv.ParseFloat(row[column[name]], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		shift, want, half := cell("shift_sigma"), cell("ARL_computed"), 0.0005
		if row[column["ARL_published"]] == "" {
			// The computed ones are many: every second shift of them is enough.
			if i%2 == 1 {
				continue
			}
		} else {
			published++
			want = cell("ARL_published")
			half = 0.005 * want // three printed digits
		}
		runs := 4000
		if want > 200 {
			runs = 1200 // long runs, but a mean of exponential-like lengths is as sharp for their number
		}
		r := rand.New(rand.NewPCG(uint64(i)+1, 20)) // each row its own seed: one is not moved by another
		var sum, squares float64
		for range runs {
			n := runLength(t, r, shift, newChart(t, row[column["chart"]], cell("lambda_or_k"), cell("L_or_h")))
			sum += n
			squares += n * n
		}
		mean := sum / float64(runs)
		standardError := math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs))
		off := math.Abs(mean-want) / (4*standardError + half)
		if worst = max(worst, off); off > 1 {
			t.Errorf("%v: simulated %.4g, standard error %.2g; the table has %v", row, mean, standardError, want)
		}
		compared++
	}
	if compared < 90 || published < 40 {
		t.Errorf("%d rows compared, %d of them published", compared, published)
	}
	t.Logf("%d rows, %d of them published; at most %.2f of the tolerance", compared, published, worst)
}

// Brook and Evans 1972: one-sided CUSUM, k 0.5, h 3: 117.59 in control, 3.75 at 1.5 sigma. Crowder 1987: EWMA 0.5, width 2:
// 26.45 and, at one sigma, 4.91.
func TestRunLengthsMeetOtherPapers(t *testing.T) {
	for i, c := range []struct {
		kind              string
		a, b, shift, want float64
	}{{"CUSUM1", 0.5, 3, 0, 117.59}, {"CUSUM1", 0.5, 3, 1.5, 3.75}, {"EWMA2", 0.5, 2, 0, 26.45}, {"EWMA2", 0.5, 2, 1, 4.91}} {
		const runs = 6000
		r := rand.New(rand.NewPCG(uint64(i)+1, 1972))
		var sum, squares float64
		for range runs {
			n := runLength(t, r, c.shift, newChart(t, c.kind, c.a, c.b))
			sum += n
			squares += n * n
		}
		mean := sum / runs
		near(t, c.kind, mean, c.want, 4*math.Sqrt((squares/runs-mean*mean)/runs)+0.005)
	}
}
