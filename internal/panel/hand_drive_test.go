package panel

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// driven is the bench with a valve, whose closing rillwatch asks for, and if wanted a second temperature on a sensor of its own.
type driven struct {
	t    *testing.T
	pl   *Panel
	slot uint64
	all  string
}

func drivenBench(t *testing.T, second bool) *driven {
	s, _ := bench(t)
	add := func(p site.Point, sensor int) int {
		p.Sensor = sensor
		s.Points = append(s.Points, p)
		i := len(s.Points) - 1
		s.Sensors[sensor].Points = append(s.Sensors[sensor].Points, i)
		s.Panels[0].Points = append(s.Panels[0].Points, i)
		return i
	}
	k := &s.Panels[0].Interlock
	state, err := quantity.ParseUnit("state", quantity.State)
	if err != nil {
		t.Fatal(err)
	}
	k.ValveClosed = add(site.Point{Path: "b2.rack.valve", Quantity: quantity.State, Unit: state, Decode: site.Decode{Type: site.Bit, Scale: 1}}, 0)
	k.Drive = site.Drive{Configured: true, Station: 1, Table: reading.Coil, Addr: 9, Value: 1}
	if second {
		s.Sensors = append(s.Sensors, site.Sensor{Path: "b2.too", Panel: 0, Every: 1, Period: time.Second, Refresh: time.Second})
		s.Panels[0].Sensors = append(s.Panels[0].Sensors, 1)
		k.HasSecond, k.SecondLostAfter = true, 10*time.Second
		k.Second = add(site.Point{Path: "b2.too.temperature", Quantity: quantity.Temperature, Unit: s.Points[2].Unit, Resolution: 1, Decode: s.Points[2].Decode}, 1)
	}
	return &driven{t: t, pl: New(s, &s.Panels[0])}
}

// run polls once a second. A temperature below 0 is no answer.
func (d *driven) run(n int, temp, too int, closed bool) *driven {
	d.all = ""
	for range n {
		d.slot++
		at := reading.Stamp{Wall: reading.Wall(d.slot), Up: time.Duration(d.slot) * time.Second}
		in := Input{Now: at, Certain: true, Boot: "4f2a91c0", NextSeq: 1, Tick: true}
		flow, valve := 200, 0
		if closed {
			flow, valve = 0, 1
		}
		for p, w := range []int{flow, 12, temp, valve, too}[:len(d.pl.s.Points)] {
			r := Read{Point: p, Slot: d.slot, Words: []uint16{uint16(w)}, Fault: reading.Answered, At: at}
			if w < 0 {
				r.Words, r.Fault = nil, reading.Timeout
			}
			in.Reads = append(in.Reads, r)
		}
		d.all += " " + told(d.pl.Step(in))
	}
	return d
}

func (d *driven) check(sensor int) (refused string, blind bool) {
	_, refused, blind = d.pl.CheckInHand(ask(d.slot), sensor, "new membrane", time.Hour, "Kim", "worn")
	return refused, blind
}

// TestWhoDrivesTheValveKeepsTheSensorThatGuards: where rillwatch closes the valve, the only guarding sensor may be taken out only while the valve
// is confirmed closed; should it be opened meanwhile, the temperature is lost, and lost closes.
func TestWhoDrivesTheValveKeepsTheSensorThatGuards(t *testing.T) {
	d := drivenBench(t, false).run(60, 25, 0, false)
	if refused, _ := d.check(0); refused != SensorGuards || len(d.pl.state.Checks) != 0 {
		t.Errorf("with the valve open: %q", refused)
	}
	d.run(60, 25, 0, true)
	if refused, blind := d.check(0); refused != "" || blind {
		t.Fatalf("with the valve closed: %q, blind %t", refused, blind)
	}
	if d.run(120, 90, 0, true); strings.Contains(d.all, "temperature.") || strings.Contains(d.all, "sample.hot") || strings.Contains(d.all, "protection.") || d.pl.watch.Ask {
		t.Errorf("in hand with the valve closed: %s, asks %t", d.all, d.pl.watch.Ask)
	}
	if d.run(15, 20, 0, false); !strings.Contains(d.all, "protection.blind") || !strings.Contains(d.all, "temperature.lost") || !d.pl.watch.Ask {
		t.Errorf("opened meanwhile: %s, asks %t", d.all, d.pl.watch.Ask)
	}
	if _, refused := d.pl.Rearm(ask(d.slot), "Kim", "done"); refused == "" {
		t.Error("re-armed while the sensor is in hand")
	}
}

// TestASecondTemperatureGuardsWhileTheFirstIsInHand: then nothing is blind and nothing is refused; hot by the second closes, and when that is lost too,
// nobody guards and lost closes.
func TestASecondTemperatureGuardsWhileTheFirstIsInHand(t *testing.T) {
	start := func() *driven {
		d := drivenBench(t, true).run(60, 25, 25, false)
		if refused, blind := d.check(0); refused != "" || blind {
			t.Fatalf("%q, blind %t", refused, blind)
		}
		if d.run(60, 90, 25, false); strings.Contains(d.all, "one_lost") || strings.Contains(d.all, "sample.hot") || strings.Contains(d.all, "blind") || d.pl.watch.Ask {
			t.Fatalf("the first in hand: %s, asks %t", d.all, d.pl.watch.Ask)
		}
		return d
	}
	d := start()
	if d.run(3, 20, 60, false); !strings.Contains(d.all, "sample.hot") || !d.pl.watch.Ask {
		t.Errorf("the second is hot: %s, asks %t", d.all, d.pl.watch.Ask)
	}
	d = start()
	if d.run(15, 20, -1, false); !strings.Contains(d.all, "temperature.lost") || !strings.Contains(d.all, "protection.blind") || !d.pl.watch.Ask {
		t.Errorf("the second is lost: %s, asks %t", d.all, d.pl.watch.Ask)
	}
	d = start()
	if refused, _ := d.check(1); refused != SensorGuards {
		t.Errorf("the second in hand too: %q", refused)
	}
}

// A check in hand refuses a re-arming from the moment it is said, and though its sensor is unplugged and says nothing that shows it.
func TestACheckOfASilentSensorRefusesARearming(t *testing.T) {
	d := drivenBench(t, true).run(60, 25, 25, false).run(3, 60, 60, false).run(5, 20, 20, true)
	if !d.pl.watch.Held {
		t.Fatal("not held")
	}
	if refused, _ := d.check(1); refused != "" {
		t.Fatal(refused)
	}
	if _, refused := d.pl.Rearm(ask(d.slot), "Kim", "done"); refused != "check_in_hand" {
		t.Errorf("at once: %q", refused)
	}
	d.run(3, 20, -1, true)
	if _, refused := d.pl.Rearm(ask(d.slot), "Kim", "done"); refused != "check_in_hand" {
		t.Errorf("unplugged: %q", refused)
	}
}
