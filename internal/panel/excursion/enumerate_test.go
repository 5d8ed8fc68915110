package excursion

import (
	"math"
	"testing"
	"time"

	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// A letter is one thing that may be read next. kind is what the test itself calls it.
type letter struct {
	kind  string // beyond, within, unknown, off
	r     reading.Reading
	steps uint64 // 0: a restart
	away  time.Duration
}

// What the books reach in every history of up to depth letters, driven by the judgement of the limit as in a panel. A state is
// counted by its shape: everything but the sums, the values and the instants. The floors are what was counted when this was
// written. Fewer means that something can no longer be reached.
const (
	depth            = 6
	statesFloor      = 45
	transitionsFloor = 442
)

func TestEveryHistoryKeepsTheBooksWhole(t *testing.T) {
	l := site.Limit{Side: site.High, Value: 7, Deadband: 1, OnDelay: slot, OffDelay: slot}
	letters := []letter{
		{kind: "beyond", r: is(8), steps: 1}, {kind: "beyond", r: over(20), steps: 3}, {kind: "beyond", r: is(9), steps: 4},
		{kind: "within", r: is(7), steps: 1}, {kind: "within", r: is(6), steps: 1}, {kind: "unknown", r: silent, steps: 1},
		{kind: "unknown", r: because(reading.NoFlow, 5), steps: 2}, {kind: "off", r: is(8), steps: 1},
		{kind: "beyond", r: is(8), away: 2 * slot}, {kind: "within", r: is(6)},
	}
	type shape struct {
		stage                                     alarm.Stage
		active, tentative, marked, lower, cut, no bool
		bound                                     reading.Bound
		held                                      Held
	}
	of := func(j alarm.Judge, s State) shape {
		return shape{j.Stage, s.Active, s.Tentative, s.Marked, s.Lower, s.Cut, s.Now.LengthUnknown, s.PeakBound, s.Held}
	}
	type move struct {
		from shape
		by   int
		to   shape
	}
	states, moves := map[shape]bool{{}: true}, map[move]bool{}
	done := map[Do]int{}
	histories, records := 0, 0

	var h [depth]int
	// passed is the time of the slots, and of the restarts whose length is known, since the start; atMark the same at the mark.
	var walk func(n int, j alarm.Judge, s State, last string, passed, atMark time.Duration)
	walk = func(n int, j alarm.Judge, s State, last string, passed, atMark time.Duration) {
		if n == depth {
			return
		}
		for i, a := range letters {
			h[n] = i
			steps := a.steps
			if n == 0 {
				steps = 0
			}
			online := a.kind != "off"
			j2, e := alarm.StepLimit(&l, 1, j, alarm.Judged{Reading: a.r, Steps: steps, Period: slot, OnLine: online, Away: a.away})
			in := Input{Do: bookkeeping[e], Reading: a.r, WallCertain: true, Steps: steps, Period: slot, OnLine: online,
				Restart: steps == 0, Away: a.away, AwayKnown: a.away > 0}
			in.Reading.At.Wall = reading.Wall(n + 1)
			s2, rec := Step(&l, 1, s, in)
			histories++
			done[in.Do]++
			fail := func(rule string) {
				t.Helper()
				t.Fatalf("%s: letters %v, %v: %+v, record %+v", rule, h[:n+1], e, s2, rec)
			}

			now, mark := passed+time.Duration(steps)*slot+a.away, atMark
			if e == alarm.Began || e == alarm.Opened && !s.Active {
				now = 0
			}
			if e == alarm.Clearing {
				mark = now
			}
			if s2.Active != (j2.Stage != alarm.Clear) || s2.Tentative != (j2.Stage == alarm.Pending) || s2.Marked != (j2.Stage == alarm.Closing) {
				fail("alarm and excursion share one start and one clear")
			}
			if !s2.Active && s2 != (State{}) {
				fail("no excursion, no state")
			}
			if (rec != nil) != (e == alarm.Closed) {
				fail("every closing leaves one record, and nothing else does")
			}
			b := s2.Now
			if s2.Active {
				if b.Beyond+b.Within+b.Unknown+b.Suspended != now {
					fail("the books hold the time that passed, once")
				}
				if s2.Marked && s2.AtEnd.Beyond+s2.AtEnd.Within+s2.AtEnd.Unknown+s2.AtEnd.Suspended != mark {
					fail("the marked books hold the time up to the mark")
				}
				if s2.Marked == s2.End.isZero() || s2.End.Wall > s2.Last.Wall || s2.PeakAt.Wall < s2.Start.Wall || s2.PeakAt.Wall > s2.Last.Wall {
					fail("start, peak, end and last stand in this order")
				}
				if s2.Peak <= l.Value || s2.Lower != (s2.PeakBound == reading.Above) {
					fail("the peak is beyond the limit, and above the ceiling when anything was")
				}
				if b.Integral < 0 || b.Gaps < 0 || math.IsNaN(b.Integral) || s2.Record().UpperKnown && s2.Record().IntegralUpper < b.Integral {
					fail("integrals are not negative, and the upper bound is above")
				}
			}
			if s.Active && s2.Active && e != alarm.Began {
				d := Books{Beyond: b.Beyond - s.Now.Beyond, Within: b.Within - s.Now.Within, Unknown: b.Unknown - s.Now.Unknown, Suspended: b.Suspended - s.Now.Suspended}
				dt := time.Duration(steps) * slot
				want := Books{}
				switch {
				case steps == 0:
					want.Unknown = a.away
				case last == "off":
					want.Suspended = dt
				case last == "unknown" || steps > 3:
					want.Unknown = dt
				case last == "beyond":
					want.Beyond = dt
				default:
					want.Within = dt
				}
				if d != want {
					fail("time belongs to the reading it starts with; unknown never counts as within")
				}
				if b.LengthUnknown != (s.Now.LengthUnknown || steps == 0 && a.away == 0) {
					fail("a restart nobody timed is told")
				}
				if a.kind == "off" && b.Integral != s.Now.Integral || steps == 0 && b.Integral != s.Now.Integral {
					fail("off line and a restart break the integral")
				}
			}
			if rec != nil {
				records++
				if rec.Beyond+rec.Within+rec.Unknown+rec.Suspended != mark || rec.End > in.Reading.At.Wall || rec.End <= rec.Start ||
					rec.Peak <= l.Value || rec.Integral <= 0 && rec.Unknown+rec.Suspended == 0 && !rec.LengthUnknown {
					fail("the record runs to the mark")
				}
				if rec.Beyond > 0 && (rec.Mean <= l.Value || rec.Mean > rec.Peak+1e-9) {
					fail("the mean while beyond lies beyond, and no further than the peak")
				}
			}

			from, to := of(j, s), of(j2, s2)
			states[to] = true
			moves[move{from, i, to}] = true
			walk(n+1, j2, s2, a.kind, now, mark)
		}
	}
	walk(0, alarm.Judge{}, State{}, "", 0, 0)

	t.Logf("figure: excursion: %d states, %d transitions visited in %d histories of up to %d readings, %d records", len(states), len(moves), histories, depth, records)
	if len(states) < statesFloor || len(moves) < transitionsFloor {
		t.Errorf("%d states, %d transitions; the floors are %d, %d", len(states), len(moves), statesFloor, transitionsFloor)
	}
	for d := range doCount {
		if done[d] == 0 {
			t.Errorf("%v was never done", d)
		}
	}
}

func (m Moment) isZero() bool { return m == Moment{} }

// What the books are told without a judgement behind it must not leave half an excursion.
func TestOrdersOutOfTurnLeaveNothing(t *testing.T) {
	in := func(d Do, r reading.Reading) Input {
		return Input{Do: d, Reading: r, Steps: 1, Period: slot, OnLine: true}
	}
	for d := range doCount {
		if d == Begin || d == Confirm {
			continue
		}
		if s, r := Step(&oxygen, 1, State{}, in(d, is(9))); s != (State{}) || r != nil {
			t.Errorf("%v without an excursion: %+v, %v", d, s, r)
		}
	}
	for _, d := range []Do{Begin, Confirm} {
		for _, r := range []reading.Reading{is(7), is(3), silent} {
			if s, _ := Step(&oxygen, 1, State{}, in(d, r)); s != (State{}) {
				t.Errorf("%v on %v %v: %+v", d, r.Value, r.Reason, s)
			}
		}
		off := in(d, is(9))
		off.OnLine = false
		if s, _ := Step(&oxygen, 1, State{}, off); s != (State{}) {
			t.Errorf("%v off line: %+v", d, s)
		}
	}
	s, _ := Step(&oxygen, 1, State{}, in(Begin, is(9)))
	if left, r := Step(&oxygen, 1, s, in(Finish, is(5))); left != (State{}) || r != nil {
		t.Errorf("finished without ever being open: %+v, %v", left, r)
	}
	if left, _ := Step(&oxygen, 1, s, in(Drop, is(5))); left != (State{}) {
		t.Errorf("dropped: %+v", left)
	}
}
