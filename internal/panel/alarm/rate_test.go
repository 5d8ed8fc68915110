package alarm

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// rising is a limit of 10 an hour over 20 minutes: parts of one minute.
func rising() *site.Limit {
	return &site.Limit{Of: site.Rises, Side: site.High, Value: 10, Window: 20 * time.Minute, Per: time.Hour}
}

// walk feeds a reading every ten seconds for so long; f gives the value t after the start of the walk, or another reading.
func walk(l *site.Limit, s Rate, long time.Duration, f func(t time.Duration) reading.Reading) (Rate, reading.Reading, float64) {
	const slot = 10 * time.Second
	var r reading.Reading
	most := math.Inf(-1)
	for t := slot; t <= long; t += slot {
		s, r = StepRate(l, s, Judged{Reading: f(t), Steps: 1, Period: slot, OnLine: true})
		if r.Counts() {
			most = max(most, r.Value)
		}
	}
	return s, r, most
}

func line(from, perHour float64) func(time.Duration) reading.Reading {
	return func(t time.Duration) reading.Reading { return is(from + perHour*t.Hours()) }
}

func TestALineGivesItsSlopeOnceTheWindowIsFullEnough(t *testing.T) {
	for _, of := range []site.Measure{site.Rises, site.Falls} {
		l := rising()
		l.Of = of
		_, early, _ := walk(l, Rate{}, 10*time.Minute, line(5, 12))
		if early.Counts() {
			t.Errorf("%v: half a window gives %+v", of, early)
		}
		_, r, _ := walk(l, Rate{}, 21*time.Minute, line(5, 12))
		want := 12.0
		if of == site.Falls {
			want = -12
		}
		if !r.Counts() || math.Abs(r.Value-want) > 1e-9 || r.Bound != reading.Exact {
			t.Errorf("%v: %+v, want %v an hour", of, r, want)
		}
	}
}

// What comes and goes within a part or two is no rate; by the difference of two ends 40 ppb in 20 minutes would be 120 an hour.
func TestASpikeMakesNoRate(t *testing.T) {
	_, _, most := walk(rising(), Rate{}, 2*time.Hour, func(t time.Duration) reading.Reading {
		if t > 40*time.Minute && t <= 42*time.Minute {
			return is(45)
		}
		return is(5)
	})
	if most != 0 {
		t.Errorf("%v an hour", most)
	}
}

// Before the gap 5, behind it 50: nobody saw it rise, so it is no rate, however long the gap and whichever way the readings were missing.
func TestAGapNeverMakesARate(t *testing.T) {
	for name, in := range map[string]func(time.Duration) reading.Reading{
		"silent": func(time.Duration) reading.Reading { return not(reading.Silent) },
		"flushing": func(time.Duration) reading.Reading {
			return reading.Of(30, reading.Exact, reading.Flushing, reading.Stamp{})
		},
		"at the ceiling": func(time.Duration) reading.Reading { return over(500) },
	} {
		for _, long := range []time.Duration{40 * time.Second, 5 * time.Minute, 3 * time.Hour} {
			s, _, most := walk(rising(), Rate{}, 30*time.Minute, line(5, 0))
			s, r, during := walk(rising(), s, long, in)
			if r.Counts() {
				t.Errorf("%s for %v: a rate of %v from what nobody saw", name, long, r.Value)
			}
			_, last, behind := walk(rising(), s, 60*time.Minute, line(50, 0))
			if most = max(most, during, behind); most != 0 || !last.Counts() {
				t.Errorf("%s for %v: %v an hour, at the end %+v", name, long, most, last)
			}
		}
	}
	// One reading at the end of the range is as good as a gap.
	s, _, _ := walk(rising(), Rate{}, 30*time.Minute, line(5, 0))
	s, _, _ = walk(rising(), s, 10*time.Second, func(time.Duration) reading.Reading { return over(500) })
	if _, _, most := walk(rising(), s, 60*time.Minute, line(50, 0)); most != 0 {
		t.Errorf("one reading at the ceiling: %v an hour", most)
	}
	// Two lost polls are none.
	s, _, _ = walk(rising(), Rate{}, 10*time.Minute, line(5, 12))
	s, _, _ = walk(rising(), s, 20*time.Second, func(time.Duration) reading.Reading { return not(reading.Silent) })
	if _, r, _ := walk(rising(), s, 12*time.Minute, line(5+12*(620*time.Second).Hours(), 12)); !r.Counts() || math.Abs(r.Value-12) > 1e-6 {
		t.Errorf("two lost polls: %+v", r)
	}
}

