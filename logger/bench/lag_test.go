package bench_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"tipoff/calib/chain"
	"tipoff/calib/lag"
	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/frame"
)

// glassTrace is what the logger recorded of the glass beside the plant's truth.
type glassTrace struct {
	at, raw, value, u, wall, junction []float64
	rate                              []float64 // of the wall, °C/s, over the last second
	amps                              []float64
	lit                               []bool
}

// traceGlass runs the first tube of the show through the chips and the daemon.
// change may alter the glass channel's calibration.
// noise, °C, is added to what the chip of the thermocouple sees; the chip's
// model adds none of its own.
func traceGlass(t *testing.T, noise float64, change func(p *chain.Params)) *glassTrace {
	t.Helper()
	var r *rig
	g := new(glassTrace)
	glass, current := -1, -1
	r = newRig(t, 1, func(o *bench.Options) {
		glass, current = o.Layout.Index(frame.Glass), o.Layout.Index(frame.Current)
		if change != nil {
			o.Chains[glass] = changed(t, o, glass, change)
		}
		o.OnFrame = func(at time.Duration) {
			s, truth := r.bench.Snapshot(), r.show.State()
			v, raw := s.Frame.Readings[glass].Value, s.Frame.Readings[glass].Indicated
			if !v.Good() {
				return
			}
			g.at = append(g.at, at.Seconds())
			g.raw, g.value, g.u = append(g.raw, raw.X), append(g.value, v.X), append(g.u, v.U)
			g.wall, g.junction = append(g.wall, truth.Wall), append(g.junction, truth.Junction)
			g.lit = append(g.lit, truth.Lit)
			g.amps = append(g.amps, s.Frame.Readings[current].Value.X)
			rate := 0.0
			if n := len(g.wall); n > 10 {
				rate = (g.wall[n-1] - g.wall[n-11]) / (g.at[n-1] - g.at[n-11])
			}
			g.rate = append(g.rate, rate)
		}
	})
	rng := rand.New(rand.NewPCG(1, 2))
	hot := r.wired.Thermocouple.Hot
	r.wired.Thermocouple.Hot = func(t time.Duration) float64 { return hot(t) + noise*rng.NormFloat64() }
	r.until(t, 8*time.Minute, nil)
	return g
}

// changed makes the chain of channel i anew, with a changed calibration.
func changed(t *testing.T, o *bench.Options, i int, change func(p *chain.Params)) chain.Chain {
	t.Helper()
	cfg, err := config.Parse("bench.toml", []byte(o.BenchText), registry.All())
	if err != nil {
		t.Fatal(err)
	}
	spec := cfg.Channels[i].Calibration
	change(&spec.Params)
	for _, d := range o.Devices {
		for k, j := range d.Channels {
			if j != i {
				continue
			}
			c, err := chain.New(o.Layout.Channels[i].Role.String(), spec, config.InputOf(d.Source.Inputs()[k]), cfg.Mains)
			if err != nil {
				t.Fatal(err)
			}
			return c
		}
	}
	t.Fatalf("no device has channel %d", i)
	return nil
}

// deviation is the standard deviation of y about the straight line through it.
func deviation(x, y []float64) float64 {
	a, b := stat.LinearRegression(x, y, nil, false)
	sum := 0.0
	for i := range x {
		d := y[i] - a - b*x[i]
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(x)-2))
}

