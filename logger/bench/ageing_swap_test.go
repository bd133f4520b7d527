package bench_test

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/ageing"
	"tipoff/logger/journal"
)

// A request that is put in the place of the running one's ends that and begins another
// run; what has burnt is written into the running one's alone.
func TestAnotherAgeingRequest(t *testing.T) {
	dir := t.TempDir()
	b, _ := agingRig(t, dir, &plant.Ager{Amps: 0.05, From: 0, To: 4000}, nil)
	if err := b.Age([]byte("tube = \"PP-01\"\ncurrent = \"50 mA\"\nhours = 1\n")); err != nil {
		t.Fatal(err)
	}
	put := func(tube string, done float64) {
		t.Helper()
		if err := ageing.Put(dir, ageing.Request{Tube: tube, Current: 0.05, Every: ageing.DefaultEvery, Hours: 1, Done: done}); err != nil {
			t.Error(err)
		}
	}
	err := b.Run(context.Background(), func(now time.Duration) bool {
		tube := b.Snapshot().Ageing.Tube
		switch now {
		case 10 * time.Second:
			put("PP-01", 0.25) // the same, whatever of it is said to be done
		case 15 * time.Second:
			if n := len(runs(t, b)); tube != "PP-01" || n != 1 {
				t.Errorf("the same request: %q is aged in run %d", tube, n)
			}
			put("PP-02", 0)
		case 18 * time.Second:
			if tube != "PP-02" {
				t.Errorf("3 s after another request: %q is aged", tube)
			}
			put("PP-03", 0)
		}
		return now >= 18*time.Second // before the bench looks at it again
	})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := ageing.Wanted(dir); err != nil || r.Tube != "PP-03" || r.Done != 0 {
		t.Errorf("what the next daemon finds: %+v, %v", r, err)
	}
	all := runs(t, b)
	if len(all) != 2 {
		t.Fatalf("runs %v", all)
	}
	if m, err := journal.LoadMeta(all[0]); err != nil || m.Outcome != journal.Aborted || m.Tube != "PP-01" {
		t.Errorf("the first: %+v, %v", m, err)
	}
}

// What is asked for is read back as it was written, to the last bit: else a running
// request would be taken for another one.
func TestAgeingRequestReadsBackExactly(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(7, 8))
	names := []string{"", "PP-01", `"quoted" \ 'tube'`, "Röhre № 7 — ☂", "#1 = [x]", strings.Repeat("ü", 80), " spaced "}
	for range 2000 {
		r := ageing.Request{Tube: names[1+rng.IntN(len(names)-1)], Run: names[rng.IntN(len(names))], Channel: names[rng.IntN(len(names))],
			Every: time.Duration(10+rng.IntN(591)) * 100 * time.Millisecond}
		if rng.IntN(4) > 0 {
			r.Current = ageing.LeastCurrent + (ageing.MostCurrent-ageing.LeastCurrent)*rng.Float64()
		}
		if rng.IntN(4) > 0 {
			r.Hours, r.Done = ageing.MostHours*rng.Float64(), ageing.MostHours*rng.Float64()
		}
		if err := ageing.Put(dir, r); err != nil {
			t.Fatal(err)
		}
		if got, err := ageing.Wanted(dir); err != nil || got != r {
			t.Fatalf("%+v is read as %+v, %v", r, got, err)
		}
	}
}
