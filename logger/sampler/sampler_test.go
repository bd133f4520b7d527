package sampler_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"tipoff/calib"
	"tipoff/calib/chain"
	"tipoff/drivers"
	"tipoff/drivers/emulated"
	"tipoff/drivers/max31856"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/sampler"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// A frame holds the mean and the last raw number of its samples, and Stats
// counts them.
func TestFrames(t *testing.T) {
	c := newClock()
	a, z := &source{name: "a", read: every(c, 7)}, &source{name: "z", read: every(c, 9)}
	b := newBench(t, c, sampler.Device{Source: a, Bus: "one"}, sampler.Device{Source: z, Bus: "one"})
	b.run(time.Second, func(at time.Duration) {
		if r := b.frame.Readings; at > interval && (r[0].Value.X != 7 || r[1].Value.X != 9 || r[0].Raw != 7 || r[0].Samples != 10) {
			t.Errorf("at %v: %+v", at, r[:2])
		}
	})
	if n := b.stats[0].Samples; n < 99 || n > 101 {
		t.Errorf("%d samples in a second of one every 10 ms", n)
	}
	if a.closed != 1 || z.closed != 1 {
		t.Errorf("closed %d and %d times, want once", a.closed, z.closed)
	}
	if l := b.health.List(time.Second); len(l) != 0 {
		t.Errorf("troubles on a sound bench: %v", l)
	}
}

// A bus whose transfer does not come back is told of, and the others go on.
func TestHungBus(t *testing.T) {
	c := newClock()
	const from, to = 2 * time.Second, 6 * time.Second
	hung := &source{name: "hung"}
	hung.read = func(dst []drivers.Sample) (int, time.Duration, error) {
		if now := c.Now(); now >= from && now < to {
			_ = c.SleepUntil(context.Background(), to)
		}
		return every(c, 1)(dst)
	}
	b := newBench(t, c, sampler.Device{Source: hung, Bus: "bad"}, sampler.Device{Source: &source{name: "ok", read: every(c, 2)}, Bus: "good"})
	var told, well time.Duration
	b.run(8*time.Second, func(at time.Duration) {
		if at > interval && !b.frame.Readings[1].Value.Good() {
			t.Errorf("at %v the other bus gives %v", at, b.frame.Readings[1].Value.Q)
		}
		if b.frame.Readings[0].Value.Good() != (at < from+400*time.Millisecond || at >= to) && at > interval && at != from+300*time.Millisecond {
			t.Errorf("at %v the hung bus gives %v", at, b.frame.Readings[0].Value)
		}
		x := b.trouble(b.kinds.BusFailing, "bad", at)
		if x != nil && told == 0 {
			told = at
			if !strings.Contains(x.Cause, "has not come back for 1s") {
				t.Errorf("cause %q", x.Cause)
			}
		}
		if x == nil && told > 0 && well == 0 {
			well = at
		}
	})
	if told < from+time.Second || told > from+1200*time.Millisecond || well < to || well > to+interval {
		t.Errorf("hung from %v to %v: told at %v, well at %v", from, to, told, well)
	}
}

// A device that is not there at the start says so, hides nothing else, and
// joins within 2 s of being plugged in, whenever that is.
func TestJoinsLate(t *testing.T) {
	for plug := 3 * time.Second; plug < 5*time.Second; plug += 170 * time.Millisecond {
		c := newClock()
		late := &source{name: "late"}
		late.start = func() error {
			if c.Now() < plug {
				return failing(drivers.NotPresent, syscall.EREMOTEIO)
			}
			return nil
		}
		late.read = every(c, 3)
		b := newBench(t, c, sampler.Device{Source: late, Bus: "x"}, sampler.Device{Source: &source{name: "ok", read: every(c, 4)}, Bus: "x"})
		var joined time.Duration
		b.run(8*time.Second, func(at time.Duration) {
			if at > interval && !b.frame.Readings[1].Value.Good() {
				t.Errorf("the other device is lost at %v", at)
			}
			if at == 2*time.Second {
				x := b.trouble(b.kinds.ChannelAbsent, "ch0", at)
				if x == nil || x.Hidden || !strings.Contains(x.Cause, "not there") || x.Hint != "do this; see docs/wiring" {
					t.Errorf("told: %+v", x)
				}
				if x := b.trouble(b.kinds.BusFailing, "x", at); x != nil {
					t.Errorf("one of two devices is missing and the bus is blamed: %+v", x)
				}
			}
			if joined == 0 && b.frame.Readings[0].Value.Good() {
				joined = at
			}
		})
		if joined < plug || joined > plug+2*time.Second {
			t.Errorf("plugged in at %v, reading at %v", plug, joined)
		}
		if b.trouble(b.kinds.ChannelAbsent, "ch0", 8*time.Second) != nil {
			t.Error("still told to be absent")
		}
	}
}

