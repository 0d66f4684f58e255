package dewline_test

import (
	"cmp"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// module is the path in go.mod; "." stands for its root package in the tables below.
const module = "dewline"

// A layer says what the packages of one pattern may import from this module, and why.
// Patterns are the go command's: "a/b" is one package, "a/..." is a and everything below.
type layer struct {
	packages string
	may      []string // imports of the package, and of its tests
	testsMay []string // further imports of its tests
	why      string
}

// layers is read from the ground up; the first pattern that fits a package counts. Adding an edge
// is one line here, with its reason, which a reviewer sees.
var layers = []layer{
	{"thermo/si", nil, nil,
		"units are the ground that everything stands on, so they stand on nothing"},
	{"thermo/helmholtz", nil, []string{"thermo/..."},
		"the terms of an equation are plain float64 and know neither fluids nor units"},
	{"thermo/fluid", []string{"thermo/helmholtz"}, []string{"thermo/..."},
		"a refrigerant is data for the terms; it solves nothing"},
	{"thermo/mixture", []string{"thermo/helmholtz", "thermo/fluid"}, []string{"thermo/..."},
		"a mixture is made of fluids and terms"},
	{"thermo/vle", []string{"thermo/helmholtz", "thermo/mixture"}, []string{"thermo/..."},
		"a solver knows a model by its functions, so that it never depends on one fluid's data"},
	{"thermo/moistair", []string{"thermo/si"}, nil,
		"air needs no refrigerant"},
	{"thermo", []string{"thermo/si", "thermo/helmholtz", "thermo/fluid", "thermo/mixture", "thermo/vle", "thermo/moistair"}, nil,
		"the façade alone adds units, and the rest of the project sees only the façade"},
	{"thermo/plant/...", []string{"thermo", "thermo/si", "thermo/moistair", "thermo/plant/..."}, nil,
		"a simulated machine is a user of the properties like any other"},

	{".", []string{"thermo/si"}, nil,
		"the vocabulary is what the others share, so it may know none of them"},

	{"ingest/senml", []string{".", "thermo/si"}, nil,
		"a payload is decoded without knowing where it came from or goes to"},
	{"ingest/recording", []string{".", "ingest/senml"}, nil,
		"a recording is packs in files; who replays them is not its business"},
	{"ingest/mqtt", []string{".", "thermo/si"}, []string{"ingest/broker"},
		"a connection moves bytes; it knows neither their format nor the store"},
	{"ingest/broker", []string{".", "thermo/si"}, nil,
		"the embedded broker could be any other: it only moves bytes"},
	{"ingest/fleet", []string{".", "thermo/si"}, nil,
		"what is enrolled does not depend on how readings arrive"},
	{"ingest/store/...", []string{".", "thermo/si", "ingest/store/..."}, nil,
		"a store keeps samples, whoever sent them; each engine sees only the interface above it"},
	{"ingest", []string{".", "thermo/si", "ingest/senml", "ingest/mqtt", "ingest/broker", "ingest/fleet", "ingest/store/..."}, nil,
		"the pipeline joins its siblings; it stores readings and judges none, so it needs no properties"},

	{"analytics/sensor", []string{".", "thermo", "thermo/si", "analytics/cycle"}, []string{"thermo/plant"},
		"sensors are judged by themselves and each other; what a machine should do is not known here"},
	{"analytics/...", []string{".", "thermo", "thermo/si", "thermo/moistair", "analytics/..."}, []string{"thermo/plant"},
		"the engine turns samples into findings, live and replayed alike, so it knows no broker, store or page"},
	{"alerts/...", []string{".", "thermo/si", "alerts/..."}, nil,
		"the life of an alert is about people and time; physics was settled in the finding"},
	{"dashboards/...", []string{".", "thermo", "thermo/si", "thermo/moistair", "dashboards/..."}, nil,
		"pages read the others through the root's interfaces; properties are for the diagrams"},

	{"cmd/...", []string{"./..."}, nil,
		"the command wires everything; nothing imports it"},
}

// libraries restricts modules of others where a package promises to stand on little. A pattern
// that is not here may use any library in go.mod.
var libraries = map[string][]string{
	"thermo/si": nil,
	".":         {"go.yaml.in/yaml/v3"},
}

// never names packages of the standard library that would break a promise.
var never = map[string][]string{
	".": {"os", "net", "net/http", "database/sql", "log", "log/slog"}, // no I/O
}

// folders are the top-level folders that there may be. Those with a leading dot are the tools'.
var folders = []string{"cmd", "ingest", "analytics", "alerts", "thermo", "dashboards", "testdata", "deploy",
	"bin"} // bin is what `make build` writes, ignored by git

// clockless are the packages that get every time as a value: the root and thermo need none,
// analytics sees event times only, alerts is told what time it is.
var clockless = []string{".", "thermo/...", "analytics/...", "alerts/..."}

func TestImportsPointDown(t *testing.T) {
	for _, p := range parseModule(t) {
		l, ok := layerOf(p.path)
		if !ok {
			t.Errorf("package %s is not in the table: add it to layers in imports_test.go, with what it may import and why", p.path)
			continue
		}
		for imported, where := range p.imports {
			if !l.allows(imported, false) {
				t.Errorf("%s: %s must not import %s: %s", where, p.path, imported, l.why)
			}
		}
		for imported, where := range p.testImports {
			if imported != p.path && !l.allows(imported, true) {
				t.Errorf("%s: tests of %s must not import %s: %s", where, p.path, imported, l.why)
			}
		}
	}
}

func TestLibrariesWherePromised(t *testing.T) {
	for _, p := range parseModule(t) {
		allowed, restricted := libraries[p.path]
		for library, where := range p.libraries {
			if restricted && !slices.ContainsFunc(allowed, func(l string) bool { return fits(l+"/...", library) }) {
				t.Errorf("%s: %s must not import %s: of other modules it may use %v only", where, p.path, library, allowed)
			}
		}
		for _, std := range never[p.path] {
			if where, found := p.std[std]; found {
				t.Errorf("%s: %s must not import %s: it does no I/O", where, p.path, std)
			}
		}
	}
}

func TestTopLevelFolders(t *testing.T) {
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.IsDir() && !strings.HasPrefix(e.Name(), ".") && !slices.Contains(folders, e.Name()) {
			t.Errorf("top-level folder %s: the project keeps to %v", e.Name(), folders)
		}
	}
}

