package rms

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// PushAll is Push also for samples at uneven times, with holes, repeated and
// backward times, and where runs of even ones begin and end.
func TestPushAllUneven(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 42))
	for _, dc := range []float64{1.65, -3} {
		a, b := New(Options{Mains: 50, Rate: 4000}), New(Options{Mains: 50, Rate: 4000})
		var at []time.Duration
		var x []float64
		now := time.Duration(0)
		for i := range 20000 {
			now += 250 * time.Microsecond
			switch {
			case i/3000%2 == 1:
				now += time.Duration(r.IntN(20000)) - 10000
			case i%1777 == 0:
				now += 2 * time.Millisecond
			case i%1501 == 0:
				now -= 250 * time.Microsecond
			case i%1601 == 0:
				now -= 600 * time.Microsecond
			}
			at = append(at, now)
			x = append(x, dc+cut(50).f(50.2*now.Seconds())+0.01*r.NormFloat64())
		}
		for i := 0; i < len(at); {
			n := min(1+r.IntN(300), len(at)-i)
			b.PushAll(at[i:i+n], x[i:i+n])
			for ; n > 0; n-- {
				a.Push(at[i], x[i])
				i++
			}
			ra, _ := a.RMS200()
			rb, _ := b.RMS200()
			if d := math.Abs(ra.RMS - rb.RMS); d > 1e-7 || ra.Cycles != rb.Cycles || math.Abs(ra.Peak-rb.Peak) > 1e-7 ||
				math.Abs(ra.Alias-rb.Alias) > 1e-7 || ra.Jitter != rb.Jitter || ra.Interval != rb.Interval ||
				ra.Undersampled != rb.Undersampled {
				t.Fatalf("sample %d: %+v, %+v", i, ra, rb)
			}
		}
	}
}

// Samples that are not numbers are left out wherever they come: among four that go at
// once, at a crossing, first or last of a batch, of either sign.
func TestPushAllNaN(t *testing.T) {
	r := rand.New(rand.NewPCG(43, 44))
	for _, dc := range []float64{1.65, -0.2} {
		a, b := New(Options{Mains: 50, Rate: 4000}), New(Options{Mains: 50, Rate: 4000})
		var at []time.Duration
		var x []float64
		for i := range 20000 {
			now := time.Duration(i) * 250 * time.Microsecond
			v := dc + math.Sin(2*math.Pi*50.2*now.Seconds()) + 0.01*r.NormFloat64()
			if r.IntN(30) == 0 {
				v = math.Copysign(math.NaN(), r.Float64()-0.5)
			}
			at, x = append(at, now), append(x, v)
		}
		for i := 0; i < len(at); {
			n := min(1+r.IntN(300), len(at)-i)
			b.PushAll(at[i:i+n], x[i:i+n])
			for ; n > 0; n-- {
				a.Push(at[i], x[i])
				i++
			}
			ra, _ := a.RMS200()
			rb, _ := b.RMS200()
			if d := math.Abs(ra.RMS - rb.RMS); !(d < 1e-9) || ra.Cycles != rb.Cycles || !(math.Abs(ra.Peak-rb.Peak) < 1e-9) ||
				ra.Jitter != rb.Jitter || ra.Interval != rb.Interval || ra.Undersampled != rb.Undersampled {
				t.Fatalf("sample %d: %+v, %+v", i, ra, rb)
			}
		}
	}
}

// Values that no converter gives are left out as NaN is: one would else be in the level
// and in all readings for ever. At even and at jittering times, above and below.
func TestNoMeasurement(t *testing.T) {
	for _, bad := range []float64{math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, 1e100} {
		for _, jitter := range []int{0, 5000} {
			a, b := New(Options{Mains: 50, Rate: 4000}), New(Options{Mains: 50, Rate: 4000})
			var at []time.Duration
			var x []float64
			for i := range 4000 {
				now := time.Duration(i) * 250 * time.Microsecond
				if jitter > 0 {
					now += time.Duration(i * 7919 % jitter)
				}
				v := 1.65 + math.Sin(2*math.Pi*50.2*now.Seconds())
				if i%97 == 0 { // the first too
					v = bad
				}
				at, x = append(at, now), append(x, v)
				a.Push(now, v)
			}
			b.PushAll(at, x)
			ra, oka := a.RMS200()
			rb, okb := b.RMS200()
			if !oka || !okb || !(math.Abs(ra.RMS*math.Sqrt2-1) < 2e-3) || !(math.Abs(ra.RMS-rb.RMS) < 1e-9) || !(math.Abs(ra.Peak-rb.Peak) < 1e-9) {
				t.Errorf("%g, jitter %d ns: %+v, %+v", bad, jitter, ra, rb)
			}
		}
	}
}

