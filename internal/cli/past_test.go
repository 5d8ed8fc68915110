package cli_test

import (
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/app"
	"rillwatch/internal/cli"
	"rillwatch/internal/engine"
	"rillwatch/internal/httpapi"
	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
)

func command(t *testing.T, args ...string) (code int, out, talk string) {
	t.Helper()
	var o, e strings.Builder
	code = cli.Main(args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// TestTheDaemonGivesTheSameBytesAsTheDirectory: whoever holds the logbook, the answer is one. Beside a daemon the directory alone is refused with
// what to do, and with the configuration the daemon is asked.
func TestTheDaemonGivesTheSameBytesAsTheDirectory(t *testing.T) {
	dir, s := openNight(t)
	book := filepath.Join(dir, "book")
	srv := httptest.NewUnstartedServer(nil)
	text := millText(dir, srv.Listener.Addr().String())
	file := filepath.Join(dir, "site.toml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	span := []string{"--from", "2026-11-25T02:39:00Z", "--to", "2026-11-25T02:56:00Z"}
	var questions [][]string
	for _, q := range [][]string{{"history"}, {"history", "--hourly"}, {"history", "--json", "--points", "b2.*.oxygen"}, {"export"}, {"export", "--format", "jsonl"},
		{"export", "--format", "openmetrics"}, {"export", "--hourly", "--points", "b2"}} {
		questions = append(questions, append(append([]string{}, q...), span...))
	}
	questions = append(questions, []string{"report", "evidence", "b2.rack.oxygen", "2026-11-25T02:10:30Z"})
	direct := make([]string, len(questions))
	for i, q := range questions {
		code, out, talk := command(t, append(q, "--config", file)...)
		if code != 0 || out == "" {
			t.Fatalf("%v: code %d: %s", q, code, talk)
		}
		direct[i] = out + talk
	}

	held, err := logbook.Open(book, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	asked := 0
	srv.Config.Handler = httpapi.New(httpapi.Config{Site: s, View: func() *engine.View { return nil }, Past: app.Past(held),
		Now: func() reading.Stamp { asked++; return reading.Stamp{Wall: reading.WallOf(time.Now())} }})
	srv.Start()
	defer srv.Close()
	for i, q := range questions {
		before := asked
		code, out, talk := command(t, append(q, "--config", file)...)
		if code != 0 || out+talk != direct[i] {
			t.Errorf("%v through the daemon: code %d\n%s%s\nand from the directory:\n%s", q, code, out, talk, direct[i])
		}
		if asked == before {
			t.Errorf("%v did not ask the daemon", q)
		}
	}
	if code, _, talk := command(t, "export", "--dir", book); code != 1 || !strings.Contains(talk, "in use") || !strings.Contains(talk, "--api") {
		t.Errorf("of a directory a daemon holds: code %d, %s", code, talk)
	}
	if code, _, talk := command(t, "history", "--config", file, "--points", "b3"); code != 64 || !strings.Contains(talk, `"b3" names no point`) {
		t.Errorf("a question the daemon cannot understand: code %d, %s", code, talk)
	}
}

// TestWhatBreaksOffLeavesNoFile: an export that was interrupted, or whose daemon went away, is told and is not there under its name.
func TestWhatBreaksOffLeavesNoFile(t *testing.T) {
	dir, s := openNight(t)
	held, err := logbook.Open(filepath.Join(dir, "book"), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	src := app.Past(held)
	if err := held.Close(); err != nil { // from here on every reading fails
		t.Fatal(err)
	}
	srv := httptest.NewServer(httpapi.New(httpapi.Config{Site: s, View: func() *engine.View { return nil }, Past: src, Now: func() reading.Stamp { return reading.Stamp{Wall: reading.WallOf(time.Now())} }}))
	defer srv.Close()
	out := filepath.Join(dir, "all.csv")
	code, _, talk := command(t, "export", "--api", srv.URL, "--from", "begin", "--out", out)
	if code != 1 || talk == "" {
		t.Errorf("code %d: %s", code, talk)
	}
	left, err := filepath.Glob(filepath.Join(dir, "*all.csv*"))
	if hidden, _ := filepath.Glob(filepath.Join(dir, ".all.csv*")); err != nil || len(left)+len(hidden) > 0 {
		t.Errorf("there are %v and %v (%v)", left, hidden, err)
	}
}

// TestPromtoolBuildsBlocksFromTheExport: Prometheus' own reader of the format (promtool tsdb create-blocks-from openmetrics) takes every value, with a
// time for each, and its own dump gives them back.
func TestPromtoolBuildsBlocksFromTheExport(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("promtool is missing: make tools installs it")
		}
		t.Skip("promtool is missing (make tools installs it): the export was not read by another program")
	}
	dir, _ := openNight(t)
	for _, hourly := range []bool{false, true} {
		om, blocks := filepath.Join(dir, fmt.Sprint(hourly, ".om")), filepath.Join(dir, fmt.Sprint("blocks-", hourly))
		args := []string{"export", "--dir", filepath.Join(dir, "book"), "--from", "begin", "--to", "2026-11-25T03:30:00Z", "--format", "openmetrics", "--out", om}
		if hourly {
			args = append(args, "--hourly")
		}
		code, _, talk := command(t, args...)
		if code != 0 {
			t.Fatal(talk)
		}
		if out, err := exec.Command(tool, "tsdb", "create-blocks-from", "openmetrics", om, blocks).CombinedOutput(); err != nil {
			t.Fatalf("promtool does not take it: %v\n%s", err, out)
		}
		if err := os.Mkdir(filepath.Join(blocks, "wal"), 0o700); err != nil { // without one the dump does not open a database
			t.Fatal(err)
		}
		var why strings.Builder
		look := exec.Command(tool, "tsdb", "dump", blocks)
		look.Stderr = &why
		dump, err := look.Output()
		if err != nil {
			t.Fatalf("promtool tsdb dump: %v: %s", err, why.String())
		}
		var rows int
		if _, err := fmt.Sscanf(talk, "%d", &rows); err != nil {
			t.Fatal(err)
		}
		if got := strings.Count(string(dump), "\n"); got != rows || rows < 30 {
			t.Errorf("hourly %t: %d values in the blocks, %d exported", hourly, got, rows)
		}
		if want := `{__name__="rillwatch_dissolved_oxygen_ppb", panel="b2", point="rack.oxygen"} 23.1 1795572600000`; !hourly && !strings.Contains(string(dump), want) {
			t.Errorf("the blocks lack %s", want)
		}
	}
}
