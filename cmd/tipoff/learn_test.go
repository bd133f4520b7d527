package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tipoff/logger/journal"
)

// What runs teach is learned as they come in, is shown, is used by limits and
// rehearse, and wrong input is refused in one line. The runs are three copies of
// a trace, which teach as much as one.
func TestLearnVerb(t *testing.T) {
	if testing.Short() {
		t.Skip("fits and plans for over a minute under the race detector; logger/learn and logger/plan have shorter ones")
	}
	dir := t.TempDir()
	for _, day := range []string{"01", "02", "03"} {
		tipoff(t, exitOK, "import", "../../testdata/traces/pp-01.csv", "--store", dir, "--card", petrel+"PP-01.toml", "--bench", petrel+"bench.toml",
			"--started", "2026-11-"+day+"T10:00:00Z")
	}
	out, _ := tipoff(t, exitOK, "learn", "--store", dir, "--show")
	for _, want := range []string{"version ", "heating", "the runs'", "not known", "no run has a sensor on a shell", "handbook", "Of each watt of the column"} {
		if !strings.Contains(out, want) {
			t.Errorf("what the imports taught lacks %q:\n%s", want, out)
		}
	}
	out, _ = tipoff(t, exitOK, "learn", "--store", dir)
	if !strings.Contains(out, "looked at 3 runs") || !strings.Contains(out, "read 0 of them") {
		t.Errorf("learning by hand:\n%s", out)
	}
	out, _ = tipoff(t, exitOK, "learn", "--store", dir, "--use", "1")
	if !strings.Contains(out, "version 1 is in force again") {
		t.Error(out)
	}
	out, _ = tipoff(t, exitOK, "learn", "--store", dir, "--since", "2026-11-02-001")
	if !strings.Contains(out, "new and in force") || !strings.Contains(out, "from 2 runs") || !strings.Contains(out, "IN VERSION") {
		t.Errorf("since the second run:\n%s", out)
	}
	out, _ = tipoff(t, exitOK, "limits", petrel+"PP-01.toml", "--store", dir, "--bench", petrel+"bench.toml")
	if !strings.Contains(out, "with what 2 runs of this bench have taught") {
		t.Error(out)
	}
	picture := filepath.Join(dir, "r.svg")
	out, _ = tipoff(t, exitOK, "rehearse", petrel+"PP-01.toml", "--store", dir, "--bench", petrel+"bench.toml", "--picture", picture)
	if !strings.Contains(out, "learned from 2 runs") {
		t.Errorf("rehearse does not go by what was learned:\n%s", out)
	}
	out, _ = tipoff(t, exitOK, "rehearse", petrel+"PP-01.toml", "--store", dir, "--bench", petrel+"bench.toml", "--constants", "none", "--picture", picture)
	if !strings.Contains(out, "handbook") || strings.Contains(out, "learned from") {
		t.Errorf("rehearse with the handbook:\n%s", out)
	}
	sheet, _ := tipoff(t, exitOK, "sheet", "last", "--store", dir, "--json")
	if !strings.Contains(sheet, `"constants": `) || strings.Contains(sheet, `"constants": 0`) {
		t.Error("the last run's sheet was made without what the runs before it taught")
	}
	out, _ = tipoff(t, exitOK, "learn", "--store", dir, "--corridor", petrel+"PP-01.toml")
	if !strings.Contains(out, "0 runs of neon") || !strings.Contains(out, "needs 5") {
		t.Error(out)
	}

	// Five good runs make a corridor, in which the next run is looked at.
	for _, day := range []string{"04", "05", "06"} {
		copyRun(t, dir, "2026-11-03-001", "2026-11-"+day+"-001")
	}
	for _, day := range []string{"01", "02", "03", "04", "05"} {
		tipoff(t, exitOK, "observe", "2026-11-"+day+"-001", "good", "--store", dir)
	}
	// Hours taken for minutes: a moment after the run's end is none of it.
	if _, errs := tipoff(t, exitInput, "observe", "2026-11-01-001", "shells-glow", "--into", "6h20m", "--store", dir); !strings.Contains(errs, "found 6h20m0s; allowed: up to ") {
		t.Errorf("%q", errs)
	}
	if out, _ = tipoff(t, exitOK, "observe", "2026-11-06-001", "shells-glow", "--into", "3m10s", "--store", dir); !strings.Contains(out, "shells glow at 3:10") {
		t.Error(out)
	}
	out, _ = tipoff(t, exitOK, "learn", "--store", dir, "--corridor", petrel+"PP-01.toml")
	if !strings.Contains(out, "corridor of 5 runs") || !strings.Contains(out, "bombard") {
		t.Error(out)
	}
	out, _ = tipoff(t, exitOK, "sheet", "last", "--store", dir)
	if !strings.Contains(out, "Good runs") || !strings.Contains(out, "corridor of 5 good runs") {
		t.Errorf("the sheet does not tell of the corridor:\n%s", out)
	}

	if err := os.WriteFile(filepath.Join(dir, "constants", "0099.toml"), []byte("format = 1\nversion = 98\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"no store":       {[]string{"--store", filepath.Join(dir, "none")}, "no folder of runs"},
		"version":        {[]string{"--show", "--version", "50"}, "allowed: 1 to 99"},
		"use":            {[]string{"--use", "-1"}, "below 0"},
		"since":          {[]string{"--since", "2001-01-01-001"}, "no such run"},
		"broken version": {[]string{"--show"}, "0099.toml:1"},
		"operand":        {[]string{"x"}, "found 1 operands"},
		"card":           {[]string{"--corridor", filepath.Join(dir, "none.toml")}, "none.toml"},
	} {
		_, errs := tipoff(t, exitInput, append([]string{"learn", "--store", dir}, c.args...)...)
		if !strings.Contains(errs, c.want) || strings.Count(strings.TrimSpace(errs), "\n") > 0 {
			t.Errorf("%s: %q lacks %q, or is more than a line", name, errs, c.want)
		}
	}
}

// copyRun copies a run of the store to another day.
func copyRun(t *testing.T, store, from, to string) {
	t.Helper()
	dir := filepath.Join(store, "runs", to)
	if err := os.CopyFS(dir, os.DirFS(filepath.Join(store, "runs", from))); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "run.toml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = []byte(strings.ReplaceAll(string(text), from[:len("2026-11-25")], to[:len("2026-11-25")]))
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
}

// An imported trace is judged, and followed, by what was known at its time; and
// one without the bench's description does not make the bench forget it. A card
// that a run gets later is judged by what the run was judged by.
func TestLearnedLimitsOfImports(t *testing.T) {
	notShort(t)
	dir := t.TempDir()
	trace := func(day string, more ...string) {
		t.Helper()
		tipoff(t, exitOK, append([]string{"import", "../../testdata/traces/pp-01.csv", "--store", dir, "--started", "2026-11-" + day + "T10:00:00Z"}, more...)...)
	}
	version := func(id string) int {
		t.Helper()
		m, err := journal.LoadMeta(filepath.Join(dir, "runs", id))
		if err != nil {
			t.Fatal(err)
		}
		return m.Constants
	}
	whole := []string{"--card", petrel + "PP-01.toml", "--bench", petrel + "bench.toml"}
	trace("10", whole...)
	trace("11", whole...)
	if v := version("2026-11-10-001"); v != 0 {
		t.Errorf("the first run was judged by version %d", v)
	}
	if v := version("2026-11-11-001"); v != 1 {
		t.Errorf("the second run was judged by version %d, want 1", v)
	}
	trace("09") // older than all that is known, without card and bench.toml
	if v := version("2026-11-09-001"); v != 0 {
		t.Errorf("an older trace was judged by version %d", v)
	}
	out, _ := tipoff(t, exitOK, "sheet", "2026-11-09-001", "--store", dir)
	if !strings.Contains(out, "Limits and advice go by the handbook and bench.toml") {
		t.Errorf("the sheet does not say so:\n%s", out)
	}
	out, _ = tipoff(t, exitOK, "learn", "--show", "--store", dir)
	if !strings.Contains(out, "bench.toml to") {
		t.Errorf("what bench.toml says was forgotten:\n%s", out)
	}
	trace("12", "--bench", petrel+"bench.toml")
	was := version("2026-11-12-001")
	if was == 0 {
		t.Fatal("a trace without a card was judged without what was known")
	}
	tipoff(t, exitOK, "learn", "--store", dir, "--use", "1")
	tipoff(t, exitOK, "card", "2026-11-12-001", petrel+"PP-01.toml", "--store", dir)
	if v := version("2026-11-12-001"); v != was {
		t.Errorf("with its card judged by version %d, before by %d", v, was)
	}
	out, _ = tipoff(t, exitOK, "sheet", "2026-11-12-001", "--store", dir)
	if !strings.Contains(out, fmt.Sprintf("Version %d of what this bench's runs have taught", was)) {
		t.Errorf("the sheet does not say by which version:\n%s", out)
	}
}
