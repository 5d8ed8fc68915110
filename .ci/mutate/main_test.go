package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// small is a module with one comparison that its test knows and one that it does not.
func small(t *testing.T, known string) (dir, file string) {
	t.Helper()
	dir = t.TempDir()
	for name, text := range map[string]string{
		"go.mod": "module small\n\ngo 1.26\n",
		"small.go": "package small\n\nfunc Above(a, b int) bool { return a > b }\n\n" +
			"func Sum(n int) (s int) {\n\tfor i := 0; i <= n; i++ {\n\t\tif i > 0 {\n\t\t\ts += i\n\t\t}\n\t}\n\treturn s\n}\n",
		"small_test.go": "package small\n\nimport \"testing\"\n\nfunc Test(t *testing.T) {\n\tif Above(1, 1) || !Above(2, 1) || Sum(3) != 6 {\n\t\tt.Fatal()\n\t}\n}\n",
		"known.txt":     known,
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir, filepath.Join(dir, "known.txt")
}

// TestWhatNoTestNoticesIsASurvivor: i > 0 turned to i >= 0 adds a nought; nothing can notice that. The other two are noticed.
func TestWhatNoTestNoticesIsASurvivor(t *testing.T) {
	dir, known := small(t, "")
	name := filepath.ToSlash(dir) + "/small.go Sum: i > 0"
	var out strings.Builder
	ok, err := run([]string{dir}, known, &out)
	if err != nil || ok || !strings.Contains(out.String(), "survivor: "+name+" (as >=)\n") || strings.Count(out.String(), "survivor") != 1 ||
		!strings.Contains(out.String(), ": 3, noticed 2, known 0\n") {
		t.Fatalf("%v %v\n%s", ok, err, out.String())
	}
}

func TestKnownSurvivorsAreHeldToWhatIsFound(t *testing.T) {
	all := []comparison{{name: "p/a.go F: a > b"}, {name: "p/a.go F: i > 0", survived: true}}
	for _, c := range []struct {
		known string
		want  string // in what is told; empty: all is well
	}{
		{"# why\n\np/a.go F: i > 0 # adding nought changes nothing\nother/b.go G: a < b # of a package that is not run\n", ""},
		{"", "survivor: p/a.go F: i > 0"},
		{"p/a.go F: i > 0 # fine\np/a.go F: a > b # not true\n", "no survivor any more"},
		{"p/a.go F: i > 0 # fine\np/a.go F: a < b # there is none\n", "there is no such comparison"},
	} {
		file := filepath.Join(t.TempDir(), "known.txt")
		if err := os.WriteFile(file, []byte(c.known), 0o600); err != nil {
			t.Fatal(err)
		}
		known, err := readKnown(file)
		if err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		if ok := compare("p", all, known, file, &out); ok != (c.want == "") || !strings.Contains(out.String(), c.want) {
			t.Errorf("known %q: %t\n%s", c.known, ok, out.String())
		}
	}
	file := filepath.Join(t.TempDir(), "known.txt")
	if err := os.WriteFile(file, []byte("p/a.go F: i > 0\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := readKnown(file); err == nil || !strings.Contains(err.Error(), "without a reason") {
		t.Errorf("a survivor without a reason: %v", err)
	}
}

func TestTestsThatFailAsTheyStandProveNothing(t *testing.T) {
	dir, known := small(t, "")
	if err := os.WriteFile(filepath.Join(dir, "bad_test.go"), []byte("package small\n\nimport \"testing\"\n\nfunc TestBad(t *testing.T) { t.Fatal() }\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := run([]string{dir}, known, &strings.Builder{}); err == nil || !strings.Contains(err.Error(), "fail as it stands") {
		t.Errorf("%v", err)
	}
}
