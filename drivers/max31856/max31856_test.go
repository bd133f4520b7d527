package max31856

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

const port = "/dev/spidev0.0"

func config(mains float64, kv ...string) drivers.Config {
	ic := drivers.InputConfig{Options: map[string]string{}}
	for i := 0; i < len(kv); i += 2 {
		ic.Options[kv[i]] = kv[i+1]
	}
	return drivers.Config{Driver: "max31856", Bus: port, Inputs: []drivers.InputConfig{ic}, Mains: mains}
}

func constant(v float64) func(time.Duration) float64 { return func(time.Duration) float64 { return v } }

func TestConformance(t *testing.T) {
	for name, cfg := range map[string]drivers.Config{
		"plain": config(50), "averaged": config(60, "average", "16", "type", "S"), "type B": config(60, "type", "B"),
	} {
		t.Run(name, func(t *testing.T) {
			drivertest.Run(t, drivertest.Subject{
				Driver: Driver(), Config: cfg, Stuck: drivers.NotPresent, Errno: syscall.EIO, Near: 2 * jump,
				Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
					chip := emulated.NewMAX31856(c)
					chip.Hot = constant(400)
					b.AddSPI(port, chip)
					return chip
				},
			})
		})
	}
}

// Rows of the MAX31856 data sheet's temperature formats (from memory; each
// computed again from the stated weights in chips.md section 3).
func TestCodes(t *testing.T) {
	file := func(ltc uint32, cj uint16) []byte {
		r := make([]byte, registers)
		r[regCJT], r[regCJT+1] = byte(cj>>8), byte(cj)
		r[regLTC], r[regLTC+1], r[regLTC+2] = byte(ltc>>16), byte(ltc>>8), byte(ltc)
		return r
	}
	for code, want := range map[uint32]float64{
		0x640000: 1600, 0x3E8000: 1000, 0x064F00: 100.9375, 0x019000: 25, 0x000100: 0.0625,
		0x000000: 0, 0xFFFF00: -0.0625, 0xFFF000: -1, 0xF06000: -250,
	} {
		if raw, _ := decode(file(code, 0)); raw/128 != want {
			t.Errorf("LTC %06X: %v °C, want %v", code, raw/128, want)
		}
	}
	for code, want := range map[uint16]float64{
		0x7FFC: 127.984375, 0x7F00: 127, 0x7D00: 125, 0x4000: 64, 0x1900: 25, 0x0080: 0.5,
		0x0004: 0.015625, 0xFF80: -0.5, 0xE700: -25, 0xC900: -55,
	} {
		if _, aux := decode(file(0, code)); aux/64 != want {
			t.Errorf("CJ %04X: %v °C, want %v", code, aux/64, want)
		}
	}
}

// run starts the driver on a chip prepared by set and returns the chip's
// registers and the first reading.
func run(t *testing.T, cfg drivers.Config, set func(*emulated.MAX31856)) (reg [16]byte, s drivers.Sample, at time.Duration) {
	t.Helper()
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewMAX31856(c)
		set(chip)
		board := emulated.NewBoard(c)
		board.AddSPI(port, chip)
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
		for c.Now() < time.Minute {
			n, next, err := src.Read(ctx, dst)
			if err != nil {
				t.Error(err)
				return
			}
			if n > 0 {
				reg, s, at = chip.Registers(), dst[0], c.Now()
				return
			}
			_ = c.SleepUntil(ctx, next)
		}
		t.Error("no reading in a minute")
	})
	return reg, s, at
}

