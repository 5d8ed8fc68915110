package httpapi

import (
	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// proofBody says how far a point's map line was proven against the device's own display, by whom and with which line.
type proofBody struct {
	Standing string  `json:"standing"` // map_changed, disagrees, one_value, proven
	By       string  `json:"by,omitempty"`
	At       *string `json:"at,omitempty"`
	Map      string  `json:"map"`                   // name of the line it is read by now
	With     string  `json:"proven_with,omitempty"` // name of the line it was compared by
}

// proofOf is nil for a point that nobody has compared yet, or that is not read from a device.
func proofOf(s *site.Site, v *engine.View, point int) *proofBody {
	p := engine.ProofOf(v.Proofs, s.Points[point].Path)
	if len(p.Looks) == 0 {
		return nil
	}
	hash := s.MapHash(point)
	st, by := p.Standing(hash)
	b := &proofBody{Standing: st.String(), Map: hash, By: by.Who, With: p.Map}
	b.At = instant(reading.Stamp{Wall: by.At})
	return b
}
