package mcp3208

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/big"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

const port = "/dev/spidev0.0"

func in(name string, kv ...string) drivers.InputConfig {
	ic := drivers.InputConfig{Input: name, Options: map[string]string{}}
	for i := 0; i < len(kv); i += 2 {
		ic.Options[kv[i]] = kv[i+1]
	}
	return ic
}

func config(inputs ...drivers.InputConfig) drivers.Config {
	return drivers.Config{Driver: "mcp3208", Bus: port, Inputs: inputs, Mains: 50}
}

func volts(v float64) func(time.Duration) float64 { return func(time.Duration) float64 { return v } }

func TestConformance(t *testing.T) {
	for name, cfg := range map[string]drivers.Config{
		"waveform": config(in("ch0")),
		"10 kS/s":  config(in("ch3", "rate", "10000/s"), in("ch1", "waveform", "no")),
		"slow":     config(in("ch5", "waveform", "no"), in("ch6", "waveform", "no")),
		"100/s":    config(in("ch0", "rate", "100/s")),
	} {
		t.Run(name, func(t *testing.T) {
			drivertest.Run(t, drivertest.Subject{
				Driver: Driver(), Config: cfg, Errno: syscall.EIO, Near: -1,
				Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
					chip := emulated.NewMCP3208(c, 3.3)
					for i := range chip.Input {
						chip.Input[i] = volts(1.65)
					}
					b.AddSPI(port, chip)
					return chip
				},
			})
		})
	}
}

// run reads for d and returns all samples.
func run(t *testing.T, cfg drivers.Config, d time.Duration, set func(*emulated.MCP3208)) (out []drivers.Sample) {
	t.Helper()
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewMCP3208(c, 3.3)
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
		for c.Now() < d {
			n, next, err := src.Read(ctx, dst)
			if err != nil {
				t.Error(err)
				return
			}
			out = append(out, dst[:n]...)
			_ = c.SleepUntil(ctx, next)
		}
	})
	if len(out) == 0 {
		t.Fatal("no samples")
	}
	return out
}

// A port that is open to a chip that did not identify itself is not read from.
func TestNotIdentified(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		board := emulated.NewBoard(c)
		board.AddSPI(port, constant(0x5A)) // another chip
		src, err := open(board, c, config(in("ch0")))
		if err != nil {
			t.Error(err)
			return
		}
		ctx := context.Background()
		if err := src.Start(ctx); !errors.Is(err, drivers.WrongDevice) {
			t.Errorf("Start: %v, want %v", err, drivers.WrongDevice)
		}
		n, _, err := src.Read(ctx, make([]drivers.Sample, 512))
		if n != 0 || !errors.Is(err, drivers.Transient) {
			t.Errorf("Read: %d samples, %v", n, err)
		}
		if err := src.Close(); err != nil {
			t.Error(err)
		}
	})
}

// Frames of single-ended channels (DS21298E figure 6-1; chips.md section 5), which
// the stagger moves by up to eight bits.
func TestFrames(t *testing.T) {
	for ch, want := range map[string][]byte{
		"ch0": {0x06, 0x00, 0x00, 0, 0}, "ch3": {0x06, 0xC0, 0x00, 0, 0}, "ch5": {0x07, 0x40, 0x00, 0, 0}, "ch7": {0x07, 0xC0, 0x00, 0, 0},
	} {
		for _, stagger := range []string{"no", "yes"} {
			src, err := open(nil, nil, config(in(ch, "stagger", stagger)))
			if err != nil {
				t.Fatal(err)
			}
			d := src.(*Dev)
			shifts := map[uint]bool{}
			for range 40 { // batches
				for _, k := range []int{7, d.waves - 7} {
					got := new(big.Int).SetBytes(d.packets[k].W)
					shift := uint(got.TrailingZeroBits()) - uint(new(big.Int).SetBytes(want).TrailingZeroBits())
					shifts[shift] = true
					if got.Rsh(got, shift); got.Cmp(new(big.Int).SetBytes(want)) != 0 || shift > 8 {
						t.Errorf("%s, stagger %s: % X, want % X", ch, stagger, d.packets[k].W, want)
					}
				}
				d.layOut(false)
			}
			if len(shifts) != map[string]int{"no": 1, "yes": 8}[stagger] {
				t.Errorf("%s, stagger %s: moved by %v", ch, stagger, shifts)
			}
		}
	}
}

