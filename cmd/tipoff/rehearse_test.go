package main

import (
	"encoding/json"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tipoff/logger/model"
)

// A tube is rehearsed before any run, from the handbook, and says so; with
// learned constants it says from how many runs.
func TestRehearse(t *testing.T) {
	dir := t.TempDir()
	picture := filepath.Join(dir, "r.png")
	out, _ := tipoff(t, exitOK, "rehearse", petrel+"PP-01.toml", "--bench", petrel+"bench.toml", "--picture", picture)
	for _, want := range []string{"Rehearsal of PP-01", "together with the shells in", "handbook only", "too little for advice", "AT ", "arc off", "highest glass reading", picture,
		"it does not guard"} {
		if !strings.Contains(out, want) {
			t.Errorf("the account lacks %q:\n%s", want, out)
		}
	}
	f, err := os.Open(picture)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := png.Decode(f); err != nil {
		t.Error(err)
	}

	learned := model.Handbook(model.Bench{})
	learned.Runs = []string{"2026-11-25-001", "2026-11-25-002"}
	for i := range learned.Cov {
		learned.Cov[i][i] /= 50
	}
	text, err := json.Marshal(learned)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "learned.json")
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
	out, _ = tipoff(t, exitOK, "rehearse", "--constants", file, "--picture", filepath.Join(dir, "r.svg"), petrel+"PP-06.toml")
	if !strings.Contains(out, "learned from 2 runs") {
		t.Errorf("not from the learned constants:\n%s", out)
	}
	if svg, err := os.ReadFile(filepath.Join(dir, "r.svg")); err != nil || !strings.Contains(string(svg), "<svg") {
		t.Errorf("no SVG: %v", err)
	}
}

func TestRehearseRefuses(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.json")
	if err := os.WriteFile(bad, []byte(`{"order":["x"]}`), 0o644); err != nil {
		t.Fatal(err)
	}
	card := petrel + "PP-01.toml"
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"picture":   {[]string{card, "--picture", "x.gif"}, ".svg or .png"},
		"constants": {[]string{card, "--constants", bad, "--picture", filepath.Join(dir, "x.svg")}, bad},
		"no file":   {[]string{card, "--constants", filepath.Join(dir, "none.json"), "--picture", filepath.Join(dir, "x.svg")}, "none.json"},
		"room":      {[]string{card, "--room", "400"}, "-10 to 50"},
		"no card":   {[]string{filepath.Join(dir, "none.toml")}, "none.toml"},
		"nothing":   {nil, "operands"},
	} {
		if _, errs := tipoff(t, exitInput, append([]string{"rehearse"}, c.args...)...); !strings.Contains(errs, c.want) {
			t.Errorf("%s: %q lacks %q", name, errs, c.want)
		}
	}
}
