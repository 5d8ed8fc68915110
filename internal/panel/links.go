package panel

import (
	"slices"

	"rillwatch/internal/event"
	"rillwatch/internal/panel/alarm"
	"rillwatch/internal/reading"
)

// linksMost bounds the intervals kept with one excursion: the judge state of a panel is a row of about 4 kB. More are counted.
const linksMost = 4

// link keeps, with the open books of a limit, what else goes on at the panel: it begins and ends with the readings of the limit's point.
func (pl *Panel) link(i int, edge alarm.Edge, onLine bool) {
	a := &pl.state.Alarms[i]
	if !a.Excursion.Active || edge == alarm.Began {
		a.Links, a.More = nil, 0
	}
	if !a.Excursion.Active {
		return
	}
	check := ""
	for _, c := range pl.state.Checks {
		if check = c.Who; check != "" {
			break
		}
	}
	for _, k := range [...]struct {
		what string
		on   bool
		who  string
	}{
		{event.LinkInterlock, pl.p.Interlock.Configured && (pl.watch.Hot || pl.watch.Lost || pl.watch.Held), ""},
		{event.LinkValve, pl.lineOut.Valve == reading.ValveClosedState, ""},
		{event.LinkCheck, len(pl.state.Checks) > 0, check},
		{event.LinkOverride, pl.watch.Override.On, pl.watch.Override.By},
		{event.LinkOffLine, !onLine && pl.state.OnLine.off(), ""}, // a start-up in which it rests is not off line
	} {
		at := slices.IndexFunc(a.Links, func(l event.Link) bool { return l.What == k.what && l.To == 0 })
		switch {
		case k.on && at < 0 && len(a.Links) < linksMost:
			a.Links = append(slices.Clone(a.Links), event.Link{What: k.what, From: pl.now.Wall, Who: k.who})
		case k.on && at < 0 && !slices.Contains(pl.overfull[i], k.what):
			pl.overfull[i] = append(pl.overfull[i], k.what)
			a.More++
		case !k.on && at >= 0:
			a.Links = slices.Clone(a.Links)
			a.Links[at].To = pl.now.Wall
		case !k.on:
			pl.overfull[i] = slices.DeleteFunc(pl.overfull[i], func(w string) bool { return w == k.what })
		}
	}
}

// linksTo are the links of a record that ended then: one that began later belongs to no part of it. 0: it has not ended.
func linksTo(all []event.Link, end reading.Wall) []event.Link {
	var out []event.Link
	for _, l := range all {
		if end == 0 || l.From <= end {
			out = append(out, l)
		}
	}
	return out
}
