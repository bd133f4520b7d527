package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The rooms in .ci/alone, whose tests run without the race detector only, compute in
// the goroutine that calls them: neither they nor any room that they use starts a
// goroutine, holds a lock or serves a connection.
func TestAlone(t *testing.T) {
	list, err := os.ReadFile("../../.ci/alone")
	if err != nil {
		t.Fatal(err)
	}
	rooms := strings.Fields(string(list))
	if len(rooms) < 10 {
		t.Fatalf("only %d rooms", len(rooms))
	}
	out, err := exec.Command("go", append([]string{"list", "-deps", "-json=ImportPath,Dir,GoFiles"}, rooms...)...).Output()
	if err != nil {
		t.Fatalf("listing %v: %v", rooms, err)
	}
	seen := 0
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p struct {
			ImportPath, Dir string
			GoFiles         []string
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		if !within(p.ImportPath, "tipoff") {
			continue
		}
		if slices.Contains(rooms, p.ImportPath) {
			seen++
		}
		for _, name := range p.GoFiles {
			together(t, filepath.Join(p.Dir, name))
		}
	}
	if seen != len(rooms) {
		t.Errorf("%d of the %d rooms were looked at", seen, len(rooms))
	}
}

// together fails the test if a file has to do with more than one goroutine.
func together(t *testing.T, file string) {
	t.Helper()
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, imp := range f.Imports {
		path, err := strconv.Unquote(imp.Path.Value)
		if err != nil {
			t.Fatal(err)
		}
		if matches(path, []string{"sync", "net", "os/exec", "golang.org/x/sync"}) {
			t.Errorf("%s imports %s: .ci/alone", fset.Position(imp.Pos()), path)
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if n, ok := n.(*ast.GoStmt); ok {
			t.Errorf("%s starts a goroutine: .ci/alone", fset.Position(n.Pos()))
		}
		return true
	})
}
