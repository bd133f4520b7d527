package mcp9600

import (
	"context"
	"errors"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

const (
	port = "/dev/i2c-1"
	at   = 0x67
)

func config(kv ...string) drivers.Config {
	ic := drivers.InputConfig{Options: map[string]string{}}
	for i := 0; i < len(kv); i += 2 {
		ic.Options[kv[i]] = kv[i+1]
	}
	return drivers.Config{Driver: "mcp9600", Bus: port, Inputs: []drivers.InputConfig{ic}, Mains: 50}
}

func constant(v float64) func(time.Duration) float64 { return func(time.Duration) float64 { return v } }

func TestConformance(t *testing.T) {
	for name, cfg := range map[string]drivers.Config{
		"plain": config(), "fast": config("resolution", "12 bit", "cold_resolution", "0.25 °C"),
		"type S": config("type", "S", "filter", "2", "resolution", "18 bit"),
	} {
		t.Run(name, func(t *testing.T) {
			drivertest.Run(t, drivertest.Subject{
				Driver: Driver(), Config: cfg, Stuck: drivers.BusStuck, Errno: syscall.EREMOTEIO,
				Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
					chip := emulated.NewMCP9600(c)
					chip.Hot = constant(400)
					b.AddI2C(port, at, chip)
					return chip
				},
			})
		})
	}
}

// fake answers each register with fixed bytes.
type fake map[byte][]byte

func (f fake) Tx(w, r []byte) error {
	if len(w) > 1 && w[0] != regStatus {
		f[w[0]] = []byte{w[1]}
	}
	copy(r, f[w[0]])
	return nil
}

// Check values by the rule of DS20005426C, register 00h: upper x 16 + lower/16,
// less 4096 if negative (chips.md section 4).
func TestCodes(t *testing.T) {
	for code, want := range map[uint16]float64{
		0x0190: 25, 0x0FA0: 250, 0x0001: 0.0625, 0xFFFF: -0.0625, 0xFFF0: -1, 0xF060: -250, 0x4000: 1024,
	} {
		b := []byte{byte(code >> 8), byte(code)}
		s, err := first(t, fake{regID: {0x40, 0x10}, regStatus: {0x40}, regHot: b, regCold: {1, 0x90}}, config())
		if err != nil || s.Raw/16 != want || s.Aux/16 != 25 || s.Fault != 0 {
			t.Errorf("%04X: %v °C at %v °C, %v, %v; want %v °C", code, s.Raw/16, s.Aux/16, s.Fault, err, want)
		}
	}
}

// first gives the first sample, or the first error of Start or Read.
func first(t *testing.T, chip emulated.I2CChip, cfg drivers.Config) (s drivers.Sample, err error) {
	t.Helper()
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		board.AddI2C(port, at, chip)
		s, err = firstOn(t, board, c, cfg)
	})
	return s, err
}

func firstOn(t *testing.T, board *emulated.Board, c *clock.Virtual, cfg drivers.Config) (drivers.Sample, error) {
	src, err := open(board, c, cfg)
	if err != nil {
		t.Error(err)
		return drivers.Sample{}, err
	}
	ctx := context.Background()
	if err := src.Start(ctx); err != nil {
		return drivers.Sample{}, err
	}
	dst := make([]drivers.Sample, 512)
	for end := c.Now() + time.Minute; c.Now() < end; {
		n, next, err := src.Read(ctx, dst)
		if err != nil || n > 0 {
			return dst[0], err
		}
		_ = c.SleepUntil(ctx, max(next, c.Now()+time.Microsecond))
	}
	t.Error("no reading in a minute")
	return drivers.Sample{}, nil
}

// dead is a chip that answers until it is asked for a temperature, and FFh from
// then on: what a failed read looks like.
type dead struct {
	fake
	gone bool
}

func (d *dead) Tx(w, r []byte) error {
	d.gone = d.gone || w[0] == regHot
	if d.gone {
		for i := range r {
			r[i] = 0xFF
		}
		return nil
	}
	return d.fake.Tx(w, r)
}

func TestFFFFIsNotBelieved(t *testing.T) {
	chip := &dead{fake: fake{regID: {0x40, 0x10}, regStatus: {0x40}}}
	if s, err := first(t, chip, config()); !errors.Is(err, drivers.Transient) {
		t.Errorf("%v °C, %v; want %v", s.Raw/16, err, drivers.Transient)
	}
}

func TestIdentify(t *testing.T) {
	for id, want := range map[uint16]error{
		0x4010: nil, 0x4110: nil, 0x4011: nil, 0x4210: drivers.WrongDevice, 0x0000: drivers.WrongDevice, 0xFFFF: drivers.NotPresent,
	} {
		_, err := first(t, fake{regID: {byte(id >> 8), byte(id)}, regStatus: {0x40}, regHot: {1, 0}, regCold: {1, 0}}, config())
		if !errors.Is(err, want) {
			t.Errorf("ID %04X: %v, want %v", id, err, want)
		}
	}
}

