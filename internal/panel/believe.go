package panel

import (
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/line"
	"rillwatch/internal/panel/validate"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// habits is how a point moves, as this process has learned it, and what that says of its present reading. It doubts what is shown and
// judged by limits; the interlock takes own quality and sees nothing of it.
type habits struct {
	elapsed time.Duration // between the last two reads
	noise   validate.Noise
	still   validate.Still
	jump    validate.Jump
	frozen  bool
	jumped  bool
}

// Settling is the durable form of one oxygen point that still settles.
type Settling struct {
	Point string `json:"point"`
	line.Settle
}

// fresh tells whether fresh, cooled, flowing sample stands at the sensors as far as anybody can see.
func (pl *Panel) fresh() bool {
	d := pl.doubt()
	return d == reading.Believed || d == reading.FlowUnproven
}

// habitsStep learns how the points move and finds those that do not, or too fast. Noise and stillness are of flowing sample; a jump of the
// chemistry is of fresh sample, because what a flush brings is news and no jump.
func (pl *Panel) habitsStep(in Input) {
	flows := pl.stands == reading.Believed
	for i, pt := range pl.p.Points {
		if m := &pl.mem[i]; m.update && flows && pl.measured(pt) && m.own.Reason != reading.CheckInHand {
			m.noise = m.noise.Step(&pl.s.Points[pt], m.own.Value)
		}
	}
	all := uint64(0)
	for i := range pl.mem {
		all += pl.mem[i].noise.Moves()
	}
	for i, pt := range pl.p.Points {
		p, m := &pl.s.Points[pt], &pl.mem[i]
		if !m.sampled || !pl.measured(pt) {
			continue
		}
		own := pl.proof(pt).Own
		m.still, m.frozen = m.still.Step(p, validate.StillInput{Reading: own, Elapsed: m.elapsed, Flowing: flows, Others: all - m.noise.Moves()})
		m.jump, m.jumped = m.jump.Step(p, m.noise, own, m.elapsed, flows && (!p.Chemistry() || pl.fresh()))
	}
}

// measured tells whether a point is measured and not a bit.
func (pl *Panel) measured(pt int) bool {
	p := &pl.s.Points[pt]
	return !p.Derived() && p.Decode.Type != site.Bit
}

// of takes what the habits say into a reading.
func (h *habits) of(r reading.Reading) reading.Reading {
	if h.frozen {
		r = r.Demote(reading.Frozen)
	}
	if h.jumped {
		r = r.Demote(reading.Jumped)
	}
	return r
}

var microgram = unitNamed("ppb", quantity.DissolvedOxygen) // 1 ug/L is 1 ppb (site's conversion, at 1 kg/L)

// settleStep takes each oxygen point on after an opening to air or a sensor that was out.
func (pl *Panel) settleStep(elapsed time.Duration) {
	pl.state.Settling = nil
	for i, pt := range pl.p.Points {
		p, m := &pl.s.Points[pt], &pl.mem[i]
		if p.Quantity != quantity.DissolvedOxygen || p.Derived() {
			continue
		}
		own := pl.proof(pt).Own
		in := line.SettleInput{Elapsed: elapsed, Opened: pl.lineOut.Opened || pl.sensorOut(), Fresh: pl.fresh(), Sampled: m.sampled && own.HasValue()}
		if in.Sampled {
			in.Oxygen = pl.convert(own.Value, p, microgram)
		}
		var late bool
		if pl.settle[i], late = pl.settle[i].Step(in); late {
			v := pl.valueOf(p, own, p.Unit)
			pl.emit(event.Event{Kind: event.NotSettled, Priority: site.LowPriority, Point: p.Path, Value: &v, Trust: pl.trust()})
		}
		if pl.settle[i].Owed {
			pl.state.Settling = append(pl.state.Settling, Settling{p.Path, pl.settle[i]})
		}
	}
	pl.state.WasOut = false // line and oxygen have it
}

// restoreSettling takes up the oxygen points that had not settled.
func (pl *Panel) restoreSettling(old []Settling) {
	for _, o := range old {
		for i, pt := range pl.p.Points {
			if pl.s.Points[pt].Path == o.Point {
				pl.settle[i] = o.Settle
				pl.state.Settling = append(pl.state.Settling, o)
			}
		}
	}
}

// strain looks for a flow that falls slowly, in steps between which it was seen to flow.
func (pl *Panel) strain(li *line.Input) {
	if !li.FlowOK || li.FlowAtFloor {
		return
	}
	var falls bool
	pl.state.Strainer, falls = pl.state.Strainer.Step(li.Elapsed, li.Flow)
	if !falls {
		return
	}
	st, flow := &pl.state.Strainer, &pl.s.Points[pl.p.Line.Flow]
	v := pl.value(pl.p.Line.Flow, mLPerMin)
	v.Value = st.Last
	e := event.Event{Kind: event.FlowFalling, Priority: site.LowPriority, Point: flow.Path, Value: &v, Highest: st.Best, Trust: pl.trust()}
	pl.emit(e)
}
