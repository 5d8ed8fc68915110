package cli

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/config"
	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
)

// TestABacktestLetsTimePassWhereReadingsAreMissing: a temperature that is not on record for two minutes is lost ten seconds after its last reading, and not
// when the next one comes.
func TestABacktestLetsTimePassWhereReadingsAreMissing(t *testing.T) {
	s, _, err := config.Parse("site.toml", []byte(strings.NewReplacer("TITLE", "Boiler 2", "DIR", "/tmp/book", "oxygen = {", "temperature = { holding = 40002, type = \"int16\", scale = 0.1, unit = \"degC\" }\noxygen = {").
		Replace(reloadSite)+"[panel.b2.interlock]\ntemperature = \"rack.temperature\"\nwarn_above = \"40 degC\"\nclose_above = \"49 degC\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	b := newBacktest(s, []logbook.BootRow{{Ordinal: 1, Nonce: "00000001"}}, &out)
	begin := reading.WallOf(time.Date(2026, 11, 25, 1, 30, 0, 0, time.UTC))
	entry := logbook.EntriesOf(s)[b.points["b2.rack.temperature"]]
	for second := range 200 {
		if second > 60 && second < 180 {
			continue
		}
		up := time.Duration(second) * time.Second
		if err := b.take(&logbook.Recorded{Path: entry.Path, Boot: 1, Slot: uint64(second), Up: up, At: begin + reading.Wall(up), Certain: true, Raw: 254, Fault: reading.Answered, Reason: reading.Believed, Entry: &entry}); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.rest(); err != nil {
		t.Fatal(err)
	}
	if err := b.end(nil); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "at=2026-11-25T01:31:11Z") {
		t.Errorf("nothing is told ten seconds after the last reading:\n%s", out.String())
	}
}
