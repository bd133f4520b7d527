package sampler

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// walk feeds a pulse with codes of x at 10 samples a second and tells at which
// sample, counted from frozenAt, the noise is found to be missing; -1 never.
func walk(n, frozenAt int, x func(i int) float64, arc func(i int) bool) (found int) {
	var p pulse
	var code float64
	for i := range n {
		if i < frozenAt {
			code = math.Round(x(i))
		}
		lit := arc != nil && arc(i)
		p.add(time.Duration(i)*100*time.Millisecond, code, math.NaN(), lit)
		if p.same >= leastSame && p.noise.missing(lit) {
			return i - frozenAt
		}
	}
	return -1
}

// Noise that was there and is gone is found after 5 s at 10 samples a second, and
// after 9 s where it is not much more than half a code.
func TestNoiseMissing(t *testing.T) {
	for sigma, most := range map[float64]int{0.8: 95, 1: 90, 3: 70, 20: 55, 300: 50} {
		missed, worst := 0, 0
		for seed := range uint64(20) {
			r := rand.New(rand.NewPCG(seed, 1))
			n := 2000 + int(seed)*7
			found := walk(n+400, n, func(i int) float64 { return 1e4 + 0.002*float64(i) + sigma*r.NormFloat64() }, nil)
			if found < 0 { // it froze on a code at the edge of the noise
				missed++
			}
			worst = max(worst, found)
			if found >= 0 && found < 30 {
				t.Errorf("noise of %v codes: found after %d samples, which may be chance", sigma, found)
			}
		}
		t.Logf("noise of %v codes: found after %d samples at most, %d of 20 missed", sigma, worst, missed)
		if worst > most || missed > 1 {
			t.Errorf("noise of %v codes: found after %d samples at most, %d of 20 missed; want %d, 1", sigma, worst, missed, most)
		}
	}
}

// No noise that is sound is called frozen: of any size against the code, wandering
// slowly between codes, for a day at 10 samples a second in all.
func TestNoiseNotMissed(t *testing.T) {
	n := 100_000
	if testing.Short() {
		n = 20_000
	}
	for _, sigma := range []float64{0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.55, 0.6, 0.65, 0.7, 0.8, 1, 2, 10} {
		r := rand.New(rand.NewPCG(3, uint64(sigma*100)))
		level := 1e4
		found := walk(n, n, func(int) float64 {
			level += 0.004 * r.NormFloat64() // a code in some two hours and back
			return level + sigma*r.NormFloat64()
		}, nil)
		if found != -1 {
			t.Errorf("noise of %v codes: called frozen after %d samples", sigma, n+found)
		}
	}
}

// What a bench does to a quiet channel is no noise that could be missed.
func TestNoNoiseToMiss(t *testing.T) {
	const n = 6000
	for name, c := range map[string]struct {
		x   func(r *rand.Rand, i int) float64
		arc func(i int) bool
	}{
		"a ramp that ends": {x: func(r *rand.Rand, i int) float64 { return 1e4 + 3*float64(min(i, 3000)) + 0.2*r.NormFloat64() }},
		"a spark coil for three minutes": {x: func(r *rand.Rand, i int) float64 {
			x := 1e4 + 0.2*r.NormFloat64()
			if i > 1000 && i < 2800 && r.Float64() < 0.07 {
				x += 50 * r.NormFloat64()
			}
			return x
		}},
		"noise of the arc": {x: func(r *rand.Rand, i int) float64 {
			x := 1e4 + 0.2*r.NormFloat64()
			if i > 1000 && i < 3000 {
				x += 3 * r.NormFloat64()
			}
			return x
		}, arc: func(i int) bool { return i > 1000 && i < 3000 }},
		// A panel meter of 0.01 Torr with a noise of 0.5 % is pumped from the atmosphere
		// to nothing in some seconds, or in minutes.
		"pumped quickly": {x: func(r *rand.Rand, i int) float64 {
			return 76000 * math.Exp(-float64(max(i-3000, 0))/10) * (1 + 0.005*r.NormFloat64())
		}},
		"pumped slowly": {x: func(r *rand.Rand, i int) float64 {
			return 76000 * math.Exp(-float64(max(i-1000, 0))/200) * (1 + 0.005*r.NormFloat64())
		}},
		"let down at once": {x: func(r *rand.Rand, i int) float64 {
			if i > 3000 {
				return 0
			}
			return 76000 * (1 + 0.005*r.NormFloat64())
		}},
	} {
		for seed := range uint64(20) {
			r := rand.New(rand.NewPCG(seed, 2))
			if found := walk(n, n, func(i int) float64 { return c.x(r, i) }, c.arc); found != -1 {
				t.Errorf("%s, seed %d: called frozen at sample %d", name, seed, n+found)
			}
		}
	}
}

// A frozen channel that comes back and freezes again is found again; a gap begins
// anew.
func TestNoiseMissingAgain(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	var p pulse
	found := 0
	code := 0.0
	for i := range 4000 {
		if i%1000 < 800 || p.frozen && i%1000 < 2 {
			code = math.Round(1e4 + 2*r.NormFloat64())
		} else if i%1000 == 800 {
			code = 1e4
		}
		p.add(time.Duration(i)*100*time.Millisecond, code, math.NaN(), false)
		if !p.frozen && p.same >= leastSame && p.noise.missing(false) {
			p.frozen = true
			found++
		}
	}
	if found != 4 {
		t.Errorf("frozen 4 times, found %d times", found)
	}
}
