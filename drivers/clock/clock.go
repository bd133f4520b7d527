// Package clock holds the one notion of time that tipoff runs on.
//
// Everything inside runs on a monotonic clock that is handed in. Wall time
// only stamps records. The daemon uses [System]; the demo, imports and tests
// use [Virtual], on which a day of bench time passes in seconds.
package clock

import (
	"context"
	"time"
)

// Clock is monotonic time since an arbitrary start (for [System]: since boot),
// with a wall-clock reading beside it.
//
// All methods may be called from several goroutines at once.
type Clock interface {
	// Now is the monotonic time. It never goes back.
	Now() time.Duration

	// SleepUntil returns nil once Now() >= t, or ctx.Err() if ctx ends first.
	// On a [Virtual] clock only goroutines started by [Clock.Go] may call it.
	SleepUntil(ctx context.Context, t time.Duration) error

	// Go starts f in a goroutine that takes part in this clock's time. On a
	// Virtual clock time stands still while any such goroutine runs, and they
	// run one at a time, so that a run is the same each time it is computed.
	Go(f func())

	// Block calls f, which may wait for something other than this clock
	// (another goroutine, a socket); meanwhile time goes on without the caller.
	Block(f func())

	// Wall is the wall-clock time now, and whether it can be trusted: a board
	// without a battery has no clock until the network has told it the time.
	Wall() (t time.Time, trusted bool)
}
