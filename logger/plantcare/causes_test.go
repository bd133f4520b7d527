package plantcare

import (
	"strings"
	"testing"

	"tipoff/drivers/plant"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

// Oil that tires, from 1.5 to 5 micron of ultimate pressure over eight runs, shows in
// the base pressure; a stopcock that begins to leak, in what comes in while all is
// shut. Each is told by its own figure, and what stays the same is not accused. Both
// while every run is still within its limits: the leak stays under 3 micron a minute.
func TestCausesShowBeforeTheyCostTubes(t *testing.T) {
	if testing.Short() {
		t.Skip("plays whole runs")
	}
	follow := func(stop string, change func(cfg *plant.Config, share float64)) []Trend {
		var runs []Run
		for i := range 8 {
			cfg := plant.Default()
			cfg.Seed = uint64(i) + 21
			change(&cfg, float64(i)/7)
			list, _ := played(cfg, stop)
			m := journal.Meta{ID: "r"}
			for k := range list {
				m.Vacuum = append(m.Vacuum, list[k].Entry(0))
			}
			runs = append(runs, Of(&m))
		}
		return Trends(runs)
	}
	oil := follow("", func(cfg *plant.Config, share float64) { cfg.Bench.Ultimate = 0.2 + 0.47*share })
	base, inflow := oil[0], oil[3]
	t.Logf("oil: base %.3g %s; coming in %.2g %s", base.Values, base.Words, inflow.Values, inflow.Words)
	if !base.Known || !base.Fit.Certain || base.Fit.Last < 1.5*base.Fit.First || !strings.Contains(base.Words, "tired oil") {
		t.Errorf("tired oil: %+v", base)
	}
	if inflow.Fit.Certain && inflow.Fit.Last > inflow.Fit.First {
		t.Errorf("tired oil shows as a leak: %+v", inflow)
	}
	leak := follow(phase.AdmitAir.String(), func(cfg *plant.Config, share float64) { cfg.Bench.Leak = 3e-7 + 4e-6*share })
	inflow = leak[3]
	t.Logf("stopcock: coming in %.2g %s", inflow.Values, inflow.Words)
	if !inflow.Known || !inflow.Fit.Certain || inflow.Fit.Last < 1.5*inflow.Fit.First || !strings.Contains(inflow.Words, "leaking stopcock") {
		t.Errorf("a stopcock that begins to leak: %+v", inflow)
	}
	if speed := leak[1]; speed.Fit.Certain {
		t.Errorf("a leaking stopcock shows as a worn pump: %+v", speed)
	}
}