// CR1 codes of the types and averages, CR0's filter bit: Adafruit_MAX31856.h
// and the data sheet's register description (chips.md section 3).
func TestSettings(t *testing.T) {
	for i, letter := range []string{"B", "E", "J", "K", "N", "R", "S", "T"} {
		reg, s, _ := run(t, config(50, "type", letter), func(m *emulated.MAX31856) { m.Hot = constant(300) })
		if reg[0] != 0x91 || reg[1] != byte(i) {
			t.Errorf("type %s at 50 Hz: CR0 %02X CR1 %02X, want 91 %02X", letter, reg[0], reg[1], i)
		}
		if s.Raw/128 != 300 || s.Aux/64 != 25 || s.Fault != 0 {
			t.Errorf("type %s: %v °C, %v °C, %v", letter, s.Raw/128, s.Aux/64, s.Fault)
		}
	}
	for i, avg := range []string{"1", "2", "4", "8", "16"} {
		reg, _, at := run(t, config(60, "average", avg), func(*emulated.MAX31856) {})
		if reg[0] != 0x90 || reg[1] != byte(i)<<4|3 {
			t.Errorf("average %s at 60 Hz: CR0 %02X CR1 %02X", avg, reg[0], reg[1])
		}
		// 82 ms and 33 ms for each further sample, 12.5 % slack (from memory).
		want := time.Duration((82 + 33.34*float64(int(1)<<i-1)) * 1.125 * 1e6)
		if d := at - want; d > time.Millisecond || d < -time.Millisecond {
			t.Errorf("average %s: first reading after %v, want %v", avg, at, want)
		}
	}
}

func TestFaults(t *testing.T) {
	for name, row := range map[string]struct {
		set  func(*emulated.MAX31856)
		want drivers.Fault
	}{
		"open":         {func(m *emulated.MAX31856) { m.SetOpen(true) }, drivers.OpenCircuit},
		"short":        {func(m *emulated.MAX31856) { m.SetShortVCC(true) }, drivers.InputVoltage},
		"too hot":      {func(m *emulated.MAX31856) { m.Hot = constant(1400) }, drivers.InputRange},
		"cold too hot": {func(m *emulated.MAX31856) { m.Cold = constant(126) }, drivers.ColdJunctionRange},
	} {
		if _, s, _ := run(t, config(50), row.set); s.Fault != row.want {
			t.Errorf("%s: %v, want %v", name, s.Fault, row.want)
		}
	}
}

// Status bits one by one (Adafruit_MAX31856.h).
func TestStatusBits(t *testing.T) {
	const limit = drivers.Threshold
	want := [8]drivers.Fault{
		drivers.OpenCircuit, drivers.InputVoltage, limit, limit, limit, limit, drivers.InputRange, drivers.ColdJunctionRange,
	}
	for bit, f := range want {
		if got := faults(1 << bit); got != f {
			t.Errorf("bit %d: %v, want %v", bit, got, f)
		}
	}
}

// On a ramp of 100 °C/s the stamp is right within half of the longest time
// between conversions.
func TestStamp(t *testing.T) {
	_, s, _ := run(t, config(50), func(m *emulated.MAX31856) {
		m.Hot = func(t time.Duration) float64 { return t.Seconds() * 100 }
	})
	real := time.Duration(s.Raw / 128 / 100 * 1e9)
	if d := s.At - real; d > 60*time.Millisecond || d < -60*time.Millisecond {
		t.Errorf("stamped %v, converted at %v", s.At, real)
	}
}

// Bits that turn over in one reply of a thousand reach nobody as a temperature
// that is more than the threshold off; a real step is told with the very first
// reading of it.
func TestTurnedBits(t *testing.T) {
	const step = 100 * time.Second
	hot := func(at time.Duration) float64 {
		if at < step {
			return 200
		}
		return 260
	}
	s := drivertest.Subject{Driver: Driver(), Config: config(50), Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
		chip := emulated.NewMAX31856(c)
		chip.Hot = hot
		b.AddSPI(port, chip)
		return chip
	}}
	s.Disturbed(t, 1e-3, 2*step, 1700, func(now time.Duration, x drivers.Sample) { // 2 x 100 s / 110 ms
		// The conversion may be older than the read.
		if want := hot(now) * 128; math.Abs(x.Raw-want) > jump && (now-step > 120*time.Millisecond || now < step) {
			t.Errorf("at %v: %v °C passes for %v °C", now, x.Raw/128, want/128)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	drivertest.Subject{Driver: Driver(), Config: config(50), Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
		chip := emulated.NewMAX31856(c)
		b.AddSPI(port, chip)
		return chip
	}}.Bench(b)
}
