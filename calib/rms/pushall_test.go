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

// BenchmarkPlainSums only adds the same samples and their squares up, four at a time:
// no crossings, holes, peaks or times. It tells how much of PushAll's figure is the
// machine's: on shared cores both vary alike, twofold and more.
func BenchmarkPlainSums(b *testing.B) {
	_, _, x := stream()
	total := 0.0
	for b.Loop() {
		var s1, s2, r1, r2 float64
		for i := 0; i+4 <= len(x); i += 4 {
			v, w, y, z := x[i], x[i+1], x[i+2], x[i+3]
			s1 += v + y
			r1 += w + z
			s2 += v*v + y*y
			r2 += w*w + z*z
		}
		total += s1 + s2 + r1 + r2
	}
	if total == 0 {
		b.Fatal("no sum")
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4000, "ns/sample")
}
