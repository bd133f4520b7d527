package rms

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// staggered is a converter that moves its samples each 10 ms as the mcp3208 driver
// does (drivers/mcp3208, Dev.move): by the steps of frac(748·b²/1009), in 96ths of the
// spacing. To it come stamped jitter of the instants (a share of the spacing), noise
// and the rounding to codes.
type staggered struct {
	rate, jitter, noise, lsb float64
	seed                     uint64
}

func place(block int) int { return 96 * (748 * block * block % 1009) / 1009 }

// run feeds a meter; hz is the mains' frequency at a time.
func (s staggered) run(m *Meter, seconds float64, w wave, phase float64, hz func(float64) float64, each func(t float64)) {
	r := rand.New(rand.NewPCG(s.seed, 9))
	moved, last := 0, 0.0
	for i := 0; ; i++ {
		if per := int(s.rate / 100); i%per == 0 && i > 0 {
			by := place(i/per%1009) - place((i/per-1)%1009)
			if by < -48 {
				by += 96
			} else if by >= 48 {
				by -= 96
			}
			moved += by
		}
		at := time.Duration((float64(i) + float64(moved)/96 + s.jitter*(r.Float64()-0.5)) / s.rate * 1e9)
		t := at.Seconds()
		if t > seconds {
			return
		}
		phase += hz((t+last)/2) * (t - last)
		last = t
		v := w.f(phase) + s.noise*r.NormFloat64()
		if s.lsb > 0 {
			v = math.Round(v/s.lsb) * s.lsb
		}
		m.Push(at, 1.65+v)
		each(t)
	}
}

// The 0.2 % for phase-cut waves, against the closed form (physics.md §3.2),
// at each 5° or 10° of the firing angle and at any frequency, samples locked to the mains
// included: of a 12-bit converter of which an uncut current takes three quarters,
// with noise of two codes, jitter of ±2 % of the spacing and drift.
//
// After 3 s of steady firing it is held of the reading itself by each of 10 or 12 cycles
// to 140°, and by 19 of 20 to 150°; over the 150 or 180 cycles of IEC 61000-4-30 to 150°,
// and by 19 of 20 to 160°. TestPlaceBound shows why not further. As that standard states
// an RMS' limits, of full scale, here the current that the same choke gives uncut, it is
// held to 175° but by the readings of the first second.
//
// Seeds 0 to 19 were tuned on, 31 and 32 are the proof.
func TestPhaseCutStaggered(t *testing.T) {
	const noise = 1e-3
	type tally struct {
		errors  []float64 // of the reading
		covered int
	}
	var first, steady, long [180]tally
	all := 0
	step, seeds := 5, uint64(2)
	if testing.Short() {
		step, seeds = 35, 1
	}
	for i, c := range []struct{ mains, hz, swing, period float64 }{
		{50, 50, 0, 1}, {50, 49.9, 0, 1}, {50, 50.1, 0.02, 8}, {50, 50.31, 0, 1}, {50, 47.3, 0, 1}, {50, 52, 0.5, 4},
		{60, 60, 0, 1}, {60, 59.9, 0, 1}, {60, 60.2, 0, 1}, {60, 60.61, 0.02, 8}, {60, 61.5, 0, 1},
	} {
		hz := func(s float64) float64 { return c.hz + c.swing*math.Sin(2*math.Pi*s/c.period) }
		for deg := 5; deg < 180; deg += step {
			w := cut(float64(deg))
			want := math.Hypot(w.rms, noise)
			if deg < 90 && deg%10 == 0 {
				continue
			}
			for seed := uint64(31); seed < 31+seeds; seed++ {
				m := New(Options{Mains: c.mains, Rate: 4000})
				next, ms, k := 0.35, 0.0, 0.0
				s := staggered{rate: 4000, jitter: 0.04, noise: noise, lsb: 1.0 / 1536, seed: 1000*seed + uint64(180*i+deg)}
				s.run(m, 6.2, w, 0.137*float64(deg)+0.31*float64(seed), hz, func(now float64) {
					if now < next || k == 15 {
						return
					}
					next += 0.2
					if next > 1 && now < 1 {
						next = 3.1
					}
					r, ok := m.RMS200()
					if !ok {
						t.Fatalf("%g Hz, %d°: no reading at %g s", c.hz, deg, now)
					}
					e := math.Abs(r.RMS - want)
					to := &first[deg]
					if now > 1 {
						to = &steady[deg]
						ms += r.RMS * r.RMS
						k++
					}
					to.errors = append(to.errors, e/want)
					if e <= 2*r.Alias+2*noise/20 { // and the noise's own part: 800 samples
						to.covered++
					}
					all++
				})
				long[deg].errors = append(long[deg].errors, math.Abs(math.Sqrt(ms/k)/want-1))
			}
		}
	}
	worst := func(v []float64, share float64) float64 {
		slices.Sort(v)
		return v[int(share*float64(len(v)-1))]
	}
	covered := 0
	t.Log("largest (and 95 %) errors of the reading; of full scale")
	for deg := 5; deg < 180; deg += step {
		if len(first[deg].errors) == 0 {
			continue
		}
		a, b, c := &first[deg], &steady[deg], &long[deg]
		covered += a.covered + b.covered
		full := cut(float64(deg)).rms * math.Sqrt2
		a1, b1, c1 := worst(a.errors, 1), worst(b.errors, 1), worst(c.errors, 1)
		b95, c95 := worst(b.errors, 0.95), worst(c.errors, 0.95)
		t.Logf("%3d°: first second %.3f %%; 200 ms %.3f %% (%.3f %%); 3 s %.3f %% (%.3f %%); of full scale %.3f, %.3f and %.3f %%",
			deg, 100*a1, 100*b1, 100*b95, 100*c1, 100*c95, 100*a1*full, 100*b1*full, 100*c1*full)
		if a1*full > 6e-3 || b1*full > 2e-3 || deg <= 140 && b1 > 2e-3 ||
			deg <= 150 && (c1 > 2e-3 || b95 > 2e-3) || deg <= 160 && (c95 > 2e-3 || b95 > 3e-3) {
			t.Errorf("%d°: off by more than 0.2 %%", deg)
		}
		if n := len(a.errors) + len(b.errors); float64(a.covered+b.covered) < 0.95*float64(n) {
			t.Errorf("%d°: %d of %d readings within ±2 Alias", deg, a.covered+b.covered, n)
		}
	}
	t.Logf("within ±2 Alias: %d of %d", covered, all)
}

