package arch

import (
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"
)

const module = "rillwatch"

// rooms says which rooms of this project each room may import. A room that is not listed fails the test: a new room says where
// it stands. Arrows only go down.
var rooms = map[string][]string{
	"internal/reading":         {},
	"internal/quantity":        {},
	"internal/site":            {"internal/reading", "internal/quantity"},
	"internal/event":           {"internal/reading", "internal/site"},
	"internal/chem":            {},
	"internal/stats":           {},
	"internal/panel/decode":    {"internal/reading", "internal/site"},
	"internal/panel/validate":  {"internal/reading", "internal/site", "internal/quantity", "internal/panel/decode"}, // own quality begins with what the words say
	"internal/panel/line":      {"internal/reading", "internal/site"},
	"internal/panel/interlock": {"internal/reading", "internal/site", "internal/quantity"},
	"internal/panel/derive":    {"internal/reading", "internal/site", "internal/quantity", "internal/chem"},
	"internal/panel/advise":    {"internal/reading", "internal/site", "internal/quantity", "internal/chem", "internal/panel/derive"}, // it says how a derived point came about
	"internal/panel/alarm":     {"internal/reading", "internal/site", "internal/quantity", "internal/stats"},                         // how fast a value moves is a published slope
	"internal/panel/excursion": {"internal/reading", "internal/site", "internal/quantity"},
	"internal/panel": {"internal/reading", "internal/site", "internal/quantity", "internal/event", "internal/panel/decode", "internal/panel/validate",
		"internal/panel/line", "internal/panel/interlock", "internal/panel/derive", "internal/panel/alarm", "internal/panel/excursion", "internal/panel/advise", "internal/chem", "internal/stats"}, // a learned baseline is a published median
	"internal/guess":    {"internal/reading", "internal/site", "internal/quantity", "internal/panel/decode"},                                                             // what it proposes is decoded as the daemon will
	"internal/engine":   {"internal/reading", "internal/site", "internal/quantity", "internal/event", "internal/panel", "internal/panel/advise", "internal/panel/alarm"}, // names of an alarm's states
	"internal/bus/plan": {"internal/reading", "internal/site"},
	"internal/bus":      {"internal/reading", "internal/site", "internal/bus/plan"},
	"internal/logbook":  {"internal/reading", "internal/site", "internal/quantity", "internal/event", "internal/engine", "internal/panel/validate"}, // an old raw is judged by the step that judged it first
	"internal/notify":   {"internal/reading", "internal/site", "internal/quantity", "internal/event"},
	"internal/history":  {"internal/reading", "internal/site", "internal/quantity", "internal/engine"}, // below the shell rooms: the API and the command line write the past alike
	"internal/httpapi":  {"internal/reading", "internal/site", "internal/quantity", "internal/event", "internal/engine", "internal/history"},
	"internal/config":   {"internal/reading", "internal/site", "internal/quantity", "internal/bus/plan", "internal/chem", "internal/event"}, // a recipient names the kinds it is told; what a line costs depends on what is asked together; an altitude stands for a barometer
	"internal/rig":      {},
	"internal/arch":     {},
	"internal/app":      nil, // composes: anything but cli
	"internal/cli":      nil, // anything
	"internal/peertest": {},
	"internal/e2e":      {},
	"cmd/rillwatch":     {"internal/cli"},

	"internal/crashtest": {}, // its tests link the logbook and the engine: they write as the daemon does, and open what a power failure leaves
}

// core rooms are pure: the same state and the same inputs give the same bytes.
var core = []string{"internal/reading", "internal/quantity", "internal/site", "internal/event", "internal/chem", "internal/stats", "internal/panel", "internal/guess", "internal/engine"}

// notInCore maps what the core may not import to the reason.
var notInCore = map[string]string{
	"net":          "the core knows no socket",
	"net/http":     "the core knows no socket",
	"net/url":      "the core knows no address",
	"os":           "the core reads no file and no environment",
	"io/fs":        "the core reads no file",
	"sync":         "the core has one owner and needs no lock",
	"sync/atomic":  "the core has one owner and needs no lock",
	"log":          "the core tells by outcomes, not by logging",
	"log/slog":     "the core tells by outcomes, not by logging",
	"math/rand":    "chance is an argument",
	"math/rand/v2": "chance is an argument",
	"crypto/rand":  "chance is an argument",
	"context":      "the core waits for nothing",
	"runtime":      "the core does not look at its machine",
}

