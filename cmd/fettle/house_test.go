package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// floors are the parts of the house and how high each stands: a part imports itself and what stands lower.
var floors = map[string]int{"nmra": 0, "station": 1, "prog": 2, "trial": 2, "report": 3, "cmd": 4}

// nmra and all below it is a pure description of the standards: nothing in it reaches the machine or asks the time.
var (
	impure = []string{"os", "net", "syscall", "log", "plugin", "unsafe", "math/rand", "math/rand/v2", "crypto/rand"} // and all below each
	clock  = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}
	prints = []string{"Print", "Printf", "Println", "Scan", "Scanf", "Scanln"}
)

// outside lists the packages from outside that a package of nmra may use all the same.
var outside = map[string][]string{"nmra/cv/regtoml": {"github.com/pelletier/go-toml/v2"}}

// faults says where a file of the package, a path below the module such as "nmra/cv", breaks the house rule. Tests may
// use what they like from outside, but they too import downwards only.
func faults(fset *token.FileSet, pkg string, file *ast.File, isTest bool) []string {
	var found []string
	fault := func(at token.Pos, format string, args ...any) {
		p := fset.Position(at)
		found = append(found, fmt.Sprintf("%s:%d: ", p.Filename, p.Line)+fmt.Sprintf(format, args...))
	}
	floor, ok := floors[part(pkg)]
	if !ok {
		fault(file.Package, "%s is in no part of the house: give it a floor", pkg)
		return found
	}
	pure := part(pkg) == "nmra" && !isTest
	for _, spec := range file.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			fault(spec.Pos(), "import %s: %v", spec.Path.Value, err)
			continue
		}
		ours, inModule := strings.CutPrefix(imported, "fettle/")
		switch {
		case inModule:
			if target, ok := floors[part(ours)]; !ok || target > floor || target == floor && part(ours) != part(pkg) {
				fault(spec.Pos(), "%s imports %s, which does not stand below it", pkg, ours)
			}
		case pure && strings.Contains(part(imported), "."):
			if !slices.ContainsFunc(outside[pkg], func(allowed string) bool { return within(imported, allowed) }) {
				fault(spec.Pos(), "%s imports %s, which is neither nmra nor the standard library", pkg, imported)
			}
		case pure && slices.ContainsFunc(impure, func(p string) bool { return within(imported, p) }):
			fault(spec.Pos(), "%s imports %s: nmra does no I/O and rolls no dice", pkg, imported)
		}
	}
	if !pure {
		return found
	}
	ast.Inspect(file, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if x, ok := sel.X.(*ast.Ident); ok {
			if x.Name == "time" && slices.Contains(clock, sel.Sel.Name) {
				fault(sel.Pos(), "%s uses time.%s: nmra has no clock", pkg, sel.Sel.Name)
			}
			if x.Name == "fmt" && slices.Contains(prints, sel.Sel.Name) {
				fault(sel.Pos(), "%s uses fmt.%s: nmra does no I/O", pkg, sel.Sel.Name)
			}
		}
		return true
	})
	return found
}

// part is the first element of a path.
func part(path string) string {
	first, _, _ := strings.Cut(path, "/")
	return first
}

// within says whether path is the package top or one below it.
func within(path, top string) bool { return path == top || strings.HasPrefix(path, top+"/") }

func TestImportsPointDownOnlyAndTheStandardsTouchNothing(t *testing.T) {
	root := filepath.Join("..", "..")
	packages := map[string]bool{}
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); file != root && (strings.HasPrefix(name, ".") || name == "testdata" || name == "build") {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(file, ".go") {
			return nil
		}
		fset := token.NewFileSet()
		syntax, err := parser.ParseFile(fset, file, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		below, err := filepath.Rel(root, file)
		if err != nil {
			return err
		}
		pkg := path.Dir(filepath.ToSlash(below))
		packages[pkg] = true
		for _, f := range faults(fset, pkg, syntax, strings.HasSuffix(file, "_test.go")) {
			t.Error(f)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"nmra", "station", "cmd/fettle"} {
		if !packages[want] {
			t.Errorf("package %s was not looked at: the search starts in the wrong place", want)
		}
	}
}

func TestTheHouseRuleFindsEachKindOfFault(t *testing.T) {
	for _, c := range []struct {
		pkg, source string
		isTest      bool
		want        []string
	}{
		{pkg: "nmra", source: `import ("fmt"; "io"; "time"); var _ = fmt.Sprint; var _ io.Reader; var _ time.Duration`},
		{pkg: "nmra/cv", source: `import "fettle/nmra"`},
		{pkg: "prog", source: `import ("fettle/nmra/cv"; "fettle/station"; "fettle/prog/journal"; "os"; "github.com/google/go-cmp/cmp")`},
		{pkg: "nmra", source: `import "github.com/google/go-cmp/cmp"`, isTest: true},
		{pkg: "nmra/cv/regtoml", source: `import "github.com/pelletier/go-toml/v2/unstable"`},

		{pkg: "nmra", source: `import "fettle/station"`, want: []string{"nmra imports station, which does not stand below it"}},
		{pkg: "nmra", source: `import "fettle/station"`, isTest: true, want: []string{"nmra imports station, which does not stand below it"}},
		{pkg: "prog", source: `import "fettle/trial"`, want: []string{"prog imports trial, which does not stand below it"}},
		{pkg: "trial/stat", source: `import "fettle/report"`, want: []string{"trial/stat imports report, which does not stand below it"}},
		{pkg: "report", source: `import "fettle/cmd/fettle"`, want: []string{"report imports cmd/fettle, which does not stand below it"}},
		{pkg: "cmd/fettle", source: `import "fettle/attic"`, want: []string{"cmd/fettle imports attic, which does not stand below it"}},
		{pkg: "attic", source: ``, want: []string{"attic is in no part of the house: give it a floor"}},
		{pkg: "nmra/cv", source: `import "github.com/pelletier/go-toml/v2"`,
			want: []string{"nmra/cv imports github.com/pelletier/go-toml/v2, which is neither nmra nor the standard library"}},
		{pkg: "nmra/wave", source: `import "os"`, want: []string{"nmra/wave imports os: nmra does no I/O and rolls no dice"}},
		{pkg: "nmra/wave", source: `import "net/http"`, want: []string{"nmra/wave imports net/http: nmra does no I/O and rolls no dice"}},
		{pkg: "nmra", source: `import "time"; var t = time.Now()`, want: []string{"nmra uses time.Now: nmra has no clock"}},
		{pkg: "nmra", source: `import "fmt"; func f() { fmt.Println() }`, want: []string{"nmra uses fmt.Println: nmra does no I/O"}},
	} {
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, "f.go", "package p; "+c.source, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		var want []string
		for _, w := range c.want {
			want = append(want, "f.go:1: "+w)
		}
		if diff := cmp.Diff(want, faults(fset, c.pkg, file, c.isTest)); diff != "" {
			t.Errorf("package %s, %s (-want +got):\n%s", c.pkg, c.source, diff)
		}
	}
}
