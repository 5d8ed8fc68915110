package engine_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// comparing is an engine whose point b1.rack.temperature reads what it is given, and a way to say what the display shows.
func comparing(t *testing.T, states []engine.StateRow, text string) (reads func(raw uint16), shows func(v float64) (engine.Reply, []event.Event), e *engine.Engine) {
	t.Helper()
	s := parse(t, text)
	e = engine.New(s)
	at := reading.Stamp{Wall: 1764064800000000000, Up: time.Second}
	e.Step(engine.Boot{Nonce: "00000001", At: at, WallCertain: true, Hash: s.Hash, States: states})
	n := 0
	pass := func() {
		n++
		at.Up += time.Second
		at.Wall += reading.Wall(time.Second)
	}
	point := -1
	for i := range s.Points {
		if s.Points[i].Path == "b1.rack.temperature" {
			point = i
		}
	}
	if point < 0 {
		t.Fatal("the two panels have no b1.rack.temperature")
	}
	p := &s.Points[point]
	sensor := &s.Sensors[p.Sensor]
	reads = func(raw uint16) {
		pass()
		e.Step(engine.Batch{Batch: reading.Batch{Bus: sensor.Bus, Slot: uint64(n), Last: true, At: at, Reads: []reading.Read{{Station: sensor.Station, Table: p.Table, Addr: p.Addr, Count: 1, Words: []uint16{raw}, Fault: reading.Answered, Sent: at}}}})
	}
	shows = func(v float64) (engine.Reply, []event.Event) {
		pass()
		o := e.Step(engine.Command{ID: "p" + at.Up.String(), Who: "Kim", From: "api", At: at, Do: engine.Prove{Point: p.Path, Shown: v, Step: 0.1}})
		return o.Replies[0], o.Events
	}
	return reads, shows, e
}

func standingOf(e *engine.Engine) string {
	v := e.View()
	for i := range v.Site.Points {
		if v.Site.Points[i].Path == "b1.rack.temperature" {
			st, _ := engine.ProofOf(v.Proofs, v.Site.Points[i].Path).Standing(v.Site.MapHash(i))
			return st.String()
		}
	}
	return ""
}

// TestTwoDifferentValuesProveAMapLineAndAChangeOfItTakesTheProofAway.
func TestTwoDifferentValuesProveAMapLineAndAChangeOfItTakesTheProofAway(t *testing.T) {
	reads, shows, e := comparing(t, nil, twoPanels)
	if rep, _ := shows(25.1); rep.Refusal != engine.NothingToCompare {
		t.Errorf("nothing was read yet: %+v", rep)
	}
	for _, c := range []struct {
		raw   uint16
		shown float64
		want  string
	}{
		{251, 25.1, "one_value"},  // tenths: 25.1
		{252, 25.2, "one_value"},  // one step further is the same value, seen twice
		{300, 30.0, "proven"},     //
		{300, 31.0, "disagrees"},  // whatever agreed before
		{300, 30.0, "one_value"},  // what did not agree is not forgotten by one look
		{251, 25.2, "proven"},     // half a step of each may lie between
		{251, 25.26, "disagrees"}, // 0.16 is more than 0.05 + 0.05
		{251, 25.1, "one_value"},
		{400, 40.0, "proven"},
	} {
		reads(c.raw)
		rep, events := shows(c.shown)
		if got := standingOf(e); got != c.want || rep.Refusal != engine.NotRefused || len(events) != 1 || events[0].Kind != event.PointCompared || events[0].Who != "Kim" || events[0].Cause != c.want {
			t.Errorf("%d read, %v shown: %s, want %s (%+v, %v)", c.raw, c.shown, got, c.want, rep, events)
		}
		if disagrees := strings.Contains(rep.Words, engine.Differ); disagrees != (c.want == "disagrees") {
			t.Errorf("%d read, %v shown: %q", c.raw, c.shown, rep.Words)
		}
	}

	var kept []engine.StateRow
	for _, r := range e.States() {
		kept = append(kept, r)
		if r.Name == engine.ProofsRow && !json.Valid(r.Data) {
			t.Errorf("the row of proofs: %s", r.Data)
		}
	}
	_, _, same := comparing(t, kept, twoPanels)
	if got := standingOf(same); got != "proven" {
		t.Errorf("after a restart with the same map: %s", got)
	}
	at := strings.Index(twoPanels, "scale = 0.1")
	if at < 0 {
		t.Fatal("the map of the two panels has no scale of 0.1")
	}
	_, _, changed := comparing(t, kept, strings.Replace(twoPanels, "scale = 0.1", "scale = 0.2", 1))
	if got := standingOf(changed); got != "map_changed" {
		t.Errorf("after a restart with another scale: %s", got)
	}
}

