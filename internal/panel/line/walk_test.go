package line

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// Random walks through everything that can reach a line, with a dumb witness beside it that keeps only what was really seen:
// when flow was last read above zero, and how much may have passed since it was last seen not to flow.
func TestNoWalkBelievesWhatWasNotSeenToFlow(t *testing.T) {
	const walks, steps = 500, 400
	believed, flushing, stops := 0, 0, 0
	for seed := range uint64(walks) {
		chance := rand.New(rand.NewPCG(seed, 20))
		cfg := usual()
		if seed%3 == 0 {
			cfg.LeadML, cfg.CellML = 12, 5 // a toy line is flushed often
		}
		var s State
		var in Input
		in.Period, in.FlowConfigured = period, true
		in.FeedbackConfigured = seed%2 == 0

		seenFlow, since := false, time.Duration(0) // since a flow above zero was last read
		feedbackAge := time.Duration(math.MaxInt64 / 4)
		closed := false
		volume, rate := 0.0, 0.0 // at most what passed since it last did not flow
		for range steps {
			in.Elapsed, in.Away, in.AwayUnknown = period, 0, false
			if chance.IntN(40) == 0 {
				in.Elapsed = time.Duration(chance.IntN(400)) * time.Second
			}
			if chance.IntN(80) == 0 { // a restart
				text, err := json.Marshal(s)
				if err != nil {
					t.Fatal(err)
				}
				s = State{}
				if err := json.Unmarshal(text, &s); err != nil {
					t.Fatal(err)
				}
				in.Elapsed, in.Away = 0, time.Duration(chance.IntN(5000))*time.Second
				in.AwayUnknown = chance.IntN(3) == 0
			}
			if chance.IntN(16) == 0 {
				in.Flow = []float64{0, 0, -1, 10, 49, 50, 200, 200, 200, 500, 600, math.NaN()}[chance.IntN(12)]
				in.FlowAtFloor = chance.IntN(8) == 0
				in.FeedbackClosed = chance.IntN(4) == 0
			}
			in.FlowOK, in.FeedbackOK = chance.IntN(12) != 0, chance.IntN(12) != 0
			in.FlowAge, in.FeedbackAge = time.Duration(chance.IntN(300))*time.Millisecond, time.Duration(chance.IntN(300))*time.Millisecond

			// the witness
			gap := in.Elapsed + in.Away
			volume += rate * in.Elapsed.Minutes()
			since += gap
			feedbackAge += gap
			if in.AwayUnknown || since > 3*period+300*time.Millisecond {
				volume, seenFlow = 0, false
			}
			if in.FlowOK {
				flows := in.Flow > 0 && !in.FlowAtFloor
				seenFlow, since, rate = flows, in.FlowAge, 0
				if flows {
					rate = in.Flow
				} else {
					volume = 0
				}
			}
			if in.FeedbackConfigured && in.FeedbackOK {
				closed, feedbackAge = in.FeedbackClosed, in.FeedbackAge
				if closed {
					volume = 0
				}
			}

			var out Output
			was := s
			s, out = Step(cfg, s, in)
			switch out.Reason {
			case reading.Believed:
				believed++
				switch {
				case !seenFlow || since > 3*period:
					t.Fatalf("seed %d: believed without a flow: %+v after %+v", seed, in, was)
				case in.FeedbackConfigured && (closed || feedbackAge > 3*period):
					t.Fatalf("seed %d: believed with the valve closed or not confirmed: %+v after %+v", seed, in, was)
				case volume < 3*cfg.CellML-1e-6:
					t.Fatalf("seed %d: believed after %.1f mL: %+v after %+v", seed, volume, in, was)
				case in.FlowOK && (in.Flow < cfg.FlowLow || in.Flow > cfg.FlowHigh):
					t.Fatalf("seed %d: believed at %v mL/min", seed, in.Flow)
				case out.FlushedML+microlitre < out.OwedML:
					t.Fatalf("seed %d: believed at %v of %v mL", seed, out.FlushedML, out.OwedML)
				}
			case reading.Flushing:
				flushing++
			case reading.NoFlow, reading.ValveClosed, reading.NotConfirmed:
				stops++
			case reading.FlowOutside:
			default:
				t.Fatalf("seed %d: reason %v", seed, out.Reason)
			}
			if out.Valve == reading.ValveClosedState && out.Reason != reading.ValveClosed {
				t.Fatalf("seed %d: closed and %v", seed, out.Reason)
			}
			for _, v := range []float64{s.Owed, s.Flushed, s.Air, s.Rate} {
				if !(v >= 0 && v <= 1e6) {
					t.Fatalf("seed %d: %+v", seed, s)
				}
			}
			if s.Stop < 0 || s.Stop > longStop || s.Stood < 0 || s.Stood > stoodMax || s.Outside < 0 || s.Outside > outsideLong {
				t.Fatalf("seed %d: %+v", seed, s)
			}
		}
	}
	// The walks must have been somewhere: a witness that sees nothing proves nothing.
	t.Logf("line: %d steps: %d believed, %d flushing, %d stopped", walks*steps, believed, flushing, stops)
	if believed < 10000 || flushing < 10000 || stops < 10000 {
		t.Errorf("the walks saw %d believed, %d flushing, %d stopped; want at least 10000 of each", believed, flushing, stops)
	}
}

// A stop never shortens what is owed by its own length: whatever came before, the longer the stop the more is owed.
func TestALongerStopNeverOwesLess(t *testing.T) {
	for seed := range uint64(200) {
		chance := rand.New(rand.NewPCG(seed, 21))
		st := begin(t, usual())
		for range 4 {
			st.flow(200).run(time.Duration(chance.IntN(600)) * time.Second)
			st.flow(0).run(time.Duration(chance.IntN(5000)) * time.Second)
		}
		last := 0.0
		for range 100 {
			st.run(time.Minute)
			if st.out.OwedML < last {
				t.Fatalf("seed %d: owed %v, a minute before %v", seed, st.out.OwedML, last)
			}
			last = st.out.OwedML
		}
		if last != 1870 {
			t.Fatalf("seed %d: after 100 min owed %v", seed, last)
		}
	}
}
