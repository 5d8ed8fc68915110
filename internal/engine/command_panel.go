package engine

import (
	"strings"
	"time"

	"rillwatch/internal/panel"
	"rillwatch/internal/site"
)

// panelNamed finds the judge of a panel, or of the panel that a path begins with.
func (e *Engine) panelNamed(name string) (*panel.Panel, bool) {
	for j := range e.judges {
		if e.judges[j].index != site.None && e.judges[j].name == name {
			return e.judges[j].panel, true
		}
	}
	return nil, false
}

// until says when a time that starts now is over, in the site's zone; only how long it is when the clock is not to be trusted.
func (e *Engine) until(in Command, long time.Duration) string {
	if !e.certain {
		return "for " + span(long)
	}
	zone := e.s.Zone
	if zone == nil {
		zone = time.UTC
	}
	return "for " + span(long) + ", until " + in.At.Wall.Time().Add(long).In(zone).Format("2006-01-02 15:04 MST")
}

// span is a length of time without the zeros at its end.
func span(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

func (e *Engine) setOnLine(in Command, do SetOnLine, o *Outcome) Reply {
	p, ok := e.panelNamed(do.Panel)
	if !ok {
		return Reply{in.ID, NoSuchPanel, "there is no panel named " + do.Panel}
	}
	out, refused := p.SetOnLine(e.input(in.At, nil), do.OnLine, do.For, in.Who, in.Why)
	if refused != "" {
		return Reply{in.ID, Refusal(refused), "say for how long: from 1m to " + span(panel.SaidMost) + "; what lasts longer is said again"}
	}
	e.merge(out, o)
	if do.OnLine {
		return Reply{in.ID, NotRefused, do.Panel + " counts as on line " + e.until(in, do.For) + "; then its own signal decides again, or on line where it has none"}
	}
	return Reply{in.ID, NotRefused, do.Panel + " counts as off line " + e.until(in, do.For) + ": its chemistry and its flow raise no alarm, and open excursions are suspended. " +
		"A hot sample is watched all the same. At the end, or when rillwatch starts again, it is told, and its own signal decides again, or on line where it has none"}
}

// takeOut is what a person does before a sensor leaves a pressurised line. The order matters.
const takeOut = "Before it is taken out, in this order: isolate the sample at its root valve, prove that nothing flows, relieve the pressure; then remove it."

func (e *Engine) checkInHand(in Command, do CheckInHand, o *Outcome) Reply {
	s := site.None
	for i := range e.s.Sensors {
		if e.s.Sensors[i].Path == do.Sensor {
			s = i
		}
	}
	switch {
	case s == site.None:
		return Reply{in.ID, NoSuchSensor, "there is no sensor named " + do.Sensor + "; a sensor is named PANEL.SENSOR"}
	case e.s.Sensors[s].Panel == site.None:
		return Reply{in.ID, panel.SiteSensor, do.Sensor + " is used by several panels; a check in hand of such a sensor is not kept yet, and nothing was changed"}
	}
	name := e.s.Panels[e.s.Sensors[s].Panel].Name
	p, _ := e.panelNamed(name)
	if do.Back {
		out, refused := p.SensorBack(e.input(in.At, nil), s, in.Who, in.Why)
		if refused != "" {
			return Reply{in.ID, Refusal(refused), do.Sensor + " is in nobody's hand"}
		}
		e.merge(out, o)
		return Reply{in.ID, NotRefused, do.Sensor + " is back. The chemistry of " + name + " is believed when the line is flushed, and its oxygen when it has settled"}
	}
	if strings.TrimSpace(do.What) == "" {
		return Reply{in.ID, NoWhat, "say what is done with the sensor, such as \"zero check\""}
	}
	out, refused, blind := p.CheckInHand(e.input(in.At, nil), s, do.What, do.For, in.Who, in.Why)
	switch refused {
	case "":
	case panel.BadSpan:
		return Reply{in.ID, Refusal(refused), "say for how long: from 1m to " + span(panel.CheckMost)}
	case panel.CheckRunOut:
		return Reply{in.ID, Refusal(refused), "the check of " + do.Sensor + " has run out; say that the sensor is back before the next one"}
	case panel.SensorGuards:
		return Reply{in.ID, Refusal(refused), do.Sensor + " gives the temperature by which the sample valve is closed: close the valve, see it confirmed closed, and ask again; while an override stands it stays where it is"}
	default:
		return Reply{in.ID, Refusal(refused), "nothing was changed"}
	}
	e.merge(out, o)
	words := do.Sensor + " is in hand " + e.until(in, do.For) + ". " + takeOut +
		" Its readings are not believed, and the other sensors of " + name + " owe a long flush. When the time is over people are called, until somebody says that the sensor is back"
	if blind {
		words = "PROTECTION BLIND: this sensor gives the sample temperature, and the sample valve is not confirmed closed. Nobody sees a hot sample until the sensor is back; people are told. " + words
	}
	return Reply{in.ID, NotRefused, words}
}