// A peak just at a rail is clipped, whatever the last bits of its sum with the level.
func TestPushAllClipped(t *testing.T) {
	for i := range 200 {
		rail := 0.8 + 0.001*float64(i)
		m := New(Options{Mains: 50, Rate: 4000, ClipLow: -3, ClipHigh: rail})
		_, at, x := stream()
		for j := range x {
			x[j] = min(x[j]-1.4, rail) // a peak of 1.25
		}
		m.PushAll(at, x)
		if r, ok := m.RMS200(); !ok || !r.Clipped {
			t.Fatalf("rail %g: %+v", rail, r)
		}
	}
}

// A stretch without a crossing ends with the sample that makes it longer than a
// nominal cycle, also where that is by nanoseconds that even times may be off.
func TestPushAllCut(t *testing.T) {
	a, b := New(Options{Mains: 50, Rate: 4000}), New(Options{Mains: 50, Rate: 4000})
	var at []time.Duration
	now := time.Duration(0)
	step := func(n int, k time.Duration) {
		for range n {
			now += k
			at = append(at, now)
		}
	}
	step(82, 250_000) // the first sample, and a stretch of 81 steps
	step(63, 250_000)
	step(1, 249_999)
	step(16, 250_001) // 20.000015 ms
	x := make([]float64, len(at))
	for i := range at {
		x[i] = 1
		a.Push(at[i], x[i])
	}
	b.PushAll(at, x)
	if a.count != 2 || b.count != 2 {
		t.Errorf("%d and %d stretches, want 2", a.count, b.count)
	}
}

// Times that are even but for the rounding to nanoseconds are taken as even ones are.
func TestPushAllRounded(t *testing.T) {
	a, b := New(Options{Mains: 50, Rate: 4000}), New(Options{Mains: 50, Rate: 4000})
	var at []time.Duration
	var x []float64
	for i := range 8000 {
		now := time.Duration(float64(i) * 250_013.37)
		at, x = append(at, now), append(x, cut(70).f(50.2*now.Seconds()))
		a.Push(now, x[i])
	}
	b.PushAll(at, x)
	ra, _ := a.RMS200()
	rb, _ := b.RMS200()
	if math.Abs(ra.RMS/rb.RMS-1) > 1e-7 || math.Abs(ra.Mean-rb.Mean) > 1e-7 || ra.Interval != rb.Interval ||
		ra.Jitter > 2 || rb.Jitter > 2 || ra.Start != rb.Start || ra.End != rb.End {
		t.Errorf("%+v, %+v", ra, rb)
	}
}

// BenchmarkPushAllRounded has the times of a clock that is not in step with the
// nanosecond.
func BenchmarkPushAllRounded(b *testing.B) {
	m, at, x := stream()
	for i := range at {
		at[i] = time.Duration(float64(i) * 249_999.63)
	}
	b.ReportAllocs()
	for b.Loop() {
		m.PushAll(at, x)
		m.last -= time.Second
		m.origin -= time.Second
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4000, "ns/sample")
}

// BenchmarkPushAllUneven has sampling times that jitter.
func BenchmarkPushAllUneven(b *testing.B) {
	m, at, x := stream()
	for i := range at {
		at[i] += time.Duration(i * 7919 % 5000)
	}
	b.ReportAllocs()
	for b.Loop() {
		m.PushAll(at, x)
		m.last -= time.Second
		m.origin -= time.Second
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4000, "ns/sample")
}

// plainSums adds samples and their squares up, four at a time. As it is called, it
// cannot melt into a loop that knows its samples.
//
//go:noinline
func plainSums(x []float64) (s1, s2 float64) {
	for ; len(x) >= 4; x = x[4:] {
		v, w, y, z := x[0], x[1], x[2], x[3]
		s1 += (v + y) + (w + z)
		s2 += (v*v + y*y) + (w*w + z*z)
	}
	return s1, s2
}

// BenchmarkPlainSums is per second of the samples of BenchmarkPushAll, which are only
// added up: no crossings, holes, peaks or times. It tells how much of PushAll's figure
// is the machine's: on shared cores both vary alike, twofold and more.
func BenchmarkPlainSums(b *testing.B) {
	_, _, x := stream()
	b.ReportAllocs()
	for b.Loop() {
		plainSums(x)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4000, "ns/sample")
}
