package engine

import (
	"rillwatch/internal/panel/advise"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Advice is arithmetic and questions about a point of the view, made when they are asked for: no judgement waits for words.
func (v *View) Advice(point int) []string {
	if point < 0 || point >= len(v.Site.Points) {
		return nil
	}
	f := advise.Facts{Site: v.Site}
	views := [][]PointView{v.Free}
	if i := v.Site.Points[point].Panel; i != site.None && i < len(v.Panels) && v.Panels[i] != nil {
		p := v.Panels[i]
		f.Panel, f.Reopened = &v.Site.Panels[i], p.Line.Reopened
		views = append(views, p.Points)
		for _, a := range p.Alarms {
			if a.Limit == site.None || f.Panel.Limits[a.Limit].Point != point {
				continue
			}
			if a.Active {
				f.Side = f.Panel.Limits[a.Limit].Towards()
			}
			if f.Normal == 0 {
				f.Normal = a.Usual
			}
		}
	}
	f.Of = func(of int) reading.Reading {
		for _, list := range views {
			for i := range list {
				if list[i].Point == of {
					return list[i].Reading
				}
			}
		}
		return reading.Reading{}
	}
	return advise.Lines(f, point)
}
