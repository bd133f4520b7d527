package ads1115

import (
	"context"
	"errors"
	"io/fs"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

const rdy = "GPIO17"

// rig is a chip with its ready line on a virtual clock, started.
type rig struct {
	*testing.T
	clock *clock.Virtual
	chip  *emulated.ADS1115
	line  *emulated.Pin
	src   *Dev
	dst   []drivers.Sample
}

func onLine(t *testing.T, cfg drivers.Config, set func(*emulated.ADS1115), f func(r *rig)) {
	t.Helper()
	drivertest.OnClock(func(c *clock.Virtual) {
		r := &rig{T: t, clock: c, chip: emulated.NewADS1115(c), dst: make([]drivers.Sample, 512)}
		set(r.chip)
		board := emulated.NewBoard(c)
		board.AddI2C(at48, 0x48, r.chip)
		r.line = board.AddPin(rdy)
		r.chip.WireReady(r.line)
		src, err := open(board, c, cfg)
		if err == nil {
			err = src.Start(context.Background())
		}
		if err != nil {
			t.Error(err)
			return
		}
		r.src = src.(*Dev)
		f(r)
	})
}

// until reads until the clock shows end.
func (r *rig) until(end time.Duration) (all []drivers.Sample, last error) {
	for r.clock.Now() < end {
		n, next, err := r.src.Read(context.Background(), r.dst)
		all = append(all, r.dst[:n]...)
		if err != nil {
			last = err
		}
		_ = r.clock.SleepUntil(context.Background(), max(next, r.clock.Now()+time.Microsecond))
	}
	return all, last
}

func fast(name string, kv ...string) drivers.InputConfig {
	return in(name, append(kv, "rate", "860/s", "ready", rdy)...)
}

func TestReadyConformance(t *testing.T) {
	for name, cfg := range map[string]drivers.Config{
		"continuous": config(fast("ain0", "waveform", "yes")),
		"scan":       config(fast("ain0"), in("ain1", "rate", "250/s"), in("ain2-ain3", "range", "0.256 V")),
		"waveform":   config(fast("ain0", "waveform", "yes"), in("ain1", "rate", "860/s")),
	} {
		t.Run(name, func(t *testing.T) {
			drivertest.Run(t, drivertest.Subject{
				Driver: Driver(), Config: cfg, Stuck: drivers.BusStuck, Errno: syscall.EREMOTEIO, Near: 2 * jump,
				Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
					chip := emulated.NewADS1115(c)
					chip.Input = [4]func(time.Duration) float64{volts(1), volts(1.5), volts(0.6), volts(0.5)}
					b.AddI2C(at48, 0x48, chip)
					chip.WireReady(b.AddPin(rdy))
					return chip
				},
			})
		})
	}
}

// Settings word of a continuous conversion AIN0-AIN1, ±0.512 V, 860/s with the
// ready pin on: the example of chips.md section 1, computed from the SBAS444D
// field table. Thresholds by SBAS444, conversion ready pin: top bit of Hi_thresh
// 1, of Lo_thresh 0.
func TestReadyConfigWords(t *testing.T) {
	src, err := open(nil, clock.NewVirtual(time.Time{}, 0), config(fast("ain0-ain1", "range", "0.512 V")))
	if err != nil {
		t.Fatal(err)
	}
	d := src.(*Dev)
	if got := d.config(); got != 0x08E0 {
		t.Errorf("%04X, want 08E0", got)
	}
	if low, high := d.thresholds(); low>>15 != 0 || high>>15 != 1 {
		t.Errorf("thresholds %04X, %04X", low, high)
	}
}

// A ramp of 1 V/s tells when the chip converted. Stamped by its edge, a sample
// is right within one code (125 µs of ramp), whatever the chip's clock, and none
// is missed: SBAS444 allows the rate ±10 %.
func TestReadyStampsAndRate(t *testing.T) {
	for _, stretch := range []float64{0.9, 1, 1.1} {
		onLine(t, config(fast("ain0", "waveform", "yes")), func(a *emulated.ADS1115) {
			a.Stretch = stretch
			a.Input[0] = func(t time.Duration) float64 { return t.Seconds() }
		}, func(r *rig) {
			got, err := r.until(3 * time.Second)
			if err != nil {
				t.Error(err)
			}
			for _, s := range got {
				real := time.Duration(s.Raw * 125e-6 * 1e9)
				if d := s.At - real; d > 125*time.Microsecond || d < -125*time.Microsecond {
					t.Fatalf("stretch %v: stamped %v, converted at %v", stretch, s.At, real)
				}
			}
			if want := int(3 * 860 / stretch); len(got) < want-2 || len(got) > want+1 {
				t.Errorf("stretch %v: %d samples, want %d", stretch, len(got), want)
			}
		})
	}
}