// The glass value against the plant's true wall: in the ramps of a bombarding
// the error is cut at least fivefold, at no more than twice the reading's noise.
// The junction of the plant follows with 3 s and sees 97 % of the rise.
func TestLagCorrected(t *testing.T) {
	// 0.05 °C is 2 µV at the input, six codes of the chip.
	g := traceGlass(t, 0.05, func(p *chain.Params) { p.Seating = plant.Default().Bench.Seating })
	var raw2, value2 float64
	n, out, first := 0, 0, 0
	peak, highest, overU := 0.0, 0.0, 0.0
	rawOver, valueOver := math.Inf(1), math.Inf(1)
	for i := range g.at {
		if g.raw[i] > 200 {
			rawOver = min(rawOver, g.at[i])
		}
		if g.value[i] > 200 {
			valueOver = min(valueOver, g.at[i])
		}
		peak = max(peak, g.wall[i])
		if g.value[i] > highest {
			highest, overU = g.value[i], g.u[i]
		}
		if !g.lit[i] {
			first = 0
			continue
		}
		first++
		// From 3 s after the arc was struck: whoever corrects a lag needs time
		// to see the rate. (TestBombarding in calib/lag counts these too.)
		if g.rate[i] < 2 || g.rate[i] > 4 || first < 30 {
			continue
		}
		raw2 += (g.raw[i] - g.wall[i]) * (g.raw[i] - g.wall[i])
		value2 += (g.value[i] - g.wall[i]) * (g.value[i] - g.wall[i])
		n++
		if math.Abs(g.value[i]-g.wall[i]) > 2*g.u[i] {
			out++
		}
	}
	if n < 100 {
		t.Fatalf("only %d frames of ramps at 2 to 4 °C/s", n)
	}
	raw, value := math.Sqrt(raw2/float64(n)), math.Sqrt(value2/float64(n))
	t.Logf("%d frames of ramps at 2 to 4 °C/s: rms error raw %.2f °C, corrected %.2f °C: %.1f-fold; %d outside 2u", n, raw, value, raw/value, out)
	t.Logf("true peak %.1f °C, corrected peak %.1f ± %.1f °C; 200 °C passed at %.1f s raw, %.1f s corrected", peak, highest, 2*overU, rawOver, valueOver)
	if raw/value < 5 || out*20 > n {
		t.Errorf("raw %.2f °C, corrected %.2f °C, %d of %d outside 2u", raw, value, out, n)
	}
	if highest-peak > 2*overU {
		t.Errorf("%.1f °C over the true peak of %.1f °C", highest-peak, peak)
	}
	if !(valueOver <= rawOver) {
		t.Errorf("the corrected value is later: %.1f s, raw %.1f s", valueOver, rawOver)
	}
	// Noise, in stretches of 5 s in which the true junction is as good as
	// straight: then what is left of each about its line is its noise.
	var rawNoise, noise []float64
	for i := 0; i+50 < len(g.at); i += 50 {
		x := g.at[i : i+50]
		if x[0] < 20 || g.lit[i] || g.lit[i+50] || deviation(x, g.junction[i:i+50]) > 0.001 {
			continue
		}
		rawNoise = append(rawNoise, deviation(x, g.raw[i:i+50]))
		noise = append(noise, deviation(x, g.value[i:i+50]))
	}
	if len(noise) < 5 {
		t.Fatalf("only %d quiet stretches", len(noise))
	}
	a, b := floats.Norm(rawNoise, 2)/math.Sqrt(float64(len(noise))), floats.Norm(noise, 2)/math.Sqrt(float64(len(noise)))
	t.Logf("noise in %d quiet stretches: raw %.4f °C, corrected %.4f °C: %.2f times", len(noise), a, b, b/a)
	if b > 2*a {
		t.Errorf("noise raw %.4f °C, corrected %.4f °C", a, b)
	}
}

// Without lag the value is the reading's, as before; with the demo's own bench,
// which knows the lag but not the seating, what is left is the seating's 3 % of
// the rise.
func TestLagSettings(t *testing.T) {
	off := traceGlass(t, 0, func(p *chain.Params) { p.Lag = 0 })
	for i := range off.at {
		if off.raw[i] != off.value[i] {
			t.Fatalf("at %.1f s without lag: value %.3f °C, indicated %.3f °C", off.at[i], off.value[i], off.raw[i])
		}
	}
	demo := traceGlass(t, 0, nil)
	seating := plant.Default().Bench.Seating
	var sum float64
	n, first := 0, 0
	for i := range demo.at {
		if !demo.lit[i] {
			first = 0
			continue
		}
		if first++; first >= 30 {
			want := demo.wall[i] - (1-seating)*(demo.wall[i]-22)
			sum += (demo.value[i] - want) * (demo.value[i] - want)
			n++
		}
	}
	if rms := math.Sqrt(sum / float64(n)); n < 300 || rms > 1 {
		t.Errorf("%d frames of arc, rms %.2f °C from what the seating leaves", n, rms)
	}
}

// The time constant that a recorded run shows is the plant's.
func TestLagFromRun(t *testing.T) {
	g := traceGlass(t, 0, nil)
	samples := make([]lag.RunSample, len(g.at))
	for i := range g.at {
		samples[i] = lag.RunSample{At: time.Duration(g.at[i] * 1e9), Junction: g.raw[i], Current: g.amps[i]}
	}
	tau, u, each, err := lag.FromRun(samples)
	t.Logf("%.2f ± %.2f s, %v, from %+v", tau, u, err, each)
	want := plant.Default().Bench.Lag.Seconds()
	if err != nil || math.Abs(tau-want) > 2*u || u > 0.5 {
		t.Errorf("%.2f ± %.2f s, %v; want %.2f s", tau, u, err, want)
	}
}