// coreMay are the packages of the standard library that the core may import; a new one says here why it is pure. No module of others is.
var coreMay = []string{"bytes", "cmp", "encoding/base64", "encoding/json", "errors", "fmt", "math", "math/big", "math/bits", "slices", "strconv", "strings",
	"time", // its types; its clocks are refused below
	"unicode/utf8"}

// noClock are the functions of package time that read or wait for a clock.
var noClock = []string{"Now", "Since", "Until", "After", "AfterFunc", "Sleep", "Tick", "NewTimer", "NewTicker"}

// shell rooms meet only in app.
var shell = []string{"internal/bus", "internal/logbook", "internal/notify", "internal/httpapi"}

type pkg struct {
	dir   string // relative to the module, slashes
	fset  *token.FileSet
	files []*ast.File // without tests
	tests []*ast.File
}

func load(t *testing.T) []pkg {
	t.Helper()
	root := "../.."
	if _, err := os.Stat(filepath.Join(root, "go.mod")); err != nil {
		t.Fatal(err)
	}
	byDir := map[string]*pkg{}
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || d.Name() == "bin" || (strings.HasPrefix(d.Name(), ".") && p != root)) {
			return fs.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(p, ".go") {
			return nil
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		dir := path.Dir(filepath.ToSlash(rel))
		k := byDir[dir]
		if k == nil {
			k = &pkg{dir: dir, fset: token.NewFileSet()}
			byDir[dir] = k
		}
		f, err := parser.ParseFile(k.fset, p, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		if strings.HasSuffix(p, "_test.go") {
			k.tests = append(k.tests, f)
		} else {
			k.files = append(k.files, f)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var out []pkg
	for _, k := range byDir {
		out = append(out, *k)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].dir < out[j].dir })
	if len(out) < 17 {
		t.Fatalf("found %d packages; the house has more rooms than that", len(out))
	}
	return out
}

func imports(f *ast.File) []string {
	var out []string
	for _, i := range f.Imports {
		out = append(out, strings.Trim(i.Path.Value, `"`))
	}
	return out
}

func inCore(dir string) bool {
	for _, c := range core {
		if dir == c || strings.HasPrefix(dir, c+"/") {
			return true
		}
	}
	return false
}

func TestArrowsOnlyGoDown(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range load(t) {
		allowed, listed := rooms[p.dir]
		if !listed {
			t.Errorf("room %s is not in the list of rooms: say where it stands", p.dir)
			continue
		}
		seen[p.dir] = true
		for _, f := range p.files {
			for _, i := range imports(f) {
				to, own := strings.CutPrefix(i, module+"/")
				if !own {
					continue
				}
				switch {
				case to == "internal/cli" && p.dir != "cmd/rillwatch":
					t.Errorf("%s imports %s: the commands are the top floor", p.dir, to)
				case to == "internal/config" && p.dir != "internal/cli" && p.dir != "internal/app":
					t.Errorf("%s imports %s: the configuration is not consulted after the start", p.dir, to)
				case inCore(p.dir) && to == "internal/rig":
					t.Errorf("%s imports the rig: the core must not know that it is simulated", p.dir)
				case allowed != nil && !slices.Contains(allowed, to):
					t.Errorf("%s imports %s: not one of the rooms below it", p.dir, to)
				}
			}
		}
	}
	for r := range rooms {
		if !seen[r] {
			t.Errorf("room %s is listed and does not exist", r)
		}
	}
}

func TestShellRoomsDoNotKnowEachOther(t *testing.T) {
	for _, p := range load(t) {
		for _, s := range shell {
			if p.dir != s && !strings.HasPrefix(p.dir, s+"/") {
				continue
			}
			for _, f := range p.files {
				for _, i := range imports(f) {
					to := strings.TrimPrefix(i, module+"/")
					for _, o := range shell {
						if o != s && (to == o || strings.HasPrefix(to, o+"/")) {
							t.Errorf("%s imports %s: rooms of the shell meet only in app", p.dir, to)
						}
					}
				}
			}
		}
	}
}

func TestCoreUsesNoClockChanceNetFileLockOrLog(t *testing.T) {
	checked := 0
	for _, p := range load(t) {
		if !inCore(p.dir) {
			continue
		}
		checked++
		for _, f := range p.files {
			for _, i := range imports(f) {
				switch why, bad := notInCore[i]; {
				case bad:
					t.Errorf("%s imports %s: %s", p.dir, i, why)
				case !strings.HasPrefix(i, module+"/") && !slices.Contains(coreMay, i):
					t.Errorf("%s imports %s: not one of the packages the core may use", p.dir, i)
				}
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if g, ok := n.(*ast.GoStmt); ok {
					t.Errorf("%s: go statement: the core is one timeline", p.fset.Position(g.Pos()))
				}
				return true
			})
		}
	}
	if checked < 14 {
		t.Errorf("checked %d core rooms, there are at least 14", checked)
	}
}

