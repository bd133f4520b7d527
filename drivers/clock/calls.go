package clock

import (
	"context"
	"sync/atomic"
	"time"
)

// Calls are the calls, one after another, that one goroutine makes into something
// that may never come back, such as a bus with a stuck chip. Others ask it how that
// goroutine is doing. The zero value has none under way.
type Calls struct {
	begun atomic.Int64 // of the call under way, plus one; 0: none
	over  atomic.Bool
}

// Begin notes that a call begins.
func (c *Calls) Begin(now time.Duration) { c.begun.Store(int64(now) + 1) }

// End notes that the call has come back.
func (c *Calls) End() { c.begun.Store(0) }

// Close notes that the goroutine has ended.
func (c *Calls) Close() { c.over.Store(true) }

// Closed tells whether the goroutine has ended.
func (c *Calls) Closed() bool { return c.over.Load() }

// Hang tells whether the call under way has taken longer than after.
func (c *Calls) Hang(now, after time.Duration) bool {
	begun := c.begun.Load()
	return begun > 0 && now-time.Duration(begun-1) > after
}

// awaitStep is how often Await looks.
const awaitStep = 10 * time.Millisecond

// Await waits until each of all is closed or hangs for longer than after. A goroutine
// that the clock itself runs (Go) calls it in Block.
func Await(c Clock, after time.Duration, all ...*Calls) {
	done := make(chan struct{})
	c.Go(func() {
		defer close(done)
		for _, one := range all {
			for !one.Closed() && !one.Hang(c.Now(), after) {
				_ = c.SleepUntil(context.Background(), c.Now()+awaitStep) // this context never ends
			}
		}
	})
	<-done
}
