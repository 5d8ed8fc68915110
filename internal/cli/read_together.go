package cli

import (
	"rillwatch/internal/panel"
	"rillwatch/internal/panel/derive"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// together judges what takes more than one point, as the daemon does: a conductivity below any water, and the derived points, which stand behind the
// rows of all buses. A derived point of which an input was not asked here, or is entered by a person, is left out.
func together(s *site.Site, rows []rowJSON) []rowJSON {
	own := map[int]reading.Reading{}
	for _, row := range rows {
		own[row.reading.point] = row.reading.own
	}
	for i := range rows {
		k := &rows[i].reading
		if w := s.Points[k.point].Water; panel.BelowWater(s.Points, k.point, own[k.point], own[w.Temperature]) {
			k.own = k.own.Demote(reading.BelowWater)
			rows[i].take(s, k.own)
		}
	}
	for _, row := range rows {
		own[row.reading.point] = row.reading.own
	}
	for i := range s.Panels {
		for _, pt := range s.Panels[i].Points {
			p := &s.Points[pt]
			if !p.Derived() || p.Entered.Configured {
				continue
			}
			inputs, known, at := make([]reading.Reading, 0, len(p.Derive.Inputs)), true, reading.Stamp{}
			for _, q := range p.Derive.Inputs {
				r, ok := own[q.Point]
				known = known && (ok || q.Given || q.Point == site.None)
				if inputs = append(inputs, r); r.At.Up > at.Up {
					at = r.At
				}
			}
			if !known {
				continue
			}
			r := derive.Step(p, s.Points, inputs, at)
			own[pt] = r
			row := rowJSON{Point: p.Path, Raw: []string{}, Unit: p.Unit.Name(), Derived: true, Fault: reading.NotAsked.String(), reading: readingOf{point: pt, sensor: site.None, own: r}}
			row.take(s, r)
			rows = append(rows, row)
		}
	}
	return rows
}

// take puts a reading into a row.
func (row *rowJSON) take(s *site.Site, r reading.Reading) {
	row.reading.own = r
	why := r.Reason.Row()
	row.Quality, row.Reason, row.Words = r.Quality().String(), why.Name, why.Words
	row.Value, row.Bound, row.reading.text = nil, "", ""
	if r.HasValue() {
		v := r.Value
		row.Value, row.Bound, row.reading.text = &v, r.Bound.String(), valueText(&s.Points[row.reading.point], r)
	}
}
