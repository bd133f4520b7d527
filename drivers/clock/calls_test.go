package clock

import (
	"context"
	"testing"
	"time"
)

// Of three goroutines one ends at once, one after a long call that does come back,
// one never: Await comes back when the last has hung for a second, not sooner, and
// says of each how it is.
func TestAwait(t *testing.T) {
	v := NewVirtual(time.Unix(0, 0), 0)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var quick, slow, stuck Calls
	if quick.Hang(time.Hour, time.Second) {
		t.Error("hangs without a call")
	}
	serve := func(c *Calls, took time.Duration) {
		v.Go(func() {
			c.Begin(v.Now())
			_ = v.SleepUntil(ctx, v.Now()+took)
			c.End()
			c.Close()
		})
	}
	serve(&quick, 0)
	serve(&slow, 900*time.Millisecond)
	v.Go(func() {
		_ = v.SleepUntil(ctx, 2*time.Second)
		stuck.Begin(v.Now())
		v.Block(func() { <-ctx.Done() })
	})
	Await(v, time.Second, &quick, &slow, &stuck)
	if now := v.Now(); now <= 3*time.Second || now > 3*time.Second+2*awaitStep {
		t.Errorf("waited until %v; the third hangs from 3 s on", now)
	}
	if !quick.Closed() || !slow.Closed() || slow.Hang(v.Now(), 0) || stuck.Closed() || !stuck.Hang(v.Now(), time.Second) {
		t.Errorf("quick %v, slow %v, stuck %v", quick.Closed(), slow.Closed(), stuck.Closed())
	}
}
