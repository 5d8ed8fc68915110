package config

import (
	"testing"
	"time"
)

func TestWhatIsKeptAndTheRoomItMayTakeAreReadOrTaken(t *testing.T) {
	const dir = `dir = "/var/lib/rillwatch"`
	s, r := mustParse(t, plain)
	if l := s.Logbook; l.Keep != 400*24*time.Hour || l.KeepHours != 3650*24*time.Hour || l.KeepEvents != 3650*24*time.Hour || l.Disk != 4e9 {
		t.Errorf("without a word: %+v", l)
	}
	told := map[string]string{}
	for _, d := range r.Defaults {
		told[d.Path] = d.Value
	}
	for key, want := range map[string]string{"logbook.keep": "400d", "logbook.keep_hours": "3650d", "logbook.keep_events": "3650d", "logbook.disk": "4 GB"} {
		if told[key] != want {
			t.Errorf("the report says %s = %q, want %q", key, told[key], want)
		}
	}
	s, _ = mustParse(t, change(t, dir, dir+"\nkeep = \"30d\"\nkeep_hours = \"31d\"\nkeep_events = \"30d\"\ndisk = \"2.5 GB\""))
	if l := s.Logbook; l.Keep != 30*24*time.Hour || l.KeepHours != 31*24*time.Hour || l.KeepEvents != 30*24*time.Hour || l.Disk != 2_500_000_000 {
		t.Errorf("as written: %+v", l)
	}
	// Kept longer than the others would be: they come along.
	s, _ = mustParse(t, change(t, dir, dir+"\nkeep = \"5000d\""))
	if l := s.Logbook; l.KeepHours != l.Keep || l.KeepEvents != l.Keep {
		t.Errorf("readings for longer than events: %+v", l)
	}
}