// Codes of the type and filter fields: bit-field listing P2 of chips.md section 4.
func TestSettings(t *testing.T) {
	for i, letter := range []string{"K", "J", "T", "N", "S", "E", "B", "R"} {
		drivertest.OnClock(func(c *clock.Virtual) {
			chip := emulated.NewMCP9600(c)
			chip.Hot = constant(300)
			board := emulated.NewBoard(c)
			board.AddI2C(port, at, chip)
			s, err := firstOn(t, board, c, config("type", letter, "filter", "3", "resolution", "14 bit", "cold_resolution", "0.25 °C"))
			sensor, device := chip.Settings()
			if sensor != byte(i)<<4|3 || device != 0xC0 || err != nil {
				t.Errorf("type %s: registers %02X %02X, %v", letter, sensor, device, err)
			}
			if s.Raw/16 != 300 || s.Aux/16 != 25 || s.Fault != 0 {
				t.Errorf("type %s: %v °C, %v °C, %v", letter, s.Raw/16, s.Aux/16, s.Fault)
			}
		})
	}
}

func TestFaults(t *testing.T) {
	for name, row := range map[string]struct {
		is9601 bool
		set    func(*emulated.MCP9600)
		want   drivers.Fault
	}{
		"9600 open":    {false, func(m *emulated.MCP9600) { m.SetOpen(true) }, 0}, // it can not know
		"9600 too hot": {false, func(m *emulated.MCP9600) { m.Hot = constant(1400) }, drivers.InputRange},
		"9601 open":    {true, func(m *emulated.MCP9600) { m.SetOpen(true) }, drivers.OpenCircuit | drivers.InputRange},
		"9601 short":   {true, func(m *emulated.MCP9600) { m.SetShortGND(true) }, drivers.ShortToGround},
		"frozen":       {true, func(m *emulated.MCP9600) { m.SetFreeze(true) }, drivers.Frozen},
	} {
		drivertest.OnClock(func(c *clock.Virtual) {
			chip := emulated.NewMCP9600(c)
			if row.is9601 {
				chip = emulated.NewMCP9601(c)
			}
			row.set(chip)
			board := emulated.NewBoard(c)
			board.AddI2C(port, at, chip)
			if s, err := firstOn(t, board, c, config()); s.Fault != row.want || err != nil {
				t.Errorf("%s: %v, %v, want %v", name, s.Fault, err, row.want)
			}
		})
	}
}

// On a ramp of 100 °C/s the stamp is right within the time between two looks,
// whatever the tolerance of the chip's clock.
func TestStamp(t *testing.T) {
	for _, stretch := range []float64{0.9, 1, 1.2} {
		drivertest.OnClock(func(c *clock.Virtual) {
			chip := emulated.NewMCP9600(c)
			chip.Stretch = stretch
			chip.Hot = func(t time.Duration) float64 { return t.Seconds() * 100 }
			board := emulated.NewBoard(c)
			board.AddI2C(port, at, chip)
			src, _ := open(board, c, config())
			ctx := context.Background()
			if err := src.Start(ctx); err != nil {
				t.Error(err)
			}
			dst := make([]drivers.Sample, 512)
			count := 0
			for c.Now() < 5*time.Second {
				n, next, err := src.Read(ctx, dst)
				if err != nil {
					t.Error(err)
				}
				for _, s := range dst[:n] {
					count++
					real := time.Duration(s.Raw / 16 / 100 * 1e9)
					if d := s.At - real; d > 12*time.Millisecond || d < -12*time.Millisecond {
						t.Errorf("stretch %v: stamped %v, converted at %v", stretch, s.At, real)
					}
				}
				_ = c.SleepUntil(ctx, max(next, c.Now()+time.Microsecond))
			}
			if want := int(5 / 0.092 / stretch); count < want*93/100 || count > want {
				t.Errorf("stretch %v: %d readings, want %d", stretch, count, want)
			}
		})
	}
}

// With bits turning over at random no wrong temperature passes: two readings
// in a row must turn the same bit.
func TestFlippedBits(t *testing.T) {
	s := drivertest.Subject{Driver: Driver(), Config: config(), Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
		chip := emulated.NewMCP9600(c)
		chip.Hot = constant(200)
		b.AddI2C(port, at, chip)
		return chip
	}}
	s.Disturbed(t, 1e-3, 10*time.Minute, 5500, func(_ time.Duration, x drivers.Sample) {
		if x.Raw != 3200 {
			t.Errorf("%v °C passes for 200 °C", x.Raw/16)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	drivertest.Subject{Driver: Driver(), Config: config(), Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
		chip := emulated.NewMCP9600(c)
		b.AddI2C(port, at, chip)
		return chip
	}}.Bench(b)
}
