package rms

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// wave is a waveform with a closed-form RMS.
type wave struct {
	name string
	f    func(phase float64) float64 // phase in turns
	rms  float64
}

func sine(a float64) wave {
	return wave{"sine", func(p float64) float64 { return a * math.Sin(2*math.Pi*p) }, a / math.Sqrt2}
}

// physics.md §3.2: I1 = 10, I3 = 3, I5 = 2 A rms give 10.630146 A.
var harmonics = wave{"harmonics 10/3/2", func(p float64) float64 {
	return math.Sqrt2 * (10*math.Sin(2*math.Pi*p) + 3*math.Sin(6*math.Pi*p+0.7) + 2*math.Sin(10*math.Pi*p-1))
}, 10.630146}

func triangle(p float64) float64 {
	p -= math.Floor(p)
	return 1 - 4*math.Abs(p-0.5)
}

// cut is the phase-cut sine of peak 1, firing angle alpha in degrees.
func cut(alpha float64) wave {
	a := alpha * math.Pi / 180
	return wave{fmt.Sprintf("phase-cut %g°", alpha), func(p float64) float64 {
		x := 2 * math.Pi * (p - math.Floor(p))
		if math.Mod(x, math.Pi) < a {
			return 0
		}
		return math.Sin(x)
	}, math.Sqrt((math.Pi - a + math.Sin(2*a)/2) / (2 * math.Pi))}
}

// feed pushes seconds of a wave of frequency f(t) at rate, with an offset, noise
// (σ) and jitter of the sampling instants (fraction of the interval).
type feed struct {
	w                 wave
	rate, seconds     float64
	freq              func(t float64) float64
	dc, noise, jitter float64
	jump              float64 // Hz by which the frequency found may be off
	each              func(t float64)
}

func (f feed) run(m *Meter) {
	r := rand.New(rand.NewPCG(1, 2))
	phase, last := 0.137, 0.0
	for i := 0; float64(i) < f.seconds*f.rate; i++ {
		t := (float64(i) + f.jitter*(r.Float64()-0.5)) / f.rate
		at := time.Duration(t * 1e9)
		t = float64(at) * 1e-9
		phase += f.freq((t+last)/2) * (t - last)
		last = t
		m.Push(at, f.dc+f.w.f(phase)+f.noise*r.NormFloat64())
		if f.each != nil {
			f.each(t)
		}
	}
}

func constant(hz float64) func(float64) float64 { return func(float64) float64 { return hz } }

// worst is the largest relative error of RMS200, read at odd times, and of the
// mean of its readings.
func worst(t *testing.T, f feed, mains float64) (each, mean float64) {
	t.Helper()
	m := New(Options{Mains: mains, Rate: f.rate})
	next, n, sum := 0.5, 0, 0.0
	f.each = func(now float64) {
		if now < next {
			return
		}
		next += 0.0973
		r, ok := m.RMS200()
		if !ok || r.Cycles != mains/5 {
			t.Fatalf("%s at %g Hz: no whole cycles at %g s: %+v", f.w.name, f.freq(now), now, r)
		}
		want := math.Sqrt(f.w.rms*f.w.rms + f.noise*f.noise)
		each = math.Max(each, math.Abs(r.RMS/want-1))
		sum += r.RMS
		n++
		if math.Abs(r.Frequency-f.freq(now-0.11)) > 0.05+f.noise+f.jump {
			t.Errorf("%s: frequency %g, want %g", f.w.name, r.Frequency, f.freq(now))
		}
		if math.Abs(r.Mean-f.dc) > (0.003+f.jump/5)*f.w.rms+f.noise {
			t.Errorf("%s: mean %g, want %g", f.w.name, r.Mean, f.dc)
		}
	}
	f.run(m)
	return each, math.Abs(sum/float64(n)/math.Sqrt(f.w.rms*f.w.rms+f.noise*f.noise) - 1)
}

