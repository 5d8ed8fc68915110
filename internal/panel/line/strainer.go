package line

import "time"

const (
	// strainerOver is how long flow must have been seen for one mean: longer than the ups and downs of a feed pump.
	strainerOver = time.Hour
	// A mean that differs from the one before by more than this was set by somebody. Judgement: a strainer plugs over days.
	strainerSet = 0.2
	// A mean below this share of the highest since then is told, and told again only after it was back at the second. Judgement: half
	// of the lag more, and far above where the flow range usually ends.
	strainerTold = 0.7
	strainerBack = 0.9
)

// Strainer watches for a flow that falls slowly, as when a strainer or the needle valve plugs. The zero Strainer has seen nothing. What is kept
// on disk changes once in an hour of flow.
type Strainer struct {
	Best float64 `json:"best,omitempty"` // mL/min: the highest mean since somebody last set the flow
	Last float64 `json:"last,omitempty"` // the mean before
	Told bool    `json:"told,omitempty"`

	Volume float64       `json:"-"` // of the hour under way
	Time   time.Duration `json:"-"` // of flow seen in it
}

// IsZero tells whether there is nothing to keep on disk.
func (s Strainer) IsZero() bool { return s.Best == 0 && s.Last == 0 && !s.Told }

// Step takes an elapsed time at a flow in mL/min on. Time without flow is no part of a mean. falls tells once that the mean has come down.
func (s Strainer) Step(elapsed time.Duration, flow float64) (_ Strainer, falls bool) {
	if !(flow > 0) || elapsed <= 0 {
		return s, false
	}
	s.Volume += flow * elapsed.Minutes()
	if s.Time += elapsed; s.Time < strainerOver {
		return s, false
	}
	mean := s.Volume / s.Time.Minutes()
	s.Volume, s.Time = 0, 0
	switch {
	case mean > s.Last*(1+strainerSet), mean < s.Last*(1-strainerSet):
		s.Best, s.Told = mean, false // also the first mean of all
	default:
		s.Best = max(s.Best, mean)
	}
	s.Last = mean
	switch {
	case mean >= strainerBack*s.Best:
		s.Told = false
	case !s.Told && mean < strainerTold*s.Best:
		s.Told, falls = true, true
	}
	return s, falls
}
