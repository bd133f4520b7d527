package learn

import (
	"context"
	"syscall"
	"testing"
	"time"
)

// Learning from 1,000 runs must take at most 30 s (issue 5). The benchmark learns
// from a few and states what a thousand would take: cold, every run read from its
// frames, and warm, as after every run of a bench's life. (These runs are recorded
// twice a second; reading a tenth-second record takes about 10 ms more. The whole
// by hand: a store of 1,000 runs and 'tipoff learn --again'.)
func BenchmarkLearn(b *testing.B) {
	const runs = 9
	s, _, _ := openStore(b, runs)
	for name, again := range map[string]bool{"cold": true, "warm": false} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			start := busy(b)
			for b.Loop() {
				if _, err := s.Learn(context.Background(), Options{At: noon, Again: again}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*1000/runs, "s/1000runs")
			b.ReportMetric((busy(b)-start).Seconds()/float64(b.N)*1000/runs, "cpu-s/1000runs")
		})
	}
}

// The bar itself, for two processors. Processor time is counted, as the machine
// may be busy with other tests.
func TestLearningIsQuick(t *testing.T) {
	if testing.Short() {
		t.Skip("timing: not with the race detector")
	}
	const runs = 8
	s, _, _ := openStore(t, runs)
	took := time.Hour
	for range 3 {
		start := busy(t)
		if _, err := s.Learn(t.Context(), Options{At: noon, Again: true}); err != nil {
			t.Fatal(err)
		}
		took = min(took, busy(t)-start)
	}
	if all := took * 1000 / runs / 2; all > 30*time.Second {
		t.Errorf("1000 runs would take two processors %v", all)
	} else {
		t.Logf("1000 runs would take two processors %v", all)
	}
}

// busy is the processor time of this process so far.
func busy(t testing.TB) time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		t.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}
