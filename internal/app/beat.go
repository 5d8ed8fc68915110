package app

import (
	"rillwatch/internal/engine"
	"rillwatch/internal/notify"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// beatOf is what a sign of life says, from the View of the moment at which a commit succeeded.
func beatOf(s *site.Site, v *engine.View, through uint64, at reading.Stamp) notify.Beat {
	b := notify.Beat{Boot: v.Boot, At: at, Committed: through, ClockCertain: v.Clock.Certain}
	points := func(all []engine.PointView) {
		for i := range all {
			p := &s.Points[all[i].Point]
			if p.Derived() {
				continue
			}
			b.Points++
			switch age := at.Since(all[i].LastGood); {
			case all[i].LastGood.IsZero():
				b.Without++
			case b.OldestPoint == "" || age > b.Oldest:
				b.Oldest, b.OldestPoint = age, p.Path
			}
		}
	}
	points(v.Free)
	for _, p := range v.Panels {
		if p == nil {
			continue
		}
		points(p.Points)
		for i := range p.Alarms {
			a := &p.Alarms[i]
			if a.Active {
				b.Alarms++
			}
			switch a.State {
			case "unacknowledged":
				b.Unseen++
			case "shelved":
				b.Shelved++
			case "suppressed":
				b.Suppressed++
			case "out_of_service":
				b.OutOfService++
			}
		}
		for i := range p.Words {
			if p.Words[i].Sensor != "" {
				b.InHand++
			}
		}
		if p.Interlock.Holding.Override.On {
			b.Overridden++
		}
		if !p.OnLine {
			b.OffLine++
		}
	}
	return b
}
