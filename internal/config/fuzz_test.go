package config

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

func FuzzConfig(f *testing.F) {
	for _, file := range examples(f) {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	f.Add(plain)
	for _, g := range golden {
		f.Add(strings.Replace(plain, g.from, g.to, 1))
	}
	f.Add(watery)
	for _, g := range wateryGolden {
		f.Add(strings.Replace(watery, g.from, g.to, 1))
	}
	for _, s := range []string{"", "\xef\xbb\xbf", "[[a]]\n[a.b]\n[[a]]\n[a.b]\n", "a.b.c = 1\n[a]\n", "bus = 3\nmap = []\npanel = [[]]\nsite = ''", "x = [[[[{a=[1,{b=2}]}]]]]", strings.Repeat("a.", 40) + "a = 1", "x = " + strings.Repeat("[", 40) + strings.Repeat("]", 40)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, _, err := Parse("fuzz.toml", []byte(text))
		if err != nil {
			var list Mistakes
			if !errors.As(err, &list) || len(list) == 0 || s != nil {
				t.Fatalf("%T %v", err, err)
			}
			lines := strings.Count(text, "\n") + 1
			for _, m := range list {
				if m.Line < 1 || m.Line > lines || m.Column < 1 || m.What == "" || m.Do == "" || strings.Contains(m.String(), "\n") {
					t.Fatalf("%q of %d lines", m, lines)
				}
			}
			return
		}
		wellFormed(t, s)
	})
}

// wired tells whether a point's inputs, temperature and age are what the panel relies on.
func wired(s *site.Site, i int) bool {
	p := &s.Points[i]
	k := p.Derive.By.Kind()
	if p.Entered.Configured && (p.Derive.By != site.NoDerivation || p.Entered.MaxAge <= 0) || len(p.Derive.Inputs) != len(k.Inputs) {
		return false
	}
	for n, in := range p.Derive.Inputs {
		isPoint := in.Point != site.None
		if isPoint && (in.Given || in.Point < 0 || in.Point >= len(s.Points) || s.Points[in.Point].Quantity != k.Inputs[n].Quantity) ||
			!isPoint && !in.Given && k.Inputs[n].Needs(p.Derive.Choice) {
			return false
		}
	}
	if p.Derive.By != site.NoDerivation && (s.MovesWith(i) == site.None || p.Derive.Inputs[0].Point == site.None) {
		return false
	}
	w := p.Water
	return w.Compensation == "" || w.Temperature >= 0 && w.Temperature < len(s.Points) && s.Points[w.Temperature].Quantity == quantity.Temperature && s.Points[w.Temperature].Sensor == p.Sensor
}

// wellFormed is what the rest of the program relies on without asking again.
func wellFormed(t *testing.T, s *site.Site) {
	t.Helper()
	in := func(i, n int) bool { return i == site.None || i >= 0 && i < n }
	for i, p := range s.Points {
		ok := in(p.Panel, len(s.Panels)) && in(p.Sensor, len(s.Sensors)) && (i == 0 || s.Points[i-1].Path < p.Path) && p.Unit.Quantity() == p.Quantity &&
			(p.Resolution > 0 || p.Quantity == quantity.State) && (p.Derived() == (p.Derive.By != site.NoDerivation || p.Entered.Configured)) && wired(s, i) && (p.Derived() || p.Decode.Scale != 0)
		if !ok {
			t.Fatalf("point %+v", p)
		}
	}
	for i, sensor := range s.Sensors {
		if sensor.Every < 1 || sensor.Station == 0 || sensor.Bus < 0 || sensor.Bus >= len(s.Buses) || !in(sensor.Panel, len(s.Panels)) || i > 0 && s.Sensors[i-1].Path >= sensor.Path ||
			sensor.Period != time.Duration(sensor.Every)*s.Buses[sensor.Bus].Period {
			t.Fatalf("sensor %+v", sensor)
		}
		st, id := sensor.Status, sensor.Identity
		if st.Configured && (st.Mask == 0 || st.Good&^st.Mask != 0 || st.Hold&^st.Mask != 0 || s.Points[st.Point].Sensor != i) || sensor.Alive.Configured && s.Points[sensor.Alive.Point].Sensor != i ||
			id.Configured && (id.Count < 1 || int(id.Addr)+id.Count > space || id.Every%sensor.Every != 0 || id.Table.Bits()) {
			t.Fatalf("sensor %+v", sensor)
		}
		for _, p := range sensor.Points {
			covered := false
			for _, a := range sensor.Allowed {
				pt := s.Points[p]
				covered = covered || a.Table == pt.Table && int(a.Addr) <= int(pt.Addr) && int(pt.Addr)+pt.Decode.Type.Words() <= int(a.Addr)+a.Count && int(a.Addr)+a.Count <= space
			}
			if !covered {
				t.Fatalf("%s may not be read: %+v", s.Points[p].Path, sensor.Allowed)
			}
		}
	}
	for _, b := range s.Buses {
		ok := b.Timeout > 0 && b.Timeout < b.Period && b.Timeout <= time.Second
		if b.Serial() {
			ok = b.Timeout >= 0 && b.Timeout <= site.LineTimeoutMax && site.Char(b.Baud) > 0 && b.Listen >= time.Second && (b.Scheme != "rtu" || b.SoleMaster && b.Parity != "" && b.StopBits > 0)
		}
		if !ok || b.Address == "" || (b.Scheme == "tcp+tls") != (b.TLS.CA != "" && b.TLS.Cert != "" && b.TLS.Key != "") {
			t.Fatalf("bus %+v", b)
		}
	}
	for _, p := range s.Panels {
		if i := p.Interlock; i.Configured && (i.Temperature < 0 || i.CloseAbove <= i.WarnAbove || i.LostAfter < 10*time.Second) || !in(p.Line.Flow, len(s.Points)) || !in(p.OnLine, len(s.Points)) {
			t.Fatalf("panel %+v", p)
		}
		for _, l := range p.Limits {
			if l.Point < 0 || l.Side == site.NoSide || l.Source.Document == "" || l.Deadband < 0 {
				t.Fatalf("limit %+v", l)
			}
		}
	}
	if len(s.Hash) != 12 || s.Zone == nil || s.Logbook.Dir == "" || s.Logbook.Flush <= 0 {
		t.Fatalf("%+v", s)
	}
}