// What all edges of 3 s leave open, were the zeros and samples free of noise: the gap
// between the samples before and after them. Of its middle, the best there is, the
// table gives the error that is not exceeded by 95 % of draws, in % of the reading
// (the slope of the closed form). Past 160° 0.2 % cannot be held by that share.
func TestPlaceBound(t *testing.T) {
	r := rand.New(rand.NewPCG(51, 52))
	var off []float64 // of the middle, in samples
	for range 4000 {
		low, high := -1.0, 1.0
		first, more, edge := r.IntN(1009), r.Float64(), r.Float64()
		for i := range 300 { // half cycles of 40 samples and a part
			before := edge - float64(place((first+i)%1009))/96 - more*float64(i)
			before -= math.Floor(before) // from the last sample
			low, high = max(low, -before), min(high, 1-before)
		}
		off = append(off, math.Abs(low+high)/2)
	}
	slices.Sort(off)
	place := off[len(off)*95/100]
	if place > 6e-3 {
		t.Errorf("a place to %.4f of a sample", place)
	}
	for _, deg := range []float64{90, 120, 140, 150, 155, 160, 165, 170} {
		// 250 µs are 4.5° at 50 Hz.
		up, down := cut(deg-4.5*place), cut(deg+4.5*place)
		e := 50 * (up.rms/down.rms - 1)
		t.Logf("%3g°: %.3f %% of the reading, place to %.2f µs", deg, e, 250*place)
		if (deg <= 160) != (e < 0.2) {
			t.Errorf("%g°: %.3f %%", deg, e)
		}
	}
}

