// Command extract writes the catalogue of all that pages say: what stands in their templates, what their
// scripts say (tr), and what Go
// says through a tongue (Say, SayN, Time, and tables of dewline.Phrase). go generate runs it in the folder
// of package words.
package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"log"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"dewline"
	"dewline/dashboards/words"
)

// root is the folder of the module, seen from that of package words.
const root = "../.."

// folders are those whose Go files say something to readers of pages.
var folders = []string{".", "alerts/owners", "analytics/cycle", "dashboards", "dashboards/access", "dashboards/overview", "dashboards/view"}

func main() {
	log.SetFlags(0)
	log.SetPrefix("extract: ")
	var said []words.Message
	for _, name := range find("dashboards/templates", "*.html") {
		source, err := os.ReadFile(filepath.Join(root, name))
		if err != nil {
			log.Fatal(err)
		}
		for _, text := range words.Messages(string(source)) {
			said = append(said, words.Message{English: text, Where: []string{name}})
		}
	}
	for _, name := range find("dashboards/assets", "*.js") {
		source, err := os.ReadFile(filepath.Join(root, name))
		if err != nil {
			log.Fatal(err)
		}
		for _, text := range words.ScriptMessages(string(source)) {
			said = append(said, words.Message{English: text, Where: []string{name}})
		}
	}
	said = append(said, inGo()...)
	file, err := os.Create("messages.pot")
	if err != nil {
		log.Fatal(err)
	}
	if err := words.Write(file, words.NewCatalogue(said).Messages(), nil); err != nil {
		log.Fatal(err)
	}
	if err := file.Close(); err != nil {
		log.Fatal(err)
	}
}

func find(folder, pattern string) (found []string) {
	all, err := filepath.Glob(filepath.Join(root, folder, pattern))
	if err != nil || len(all) == 0 {
		log.Fatalf("no %s in %s: %v", pattern, folder, err)
	}
	for _, name := range all {
		found = append(found, path.Join(folder, filepath.Base(name)))
	}
	slices.Sort(found)
	return found
}

// inGo returns what Go files say.
func inGo() (said []words.Message) {
	files := map[string]*ast.File{}
	set := token.NewFileSet()
	constants := map[string]string{}
	for _, folder := range folders {
		for _, name := range find(folder, "*.go") {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			file, err := parser.ParseFile(set, filepath.Join(root, name), nil, parser.SkipObjectResolution)
			if err != nil {
				log.Fatal(err)
			}
			files[name] = file
			for _, d := range file.Decls {
				gather(d, constants)
			}
		}
	}
	for name, file := range files {
		add := func(one, many ast.Expr) {
			m := words.Message{Where: []string{name}}
			var ok bool
			if m.English, ok = text(one, constants); !ok || m.English == "" {
				return
			}
			if many != nil {
				m.Many, _ = text(many, constants)
			}
			said = append(said, m)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				name := called(n.Fun)
				switch {
				case (name == "Say" || name == "Phrase") && len(n.Args) > 0:
					add(n.Args[0], nil)
				case name == "SayN" && len(n.Args) > 2:
					add(n.Args[1], n.Args[2])
				case name == "Time" && len(n.Args) == 2:
					add(n.Args[1], nil)
				case (name == "fail" || name == "Fail") && len(n.Args) == 4: // they say what they are given
					add(n.Args[3], nil)
				case name == "Show" && len(n.Args) == 6:
					add(n.Args[4], nil)
				}
			case *ast.CompositeLit:
				phrases(n, add)
				if strings.HasPrefix(name, "dashboards/setup") {
					fields(n, add)
				}
			case *ast.FuncDecl:
				results(n, add)
			case *ast.ValueSpec:
				if isPhrase(n.Type) {
					for _, v := range n.Values {
						add(v, nil)
					}
				}
			}
			return true
		})
	}
	for _, name := range words.Names() {
		said = append(said, words.Message{English: name, Where: []string{"dashboards/words/language.go"}})
	}
	return append(said, vocabulary()...)
}

