package cli_test

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// commandsIn are the commands of the blocks of a chapter, each in one line.
func commandsIn(text string) (out []string) {
	for _, block := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(text, -1) {
		for _, l := range strings.Split(strings.ReplaceAll(block[1], "\\\n", ""), "\n") {
			if l = strings.Join(strings.Fields(l), " "); l != "" {
				out = append(out, l)
			}
		}
	}
	return out
}

// TestEveryCommandOfTheFirstHourIsRun: the chapter has no command that the script first-hour does not run, but for the rig's address and the
// length of the record; and where the README has the chapter, it is this one.
func TestEveryCommandOfTheFirstHourIsRun(t *testing.T) {
	chapter, err := os.ReadFile("testdata/first-hour.md")
	if err != nil {
		t.Fatal(err)
	}
	script, err := os.ReadFile("testdata/script/first-hour.txtar")
	if err != nil {
		t.Fatal(err)
	}
	run := strings.NewReplacer("tcp://$RIG", "tcp://127.0.0.1:5502", "--for 3s", "--for 1m").Replace(string(script))
	commands := commandsIn(string(chapter))
	if len(commands) < 8 {
		t.Fatalf("%d commands in the chapter", len(commands))
	}
	for _, c := range commands {
		if !strings.Contains(run, c) {
			t.Errorf("the script does not run: %s", c)
		}
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(readme), "### The first hour\n") && !strings.Contains(string(readme), strings.TrimSpace(string(chapter))) {
		t.Error("the chapter in README.md is another one than testdata/first-hour.md")
	}
}
