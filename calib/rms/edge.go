package rms

import (
	"math"
	"time"
)

// tooCoarse is the part of the RMS above which Alias marks a reading over whole
// cycles Undersampled.
const tooCoarse = 0.01

// window is what is known of a reading's samples: the sum of squared edges of y²
// over so many half cycles (whole of them between two crossings), t ns in all, sampled
// every step ns.
type window struct {
	squares       float64
	halves, whole int
	t, step       float64
}

// trifle is the part of the RMS below which nobody asks how places go together.
const trifle = 5e-5

// alias is the standard uncertainty of an RMS by edges between samples (see the
// package's "Edges"). synced tells that the window is of whole cycles, so that the
// frequency is known.
func (w window) alias(rms float64, synced bool) float64 {
	t, step, squares := w.t, w.step, w.squares
	if w.halves == 0 || !(rms > 0) || !(step > 0) {
		return 0
	}
	n := float64(w.halves)
	v := n * n / 12 // all edges at the same place between two samples
	energy := math.Sqrt(squares / n)
	per := step * energy / (2 * t * rms)
	if synced && per*n > trifle*rms {
		v = places(w.halves, t/n/step)
	}
	u := per * math.Sqrt(v)
	// Edges are what ends the window too: it is right to two places in a sample.
	ends := rms * step / (2 * t * math.Sqrt(6)) * math.Min(1, energy/(rms*rms))
	// A signal at a frequency that is not the mains' is cut anywhere in a cycle:
	// 1/(8π cycles), physics.md §3.2.
	if !synced && w.whole > 1 {
		ends = rms / (4 * math.Pi * float64(w.whole))
	}
	return math.Hypot(u, ends)
}

// places is the variance of Σ (θk - ½), k = 0 … n-1, where θk is the place of
// the k-th edge between two samples, θk+1 = θk + period (in samples) modulo 1, and
// the first place may be any. With B₂(x) = x² - x + 1/6,
// cov(θk, θl) = ½·B₂(frac((k-l)·period)). The period is known to one sample in n,
// the worst within counts; and not less than places that have nothing to do with
// each other would make, since no edge is that regular.
func places(n int, period float64) float64 {
	independent := float64(n) / 12
	worst := independent
	const grid = 4
	for g := -grid; g <= grid; g++ {
		p := period + float64(g)/float64(grid*n)
		v := independent
		x := 0.0
		for m := 1; m < n; m++ {
			x += p
			x -= math.Floor(x)
			v += float64(n-m) * (x*x - x + 1.0/6)
		}
		worst = math.Max(worst, v)
	}
	return worst
}

// spacing is the mean of n sample intervals and their standard deviation, of
// their sum and the sum of their squares, in ns.
func spacing(sum, squares int64, n int) (mean, jitter time.Duration) {
	if n == 0 {
		return 0, 0
	}
	m := float64(sum) / float64(n)
	// Σ(k-m)² = Σk² - m·Σk; whole numbers, so little is lost.
	v := (float64(squares) - m*float64(sum)) / float64(n)
	return time.Duration(math.Round(m)), time.Duration(math.Round(math.Sqrt(math.Max(0, v))))
}

// Frequency is that of the last whole half cycles, up to 200 ms of them, in Hz; 0
// without a signal. Other than a reading's it is found at any frequency between
// half and twice the mains', so that a wrong Options.Mains shows.
func (m *Meter) Frequency() float64 {
	n, t, oldest := 0, 0.0, 0.0
	for k := uint64(0); k < min(m.count, ring-1) && t < 0.199e9; k++ {
		s := m.at(k)
		if !s.whole {
			break
		}
		oldest = s.t
		t += oldest
		n++
	}
	if n%2 != 0 {
		n, t = n-1, t-oldest
	}
	if n < 2 || m.open.t > 1.6*m.half {
		return 0
	}
	return float64(n) / 2 / (t * 1e-9)
}

// mainsTolerance is how far the mains' frequency is from nominal at most: more is
// a wrong setting or a generator (EN 50160 allows island supplies ±2 % for 95 %
// of the week; from memory).
const mainsTolerance = 0.02

// OffMains tells that there is a signal of another frequency than Options.Mains
// ± 2 %. The RMS is right all the same within 15 %, over whole cycles of what
// there is; beyond, a plain window of 200 ms cuts cycles, which Alias counts.
func (m *Meter) OffMains() bool {
	f := m.Frequency()
	return f != 0 && math.Abs(f/m.opt.Mains-1) > mainsTolerance
}
