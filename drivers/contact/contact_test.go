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

var subject = drivertest.Subject{
	Driver: Driver(), Config: config(), NoBus: drivers.NotPresent, Errno: syscall.EIO,
	Place: func(b *emulated.Board, _ clock.Clock) drivertest.Chip {
		pin := b.AddPin("GPIO17")
		pin.Drive(gpio.High)
		return drivertest.Settingless{Breakable: pin}
	},
}

func TestConformance(t *testing.T) { drivertest.Run(t, subject) }

func BenchmarkRead(b *testing.B) { subject.Bench(b) }

// A press as a line shows it: the contact bounces once and then stays. Looks come
// every 20 ms at rest and every 5 ms, a quarter of the debounce time, while the
// line has another level. (Bounces of some milliseconds are common practice for
// small switches.)
func TestPlayback(t *testing.T) {
	const h, l = gpio.High, gpio.Low
	got := drivertest.PlayPin(t, Driver(), config(), gpio.PullUp, []gpio.Level{
		h,    // Start
		h, h, // at 0 and 20 ms: open
		l, h, // at 40 ms it closes, at 45 ms it has bounced: open
		l, l, l, l, l, // at 65 ms it closes and stays until 85 ms
		l, h, h, h, h, h, // at 105 ms closed; from 125 to 145 ms open
	}, 6)
	want := []struct {
		at  time.Duration
		raw float64
	}{{0, 0}, {20 * ms, 0}, {45 * ms, 0}, {65 * ms, 1}, {105 * ms, 1}, {125 * ms, 0}}
	for i, s := range got {
		if s.At != want[i].at || s.Raw != want[i].raw || s.Fault != 0 {
			t.Errorf("%d: %v at %v, want %v", i, s.Raw, s.At, want[i])
		}
	}
}

// A line whose chip is pulled out reads low by the interface alone, which would
// be a press; it has no state, is told, and what it was is not made up.
func TestPulledOut(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		pin := board.AddPin("GPIO17")
		pin.Drive(gpio.High)
		src, err := Driver().Open(board, c, config())
		if err != nil {
			t.Error(err)
			return
		}
		defer src.Close()
		if err := src.Start(ctx); err != nil {
			t.Error(err)
		}
		pin.SetAbsent(true)
		if pin.Read() != gpio.Low {
			t.Error("periph's interface alone would tell")
		}
		dst := make([]drivers.Sample, 512)
		for c.Now() < time.Second {
			n, next, err := src.Read(ctx, dst)
			if n != 0 || !errors.Is(err, drivers.NotPresent) {
				t.Errorf("at %v: %+v, %v", c.Now(), dst[:n], err)
			}
			_ = c.SleepUntil(ctx, max(next, c.Now()+ms))
		}
		if err := src.Start(ctx); !errors.Is(err, drivers.NotPresent) || drivers.HintOf(err) == "" {
			t.Errorf("Start: %v", err)
		}
	})
}
