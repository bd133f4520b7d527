package rms

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// At random conduction angles, frequencies and sampling phases the closed form
// (physics.md §3.2) lies within ±2 Alias in at least 95 % of single readings.
func TestAliasCovers(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 22))
	for _, rate := range []float64{860, 4000} {
		for _, sync := range []bool{false, true} {
			var angles [16]struct{ in, n int }
			in, n := 0, 0
			worst, sum := 0.0, 0.0
			for range 1500 {
				alpha := 150 * r.Float64()
				hz := 50 + 4*(r.Float64()-0.5)
				if sync { // a whole number of samples per half cycle, or the nominal frequency
					hz = 50
					if rate == 860 && r.IntN(2) == 0 {
						hz = 860.0 / 18
					}
				}
				w := cut(alpha)
				m := New(Options{Mains: 50, Rate: rate})
				p0 := r.Float64()
				for i := range int(0.6 * rate) {
					at := time.Duration(float64(i) / rate * 1e9)
					m.Push(at, 1.65+w.f(p0+hz*at.Seconds()))
				}
				v, ok := m.RMS200()
				if !ok {
					t.Fatal("no reading")
				}
				e := math.Abs(v.RMS - w.rms)
				k := &angles[int(alpha/10)]
				k.n++
				n++
				if e <= 2*v.Alias+2e-4*w.rms {
					in++
					k.in++
				}
				worst = math.Max(worst, e/w.rms)
				sum += v.Alias / w.rms
			}
			t.Logf("%g S/s, synchronous %v: %.1f %% inside, mean Alias %.2f %%, largest error %.2f %%, by 10°: %v",
				rate, sync, 100*float64(in)/float64(n), 100*sum/float64(n), 100*worst, angles)
			if float64(in) < 0.95*float64(n) {
				t.Errorf("%g S/s, synchronous %v: %d of %d inside", rate, sync, in, n)
			}
			for i, k := range angles {
				if float64(k.in) < 0.9*float64(k.n) { // about 100 draws each
					t.Errorf("%g S/s, synchronous %v, %d°: %d of %d inside", rate, sync, 10*i, k.in, k.n)
				}
			}
		}
	}
}

// What the package's text says of a sine cut at 90°: E² = 1, mean square ¼,
// half cycle 10 ms, so ±T/(4·¼·10 ms)/... = 2.5 % at 4 kS/s when all edges lie at
// the same place, and Alias is that over √3.
func TestAliasIdealEdge(t *testing.T) {
	w := cut(90)
	low, high := math.Inf(1), 0.0
	for i := range 40 {
		m := New(Options{Mains: 50, Rate: 4000})
		for k := range 1200 {
			at := time.Duration(k) * 250 * time.Microsecond
			m.Push(at, w.f(50*at.Seconds()+(float64(i)+0.5)/40/80))
		}
		r, _ := m.RMS200()
		low, high = min(low, r.RMS/w.rms-1), max(high, r.RMS/w.rms-1)
		if math.Abs(r.Alias/w.rms/(0.025/math.Sqrt(3))-1) > 0.08 {
			t.Fatalf("Alias %g, want %g", r.Alias, 0.025/math.Sqrt(3)*w.rms)
		}
		if !r.Undersampled {
			t.Fatal("not marked")
		}
	}
	t.Logf("errors from %.2f %% to %.2f %%", low*100, high*100)
	if low > -0.023 || low < -0.027 || high < 0.023 || high > 0.027 {
		t.Errorf("errors from %g to %g", low, high)
	}
}

