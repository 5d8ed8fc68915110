package cli_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/logbook"
)

// TestABacktestFindsTheExcursionOnRecord: by the configuration of then, the recorded readings give the excursion that the daemon recorded, to the second
// and to the digit.
func TestABacktestFindsTheExcursionOnRecord(t *testing.T) {
	dir, _ := openNight(t)
	book, err := logbook.OpenForReading(filepath.Join(dir, "book"), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	recorded, err := book.Excursions("", 10)
	if err != nil || len(recorded) != 1 {
		t.Fatalf("%d excursions on record (%v), want one", len(recorded), err)
	}
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
	code, out, talk := command(t, "replay", "--from", filepath.Join(dir, "book"), "--config", filepath.Join(dir, "site.toml"))
	if code != 0 {
		t.Fatal(talk)
	}
	x := recorded[0]
	if x.Beyond != 10*time.Minute || x.Peak < 23.09 || x.Peak > 23.11 {
		t.Fatalf("on record: beyond %s, peak %v; the story says ten minutes at 23.1", x.Beyond, x.Peak)
	}
	want := "  " + x.Alarm + " from " + x.Start.Wall.Time().Format(time.RFC3339) + ": beyond for " + x.Beyond.String() + ", unknown for " + x.UnknownTime.String() + ", highest 23.1 ppb\n"
	if !strings.HasSuffix(out, want) {
		t.Errorf("want at the end\n%s\nand not\n%s", want, out)
	}
}
