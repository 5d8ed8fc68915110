package validate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func oxygenPoint() *site.Point {
	return &site.Point{Resolution: 0.1, FrozenAfter: 30 * time.Minute, Jump: 50}
}

func exact(v float64) reading.Reading {
	return reading.Of(v, reading.Exact, reading.Believed, reading.Stamp{})
}

// still runs a point at one read a second and keeps when it was first frozen.
type stillStory struct {
	p      *site.Point
	s      Still
	now    time.Duration
	frozen bool
	others uint64
	stands bool // the sample does not flow
}

func (st *stillStory) run(long time.Duration, v float64) *stillStory {
	for end := st.now + long; st.now < end; {
		st.now += time.Second
		st.s, st.frozen = st.s.Step(st.p, StillInput{Reading: exact(v), Elapsed: time.Second, Flowing: !st.stands, Others: st.others})
	}
	return st
}

func TestFrozenNeedsTheTimeAndASiblingThatMoved(t *testing.T) {
	st := &stillStory{p: oxygenPoint()}
	if st.run(2*time.Hour, 12); st.frozen {
		t.Error("two hours without a sibling that moved are frozen")
	}
	st.others++
	if st.run(time.Second, 12); !st.frozen {
		t.Error("a sibling moved and nothing is frozen")
	}
	if st.run(time.Second, 12.1); st.frozen {
		t.Error("a step of the display is still frozen")
	}
	// What the sibling did before this stillness began is no evidence.
	if st.run(time.Hour, 12.1); st.frozen {
		t.Error("an old movement of the sibling counts")
	}

	st = &stillStory{p: oxygenPoint()}
	st.run(time.Second, 12)
	st.others++
	if st.run(30*time.Minute-time.Second, 12); st.frozen {
		t.Error("frozen before its time")
	}
	if st.run(time.Second, 12); !st.frozen {
		t.Error("not frozen at its time")
	}
}

// Less than a step of the display is no movement: a float that dithers in its last bits stands still. A whole step is one, also when the
// difference of two floats is a hair less.
func TestAMovementIsAWholeStepOfTheDisplay(t *testing.T) {
	for _, c := range []struct {
		to     float64
		frozen bool
	}{{12.04, true}, {12.0999, true}, {11.95, true}, {12.1, false}, {12 + 0.1*(1-1e-12), false}, {11.9, false}} {
		st := &stillStory{p: oxygenPoint()}
		st.run(29*time.Minute, 12)
		st.others++
		if st.run(2*time.Minute, c.to); st.frozen != c.frozen {
			t.Errorf("12 to %v: frozen %t", c.to, st.frozen)
		}
	}
}

func TestStandingWaterMakesStillnessWaitAndAnEndOfTheRangeEndsIt(t *testing.T) {
	st := &stillStory{p: oxygenPoint()}
	st.run(20*time.Minute, 12)
	st.others++
	st.stands = true
	if st.run(5*time.Hour, 12); st.frozen {
		t.Error("frozen in standing water")
	}
	st.stands = false
	if st.run(9*time.Minute, 12); st.frozen {
		t.Error("the standing water was counted")
	}
	if st.run(2*time.Minute, 12); !st.frozen {
		t.Error("what stood still before the stop was forgotten")
	}
	floor := reading.Of(0.2, reading.Below, reading.BelowDetection, reading.Stamp{})
	s, frozen := st.s.Step(st.p, StillInput{Reading: floor, Elapsed: time.Hour, Flowing: true, Others: 9})
	if frozen {
		t.Error("a sensor at its floor is frozen")
	}
	if s, _ = s.Step(st.p, StillInput{Reading: reading.Not(reading.Silent, reading.Stamp{}), Flowing: true}); s.on {
		t.Error("a floor did not end the stillness")
	}
	off := oxygenPoint()
	off.FrozenAfter = 0
	st = &stillStory{p: off, others: 0}
	st.run(time.Second, 12)
	st.others++
	if st.run(47*time.Hour, 12); st.frozen {
		t.Error("frozen though it is turned off")
	}
}

// A sensor that stood still for 25 minutes and moved has that habit: it is frozen after three times as long, not after half an hour.
func TestTheHabitOfASensorMakesItsTimeLonger(t *testing.T) {
	st := &stillStory{p: oxygenPoint()}
	st.run(25*time.Minute, 12).run(time.Second, 12.3)
	st.others++
	if st.run(74*time.Minute, 12.3); st.frozen {
		t.Error("frozen against its habit")
	}
	if st.run(2*time.Minute, 12.3); !st.frozen {
		t.Error("not frozen after three times its habit")
	}
	// What was frozen is no habit.
	st.run(time.Second, 13)
	st.others++
	if st.run(76*time.Minute, 13); !st.frozen {
		t.Error("a frozen spell became a habit")
	}
}

