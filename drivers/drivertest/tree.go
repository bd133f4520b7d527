package drivertest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Tree makes the files that a recording describes, a line for each with its path
// and its text, and gives their root. Lines beginning with # are remarks.
func Tree(t testing.TB, recording string) (root string) {
	t.Helper()
	text, err := os.ReadFile(recording)
	if err != nil {
		t.Fatal(err)
	}
	root = t.TempDir()
	for line := range strings.Lines(string(text)) {
		if path, value, ok := strings.Cut(strings.TrimSuffix(line, "\n"), " "); ok && path != "#" {
			Put(t, root, path, value)
		}
	}
	return root
}

// Put makes or overwrites one file of a tree.
func Put(t testing.TB, root, path, value string) {
	t.Helper()
	p := filepath.Join(root, path)
	if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p, []byte(value+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Folder gives new folders below one that is removed after the test.
func Folder(t testing.TB) func() string {
	t.Helper()
	below := t.TempDir()
	return func() string {
		dir, err := os.MkdirTemp(below, "root")
		if err != nil {
			t.Error(err)
		}
		return dir
	}
}
