package chain

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"tipoff/calib"
)

// A wild sample among the very first, as while a plug goes in, is no noise: a spike
// seconds later is left out as ever.
func TestSpikeAfterWildStart(t *testing.T) {
	for wild := range 6 {
		c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{MaxRate: 15}}, k31856())
		rng := rand.New(rand.NewPCG(1, uint64(wild)))
		var most float64
		var q calib.Quality
		for i := range 40 {
			x := 200 + 0.1*rng.NormFloat64()
			switch i {
			case wild:
				x = 700
			case 25:
				x += 40
			}
			at := time.Duration(i) * 110 * ms
			c.Push(at, math.Round(x*128), 27*64, 0)
			if v, _, _ := c.Take(at + 10*ms); i > 10 {
				most, q = max(most, v.X), q|v.Q
			}
		}
		if most > 201 || q&calib.Spike == 0 {
			t.Errorf("sample %d wild: up to %.1f °C, %v", wild, most, q)
		}
	}
}
