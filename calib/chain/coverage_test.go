package chain

import (
	"math"
	"math/rand/v2"
	"testing"

	"tipoff/calib/gauge"
)

// JCGM 101 for the rest of the chain: the gauge that TestCoverage has not
// (logarithmic, behind a divider, in a gas of its own factor) and the current
// (transformer and burden, gain, reference, one code, noise, a waveform between
// samples). Each error is drawn within what is stated; ±1.96 u holds the truth in
// 94 % to 96 % of the draws.
func TestCoverageGaugeAndCurrent(t *testing.T) {
	r := rand.New(rand.NewPCG(51, 52))
	rect := func(a float64) float64 { return a * (2*r.Float64() - 1) }
	inside := func(name string, n int, draw func() (x, u, truth float64)) {
		in := 0
		for range n {
			if x, u, truth := draw(); math.Abs(x-truth) <= 1.96*u {
				in++
			}
		}
		c := 100 * float64(in) / float64(n)
		t.Logf("%s: %.2f %%", name, c)
		if c < 94 || c > 96 {
			t.Errorf("%s: %.2f %% inside", name, c)
		}
	}

	wide := ads()
	wide.Acc = Accuracy{Offset: 3e-3, Gain: 1.5e-3, Nonlinearity: 1e-3, Reference: 1e-3, Noise: 8e-3}
	log := Spec{Kind: SpecLogLinear, Params: Params{VoltsAt: 5.625, PaAt: 100, VoltsPerDecade: 1, Divider: 3,
		VoltsAccuracy: 2e-3, AccuracyFraction: 0.05, GasDependent: true}}
	for _, g := range []struct {
		gas  gauge.Gas
		half float64 // of the factor, a share of it: our estimate for neon, the bounds for moist air
	}{{gauge.Air, 0}, {gauge.Neon, 0.1}, {gauge.Moist, 1.0 / 3}} {
		spec := log
		if g.gas == gauge.Moist {
			// One rectangular error over all others covers 100 %: there the
			// gauge's own must count for about as much.
			spec.Params.AccuracyFraction = 0.3
		}
		inside("logarithmic gauge in "+g.gas.String(), 20000, func() (x, u, truth float64) {
			c := must(t, "pressure", spec, wide)
			c.SetGas(g.gas)
			truth = 5 + 50*r.Float64()
			shown := truth / (g.gas.Correct(10).Factor * (1 + rect(g.half))) / (1 + rect(spec.Params.AccuracyFraction))
			v := (5.625 + math.Log10(shown/100)) / 3 * (1 + rect(2e-3))
			v = v*(1+rect(1.5e-3))*(1+rect(1e-3)) + rect(3e-3) + rect(1e-3)
			c.Push(ms, math.Round((v+8e-3*r.NormFloat64())/125e-6), math.NaN(), 0)
			y, _, _ := c.Take(2 * ms)
			return y.X, y.U, truth
		})
	}

	in := waveInput(2000)
	in.Acc = Accuracy{Gain: 4e-3, Reference: 4e-3, Noise: 1e-3}
	p := Params{Ratio: 2000, Burden: 23.3345, CurrentAccuracy: 0.005, FloorAmps: 0.2}
	draws := 4000
	if testing.Short() {
		draws = 2000
	}
	inside("current", draws, func() (x, u, truth float64) {
		truth = 20 + 30*r.Float64()
		amps := truth*(1+rect(0.005)) + rect(0.2)
		gain := (1 + rect(4e-3)) * (1 + rect(4e-3))
		c := must(t, "current", Spec{Kind: SpecCurrent, Params: p}, in)
		hz := 49.5 + r.Float64()
		phase := r.Float64()
		v, _ := feedCurrent(c, p, 2000, hz, phase, func(ph float64) float64 {
			return gain * amps * math.Sqrt2 * math.Sin(2*math.Pi*ph)
		})
		return v.X, v.U, truth
	})
}
