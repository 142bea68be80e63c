// Package rules holds the house rules that a reviewer would otherwise have to remember: which package may import which,
// what may not be called where, and what every package must say of itself. Each failure prints the rule and the way out.
package rules

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// arrows lists what each package may import of this module. A package that is missing here fails the test: decide where it
// belongs, then write the line. "quantity/..." allows a package and everything below it.
var arrows = map[string][]string{
	"quantity":                 {},
	"quantity/measured":        {"quantity"},
	"internal/clock":           {},
	"internal/clock/clocktest": {"internal/clock"},
	"internal/ledger":          {"internal/clock"},
	"internal/diag":            {"quantity", "internal/spelling"},
	"internal/diag/diagtest":   {"internal/diag"},
	"internal/spelling":        {},

	"transport":               {"internal/clock", "internal/spelling"},
	"transport/tcp":           {"transport", "internal/clock"},
	"transport/serial":        {"transport", "internal/clock"},
	"transport/dial":          {"transport/...", "internal/clock"},
	"transport/transporttest": {"transport", "internal/clock"},

	"driver/scpi":     {"quantity"},
	"driver/ieee488":  {"transport", "driver/scpi", "internal/clock"},
	"driver/model":    {"quantity", "internal/diag"},
	"driver/bench":    {"quantity", "internal/diag", "driver/model"},
	"driver/hookup":   {"driver", "driver/bench", "driver/model", "quantity", "internal/clock"},
	"driver/turns":    {"transport", "quantity/...", "internal/clock", "internal/ledger"},
	"driver/hazard":   {"quantity", "driver/bench"},
	"driver/guardian": {"driver", "driver/model", "transport", "quantity", "internal/clock", "internal/diag"},
	"driver":          {"driver/scpi", "driver/ieee488", "driver/model", "transport", "quantity/...", "internal/clock", "internal/ledger"},

	"record":            {"internal/ledger", "quantity/...", "internal/clock", "internal/diag", "record/trace"},
	"record/trace":      {"quantity"},
	"report":            {"internal/ledger", "record", "record/trace", "quantity/..."}, // the forms below are handed to it
	"report/chart":      {"report", "record", "record/trace", "quantity"},
	"report/html":       {"report/html/viewer", "internal/ledger", "report", "report/wiring", "report/chart", "report/tiles", "record", "record/trace", "quantity", "internal/diag"},
	"report/tiles":      {"record/trace"},
	"report/workbook":   {"report", "report/chart", "record", "record/trace", "quantity", "internal/diag"},
	"report/wiring":     {"quantity"},
	"report/junit":      {"report", "record", "quantity", "internal/diag"},
	"report/reporttest": {"internal/ledger", "record", "record/trace", "quantity", "internal/clock"},
	"report/terminal":   {"report", "report/chart", "record", "quantity", "internal/diag", "internal/clock"},

	"report/html/viewer": {}, // shared by reports and the page of a daemon

	"sequence/expr":    {"quantity/...", "internal/diag", "analysis/sweep"},
	"sequence/battery": {"analysis/battery", "quantity/...", "internal/diag"},
	"sequence/profile": {"quantity", "internal/diag"},
	"sequence":         {"sequence/profile", "quantity/...", "internal/diag", "sequence/expr", "sequence/battery", "analysis/battery", "analysis/verdict"},
	"sequence/plan":    {"sequence/profile", "internal/ledger", "sequence", "sequence/expr", "sequence/battery", "analysis/battery", "driver/bench", "driver/model", "quantity/...", "internal/diag"},
	"sequence/run":     {"sequence/profile", "analysis/pulse", "analysis/component", "internal/ledger", "sequence/battery", "analysis/drain", "analysis/sweep", "record/trace", "analysis/battery", "analysis/uncertain", "analysis/verdict", "driver/model", "sequence", "sequence/plan", "sequence/expr", "driver", "driver/turns", "driver/ieee488", "record", "quantity/...", "internal/clock", "transport", "internal/diag"},

	"analysis/uncertain": {"quantity/..."},
	"analysis/verdict":   {"quantity/..."},
	"analysis/sweep":     {"quantity/...", "analysis/uncertain"},
	"analysis/pulse":     {"quantity/...", "analysis/uncertain"},
	"analysis/component": {"quantity/...", "analysis/uncertain"},
	"analysis/drain":     {"quantity/..."},
	"analysis/battery":   {"quantity/...", "analysis/uncertain"},

	"sim/circuit":    {},
	"sim/scpi":       {}, // never driver/...: each checks the other
	"sim/device":     {"sim/circuit"},
	"sim/instrument": {"sim/circuit", "sim/device", "sim/scpi"},
	"sim":            {"sim/circuit", "sim/device", "sim/scpi", "sim/instrument", "transport", "internal/clock", "internal/diag", "quantity"},
	"sim/serve":      {"sim", "transport", "internal/clock", "internal/diag"},

	"daemon/queue":  {"internal/clock"},                 // a job is opaque: what runs it is handed in
	"daemon/fleet":  {"daemon/queue", "internal/clock"}, // what a job means, and what a record is, its member knows
	"daemon/live":   {},
	"daemon/index":  {},
	"daemon/access": {"internal/clock"},
	"daemon/api":    {"daemon/access", "daemon/live", "internal/clock", "quantity"}, // the work behind it is an interface of its own
	"daemon/web":    {"report/html/viewer"},                                         // it calls the API over HTTP, as everybody does
	"client":        {"daemon/api", "internal/clock", "quantity"},                   // what is sent and answered are the types of the API
	"daemon":        {"daemon/...", "record", "record/trace", "report", "driver/guardian", "transport", "quantity/...", "internal/clock"},

	"sheet":         {"quantity", "internal/diag"},
	"sheet/results": {"sheet", "report", "report/workbook", "record", "quantity"},

	"cmd/fourwire": {"..."},
	"schema":       {},
}

