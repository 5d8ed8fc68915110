package rig_test

import (
	"testing"
	"time"

	"rillwatch/internal/panel/interlock"
	"rillwatch/internal/reading"
	"rillwatch/internal/rig"
	"rillwatch/internal/site"
)

// Three ways to work a sample valve behind a cooler that is lost for good, on the same water, for two hours. The two bad ones live here only:
// a rule that opens on temperature is answered by room air, whatever its value, and one that counts attempts and proves each by a minute of
// cool water is answered by the cold slug of the dead leg. What is compared is their order; the figures depend on constants that are judgement.

// hand is what works the valve.
type hand interface {
	// next gets the temperature every two seconds, with the valve's feedback and the flow, and says whether the valve shall be closed.
	next(temp float64, closed bool, flow float64) bool
}

type run struct {
	closings int
	above    time.Duration // with flowing water above the closing value at the cell
	last     time.Duration // of the last closing
	ended    bool          // closed at the end, and for the last half hour
}

const (
	closeAbove = 48.9
	pollEvery  = 2 * time.Second
	tryFor     = 2 * time.Hour
)

func try(t *testing.T, h hand) run {
	t.Helper()
	c := rig.DefaultConstants()
	c.CloseAbove = 400 // the panel's own shut-off is taken out, so that only the policy works the valve
	p, err := rig.NewPlant(c, 1)
	if err != nil {
		t.Fatal(err)
	}
	p.Step(time.Minute)
	p.CoolerLost()
	var r run
	shut := false
	for from := p.At(); p.At()-from < tryFor; {
		p.Step(pollEvery)
		s := p.Snapshot()
		if s.Water > closeAbove && s.Flow > 0 {
			r.above += pollEvery
		}
		want := h.next(s.Temperature, s.ValveClosed, s.Flow)
		switch {
		case want && !shut:
			p.CloseByHand()
			r.closings, r.last = r.closings+1, p.At()-from
		case !want && shut:
			p.OpenByHand()
		}
		shut = want
	}
	r.ended = shut && tryFor-r.last > 30*time.Minute
	return r
}

// confirm is two samples above, as all three need.
type confirm struct{ hot int }

func (c *confirm) is(temp float64) bool {
	if temp > closeAbove {
		c.hot++
	} else {
		c.hot = 0
	}
	return c.hot >= 2
}

// byTemperature opens again as soon as it reads so far below the closing value.
type byTemperature struct {
	confirm
	below  float64
	closed bool
}

func (b *byTemperature) next(temp float64, _ bool, _ float64) bool {
	switch hot := b.is(temp); {
	case hot:
		b.closed = true
	case b.closed && temp < closeAbove-b.below:
		b.closed = false
	}
	return b.closed
}

// byProof opens again after a quarter of an hour when it is cool, once; the attempt is forgiven when it has been cool for the proof.
type byProof struct {
	confirm
	proof    time.Duration
	closed   bool
	closedAt time.Duration
	openedAt time.Duration
	now      time.Duration
	attempts int
	gaveUp   bool
}

func (b *byProof) next(temp float64, _ bool, _ float64) bool {
	b.now += pollEvery
	switch hot := b.is(temp); {
	case hot && !b.closed:
		b.closed, b.closedAt = true, b.now
		b.gaveUp = b.attempts > 0
	case b.closed && !b.gaveUp && temp <= 40 && b.now-b.closedAt >= 15*time.Minute:
		b.closed, b.openedAt, b.attempts = false, b.now, b.attempts+1
	case !b.closed && b.attempts > 0 && b.now-b.openedAt >= b.proof:
		b.attempts = 0
	}
	return b.closed
}

// ours is the interlock itself.
type ours struct {
	cfg site.Interlock
	s   interlock.State
	now time.Duration
}

func (o *ours) next(temp float64, closed bool, flow float64) bool {
	o.now += pollEvery
	at := reading.Stamp{Wall: reading.Wall(o.now) + 1e18, Up: o.now}
	in := interlock.Input{Elapsed: pollEvery, TempUpdate: true, TempHasValue: true, TempGood: true, Temp: temp, TempAt: at, Valve: reading.ValveOpen, ValveFrom: "feedback",
		FeedbackConfigured: true, FeedbackOK: true, FlowKnown: true, Flow: flow, FlowLow: 50, LineFresh: true, RoundDone: true, Now: at}
	if closed {
		in.Valve = reading.ValveClosedState
	}
	var out interlock.Output
	o.s, out = interlock.Step(&o.cfg, 0.1, o.s, in)
	return out.Ask
}

func newOurs() *ours {
	return &ours{cfg: site.Interlock{Configured: true, WarnAbove: 40, CloseAbove: closeAbove, Travel: 15 * time.Second, LostAfter: 10 * time.Second,
		Drive: site.Drive{Configured: true, Station: 1, Table: reading.Coil, Value: 1}}}
}

func TestOpeningOnTemperatureCyclesAShortProofNeverEndsAndOursClosesOnce(t *testing.T) {
	mine := try(t, newOurs())
	t.Logf("figure: held until a person re-arms: %d closing, %v above the closing value", mine.closings, mine.above)
	if mine.closings != 1 || !mine.ended {
		t.Errorf("ours closed %d times, ended %v; want once and for good", mine.closings, mine.ended)
	}
	before := 0
	for _, below := range []float64{1, 2, 5, 10} {
		r := try(t, &byTemperature{below: below})
		t.Logf("figure: opens %v K below: %d closings, %v above, last after %v", below, r.closings, r.above, r.last)
		switch {
		case r.ended || tryFor-r.last > 20*time.Minute:
			t.Errorf("opening %v K below: it ended, and a deadband does not cure it", below)
		case r.closings < 10*mine.closings, r.above < 5*mine.above:
			t.Errorf("opening %v K below: %d closings and %v above, hardly worse than ours", below, r.closings, r.above)
		case before != 0 && r.closings >= before:
			t.Errorf("opening %v K below closes %d times, not less often than with a smaller deadband (%d)", below, r.closings, before)
		}
		before = r.closings
	}
	// the slug of the dead leg is 288 mL and so 87 s at 200 mL/min: a proof that is shorter passes on it, every time
	for _, proof := range []time.Duration{30 * time.Second, time.Minute} {
		r := try(t, &byProof{proof: proof})
		t.Logf("figure: proof of %v: %d closings, %v above, last after %v", proof, r.closings, r.above, r.last)
		if r.ended || r.closings <= 2 {
			t.Errorf("a proof of %v: %d closings, ended %v; it must never end", proof, r.closings, r.ended)
		}
	}
	r := try(t, &byProof{proof: 10 * time.Minute})
	t.Logf("figure: proof of 10 minutes: %d closings, %v above, last after %v", r.closings, r.above, r.last)
	if r.closings != 2 || !r.ended {
		t.Errorf("a proof of ten minutes: %d closings, ended %v; want two, then an end", r.closings, r.ended)
	}
}
