package learn

import (
	"context"
	"syscall"
	"testing"
	"time"
)

// Learning from 1,000 runs must take at most 30 s on two processors (issue 5): cold,
// half of cpu-s/1000runs. The benchmark learns from a few and states what a thousand
// would take: cold, every run read from its frames, and warm, as after every run of a
// bench's life. (These runs are recorded twice a second; reading a tenth-second record
// takes about 10 ms more. The whole by hand: a store of 1,000 runs and
// 'tipoff learn --again'.)
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

// busy is the processor time of this process so far.
func busy(t testing.TB) time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		t.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}
