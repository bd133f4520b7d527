package drivertest

import (
	"errors"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// Bench measures what reading costs on the emulated bus: time and allocations
// for each Read, ns/sample, samples/s of bench time, and the processor time of the
// whole process (getrusage) by bench time (%core) and for each Read (cpu-ns/op):
// models, clock and all are in both.
func (s Subject) Bench(b *testing.B) {
	OnClock(func(c *clock.Virtual) {
		src, err := s.begin(c)
		if err != nil {
			b.Error(err)
			return
		}
		defer src.Close()
		dst := make([]drivers.Sample, 512)
		samples := 0
		b.ReportAllocs()
		from, used := c.Now(), processor()
		for b.Loop() {
			n, next, err := src.Read(ctx, dst)
			if err != nil {
				b.Error(err)
				return
			}
			samples += n
			_ = c.SleepUntil(ctx, next)
		}
		took, used := c.Now()-from, processor()-used
		if samples > 0 && took > 0 {
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(samples), "ns/sample")
			b.ReportMetric(float64(samples)/took.Seconds(), "samples/s")
			b.ReportMetric(100*used.Seconds()/took.Seconds(), "%core")
			b.ReportMetric(float64(used.Nanoseconds())/float64(b.N), "cpu-ns/op")
		}
	})
}

// First starts a source, reads until it has given count samples, for at most ten
// seconds, and closes it. It is for examples, in a goroutine of c.
func First(c clock.Clock, src drivers.Source, count int) (got []drivers.Sample, err error) {
	defer func() { err = errors.Join(err, src.Close()) }()
	if err := src.Start(ctx); err != nil {
		return nil, err
	}
	dst := make([]drivers.Sample, 512)
	for end := c.Now() + 10*time.Second; len(got) < count && c.Now() < end; {
		n, next, err := src.Read(ctx, dst)
		got = append(got, dst[:n]...)
		if err != nil {
			return got, err
		}
		if err := c.SleepUntil(ctx, max(next, c.Now()+time.Microsecond)); err != nil {
			return got, err
		}
	}
	return got, nil
}

// begin gives a source that has been started, without the model before it.
func (s Subject) begin(c clock.Clock) (drivers.Source, error) {
	src, _, err := s.open(c)
	if err == nil {
		err = src.Start(ctx)
	}
	if err != nil {
		return nil, err
	}
	return bare(src), nil
}

// processor is the processor time that the process has used.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// Sustains fails unless a source gives at least rate samples a second of bench
// time, over d. What that costs of a core depends on the machine and on what else
// it does: Bench states it.
func (s Subject) Sustains(t *testing.T, rate float64, d time.Duration) {
	OnClock(func(c *clock.Virtual) {
		src, err := s.begin(c)
		if err != nil {
			t.Error(err)
			return
		}
		defer src.Close()
		dst := make([]drivers.Sample, 512)
		samples := 0
		from := c.Now()
		for c.Now()-from < d {
			n, next, err := src.Read(ctx, dst)
			if err != nil {
				t.Error(err)
				return
			}
			samples += n
			_ = c.SleepUntil(ctx, next)
		}
		if got := float64(samples) / (c.Now() - from).Seconds(); got < rate {
			t.Errorf("%.1f samples/s, want %v/s", got, rate)
		}
	})
}