// Sine, harmonics and triangle, with a DC offset far larger than some of them.
func TestClosedForms(t *testing.T) {
	tri := wave{"triangle", triangle, 1 / math.Sqrt(3)}
	for _, mains := range []float64{50, 60} {
		for _, df := range []float64{-2, -1.03, 0, 0.37, 2} {
			for _, c := range []struct {
				w     wave
				rate  float64
				limit float64
			}{
				{sine(1), 4000, 2e-4}, {harmonics, 4000, 2e-4}, {tri, 4000, 6e-4}, // a triangle is not band-limited
				{sine(1), 860, 1e-3}, {harmonics, 860, 1e-3}, {sine(0.01), 2500, 2e-4},
			} {
				e, _ := worst(t, feed{w: c.w, rate: c.rate, seconds: 2, freq: constant(mains + df), dc: 1.65}, mains)
				t.Logf("%s %g S/s %g Hz: %.4f %%", c.w.name, c.rate, mains+df, e*100)
				if e > c.limit {
					t.Errorf("%s at %g S/s, %g Hz: error %.4f %%, allowed %.3f %%", c.w.name, c.rate, mains+df, e*100, c.limit*100)
				}
			}
		}
	}
}

// A real phase-cut current reaches the converter through a filter. Here its
// Fourier series is cut off at 1.5 kHz; the RMS of that is the sum of its squared
// terms, found by integration over a fine grid.
func TestPhaseCutFiltered(t *testing.T) {
	for _, alpha := range []float64{30, 45, 60, 90, 120, 135} {
		ideal := cut(alpha)
		const n = 1 << 14
		var a, b [31]float64
		for i := range n {
			p := (float64(i) + 0.5) / n
			v := ideal.f(p)
			for k := 1; k < len(a); k++ {
				s, c := math.Sincos(2 * math.Pi * float64(k) * p)
				a[k] += 2 * v * c / n
				b[k] += 2 * v * s / n
			}
		}
		ss := 0.0
		for k := range a {
			ss += (a[k]*a[k] + b[k]*b[k]) / 2
		}
		w := wave{ideal.name + " filtered", func(p float64) float64 {
			v := 0.0
			for k := 1; k < len(a); k += 2 {
				s, c := math.Sincos(2 * math.Pi * float64(k) * p)
				v += a[k]*c + b[k]*s
			}
			return v
		}, math.Sqrt(ss)}
		for _, hz := range []float64{50, 49.83, 51.7} {
			e, _ := worst(t, feed{w: w, rate: 4000, seconds: 2, freq: constant(hz), dc: 1.65, jump: 0.02}, 50)
			t.Logf("%s %g Hz: %.4f %%", w.name, hz, e*100)
			if e > 2e-3 {
				t.Errorf("%s at %g Hz: error %.3f %%", w.name, hz, e*100)
			}
		}
	}
}

// The ideal jump, against the closed form: sampling that moves along the
// waveform finds it to 0.2 % (at 30° of conduction, of the uncut sine); the single reading is as good as the jump's place
// between two samples lets it be.
func TestPhaseCutIdeal(t *testing.T) {
	for _, alpha := range []float64{0, 30, 45, 60, 90, 120, 135, 150} {
		for _, hz := range []float64{49.83, 50.31, 51.7} {
			each, mean := worst(t, feed{w: cut(alpha), rate: 4000, seconds: 4, freq: constant(hz), dc: 1.65, jump: 0.1}, 50)
			t.Logf("%g° %g Hz: each %.3f %%, mean %.3f %%", alpha, hz, each*100, mean*100)
			// All jumps of a window at the same place between two samples would
			// be worst: half an interval of the jump's square, two a cycle.
			w := cut(alpha)
			s := math.Sin(alpha * math.Pi / 180)
			bound := s * s / 4000 / 2 * hz / (w.rms * w.rms)
			// At 30° of conduction half a sample is 4 % of ∫y².
			limit := 2e-3
			if alpha == 150 {
				limit = 8e-3
			}
			if mean > limit || each > 1e-4+0.25*bound {
				t.Errorf("%g° at %g Hz: each %.3f %%, mean %.3f %%", alpha, hz, each*100, mean*100)
			}
		}
	}
}

