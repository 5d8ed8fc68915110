package alarm

import (
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
	"rillwatch/internal/stats"
)

// rateParts is how many parts a window is cut into; the slope is taken over their means. Each mean takes out the noise of its readings, and the
// 190 slopes between twenty of them are sorted once a part, which costs nothing.
const rateParts = site.RateParts

// ratePairs is the least share of the slopes between parts that must be there. A window with one gap has at least half of them less
// the broken part; one that two gaps cut in three has a third, and what is left is too short to say how fast a value moves. Judgement.
const ratePairs = 0.4

// part is the mean of the counting readings of one twentieth of a window.
type part struct {
	at   uint64 // which one, counted from the start of the window's first
	run  int
	n    float64
	v, t float64 // sums; t in hours since the first reading
}

// Rate is what is kept of one limit of how fast a value moves. It is not durable: a process that starts has seen nothing move. The zero Rate has
// seen nothing.
type Rate struct {
	began   bool
	now     time.Duration // seen time since it began
	last    time.Duration // of the last reading that counted
	run     int           // readings without a gap between them
	open    part
	parts   [rateParts]part // those that are over, by at modulo rateParts
	known   bool
	perHour float64 // upwards, in the point's unit
}

// StepRate takes one reading into the window of a limit and gives a reading of how fast the value moves in the limit's direction, in the
// point's unit an hour; it counts while the reading counts and the window is full enough.
//
// The slope is the median of the slopes between the means of the parts of the window (Theil and Sen): one bad part, a bubble or a
// jump that comes back, makes no rate, which with least squares or the difference of two ends it does. No slope is taken across a gap of more than
// SlotsBridged slots or across a reading at the end of the sensor's range, so that neither what nobody saw nor a sensor that came back ever makes a rate.
// Off line and at a new process the window starts anew.
func StepRate(l *site.Limit, s Rate, in Judged) (Rate, reading.Reading) {
	none := reading.Not(in.Reading.Reason, in.Reading.At)
	if in.Reading.Counts() { // it is believed, and says nothing of how fast it moves
		none.Reason = reading.Unknown
	}
	if !in.OnLine || in.Steps == 0 {
		s = Rate{}
	}
	if !in.OnLine {
		return s, none
	}
	if s.began {
		s.now += span(in.Steps, in.Period)
		s = s.turn(l)
	}
	if !in.Reading.Counts() || in.Reading.Bound != reading.Exact {
		if in.Reading.HasValue() && in.Reading.Counts() { // at the end of the range: what follows begins anew, however soon
			s.run++
		}
		return s, none
	}
	if !s.began {
		s.began = true
	} else if s.now-s.last > SlotsBridged*in.Period {
		s.run++
	}
	if s.open.n > 0 && s.open.run != s.run {
		s.open = part{at: s.open.at} // a part holds readings of one run only
	}
	s.last = s.now
	s.open.run, s.open.n = s.run, s.open.n+1
	s.open.v, s.open.t = s.open.v+in.Reading.Value, s.open.t+s.now.Hours()
	if !s.known {
		return s, none
	}
	speed := s.perHour
	if l.Of == site.Falls {
		speed = -speed
	}
	r := in.Reading
	r.Value, r.Bound = speed, reading.Exact
	return s, r
}

// turn closes the part that is over and takes the slope anew.
func (s Rate) turn(l *site.Limit) Rate {
	length := l.Window / rateParts
	if length <= 0 {
		return s
	}
	at := uint64(s.now / length)
	if at == s.open.at {
		return s
	}
	s.parts[s.open.at%rateParts] = s.open
	s.open = part{at: at}
	x, y, run := make([]float64, 0, rateParts), make([]float64, 0, rateParts), make([]int, 0, rateParts)
	for k := uint64(rateParts); k > 0; k-- { // the parts of the window that ends here, oldest first
		if at < k {
			continue
		}
		if p := s.parts[(at-k)%rateParts]; p.at == at-k && p.n > 0 {
			x, y, run = append(x, p.t/p.n), append(y, p.v/p.n), append(run, p.run)
		}
	}
	s.known = false
	if len(x) < 2 {
		return s
	}
	slope, pairs, err := stats.MedianSlope(x, y, run)
	if err == nil && float64(pairs) >= ratePairs*rateParts*(rateParts-1)/2 {
		s.known, s.perHour = true, slope
	}
	return s
}
