package sampler_test

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"

	"tipoff/calib/chain"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/sampler"
	"tipoff/logger/status"
)

// source is a device whose behaviour a test writes down.
type source struct {
	name   string
	inputs int
	start  func() error
	read   func(dst []drivers.Sample) (int, time.Duration, error)
	closed int
	starts int
	lost   int
}

func (s *source) String() string    { return s.name }
func (s *source) SettingsLost() int { return s.lost }
func (s *source) Inputs() []drivers.Input {
	return make([]drivers.Input, max(s.inputs, 1))
}

func (s *source) Start(context.Context) error {
	s.starts++
	if s.start == nil {
		return nil
	}
	return s.start()
}

func (s *source) Read(_ context.Context, dst []drivers.Sample) (int, time.Duration, error) {
	return s.read(dst)
}

func (s *source) Close() error { s.closed++; return nil }

// bench is a sampler on a virtual clock, with frames taken every 100 ms.
type bench struct {
	clock  *clock.Virtual
	layout *frame.Layout
	health *health.Registry
	kinds  *health.Kinds
	*sampler.Sampler
	frame frame.Frame
	stats []status.Channel
}

const interval = 100 * time.Millisecond

func newBench(t testing.TB, c *clock.Virtual, devices ...sampler.Device) *bench {
	t.Helper()
	n := 0
	for i := range devices {
		for range devices[i].Source.Inputs() {
			devices[i].Channels = append(devices[i].Channels, n)
			n++
		}
	}
	channels := make([]frame.Channel, n)
	chains := make([]chain.Chain, n)
	for i := range channels {
		channels[i] = frame.Channel{Name: fmt.Sprintf("ch%d", i), Role: frame.Pressure}
		ch, err := chain.New("pressure", chain.Spec{Kind: chain.SpecNone},
			chain.Input{Kind: chain.Number, Unit: "Pa", Scale: 1, Interval: 10 * time.Millisecond}, 50)
		if err != nil {
			t.Fatal(err)
		}
		chains[i] = ch
	}
	b := &bench{clock: c, layout: frame.NewLayout(interval, channels), kinds: health.Declare(), stats: make([]status.Channel, n)}
	b.health = health.New(b.kinds.All())
	var err error
	b.Sampler, err = sampler.New(c, b.layout, devices, chains, b.health, b.kinds)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// run takes frames until end, calling each after every one, and then ends the
// sampler in good order.
func (b *bench) run(end time.Duration, each func(at time.Duration)) {
	b.during(func(ctx context.Context) {
		for at := interval; at <= end; at += interval {
			_ = b.clock.SleepUntil(ctx, at)
			b.Collect(at, &b.frame)
			b.Stats(b.stats)
			if each != nil {
				each(at)
			}
		}
	})
}

// during runs the sampler while f runs on the clock, then ends it in good order; left
// are the buses that it had to leave.
func (b *bench) during(f func(ctx context.Context)) (left []string) {
	ctx, cancel := context.WithCancel(context.Background())
	var wait func() []string
	done := make(chan struct{})
	b.clock.Go(func() {
		defer close(done)
		wait = b.Start(ctx)
		f(ctx)
		cancel()
	})
	<-done
	return wait()
}

// trouble is the trouble of a kind on a subject, nil if there is none.
func (b *bench) trouble(k *health.Kind, subject string, now time.Duration) *health.Trouble {
	for _, t := range b.health.List(now) {
		if t.Kind == k && t.Subject == subject {
			return &t
		}
	}
	return nil
}

func newClock() *clock.Virtual { return clock.NewVirtual(time.Unix(1_800_000_000, 0), 0) }

// every gives the same number every 10 ms.
func every(c clock.Clock, x float64) func([]drivers.Sample) (int, time.Duration, error) {
	return func(dst []drivers.Sample) (int, time.Duration, error) {
		now := c.Now()
		dst[0] = drivers.Sample{At: now, Raw: x, Aux: math.NaN()}
		return 1, now + 10*time.Millisecond, nil
	}
}

var errAbsent = failing(drivers.NotPresent, nil)

func failing(is drivers.Condition, cause error) error {
	return &drivers.Error{Device: "thing", Doing: "reading", Is: is, Err: cause, Hint: "do this"}
}
