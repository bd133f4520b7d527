package main

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/logger/bench"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

// storeOf makes an archive of n runs whose base pressure rises by a tenth from
// run to run, all else equal.
func storeOf(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	nan := math.NaN()
	for i := range n {
		id := fmt.Sprintf("2026-11-%02d-001", i+1)
		run := filepath.Join(dir, bench.RunsDir, id)
		wall := time.Date(2026, 11, i+1, 18, 0, 0, 0, time.UTC)
		l := frame.NewLayout(200*time.Millisecond, []frame.Channel{{Name: "manifold", Role: frame.Pressure}})
		w, err := journal.Create(run, journal.Meta{ID: id, BenchName: "bench-1", Tube: "PP-01", BootID: "3f2a91c0-0000-0000-0000-000000000000",
			Started: journal.At(time.Second, wall, true)}, l, journal.Options{Patient: true})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Seal(func(m *journal.Meta) {
			m.Outcome, m.Ended = journal.Completed, journal.At(time.Minute, wall.Add(time.Minute), true)
			base := 0.2 * math.Pow(1.1, float64(i))
			m.Vacuum = []journal.Vacuum{
				{Kind: journal.PumpDown, Phase: phase.Evacuate.String(), Speed: 1e-3, SpeedU: 1e-5, Base: 1, BaseU: 0.1, Rate: nan, Inflow: nan},
				{Kind: journal.PumpDown, Phase: phase.FinalPump.String(), Speed: 1e-3, SpeedU: 1e-5, Base: base, BaseU: 0.01, Load: nan, Inflow: nan},
			}
		}); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestTrendVerb(t *testing.T) {
	out, _ := tipoff(t, exitOK, "trend", "--store", storeOf(t, 9), "--last", "4")
	// 1.1^8 = 2.1436: 114 % more over nine runs. 0.2 Pa · 1.1^8 = 0.4287 Pa = 3.216 micron (133.322 Pa a Torr).
	for _, want := range []string{"base pressure: has risen 114 % over 9 runs", "pumping speed: no trend", "2026-11-09-001  PP-01  3.22", "gas load: no run tells"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	if strings.Contains(out, "2026-11-05-001") {
		t.Errorf("more than four runs are listed:\n%s", out)
	}
	out, _ = tipoff(t, exitOK, "trend", "--store", storeOf(t, 3))
	if !strings.Contains(out, "base pressure: 3 runs tell; six runs are needed") {
		t.Errorf("three runs:\n%s", out)
	}
	tipoff(t, exitInput, "trend", "--store", storeOf(t, 1), "--last", "0")
}