// TestOnlyTwoValuesThatAreReadAndShownApartProveALine: what moved must be the reading too, and by more than the two looks were allowed to be wrong.
func TestOnlyTwoValuesThatAreReadAndShownApartProveALine(t *testing.T) {
	pt := &site.Point{Resolution: 0.1, Decode: site.Decode{Type: site.Int16, Scale: 0.1}}
	type look struct{ read, shown, step, tolerance float64 }
	for name, c := range map[string]struct {
		looks []look
		want  engine.ProofStanding
	}{
		"both moved":                       {[]look{{18.4, 18.4, 0.1, 0}, {30, 30, 0.1, 0}}, engine.ProvenTwice},
		"the display alone moved":          {[]look{{20, 18, 0.1, 3}, {20, 22, 0.1, 3}}, engine.OneValue},
		"the reading alone moved":          {[]look{{18, 20, 0.1, 3}, {22, 20, 0.1, 3}}, engine.OneValue},
		"less than the tolerances":         {[]look{{18, 18, 0.1, 3}, {23, 23, 0.1, 3}}, engine.OneValue},
		"a wide tolerance":                 {[]look{{18, 18, 0.1, 3}, {40, 40, 0.1, 3}}, engine.OneValue}, // 3 of 22 is more than a tenth
		"a tenth of the difference":        {[]look{{18, 18, 0.1, 3}, {48, 48, 0.1, 0}}, engine.ProvenTwice},
		"a third look far enough from one": {[]look{{18, 18, 0.1, 0}, {18.1, 18.1, 0.1, 0}, {25, 25, 0.1, 0}}, engine.ProvenTwice},
	} {
		var all []engine.Proof
		for _, l := range c.looks {
			k := engine.Compare(pt, l.read, engine.Prove{Shown: l.shown, Step: l.step, Tolerance: l.tolerance})
			if !k.Within {
				t.Fatalf("%s: %+v is not within", name, k)
			}
			all = engine.AddProof(all, "p", "h", "ppb", k)
			st, _ := all[0].Standing("h")
			if words := engine.ProofWords(k, st); strings.Contains(words, "proven") != (st == engine.ProvenTwice) {
				t.Errorf("%s: %v is told as %q", name, st, words)
			}
		}
		if st, _ := all[0].Standing("h"); st != c.want {
			t.Errorf("%s: %v, want %v", name, st, c.want)
		}
	}
}

// TestAWideResolutionDoesNotWidenAProof: what is allowed is of the register's own step, not of the step in which the point is judged.
func TestAWideResolutionDoesNotWidenAProof(t *testing.T) {
	for name, c := range map[string]struct {
		d    site.Decode
		read float64
		want float64
	}{
		"tenths":        {site.Decode{Type: site.Int16, Scale: 0.1}, 18.4, 0.1},
		"a turned sign": {site.Decode{Type: site.Uint16, Scale: -0.1}, -18.4, 0.1},
		"float32":       {site.Decode{Type: site.Float32, Scale: 1}, 18.4, 0.05},
		"float64":       {site.Decode{Type: site.Float64, Scale: 1}, 18.4, 0.05},
		"a bit":         {site.Decode{Type: site.Bit, Scale: 1}, 1, 0},
	} {
		pt := &site.Point{Resolution: 10, Decode: c.d}
		step := 0.1
		if c.d.Type == site.Bit {
			step = 0
		}
		if k := engine.Compare(pt, c.read, engine.Prove{Shown: c.read, Step: step}); math.Abs(k.Allowed-c.want) > 1e-5 {
			t.Errorf("%s: %v is allowed, want %v", name, k.Allowed, c.want)
		}
	}
}
