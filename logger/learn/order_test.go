package learn

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"tipoff/logger/journal"
	"tipoff/logger/observation"
)

// A recomputation and a relative path belong to the runs that the run belongs to.
func TestRunsOf(t *testing.T) {
	runs := filepath.Join(t.TempDir(), "runs")
	run := filepath.Join(runs, "2026-11-25-001")
	sub := filepath.Join(run, "recomputed-1")
	for _, dir := range []string{run, sub} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "run.toml"), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, dir := range []string{run, sub} {
		if got := journal.RunsOf(dir); got != runs {
			t.Errorf("%s: %s", dir, got)
		}
		t.Chdir(dir)
		here, err := os.Getwd()
		if err != nil {
			t.Fatal(err)
		}
		if got := journal.RunsOf("."); got != journal.RunsOf(here) || filepath.Base(got) != "runs" {
			t.Errorf("in %s: %s", dir, got)
		}
	}
}

// Good runs are ordered as the archive orders them: what a clock said that was not
// right counts for nothing, such a run comes before those with a true date. A run
// that is later, or the run itself, is not even read.
func TestGoodOrder(t *testing.T) {
	_, store, runs := openStore(t, 4)
	dir := func(i int) string { return filepath.Join(store, "runs", runs[i].record.Run) }
	for i := range runs {
		if err := observation.Add(dir(i), observation.Observation{Kind: observation.Good, At: noon}); err != nil {
			t.Fatal(err)
		}
	}
	// The second run's clock was a year ahead, and the board did not know it.
	path := filepath.Join(dir(1), "run.toml")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	wall := noon.Add(time.Hour).Format("2006-01-02T15:04")
	if !bytes.Contains(text, []byte(wall)) {
		t.Fatalf("no %s in\n%s", wall, text)
	}
	text = bytes.ReplaceAll(text, []byte(wall), []byte("2027"+wall[4:]))
	text = bytes.Replace(text, []byte("trusted = true"), []byte("trusted = false"), 1)
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
	family := FamilyOf(runs[0].record.Card)
	for _, i := range []int{0, 1, 2, 3} { // all of one family, that is known without reading them
		x, err := Read(dir(i))
		if err != nil {
			t.Fatal(err)
		}
		if x.Family = family; i < 2 {
			err = x.Save(dir(i))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	names := func(list []*Taught) (names []string) {
		for _, x := range list {
			names = append(names, x.Run)
		}
		return names
	}
	good, err := Good(filepath.Dir(dir(2)), family, dir(2))
	if want := []string{runs[1].record.Run, runs[0].record.Run}; err != nil || !slices.Equal(names(good), want) {
		t.Errorf("before the third run: %v, %v, want %v", names(good), err, want)
	}
	for _, i := range []int{2, 3} {
		if _, err := os.Stat(filepath.Join(dir(i), FileName)); err == nil {
			t.Errorf("run %d was read for nothing", i+1)
		}
	}
	if good, err = Good(filepath.Dir(dir(1)), family, dir(1)); err != nil || len(good) != 0 {
		t.Errorf("before the run without a date: %v, %v", names(good), err)
	}
}
