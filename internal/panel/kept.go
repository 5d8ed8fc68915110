package panel

import (
	"rillwatch/internal/event"
	"rillwatch/internal/panel/excursion"
	"rillwatch/internal/reading"
)

// Kept is what makes the books of a limit in alarm a record in the unit the limit was written in, on the day its definition is gone.
type Kept struct {
	Point    string           `json:"point"`
	Unit     string           `json:"unit"` // as written
	Decimals int              `json:"decimals"`
	Factor   float64          `json:"factor"` // one of the point's units in that unit ...
	Offset   float64          `json:"offset,omitempty"`
	Limit    event.LimitValue `json:"limit"`
}

func (pl *Panel) keep(i int) *Kept {
	l := &pl.inForce[i]
	pt := &pl.s.Points[l.Point]
	return &Kept{Point: pt.Path, Unit: l.UnitName(), Decimals: pl.limitDecimals(l), Factor: pl.integralIn(1, l), Offset: pl.inLimit(0, l), Limit: *pl.limitValue(l)}
}

// recordOf puts the books of an alarm into the unit its limit was written in.
func recordOf(a *Alarm, k *Kept, r excursion.Record) event.Excursion {
	at := func(w reading.Wall) reading.Stamp { return reading.Stamp{Wall: w} }
	x := event.Excursion{
		ID: a.X, Alarm: a.Name, Point: k.Point, Unit: k.Unit, Decimals: k.Decimals, Limit: k.Limit, Before: a.Before,
		Start: at(r.Start), StartUnsure: !r.StartCertain, End: at(r.End), EndUnsure: r.End != 0 && !r.EndCertain,
		Peak: r.Peak*k.Factor + k.Offset, PeakBound: r.PeakBound.String(), PeakAt: at(r.PeakAt),
		Beyond: r.Beyond, Within: r.Within, UnknownTime: r.Unknown, Suspended: r.Suspended, LengthUnknown: r.LengthUnknown,
		Valid: r.Valid, ValidKnown: r.ValidKnown, LongestGap: r.LongestGap,
		Integral: r.Integral * k.Factor, IntegralLow: r.IntegralLow, IntegralUpper: r.IntegralUpper * k.Factor, UpperKnown: r.UpperKnown,
		AckBy: a.XAckBy,
	}
	if r.Beyond > 0 {
		x.Mean = r.Mean*k.Factor + k.Offset
	}
	if a.XAckAt != 0 {
		x.AckAt = at(a.XAckAt)
	}
	x.Links, x.MoreLinks = linksTo(a.Links, r.End), a.More
	return x
}
