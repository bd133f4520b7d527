package calibrate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"tipoff/calib/chain"
	"tipoff/logger/frame"
)

// stepChip is how a thermocouple chip gives its numbers.
type stepChip struct {
	name   string
	every  time.Duration // between readings
	jitter float64       // of the time between them, as a part of it
	digit  float64       // °C of one code
	noise  float64       // °C rms
	sparks float64       // share of readings that are wild
}

// madeStep feeds the guided step what the chain makes of a junction that goes
// from 22 to 92 °C with one time constant (closed form), and returns what it says
// when it has settled.
func madeStep(t *testing.T, c stepChip, tau float64, seed uint64) (found, u float64, why string) {
	t.Helper()
	conv, err := chain.New("glass", chain.Spec{Kind: chain.SpecThermocouple, Params: chain.Params{Lag: 3 * time.Second}},
		chain.Input{Kind: chain.Thermocouple, Scale: c.digit, AuxScale: 1, Integer: true, Interval: c.every, Type: 'K',
			Acc: chain.Accuracy{ColdJunction: 0.7}}, 50)
	if err != nil {
		t.Fatal(err)
	}
	s := begin(t, Options{Room: math.NaN()}, "step")
	r := rand.New(rand.NewPCG(seed, 7))
	const frames = 100 * time.Millisecond
	next := time.Duration(r.Int64N(int64(frames)))
	begun := time.Duration(-1)
	var raw float64
	rawAt := time.Duration(-1)
	for at := frames; at < 100*time.Second; at += frames {
		read := math.NaN()
		for next < at {
			x := 22.0
			if begun >= 0 && next > begun {
				x = 92 - 70*math.Exp(-(next-begun).Seconds()/tau)
			}
			x += c.noise * r.NormFloat64()
			if r.Float64() < c.sparks {
				x += 300 * (r.Float64() - 0.5)
			}
			raw = math.Round(x / c.digit)
			conv.Push(next, raw, 24, 0)
			read, rawAt = raw, next
			next += time.Duration(float64(c.every) * (1 + c.jitter*(r.Float64()-0.5)))
		}
		v, ind, n := conv.Take(at)
		s.Step(at, &frame.Reading{Value: v, Indicated: ind, Raw: read, Aux: 24, Samples: int32(n)}, rawAt)
		st := s.State()
		if begun < 0 && st.Ready {
			begun = at + time.Duration(r.Int64N(int64(2*time.Second)))
		}
		if st.Settled {
			return s.watch.tau, s.watch.u, st.Why
		}
		why = st.Why
	}
	return math.NaN(), math.NaN(), why
}

// The guided step finds a true time constant from 0.8 to 6 s within its
// uncertainty (k=2) and within 3 %, at the readings a second, the digits and the
// noise of the chips that tipoff reads (data sheets of MAX31856: 0.0078 °C, 82 ms
// and more; MAX31855: 0.25 °C, 100 ms at most; MCP9600: 0.0625 °C, 320 ms at 18
// bits).
func TestStepFindsEveryTimeConstant(t *testing.T) {
	chips := []stepChip{
		{"quick and quiet", 50 * time.Millisecond, 0, 0.0078125, 0.02, 0},
		{"as the frames", 100 * time.Millisecond, 0, 0.0078125, 0.05, 0},
		{"beats with the frames", 97 * time.Millisecond, 0.02, 0.0078125, 0.05, 0},
		{"noisy", 100 * time.Millisecond, 0.1, 0.0078125, 0.3, 0},
		{"coarse", 100 * time.Millisecond, 0, 0.25, 0.05, 0},
		{"slow", 320 * time.Millisecond, 0.05, 0.0625, 0.05, 0},
		{"one a second", time.Second, 0.02, 0.0625, 0.05, 0},
		{"sparks", 100 * time.Millisecond, 0.02, 0.0078125, 0.05, 0.01},
	}
	worst := 0.0
	outside, all := 0, 0
	for _, c := range chips {
		for _, tau := range []float64{0.8, 1.2, 1.8, 2.4, 3.5, 4.5, 6} {
			if c.every.Seconds() > tau/2 {
				continue // too few readings to see so quick a junction
			}
			for seed := range uint64(3) {
				got, u, why := madeStep(t, c, tau, seed)
				off := got/tau - 1
				if !(math.Abs(off) <= 0.03) {
					t.Errorf("%s, %g s: %.3f s ± %.3f s, off by %.1f %% (%s)", c.name, tau, got, 2*u, 100*off, why)
				}
				if all++; !(math.Abs(got-tau) <= 2*u) {
					outside++
				}
				if 2*u > 0.15*tau {
					t.Errorf("%s, %g s: ± %.3f s says too little", c.name, tau, 2*u)
				}
				worst = math.Max(worst, math.Abs(off))
			}
		}
	}
	t.Logf("off by %.2f %% at most; %d of %d outside of k=2", 100*worst, outside, all)
	if outside*20 > all {
		t.Errorf("%d of %d outside of k=2", outside, all)
	}
}
