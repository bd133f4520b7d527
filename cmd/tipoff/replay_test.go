package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib/unit"
	"tipoff/drivers/registry"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/model"
	"tipoff/logger/tube"
)

// A replay of a recorded run judges it as its sheet did: with the bench.toml that is in
// the run and the version of the bench's own constants in force then, though a later
// version would judge otherwise.
func TestReplayJudgesAsTheSheetDid(t *testing.T) {
	dir := t.TempDir()
	trace := func(day string) {
		tipoff(t, exitOK, "import", "../../testdata/traces/pp-01.csv", "--store", dir, "--card", petrel+"PP-01.toml", "--bench", petrel+"bench.toml",
			"--started", "2026-11-"+day+"T10:00:00Z")
	}
	trace("01") // teaches version 1
	list, err := filepath.Glob(filepath.Join(dir, learn.Dir, "*.toml"))
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	text, err := os.ReadFile(list[0])
	if err != nil {
		t.Fatal(err)
	}
	c, err := learn.Parse(list[0], text)
	if err != nil {
		t.Fatal(err)
	}
	// The arc holds up to 2 Torr m at most, by ten runs: the trace struck well above.
	v := &c.Values[model.HoldPressure]
	v.X, v.U, v.Runs, v.Beats, v.OfRuns = 2*unit.Torr, 0.02, 10, true, 0.02
	c.Held = true
	if text, err = c.Encode(); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.Chmod(list[0], 0o644), os.WriteFile(list[0], text, 0o444)); err != nil {
		t.Fatal(err)
	}
	trace("02")
	run := filepath.Join(dir, bench.RunsDir, "2026-11-02-001")
	m, err := journal.LoadMeta(run)
	if err != nil {
		t.Fatal(err)
	}
	if m.Constants != 1 || !strings.Contains(m.Summary, "air pressure for striking") {
		t.Fatalf("judged by version %d: %s", m.Constants, m.Summary)
	}
	out, _ := tipoff(t, exitOK, "replay", "2026-11-02-001", "--store", dir, "--speed", "100000", "--listen", anyPort)
	if !strings.Contains(out, "judged: "+m.Summary+"\n") {
		t.Errorf("judged in the replay:\n%s\nrecorded: %s", out, m.Summary)
	}

	// The limits on the page are those of the sheet, from the first frame on.
	tr, _, err := readTraceOrRun(&env{out: io.Discard, err: io.Discard}, run, dir)
	if err != nil {
		t.Fatal(err)
	}
	e := &env{out: io.Discard, err: os.Stderr}
	d, err := e.traceStation(tr, m.Started.Wall, 0, "", "")
	if err != nil {
		t.Fatal(err)
	}
	store := t.TempDir()
	if err := e.asRecorded(d, run, m, store); err != nil {
		t.Fatal(err)
	}
	d.cfg.Store.Directory, d.cfg.Page.Listen = store, ""
	if err := d.open(); err != nil {
		t.Fatal(err)
	}
	if err := d.bench.SetCard("card", []byte(m.Card)); err != nil {
		t.Fatal(err)
	}
	var got *envelope.Envelope
	if err := d.run(t.Context(), func(time.Duration) bool { got = d.bench.Snapshot().Envelope; return true }); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("bench.toml", []byte(m.Bench), registry.All())
	if err != nil {
		t.Fatal(err)
	}
	card, err := tube.Parse("card", []byte(m.Card))
	if err != nil {
		t.Fatal(err)
	}
	want := envelope.Compute(card, true, c.For(bench.PlantOf(cfg)))
	for i := range want.Limits {
		if a, b := got.Limits[i].Bounds(), want.Limits[i].Bounds(); a != b || got.Limits[i].Basis != want.Limits[i].Basis {
			t.Errorf("%s: %s, want %s", want.Limits[i].ID, a, b)
		}
	}
	if l, ok := got.Limit(envelope.StrikeWindow); !ok || l.Basis != envelope.FromBench {
		t.Errorf("striking: %+v", l)
	}
}