func TestNoiseJitterDrift(t *testing.T) {
	drift := func(t float64) float64 { return 50 + 2*math.Sin(2*math.Pi*t/4) } // 48..52 Hz in 2 s
	drift60 := func(t float64) float64 { return 60 + 2*math.Sin(2*math.Pi*t/4) }
	for _, c := range []struct {
		name        string
		f           feed
		mains, each float64
	}{
		{"noise 1 %", feed{w: sine(1), rate: 4000, freq: constant(50.2), noise: 0.01}, 50, 1.5e-3},
		{"noise 1 %, 860", feed{w: sine(1), rate: 860, freq: constant(49.8), noise: 0.01}, 50, 3e-3},
		{"jitter 10 %", feed{w: harmonics, rate: 4000, freq: constant(50), jitter: 0.1}, 50, 2e-4},
		{"jitter 10 %, 860", feed{w: sine(1), rate: 860, freq: constant(50), jitter: 0.1}, 50, 1e-3},
		{"drift 48-52", feed{w: sine(1), rate: 4000, freq: drift}, 50, 2e-4},
		{"drift 58-62", feed{w: sine(1), rate: 4000, freq: drift60}, 60, 2e-4},
		{"drift 48-52, 860", feed{w: sine(1), rate: 860, freq: drift}, 50, 1e-3},
		// Noise of two codes of 12 bits; ten times as much, above, is 0.03 % in 800
		// samples by itself.
		{"all", feed{w: sine(1), rate: 4000, freq: drift, noise: 1e-3, jitter: 0.1}, 50, 2e-4},
		{"all, 860", feed{w: sine(1), rate: 860, freq: drift60, noise: 1e-3, jitter: 0.1}, 60, 1e-3},
	} {
		c.f.seconds, c.f.dc = 4, 1.65
		e, _ := worst(t, c.f, c.mains)
		t.Logf("%s: %.4f %%", c.name, e*100)
		if e > c.each {
			t.Errorf("%s: error %.4f %%, allowed %.3f %%", c.name, e*100, c.each*100)
		}
	}
}

// One-cycle RMS, refreshed each half cycle: a step of the amplitude is through
// within two and a half cycles (one of them settles the hysteresis), and each
// half cycle gives one reading.
func TestHalfCycle(t *testing.T) {
	m := New(Options{Mains: 50, Rate: 4000})
	w := wave{f: func(p float64) float64 {
		a := 1.0
		if p > 50.5 {
			a = 3
		}
		return a * math.Sin(2*math.Pi*p)
	}}
	var end time.Duration
	n := 0
	feed{w: w, rate: 4000, seconds: 2, freq: constant(50), dc: 1, each: func(now float64) {
		r, ok := m.HalfCycle()
		if !ok || r.End == end {
			return
		}
		end = r.End
		n++
		p := end.Seconds()*50 + 0.137
		want := 1 / math.Sqrt2
		if p > 50.45 { // the edges lie a little after the zeros
			want = 3 / math.Sqrt2
			if p < 53.1 {
				return
			}
		}
		if now > 0.1 && math.Abs(r.RMS/want-1) > 5e-3 {
			t.Errorf("cycle ending at %v: %g, want %g", end, r.RMS, want)
		}
	}}.run(m)
	if n < 194 || n > 200 {
		t.Errorf("%d half cycles in 2 s", n)
	}
}

// Switching off leaves the noise within a little more than 200 ms.
func TestOff(t *testing.T) {
	m := New(Options{Mains: 50, Rate: 860})
	on := wave{f: func(p float64) float64 {
		if p > 50 {
			return 0
		}
		return 20 * math.Sin(2*math.Pi*p)
	}}
	feed{w: on, rate: 860, seconds: 3, freq: constant(50), dc: 5, noise: 0.01, each: func(now float64) {
		r, ok := m.RMS200()
		if now > 0.25 && !ok {
			t.Fatal("no reading at", now)
		}
		if now > 1.25 && (r.RMS > 0.013 || r.RMS < 0.007 || r.Cycles != 0 || r.Undersampled) {
			t.Fatalf("at %g s: %+v", now, r)
		}
		if now > 0.4 && now < 0.98 && math.Abs(r.RMS-20/math.Sqrt2) > 0.03 {
			t.Fatalf("at %g s: %+v", now, r)
		}
	}}.run(m)
	// A dead flat line.
	m = New(Options{Mains: 60})
	for i := range 1000 {
		m.Push(time.Duration(i)*time.Millisecond, 7)
	}
	if r, ok := m.RMS200(); !ok || r.RMS > 1e-9 || r.Mean != 7 {
		t.Error(r, ok)
	}
}

