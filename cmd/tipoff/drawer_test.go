package main

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/deploy"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
	"tipoff/logger/config"
	"tipoff/logger/journal"
	"tipoff/logger/sheet"
)

// A daemon that is stopped in the middle of a run seals it and ends at once, however
// long drawing takes. The sheet and the charts are made when somebody asks for them,
// and at the next start without being asked.
func TestStopLeavesTheSheetForLater(t *testing.T) {
	if testing.Short() {
		t.Skip("computes a run and draws it")
	}
	text, err := deploy.PetrelPier.ReadFile(petrelPier + "/bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("bench.toml", text, registry.All())
	if err != nil {
		t.Fatal(err)
	}
	cfg.Store.Directory, cfg.Page.Listen = t.TempDir(), anyPort
	var said bytes.Buffer
	start := func(speed float64) *station {
		v := clock.NewVirtual(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), speed)
		board := emulated.NewBoard(v)
		plant.NewShow(v, 1).Wire(board, plant.DefaultWiring())
		d := &station{cfg: cfg, text: text, ports: board, clock: v, speed: 1, patient: true,
			log: slog.New(slog.NewTextHandler(&said, nil))}
		if err := d.open(); err != nil {
			t.Fatal(err)
		}
		return d
	}

	// The first daemon draws so slowly that it never comes to an end.
	d := start(0)
	never := make(chan struct{})
	t.Cleanup(func() { close(never) })
	d.drawer.make = func(string) (*sheet.Sheet, error) {
		<-never
		return nil, os.ErrClosed
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	d.onFrame = func(at time.Duration) {
		if s := d.bench.Snapshot(); s != nil && s.Run.Active && at > s.Run.Started+2*time.Minute {
			stop()
		}
	}
	d.grace = 0
	if err := d.run(ctx, nil); err != nil {
		t.Fatal(err)
	}
	runs, err := d.bench.Archive().List()
	if err != nil || len(runs) != 1 {
		t.Fatalf("runs: %v, %v", runs, err)
	}
	dir := runs[0].Dir
	if runs[0].Outcome != journal.Interrupted || runs[0].Verdict != "" || journal.Verify(dir) != nil {
		t.Errorf("outcome %q, verdict %q, %v; want a sealed run that is interrupted and not judged", runs[0].Outcome, runs[0].Verdict, journal.Verify(dir))
	}
	if !strings.Contains(said.String(), "its sheet and charts are made at the next start") {
		t.Errorf("the log does not say that the sheet is due: %s", said.String())
	}

	// Somebody looks.
	if data, err := sheet.Artifact(dir, "time.svg"); err != nil || !bytes.Contains(data, []byte("<svg")) {
		t.Errorf("the chart on demand: %d bytes, %v", len(data), err)
	}

	// The next daemon finds it, judges it, and is not told that it ended in a hurry.
	d = start(1) // it need not compute a bench meanwhile
	judged := make(chan string, 1)
	d.drawer.closed = func(dir string, _ *sheet.Sheet) { judged <- dir }
	ctx, stop = context.WithCancel(t.Context())
	defer stop()
	d.onFrame = func(time.Duration) {
		select {
		case got := <-judged:
			if got != dir {
				t.Errorf("judged %s, want %s", got, dir)
			}
			stop()
		case <-t.Context().Done():
		default:
		}
	}
	if err := d.run(ctx, nil); err != nil {
		t.Fatal(err)
	}
	m, err := journal.LoadMeta(dir)
	if err != nil || m.Verdict == "" {
		t.Errorf("verdict %q, %v", m.Verdict, err)
	}
	for _, name := range []string{"time.svg", "time.png", "pressure-temperature.svg", "sheet.json", "sheet.txt"} {
		if _, err := os.Stat(filepath.Join(dir, name)); err != nil {
			t.Error(err)
		}
	}
	if sheet.Due(dir, m.Verdict) {
		t.Error("it is judged and drawn, and still due")
	}
}
