package clock

import (
	"context"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// timers are used again, so that the wait before each sample allocates nothing.
var timers sync.Pool

// System is the board's own clock: CLOCK_BOOTTIME, which also counts time
// asleep, so that durations across a suspend are true. Its zero value works.
type System struct{}

var _ Clock = System{}

// Now implements [Clock].
func (System) Now() time.Duration {
	var ts unix.Timespec
	// CLOCK_BOOTTIME exists on every kernel that Go runs on (Linux >= 2.6.39),
	// so the call cannot fail with a valid pointer.
	_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts)
	return time.Duration(ts.Nano())
}

// SleepUntil implements [Clock].
func (s System) SleepUntil(ctx context.Context, t time.Duration) error {
	d := t - s.Now()
	if d <= 0 {
		return ctx.Err()
	}
	timer, _ := timers.Get().(*time.Timer)
	if timer == nil {
		timer = time.NewTimer(d)
	} else {
		timer.Reset(d)
	}
	defer func() {
		timer.Stop() // since Go 1.23 nothing of the old time is left in the channel
		timers.Put(timer)
	}()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Go implements [Clock].
func (System) Go(f func()) { go f() }

// Block implements [Clock].
func (System) Block(f func()) { f() }

// Wall implements [Clock]. It is trusted when the kernel says that the clock
// is disciplined (adjtimex, STA_UNSYNC clear) or, failing that, when it shows a
// date after this program could have been built: a board whose clock restarts
// from a stored file is behind, never years before.
func (System) Wall() (time.Time, bool) {
	now := time.Now()
	var tx unix.Timex
	if _, err := unix.Adjtimex(&tx); err == nil && tx.Status&unix.STA_UNSYNC == 0 {
		return now, true
	}
	return now, now.After(time.Date(2026, time.November, 1, 0, 0, 0, 0, time.UTC)) && hasRTC()
}