// A cut current that is no sine, 1.6 times as steep next to rest: 12 % of third and 5 % of
// fifth harmonic. True value by integration over a fine grid.
func TestDistortedCut(t *testing.T) {
	const noise = 1e-3
	for _, c := range []struct{ deg, limit float64 }{{45, 1e-3}, {90, 2e-3}, {120, 2e-3}, {150, 1e-2}} {
		f := func(p float64) float64 {
			x := 2 * math.Pi * (p - math.Floor(p))
			if math.Mod(x, math.Pi) < c.deg*math.Pi/180 {
				return 0
			}
			return math.Sin(x) + 0.12*math.Sin(3*x) + 0.05*math.Sin(5*x)
		}
		sum := noise * noise
		const grid = 1 << 18
		for i := range grid {
			v := f((float64(i) + 0.5) / grid)
			sum += v * v / grid
		}
		want := math.Sqrt(sum)
		worst, in, n := 0.0, 0, 0
		for seed, hz := range []float64{50, 50.31, 49.9} {
			m := New(Options{Mains: 50, Rate: 4000})
			next := 3.1
			s := staggered{rate: 4000, jitter: 0.04, noise: noise, lsb: 1.0 / 1536, seed: uint64(61 + seed)}
			s.run(m, 6, wave{f: f}, 0.31*float64(seed), constant(hz), func(now float64) {
				if now < next {
					return
				}
				next += 0.2
				r, ok := m.RMS200()
				if !ok {
					t.Fatalf("%g°: no reading at %g s", c.deg, now)
				}
				e := math.Abs(r.RMS - want)
				worst = math.Max(worst, e/want)
				n++
				if e <= 2*r.Alias+2*noise/20 {
					in++
				}
			})
		}
		t.Logf("%g°: %.3f %% of the reading, %d of %d within ±2 Alias", c.deg, 100*worst, in, n)
		if worst > c.limit || float64(in) < 0.9*float64(n) {
			t.Errorf("%g°: off by %.3f %%, %d of %d within ±2 Alias", c.deg, 100*worst, in, n)
		}
	}
}

// The stagger and jitter cost smooth waves nothing: 0.02 % for content below half the
// sampling rate, with drift. (Closed forms: sums of squares.)
func TestSmoothStaggered(t *testing.T) {
	high := wave{"harmonics to 1.75 kHz", func(p float64) float64 {
		x := 2 * math.Pi * p
		return math.Sqrt2 * (10*math.Sin(x) + math.Sin(7*x+1) + 0.2*math.Sin(20*x+0.3) + 0.1*math.Sin(35*x+2))
	}, math.Sqrt(100 + 1 + 0.04 + 0.01)}
	for _, w := range []wave{sine(1), harmonics, high} {
		for _, jitter := range []float64{0, 0.04, 0.1} {
			worst := 0.0
			for _, f := range []func(float64) float64{
				constant(50), constant(49.9), constant(50.31),
				func(s float64) float64 { return 50 + 2*math.Sin(2*math.Pi*s/4) },
			} {
				m := New(Options{Mains: 50, Rate: 4000})
				next := 0.5
				staggered{rate: 4000, jitter: jitter, seed: 3}.run(m, 4, w, 0.31, f, func(s float64) {
					if s < next {
						return
					}
					next += 0.0973
					r, ok := m.RMS200()
					if !ok || r.Undersampled {
						t.Fatalf("%+v at %g s", r, s)
					}
					worst = math.Max(worst, math.Abs(r.RMS/w.rms-1))
				})
			}
			t.Logf("%s, jitter %g: %.4f %%", w.name, jitter, 100*worst)
			if worst > 2e-4 {
				t.Errorf("%s, jitter %g: error %.4f %%", w.name, jitter, 100*worst)
			}
		}
	}
}

// With the stagger, the two sines of TestSynchronousProof do not have the same
// samples any more, and one reading tells them apart.
func TestStaggerTells(t *testing.T) {
	for _, deg := range []float64{87.8, 92.2} {
		w := cut(deg)
		m := New(Options{Mains: 50, Rate: 4000})
		staggered{rate: 4000}.run(m, 3, w, (87.75-19*4.5)/360, constant(50), func(float64) {})
		r, ok := m.RMS200()
		t.Logf("%g°: %.5f, true %.5f", deg, r.RMS, w.rms)
		if !ok || math.Abs(r.RMS/w.rms-1) > 1e-3 || r.Undersampled {
			t.Errorf("%g°: %+v, want %g", deg, r, w.rms)
		}
	}
}

