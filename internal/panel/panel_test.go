package panel

import (
	"testing"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// bench is one panel with an oxygen, a temperature and a flow point of one sensor, polled once a second.
func bench(t testing.TB) (*site.Site, *Panel) {
	t.Helper()
	unit := func(name string, q quantity.Quantity) quantity.Unit {
		u, err := quantity.ParseUnit(name, q)
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	word := site.Decode{Type: site.Uint16, Scale: 1}
	s := &site.Site{
		Buses:   []site.Bus{{Name: "net", Period: time.Second, Sensors: []int{0}}},
		Sensors: []site.Sensor{{Path: "b2.rack", Panel: 0, Every: 1, Period: time.Second, Refresh: time.Second, Points: []int{0, 1, 2}}},
		Points: []site.Point{
			{Path: "b2.rack.flow", Quantity: quantity.Flow, Unit: unit("mL/min", quantity.Flow), Resolution: 1, Decode: word},
			{Path: "b2.rack.oxygen", Quantity: quantity.DissolvedOxygen, Unit: unit("ppb", quantity.DissolvedOxygen), Resolution: 1, Decode: word},
			{Path: "b2.rack.temperature", Quantity: quantity.Temperature, Unit: unit("degC", quantity.Temperature), Resolution: 1, Decode: word},
		},
		Panels: []site.Panel{{Name: "b2", Sensors: []int{0}, Points: []int{0, 1, 2}, OnLine: site.None, Buses: []int{0},
			Line: site.Line{Configured: true, LeadML: 10, CellML: 1, Flow: 0, FlowLow: 50, FlowHigh: 500},
			Interlock: site.Interlock{Configured: true, Temperature: 2, WarnAbove: 40, CloseAbove: 49, CloseText: "49 degC", WarnText: "40 degC",
				ValveClosed: site.None, Travel: 15 * time.Second, LostAfter: 10 * time.Second}}},
	}
	return s, New(s, &s.Panels[0])
}

func step(pl *Panel, slot uint64, words [3]uint16) Output {
	at := reading.Stamp{Wall: reading.Wall(slot), Up: time.Duration(slot) * time.Second}
	in := Input{Now: at, Certain: true, Boot: "4f2a91c0", NextSeq: 1}
	for p, w := range words {
		in.Reads = append(in.Reads, Read{Point: p, Slot: slot, Words: []uint16{w}, Fault: reading.Answered, At: at})
	}
	return pl.Step(in)
}

// TestTheInterlockSeesOwnQualityOnly: a panel whose sample is not representative, here because it was never flushed, still warns of heat;
// otherwise the order of judgement would be a circle.
func TestTheInterlockSeesOwnQualityOnly(t *testing.T) {
	_, pl := bench(t)
	step(pl, 1, [3]uint16{200, 12, 60})
	out := step(pl, 2, [3]uint16{200, 12, 60})
	if r := pl.Guest(1).Shown; r.Reason != reading.HotSample {
		t.Errorf("oxygen is %s", r.Reason)
	}
	hot := false
	for _, e := range out.Events {
		hot = hot || e.Kind.String() == "sample.hot"
	}
	if !hot {
		t.Errorf("two updates at 60 degC in an unflushed line told nothing: %v", out.Events)
	}
}

// TestOnlyWhatDescribesTheWaterDoubtsWithTheSample: the flow that proves the sample must not be doubted for lack of flow.
func TestOnlyWhatDescribesTheWaterDoubtsWithTheSample(t *testing.T) {
	_, pl := bench(t)
	for slot := uint64(1); slot <= 30; slot++ {
		step(pl, slot, [3]uint16{200, 12, 25})
	}
	for p, name := range []string{"flow", "oxygen", "temperature"} {
		if r := pl.Guest(p).Shown; r.Reason != reading.Believed {
			t.Errorf("flushed: %s is %s", name, r.Reason)
		}
	}
	step(pl, 31, [3]uint16{0, 12, 25})
	want := [3]reading.Reason{reading.Believed, reading.NoFlow, reading.NoFlow} // without flow a temperature is room air
	for p, w := range want {
		if r := pl.Guest(p).Shown; r.Reason != w {
			t.Errorf("no flow: point %d is %s, want %s", p, r.Reason, w)
		}
	}
	step(pl, 32, [3]uint16{20, 12, 25})
	want = [3]reading.Reason{reading.Believed, reading.FlowOutside, reading.Believed}
	for p, w := range want {
		if r := pl.Guest(p).Shown; r.Reason != w {
			t.Errorf("little flow: point %d is %s, want %s", p, r.Reason, w)
		}
	}
}

func TestTheSameStateGivesTheSameBytesAndComesBack(t *testing.T) {
	s, pl := bench(t)
	for slot := uint64(1); slot <= 5; slot++ {
		step(pl, slot, [3]uint16{200, 12, 60})
	}
	was := string(pl.Marshal())
	again := New(s, &s.Panels[0])
	if _, err := again.Restore(Boot{State: []byte(was)}, Input{Boot: "5", NextSeq: 1}); err != nil {
		t.Fatal(err)
	}
	if now := string(again.Marshal()); now != was {
		t.Errorf("%s\ncame back as\n%s", was, now)
	}
	if _, err := again.Restore(Boot{State: []byte(`{"line":`)}, Input{}); err == nil {
		t.Error("half a state was taken")
	}
}

func TestAPanelPassesOverPointsThatAreNotItsOwn(t *testing.T) {
	_, pl := bench(t)
	at := reading.Stamp{Up: time.Second}
	out := pl.Step(Input{Now: at, Reads: []Read{{Point: 99, Slot: 1, Words: []uint16{1}, Fault: reading.Answered, At: at}, {Point: site.None, At: at}}})
	if len(out.Judged) != 0 {
		t.Errorf("judged %v", out.Judged)
	}
	if g := pl.Guest(99); g.Shown.HasValue() || g.Sampled {
		t.Errorf("a point of nobody's is %+v", g)
	}
}