func TestOffLineAndANewProcessStartTheWindowAnew(t *testing.T) {
	full, r, _ := walk(rising(), Rate{}, 30*time.Minute, line(5, 12))
	if !r.Counts() {
		t.Fatal("no rate")
	}
	s, r := StepRate(rising(), full, Judged{Reading: is(5), Steps: 1, Period: slot, OnLine: false})
	if s != (Rate{}) || r.Counts() {
		t.Errorf("off line keeps %+v", r)
	}
	s, r = StepRate(rising(), full, Judged{Reading: is(5), Steps: 0, Period: slot, OnLine: true})
	if r.Counts() || s.known {
		t.Errorf("a new process keeps %+v", r)
	}
	if _, r, _ := walk(rising(), s, 10*time.Minute, line(5, 12)); r.Counts() {
		t.Errorf("and knows a rate after half a window: %+v", r)
	}
}

// seen is one reading as the second reckoning keeps it.
type seen struct {
	at  time.Duration
	v   float64
	run int
}

// fromAll reckons a rate from every reading there was, with no state between them: parts of a minute on a grid from the first counting
// reading, of each part the readings of its last run, and the middle of all slopes by sorting.
func fromAll(all []seen, now, length time.Duration) (float64, bool) {
	if len(all) == 0 {
		return 0, false
	}
	current := int64((now - all[0].at) / length)
	type dot struct {
		x, y float64
		run  int
	}
	var dots []dot
	for at := current - rateParts; at < current; at++ {
		var d dot
		n := 0.0
		for _, s := range all {
			if int64((s.at-all[0].at)/length) != at {
				continue
			}
			if n > 0 && s.run != d.run {
				d, n = dot{}, 0
			}
			d.x, d.y, d.run, n = d.x+s.at.Hours(), d.y+s.v, s.run, n+1
		}
		if n > 0 {
			dots = append(dots, dot{d.x / n, d.y / n, d.run})
		}
	}
	var slopes []float64
	for i, a := range dots {
		for _, b := range dots[:i] {
			if a.run == b.run {
				slopes = append(slopes, (a.y-b.y)/(a.x-b.x))
			}
		}
	}
	if len(slopes) < 76 { // 0.4 of 190
		return 0, false
	}
	slices.Sort(slopes)
	return (slopes[(len(slopes)-1)/2] + slopes[len(slopes)/2]) / 2, true
}

func TestTheRateAgreesWithOneReckonedFromAllReadings(t *testing.T) {
	const seed, series, length = 5, 60, 400
	const slot = 15 * time.Second
	rng := rand.New(rand.NewPCG(seed, seed))
	compared, with, broken := 0, 0, 0
	for range series {
		l := rising()
		var s Rate
		var all []seen
		now, run, last := time.Duration(0), 0, time.Duration(0)
		value, bias := 20.0, rng.NormFloat64()
		lost := rng.Float64() * 0.3
		for i := range length {
			steps := uint64(1)
			if rng.IntN(60) == 0 {
				steps = uint64(1 + rng.IntN(8))
			}
			now += time.Duration(steps) * slot
			value += bias*0.05 + 0.3*rng.NormFloat64()
			r := is(value)
			if rng.Float64() < lost*lost {
				r = not(reading.Silent)
			}
			bounded := rng.IntN(400) == 0
			if bounded {
				r = over(500)
			}
			var got reading.Reading
			s, got = StepRate(l, s, Judged{Reading: r, Steps: max(steps, 1), Period: slot, OnLine: true})
			counts := r.Counts() && !bounded
			if bounded {
				run++
			}
			if counts {
				if len(all) > 0 && now-last > SlotsBridged*slot {
					run, broken = run+1, broken+1
				}
				last = now
			}
			want, known := fromAll(all, now, l.Window/rateParts)
			if counts {
				all = append(all, seen{now, value, run})
			}
			if got.Counts() != (known && counts) || known && counts && math.Abs(got.Value-want) > 1e-6 {
				t.Fatalf("reading %d: %+v, reckoned from all %v, %v", i, got, want, known)
			}
			if compared++; got.Counts() {
				with++
			}
		}
	}
	t.Logf("%d readings compared, %d of them with a rate, %d gaps", compared, with, broken)
	if with < compared/3 || broken < 50 {
		t.Error("the series show too little")
	}
}
