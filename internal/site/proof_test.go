package site_test

import (
	"testing"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// TestWhateverChangesWhatIsReadOrHowItIsJudgedChangesTheNameOfALine, and a name that people give the point or its place in the file does not.
func TestWhateverChangesWhatIsReadOrHowItIsJudgedChangesTheNameOfALine(t *testing.T) {
	made := func() *site.Site {
		return &site.Site{
			Buses:   []site.Bus{{Name: "net", Link: "tcp://10.0.40.21:502"}},
			Sensors: []site.Sensor{{Station: 1, LongestRead: 125}},
			Points: []site.Point{{Path: "b2.rack.oxygen", Sensor: 0, Quantity: quantity.DissolvedOxygen, Resolution: 0.1, Table: reading.Holding, Addr: 7,
				Decode: site.Decode{Type: site.Float32, Scale: 1, NoValue: []uint64{5}}, Water: site.Water{Compensation: "linear", Slope: 2, Temperature: site.None}}},
		}
	}
	first := made().MapHash(0)
	for name, change := range map[string]func(s *site.Site, p *site.Point){
		"link":         func(s *site.Site, _ *site.Point) { s.Buses[0].Link = "tcp://10.0.40.22:502" },
		"station":      func(s *site.Site, _ *site.Point) { s.Sensors[0].Station = 2 },
		"table":        func(_ *site.Site, p *site.Point) { p.Table = reading.Input },
		"address":      func(_ *site.Site, p *site.Point) { p.Addr++ },
		"type":         func(_ *site.Site, p *site.Point) { p.Decode.Type = site.Uint32 },
		"order":        func(_ *site.Site, p *site.Point) { p.Decode.Order = site.CDAB },
		"scale":        func(_ *site.Site, p *site.Point) { p.Decode.Scale = 10 },
		"offset":       func(_ *site.Site, p *site.Point) { p.Decode.Offset = 1 },
		"invert":       func(_ *site.Site, p *site.Point) { p.Decode.Invert = true },
		"no_value":     func(_ *site.Site, p *site.Point) { p.Decode.NoValue = nil },
		"quantity":     func(_ *site.Site, p *site.Point) { p.Quantity = quantity.PH },
		"resolution":   func(_ *site.Site, p *site.Point) { p.Resolution = 10 },
		"floor":        func(_ *site.Site, p *site.Point) { p.Floor, p.HasFloor = 0.1, true },
		"floor at 0":   func(_ *site.Site, p *site.Point) { p.HasFloor = true },
		"ceiling":      func(_ *site.Site, p *site.Point) { p.Ceiling, p.HasCeil = 200, true },
		"fault_below":  func(_ *site.Site, p *site.Point) { p.Fault.Low, p.Fault.HasLow = -1, true },
		"fault_above":  func(_ *site.Site, p *site.Point) { p.Fault.High, p.Fault.HasHigh = 900, true },
		"compensation": func(_ *site.Site, p *site.Point) { p.Water.Compensation = "none" },
		"slope":        func(_ *site.Site, p *site.Point) { p.Water.Slope = 1.9 },
		"thermometer":  func(_ *site.Site, p *site.Point) { p.Water.Temperature = 0 },
	} {
		s := made()
		if change(s, &s.Points[0]); s.MapHash(0) == first {
			t.Errorf("another %s, the same name", name)
		}
	}
	for name, change := range map[string]func(s *site.Site){
		"path": func(s *site.Site) { s.Points[0].Path = "b3.rack.oxygen" }, "the bus's name": func(s *site.Site) { s.Buses[0].Name = "line" },
		"another number for the same register": func(s *site.Site) { s.Points[0].Manual = "40008" },
	} {
		s := made()
		if change(s); s.MapHash(0) != first {
			t.Errorf("another %s, another name", name)
		}
	}
}
