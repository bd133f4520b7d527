package plantcare

import (
	"math"
	"testing"
	"time"

	"tipoff/logger/phase"
)

// A gauge of three digits that does not move in the seconds that the pump is shut says
// nothing of a leak: what it shows must not count as no rise at all, known for certain.
func TestCoarseGaugeTellsNoRise(t *testing.T) {
	for _, stands := range []bool{true, false} {
		var obs []phase.Observation
		var u []float64
		for i := range 300 {
			p := 1.33
			if !stands {
				p += 1e-3 * float64(i%7)
			}
			obs = append(obs, phase.Observation{At: time.Duration(i) * 100 * time.Millisecond, Pressure: p, Glass: 22})
			u = append(u, 0.01)
		}
		segments := []phase.Segment{{Phase: phase.Evacuate, To: 10 * time.Second}, {Phase: phase.LeakTest, From: 10 * time.Second, To: 22 * time.Second},
			{Phase: phase.AdmitAir, From: 22 * time.Second, To: 30 * time.Second}}
		found := 0
		for _, s := range Examine(obs, u, segments, Volume(1e-3)) {
			if s.Rise == nil {
				continue
			}
			found++
			if !(s.Rise.Rate.U > 0) || math.IsInf(s.Rise.Rate.U, 0) {
				t.Errorf("stands %v: %v, %s", stands, s.Rise.Rate, s.Sentence(math.NaN()))
			}
		}
		if (found > 0) == stands {
			t.Errorf("stands %v: %d stretches", stands, found)
		}
	}
}
