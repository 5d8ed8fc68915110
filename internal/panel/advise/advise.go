// Package advise says in words what the numbers of a point amount to, and what to ask next.
//
// Owns: the arithmetic behind derived points and cross-checks in words, and the order of the questions.
// Never: gives an order, names a culprit, or states a figure of its own: the plant's chemist, the boiler maker and local codes decide.
package advise

import (
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// linesMax bounds what is said of one point: a person reads it at night.
const linesMax = 8

// Facts are what advice may look at.
type Facts struct {
	Site     *site.Site
	Panel    *site.Panel                     // whose point it is; nil for the sensors of the site
	Of       func(point int) reading.Reading // as it stands
	Side     site.Side                       // on which the point stands beyond a limit; NoSide: on none
	Normal   float64                         // what was learned to be normal for the point, in its unit; 0: nothing was
	Reopened bool                            // the line was seen stopped or open within the last hours
}

// Lines is what can be said of a point as it stands; none where there is nothing to say.
func Lines(f Facts, point int) []string {
	if f.Site == nil || f.Of == nil || point < 0 || point >= len(f.Site.Points) {
		return nil
	}
	p := &f.Site.Points[point]
	var said, asked []string
	if p.Derive.By != site.NoDerivation {
		said = append(said, f.sum(point)...)
	}
	if f.Of(point).Reason == reading.BelowWater && p.Water.Compensation != "" {
		said = append(said, f.belowWater(point)...)
		set := "is the device set to the compensation that is configured here?"
		if p.Water.Compensation == site.NotStated {
			set = "to what compensation is the device set? The configuration does not say it"
		}
		asked = append(asked, "is the cell full of water, without a bubble, and is its cable sound?", set)
	}
	if f.Panel != nil {
		s, a := f.crossPH(point)
		said, asked = append(said, s...), append(asked, a...)
		s, a = f.oxygen(point)
		said, asked = append(said, s...), append(asked, a...)
		s, a = f.scavenger(point)
		said, asked = append(said, s...), append(asked, a...)
	}
	if len(said)+len(asked) > linesMax-1 {
		asked = asked[:max(0, linesMax-1-len(said))]
	}
	if len(asked) > 0 {
		said = append(append(said, asked...), "these are questions, not orders: the plant's chemist, the boiler maker's instructions and local codes decide")
	}
	return said
}
