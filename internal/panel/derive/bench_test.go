package derive

import "testing"

// BenchmarkDerive is the cost of one derived point of each kind in one step.
func BenchmarkDerive(b *testing.B) {
	for _, w := range walked {
		k := w.by.Kind()
		b.Run(k.Name+" "+w.choice, func(b *testing.B) {
			t := &testing.T{}
			p, points := made(t, w.by, w.choice, len(w.v))
			inputs := inputsOf(k, w.v)
			for b.Loop() {
				Step(p, points, inputs, at(1))
			}
		})
	}
}