func TestFlags(t *testing.T) {
	run := func(w wave, rate, noise float64, o Options) Reading {
		m := New(o)
		feed{w: w, rate: rate, seconds: 1, freq: constant(50.1), noise: noise}.run(m)
		r, ok := m.RMS200()
		if !ok {
			t.Fatal("no reading")
		}
		return r
	}
	r := run(sine(1), 4000, 0, Options{Mains: 50, Rate: 4000, ClipLow: -2, ClipHigh: 2})
	if r.Clipped || r.Undersampled || math.Abs(r.Crest()-1.414214) > 2e-3 { // physics.md §3.2
		t.Errorf("%+v crest %g", r, r.Crest())
	}
	if r := run(sine(1), 4000, 0, Options{Mains: 50, Rate: 4000, ClipLow: -2, ClipHigh: 0.99}); !r.Clipped {
		t.Error("not clipped")
	}
	if r := run(sine(1), 860, 0.01, Options{Mains: 50, Rate: 860}); r.Undersampled {
		t.Error("860 S/s of a sine")
	}
	if r := run(cut(90), 860, 0, Options{Mains: 50, Rate: 860}); !r.Undersampled {
		t.Error("a jump at 860 S/s is not seen to be undersampled")
	}
	if r := run(sine(1), 250, 0, Options{Mains: 50, Rate: 250}); !r.Undersampled {
		t.Error("5 samples a cycle")
	}
	// Missing samples.
	m := New(Options{Mains: 50, Rate: 4000})
	for i := range 4000 {
		if i%500 < 490 {
			m.Push(time.Duration(i)*250*time.Microsecond, math.Sin(2*math.Pi*50*float64(i)/4000))
		}
	}
	if r, _ := m.RMS200(); !r.Undersampled {
		t.Error("hole not marked")
	}
	// A long stretch without samples: nothing until 200 ms later.
	m.Push(10*time.Second, 0.5)
	if _, ok := m.RMS200(); ok {
		t.Error("a reading out of nothing")
	}
}

// PushAll is Push, sample for sample.
func TestPushAllSame(t *testing.T) {
	a, b := New(Options{Mains: 50, Rate: 4000}), New(Options{Mains: 50, Rate: 4000})
	r := rand.New(rand.NewPCG(3, 4))
	var at []time.Duration
	var x []float64
	for i := range 20000 {
		at = append(at, time.Duration(i)*250*time.Microsecond)
		v := 1.65 + cut(70).f(float64(i)/80.3) + 0.02*r.NormFloat64()
		if i%5000 == 4999 {
			v = math.NaN()
		}
		x = append(x, v)
	}
	for i := 0; i < len(at); {
		n := min(1+r.IntN(200), len(at)-i)
		b.PushAll(at[i:i+n], x[i:i+n])
		for ; n > 0; n-- {
			a.Push(at[i], x[i])
			i++
		}
		ra, _ := a.RMS200()
		rb, _ := b.RMS200()
		if math.Abs(ra.RMS-rb.RMS) > 1e-12 || ra.Cycles != rb.Cycles || math.Abs(ra.Peak-rb.Peak) > 1e-12 {
			t.Fatalf("sample %d: %+v, %+v", i, ra, rb)
		}
	}
}

func TestAllocations(t *testing.T) {
	m, at, x := stream()
	if n := testing.AllocsPerRun(50, func() {
		m.PushAll(at, x)
		for i := range at {
			at[i] += time.Second
		}
		last, _ = m.RMS200()
		last, _ = m.HalfCycle()
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
	// A waveform whose edges are placed.
	m = New(Options{Mains: 50, Rate: 4000})
	feed{w: cut(90), rate: 4000, seconds: 3, freq: constant(50.0873), dc: 1}.run(m)
	if n := testing.AllocsPerRun(20, func() { last, _ = m.RMS200() }); n != 0 {
		t.Errorf("%v allocations with edges", n)
	}
}

var last Reading

func stream() (*Meter, []time.Duration, []float64) {
	at, x := make([]time.Duration, 4000), make([]float64, 4000)
	for i := range at {
		at[i] = time.Duration(i) * 250 * time.Microsecond
		x[i] = 1.65 + math.Sin(2*math.Pi*50*float64(i)/4000)
	}
	return New(Options{Mains: 50, Rate: 4000}), at, x
}

// BenchmarkPushAll is per second of 4 kS/s; ns/sample is what counts.
func BenchmarkPushAll(b *testing.B) {
	m, at, x := stream()
	b.ReportAllocs()
	for b.Loop() {
		m.PushAll(at, x)
		m.last -= time.Second // the same second again
		m.origin -= time.Second
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4000, "ns/sample")
}

func BenchmarkRMS200(b *testing.B) {
	m, at, x := stream()
	m.PushAll(at, x)
	b.ReportAllocs()
	for b.Loop() {
		last, _ = m.RMS200()
	}
}

func BenchmarkPush(b *testing.B) {
	m, _, x := stream()
	b.ReportAllocs()
	for i := range b.N {
		m.Push(time.Duration(i)*250*time.Microsecond, x[i%4000])
	}
}
