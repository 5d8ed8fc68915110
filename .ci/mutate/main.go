// Command mutate turns each comparison of some packages by its edge, one at a time, and runs that package's tests: < becomes <= and the other way
// round, > becomes >=, == becomes !=. A test that still passes does not know where the edge is, and in a judge the edges are the rulings. Such
// survivors must not be, or must stand in known.txt with the reason why no test can tell them.
//
// Owns: the list of comparisons, the runs, the comparison with known.txt.
// Never: changes a file of the project; the changed source is an overlay in a temporary folder.
//
// usage: go run ./.ci/mutate [-known FILE] [DIR ...]
package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/printer"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// judges are the packages whose edges are rulings.
var judges = []string{"internal/panel/validate", "internal/panel/line", "internal/panel/interlock", "internal/panel/alarm", "internal/panel/excursion"}

// turned is what becomes of each comparison.
var turned = map[token.Token]token.Token{token.LSS: token.LEQ, token.LEQ: token.LSS, token.GTR: token.GEQ, token.GEQ: token.GTR, token.EQL: token.NEQ, token.NEQ: token.EQL}

// testFor bounds one run: the slowest of the packages takes 14 s on an idle machine, and a turned comparison may never end.
const testFor = 3 * time.Minute

// enumerations are the tests that walk every state. They are run only where the stories, which take a hundredth of the time, notice nothing.
const enumerations = "^TestEvery"

// comparison is one place. Its name holds no line number, so that it outlives changes elsewhere in the file.
type comparison struct {
	name   string // FILE FUNCTION: EXPRESSION, and #2 for the second of the same
	file   string
	offset int
	from   token.Token

	survived bool
}

func main() {
	known := flag.String("known", filepath.Join(".ci", "mutate", "known.txt"), "survivors with their reasons")
	flag.Parse()
	dirs := flag.Args()
	if len(dirs) == 0 {
		dirs = judges
	}
	ok, err := run(dirs, *known, os.Stdout)
	if err != nil {
		fmt.Fprintln(os.Stderr, "mutate:", err)
		os.Exit(2)
	}
	if !ok {
		os.Exit(1)
	}
}

// run turns every comparison of the packages. ok is false when one survived that is not known, or a known one is none any more.
func run(dirs []string, knownFile string, out io.Writer) (ok bool, err error) {
	known, err := readKnown(knownFile)
	if err != nil {
		return false, err
	}
	work, err := os.MkdirTemp("", "mutate")
	if err != nil {
		return false, err
	}
	defer os.RemoveAll(work)

	ok = true
	for _, dir := range dirs {
		all, err := comparisons(dir)
		if err != nil {
			return false, err
		}
		if len(all) == 0 {
			return false, fmt.Errorf("%s holds no comparison, which cannot be right", dir)
		}
		if survived, err := survives(work, dir, nil); err != nil || !survived {
			return false, fmt.Errorf("%s: its tests fail as it stands (%v)", dir, err)
		}
		for i := range all {
			if all[i].survived, err = survives(work, dir, &all[i], "-skip", enumerations); err == nil && all[i].survived {
				all[i].survived, err = survives(work, dir, &all[i])
			}
			if err != nil {
				return false, fmt.Errorf("%s: %w", all[i].name, err)
			}
		}
		ok = compare(dir, all, known, knownFile, out) && ok
	}
	return ok, nil
}

// compare tells what survived and is not known, and what is known and does not survive.
func compare(dir string, all []comparison, known map[string]string, knownFile string, out io.Writer) bool {
	ok, noticed, excused := true, 0, 0
	found := map[string]bool{}
	for _, c := range all {
		found[c.name] = true
		switch _, listed := known[c.name]; {
		case !c.survived && listed:
			ok = false
			fmt.Fprintf(out, "no survivor any more, take it out of %s: %s\n", knownFile, c.name)
		case !c.survived:
			noticed++
		case listed:
			excused++
		default:
			ok = false
			fmt.Fprintf(out, "survivor: %s (as %s)\n", c.name, turned[c.from])
		}
	}
	for _, name := range sorted(known) {
		if strings.HasPrefix(name, filepath.ToSlash(dir)+"/") && !found[name] {
			ok = false
			fmt.Fprintf(out, "there is no such comparison, take it out of %s: %s\n", knownFile, name)
		}
	}
	fmt.Fprintf(out, "figure: comparisons of %s: %d, noticed %d, known %d\n", dir, len(all), noticed, excused)
	return ok
}