// Codes by 4096 Vin/Vref, truncated (DS21298E section 4.1; from memory).
func TestCodes(t *testing.T) {
	for v, want := range map[float64]float64{1.000: 1241, 1.650: 2048, 3.299: 4094, 0: 0, 3.5: 4095, -0.1: 0} {
		s := run(t, config(in("ch3", "waveform", "no")), time.Millisecond, func(m *emulated.MCP3208) { m.Input[3] = volts(v) })[0]
		if s.Raw != want || (s.Fault == drivers.Clipped) != (want == 0 || want == 4095) {
			t.Errorf("%v V: code %v fault %v, want code %v", v, s.Raw, s.Fault, want)
		}
	}
}

// Every channel gives its own voltage.
func TestChannels(t *testing.T) {
	var ins []drivers.InputConfig
	for _, name := range describe().Inputs {
		ins = append(ins, in(name, "waveform", "no"))
	}
	got := run(t, config(ins...), time.Millisecond, func(m *emulated.MCP3208) {
		for i := range m.Input {
			m.Input[i] = volts(3.3*(float64(i)+0.5)/8 + 1e-4)
		}
	})
	for i, s := range got {
		if int(s.Input) != i || s.Raw != float64(i*512+256) {
			t.Errorf("sample %d: input %d, code %v", i, s.Input, s.Raw)
		}
	}
}

// A sine of 50 Hz: samples evenly spaced at the rate asked for, also across
// batches but for the stagger, with stamps that fit the wave, and so its RMS (closed
// form).
func TestWaveform(t *testing.T) {
	const amplitude, bias = 1.2, 1.65
	wave := func(t time.Duration) float64 { return bias + amplitude*math.Sin(2*math.Pi*50*t.Seconds()) }
	for _, c := range []struct {
		rate    float64
		text    string
		stagger string
		moved   int // parts of a spacing
	}{
		{1000, "1000/s", "yes", 0}, {4000, "4000/s", "yes", 96}, {10000, "10000/s", "yes", 96}, {15000, "15000/s", "yes", 64},
		{20000, "20000/s", "yes", 0}, {2500, "2500/s", "yes", 96},
		{1000, "1000/s", "no", 0}, {4000, "4000/s", "no", 0}, {20000, "20000/s", "no", 0},
	} {
		rate, text := c.rate, c.text+", stagger "+c.stagger
		got := run(t, config(in("ch0", "rate", c.text, "stagger", c.stagger)), 399*time.Millisecond, func(m *emulated.MCP3208) { m.Input[0] = wave })
		sum := 0.0
		moves := map[int]bool{}
		for i, s := range got {
			if i > 0 {
				d := (s.At - got[i-1].At).Seconds() * rate
				if block := int(rate / 100); c.moved != 0 && i%block == 0 {
					by := (d - 1) * float64(c.moved)
					if math.Abs(by-math.Round(by)) > 0.02 || d < 0.49 || d > 1.76 {
						t.Fatalf("%s: sample %d comes %.4f periods after the one before", text, i, d)
					}
					moves[int(math.Round(by))] = true
				} else if math.Abs(d-1) > 0.01 {
					t.Fatalf("%s: sample %d comes %.4f periods after the one before", text, i, d)
				}
			}
			v := (s.Raw + 0.5) * 3.3 / 4096
			if want := wave(s.At); math.Abs(v-want) > 3.3/4096 {
				t.Fatalf("%s: %v V stamped %v, the wave is at %v V", text, v, s.At, want)
			}
			sum += (v - bias) * (v - bias)
		}
		if len(moves) < c.moved/4 {
			t.Errorf("%s: moved by %v only", text, moves)
		}
		if n := float64(len(got)); math.Abs(n/0.4/rate-1) > 0.001 {
			t.Errorf("%s: %v samples in 0.4 s", text, n)
		}
		if rms := math.Sqrt(sum / float64(len(got))); math.Abs(rms/(amplitude/math.Sqrt2)-1) > 0.001 {
			t.Errorf("%s: RMS %v V, want %v V", text, rms, amplitude/math.Sqrt2)
		}
	}
}