// Plain noise teaches a band that it does not leave often; a step of ten times as much leaves it once and does not widen it.
func TestNoiseIsLearnedAndAStepIsNoNoise(t *testing.T) {
	p := oxygenPoint()
	r := rand.New(rand.NewPCG(1, 2))
	var n Noise
	for range 2000 {
		n = n.Step(p, 12+r.NormFloat64())
	}
	// The mean absolute difference of two draws of a normal distribution is 2/sqrt(pi) = 1.128 standard deviations.
	if want := 2 / math.Sqrt(math.Pi); math.Abs(n.mean-want) > 0.35 {
		t.Errorf("learned a step of %.3f, want about %.3f", n.mean, want)
	}
	before, band := n.Moves(), n.Band(p)
	n = n.Step(p, 60).Step(p, 60.3)
	if n.Moves() != before+1 {
		t.Errorf("a step of 48 moved it %d times", n.Moves()-before)
	}
	if n.Band(p) > 1.1*band {
		t.Errorf("the band went from %.2f to %.2f by one step", band, n.Band(p))
	}
	var quiet Noise
	for range 100 {
		quiet = quiet.Step(p, 12)
	}
	if quiet.Band(p) != p.Resolution || quiet.Moves() != 0 {
		t.Errorf("a value that never moved has a band of %v and %d moves", quiet.Band(p), quiet.Moves())
	}
	if quiet = quiet.Step(p, 12.1); quiet.Moves() != 1 {
		t.Error("its first step is no movement")
	}
}

// jumpStory is one read a second.
func jumped(p *site.Point, n Noise, values ...float64) []bool {
	var j Jump
	out := make([]bool, len(values))
	for i, v := range values {
		j, out[i] = j.Step(p, n, exact(v), time.Second, true)
	}
	return out
}

func line(from, perSecond float64, seconds int) []float64 {
	v := make([]float64, seconds)
	for i := range v {
		v[i] = from + perSecond*float64(i)
	}
	return v
}

func TestAJumpIsFasterThanWaterAndOverWhenTheWaterCouldHaveCome(t *testing.T) {
	p := oxygenPoint() // 50 in a minute
	after := func(out []bool) int {
		for i, b := range out {
			if b {
				return i
			}
		}
		return -1
	}
	if at := after(jumped(p, Noise{}, line(12, 50./60, 3600)...)); at >= 0 {
		t.Errorf("50 in a minute jumped at %d s", at)
	}
	if at := after(jumped(p, Noise{}, line(12, 100./60, 3600)...)); at < 58 || at > 62 {
		t.Errorf("100 in a minute jumped at %d s, want after a minute", at)
	}
	if at := after(jumped(p, Noise{}, 12, 62)); at >= 0 {
		t.Error("a step of 50 jumped: it is what water does in a minute")
	}
	out := jumped(p, Noise{}, append([]float64{12}, line(112, 0, 120)...)...)
	if !out[1] {
		t.Error("a step of 100 did not jump")
	}
	// 50 of the 100 are room; the rest is gone after a minute at 50 in a minute.
	if !out[58] || out[62] {
		t.Errorf("a step of 100 is over at %v", out[55:65])
	}
	// A spike of one reading is over with it.
	if out := jumped(p, Noise{}, 12, 400, 12, 12); !out[1] || out[2] || out[3] {
		t.Errorf("a spike: %v", out)
	}
}

func TestAJumpIsScaledToNoiseResolutionAndShare(t *testing.T) {
	noisy := Noise{seen: learnFrom, mean: 20}
	if out := jumped(oxygenPoint(), noisy, 12, 112); out[1] {
		t.Error("a step of 100 jumped where 20 is the usual one")
	}
	if out := jumped(oxygenPoint(), noisy, 12, 142); !out[1] {
		t.Error("a step of 130 did not jump where 20 is the usual one")
	}
	coarse := &site.Point{Resolution: 100, Jump: 50}
	if out := jumped(coarse, Noise{}, 0, 100, 200); out[1] || out[2] {
		t.Errorf("two steps of the display jumped: %v", out)
	}
	if out := jumped(coarse, Noise{}, 0, 400); !out[1] {
		t.Error("four steps of the display did not jump")
	}
	twofold := &site.Point{Resolution: 0.001, Jump: 1, JumpShare: 1}
	if out := jumped(twofold, Noise{}, 10, 19, 25); out[1] || !out[2] {
		t.Errorf("10 to 19 to 25 of a point that may double in a minute: %v", out)
	}
	off := &site.Point{Resolution: 0.1}
	if out := jumped(off, Noise{}, 0, 1e6); out[1] {
		t.Error("jumped though it is turned off")
	}
}