// exempt packages are tests only: they may look at everything.
var exempt = []string{"internal/rules", "internal/e2e", "examples", "schema"}

type goFile struct {
	dir, name string // dir relative to the module
	test      bool
	syntax    *ast.File
	fset      *token.FileSet
	lines     int
}

func files(t *testing.T) []goFile {
	t.Helper()
	root := filepath.Join("..", "..")
	var out []goFile
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || (strings.HasPrefix(d.Name(), ".") && p != root)) {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(p, ".go") {
			return nil
		}
		text, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		fset := token.NewFileSet()
		syntax, err := parser.ParseFile(fset, p, text, parser.ParseComments)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		out = append(out, goFile{path.Dir(rel), rel, strings.HasSuffix(rel, "_test.go"), syntax, fset, strings.Count(string(text), "\n")})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 20 {
		t.Fatalf("only %d files found: the walk is wrong", len(out))
	}
	return out
}

func allowed(may []string, imported string) bool {
	for _, m := range may {
		if m == "..." || m == imported {
			return true
		}
		if prefix, ok := strings.CutSuffix(m, "/..."); ok && (imported == prefix || strings.HasPrefix(imported, prefix+"/")) {
			return true
		}
	}
	return false
}

func TestImportsRunDownward(t *testing.T) {
	for _, f := range files(t) {
		if f.test || slices.Contains(exempt, f.dir) {
			continue
		}
		may, known := arrows[f.dir]
		if !known {
			t.Errorf("%s: package %s is not in the table of arrows; decide what it may import and add the line", f.name, f.dir)
			continue
		}
		for _, i := range f.syntax.Imports {
			imported, ours := strings.CutPrefix(strings.Trim(i.Path.Value, `"`), "fourwire/")
			if ours && !allowed(may, imported) {
				t.Errorf("%s imports %s, which package %s may not: imports run downward; declare a small interface at the caller, or move the code", f.name, imported, f.dir)
			}
		}
	}
}

// The two sides of the wire must not lean on each other, not even in their own tests of parsing.
func TestSimulatorAndDriverShareNoParsing(t *testing.T) {
	for _, f := range files(t) {
		inSim := f.dir == "sim" || strings.HasPrefix(f.dir, "sim/")
		for _, i := range f.syntax.Imports {
			imported := strings.Trim(i.Path.Value, `"`)
			if inSim && strings.HasPrefix(imported, "fourwire/driver") {
				t.Errorf("%s imports %s: the simulator checks the driver only while it shares nothing with it", f.name, imported)
			}
			if !f.test && strings.HasPrefix(f.dir, "driver") && strings.HasPrefix(imported, "fourwire/sim") {
				t.Errorf("%s imports %s: a driver knows only what came over the wire", f.name, imported)
			}
		}
	}
}

