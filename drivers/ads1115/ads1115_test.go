package ads1115

import (
	"context"
	"math"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

const at48 = "/dev/i2c-1"

func config(inputs ...drivers.InputConfig) drivers.Config {
	return drivers.Config{Driver: "ads1115", Bus: at48, Inputs: inputs, Mains: 50}
}

func in(name string, kv ...string) drivers.InputConfig {
	ic := drivers.InputConfig{Input: name, Options: map[string]string{}}
	for i := 0; i < len(kv); i += 2 {
		ic.Options[kv[i]] = kv[i+1]
	}
	return ic
}

func volts(v float64) func(time.Duration) float64 { return func(time.Duration) float64 { return v } }

func TestConformance(t *testing.T) {
	for name, cfg := range map[string]drivers.Config{
		"continuous": config(in("ain0")),
		"fast":       config(in("ain0", "rate", "860/s")),
		"scan":       config(in("ain0"), in("ain1", "rate", "250/s"), in("ain2-ain3", "range", "0.256 V")),
		"waveform":   config(in("ain0", "waveform", "yes", "rate", "860/s"), in("ain1", "rate", "860/s"), in("ain2", "rate", "475/s")),
	} {
		row := ""
		if len(cfg.Inputs) == 1 {
			row = "ads1115 with one input"
		}
		t.Run(name, func(t *testing.T) {
			drivertest.Run(t, drivertest.Subject{
				Driver: Driver(), Config: cfg, Row: row, Stuck: drivers.BusStuck, Errno: syscall.EREMOTEIO, Near: 2 * jump,
				Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
					chip := emulated.NewADS1115(c)
					chip.Input = [4]func(time.Duration) float64{volts(1), volts(1.5), volts(0.6), volts(0.5)}
					b.AddI2C(at48, 0x48, chip)
					return chip
				},
			})
		})
	}
}

// read gives the first count samples of a source on a chip prepared by set.
func read(t *testing.T, cfg drivers.Config, count int, set func(*emulated.ADS1115)) []drivers.Sample {
	t.Helper()
	var out []drivers.Sample
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewADS1115(c)
		set(chip)
		board := emulated.NewBoard(c)
		board.AddI2C(at48, 0x48, chip)
		src, err := open(board, c, cfg)
		if err != nil {
			t.Error(err)
			return
		}
		ctx := context.Background()
		if err := src.Start(ctx); err != nil {
			t.Error(err)
			return
		}
		dst := make([]drivers.Sample, 512)
		for len(out) < count && c.Now() < time.Minute {
			n, next, err := src.Read(ctx, dst)
			if err != nil {
				t.Error(err)
				return
			}
			out = append(out, dst[:n]...)
			_ = c.SleepUntil(ctx, next)
		}
	})
	if len(out) < count && !t.Failed() {
		t.Fatalf("%d samples, want %d", len(out), count)
	}
	return out
}

// Code rows of TI SBAS444 table "input signal versus ideal output code" and
// values computed by its rule (chips.md section 1).
func TestCodes(t *testing.T) {
	for _, row := range []struct {
		volts float64
		fsr   string
		code  int16
	}{
		{1.000, "4.096 V", 0x1F40},
		{1.500, "4.096 V", 0x2EE0},
		{3.300, "4.096 V", 0x6720},
		{0.500, "2.048 V", 0x1F40},
		{-0.500, "2.048 V", -0x1F40}, // E0C0h
		{0.100, "±0.256 V", 0x3200},
		{-0.100, "0.256 V", -0x3200}, // CE00h
		{5.000, "6.144 V", 0x682B},
		{4.096, "4.096 V", 0x7FFF},     // + full scale
		{-2.048, "2.048 V", -0x8000},   // - full scale
		{2.048 / 32768, "2.048 V", 1},  // + one step
		{-2.048 / 32768, "2.048V", -1}, // - one step: FFFFh
		{0, "2.048 V", 0},
	} {
		s := read(t, config(in("ain0-ain1", "range", row.fsr)), 1, func(a *emulated.ADS1115) {
			a.Supply = 5.5
			a.Input[0], a.Input[1] = volts(max(row.volts, 0)), volts(max(-row.volts, 0))
		})[0]
		if s.Raw != float64(row.code) {
			t.Errorf("%v V at %s: code %v, want %v", row.volts, row.fsr, s.Raw, row.code)
		}
		if rail := row.code == math.MaxInt16 || row.code == math.MinInt16; (s.Fault == drivers.Clipped) != rail {
			t.Errorf("%v V at %s: fault %v", row.volts, row.fsr, s.Fault)
		}
		if !math.IsNaN(s.Aux) {
			t.Errorf("Aux = %v, want NaN", s.Aux)
		}
	}
}