// Up to three failures in a row are retried, the fourth starts the device afresh.
func TestRetryThenRestart(t *testing.T) {
	for bad, starts := range map[int]int{1: 1, 2: 1, 3: 1, 4: 2, 5: 2} {
		c := newClock()
		s := &source{name: "s"}
		n := 0
		s.read = func(dst []drivers.Sample) (int, time.Duration, error) {
			if n++; n > 5 && n <= 5+bad {
				return 0, c.Now(), failing(drivers.Transient, syscall.EIO)
			}
			return every(c, 1)(dst)
		}
		b := newBench(t, c, sampler.Device{Source: s, Bus: "x"})
		b.run(2*time.Second, nil)
		if s.starts != starts || b.stats[0].Errors != uint64(bad) {
			t.Errorf("%d failures in a row: %d starts, %d errors; want %d starts", bad, s.starts, b.stats[0].Errors, starts)
		}
		if !b.frame.Readings[0].Value.Good() {
			t.Errorf("%d failures: no reading at the end", bad)
		}
	}
}

// A driver that says that the settings are lost is started at once.
func TestLostConfigRestarts(t *testing.T) {
	c := newClock()
	s := &source{name: "s"}
	lostAt, restarted := time.Duration(0), time.Duration(-1)
	s.start = func() error { restarted = c.Now(); return nil }
	s.read = func(dst []drivers.Sample) (int, time.Duration, error) {
		if c.Now() >= time.Second && lostAt == 0 {
			lostAt = c.Now()
			return 0, lostAt + time.Hour, failing(drivers.LostConfig, nil)
		}
		return every(c, 1)(dst)
	}
	b := newBench(t, c, sampler.Device{Source: s, Bus: "x"})
	b.run(2*time.Second, nil)
	if lostAt == 0 || restarted != lostAt {
		t.Errorf("lost at %v, started again at %v", lostAt, restarted)
	}
}

// A chip on which sparks reset the settings is told of in the words of issue 4,
// and no more once it has kept them for ten seconds.
func TestKeepsLosingSettings(t *testing.T) {
	c := newClock()
	board := emulated.NewBoard(c)
	chip := emulated.NewMAX31856(c)
	board.AddSPI("/dev/spidev0.0", chip)
	src, err := max31856.Driver().Open(board, c, drivers.Config{Bus: "/dev/spidev0.0", Mains: 50, Inputs: []drivers.InputConfig{{}}})
	if err != nil {
		t.Fatal(err)
	}
	b := newBench(t, c, sampler.Device{Source: src, Bus: "/dev/spidev0.0"})
	var well time.Duration
	b.run(30*time.Second, func(at time.Duration) {
		x := b.trouble(b.kinds.DeviceRestored, "MAX31856 on /dev/spidev0.0", at)
		switch at {
		case 2 * time.Second, 4 * time.Second, 6 * time.Second:
			chip.LoseConfig()
		case 5 * time.Second:
			if x != nil {
				t.Errorf("told after two losses: %+v", x)
			}
		case 7 * time.Second:
			want := "MAX31856 on /dev/spidev0.0 lost its settings 3 times in 10 s: spark coil noise? see docs/wiring"
			if x == nil || x.Cause+": "+x.Hint != want {
				t.Errorf("told %+v, want %q", x, want)
			}
		}
		if at > 7*time.Second && x == nil && well == 0 {
			well = at
		}
	})
	if well < 16*time.Second || well > 16500*time.Millisecond {
		t.Errorf("last loss at 6 s, told to be well at %v", well)
	}
	if b.stats[0].Restores != 3 {
		t.Errorf("%d restores counted, want 3", b.stats[0].Restores)
	}
}

