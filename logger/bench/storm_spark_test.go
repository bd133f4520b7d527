package bench_test

import (
	"log/slog"
	"testing"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/alarm"
	"tipoff/logger/bench"
)

// Sparks hit every analogue line while the tube is lit: one sample in fourteen
// is wild, by up to 30 °C at the thermocouple, and now and then two follow each
// other. No alarm of an overheat may come of it, and the run is recorded as ever.
func TestSparksWhileLit(t *testing.T) {
	seeds := []uint64{1, 2, 3}
	if testing.Short() {
		seeds = seeds[:1]
	}
	for _, seed := range seeds {
		log := &raises{at: map[string][]time.Duration{}}
		hottest := 0.0
		var r *rig
		r = newRig(t, seed, func(o *bench.Options) {
			log.clock = o.Clock
			o.Log = slog.New(log)
			o.OnFrame = func(time.Duration) {
				hottest = max(hottest, r.show.State().Junction)
			}
		})
		r.show.SetFault(plant.Fault{SparkNoise: true})
		r.until(t, 2*time.Hour, func() bool {
			r.mu.Lock()
			defer r.mu.Unlock()
			return len(r.closed) > 0
		})
		if len(r.closed) == 0 {
			t.Errorf("seed %d: no run was recorded", seed)
		}
		if hottest < 150 {
			t.Errorf("seed %d: the glass never got hotter than %.0f °C", seed, hottest)
		}
		if n := len(log.at[alarm.GlassOverCeiling]); n > 0 {
			t.Errorf("seed %d: %d alarms at %v with glass at %.0f °C at most", seed, n, log.at[alarm.GlassOverCeiling], hottest)
		}
		t.Logf("seed %d: hottest %.1f °C; raised %v", seed, hottest, log.at)
	}
}
