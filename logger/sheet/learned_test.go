package sheet

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/observation"
	"tipoff/logger/tube"
)

// copyRun copies a run's folder, under another ID if one is given.
func copyRun(t *testing.T, from, to, id string) {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(to, "run.toml")
	text, err := os.ReadFile(path)
	if err == nil && id != "" {
		err = os.WriteFile(path, bytes.ReplaceAll(text, []byte(filepath.Base(from)), []byte(id)), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// The good runs are found wherever the run is looked at from: by a relative path,
// and from a recomputation, which is in the run's folder.
func TestCorridorIsFound(t *testing.T) {
	dir := recordRun(t, evening(230), cardText, benchText)
	for _, id := range []string{"2026-11-24-001", "2026-11-24-002", "2026-11-24-003", "2026-11-24-004", "2026-11-24-005"} {
		good := filepath.Join(filepath.Dir(dir), id)
		copyRun(t, dir, good, id)
		if err := observation.Add(good, observation.Observation{Kind: observation.Good, At: time.Date(2026, 11, 24, 20, 0, 0, 0, time.UTC)}); err != nil {
			t.Fatal(err)
		}
	}
	sub := filepath.Join(dir, "recomputed-1")
	aside := filepath.Join(t.TempDir(), "copy")
	copyRun(t, dir, aside, "")
	if err := os.Rename(aside, sub); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	for _, path := range []string{dir, ".", sub, "recomputed-1"} {
		s, err := Make(path)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(s.Corridor, "corridor of 5 good runs") {
			t.Errorf("%s: %q", path, s.Corridor)
		}
	}
}

// While the bench's own constants cannot be read, a run that was judged by them
// keeps its verdict and the version it went by; one without a verdict gets one by
// the handbook.
func TestSaveKeepsConstants(t *testing.T) {
	dir := recordRun(t, evening(230), cardText, benchText)
	version := filepath.Join(filepath.Dir(journal.RunsOf(dir)), learn.Dir, "0001.toml")
	if err := os.MkdirAll(filepath.Dir(version), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(version, []byte("a scratch on the card"), 0o644); err != nil {
		t.Fatal(err)
	}
	save := func() error {
		t.Helper()
		s, err := Make(dir)
		if err != nil {
			t.Fatal(err)
		}
		return s.Save(dir)
	}
	if err := save(); err != nil {
		t.Fatalf("without a verdict: %v", err)
	}
	if err := journal.UpdateMeta(dir, func(m *journal.Meta) error { m.Constants = 1; return nil }); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "run.toml")
	was, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	err = save()
	if err == nil || !strings.Contains(err.Error(), version) || !strings.Contains(err.Error(), "put the file back") {
		t.Errorf("saved, or not said what to do: %v", err)
	}
	if is, err := os.ReadFile(path); err != nil || !bytes.Equal(is, was) {
		t.Errorf("run.toml has changed: %v", err)
	}
	// Nor does it get a card that it was not judged with.
	text := strings.Replace(cardText, "PP-04", "PP-07", 1)
	card, err := tube.Parse("card", []byte(text))
	if err != nil || card.Name != "PP-07" {
		t.Fatal(card.Name, err)
	}
	if _, err := GiveCard(dir, &card, []byte(text)); err == nil {
		t.Error("the card was taken")
	}
	if is, err := os.ReadFile(path); err != nil || !bytes.Equal(is, was) {
		t.Errorf("run.toml has changed by the card: %v", err)
	}
	if err := os.Remove(version); err != nil {
		t.Fatal(err)
	}
	if err := journal.UpdateMeta(dir, func(m *journal.Meta) error { m.Constants = 0; return nil }); err != nil {
		t.Fatal(err)
	}
	s, err := GiveCard(dir, &card, []byte(text))
	m, metaErr := journal.LoadMeta(dir)
	if err != nil || metaErr != nil || s.Run.Tube != "PP-07" || m.Tube != "PP-07" || m.Card != text || m.Verdict != s.Verdict.Overall {
		t.Errorf("given: %v %v, sheet of %q, run of %q", err, metaErr, s.Run.Tube, m.Tube)
	}
}
