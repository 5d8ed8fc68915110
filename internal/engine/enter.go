package engine

import (
	"fmt"
	"math"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Refusals of a value that a person enters.
const (
	NoSuchPoint      Refusal = "no_such_point" // or one that is not entered by hand
	UnitNotTaken     Refusal = "unit_not_taken"
	BasisNotTaken    Refusal = "basis_not_taken"
	ValueNotPossible Refusal = "value_not_possible"
	TimeNotTaken     Refusal = "time_not_taken" // in the future, older than the point allows, or by a clock that nobody trusts
)

// aheadMost is how far ahead a time may lie that another clock than ours has given, written to the minute: such a value was taken just now.
// Judgement.
const aheadMost = time.Minute

// enter takes a value that a person gives. Everything it must be is checked here, so that a panel only keeps it.
func (e *Engine) enter(in Command, do EnterValue, o *Outcome) Reply {
	no := func(why Refusal, words string) Reply { return Reply{in.ID, why, words} }
	point := site.None
	for i := range e.s.Points {
		if e.s.Points[i].Path == do.Point {
			point = i
		}
	}
	if point == site.None {
		return no(NoSuchPoint, "there is no point named "+do.Point)
	}
	p := &e.s.Points[point]
	if !p.Entered.Configured {
		return no(NoSuchPoint, do.Point+" is not entered by hand: it is measured or computed")
	}
	unit, err := quantity.ParseUnit(do.Unit, p.Quantity)
	if err != nil {
		return no(UnitNotTaken, "say the unit with the value: "+err.Error())
	}
	if do.Basis != p.Entered.Basis {
		if p.Entered.Basis == "" {
			return no(BasisNotTaken, do.Point+" has no basis; leave it out")
		}
		return no(BasisNotTaken, "say the basis: the values of "+do.Point+" are as "+p.Entered.Basis+", and SO3 and Na2SO3 differ by 57 %")
	}
	value, _, err := quantity.Convert(do.Value, unit, p.Unit)
	if err != nil || math.IsNaN(value) || p.Fault.HasLow && value < p.Fault.Low || p.Fault.HasHigh && value > p.Fault.High {
		return no(ValueNotPossible, fmt.Sprintf("%v %s cannot be a value of %s; check number and unit", do.Value, unit.Name(), do.Point))
	}
	taken, age := in.At.Wall, time.Duration(0)
	if do.Taken != 0 {
		if !e.certain {
			return no(TimeNotTaken, "the clock of this machine is not to be trusted, so nobody can say how old the value is; enter one that was taken just now, without its time")
		}
		// The one age that two wall clocks must give: no other clock knows when a person dipped a bottle.
		if ahead := time.Duration(do.Taken - in.At.Wall); ahead > aheadMost {
			return no(TimeNotTaken, fmt.Sprintf("the time it was taken, %s, lies %s ahead of this machine's clock", do.Taken.Time().Format(time.RFC3339), ahead.Round(time.Second)))
		}
		if do.Taken < in.At.Wall-reading.Wall(p.Entered.MaxAge) {
			return no(TimeNotTaken, fmt.Sprintf("it is older than %s, the age at which a value of %s is stale", p.Entered.MaxAge, do.Point))
		}
		taken = min(do.Taken, in.At.Wall)
		age = time.Duration(in.At.Wall - taken)
	}
	for j := range e.judges {
		if e.judges[j].index != p.Panel || p.Panel == site.None {
			continue
		}
		if !e.judges[j].panel.Started() {
			return no(NotBooted, "the daemon is still starting")
		}
		e.merge(e.judges[j].panel.Enter(e.input(in.At, nil), point, value, taken, age, in.Who, in.Why), o)
		return Reply{in.ID, NotRefused, fmt.Sprintf("entered %s: %s %s, stale after %s", do.Point, Decimal(value, p.Resolution), p.Unit.Name(), p.Entered.MaxAge)}
	}
	return no(NoSuchPoint, "there is no panel of "+do.Point)
}
