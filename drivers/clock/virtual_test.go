package clock

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"
)

// Two loops with different periods must interleave by deadline, each time the same.
func TestVirtualOrder(t *testing.T) {
	for range 20 {
		v := NewVirtual(time.Unix(0, 0), 0)
		ctx, cancel := context.WithCancel(context.Background())
		var got []string
		done := make(chan struct{}, 2)
		v.Go(func() {
			loop := func(name string, every time.Duration) func() {
				return func() {
					for i := 1; i <= 3; i++ {
						if v.SleepUntil(ctx, time.Duration(i)*every) != nil {
							return
						}
						got = append(got, fmt.Sprintf("%s@%v", name, v.Now()))
					}
					done <- struct{}{}
				}
			}
			v.Go(loop("a", 2*time.Millisecond))
			v.Go(loop("b", 3*time.Millisecond))
		})
		<-done
		<-done
		cancel()
		want := "[a@2ms b@3ms a@4ms b@6ms a@6ms b@9ms]"
		if s := fmt.Sprint(got); s != want {
			t.Fatalf("order %v, want %v", s, want)
		}
	}
}

func TestVirtualCancelWakesSleeper(t *testing.T) {
	v := NewVirtual(time.Unix(0, 0), 1) // paced: the sleeper really waits
	ctx, cancel := context.WithCancel(context.Background())
	res := make(chan error, 1)
	v.Go(func() { res <- v.SleepUntil(ctx, time.Hour) })
	cancel()
	if err := <-res; err != context.Canceled {
		t.Fatalf("got %v, want context.Canceled", err)
	}
}

// Real time is synctest's here, so that a held-up machine changes nothing. Waits
// below 2 ms are left out.
func TestVirtualPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		v := NewVirtual(time.Unix(0, 0), 1000)
		done := make(chan struct{})
		v.Go(func() {
			for i := 1; i <= 50; i++ {
				_ = v.SleepUntil(context.Background(), time.Duration(i)*time.Second)
			}
			close(done)
		})
		<-done
		if d := time.Since(start); d < 48*time.Millisecond || d > 50*time.Millisecond {
			t.Errorf("50 bench seconds at 1000x took %v, want 48 to 50 ms", d)
		}
	})
}

func BenchmarkVirtualSleepAlone(b *testing.B) {
	v := NewVirtual(time.Unix(0, 0), 0)
	done := make(chan struct{})
	b.ReportAllocs()
	v.Go(func() {
		defer close(done)
		for i := range b.N {
			_ = v.SleepUntil(context.Background(), time.Duration(i+1))
		}
	})
	<-done
}

// Goroutines that one context wakes still run one at a time: what they share
// needs no lock. The race detector is the judge.
func TestVirtualCancelKeepsTurns(t *testing.T) {
	for _, speed := range []float64{0, 1} {
		v := NewVirtual(time.Unix(0, 0), speed)
		ctx, cancel := context.WithCancel(context.Background())
		shared, done := 0, make(chan struct{}, 8)
		for range 8 {
			v.Go(func() {
				_ = v.SleepUntil(ctx, time.Hour)
				for range 1000 {
					shared++
				}
				done <- struct{}{}
			})
		}
		cancel()
		for range 8 {
			<-done
		}
		if shared != 8000 {
			t.Errorf("shared count %d, want 8000", shared)
		}
	}
}
