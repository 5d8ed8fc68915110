package panel

import (
	"rillwatch/internal/panel/derive"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// derive computes the derived points, each after those it comes from. It is done in every step, because an input may have become stale
// without a read; a derived point is sampled only with the point it moves with, however many of its inputs were read.
func (pl *Panel) derive(in Input) {
	for i, pt := range pl.p.Points {
		p, m := &pl.s.Points[pt], &pl.mem[i]
		if !p.Derived() || p.Entered.Configured {
			continue
		}
		m.sampled, m.steps = false, 0
		if of := pl.moves[i]; of != site.None {
			if g := pl.at(of); g.Sampled {
				m.sampled, m.steps = true, g.Steps
				m.sample = reading.Sample{Slot: g.Sample.Slot, Fault: reading.NotAsked, At: g.Sample.At}
			}
		}
		inputs := make([]reading.Reading, 0, len(p.Derive.Inputs))
		for _, q := range p.Derive.Inputs {
			inputs = append(inputs, pl.at(q.Point).Shown)
		}
		pl.show(m, derive.Step(p, pl.s.Points, inputs, in.Now))
		m.own = m.shown
	}
}