// Settings word of a continuous conversion AIN0-AIN1, ±0.512 V, 860/s, and of
// a single one AIN0-GND, ±4.096 V, 860/s with the comparator off (C3E3h): the
// examples of chips.md section 1, computed from the SBAS444D field table.
func TestConfigWords(t *testing.T) {
	for _, row := range []struct {
		cfg  drivers.Config
		want uint16
	}{
		{config(in("ain0-ain1", "range", "0.512 V", "rate", "860/s")), 0x08E0 | 3}, // comparator off here
		{config(in("ain0", "rate", "860/s", "waveform", "yes")), 0xC3E3 &^ 0x8000},
	} {
		src, err := open(nil, clock.NewVirtual(time.Time{}, 0), row.cfg)
		if err != nil {
			t.Fatal(err)
		}
		if got := src.(*Dev).config(); got != row.want {
			t.Errorf("%v: %04X, want %04X", row.cfg.Inputs, got, row.want)
		}
	}
}

// Each input of a scan gives its own voltage, so no conversion is mixed up.
func TestScanKeepsInputsApart(t *testing.T) {
	for _, stretch := range []float64{0.9, 1, 1.1} { // rate tolerance ±10 %
		got := read(t, config(in("ain0"), in("ain1"), in("ain3"), in("ain0-ain3")), 40, func(a *emulated.ADS1115) {
			a.Stretch = stretch
			a.Input = [4]func(time.Duration) float64{volts(0.1), volts(0.2), nil, volts(0.3)}
		})
		want := []float64{800, 1600, 2400, -1600} // at 125 µV
		for i, s := range got {
			if int(s.Input) != i%4 || s.Raw != want[i%4] {
				t.Fatalf("stretch %v, sample %d: input %d code %v, want input %d code %v", stretch, i, s.Input, s.Raw, i%4, want[i%4])
			}
		}
	}
}

// A ramp of 1 V/s tells the time at which the chip converted: the stamp must
// agree within the ±10 % of a conversion time that the data sheet leaves open
// (single-shot), or half a conversion time more (continuous).
func TestStamps(t *testing.T) {
	ramp := func(t time.Duration) float64 { return t.Seconds() }
	for name, row := range map[string]struct {
		cfg  drivers.Config
		tol  time.Duration
		step time.Duration // one code on the ramp
	}{
		"single":     {config(in("ain0"), in("ain1")), 781 * time.Microsecond, 125 * time.Microsecond},
		"waveform":   {config(in("ain0", "waveform", "yes", "rate", "860/s")), 117 * time.Microsecond, 125 * time.Microsecond},
		"continuous": {config(in("ain0")), 3907 * time.Microsecond, 125 * time.Microsecond},
	} {
		for _, stretch := range []float64{0.9, 1, 1.1} {
			tol := row.tol + row.step
			if name == "continuous" {
				tol = time.Duration(float64(row.tol)*1.2) + row.step
			}
			for _, s := range read(t, row.cfg, 100, func(a *emulated.ADS1115) { a.Stretch = stretch; a.Input[0] = ramp }) {
				if s.Input != 0 {
					continue
				}
				real := time.Duration(s.Raw * 125e-6 * 1e9)
				if d := s.At - real; d > tol || d < -tol {
					t.Fatalf("%s, stretch %v: stamped %v, converted at %v", name, stretch, s.At, real)
				}
			}
		}
	}
}