// A batch fits one call of spidev: at most 511 transfers and 4096 bytes, with
// a clock that the chip bears (DS21298E: 10 kHz to 1 MHz at 2.7 V; from memory).
func TestLimits(t *testing.T) {
	for _, rate := range []string{"100/s", "333/s", "1000/s", "4000/s", "10000/s", "20000/s"} {
		ins := []drivers.InputConfig{in("ch0", "rate", rate)}
		for _, name := range describe().Inputs[1:] {
			ins = append(ins, in(name, "waveform", "no"))
		}
		src, err := open(nil, nil, config(ins...))
		if err != nil {
			t.Fatal(err)
		}
		d := src.(*Dev)
		if len(d.packets) > 511 || len(d.tx) > 4096 || d.hz < 10_000 || d.hz > maxClock {
			t.Errorf("%s: %d packets, %d bytes at %v Hz", rate, len(d.packets), len(d.tx), d.hz)
		}
	}
}

// One answer without its null bit is marked and holds no reading.
func TestFraming(t *testing.T) {
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewMCP3208(c, 3.3)
		chip.Input[0] = volts(1)
		board := emulated.NewBoard(c)
		board.AddSPI(port, chip)
		src, err := open(board, c, config(in("ch0")))
		if err != nil {
			t.Error(err)
			return
		}
		if err := src.Start(context.Background()); err != nil {
			t.Error(err)
		}
		chip.SetFlipRate(0.01, 1)
		dst := make([]drivers.Sample, 512)
		marked, total, wrong := 0, 0, 0
		for range 50 {
			n, _, err := src.Read(context.Background(), dst)
			if err != nil {
				t.Error(err)
			}
			for _, s := range dst[:n] {
				total++
				if s.Fault&drivers.Framing != 0 {
					marked++
				} else if d := s.Raw - 1241; d < -1 || d > 1 { // 1 V of 3.3 V is code 1241
					wrong++
				}
			}
		}
		// The null bit, eleven bits sent twice and five zeros: 1-0.99^28 of them.
		if marked < total/5 || marked > total*3/10 {
			t.Errorf("%d of %d marked, want about %d", marked, total, total*245/1000)
		}
		// Both copies of a bit turned over: 11 pairs of 0.01².
		if wrong > total/400 {
			t.Errorf("%d of %d wrong codes were not found", wrong, total)
		}
	})
}

// at10k is one channel at 10 kS/s.
func at10k() drivertest.Subject {
	return drivertest.Subject{Driver: Driver(), Config: config(in("ch0", "rate", "10000/s")), Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
		chip := emulated.NewMCP3208(c, 3.3)
		chip.Input[0] = volts(1)
		b.AddSPI(port, chip)
		return chip
	}}
}

// Issue 4: %core is at most 2.
func BenchmarkRead10kSps(b *testing.B) { at10k().Bench(b) }

// Issue 4: 10 kS/s on the emulated bus.
func TestSustains10k(t *testing.T) { at10k().Sustains(t, 9999, 10*time.Second) }

// Other inputs are converted between two samples of the waveform, which keeps its
// spacing: a gap of two would be taken for a missing sample.
func TestSlowBetween(t *testing.T) {
	for _, c := range []struct {
		rate, stagger string
		longest       float64 // spacings
	}{{"100/s", "yes", 1.01}, {"1000/s", "yes", 1.01}, {"4000/s", "no", 1.01}, {"4000/s", "yes", 1.51}, {"10000/s", "yes", 1.51}, {"15000/s", "no", 8.01}} {
		ins := []drivers.InputConfig{in("ch0", "rate", c.rate, "stagger", c.stagger)}
		for _, name := range describe().Inputs[1:] {
			ins = append(ins, in(name, "waveform", "no"))
		}
		got := run(t, config(ins...), time.Second, func(m *emulated.MCP3208) {
			for i := range m.Input {
				m.Input[i] = volts(3.3*(float64(i)+0.5)/8 + 1e-4)
			}
		})
		var rate, longest float64
		if _, err := fmt.Sscanf(c.rate, "%f/s", &rate); err != nil {
			t.Fatal(err)
		}
		var last time.Duration
		n := [8]int{}
		for i, s := range got {
			if s.Raw != float64(int(s.Input)*512+256) || s.Fault != 0 {
				t.Fatalf("%+v: sample %d: %+v", c, i, s)
			}
			if n[s.Input]++; s.Input == 0 {
				if n[0] > 1 {
					longest = math.Max(longest, (s.At-last).Seconds()*rate)
				}
				last = s.At
			}
		}
		if longest > c.longest || longest < 0.99 || math.Abs(float64(n[0])/rate-1) > 0.05 || n[1] < 9 || n[7] < 9 || n[7] > 11 {
			t.Errorf("%+v: samples %v, %.2f spacings at most", c, n, longest)
		}
	}
}