// ownImporter type-checks this module's packages from source, so that a range over a map is found by its type and not by its spelling.
type ownImporter struct {
	t    *testing.T
	byID map[string]pkg
	done map[string]*types.Package
	std  types.Importer
	info *types.Info
}

func (o *ownImporter) Import(id string) (*types.Package, error) {
	dir, own := strings.CutPrefix(id, module+"/")
	if !own {
		return o.std.Import(id)
	}
	if p := o.done[dir]; p != nil {
		return p, nil
	}
	k := o.byID[dir]
	cfg := types.Config{Importer: o}
	p, err := cfg.Check(id, k.fset, k.files, o.info)
	o.done[dir] = p
	return p, err
}

// TestCoreNeverRangesOverAMapNorAsksAClock looks at types, so that another name for a package or a type parameter hides nothing.
func TestCoreNeverRangesOverAMapNorAsksAClock(t *testing.T) {
	o := &ownImporter{t: t, byID: map[string]pkg{}, done: map[string]*types.Package{}, std: importer.ForCompiler(token.NewFileSet(), "source", nil),
		info: &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}}
	var dirs []string
	for _, p := range load(t) {
		o.byID[p.dir] = p
		if inCore(p.dir) {
			dirs = append(dirs, p.dir)
		}
	}
	ranges := 0
	for _, d := range dirs {
		if _, err := o.Import(module + "/" + d); err != nil {
			t.Fatalf("%s: %v", d, err)
		}
		p := o.byID[d]
		for _, f := range p.files {
			ast.Inspect(f, func(n ast.Node) bool {
				if id, ok := n.(*ast.Ident); ok {
					if used := o.info.Uses[id]; used != nil && used.Pkg() != nil && used.Pkg().Path() == "time" && used.Parent() == used.Pkg().Scope() && slices.Contains(noClock, used.Name()) {
						t.Errorf("%s: time.%s: time is an argument", p.fset.Position(id.Pos()), used.Name())
					}
					return true
				}
				r, ok := n.(*ast.RangeStmt)
				if !ok {
					return true
				}
				ranges++
				if mayBeMap(o.info.Types[r.X].Type) {
					t.Errorf("%s: ranges over a map: the order would be chance", p.fset.Position(r.Pos()))
				}
				return true
			})
		}
	}
	if ranges < 50 {
		t.Errorf("looked at %d range statements; the core has more than that", ranges)
	}
}

// mayBeMap tells whether a type is a map, or a type parameter that a map may stand for.
func mayBeMap(t types.Type) bool {
	switch u := t.Underlying().(type) {
	case *types.Map:
		return true
	case *types.Interface: // of a type parameter
		for i := range u.NumEmbeddeds() {
			switch e := u.EmbeddedType(i).(type) {
			case *types.Union:
				for k := range e.Len() {
					if mayBeMap(e.Term(k).Type()) {
						return true
					}
				}
			default:
				if mayBeMap(e) {
					return true
				}
			}
		}
	}
	return false
}