func sorted(m map[string]string) []string {
	var names []string
	for n := range m {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// comparisons finds every comparison of a package outside its tests, in the order of the source.
func comparisons(dir string) ([]comparison, error) {
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		return nil, err
	}
	var all []comparison
	times := map[string]int{}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, file, nil, 0)
		if err != nil {
			return nil, err
		}
		for _, d := range f.Decls {
			fn, isFunc := d.(*ast.FuncDecl)
			if !isFunc || fn.Body == nil {
				continue
			}
			ast.Inspect(fn.Body, func(n ast.Node) bool {
				b, is := n.(*ast.BinaryExpr)
				if !is || turned[b.Op] == 0 {
					return true
				}
				var text bytes.Buffer
				if err := printer.Fprint(&text, fset, b); err != nil {
					return true // a node that was parsed prints
				}
				name := filepath.ToSlash(file) + " " + fn.Name.Name + ": " + strings.Join(strings.Fields(text.String()), " ")
				if times[name]++; times[name] > 1 {
					name = fmt.Sprintf("%s #%d", name, times[name])
				}
				all = append(all, comparison{name: name, file: file, offset: fset.Position(b.OpPos).Offset, from: b.Op})
				return true
			})
		}
	}
	return all, nil
}

// survives runs a package's tests with one comparison turned, or none, and tells whether they pass.
func survives(work, dir string, c *comparison, more ...string) (bool, error) {
	args := append([]string{"test", "-vet=off", "-count=1", "-failfast", "-timeout", testFor.String()}, more...)
	if c != nil {
		source, err := os.ReadFile(c.file)
		if err != nil {
			return false, err
		}
		was := c.from.String()
		if !bytes.HasPrefix(source[c.offset:], []byte(was)) {
			return false, fmt.Errorf("%s does not stand where it was found", was)
		}
		changed := slices.Concat(source[:c.offset], []byte(turned[c.from].String()), source[c.offset+len(was):])
		there, err := filepath.Abs(c.file)
		if err != nil {
			return false, err
		}
		with := filepath.Join(work, "turned.go")
		overlay, err := json.Marshal(map[string]map[string]string{"Replace": {there: with}})
		if err != nil {
			return false, err
		}
		list := filepath.Join(work, "overlay.json")
		if err := errors.Join(os.WriteFile(with, changed, 0o600), os.WriteFile(list, overlay, 0o600)); err != nil {
			return false, err
		}
		args = append(args, "-overlay", list)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*testFor) // the building too
	defer cancel()
	cmd := exec.CommandContext(ctx, "go", append(args, ".")...)
	cmd.Dir = dir
	said, err := cmd.CombinedOutput()
	var failed *exec.ExitError
	switch {
	case err == nil:
		return true, nil
	case !errors.As(err, &failed):
		return false, err
	case bytes.Contains(said, []byte("[build failed]")), bytes.Contains(said, []byte("[setup failed]")):
		return false, fmt.Errorf("does not build:\n%s", said)
	}
	return false, nil
}

// readKnown reads the survivors that are known: one a line, then " # " and the reason. Empty lines and lines that begin with # are passed over.
func readKnown(file string) (map[string]string, error) {
	raw, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	known := map[string]string{}
	lines := bufio.NewScanner(bytes.NewReader(raw))
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		name, reason, _ := strings.Cut(line, " # ")
		if strings.TrimSpace(reason) == "" {
			return nil, fmt.Errorf("%s:%d: a survivor without a reason", file, n)
		}
		known[strings.TrimSpace(name)] = strings.TrimSpace(reason)
	}
	return known, lines.Err()
}
