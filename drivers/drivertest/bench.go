package drivertest

import (
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// Bench measures what reading costs on the emulated bus: time and allocations
// for each Read, and with samples at rate (per second, 0: as they come) also
// ns/sample, samples/s of bench time and %core, the processor time of the whole
// process (getrusage) by bench time: models, clock and all are in it.
func (s Subject) Bench(b *testing.B) {
	OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		s.Place(board, c)
		src, err := s.Driver.Open(board, c, s.Config)
		if err == nil {
			err = src.Start(ctx)
		}
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
		}
	})
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
// time for no more than share of one core of this machine, over d.
func (s Subject) Sustains(t *testing.T, rate, share float64, d time.Duration) {
	OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		s.Place(board, c)
		src, err := s.Driver.Open(board, c, s.Config)
		if err == nil {
			err = src.Start(ctx)
		}
		if err != nil {
			t.Error(err)
			return
		}
		defer src.Close()
		dst := make([]drivers.Sample, 512)
		samples := 0
		from, used := c.Now(), processor()
		for c.Now()-from < d {
			n, next, err := src.Read(ctx, dst)
			if err != nil {
				t.Error(err)
				return
			}
			samples += n
			_ = c.SleepUntil(ctx, next)
		}
		took := (c.Now() - from).Seconds()
		got, core := float64(samples)/took, (processor()-used).Seconds()/took
		t.Logf("%.1f samples/s with %.3f %% of one core", got, 100*core)
		if got < rate || core > share {
			t.Errorf("%.1f samples/s with %.3f %% of one core, want %v/s with %v %% at most", got, 100*core, rate, 100*share)
		}
	})
}
