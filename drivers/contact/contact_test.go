package contact

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

var ctx = context.Background()

const ms = time.Millisecond

func config(kv ...string) drivers.Config {
	ic := drivers.InputConfig{Options: map[string]string{}}
	for i := 0; i < len(kv); i += 2 {
		ic.Options[kv[i]] = kv[i+1]
	}
	return drivers.Config{Driver: "contact", Bus: "GPIO17", Inputs: []drivers.InputConfig{ic}}
}

// play drives the line as levels says (true is high, each for one millisecond,
// the first for as long as nothing else is said) and gives what was read.
func play(t *testing.T, cfg drivers.Config, levels func(at time.Duration) bool, until time.Duration) []drivers.Sample {
	t.Helper()
	var out []drivers.Sample
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		pin := board.AddPin("GPIO17")
		pin.Drive(gpio.Level(levels(0)))
		src, err := Driver().Open(board, c, cfg)
		if err != nil {
			t.Error(err)
			return
		}
		defer src.Close()
		if err := src.Start(ctx); err != nil {
			t.Error(err)
			return
		}
		dst := make([]drivers.Sample, 512)
		for c.Now() < until {
			pin.Drive(gpio.Level(levels(c.Now())))
			n, next, err := src.Read(ctx, dst)
			if err != nil || next <= c.Now() {
				t.Errorf("next %v at %v, %v", next, c.Now(), err)
				return
			}
			for _, s := range dst[:n] {
				if len(out) > 0 && s.At <= out[len(out)-1].At || s.At > c.Now() {
					t.Errorf("stamp %v at %v", s.At, c.Now())
				}
				out = append(out, s)
			}
			_ = c.SleepUntil(ctx, next)
		}
	})
	return out
}

// edges are the times at which the state changed, with the new state.
func edges(ss []drivers.Sample) (out []string) {
	for i := 1; i < len(ss); i++ {
		if ss[i].Raw != ss[i-1].Raw {
			out = append(out, fmt.Sprint(ss[i].At.Round(10*ms), " ", ss[i].Raw))
		}
	}
	return out
}

// A change is stamped with the first look that saw it, at most 20 ms late.
func TestStates(t *testing.T) {
	low := func(from, to time.Duration) func(time.Duration) bool {
		return func(at time.Duration) bool { return at < from || at >= to }
	}
	for name, row := range map[string]struct {
		cfg    drivers.Config
		levels func(time.Duration) bool
		want   []string
	}{
		"press":           {config(), low(100*ms, 300*ms), []string{"100ms 1", "300ms 0"}},
		"active high":     {config("active_low", "no", "pull", "down"), low(100*ms, 300*ms), []string{"100ms 0", "300ms 1"}},
		"short press":     {config(), low(100*ms, 145*ms), []string{"100ms 1", "160ms 0"}},
		"spike":           {config(), low(100*ms, 115*ms), nil},
		"long debounce":   {config("debounce", "150 ms"), low(100*ms, 200*ms), nil},
		"bounces, closed": {config(), func(at time.Duration) bool { return at < 100*ms || at < 160*ms && at/(10*ms)%2 == 1 }, []string{"170ms 1"}},
	} {
		ss := play(t, row.cfg, row.levels, time.Second)
		if got := edges(ss); fmt.Sprint(got) != fmt.Sprint(row.want) {
			t.Errorf("%s: %v, want %v", name, got, row.want)
		}
		if len(ss) < 40 || len(ss) > 51 {
			t.Errorf("%s: %d samples in a second, want about 50", name, len(ss))
		}
	}
}

// ports gives an error for the line, until it is repaired.
type ports struct {
	drivers.Ports
	err error
}

func (p *ports) Pin(name string) (gpio.PinIO, error) {
	if p.err != nil {
		return nil, p.err
	}
	return p.Ports.Pin(name)
}

func TestJoinsLater(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		board.AddPin("GPIO17")
		p := &ports{Ports: board}
		src, err := Driver().Open(p, c, config())
		if err != nil {
			t.Error(err)
			return
		}
		for errno, want := range map[error]drivers.Condition{
			fs.ErrNotExist: drivers.NotPresent, syscall.ENODEV: drivers.NotPresent, syscall.EACCES: drivers.Permission,
			syscall.EBUSY: drivers.Transient, fmt.Errorf("line: %v", syscall.EBUSY): drivers.Transient,
			&drivers.Error{Device: "x", Is: drivers.BusDisabled, Hint: "h"}: drivers.BusDisabled,
		} {
			p.err = errno
			err := src.Start(ctx)
			if !errors.Is(err, want) || drivers.HintOf(err) == "" {
				t.Errorf("%v: %v, want %v with a hint", errno, err, want)
			}
			if _, _, err := src.Read(ctx, make([]drivers.Sample, 512)); err == nil {
				t.Error("Read without a line gives no error")
			}
		}
		p.err = nil
		if err := src.Start(ctx); err != nil {
			t.Errorf("once it is there: %v", err)
		}
		ended, cancel := context.WithCancel(ctx)
		cancel()
		if err := src.Start(ended); !errors.Is(err, context.Canceled) {
			t.Errorf("Start: %v", err)
		}
		_ = src.Start(ctx)
		if _, _, err := src.Read(ended, make([]drivers.Sample, 512)); !errors.Is(err, context.Canceled) {
			t.Errorf("Read: %v", err)
		}
		for range 2 {
			if err := src.Close(); err != nil {
				t.Errorf("Close: %v", err)
			}
		}
		if err := src.Start(ctx); err == nil {
			t.Error("Start after Close gives no error")
		}
		if _, _, err := src.Read(ctx, make([]drivers.Sample, 512)); err == nil {
			t.Error("Read after Close gives no error")
		}
	})
}

func TestBadConfig(t *testing.T) {
	noLine := config()
	noLine.Bus = ""
	two := config()
	two.Inputs = append(two.Inputs, two.Inputs[0])
	for name, cfg := range map[string]drivers.Config{
		"no line": noLine, "two channels": two, "active_low": config("active_low", "perhaps"),
		"pull": config("pull", "sideways"), "debounce": config("debounce", "2000 ms"), "unit": config("debounce", "1 s"), "unknown": config("edge", "up"),
	} {
		if _, err := Driver().Open(nil, nil, cfg); !errors.Is(err, drivers.BadConfig) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func BenchmarkRead(b *testing.B) {
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		board.AddPin("GPIO17")
		src, err := Driver().Open(board, c, config())
		if err != nil {
			b.Error(err)
			return
		}
		if err := src.Start(ctx); err != nil {
			b.Error(err)
		}
		dst := make([]drivers.Sample, 512)
		b.ReportAllocs()
		for b.Loop() {
			_, next, err := src.Read(ctx, dst)
			if err != nil {
				b.Error(err)
			}
			_ = c.SleepUntil(ctx, next)
		}
	})
}

func TestAllocs(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		board.AddPin("GPIO17")
		src, err := Driver().Open(board, c, config())
		if err != nil {
			t.Error(err)
			return
		}
		if err := src.Start(ctx); err != nil {
			t.Error(err)
		}
		dst := make([]drivers.Sample, 512)
		got := 0
		if n := testing.AllocsPerRun(100, func() {
			k, next, _ := src.Read(ctx, dst)
			got += k
			_ = c.SleepUntil(ctx, next)
		}); n != 0 || got == 0 {
			t.Errorf("%v allocations for each of %d samples", n, got)
		}
	})
}
