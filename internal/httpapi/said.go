package httpapi

import (
	"encoding/json"
	"strings"

	"rillwatch/internal/engine"
	"rillwatch/internal/site"
)

// saidBody is a person's word that stands at a panel. Whoever looks at a panel that is silent must see who silenced it and for how long.
type saidBody struct {
	Command string      `json:"command"`          // check_in_hand or set_on_line
	Sensor  string      `json:"sensor,omitempty"` // of a check in hand
	What    string      `json:"what,omitempty"`
	OnLine  *bool       `json:"on_line,omitempty"`
	Who     string      `json:"who"`
	Why     string      `json:"why"`
	LeftS   json.Number `json:"left_s"`
	Over    bool        `json:"over"` // its time is over, and the sensor is still out
}

func saidOf(s *site.Site, p *engine.PanelView) []saidBody {
	all := []saidBody{}
	for _, v := range p.Words {
		b := saidBody{Command: v.Command, Sensor: strings.TrimPrefix(v.Sensor, panelName(s, p.Panel)+"."), What: v.What, Who: v.Who, Why: v.Why, LeftS: seconds(v.Left), Over: v.Over}
		if v.Sensor == "" {
			on := v.OnLine
			b.OnLine = &on
		}
		all = append(all, b)
	}
	return all
}
