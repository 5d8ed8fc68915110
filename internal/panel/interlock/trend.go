package interlock

import (
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// A rise is measured over a minute: shorter ones are the sensor's noise, and a cooler that is dying shows within it.
	riseOver = time.Minute
	// Marks are made this far apart, so that ten of them reach past the minute; an older comparison than riseMost says nothing of now.
	markEvery = 10 * time.Second
	marksMax  = 10
	riseMost  = 2 * time.Minute
	// The distance from the cooling water is told when it has stood for a minute: a slug of warm water is not a fouled cooler. Judgement.
	farAfter = time.Minute
)

// trend is how the sample moves, as long as the line is fresh: before that the water is that of the line and not of the cooler. While the
// line is not fresh what was told stands, for nothing shows that it is over.
type trend struct {
	Rising bool  `json:"rising,omitempty"`
	Far    bool  `json:"far,omitempty"`
	Apart  spell `json:"apart,omitzero"` // further from the cooling water than it should be

	// A new process begins to measure anew.
	marks [marksMax]mark
	steep bool // the last update that was compared
	rate  float64
	known bool
}

// IsZero tells whether there is nothing to keep: what is measured anew by a new process is nothing.
func (t trend) IsZero() bool { return !t.Rising && !t.Far && t.Apart == (spell{}) }

// mark is a temperature seen so long ago. The zero mark is none.
type mark struct {
	set   bool
	value float64
	ago   time.Duration
}

func (t trend) step(cfg *site.Interlock, hot bool, in Input, s Sense) trend {
	t = t.rise(cfg, hot, in, s)
	if !cfg.HasCooling {
		t.Far, t.Apart = false, spell{}
		return t
	}
	if !in.LineFresh || !in.CoolingKnown || !s.HasValue || s.Bound == reading.Below {
		t.Apart = t.Apart.next(undecided, in.Elapsed, farAfter)
		return t
	}
	distance := s.Value - in.Cooling
	switch {
	case steps(distance, s.Resolution) > steps(cfg.ApproachAbove, s.Resolution):
		t.Apart = t.Apart.next(yes, in.Elapsed, farAfter)
		t.Far = t.Far || t.Apart.For >= farAfter
	case s.Bound == reading.Above:
		t.Apart = t.Apart.next(undecided, in.Elapsed, farAfter)
	default:
		t.Apart = spell{}
		if steps(distance, s.Resolution) <= steps(cfg.ApproachAbove-deadband(in.Unit), s.Resolution) {
			t.Far = false
		}
	}
	return t
}

// rise compares an update with the youngest mark that is a minute old.
func (t trend) rise(cfg *site.Interlock, hot bool, in Input, s Sense) trend {
	if cfg.RisePerMin <= 0 {
		return trend{Far: t.Far, Apart: t.Apart}
	}
	if !in.LineFresh {
		t.marks, t.steep, t.rate, t.known = [marksMax]mark{}, false, 0, false
		return t
	}
	last := 0 // the youngest mark stands first
	for i := range t.marks {
		if !t.marks[i].set {
			break
		}
		if t.marks[i].ago += in.Elapsed; t.marks[i].ago > riseMost {
			t.marks[i] = mark{}
			break
		}
		last = i + 1
	}
	for i := last; i < marksMax; i++ {
		t.marks[i] = mark{}
	}
	if !s.Update || s.Bound != reading.Exact {
		return t
	}
	for _, m := range t.marks {
		if !m.set || m.ago < riseOver {
			continue
		}
		minutes := m.ago.Minutes()
		t.rate, t.known = (s.Value-m.value)/minutes, true
		moved := steps(s.Value, s.Resolution) - steps(m.value, s.Resolution)
		switch allowed := steps(cfg.RisePerMin*minutes, s.Resolution); {
		case moved > allowed:
			t.Rising = t.Rising || t.steep && !hot // a hot sample is told as that, and a rise on two updates in a row: one alone may be a spike
			t.steep = true
		case moved <= allowed/2: // half of it, so that a steady rise at the limit is one message
			t.Rising, t.steep = false, false
		default:
			t.steep = false
		}
		break
	}
	if !t.marks[0].set || t.marks[0].ago >= markEvery {
		copy(t.marks[1:], t.marks[:marksMax-1])
		t.marks[0] = mark{true, s.Value, 0}
	}
	return t
}
