package validate

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// read is one letter of a history, a minute after the one before.
type read struct {
	what    byte // a, b: two values; n: no value; f: at the floor; s: value a in standing water
	sibling bool // a sibling moved in the minute before
}

// frozenByHistory says from the whole history, and in another way than Still does, whether its last read is frozen: it looks for where the present
// stillness began, counts its minutes of flowing sample, and the longest one before it.
func frozenByHistory(h []read, after int) bool {
	if last := h[len(h)-1].what; last != 'a' && last != 'b' {
		return false
	}
	begins := []int{} // where a stillness began, each ended by the next or by a floor
	ends := map[int]bool{}
	value := byte(0)
	for i, r := range h {
		switch r.what {
		case 'f':
			if len(begins) > 0 {
				ends[len(begins)-1] = true // by the end of the range: that is no habit
			}
			value = 0
		case 'a', 'b':
			if r.what != value {
				begins, value = append(begins, i), r.what
			}
		}
	}
	minutes := func(from, to int) (n int) {
		for _, r := range h[from+1 : to] {
			if r.what == 'a' || r.what == 'b' {
				n++
			}
		}
		return n
	}
	usual := 0
	for k := range len(begins) - 1 {
		if n := minutes(begins[k], begins[k+1]); !ends[k] && n < after {
			usual = max(usual, n)
		}
	}
	from := begins[len(begins)-1]
	moved := false
	for _, r := range h[from+1:] {
		moved = moved || r.sibling
	}
	return moved && minutes(from, len(h)) >= max(after, timesUsual*usual)
}

// TestFrozenIsWhatTheWholeHistorySays walks every history of up to six reads.
func TestFrozenIsWhatTheWholeHistorySays(t *testing.T) {
	p := &site.Point{Resolution: 1, FrozenAfter: 2 * time.Minute}
	values := map[byte]reading.Reading{'a': exact(12), 'b': exact(13), 's': exact(12), 'n': reading.Not(reading.Silent, reading.Stamp{}),
		'f': reading.Of(0, reading.Below, reading.BelowDetection, reading.Stamp{})}
	histories, frozen := 0, 0
	states := map[Still]bool{}
	var walk func(h []read, s Still, others uint64)
	walk = func(h []read, s Still, others uint64) {
		if len(h) == 6 {
			return
		}
		for _, what := range []byte("abnfs") {
			for _, sibling := range []bool{false, true} {
				now := others
				if sibling {
					now++
				}
				next, got := s.Step(p, StillInput{Reading: values[what], Elapsed: time.Minute, Flowing: what != 's', Others: now})
				one := append(h[:len(h):len(h)], read{what, sibling})
				histories++
				if got {
					frozen++
				}
				if got && what != 'a' && what != 'b' {
					t.Fatalf("%v: what cannot stand still is frozen", one)
				}
				if want := frozenByHistory(one, 2); want != got {
					t.Fatalf("%s: frozen %t, the history says %t", show(one), got, want)
				}
				states[next] = true
				walk(one, next, now)
			}
		}
	}
	walk(nil, Still{}, 0)
	if frozen < 1000 {
		t.Errorf("only %d of %d histories end frozen", frozen, histories)
	}
	t.Logf("figure: histories of a value that may stand still: %d, frozen at their end %d, states %d", histories, frozen, len(states))
}

func show(h []read) string {
	s := ""
	for _, r := range h {
		s += string(r.what)
		if r.sibling {
			s += "+"
		}
	}
	return s
}