// Smooth waves have next to none: the allowance must not drown what is good.
func TestAliasSmooth(t *testing.T) {
	for _, c := range []struct {
		w     wave
		rate  float64
		limit float64
	}{{sine(1), 4000, 1e-4}, {sine(1), 860, 2e-3}, {harmonics, 4000, 1e-3}} {
		m := New(Options{Mains: 50, Rate: c.rate})
		feed{w: c.w, rate: c.rate, seconds: 1, freq: constant(50.1), dc: 1.65}.run(m)
		r, _ := m.RMS200()
		t.Logf("%s %g S/s: Alias %.4f %%", c.w.name, c.rate, 100*r.Alias/r.RMS)
		if !(r.Alias <= c.limit*r.RMS) || r.Undersampled {
			t.Errorf("%s at %g S/s: Alias %.3f %%, undersampled %v", c.w.name, c.rate, 100*r.Alias/r.RMS, r.Undersampled)
		}
	}
}

// θk = θ0 + k·period: whole periods add up (n²/12), halves cancel to a quarter,
// by direct integration over θ0.
func TestPlaces(t *testing.T) {
	for _, period := range []float64{8, 8.5, 8.6, 40.02, 40.37} {
		const n, grid = 20, 20000
		v := 0.0
		for g := range grid {
			s := 0.0
			for k := range n {
				x := (float64(g)+0.5)/grid + float64(k)*period
				s += x - math.Floor(x) - 0.5
			}
			v += s * s / grid
		}
		if got := places(n, period); got < v*0.9999 || (period == 8 && math.Abs(got/(n*n/12.0)-1) > 1e-9) ||
			(period == 8.5 && math.Abs(got/(n*n/48.0)-1) > 0.2) || got > n*n/12.0*1.0001 {
			t.Errorf("period %g: %g, by integration %g", period, got, v)
		}
	}
}

func TestFrequency(t *testing.T) {
	for _, c := range []struct {
		mains, hz float64
		off       bool
	}{{50, 50, false}, {50, 50.9, false}, {50, 51.2, true}, {50, 60, true}, {60, 50, true}, {60, 60.5, false}} {
		m := New(Options{Mains: c.mains, Rate: 4000})
		feed{w: sine(1), rate: 4000, seconds: 1, freq: constant(c.hz), dc: 1}.run(m)
		r, ok := m.RMS200()
		if f := m.Frequency(); math.Abs(f-c.hz) > 0.02 || m.OffMains() != c.off {
			t.Errorf("%g Hz on %g: found %g, off %v", c.hz, c.mains, f, m.OffMains())
		}
		if !ok || math.Abs(r.RMS-math.Sqrt(0.5)) > 2*r.Alias+1e-4 {
			t.Errorf("%g Hz on %g: %+v", c.hz, c.mains, r)
		}
	}
	// No current: no frequency, nothing off, nothing counted.
	m := New(Options{Mains: 50, Rate: 4000, Floor: 0.1})
	feed{w: sine(0), rate: 4000, seconds: 1, freq: constant(50), noise: 0.01}.run(m)
	if r, ok := m.RMS200(); !ok || m.Frequency() != 0 || m.OffMains() || r.Undersampled || r.Alias > 0.1*r.RMS {
		t.Errorf("noise: %+v, %g Hz", r, m.Frequency())
	}
}

// Uniform jitter of ±5 % of 250 µs on each instant: the spacing's standard
// deviation is 25 µs/√12·√2.
func TestJitter(t *testing.T) {
	m := New(Options{Mains: 50, Rate: 4000})
	feed{w: sine(1), rate: 4000, seconds: 2, freq: constant(50), jitter: 0.1}.run(m)
	r, _ := m.RMS200()
	want := 25e3 / math.Sqrt(6)
	if math.Abs(float64(r.Jitter)/want-1) > 0.1 || math.Abs(float64(r.Interval)-250e3) > 200 {
		t.Errorf("interval %v, jitter %v, want 250 µs, %g ns", r.Interval, r.Jitter, want)
	}
	m = New(Options{Mains: 50, Rate: 4000})
	feed{w: sine(1), rate: 4000, seconds: 1, freq: constant(50)}.run(m)
	if r, _ := m.RMS200(); r.Jitter > 2 || r.Interval != 250*time.Microsecond {
		t.Errorf("interval %v, jitter %v", r.Interval, r.Jitter)
	}
}