func TestEveryPackageSaysWhatItOwnsAndWhatItNeverDoes(t *testing.T) {
	for _, p := range load(t) {
		doc := ""
		for _, f := range p.files {
			if f.Doc != nil {
				doc += f.Doc.Text()
			}
		}
		if len(p.files) == 0 {
			continue
		}
		for _, w := range []string{"Owns:", "Never:"} {
			if !strings.Contains(doc, w) {
				t.Errorf("package %s: its comment has no %q", p.dir, w)
			}
		}
	}
}

// TestOnlyTheOrderWritesToADevice holds the promise of closing only: of the library's write calls two stand in one file, once each, and the
// file can be read at one sitting. That nothing else leaves on the wire is proved byte by byte in bus.
func TestOnlyTheOrderWritesToADevice(t *testing.T) {
	const where = "internal/bus/order.go"
	found := map[string]int{}
	writes := []string{"WriteCoil", "WriteCoilValue", "WriteCoils", "WriteRegister", "WriteRegisters", "WriteUint16", "WriteUint16s", "WriteUint32", "WriteUint32s",
		"WriteFloat32", "WriteFloat32s", "WriteUint64", "WriteUint64s", "WriteFloat64", "WriteFloat64s", "WriteBytes", "WriteRawBytes"}
	for _, p := range load(t) {
		for _, f := range p.files {
			if !slices.Contains(imports(f), "github.com/simonvetter/modbus") {
				continue
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if sel, ok := n.(*ast.SelectorExpr); ok && slices.Contains(writes, sel.Sel.Name) {
					at := p.fset.Position(sel.Pos())
					if found[sel.Sel.Name]++; !strings.HasSuffix(filepath.ToSlash(at.Filename), where) || sel.Sel.Name != "WriteCoil" && sel.Sel.Name != "WriteRegister" {
						t.Errorf("%s: %s: the order of a drive is the one write there is, one coil or one register, in %s", at, sel.Sel.Name, where)
					}
				}
				return true
			})
		}
	}
	if found["WriteCoil"] != 1 || found["WriteRegister"] != 1 {
		t.Errorf("found %v: want one call of each", found)
	}
}

// TestASerialLineIsSpokenIntoInTwoPlaces: a question of frame.go, which can make reads only, and the order of order_line.go.
func TestASerialLineIsSpokenIntoInTwoPlaces(t *testing.T) {
	found := map[string]int{}
	for _, p := range load(t) {
		if p.dir != "internal/bus" {
			continue
		}
		for _, f := range p.files {
			ast.Inspect(f, func(n ast.Node) bool {
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				name := ""
				switch fun := call.Fun.(type) {
				case *ast.Ident:
					name = fun.Name
				case *ast.SelectorExpr:
					if x, ok := fun.X.(*ast.Ident); ok {
						name = x.Name + "." + fun.Sel.Name
					}
				}
				if name == "orderFrame" || name == "raw.Write" {
					found[filepath.Base(p.fset.Position(call.Pos()).Filename)+" "+name]++
				}
				return true
			})
		}
	}
	want := map[string]int{"line.go raw.Write": 1, "order_line.go raw.Write": 1, "order_line.go orderFrame": 1}
	if !maps.Equal(found, want) {
		t.Errorf("found %v, want %v", found, want)
	}
}

// TestNoFileIsLongerThanASitting: what is longer has two subjects. Of the program; a test may be a long table.
func TestNoFileIsLongerThanASitting(t *testing.T) {
	const most = 500
	for _, p := range load(t) {
		for _, f := range p.files {
			end := p.fset.Position(f.FileEnd)
			if end.Line > most+1 {
				t.Errorf("%s: %d lines, want at most %d", end.Filename, end.Line-1, most)
			}
		}
	}
}

// TestTestsDoNotSleep: a test that sleeps is slow on a good day and red on a bad one.
func TestTestsDoNotSleep(t *testing.T) {
	for _, p := range load(t) {
		for _, f := range p.tests {
			ast.Inspect(f, func(n ast.Node) bool {
				if sel, ok := n.(*ast.SelectorExpr); ok && sel.Sel.Name == "Sleep" {
					if x, ok := sel.X.(*ast.Ident); ok && x.Name == "time" {
						t.Errorf("%s: time.Sleep in a test", p.fset.Position(sel.Pos()))
					}
				}
				return true
			})
		}
	}
}