func TestPackageComments(t *testing.T) {
	for _, p := range parseModule(t) {
		if len(p.files) == 0 { // tests only
			continue
		}
		want := "Package " + p.name + " "
		if p.name == "main" {
			want = "Command " + path.Base(p.path) + " "
		}
		if !slices.ContainsFunc(p.files, func(f *ast.File) bool { return strings.HasPrefix(f.Doc.Text(), want) }) {
			t.Errorf("package %s: write a doc.go whose comment begins with %q: what it is and what it deliberately does not do", p.path, want)
		}
	}
}

func TestExportedNamesAreDocumented(t *testing.T) {
	for _, p := range parseModule(t) {
		if p.name == "main" {
			continue
		}
		for _, f := range p.files {
			for _, name := range undocumented(f) {
				t.Errorf("%s: exported %s has no comment", p.fset.Position(name.Pos()), name.Name)
			}
		}
	}
}

func TestNoWallClock(t *testing.T) {
	for _, p := range parseModule(t) {
		if !slices.ContainsFunc(clockless, func(pattern string) bool { return fits(pattern, p.path) }) {
			continue
		}
		for _, f := range p.files {
			ast.Inspect(f, func(n ast.Node) bool {
				if call := clockCall(n); call != "" {
					t.Errorf("%s: %s reads the clock: %s gets its times as values", p.fset.Position(n.Pos()), call, p.path)
				}
				return true
			})
		}
	}
}

// TestTableItself holds the table to its own promises: the siblings stay strangers whatever is
// added above.
func TestTableItself(t *testing.T) {
	siblings := []string{"ingest", "analytics", "alerts", "dashboards"}
	for _, from := range siblings {
		l, ok := layerOf(from)
		if !ok {
			t.Fatalf("no layer for %s", from)
		}
		for _, to := range siblings {
			if from != to && (l.allows(to, false) || l.allows(to, true)) {
				t.Errorf("the table lets %s import %s; they meet in cmd only", from, to)
			}
		}
	}
	for _, from := range []string{".", "ingest", "ingest/senml", "ingest/store", "alerts"} {
		if l, _ := layerOf(from); l.allows("thermo", false) {
			t.Errorf("the table lets %s import thermo; only analytics, dashboards and cmd may", from)
		}
	}
	for _, l := range layers {
		if l.why == "" {
			t.Errorf("layer %s has no reason", l.packages)
		}
		if l.packages != "cmd/..." && l.allows("cmd/dewline", true) {
			t.Errorf("the table lets %s import cmd; nothing may", l.packages)
		}
	}
}

// pkg is one folder with Go files: what it imports, each with the place of one such import.
type pkg struct {
	path, name  string
	fset        *token.FileSet
	files       []*ast.File       // without tests
	imports     map[string]string // of this module, by path below the root
	testImports map[string]string // of this module, by tests only
	libraries   map[string]string // of other modules, tests not counted
	std         map[string]string // of the standard library, tests not counted
}

