package validate

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func TestAStatusIsJudgedByItsMaskedBitsOnly(t *testing.T) {
	s := site.Status{Configured: true, Mask: 0x000F, Good: 1, Hold: 2, HasHold: true}
	for word, want := range map[uint64]reading.Reason{
		0x0001: reading.Believed, 0xFFF1: reading.Believed, 0x0002: reading.SensorHold, 0x8002: reading.SensorHold,
		0x0000: reading.SensorFault, 0x0003: reading.SensorFault, 0x000F: reading.SensorFault,
	} {
		if got := Says(s, word); got != want {
			t.Errorf("%#x: %s, want %s", word, got, want)
		}
	}
	if got := Says(site.Status{Configured: true, Mask: 0x000F}, 0); got != reading.Believed {
		t.Errorf("without a hold value 0 is %s", got)
	}
	if got := Says(site.Status{Configured: true, Mask: 0x000F, Good: 4}, 0); got != reading.SensorFault {
		t.Errorf("without a hold value 0 is a fault where 4 is good, not %s", got)
	}
}

func TestAnAliveWordThatStandsIsFoundAfterTheLargerOfTenSecondsAndThreePeriods(t *testing.T) {
	for _, period := range []time.Duration{time.Second, 5 * time.Second} {
		limit := max(10*time.Second, 3*period)
		var a Alive
		if a.Still(at(time.Hour), period) {
			t.Error("what was never asked stands still")
		}
		a, changed := a.Step(7, reading.Answered, at(time.Second))
		if changed {
			t.Error("the first word is a change")
		}
		a, changed = a.Step(8, reading.Answered, at(2*time.Second))
		if !changed {
			t.Error("another word is none")
		}
		a, changed = a.Step(8, reading.Answered, at(4*time.Second))
		if changed || a.Still(at(2*time.Second+limit), period) {
			t.Errorf("period %v: at the limit", period)
		}
		a, _ = a.Step(0, reading.Timeout, at(5*time.Second)) // no answer is no change, whatever the word
		if !a.Still(at(2*time.Second+limit+1), period) {
			t.Errorf("period %v: past the limit", period)
		}
		a, changed = a.Step(0, reading.Answered, at(time.Minute)) // a counter that came round to nothing
		if !changed || a.Still(at(time.Minute+limit), period) {
			t.Errorf("period %v: it moves again", period)
		}
	}
}

func TestAnAliveWordThatCannotBeReadIsNotSeenToChange(t *testing.T) {
	var a Alive
	a, _ = a.Step(0, reading.IllegalAddress, at(0))
	if a.Still(at(10*time.Second), time.Second) || !a.Still(at(10*time.Second+1), time.Second) {
		t.Error("it was not counted from the first question")
	}
	// a device that was silent at first is not taken for one that stands still by its first word
	a, changed := a.Step(7, reading.Answered, at(time.Minute))
	if changed || a.Still(at(time.Minute+10*time.Second), time.Second) || !a.Still(at(time.Minute+10*time.Second+1), time.Second) {
		t.Error("it was not counted anew from the first word")
	}
}

// The order of own quality: the request's fault, then what the device says of itself, then the value.
func TestWhatTheDeviceSaysOfItselfComesBeforeTheValueAndBehindTheFault(t *testing.T) {
	for _, says := range []reading.Reason{reading.SensorFault, reading.SensorHold, reading.NotUpdating} {
		for _, raw := range []uint64{f32(8.5), 0xFFC00000, 0x7F800000, f32(2501)} { // a value, no value, not a number, outside the fault range
			_, out := Step(oxygen(), time.Second, State{}, Input{Raw: raw, Fault: reading.Answered, Device: says, At: at(time.Second)})
			if out.Reading != reading.Not(says, at(time.Second)) || out.Update {
				t.Errorf("%s, %#x: %+v", says, raw, out)
			}
		}
		if _, out := Step(oxygen(), time.Second, State{}, Input{Fault: reading.Timeout, Device: says}); out.Reading.Reason != reading.Silent {
			t.Errorf("%s of a silent device: %s", says, out.Reading.Reason)
		}
	}
	for _, says := range []reading.Reason{reading.Unknown, reading.Believed} {
		if _, out := Step(oxygen(), time.Second, State{}, Input{Raw: f32(8.5), Fault: reading.Answered, Device: says}); out.Reading.Reason != reading.Believed {
			t.Errorf("a device that says %s made %s", says, out.Reading.Reason)
		}
	}
}

func TestAnAliveWordThatMovedMakesAHeldWordAnUpdate(t *testing.T) {
	p := &site.Point{Decode: site.Decode{Type: site.Uint16, Scale: 1}}
	s, _ := Step(p, 10*time.Second, State{}, Input{Raw: 5, Fault: reading.Answered})
	if _, out := Step(p, 10*time.Second, s, Input{Raw: 5, Fault: reading.Answered, Elapsed: time.Second}); out.Update {
		t.Error("a held word is an update")
	}
	if _, out := Step(p, 10*time.Second, s, Input{Raw: 5, Fault: reading.Answered, Elapsed: time.Second, Moved: true}); !out.Update {
		t.Error("the device measured anew and it was no update")
	}
}
