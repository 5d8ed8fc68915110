package rig

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

func contains(err error, text string) bool { return err != nil && strings.Contains(err.Error(), text) }

func TestScriptReadsTimesWordsAndComments(t *testing.T) {
	got, err := ParseScript("# a story\n\n8s  deaerator-upset # rises\r\n1m30s\tcooler-lost\n1m30s station-silent")
	want := []Upset{{8 * time.Second, "deaerator-upset"}, {90 * time.Second, "cooler-lost"}, {90 * time.Second, "station-silent"}}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got %v, %v", got, err)
	}
}

func TestScriptNamesEveryBadLine(t *testing.T) {
	_, err := ParseScript("8s deaerator-upset\nsoon cooler-lost\n9s kettle-boils\n10s\n5s cooler-lost\n-3s cooler-lost\n9s cooler-lost now\n12 cooler-lost")
	for _, want := range []string{
		`line 2: "soon" is not a time`,
		`line 3: unknown upset "kettle-boils" (known: cooler-lost,`,
		`line 4: want a time and one word`,
		`line 5: 5s comes before the 8s of line 1`,
		`line 6: "-3s" lies before the start`,
		`line 7: want a time and one word`,
		`line 8: "12" is not a time`,
	} {
		if !contains(err, want) {
			t.Errorf("missing %q in:\n%v", want, err)
		}
	}
}

func TestScriptIsBounded(t *testing.T) {
	line := "1s cooler-lost\n"
	if _, err := ParseScript(strings.Repeat(line, upsetsMax)); err != nil {
		t.Error(err)
	}
	if _, err := ParseScript(strings.Repeat(line, upsetsMax+1)); !contains(err, "more than 20000") {
		t.Errorf("got %v", err)
	}
}

func TestPanelRefusesWhatTheParserWould(t *testing.T) {
	for _, c := range []struct {
		station uint8
		script  []Upset
		want    string
	}{
		{0, nil, "station 0"},
		{248, nil, "station 248"},
		{1, []Upset{{0, "kettle-boils"}}, "upset 1: unknown upset"},
		{1, []Upset{{2, "cooler-lost"}, {1, "cooler-lost"}}, "upset 2: its time 1ns goes back"},
	} {
		if _, err := NewPanel(c.station, DemoConstants(), 1, c.script); !contains(err, c.want) {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
}

func TestUpsetHappensAtItsOwnTimeWhateverTheStep(t *testing.T) {
	for _, step := range []time.Duration{7 * time.Millisecond, 100 * time.Millisecond, 5 * time.Second} {
		p, err := NewPanel(3, DemoConstants(), 1, []Upset{{1234 * time.Millisecond, "cooler-lost"}})
		if err != nil {
			t.Fatal(err)
		}
		var told []Notice
		for p.plant.At() < 4*time.Second {
			told = append(told, p.Step(step)...)
		}
		want := []Notice{{3, 1234 * time.Millisecond, "cooling water is lost"}}
		if !slices.Equal(told, want) {
			t.Errorf("step %v: %v", step, told)
		}
	}
}

// TestDemoStoryFitsAndReadsWell holds the figures a person watching the demo is promised.
func TestDemoStoryFitsAndReadsWell(t *testing.T) {
	script, err := ParseScript(DemoScript)
	if err != nil {
		t.Fatal(err)
	}
	c := DemoConstants()
	p, err := NewPanel(1, c, 1, script)
	if err != nil {
		t.Fatal(err)
	}
	var told []Notice
	var warn, above, opened, short, long time.Duration
	peak, oxygenPeak, volume := 0.0, 0.0, 0.0
	afterShort, afterLong := math.NaN(), math.NaN()
	for p.plant.At() < 120*time.Second {
		told = append(told, p.Step(50*time.Millisecond)...)
		s := p.Snapshot()
		if warn == 0 && p.plant.rtd > 40 {
			warn = s.At
		}
		if above == 0 && p.plant.rtd > 48.9 {
			above = s.At
		}
		if s.At < 50*time.Second {
			oxygenPeak = max(oxygenPeak, s.Oxygen)
		}
		peak = max(peak, s.Water)
		if s.At > 76*time.Second {
			if opened == 0 {
				opened = s.At
			}
			volume += p.plant.flow * (50 * time.Millisecond).Minutes()
			if short == 0 && volume >= c.LeadML()+3*c.CellML {
				short, afterShort = s.At-opened, s.Oxygen
			}
			if long == 0 && volume >= 3*c.LeadML()+10*c.CellML {
				long, afterLong = s.At-opened, s.Oxygen
			}
			if s.Temperature > 40 {
				t.Fatalf("hot again at %v: %.1f degC", s.At, s.Temperature)
			}
		}
	}
	for _, n := range told {
		t.Logf("%6.2fs %s", n.At.Seconds(), n.Text)
	}
	t.Logf("warn %v, above %v, peak %.1f degC, oxygen peak %.1f, short %v %.1f ug/L, long %v %.1f ug/L",
		warn, above, peak, oxygenPeak, short, afterShort, long, afterLong)
	if d := above - warn; d < 3*time.Second || d > 6*time.Second {
		t.Errorf("from 40 to 48.9 degC took %v, want 3 to 6 s", d)
	}
	if peak < 49.5 || peak > 60 {
		t.Errorf("peak %.1f degC, want a visible and small overshoot", peak)
	}
	if oxygenPeak < 55 {
		t.Errorf("the deaerator upset reached only %.1f ug/L", oxygenPeak)
	}
	if short < 7*time.Second || short > 10*time.Second || long < 25*time.Second || long > 28*time.Second {
		t.Errorf("short flush %v, long flush %v; want about 8 s and 26 s", short, long)
	}
	if !(afterShort < 10) || !(afterLong < 5.5) {
		t.Errorf("oxygen %.1f ug/L after the short flush, %.1f after the long", afterShort, afterLong)
	}
	s := p.Snapshot()
	if s.Closures != 1 || s.ValveClosed || s.ClosedBy != ByNobody {
		t.Errorf("at the end %+v", s)
	}
}

func FuzzParseScript(f *testing.F) {
	f.Add(DemoScript)
	f.Add("8s deaerator-upset\n# x\n\n9h boiler-off-line")
	f.Add("-1s cooler-lost\n99999999999h cooler-lost\n1s\x00cooler-lost")
	f.Fuzz(func(t *testing.T, text string) {
		script, err := ParseScript(text)
		if err != nil {
			if script != nil {
				t.Fatal("a script beside an error")
			}
			return
		}
		// What the parser takes, the panel takes, and it prints back to itself.
		if _, err := NewPanel(1, DemoConstants(), 1, script); err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		for _, u := range script {
			b.WriteString(u.At.String() + " " + u.Do + "\n")
		}
		again, err := ParseScript(b.String())
		if err != nil || !slices.Equal(again, script) {
			t.Fatalf("%v, %v", again, err)
		}
	})
}
