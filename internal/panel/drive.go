package panel

import (
	"slices"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/interlock"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// beforeFirstOut is how much of the readings before a close condition belongs to its record: a cooler that dies shows within minutes.
const beforeFirstOut = 10 * time.Minute

// interlockStep takes the watch one step on. It sees own quality only.
func (pl *Panel) interlockStep(in Input, elapsed time.Duration) {
	pl.watch = interlock.Output{}
	k := &pl.p.Interlock
	if !k.Configured {
		pl.watch.Demote = reading.Believed
		return
	}
	ii := interlock.Input{Elapsed: elapsed, Now: in.Now, Valve: pl.lineOut.Valve, ValveFrom: pl.lineOut.ValveFrom,
		LineFresh: pl.lineOut.Reason == reading.Believed || pl.lineOut.Reason == reading.FlowUnproven,
		FlowLow:   pl.p.Line.FlowLow}
	t := &pl.s.Points[k.Temperature]
	ii.Unit = t.Unit
	g := pl.proof(k.Temperature)
	ii.TempHasValue, ii.Temp, ii.TempBound, ii.TempAt = g.Own.HasValue(), g.Own.Value, g.Own.Bound, g.Own.At
	ii.TempUpdate, ii.TempGood = g.Update && g.Own.HasValue(), g.Sampled && g.Own.HasValue()
	ii.TempListening = g.Sample.Fault == reading.Listening
	if g.Own.HasValue() {
		pl.lastTemp = g.Own
	}
	if pl.heldOff() {
		ii.TempGood = !pl.state.Interlock.Lost
	}
	if k.ValveClosed != site.None {
		g := pl.at(k.ValveClosed)
		r := g.Own
		ii.FeedbackConfigured, ii.FeedbackOK, ii.FeedbackListening = true, r.HasValue(), g.Sample.Fault == reading.Listening
		ii.FeedbackSilent = r.Reason == reading.Silent || r.Reason == reading.Stale || r.Reason == reading.Unknown
	}
	if f := pl.p.Line.Flow; pl.p.Line.Configured && f != site.None {
		r := pl.proof(f).Own
		ii.FlowKnown, ii.Flow = r.HasValue(), pl.millilitres(r)
		if r.Bound == reading.Below {
			ii.Flow = 0 // at its floor the sample has stopped
		}
	}
	pl.beside(&ii, in)
	pl.state.Interlock, pl.watch = interlock.Step(k, t.Resolution, pl.state.Interlock, ii)
	pl.keepFirstOut()
}

// beside fills in what the interlock looks at beside its first temperature.
func (pl *Panel) beside(ii *interlock.Input, in Input) {
	k := &pl.p.Interlock
	if k.HasSecond {
		g := pl.proof(k.Second)
		ii.Second = interlock.Sense{Update: g.Update && g.Own.HasValue(), HasValue: g.Own.HasValue(), Good: g.Sampled && g.Own.HasValue(), Listening: g.Sample.Fault == reading.Listening, Value: g.Own.Value,
			Bound: g.Own.Bound, At: g.Own.At, Resolution: pl.s.Points[k.Second].Resolution}
		if g.Own.HasValue() {
			pl.lastToo = g.Own
		}
	}
	if k.HasCooling {
		r := pl.proof(k.Cooling).Own
		ii.CoolingKnown, ii.Cooling = r.HasValue() && r.Bound == reading.Exact, r.Value
	}
	if k.ValveClosed != site.None && in.Rounded {
		sensor := pl.s.Points[k.ValveClosed].Sensor
		ii.RoundDone = sensor != site.None && pl.s.Sensors[sensor].Bus == in.Bus
	}
	if in.Result != nil {
		ii.HasResult, ii.Result = true, *in.Result
	}
}

// order gives the order as soon as the closing is asked for, and again every second while it is.
func (pl *Panel) order(in Input) {
	if pl.watch.Ask && (!pl.asking || in.Tick) {
		pl.giveOrder()
	}
	pl.asking = pl.watch.Ask
}

func (pl *Panel) giveOrder() {
	for i := range pl.s.Panels {
		if pl.s.Panels[i].Name == pl.name {
			pl.out.Orders = append(pl.out.Orders, pl.p.Interlock.Drive.Order(i))
		}
	}
}

// longUnasked is how long nobody may have asked for a valve to be closed before its being asked for again is told at a start: a machine that
// starts again takes minutes, and a logbook that was put away and is put back longer.
const longUnasked = 10 * time.Minute

// takeUpHolding goes on with what the process before was asking for. The order leaves before anything is read: what was held is held. Whoever
// does not expect it is told: after a start without the drive or without the panel, and after a long absence.
func (pl *Panel) takeUpHolding() {
	var up interlock.TakenUp
	pl.state.Interlock, up = interlock.Restart(&pl.p.Interlock, pl.state.Interlock)
	pl.watch.Holding = interlock.Standing(&pl.p.Interlock, pl.state.Interlock)
	switch {
	case up.Ended.On && pl.drives():
		pl.tellOverrideEnded(up.Ended, "restart")
	case up.Ended.On: // whoever was told of it is told of its end
		pl.tellOverrideEnded(up.Ended, "drive removed")
	}
	switch {
	case up.Dropped:
		pl.emit(event.Event{Kind: event.RequestDropped, Priority: site.HighPriority, Cause: "drive removed", Trust: event.Trust{HeldCause: pl.state.Interlock.Hold.Cause.String()}})
	case up.Again:
		pl.tellAskedAgain("drive back")
	case pl.watch.Ask && (!pl.boot.AwayKnown || pl.boot.Away > longUnasked):
		pl.tellAskedAgain("absence")
	}
	if pl.watch.Ask {
		pl.giveOrder()
	}
}

// keepFirstOut keeps what was seen when a close condition was met first.
func (pl *Panel) keepFirstOut() {
	cause := pl.watch.FirstOut
	switch {
	case pl.watch.Began && pl.watch.Hot && !pl.watch.NewCause && !pl.watch.Met && pl.state.FirstOut != nil:
		return // it stood before it was asked for: what came first stays first
	case pl.watch.Began:
		cause = pl.watch.Cause
	case !pl.watch.NewCause:
		return
	}
	which, _ := pl.speaks(event.SampleHot)
	pt := &pl.s.Points[which]
	v := pl.valueOf(pt, pl.at(which).Own, pt.Unit)
	f := &event.FirstOut{Cause: cause.String(), At: pl.now, Value: &v, Valve: pl.lineOut.Valve.String(), Boot: pl.bootName, From: max(0, pl.now.Up-beforeFirstOut), To: pl.now.Up}
	if t := pl.trust(); t.FlowKnown {
		f.FlowKnown, f.Flow = true, t.Flow
	}
	pl.state.FirstOut = f
}

// speaks is the temperature an event of the interlock is about: the hotter of two, or the one that is lost; with the last of it that had
// a value.
func (pl *Panel) speaks(k event.Kind) (point int, last reading.Reading) {
	lock := &pl.p.Interlock
	if !lock.HasSecond {
		return lock.Temperature, pl.lastTemp
	}
	first, second := pl.at(lock.Temperature).Own, pl.at(lock.Second).Own
	too := second.HasValue() && (!first.HasValue() || second.Value > first.Value)
	if k == event.OneTemperatureLost {
		too = pl.watch.SecondIsLost
	}
	if too {
		return lock.Second, pl.lastToo
	}
	return lock.Temperature, pl.lastTemp
}

// driveFacts puts into an event of the interlock what only some of them have.
func (pl *Panel) driveFacts(e *event.Event) {
	switch e.Kind {
	case event.SampleHot, event.TemperatureLost, event.HeldClosed, event.FoundClosed, event.AskedAgain:
		e.FirstOut = pl.state.FirstOut
	case event.CannotClose:
		e.Cause = pl.watch.Trouble
	case event.SampleRising, event.SampleRisingOver:
		pl.distanceFacts(e, "rise_per_min", pl.p.Interlock.RisePerMin)
		e.Rate = pl.watch.RatePerMin * pl.step(&pl.s.Points[pl.p.Interlock.Temperature], unitNamed(e.Value.Unit, quantity.Temperature))
	case event.CoolerApproach, event.CoolerApproachOver:
		pl.distanceFacts(e, "approach_above", pl.p.Interlock.ApproachAbove)
		pt := &pl.s.Points[pl.p.Interlock.Cooling]
		v := pl.valueOf(pt, pl.at(pl.p.Interlock.Cooling).Own, unitNamed(e.Value.Unit, quantity.Temperature))
		e.Beside = &v
	}
}

// distanceFacts gives an event a limit on how far a temperature moves or stands apart, in the unit of the event's value. Both are of the
// first temperature.
func (pl *Panel) distanceFacts(e *event.Event, name string, distance float64) {
	pt := &pl.s.Points[pl.p.Interlock.Temperature]
	u := unitNamed(e.Value.Unit, quantity.Temperature)
	v := pl.valueOf(pt, pl.at(pl.p.Interlock.Temperature).Own, u)
	e.Point, e.Value = pt.Path, &v
	e.Limit = &event.LimitValue{Name: name, Side: site.High.String(), Value: distance, Written: distance * pl.step(pt, u), Unit: u.Name(), Source: site.Source{Document: "site setting"}}
}

// tellHolding tells what began and ended of the request in this step.
func (pl *Panel) tellHolding() {
	if o := pl.watch.Ended; o.On {
		pl.tellOverrideEnded(o, "time")
	}
	if !pl.watch.Began {
		return
	}
	e := event.Event{Kind: event.HeldClosed, Priority: site.HighPriority, Cause: pl.watch.Cause.String(), Trust: pl.trust()}
	switch {
	case pl.watch.Cause == interlock.FoundClosed:
		e.Kind = event.FoundClosed
	case !slices.ContainsFunc(pl.out.Events, func(e event.Event) bool {
		return e.Quiet == "" && (e.Kind == event.SampleHot || e.Kind == event.TemperatureLost)
	}):
		pl.tellAskedAgain(e.Cause) // its alarm stood already, so nothing else tells that the valve is asked to close
	}
	pl.ruleFacts(&e)
	pl.emit(e)
}

// tellAskedAgain tells that the closing is asked for and no alarm that rises tells it. cause is why: that of the holding, or of a start.
func (pl *Panel) tellAskedAgain(cause string) {
	e := event.Event{Kind: event.AskedAgain, Priority: site.HighPriority, Cause: cause, Trust: pl.trust()}
	pl.ruleFacts(&e)
	pl.emit(e)
}

func (pl *Panel) tellOverrideEnded(o interlock.Override, cause string) {
	e := event.Event{Kind: event.OverrideEnded, Priority: site.HighPriority, Cause: cause, Who: o.By, Why: o.Why}
	if pl.p.Interlock.Configured {
		e.Trust = pl.trust()
		pl.ruleFacts(&e)
	}
	pl.emit(e)
}

// nameOverride puts what a person has silenced, and a standing override, into an event: whoever reads of this panel must know that nothing is asked for.
func (pl *Panel) nameOverride(e *event.Event) {
	e.Trust.Silences = pl.silences()
	o := &pl.watch.Override
	if !o.On {
		return
	}
	t := &e.Trust
	t.OverrideBy, t.OverrideWhy, t.OverrideUntil, t.OverrideLeft = o.By, o.Why, o.Until, o.Left
}

// Overridden names the panel's standing override in an event about the panel that is made elsewhere.
func (pl *Panel) Overridden(e *event.Event) { pl.nameOverride(e) }

// Rearm withdraws the close request of the panel. It returns the name of the refusal, or "".
func (pl *Panel) Rearm(in Input, who, why string) (Output, string) {
	return pl.command(in, event.Event{Kind: event.Rearmed, Priority: site.HighPriority, Who: who, Why: why}, func(s interlock.State) (interlock.State, interlock.Refusal) {
		return interlock.Rearm(&pl.p.Interlock, s, pl.checkInHand())
	})
}

// Override suspends the close request of the panel for a time; 0 is the usual one.
func (pl *Panel) Override(in Input, long time.Duration, who, why string) (Output, string) {
	return pl.command(in, event.Event{Kind: event.OverrideStarted, Priority: site.HighPriority, Who: who, Why: why}, func(s interlock.State) (interlock.State, interlock.Refusal) {
		k := &pl.p.Interlock
		known := pl.proof(k.Temperature).Own.HasValue() || k.HasSecond && pl.proof(k.Second).Own.HasValue()
		now := in.Now.Wall
		if !in.Certain {
			now = 0 // a clock that is set later would end it
		}
		return interlock.Suspend(k, s, now, in.Now.Up-pl.lastUp, long, who, why, known)
	})
}

// ByHand records a person's word that the sample valve was closed by hand.
func (pl *Panel) ByHand(in Input, who, why string) (Output, string) {
	return pl.command(in, event.Event{Kind: event.ValveByHand, Priority: site.LowPriority, Who: who, Why: why, Cause: interlock.ByHand}, interlock.SayByHand)
}

// command lets a person's word change the interlock, and tells it.
func (pl *Panel) command(in Input, e event.Event, change func(interlock.State) (interlock.State, interlock.Refusal)) (Output, string) {
	pl.begin(in)
	if !pl.p.Interlock.Configured {
		return pl.out, string(interlock.NotDriving)
	}
	next, refused := change(pl.state.Interlock)
	if refused != interlock.Obeyed {
		return pl.out, string(refused)
	}
	pl.state.Interlock = next
	if e.Kind == event.ValveByHand {
		pl.watch.ValveBy = interlock.ByHand
	}
	pl.watch.Holding = interlock.Standing(&pl.p.Interlock, next)
	pl.asking = pl.watch.Ask
	e.Trust = pl.trust()
	pl.ruleFacts(&e)
	pl.emit(e)
	return pl.out, ""
}

// checkInHand tells whether a person has a sensor of the panel out for a check, whatever its readings say: out of its plug it says nothing.
func (pl *Panel) checkInHand() bool { return len(pl.state.Checks) > 0 }

// Holding is the request as readers see it.
type Holding = interlock.Holding
