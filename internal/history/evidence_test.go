package history

import (
	"context"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// sampled is a panel with an oxygen sensor and, where asked, a flow meter and a position switch, all asked once a second.
func sampled(t *testing.T, withFlow, withValve bool) *site.Site {
	t.Helper()
	of := func(unit string, q quantity.Quantity) quantity.Unit {
		u, err := quantity.ParseUnit(unit, q)
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	s := &site.Site{Name: "larkfield-mill", Sensors: []site.Sensor{{Path: "b2.rack", Period: time.Second}},
		Points: []site.Point{{Path: "b2.rack.oxygen", Name: "oxygen", Quantity: quantity.DissolvedOxygen, Unit: of("ppb", quantity.DissolvedOxygen), Resolution: 0.1},
			{Path: "b2.rack.flow", Name: "flow", Quantity: quantity.Flow, Unit: of("L/h", quantity.Flow), Resolution: 0.1},
			{Path: "b2.rack.valve_closed", Name: "valve_closed", Quantity: quantity.State, Unit: quantity.State.Units()[0]}},
		Panels: []site.Panel{{Name: "b2", Title: "Boiler 2 feedwater, the panel beside the old deaerator", Points: []int{0, 1, 2}, Line: site.Line{Configured: true, Flow: site.None},
			Interlock: site.Interlock{ValveClosed: site.None}}}}
	if withFlow {
		s.Panels[0].Line.Flow = 1
	}
	if withValve {
		s.Panels[0].Interlock = site.Interlock{Configured: true, Temperature: site.None, ValveClosed: 2}
	}
	return s
}

// second is what the three points said in one second before now.
type second struct {
	ago                 int
	boot                uint32
	flow, closed        float64
	noFlow, noValve, no bool // no reading of the flow, of the switch, of anything
	why                 reading.Reason
}

func rows(all []second) []Row {
	var out []Row
	for _, s := range all {
		if s.no {
			continue
		}
		row := func(path, q, unit string, v float64, why reading.Reason) {
			out = append(out, Row{Path: path, Quantity: q, Unit: unit, Resolution: 0.1, Boot: s.boot, Up: time.Duration(100_000-s.ago) * time.Second,
				At: reading.WallOf(now.Add(-time.Duration(s.ago) * time.Second)), Certain: true, Value: v, Reason: why, Why: why.String(), Fault: "answered"})
		}
		if !s.noFlow {
			row("b2.rack.flow", "flow", "L/h", s.flow, reading.Believed)
		}
		row("b2.rack.oxygen", "dissolved-oxygen", "ppb", 6.3, s.why)
		if !s.noValve {
			row("b2.rack.valve_closed", "state", "state", s.closed, reading.Believed)
		}
	}
	return out
}

// steady is the last n seconds, each as say makes it.
func steady(n int, say func(*second)) []second {
	var all []second
	for ago := n; ago >= 0; ago-- {
		s := second{ago: ago, boot: 1, flow: 12, why: reading.Believed}
		if say != nil {
			say(&s)
		}
		all = append(all, s)
	}
	return all
}

// TestTheFirstSentenceAnswersWhetherTheSensorSawFlow: 12 L/h is 1 L in five minutes, by hand.
func TestTheFirstSentenceAnswersWhetherTheSensorSawFlow(t *testing.T) {
	for name, c := range map[string]struct {
		flow, valve bool
		say         func(*second)
		answer      Answer
		want        string
	}{
		"opened five minutes ago": {true, true, func(s *second) {
			if s.ago > 300 {
				s.closed, s.flow = 1, 0
			}
		}, Yes, "Yes: b2.rack.oxygen saw flow, 12.0 L/h, the sample valve open, and 1.0 L had passed since the valve opened at 09:55:00."},
		"never seen to open": {true, true, nil, Yes, "Yes: b2.rack.oxygen saw flow, 12.0 L/h, the sample valve open, and more than 2.0 L had passed since 09:50:00."},
		"no switch, begun two minutes and a half ago": {true, false, func(s *second) {
			if s.ago > 150 {
				s.flow = 0
			}
		}, Yes, "Yes: b2.rack.oxygen saw flow, 12.0 L/h, and 0.5 L had passed since the flow began at 09:57:30."},
		"a part not metered": {true, true, func(s *second) {
			if s.ago > 300 {
				s.closed, s.flow = 1, 0
			}
			s.noFlow = s.ago > 100 && s.ago < 200
		}, Yes, "Yes: b2.rack.oxygen saw flow, 12.0 L/h, the sample valve open, and at least 0.7 L had passed since the valve opened at 09:55:00."},
		"a restart between": {true, true, func(s *second) {
			if s.ago > 300 {
				s.closed, s.flow = 1, 0
			}
			if s.ago < 150 {
				s.boot = 2
			}
		}, Yes, "Yes: b2.rack.oxygen saw flow, 12.0 L/h, the sample valve open, and at least 1.0 L had passed since the valve opened at 09:55:00."},
		"flowing and still flushing": {true, true, func(s *second) { s.why = reading.Flushing }, Yes,
			"Yes: b2.rack.oxygen saw flow, 12.0 L/h, the sample valve open, and more than 2.0 L had passed since 09:50:00. But it was not believed then: fresh water has not yet replaced what stood in the line."},
		"stopped with the valve open": {true, true, func(s *second) { s.flow = 0 }, No, "No: the flow was 0.0 L/h, so b2.rack.oxygen stood in still water, the sample valve open."},
		"closed":                      {true, true, func(s *second) { s.flow, s.closed = 0, 1 }, No, "No: the sample valve was closed, so b2.rack.oxygen stood in still water; the flow was 0.0 L/h."},
		"closed and leaking":          {true, true, func(s *second) { s.closed = 1 }, Yes, "Yes: b2.rack.oxygen saw flow, 12.0 L/h, though the sample valve was reported closed."},
		"no flow meter":               {false, true, nil, NotKnown, "Not known: the panel has no flow point, so nobody can say whether b2.rack.oxygen saw flow, the sample valve open."},
		"the meter silent":            {true, true, func(s *second) { s.noFlow = s.ago < 4 }, NotKnown, "Not known: the flow was not read at this moment, the sample valve open."},
		"nothing recorded":            {true, true, func(s *second) { s.no = s.ago < 4 }, NotKnown, "Not known: nothing is recorded of the panel of b2.rack.oxygen at this moment."},
		"three periods old":           {true, true, func(s *second) { s.noFlow = s.ago < 3 }, Yes, "Yes: b2.rack.oxygen saw flow, 12.0 L/h, the sample valve open, and more than 2.0 L had passed since 09:50:00."},
	} {
		f, err := Evidence(context.Background(), shelf(rows(steady(600, c.say))), sampled(t, c.flow, c.valve), "b2.rack.oxygen", now)
		if err != nil {
			t.Fatal(err)
		}
		if f.Answer != c.answer || f.Sentence != c.want {
			t.Errorf("%s: %s\n%s, want %s\n%s", name, f.Answer, f.Sentence, c.answer, c.want)
		}
		for line := range strings.Lines(f.Text()) {
			if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > textWidth {
				t.Errorf("%s: a line of %d columns: %s", name, n, line)
			}
		}
	}
}