// Beside a waveform the slow inputs come about ten times a second each, and
// the waveform loses no more than those conversions.
func TestWaveformVisits(t *testing.T) {
	cfg := config(in("ain0", "waveform", "yes", "rate", "860/s"), in("ain1", "rate", "860/s"), in("ain2", "rate", "860/s"))
	got := read(t, cfg, 1500, func(*emulated.ADS1115) {})
	count := [3]int{}
	for _, s := range got {
		count[s.Input]++
	}
	seconds := (got[len(got)-1].At - got[0].At).Seconds()
	for i, c := range count[1:] {
		if r := float64(c) / seconds; r < 9 || r > 11 {
			t.Errorf("input %d: %.1f/s, want about 10/s", i+1, r)
		}
	}
	if r := float64(count[0]) / seconds; r < 700 {
		t.Errorf("waveform: %.0f/s, want 700/s or more", r)
	}
}

// A chip that never finishes is said to be frozen.
func TestNeverFinishes(t *testing.T) {
	got := read(t, config(in("ain0"), in("ain1")), 1, func(a *emulated.ADS1115) { a.Stretch = 50 })
	if got[0].Fault&drivers.Frozen == 0 {
		t.Errorf("fault %v, want %v", got[0].Fault, drivers.Frozen)
	}
}

// A bit turned over in a reply is asked again and reaches nobody, not even on a
// waveform, which is asked again only where it leaps further than of late.
func TestTurnedBits(t *testing.T) {
	sine := func(at time.Duration) float64 { return 1.6 + 0.8*math.Sin(2*math.Pi*50*at.Seconds()) }
	for name, cfg := range map[string]drivers.Config{
		"scan": config(in("ain0"), in("ain1")), "continuous": config(in("ain0")),
		"waveform": config(in("ain1", "waveform", "yes", "rate", "860/s")),
	} {
		s := subject(cfg)
		s.Place = func(b *emulated.Board, c clock.Clock) drivertest.Chip {
			chip := emulated.NewADS1115(c)
			chip.Input[0], chip.Input[1] = volts(1), sine
			b.AddI2C(at48, 0x48, chip)
			return chip
		}
		s.Disturbed(t, 5e-4, time.Minute, 3000, func(_ time.Duration, x drivers.Sample) {
			want, tol := 1.0, 2*jump*125e-6
			if cfg.Inputs[x.Input].Input == "ain1" {
				// The sample's time is known within some 0.2 ms; a turned bit
				// that the sine hides is below its largest step.
				want, tol = sine(x.At), 0.8
			}
			if v := x.Raw * 125e-6; math.Abs(v-want) > tol {
				t.Errorf("%s: %.3f V passes for %.3f V at %v", name, v, want, x.At)
			}
		})
	}
}

// A chip that stops converting repeats its last code whichever input it is asked
// for: it is told as frozen, on all inputs, until it says something else. Inputs
// that have the same voltage all along are not taken for it.
func TestFrozenScan(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewADS1115(c)
		chip.Input = [4]func(time.Duration) float64{volts(1), volts(1.5), volts(1.5), nil}
		board := emulated.NewBoard(c)
		board.AddI2C(at48, 0x48, chip)
		src, err := open(board, c, config(in("ain0"), in("ain1"), in("ain2")))
		if err != nil {
			t.Error(err)
			return
		}
		if err := src.Start(context.Background()); err != nil {
			t.Error(err)
		}
		dst := make([]drivers.Sample, 512)
		run := func(d time.Duration, each func(drivers.Sample)) {
			for end := c.Now() + d; c.Now() < end; {
				n, next, err := src.Read(context.Background(), dst)
				if err != nil {
					t.Error(err)
				}
				for _, s := range dst[:n] {
					each(s)
				}
				_ = c.SleepUntil(context.Background(), next)
			}
		}
		sound := func(s drivers.Sample) {
			if s.Fault != 0 {
				t.Errorf("%v from a sound chip", s.Fault)
			}
		}
		run(time.Second, sound)
		chip.SetFreeze(true)
		frozen := c.Now()
		seen := [3]bool{}
		run(time.Second, func(s drivers.Sample) {
			seen[s.Input] = seen[s.Input] || s.Fault&drivers.Frozen != 0
			if s.Fault&drivers.Frozen == 0 && s.At > frozen+100*time.Millisecond {
				t.Errorf("input %d at %v is not told", s.Input, s.At-frozen)
			}
		})
		if seen != [3]bool{true, true, true} {
			t.Errorf("told of inputs %v", seen)
		}
		chip.SetFreeze(false)
		run(100*time.Millisecond, func(drivers.Sample) {})
		run(time.Second, sound)
	})
}
