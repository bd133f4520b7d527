package phase

import (
	"math"
	"math/rand/v2"
	"testing"
)

// fillReadings are ln p of a settled fill read at 10 Hz: a line with noise of deviation
// sigma, and from at on a warming of the given size.
func fillReadings(r *rand.Rand, seconds, at, size, sigma float64, see func(y, now float64)) {
	for k := range int(seconds * 10) {
		now := 100 + float64(k)*0.1
		see(7+1e-5*(now-100)+size*warming(now-at)+sigma*r.NormFloat64(), now)
	}
}

// Against the normal law: what asks ten independent questions a second for 45 s
// exceeds 4.2 standard deviations in 0.6 % of fills (1 − Φ(4.2) = 1.3e-5). Several
// moments are tried each time, the noise is itself estimated, and there are spikes.
func TestWarmthSeldomErrs(t *testing.T) {
	t.Parallel()
	fills := 400
	if testing.Short() {
		fills = 150
	}
	wrong := 0
	for seed := range uint64(fills) {
		r := rand.New(rand.NewPCG(seed, 11))
		var w warmth
		top := 0.0
		fillReadings(r, 45, math.Inf(1), 0, 2e-4, func(y, now float64) {
			if r.IntN(200) == 0 {
				y += 0.05 * (r.Float64() - 0.5) // a spike now and then
			}
			top = max(top, w.step(y, now, 100))
		})
		if top > warmSure {
			wrong++
		}
	}
	t.Logf("%d of %d", wrong, fills)
	if wrong > fills*6/100 {
		t.Errorf("%d of %d fills in which nothing happened taken for tipped off", wrong, fills)
	}
}

// A warming that makes up 8 standard deviations within 3 s, with level and slope
// to be learned from 20 s before, is found in time; one of 2 is not to be.
func TestWarmthFinds(t *testing.T) {
	t.Parallel()
	const fills, sigma, at = 100, 2e-4, 120.0
	energy := 0.0
	for k := 1; k <= 30; k++ {
		energy += warming(float64(k)*0.1) * warming(float64(k)*0.1)
	}
	for _, c := range []struct {
		d        float64
		from, to int
	}{{2, 0, 15}, {8, 90, fills}, {12, 99, fills}} {
		found := 0
		for seed := range uint64(fills) {
			r := rand.New(rand.NewPCG(seed, 12))
			var w warmth
			top := 0.0
			fillReadings(r, at+3-100, at, c.d*sigma/math.Sqrt(energy), sigma, func(y, now float64) {
				z := w.step(y, now, 100)
				if now > at {
					top = max(top, z)
				}
			})
			if top > warmSure {
				found++
			}
		}
		t.Logf("%g standard deviations: %d of %d", c.d, found, fills)
		if found < c.from || found > c.to {
			t.Errorf("%g standard deviations: found in %d of %d, want %d to %d", c.d, found, fills, c.from, c.to)
		}
	}
}

// An arc struck in standing air heats it and lifts the pressure by 2 % within a
// frame or two; air that is let in, or gas that is pumped, is no jump.
func TestJump(t *testing.T) {
	top := func(p func(now float64) float64) float64 {
		r := rand.New(rand.NewPCG(1, 13))
		var k kink
		top := 0.0
		for j := range 200 {
			now := float64(j) * 0.1
			if k.step(math.Log(p(now)*(1+0.003*r.NormFloat64())), now) {
				top = max(top, k.jump())
			}
		}
		return top
	}
	struck := top(func(now float64) float64 {
		if now > 10 {
			return 300 * 1.04
		}
		return 300
	})
	if math.Abs(struck-math.Log(1.04)) > 0.01 {
		t.Errorf("struck: %.4f, want %.4f", struck, math.Log(1.04))
	}
	for name, p := range map[string]func(now float64) float64{
		"stands":  func(now float64) float64 { return 300 },
		"let in":  func(now float64) float64 { return 100 + 20*now },
		"pumped":  func(now float64) float64 { return 300 * math.Exp(-0.3*max(0, now-10)) },
		"emptied": func(now float64) float64 { return 1 + 0.2*max(0, now-10) },
	} {
		if x := top(p); x != 0 {
			t.Errorf("%s: a jump of %.4f", name, x)
		}
	}
}
