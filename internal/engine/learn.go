package engine

import (
	"fmt"
	"strconv"
	"strings"

	"rillwatch/internal/panel"
	"rillwatch/internal/site"
)

// Refusals of learning a normal; panel says when.
const (
	NoSuchLimit    Refusal = panel.NoSuchLimit
	NothingToLearn Refusal = panel.NothingToLearn
	LimitInAlarm   Refusal = panel.LimitInAlarm
	TooLittleData  Refusal = panel.TooLittle
	TooUnsteady    Refusal = panel.TooUnsteady
	BeyondBound    Refusal = panel.BeyondBound
	OutOfReach     Refusal = panel.OutOfReach
	NoDistance     Refusal = panel.NoDistance
)

// learn has what is normal for a limit learned from what was seen, and says in words from how much and what follows.
func (e *Engine) learn(in Command, do LearnBaseline, o *Outcome) Reply {
	no := func(why Refusal, words string) Reply { return Reply{in.ID, why, words} }
	name, _, _ := strings.Cut(do.Limit, ".")
	p, ok := e.panelNamed(name)
	if !ok {
		return no(NoSuchLimit, "there is no limit named "+do.Limit+"; a limit is named PANEL.LIMIT, as in its messages")
	}
	if strings.TrimSpace(in.Why) == "" {
		return no(NoReason, "say why: a limit hangs on this until somebody learns it again, and the logbook keeps why")
	}
	out, l, refused := p.Learn(e.input(in.At, nil), do.Limit, in.Who, in.Why)
	amount := func(v float64, more int) string {
		return strconv.FormatFloat(v, 'f', min(6, l.Decimal+more), 64) + " " + l.Unit
	}
	middle := fmt.Sprintf("%s, the median of %d means of quarter-hours with a scatter of %s", amount(l.Normal, 0), l.Quarters, amount(l.Spread, 1))
	side := "at or above"
	if l.Limit.Side == site.Low.String() {
		side = "at or below"
	}
	const kept = "; nothing was changed"
	switch refused {
	case "":
	case panel.NoSuchLimit:
		return no(NoSuchLimit, "there is no limit named "+do.Limit+"; a limit is named PANEL.LIMIT, as in its messages")
	case panel.NothingToLearn:
		return no(NothingToLearn, do.Limit+" does not hang on a learned normal; one that does has above_normal or below_normal in the configuration")
	case panel.LimitInAlarm:
		return no(LimitInAlarm, "a limit of this point is in alarm, and what is learned now would make the trouble normal"+kept)
	case panel.TooLittle:
		return no(TooLittleData, fmt.Sprintf("in the last %s there were %s of readings to learn from, and %s are needed: believed, on line, in fresh sample, at no end of the range, after the start-up and outside an alarm%s",
			span(l.Over), had(l), span(l.Least), kept))
	case panel.TooUnsteady:
		return no(TooUnsteady, fmt.Sprintf("the normal would be %s, and a limit at %s lies within three times that scatter: it would stand in what is usual%s", middle, limitOf(l), kept))
	case panel.BeyondBound:
		return no(BeyondBound, fmt.Sprintf("the normal would be %s, which is %s the bound of %s that always applies%s", middle, side, amount(l.Bound, 0), kept))
	case panel.NoDistance:
		return no(NoDistance, fmt.Sprintf("the normal would be %s, and the limit at %s would lie on it: what is usual would stand beyond the limit. Where a share of the normal is less than a step of the display, write the distance as an amount%s", middle, limitOf(l), kept))
	case panel.OutOfReach:
		return no(OutOfReach, fmt.Sprintf("the normal would be %s, and the sensor cannot show a value beyond a limit at %s%s", middle, limitOf(l), kept))
	default:
		return no(Refusal(refused), "nothing was changed")
	}
	e.merge(out, o)
	words := fmt.Sprintf("the normal of %s is %s, from %s of readings in the last %s. The limit stands at %s until somebody has it learned again", do.Limit, middle, had(l), span(l.Over), limitOf(l))
	if n := l.Limit.Normal; n != nil && n.Bound {
		words += ": that is the bound that always applies, which is nearer than " + n.Distance
	}
	if l.Before != nil {
		words += fmt.Sprintf(". It replaces one that %s had learned", l.Before.Who)
	}
	return Reply{in.ID, NotRefused, words}
}

func had(l panel.Learned) string {
	if l.Had == 0 {
		return "none"
	}
	return span(l.Had)
}

// limitOf is the limit as it would stand.
func limitOf(l panel.Learned) string {
	return strconv.FormatFloat(l.Limit.Written, 'f', -1, 64) + " " + l.Limit.Unit
}
