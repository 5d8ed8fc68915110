package cli_test

import (
	"flag"
	"os"
	"strings"
	"testing"
	_ "time/tzdata"

	"github.com/rogpeppe/go-internal/testscript"

	"rillwatch/internal/cli"
)

// update writes what the commands print into the scripts. Read it before it is committed.
var update = flag.Bool("update", false, "write the output of the commands into the scripts")

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"rillwatch": func() { os.Exit(cli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
		"night":     nightMain,
	})
}

// TestCommands runs the scripts of testdata/script: what a person types and what comes back, with its exit code.
func TestCommands(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script", RequireExplicitExec: true, Setup: setup, UpdateScripts: *update})
}

// TestHelpIsReadable holds that every command says how it is used, within what a terminal shows, and speaks no word that means the burner or a padlock in a boiler house.
func TestHelpIsReadable(t *testing.T) {
	commands := [][]string{{"--help"}, {"run", "--help"}, {"demo", "--help"}, {"config", "--help"}, {"logbook", "--help"}, {"logbook", "check", "--help"},
		{"logbook", "state", "--help"}, {"simulate", "--help"}, {"version", "--help"}, {"water", "--help"}, {"water", "units", "--help"},
		{"survey", "--help"}, {"read", "--help"}, {"decode", "--help"}, {"prove", "--help"}, {"capture", "--help"}, {"replay", "--help"},
		{"ack", "--help"}, {"service", "--help"}, {"check", "--help"}, {"online", "--help"}, {"rearm", "--help"}, {"override", "--help"}, {"closed", "--help"}, {"drill", "--help"},
		{"history", "--help"}, {"export", "--help"}, {"report", "--help"}, {"report", "evidence", "--help"}}
	for name := range waterCommands {
		commands = append(commands, []string{"water", name, "--help"})
	}
	for _, args := range commands {
		var out, talk strings.Builder
		if code := cli.Main(args, strings.NewReader(""), &out, &talk); code != 0 || talk.Len() > 0 {
			t.Errorf("%v: code %d, stderr %q", args, code, talk.String())
		}
		text := out.String()
		if !strings.Contains(text, "Usage:") {
			t.Errorf("%v says nothing of its usage:\n%s", args, text)
		}
		for _, bad := range []string{"tripped", "locked out", "lockout", "reset"} {
			if strings.Contains(strings.ToLower(text), bad) {
				t.Errorf("%v says %q", args, bad)
			}
		}
		for _, l := range strings.Split(text, "\n") {
			if len(l) > 100 {
				t.Errorf("%v: a line of %d columns: %s", args, len(l), l)
			}
		}
	}
}
