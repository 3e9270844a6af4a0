package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"dewline/sensors/table"
)

// layers are the floors of the house, lowest first: imports only go down.
var layers = []string{"configs", "sensors", "rules", "store", "alert", "cmd"}

// A sourceFile is a Go file of the module that is not a test.
type sourceFile struct {
	path    string // from the top, with slashes
	dir     string
	imports []string
	tree    *ast.File
}

// sourceFiles are read once for all who look at them.
func sourceFiles(t *testing.T) []sourceFile {
	t.Helper()
	out, err := readSources()
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 100 {
		t.Fatalf("found only %d source files", len(out))
	}
	return out
}

var readSources = sync.OnceValues(func() (out []sourceFile, _ error) {
	top := filepath.Join("..", "..")
	for _, layer := range layers {
		err := filepath.WalkDir(filepath.Join(top, layer), func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case d.IsDir() && (d.Name() == "testdata" || d.Name() == "peers"): // a module of its own
				return filepath.SkipDir
			case d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go"):
				return nil
			}
			tree, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
			if err != nil {
				return err
			}
			rel, err := filepath.Rel(top, path)
			if err != nil {
				return err
			}
			f := sourceFile{path: filepath.ToSlash(rel), tree: tree}
			f.dir = f.path[:strings.LastIndexByte(f.path, '/')]
			for _, i := range tree.Imports {
				name, err := strconv.Unquote(i.Path.Value)
				if err != nil {
					return err
				}
				f.imports = append(f.imports, name)
			}
			out = append(out, f)
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
})

func layerOf(path string) int {
	first, _, _ := strings.Cut(path, "/")
	return slices.Index(layers, first)
}

func TestImportsGoDown(t *testing.T) {
	for _, f := range sourceFiles(t) {
		for _, i := range f.imports {
			if ours, ok := strings.CutPrefix(i, "dewline/"); ok && layerOf(ours) > layerOf(f.path) {
				t.Errorf("%s imports %s, which is above it", f.path, i)
			}
		}
	}
}

// What decides knows the rules, the book of notices and the forms of the record,
// and nothing of the daemon around it.
func TestCoreKnowsNobodyAbove(t *testing.T) {
	known := []string{"alert", "configs", "rules", "rules/alarm", "rules/event", "rules/room", "sensors", "store"}
	for _, f := range sourceFiles(t) {
		if f.dir != "cmd/dewline/core" {
			continue
		}
		for _, i := range f.imports {
			if ours, ok := strings.CutPrefix(i, "dewline/"); ok && !slices.Contains(known, ours) {
				t.Errorf("%s imports %s", f.path, i)
			}
		}
	}
}

// What decides is pure: no file, no network, no goroutine, no clock of its own.
func TestRulesArePure(t *testing.T) {
	for _, f := range sourceFiles(t) {
		if layerOf(f.path) != layerOf("rules") && f.dir != "store/block" && f.dir != "cmd/dewline/core" {
			continue
		}
		for _, i := range f.imports {
			if slices.Contains([]string{"os", "net", "net/http", "io/fs", "os/exec", "syscall", "log/slog", "math/rand", "math/rand/v2"}, i) {
				t.Errorf("%s imports %s", f.path, i)
			}
		}
		ast.Inspect(f.tree, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s starts a goroutine", f.path)
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains([]string{"Now", "Since", "Until", "After", "NewTimer", "Tick", "Sleep"}, n.Sel.Name) {
					t.Errorf("%s asks time.%s", f.path, n.Sel.Name)
				}
			}
			return true
		})
	}
}

// Nothing happens by being imported, and every package says what it is for.
func TestNoInitAndPackageComments(t *testing.T) {
	said := map[string]bool{}
	for _, f := range sourceFiles(t) {
		said[f.dir] = said[f.dir] || f.tree.Doc != nil
		for _, d := range f.tree.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
				t.Errorf("%s has an init function", f.path)
			}
		}
	}
	for dir, ok := range said {
		if !ok {
			t.Errorf("package %s has no comment", dir)
		}
	}
}

// What a probe family is, its row in sensors/table says: who knows one by name
// elsewhere would have to be told of the next one.
func TestFamiliesAreNamedInTheirRowsOnly(t *testing.T) {
	names := map[string]bool{}
	for _, f := range table.Families() {
		names[strconv.Quote(f.Name)] = true
	}
	for _, f := range sourceFiles(t) {
		if strings.HasPrefix(f.path, "sensors/") {
			continue
		}
		ast.Inspect(f.tree, func(n ast.Node) bool {
			if lit, ok := n.(*ast.BasicLit); ok && names[lit.Value] {
				t.Errorf("%s knows the family %s by name", f.path, lit.Value)
			}
			return true
		})
	}
}