// parseModule reads every Go file itself rather than asking the go command: it sees the files of
// every build tag, and go test knows which files were read, so that a cached pass is never stale.
func parseModule(t *testing.T) []*pkg {
	t.Helper()
	packages := map[string]*pkg{}
	err := fs.WalkDir(os.DirFS("."), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if base := d.Name(); name != "." && (strings.HasPrefix(base, ".") || base == "testdata" || base == "node_modules") {
				return fs.SkipDir
			}
			return nil
		}
		if path.Ext(name) != ".go" {
			return nil
		}
		dir := path.Dir(name)
		p := packages[dir]
		if p == nil {
			p = &pkg{path: dir, fset: token.NewFileSet(), imports: map[string]string{}, testImports: map[string]string{},
				libraries: map[string]string{}, std: map[string]string{}}
			packages[dir] = p
		}
		return p.add(name)
	})
	if err != nil {
		t.Fatal(err)
	}
	return slices.SortedFunc(maps.Values(packages), func(a, b *pkg) int { return cmp.Compare(a.path, b.path) })
}

func (p *pkg) add(name string) error {
	f, err := parser.ParseFile(p.fset, name, nil, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return fmt.Errorf("parse %s: %w", name, err)
	}
	isTest := strings.HasSuffix(name, "_test.go")
	if !isTest {
		p.name = f.Name.Name
		p.files = append(p.files, f)
	}
	for _, spec := range f.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return err
		}
		where := p.fset.Position(spec.Pos()).String()
		own, isOwn := below(imported)
		switch {
		case isOwn && isTest:
			p.testImports[own] = where
		case isOwn:
			p.imports[own] = where
		case isTest:
		case strings.Contains(strings.Split(imported, "/")[0], "."):
			p.libraries[imported] = where
		default:
			p.std[imported] = where
		}
	}
	return nil
}

// below turns an import path of this module into a path below its root.
func below(imported string) (string, bool) {
	if imported == module {
		return ".", true
	}
	return strings.CutPrefix(imported, module+"/")
}

func layerOf(p string) (layer, bool) {
	i := slices.IndexFunc(layers, func(l layer) bool { return fits(l.packages, p) })
	if i < 0 {
		return layer{}, false
	}
	return layers[i], true
}

func (l layer) allows(imported string, byTest bool) bool {
	allowed := l.may
	if byTest {
		allowed = slices.Concat(l.may, l.testsMay)
	}
	return slices.ContainsFunc(allowed, func(pattern string) bool { return fits(pattern, imported) })
}

// fits says whether the package path p fits a pattern of the go command.
func fits(pattern, p string) bool {
	if pattern == "./..." {
		return true
	}
	if tree, ok := strings.CutSuffix(pattern, "/..."); ok {
		return p == tree || strings.HasPrefix(p, tree+"/")
	}
	return p == pattern
}

// undocumented returns the exported names of f that have no comment of their own nor one of their
// group. Methods of unexported types are left alone: they are there for an interface's sake.
func undocumented(f *ast.File) []*ast.Ident {
	var names []*ast.Ident
	for _, d := range f.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Doc == nil && exportedReceiver(d) {
				names = append(names, d.Name)
			}
		case *ast.GenDecl:
			if d.Doc == nil {
				names = append(names, undocumentedSpecs(d.Specs)...)
			}
		}
	}
	return slices.DeleteFunc(names, func(n *ast.Ident) bool { return !n.IsExported() })
}

func undocumentedSpecs(specs []ast.Spec) []*ast.Ident {
	var names []*ast.Ident
	for _, spec := range specs {
		switch s := spec.(type) {
		case *ast.TypeSpec:
			if s.Doc == nil && s.Comment == nil {
				names = append(names, s.Name)
			}
		case *ast.ValueSpec:
			if s.Doc == nil && s.Comment == nil {
				names = append(names, s.Names...)
			}
		}
	}
	return names
}

func exportedReceiver(d *ast.FuncDecl) bool {
	if d.Recv == nil {
		return true
	}
	expr := d.Recv.List[0].Type
	for {
		switch e := expr.(type) {
		case *ast.StarExpr:
			expr = e.X
		case *ast.IndexExpr:
			expr = e.X
		case *ast.IndexListExpr:
			expr = e.X
		case *ast.Ident:
			return e.IsExported()
		default:
			return true
		}
	}
}

// clockCall returns "time.Now" and the like when n reads the clock.
func clockCall(n ast.Node) string {
	sel, ok := n.(*ast.SelectorExpr)
	if !ok {
		return ""
	}
	if x, ok := sel.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains([]string{"Now", "Since", "Until"}, sel.Sel.Name) {
		return "time." + sel.Sel.Name
	}
	return ""
}