// vocabulary returns what pages say of the contract's names, and the advice on each cause.
func vocabulary() (said []words.Message) {
	add := func(where string, texts ...string) {
		for _, text := range texts {
			said = append(said, words.Message{English: strings.ReplaceAll(text, "_", " "), Where: []string{where}})
		}
	}
	for _, p := range dewline.Points() {
		add("point.go", p.String())
	}
	for _, m := range []dewline.Mode{dewline.ModeOff, dewline.ModeCooling, dewline.ModeHeating, dewline.ModeDefrost} {
		add("point.go", m.String())
	}
	for _, d := range dewline.DerivedValues() {
		add("derived.go", string(d))
	}
	add("ledger.go", string(dewline.Annualizing), string(dewline.Rolling))
	for _, role := range dewline.Roles() {
		add("people.go", string(role))
	}
	add("fleet_fitting.go", string(dewline.Gauge), string(dewline.SealedGauge), string(dewline.Absolute))
	add("fleet_system.go", string(dewline.AtCoil), string(dewline.AtCompressor), string(dewline.High), string(dewline.Critical), "fixed", "staged", "variable")
	details := []string{"", "bulb_loose", "valve_stuck", "orifice_too_large", "orifice_too_small", "drier"}
	add("advice.go", details[1:]...)
	add("advice.go", dewline.Caution)
	for _, m := range []dewline.Metering{dewline.FixedOrifice, dewline.TXV} {
		for _, detail := range details {
			for _, f := range dewline.Faults() {
				a := dewline.AdviceFor(dewline.Cause{Fault: f, Detail: detail}, m)
				add("advice.go", append([]string{a.Settles}, a.Checks...)...)
			}
		}
	}
	for _, status := range []int{400, 401, 403, 404, 405, 409, 413, 422, 429, 500, 503} {
		add("dashboards/server.go", http.StatusText(status))
	}
	return said
}

// results finds the texts that a function returns as a phrase.
func results(f *ast.FuncDecl, add func(one, many ast.Expr)) {
	if f.Type.Results == nil || f.Body == nil {
		return
	}
	place, phrase := 0, -1
	for _, r := range f.Type.Results.List {
		if isPhrase(r.Type) {
			phrase = place
		}
		place += max(1, len(r.Names))
	}
	if phrase < 0 {
		return
	}
	ast.Inspect(f.Body, func(n ast.Node) bool {
		if r, ok := n.(*ast.ReturnStmt); ok && phrase < len(r.Results) {
			add(r.Results[phrase], nil)
		}
		return true
	})
}

// phrases finds the texts of a table of phrases.
func phrases(table *ast.CompositeLit, add func(one, many ast.Expr)) {
	var of ast.Expr
	switch t := table.Type.(type) {
	case *ast.MapType:
		of = t.Value
	case *ast.ArrayType:
		of = t.Elt
	}
	if !isPhrase(of) {
		return
	}
	for _, e := range table.Elts {
		if pair, ok := e.(*ast.KeyValueExpr); ok {
			e = pair.Value
		}
		add(e, nil)
	}
}

// fields finds the texts of a form's fields, which the template that draws them says.
func fields(form *ast.CompositeLit, add func(one, many ast.Expr)) {
	for _, e := range form.Elts {
		if pair, ok := e.(*ast.KeyValueExpr); ok && slices.Contains([]string{"Label", "Hint", "Title", "Say"}, called(pair.Key)) {
			add(pair.Value, nil)
		}
	}
}

func isPhrase(t ast.Expr) bool { return t != nil && called(t) == "Phrase" }

// called is the name of a function, method or type, without its package.
func called(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		return e.Sel.Name
	}
	return ""
}

// gather keeps the constants of a package by their names.
func gather(d ast.Decl, constants map[string]string) {
	general, ok := d.(*ast.GenDecl)
	if !ok || general.Tok != token.CONST {
		return
	}
	for _, s := range general.Specs {
		spec := s.(*ast.ValueSpec)
		for i, v := range spec.Values {
			if value, ok := text(v, constants); ok {
				constants[spec.Names[i].Name] = value
			}
		}
	}
}

// text returns the text of an expression that is constant.
func text(e ast.Expr, constants map[string]string) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		value, err := strconv.Unquote(e.Value)
		return value, err == nil && e.Kind == token.STRING
	case *ast.BinaryExpr:
		left, ok := text(e.X, constants)
		right, too := text(e.Y, constants)
		return left + right, ok && too && e.Op == token.ADD
	case *ast.ParenExpr:
		return text(e.X, constants)
	case *ast.CallExpr: // the conversion of a constant
		if called(e.Fun) == "string" && len(e.Args) == 1 {
			return text(e.Args[0], constants)
		}
	case *ast.Ident, *ast.SelectorExpr:
		value, ok := constants[called(e)]
		return value, ok
	}
	return "", false
}
