package journal

import (
	"os"
	"path/filepath"
	"testing"
)

// A file that is replaced is whole, its mode that of the run's other files, and
// nothing is left of the writing, neither when it went well nor when it did not.
func TestReplace(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "note.txt")
	for _, text := range []string{"the first one, long", "short"} {
		if err := Replace(path, []byte(text)); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != text {
			t.Errorf("%q, %v, want %q", got, err, text)
		}
	}
	if st, err := os.Stat(path); err != nil || st.Mode() != 0o644 {
		t.Errorf("mode %v, %v", st.Mode(), err)
	}
	// A folder cannot be written over by a file.
	taken := filepath.Join(dir, "taken")
	if err := os.Mkdir(taken, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := Replace(taken, []byte("x")); err == nil {
		t.Error("a file took a folder's place")
	}
	if err := Replace(filepath.Join(dir, "none", "note.txt"), nil); err == nil {
		t.Error("written into a folder that is not there")
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 2 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}