// With all devices of a bus silent the bus is the trouble, and explains its
// channels. A bus with one device never is.
func TestDeadBus(t *testing.T) {
	c := newClock()
	const from, to = 3 * time.Second, 6 * time.Second
	device := func(bus string) sampler.Device {
		s := &source{name: "chip"}
		dead := func() error {
			if now := c.Now(); now >= from && now < to {
				return failing(drivers.BusStuck, syscall.ETIMEDOUT)
			}
			return nil
		}
		s.start = dead
		s.read = func(dst []drivers.Sample) (int, time.Duration, error) {
			if err := dead(); err != nil {
				return 0, c.Now() + time.Millisecond, err
			}
			return every(c, 1)(dst)
		}
		return sampler.Device{Source: s, Bus: bus}
	}
	b := newBench(t, c, device("/dev/i2c-1"), device("/dev/i2c-1"), device("/dev/spidev0.0"))
	var well time.Duration
	b.run(10*time.Second, func(at time.Duration) {
		if at == from+1500*time.Millisecond {
			x := b.trouble(b.kinds.BusFailing, "/dev/i2c-1", at)
			if x == nil || x.Hidden || !strings.HasPrefix(x.Cause, "none of the 2 devices on /dev/i2c-1 answers") || x.Hint != "do this; see docs/wiring" {
				t.Errorf("bus: %+v", x)
			}
			if b.trouble(b.kinds.BusFailing, "/dev/spidev0.0", at) != nil {
				t.Error("a bus of one device is blamed")
			}
			for i, hidden := range []bool{true, true, false} {
				if x := b.trouble(b.kinds.ChannelAbsent, fmt.Sprintf("ch%d", i), at); x == nil || x.Hidden != hidden {
					t.Errorf("ch%d: %+v, want hidden %v", i, x, hidden)
				}
			}
		}
		if at > to && well == 0 && b.trouble(b.kinds.BusFailing, "/dev/i2c-1", at) == nil && b.frame.Readings[0].Value.Good() {
			well = at
		}
	})
	if well == 0 || well > to+2*time.Second {
		t.Errorf("dead until %v, well at %v", to, well)
	}
}

// A channel that the bench can do without is told of as a notice; one that it
// needs as a failure.
func TestOptionalChannel(t *testing.T) {
	c := newClock()
	missing := func() *source { return &source{name: "s", start: func() error { return errAbsent }} }
	b := newBench(t, c, sampler.Device{Source: missing(), Bus: "x"}, sampler.Device{Source: missing(), Bus: "y"})
	b.layout.Channels[1].Optional = true
	b.run(2*time.Second, nil)
	for i, want := range []health.Severity{health.Failure, health.Notice} {
		var got []health.Severity
		for _, x := range b.health.List(2 * time.Second) {
			if x.Subject == b.layout.Channels[i].Name && !x.Hidden {
				got = append(got, x.Kind.Severity)
			}
		}
		if len(got) != 1 || got[0] != want {
			t.Errorf("channel %d: told as %v, want %v", i, got, want)
		}
	}
}

// What the fault bits of a sample make of the value.
func TestQuality(t *testing.T) {
	for fault, want := range map[drivers.Fault]calib.Quality{
		drivers.OpenCircuit: calib.SensorFault, drivers.ShortToGround: calib.SensorFault,
		drivers.ShortToSupply: calib.SensorFault, drivers.InputVoltage: calib.SensorFault,
		drivers.InputRange: calib.OverRange, drivers.Settling: calib.NoReading, drivers.Framing: calib.NoReading,
		drivers.Missing: calib.NoReading, drivers.Frozen: calib.Frozen, drivers.Clipped: calib.Clipped,
		drivers.Restored: 0, drivers.ColdJunctionRange: 0,
	} {
		c := newClock()
		s := &source{name: "s"}
		s.read = func(dst []drivers.Sample) (int, time.Duration, error) {
			n, next, err := every(c, 1)(dst)
			dst[0].Fault = fault
			return n, next, err
		}
		b := newBench(t, c, sampler.Device{Source: s, Bus: "x"})
		b.run(time.Second, nil)
		v := b.frame.Readings[0].Value
		if v.Q&want != want || v.Good() != (want&calib.Invalid == 0) {
			t.Errorf("%v gives %v %v, want %v", fault, v.X, v.Q, want)
		}
		if b.stats[0].Faults == 0 {
			t.Errorf("%v is not counted", fault)
		}
	}
}

// If nobody collects, the newest samples are kept.
func TestOverflowDropsOldest(t *testing.T) {
	c := newClock()
	s := &source{name: "s"}
	var last, newest float64
	s.read = func(dst []drivers.Sample) (int, time.Duration, error) {
		now := c.Now()
		for i := range dst {
			last++
			dst[i] = drivers.Sample{At: now + time.Duration(i), Raw: last, Aux: math.NaN()}
		}
		return len(dst), now + 10*time.Millisecond, nil
	}
	b := newBench(t, c, sampler.Device{Source: s, Bus: "x"})
	b.during(func(ctx context.Context) {
		_ = c.SleepUntil(ctx, time.Second+time.Millisecond) // a hundred bursts of 512
		b.Collect(c.Now(), &b.frame)
		newest = last // one more burst may come before the end is noticed
	})
	b.Stats(b.stats)
	if r := b.frame.Readings[0]; r.Raw != newest || b.stats[0].Samples != 4096 {
		t.Errorf("last raw %v of %v, %d samples kept, want 4096", r.Raw, newest, b.stats[0].Samples)
	}
}