func TestAfterNoValueNoFlowAndAnEndOfTheRangeTheFirstReadingIsNoJump(t *testing.T) {
	p := oxygenPoint()
	at := reading.Stamp{}
	for name, gap := range map[string]func(Jump) (Jump, bool){
		"silent": func(j Jump) (Jump, bool) {
			return j.Step(p, Noise{}, reading.Not(reading.Silent, at), time.Second, true)
		},
		"no flow": func(j Jump) (Jump, bool) { return j.Step(p, Noise{}, exact(400), time.Second, false) },
		"ceiling": func(j Jump) (Jump, bool) {
			return j.Step(p, Noise{}, reading.Of(500, reading.Above, reading.AboveCeiling, at), time.Second, true)
		},
	} {
		j, _ := Jump{}.Step(p, Noise{}, exact(12), time.Second, true)
		j, flagged := gap(j)
		if flagged {
			t.Errorf("%s jumped", name)
		}
		if _, flagged = j.Step(p, Noise{}, exact(300), time.Second, true); flagged {
			t.Errorf("after %s the first reading jumped", name)
		}
	}
}

// TestJumpsNeverLeaveAnythingBehind: whatever came before, a value that stays where it is is no jump for longer than water could have
// taken to get there.
func TestJumpsNeverLeaveAnythingBehind(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	p := oxygenPoint()
	for range 300 {
		var j Jump
		v := 0.0
		for range 50 {
			v = math.Round(r.ExpFloat64()*1000) / 10
			j, _ = j.Step(p, Noise{}, exact(v), time.Duration(r.IntN(5000))*time.Millisecond, r.IntN(9) > 0)
		}
		j, _ = j.Step(p, Noise{}, exact(v), time.Second, true)
		need := time.Duration(math.Abs(v-j.slow) / p.Jump * float64(time.Minute))
		var flagged bool
		if j, flagged = j.Step(p, Noise{}, exact(v), need, true); flagged {
			t.Fatalf("still jumped at %v after %v: %+v", v, need, j)
		}
	}
}

func TestTheStatesAreComparableAndBounded(t *testing.T) {
	if (Still{}) != (Still{}) || (Jump{}) != (Jump{}) || (Noise{}) != (Noise{}) {
		t.Error("zero states differ")
	}
	p := &site.Point{Resolution: 1, FrozenAfter: time.Minute}
	s := Still{on: true, place: 3, since: stillMax - time.Second}
	if s, _ = s.Step(p, StillInput{Reading: exact(3), Elapsed: 1000 * time.Hour, Flowing: true}); s.since != stillMax {
		t.Errorf("counted to %v", s.since)
	}
}

// TestTheEdgesOfHabits: what make mutate found that no story above could tell.
func TestTheEdgesOfHabits(t *testing.T) {
	p := &site.Point{Resolution: 1, FrozenAfter: 30 * time.Minute, Jump: 50}
	var quiet Noise
	for range learnFrom {
		quiet = quiet.Step(p, 12)
	}
	if quiet.Step(p, 14).mean <= 0 || quiet.Step(p, 15).mean != 0 {
		t.Error("two steps of the display are noise of a quiet sensor, three are not")
	}
	// As long as would be frozen is no habit, though no sibling moved and nobody called it so.
	st := &stillStory{p: p}
	st.run(time.Second, 12).run(30*time.Minute, 12).run(time.Second, 15)
	st.others++
	if st.run(30*time.Minute, 15); !st.frozen {
		t.Error("a spell of exactly the time became a habit")
	}
	// Two reads in one moment: a step of exactly the minute's worth is none, a hair more is.
	j, _ := Jump{}.Step(p, Noise{}, exact(12), 0, true)
	if _, flagged := j.Step(p, Noise{}, exact(62), 0, true); flagged {
		t.Error("exactly what water does in a minute jumped")
	}
	if _, flagged := j.Step(p, Noise{}, exact(62.0001), 0, true); !flagged {
		t.Error("more than what water does in a minute did not jump")
	}
	// A value of 1e15 is still one; beyond it words stand in the wrong order.
	wide := &site.Point{Decode: site.Decode{Type: site.Float64, Scale: 1}}
	if r := own(wide, math.Float64bits(1e15), reading.Stamp{}); r.Reason != reading.Believed {
		t.Errorf("1e15 is %s", r.Reason)
	}
	if r := own(wide, math.Float64bits(math.Nextafter(1e15, 2e15)), reading.Stamp{}); r.Reason != reading.FaultRange {
		t.Errorf("a hair above 1e15 is %s", r.Reason)
	}
}
