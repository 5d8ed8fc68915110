// Command gotest reads what `go test -json` writes and prints what a person wants of it: the result line of every package as
// go test itself words it, the whole output of what failed, figures a test asked to be shown, and what was skipped and why.
// Plain go test hides skips; go test -v hides failures in a flood.
//
// Owns: the choice of lines.
// Never: decides the outcome by itself; it ends with 1 exactly when go test said fail, or said nothing.
package main

import (
	"bufio"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
)

// event is what test2json documents (go doc test2json), as far as it is used here.
type event struct {
	Action  string
	Package string
	Test    string
	Output  string
}

// lineMax bounds one JSON line. test2json splits output at newlines; a test that prints a megabyte on one line is a mistake.
const lineMax = 1 << 20

// logPlace is what testing puts before a t.Log line.
var logPlace = regexp.MustCompile(`^\s*[\w.-]+\.go:\d+: `)

// figurePrefix marks a t.Log line that is shown although its test passed: states visited, executions, findings.
const figurePrefix = "figure: "

func main() {
	skipped := flag.String("skipped", "", "append one line per skipped test to this `file`")
	flag.Parse()
	ok, skips, err := summarise(os.Stdin, os.Stdout)
	if err == nil && *skipped != "" && len(skips) > 0 {
		err = appendLines(*skipped, skips)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "gotest:", err)
		os.Exit(1)
	}
	if !ok {
		os.Exit(1)
	}
}

// summarise copies the lines worth reading from r to w. It returns whether every package passed (and there was one), and
// one line for each skipped test. With CI=true a skip is a failure.
func summarise(r io.Reader, w io.Writer) (ok bool, skips []string, err error) {
	held := map[string][]string{} // output of a test that has not ended, by package and test
	packages, failed := 0, 0
	in := bufio.NewScanner(r)
	in.Buffer(nil, lineMax)
	for in.Scan() {
		var e event
		if err := json.Unmarshal(in.Bytes(), &e); err != nil {
			fmt.Fprintln(w, in.Text()) // go itself talks between the events, e.g. of a pattern that matches nothing
			continue
		}
		key := e.Package + " " + e.Test
		switch e.Action {
		case "build-output":
			fmt.Fprint(w, e.Output)
		case "output":
			if resultLine(e) {
				fmt.Fprint(w, e.Output)
				continue
			}
			if text := logPlace.ReplaceAllString(e.Output, ""); strings.HasPrefix(text, figurePrefix) {
				fmt.Fprintf(w, "      %s: %s", e.Test, strings.TrimPrefix(text, figurePrefix))
			}
			held[key] = append(held[key], e.Output)
		case "pass":
			if e.Test == "" {
				packages++
			}
			delete(held, key)
		case "skip":
			if e.Test != "" { // a package without tests is "skip" too
				skips = append(skips, skipLine(e, held[key]))
			}
			delete(held, key)
		case "fail":
			if e.Test == "" {
				packages++
				failed++
			}
			for _, line := range held[key] {
				fmt.Fprint(w, line)
			}
			delete(held, key)
		}
	}
	if err := in.Err(); err != nil {
		return false, skips, fmt.Errorf("read events: %w", err)
	}
	if packages == 0 {
		fmt.Fprintln(w, "FAIL: no package was tested")
		return false, skips, nil
	}
	if len(skips) > 0 && os.Getenv("CI") == "true" {
		fmt.Fprintf(w, "FAIL: %d tests skipped, and CI=true:\n", len(skips))
		for _, s := range skips {
			fmt.Fprintln(w, "  "+s)
		}
		return false, skips, nil
	}
	return failed == 0, skips, nil
}

// resultLine tells go test's own closing line of a package from what a test prints.
func resultLine(e event) bool {
	if e.Test != "" {
		return false
	}
	for _, p := range []string{"ok  \t", "FAIL\t", "?   \t"} {
		if strings.HasPrefix(e.Output, p) {
			return true
		}
	}
	return strings.HasPrefix(e.Output, "\t") && strings.Contains(e.Output, "coverage:")
}

// skipLine joins a skipped test's name with the reason it gave.
func skipLine(e event, output []string) string {
	reason := "no reason given"
	for _, line := range output {
		if logPlace.MatchString(line) {
			reason = strings.TrimSpace(logPlace.ReplaceAllString(line, ""))
		}
	}
	return fmt.Sprintf("skipped: %s %s: %s", e.Package, e.Test, reason)
}

func appendLines(file string, lines []string) error {
	f, err := os.OpenFile(file, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintln(f, strings.Join(lines, "\n")); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}