// Each input of a scan gives its own voltage, at the sum of the nominal times.
func TestReadyScan(t *testing.T) {
	onLine(t, config(fast("ain0"), fast("ain1-ain3"), fast("ain0-ain1", "range", "0.256 V"), fast("ain2-ain3")), func(a *emulated.ADS1115) {
		a.Input = [4]func(time.Duration) float64{volts(0.1), volts(0.2), nil, volts(0.3)}
	}, func(r *rig) {
		got, err := r.until(time.Second)
		if err != nil {
			t.Error(err)
		}
		want := []float64{800, -800, -12800, -2400} // at 125 µV; 7.8125 µV for the third
		for i, s := range got {
			if int(s.Input) != i%4 || s.Raw != want[i%4] {
				t.Fatalf("sample %d: input %d code %v, want input %d code %v", i, s.Input, s.Raw, i%4, want[i%4])
			}
		}
		if len(got) < 820 {
			t.Errorf("%d samples in a second, want some 850", len(got))
		}
	})
}

// Edges that a spark makes on the line give no samples of their own.
func TestSparksOnTheLine(t *testing.T) {
	onLine(t, config(fast("ain0", "waveform", "yes")), func(a *emulated.ADS1115) { a.Input[0] = volts(1) }, func(r *rig) {
		count := 0
		for r.clock.Now() < time.Second {
			r.line.Spark()
			n, _, err := r.src.Read(context.Background(), r.dst)
			if err != nil {
				t.Error(err)
			}
			count += n
			_ = r.clock.SleepUntil(context.Background(), r.clock.Now()+100*time.Microsecond)
		}
		if count < 840 || count > 950 { // the gap that is let through is 0.8 conversions
			t.Errorf("%d samples in a second, want about 860", count)
		}
	})
}

// A chip that stops converting, or whose ready wire is off, is told within 10 ms
// with what to look at, passes no reading, and is back by itself.
func TestNoConversions(t *testing.T) {
	onLine(t, config(fast("ain0", "waveform", "yes")), func(a *emulated.ADS1115) { a.Input[0] = volts(1) }, func(r *rig) {
		if _, err := r.until(time.Second); err != nil {
			t.Error(err)
		}
		r.chip.SetFreeze(true)
		got, err := r.until(r.clock.Now() + 10*time.Millisecond)
		if !errors.Is(err, drivers.Transient) || !strings.Contains(drivers.HintOf(err), "ALERT/RDY") || !strings.Contains(err.Error(), rdy) {
			t.Errorf("error %v", err)
		}
		for _, s := range got[min(len(got), 1):] { // one may have ended before
			if s.Fault&drivers.Frozen == 0 {
				t.Errorf("%+v passes for a reading", s)
			}
		}
		r.chip.SetFreeze(false)
		if got, _ := r.until(r.clock.Now() + 100*time.Millisecond); len(got) < 70 || got[len(got)-1].Fault != 0 {
			t.Errorf("%d samples in 0.1 s after it", len(got))
		}
	})
}

func TestNoReadyLine(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		board.AddI2C(at48, 0x48, emulated.NewADS1115(c))
		src, err := open(board, c, config(fast("ain0")))
		if err != nil {
			t.Error(err)
			return
		}
		err = src.Start(context.Background())
		if !errors.Is(err, fs.ErrNotExist) || drivers.HintOf(err) == "" || !strings.Contains(err.Error(), rdy) {
			t.Errorf("without the line: %v", err)
		}
		chip := emulated.NewADS1115(c)
		board.AddI2C(at48, 0x48, chip)
		chip.WireReady(board.AddPin(rdy))
		if err := src.Start(context.Background()); err != nil {
			t.Errorf("with the line: %v", err)
		}
	})
	for _, cfg := range []drivers.Config{
		config(in("ain0", "ready", "two words")), config(in("ain0", "ready", "GPIO1"), in("ain1", "ready", "GPIO2")),
	} {
		if _, err := open(nil, nil, cfg); !errors.Is(err, drivers.BadConfig) {
			t.Errorf("%v: %v", cfg.Inputs, err)
		}
	}
}

// bare is a line without stamps, as another implementation of periph's
// interface may be.
type bare struct{ gpio.PinIO }

type barePorts struct{ *emulated.Board }

func (p barePorts) Pin(name string) (gpio.PinIO, error) {
	pin, err := p.Board.Pin(name)
	return bare{pin}, err
}

// Without stamps an edge counts from when it was found: at most a sixteenth of a
// conversion late.
func TestEdgesWithoutStamps(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewADS1115(c)
		chip.Input[0] = func(t time.Duration) float64 { return t.Seconds() }
		board := emulated.NewBoard(c)
		board.AddI2C(at48, 0x48, chip)
		chip.WireReady(board.AddPin(rdy))
		src, err := open(barePorts{board}, c, config(fast("ain0", "waveform", "yes")))
		if err != nil {
			t.Error(err)
			return
		}
		if err := src.Start(context.Background()); err != nil {
			t.Error(err)
		}
		r := &rig{T: t, clock: c, src: src.(*Dev), dst: make([]drivers.Sample, 512)}
		got, err := r.until(time.Second)
		if err != nil || len(got) < 850 {
			t.Errorf("%d samples, %v", len(got), err)
		}
		for _, s := range got {
			if d := s.At - time.Duration(s.Raw*125e-6*1e9); d > 250*time.Microsecond || d < -125*time.Microsecond {
				t.Fatalf("stamped %v late", d)
			}
		}
	})
}