func TestPackageNamesSayWhatIsInThem(t *testing.T) {
	for _, f := range files(t) {
		if name := f.syntax.Name.Name; slices.Contains([]string{"util", "utils", "common", "helpers", "types", "manager", "misc", "base", "core"}, name) {
			t.Errorf("%s: package %s says nothing; name it for what it gives", f.name, name)
		}
	}
}

func TestEveryPackageSaysWhatItIsFor(t *testing.T) {
	said := map[string]bool{}
	for _, f := range files(t) {
		said[f.dir] = said[f.dir] || f.syntax.Doc != nil && strings.TrimSpace(f.syntax.Doc.Text()) != ""
	}
	for dir, ok := range said {
		if !ok {
			t.Errorf("package %s has no package comment: say in one sentence what it is for", dir)
		}
	}
}

func TestFilesAreReadAtOneSitting(t *testing.T) {
	for _, f := range files(t) {
		if f.lines > 800 {
			t.Errorf("%s has %d lines, more than 800: split it by what it is about", f.name, f.lines)
		}
	}
}

// forbidden calls, where they are allowed, and what to use instead.
var forbidden = []struct {
	pkg     string
	calls   []string
	allowed []string // directories
	instead string
}{
	{"time", []string{"Now", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick", "Since", "Until"},
		[]string{"internal/clock", "cmd/fourwire"}, "take a clock.Clock: a simulated bench runs in virtual time"},
	{"context", []string{"WithTimeout", "WithDeadline"}, []string{"internal/clock", "cmd/fourwire"}, "use Clock.WithTimeout"},
	{"os", []string{"Exit"}, []string{"cmd/fourwire"}, "return an error: exit statuses are chosen in one place"},
	{"log", []string{"Print", "Printf", "Println", "Fatal", "Fatalf", "Panic"}, nil, "events go into the record"},
	{"fmt", []string{"Print", "Printf", "Println"}, nil, "write to the io.Writer you were given"},
}

func TestForbiddenCalls(t *testing.T) {
	for _, f := range files(t) {
		if f.test || slices.Contains(exempt, f.dir) || f.dir == "transport/transporttest" {
			continue
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			pkg, ok := sel.X.(*ast.Ident)
			if !ok || pkg.Obj != nil {
				return true
			}
			for _, rule := range forbidden {
				if pkg.Name == rule.pkg && slices.Contains(rule.calls, sel.Sel.Name) && !slices.Contains(rule.allowed, f.dir) {
					t.Errorf("%s: %s.%s is not called here: %s", f.fset.Position(n.Pos()), pkg.Name, sel.Sel.Name, rule.instead)
				}
			}
			return true
		})
	}
}

func TestNoInitWithSideEffects(t *testing.T) {
	for _, f := range files(t) {
		for _, d := range f.syntax.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
				t.Errorf("%s has an init function: make the value where it is used, or hand it in", f.name)
			}
		}
	}
}

// Nothing in the tree speaks of how it was made, or of a machine it was made on.
func TestNoMakersMarks(t *testing.T) {
	words := []string{"/wo" + "rk/", "proxy.gol" + "ang.org", "deb.deb" + "ian.org", "registry.np" + "mjs"}
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && slices.Contains([]string{".git", "demo-out", "records"}, d.Name()) { // what a run leaves names its machine
			return filepath.SkipDir
		}
		if d.IsDir() || !slices.Contains([]string{".go", ".md", ".yaml", ".txtar", ".csv", ".json", ".cir", ".html", ".js", ".css", ""}, path.Ext(p)) {
			return nil
		}
		text, err := os.ReadFile(p)
		if err != nil || len(text) > 4<<20 {
			return err
		}
		for _, w := range words {
			if strings.Contains(string(text), w) {
				t.Errorf("%s holds %q", p, w)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
