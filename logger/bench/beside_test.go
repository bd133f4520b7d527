package bench_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/ageing"
	"tipoff/logger/bench"
	"tipoff/logger/journal"
)

// A trace that is recorded into the store of a bench at work takes neither the card
// that waits there nor the ageing that is wanted.
func TestTraceLeavesTheBenchsStoreAlone(t *testing.T) {
	dir := t.TempDir()
	if err := ageing.Put(dir, ageing.Request{Tube: "PP-01", Every: time.Second}); err != nil {
		t.Fatal(err)
	}
	waiting := filepath.Join(dir, "queue", "zz.toml")
	b, _ := agingRig(t, dir, &plant.Ager{Amps: 0.05, From: 0, To: 4000}, func(o *bench.Options) { o.Whole = true })
	if err := os.WriteFile(waiting, []byte("name = \"PP-09\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := b.Run(context.Background(), func(now time.Duration) bool { return now >= 20*time.Second }); err != nil {
		t.Fatal(err)
	}
	all := runs(t, b)
	if len(all) != 1 {
		t.Fatalf("runs: %v", all)
	}
	if m, err := journal.LoadMeta(all[0]); err != nil || m.Kind != "" || m.Tube != "" {
		t.Errorf("the trace's run: %+v, %v", m, err)
	}
	if _, err := os.Stat(waiting); err != nil {
		t.Error(err)
	}
	if r, err := ageing.Wanted(dir); err != nil || r.Done != 0 {
		t.Errorf("what is wanted of the bench: %+v, %v", r, err)
	}
}
