package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// A listed package is one as `go list` tells of it.
type listed struct {
	ImportPath, Dir, Export string
	GoFiles                 []string
}

// A call is one file's use of a function of another.
type call struct{ from, to, name string }

// Inside a package no file calls another that calls it back, by whatever way: what is read
// leads downward. Types and constants may lie with who makes them.
func TestFilesCallDown(t *testing.T) {
	packages := listPackages(t)
	files := token.NewFileSet()
	imports := importer.ForCompiler(files, "gc", func(path string) (io.ReadCloser, error) { return os.Open(packages[path].Export) })
	ours := 0
	for path, p := range packages {
		if !strings.HasPrefix(path, "dewline/") {
			continue
		}
		ours++
		for _, c := range upward(callsOf(t, files, imports, p)) {
			t.Errorf("%s: %s calls %s of %s, which comes back to it", path, c.from, c.name, c.to)
		}
	}
	if ours < 50 {
		t.Errorf("only %d packages were looked at", ours)
	}
}

// The check itself finds a circle of three files, and none where all lead down.
func TestFilesCallDown_FindsACircle(t *testing.T) {
	down := []call{{"a.go", "b.go", "B"}, {"a.go", "c.go", "C"}, {"b.go", "c.go", "C"}}
	if got := upward(down); len(got) != 0 {
		t.Errorf("%v", got)
	}
	if got := upward(append(down, call{"c.go", "a.go", "A"})); len(got) != 4 {
		t.Errorf("of a circle %v", got)
	}
}

func listPackages(t *testing.T) map[string]listed {
	t.Helper()
	list := exec.Command("go", "list", "-export", "-deps", "-json=ImportPath,Dir,Export,GoFiles", "./...")
	list.Dir, list.Stderr = filepath.Join("..", ".."), os.Stderr
	out, err := list.StdoutPipe()
	if err = errors.Join(err, list.Start()); err != nil {
		t.Fatal(err)
	}
	all := map[string]listed{}
	for dec := json.NewDecoder(out); ; {
		var p listed
		if err = dec.Decode(&p); err != nil {
			break
		}
		all[p.ImportPath] = p
	}
	if err := errors.Join(list.Wait(), err); !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	return all
}

// callsOf are the uses of functions and methods between the files of a package.
func callsOf(t *testing.T, files *token.FileSet, imports types.Importer, p listed) []call {
	t.Helper()
	var trees []*ast.File
	for _, name := range p.GoFiles {
		tree, err := parser.ParseFile(files, filepath.Join(p.Dir, name), nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		trees = append(trees, tree)
	}
	info := types.Info{Uses: map[*ast.Ident]types.Object{}}
	pkg, err := (&types.Config{Importer: imports}).Check(p.ImportPath, files, trees, &info)
	if err != nil {
		t.Fatal(err)
	}
	file := func(at token.Pos) string { return filepath.Base(files.Position(at).Filename) }
	calls := map[call]bool{}
	for use, of := range info.Uses {
		if f, ok := of.(*types.Func); ok && f.Pkg() == pkg {
			if c := (call{file(use.Pos()), file(f.Pos()), f.Name()}); c.from != c.to {
				calls[c] = true
			}
		}
	}
	return slices.SortedFunc(maps.Keys(calls), func(a, b call) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to), cmp.Compare(a.name, b.name))
	})
}

// upward are the calls from which some way leads back to where they come from.
func upward(calls []call) (out []call) {
	next := map[string][]string{}
	for _, c := range calls {
		next[c.from] = append(next[c.from], c.to)
	}
	for _, c := range calls {
		seen := map[string]bool{}
		var leads func(at string) bool
		leads = func(at string) bool {
			if at == c.from {
				return true
			}
			if seen[at] {
				return false
			}
			seen[at] = true
			return slices.ContainsFunc(next[at], leads)
		}
		if leads(c.to) {
			out = append(out, c)
		}
	}
	return out
}