// Mistakes in the binding are found when the sampler is made.
func TestNewRefuses(t *testing.T) {
	c := newClock()
	k := health.Declare()
	l := frame.NewLayout(interval, []frame.Channel{{Name: "a", Role: frame.Glass}})
	if _, err := sampler.New(c, l, nil, nil, health.New(k.All()), k); err == nil {
		t.Error("no chain for a channel is accepted")
	}
	d := sampler.Device{Source: &source{name: "s", inputs: 2}, Channels: []int{0}}
	if _, err := sampler.New(c, l, []sampler.Device{d}, make([]chain.Chain, 1), health.New(k.All()), k); err == nil {
		t.Error("an input without a channel is accepted")
	}
}

// The cause of an absent channel stays reachable as text with what to do.
func TestPermissionIsTold(t *testing.T) {
	c := newClock()
	s := &source{name: "s", start: func() error {
		return &drivers.Error{Device: "S", Doing: "opening the bus", Is: drivers.Permission, Err: syscall.EACCES, Hint: "join the group i2c"}
	}}
	b := newBench(t, c, sampler.Device{Source: s, Bus: "x"})
	b.run(2*time.Second, nil)
	x := b.trouble(b.kinds.ChannelAbsent, "ch0", 2*time.Second)
	if x == nil || !strings.Contains(x.Cause, "not permitted") || x.Hint != "join the group i2c; see docs/install" {
		t.Errorf("told: %+v", x)
	}
	if err := s.start(); !errors.Is(err, drivers.Permission) {
		t.Error(err)
	}
}

// busy is a bench with a 10 kS/s waveform, a slow input and a device that is
// not there; f calls step to collect.
func busy(t testing.TB, f func(b *bench, step func())) {
	c := newClock()
	s := &source{name: "s"}
	s.read = func(dst []drivers.Sample) (int, time.Duration, error) {
		now := c.Now()
		for i := range 100 {
			dst[i] = drivers.Sample{At: now + time.Duration(i)*100*time.Microsecond, Raw: float64(i), Aux: math.NaN()}
		}
		return 100, now + 10*time.Millisecond, nil
	}
	b := newBench(t, c, sampler.Device{Source: s, Bus: "x"}, sampler.Device{Source: &source{name: "z", read: every(c, 1)}, Bus: "z"},
		sampler.Device{Source: &source{name: "y", start: func() error { return errAbsent }}, Bus: "y"})
	b.during(func(context.Context) { f(b, func() { b.Collect(c.Now(), &b.frame) }) })
}

// Collect allocates nothing, whether samples come or a channel is absent.
func TestNoAllocations(t *testing.T) {
	var total uint64
	const frames = 50
	busy(t, func(b *bench, step func()) {
		step()
		var before, after runtime.MemStats
		for range frames {
			_ = b.clock.SleepUntil(context.Background(), b.clock.Now()+interval)
			runtime.ReadMemStats(&before)
			step()
			b.Stats(b.stats)
			runtime.ReadMemStats(&after)
			total += after.Mallocs - before.Mallocs
		}
		if b.frame.Readings[0].Samples == 0 {
			t.Error("no samples were collected")
		}
	})
	if n := total / frames; n != 0 {
		t.Errorf("Collect allocates %d times", n)
	}
}

func BenchmarkCollect(b *testing.B) {
	busy(b, func(bn *bench, step func()) {
		b.ReportAllocs()
		for b.Loop() {
			_ = bn.clock.SleepUntil(context.Background(), bn.clock.Now()+interval)
			step()
		}
	})
}

// A transfer that never comes back does not hold up the end for more than about a
// second, and the bus is named; the other bus's device is closed.
func TestEndDoesNotWaitForAHangingBus(t *testing.T) {
	c := newClock()
	never := make(chan struct{})
	t.Cleanup(func() { close(never) })
	stuck := &source{name: "stuck", read: func([]drivers.Sample) (int, time.Duration, error) {
		c.Block(func() { <-never })
		return 0, c.Now(), nil
	}}
	well := &source{name: "well", read: every(c, 1)}
	b := newBench(t, c, sampler.Device{Source: stuck, Bus: "/dev/i2c-1"}, sampler.Device{Source: well, Bus: "/dev/i2c-2"})
	left := b.during(func(ctx context.Context) { _ = c.SleepUntil(ctx, 100*time.Millisecond) })
	if took := c.Now(); len(left) != 1 || left[0] != "/dev/i2c-1" || took > 1200*time.Millisecond {
		t.Errorf("left %v after %v", left, took)
	}
	if well.closed != 1 {
		t.Error("the device on the other bus is not closed")
	}
}