// Thyristors that fire 4° apart in the two polarities: each has half the edges to go by.
func TestStaggerPolarities(t *testing.T) {
	up, down := cut(88), cut(92)
	want := math.Sqrt((up.rms*up.rms + down.rms*down.rms) / 2)
	w := wave{"88° and 92°", func(p float64) float64 {
		if p-math.Floor(p) < 0.5 {
			return up.f(p)
		}
		return down.f(p)
	}, want}
	for _, hz := range []float64{50, 49.9, 50.31} {
		m := New(Options{Mains: 50, Rate: 4000})
		next, worst, alias := 2.0, 0.0, 0.0
		staggered{rate: 4000, noise: 3e-4, seed: 7}.run(m, 5, w, 0.2, constant(hz), func(now float64) {
			if now < next {
				return
			}
			next += 0.073 // so that windows begin with either polarity
			r, ok := m.RMS200()
			if !ok {
				t.Fatalf("no reading at %g s", now)
			}
			worst, alias = math.Max(worst, math.Abs(r.RMS-want)*math.Sqrt2), math.Max(alias, r.Alias*math.Sqrt2)
		})
		t.Logf("%g Hz: %.3f %% of full scale, Alias up to %.3f %%", hz, 100*worst, 100*alias)
		if worst > 2e-3 || alias > 3e-3 {
			t.Errorf("%g Hz: off by %.3f %%, Alias up to %.3f %%", hz, 100*worst, 100*alias)
		}
	}
}

// Pulses of 4.5°, of one sample, are averaged over 1.2 s, but not beyond a
// change: the choke off or twice the current shows at once.
func TestPulses(t *testing.T) {
	for _, to := range []float64{0, 2} {
		w := cut(175.5)
		gain := 1.0
		changing := wave{fmt.Sprint("175.5° then ×", to), func(p float64) float64 { return gain * w.f(p) }, w.rms}
		m := New(Options{Mains: 50, Rate: 4000})
		next := 1.5
		staggered{rate: 4000, noise: 2e-4, seed: 5}.run(m, 4, changing, 0.2, constant(50.03), func(now float64) {
			if now > 2.5 {
				gain = to
			}
			if now < next {
				return
			}
			next += 0.05
			r, ok := m.RMS200()
			if !ok {
				t.Fatalf("no reading at %g s", now)
			}
			switch {
			case now < 2.5 && (r.End-r.Start < time.Second || math.Abs(r.RMS/w.rms-1) > 0.2):
				t.Errorf("at %g s: %+v, want %g over 1.2 s", now, r, w.rms)
			case now > 2.75 && to == 0 && r.RMS > 3e-4:
				t.Errorf("%g s after: %g", now-2.5, r.RMS)
			case now > 2.75 && to == 2 && math.Abs(r.RMS/w.rms-2) > 0.6:
				t.Errorf("%g s after: %g of %g", now-2.5, r.RMS, 2*w.rms)
			}
		})
	}
}

// Pulses of about one sample have few samples to find their zeros by. Where those
// mislead, the samples by themselves are the better witness: these seeds had readings
// that were off by 30 to 90 % of themselves (0.24 to 1.1 % of full scale).
func TestMisleadingZeros(t *testing.T) {
	const noise = 1e-3
	for _, c := range []struct {
		mains, hz, deg, phase float64
		seed                  uint64
	}{
		{50, 50, 175, 127.205, 333175}, {50, 50.31, 175, 127.515, 334715}, {50, 47.3, 175, 126.895, 332895},
		{50, 47.3, 175, 127.515, 334895}, {60, 59.9, 174, 126.448, 332434},
	} {
		w := cut(c.deg)
		want := math.Hypot(w.rms, noise)
		m := New(Options{Mains: c.mains, Rate: 4000})
		next, worst := 3.1, 0.0
		s := staggered{rate: 4000, jitter: 0.04, noise: noise, lsb: 1.0 / 1536, seed: c.seed}
		s.run(m, 6.2, w, c.phase, constant(c.hz), func(now float64) {
			if now < next {
				return
			}
			next += 0.05
			r, ok := m.RMS200()
			if !ok {
				t.Fatalf("%g Hz, %g°: no reading at %g s", c.hz, c.deg, now)
			}
			worst = math.Max(worst, math.Abs(r.RMS-want)*math.Sqrt2)
		})
		t.Logf("%g Hz, %g°: %.3f %% of full scale", c.hz, c.deg, 100*worst)
		if worst > 2e-3 {
			t.Errorf("%g Hz, %g°: off by %.3f %% of full scale", c.hz, c.deg, 100*worst)
		}
	}
}
