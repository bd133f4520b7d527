package bench_test

import (
	"context"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers/buzzer"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/registry"
	"tipoff/logger/alarm"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/tube"
)

// stormBench is the glass and a gauge, as a user would write it.
const stormBench = benchHead + `[[channel]]
name = "glass"
role = "glass"
driver = "max31856"
bus = "/dev/spidev0.0"
[channel.calibration]
kind = "thermocouple"
max_rate = "15 °C/s"
[[channel]]
name = "manifold"
role = "pressure"
driver = "ads1115"
bus = "/dev/i2c-1"
address = "0x48"
input = "ain0"
range = "4.096 V"
rate = "16/s"
[channel.calibration]
kind = "log-linear"
volts_at = "5.625 V"
pressure_at = "1 Torr"
slope = "1 V/decade"
divider = "3:1"
`

// The storm: how much of what goes over the wires is spoilt.
const (
	// Of the conversions below the ceiling, those that a spark lifts by 10 to
	// 30 °C; some come in pairs.
	stormSparks = 0.005
	stormFails  = 0.05 // of the transactions
	stormFlips  = 5e-4 // of the bits of each reply: one in 15 readings of a MAX31856 has one
)

// stormGlass is the glass of a day on which each round brings one overheat:
// heating, a long hold just below the ceiling, then over it in a step or a ramp,
// then cooling.
type stormGlass struct {
	ceiling float64
	round   time.Duration
	rng     *rand.Rand

	mu    sync.Mutex
	shown []time.Duration // of each round, end of the first conversion over the ceiling; 0 none
	over  time.Duration   // latest conversion over the ceiling
}

// truth is the temperature at t, °C.
func (g *stormGlass) truth(t time.Duration) float64 {
	n := int(t / g.round)
	s := (t % g.round).Seconds()
	// Each round is a bit different, so that overheats and samples do not beat.
	start := g.round.Seconds()*0.6 + math.Mod(float64(n)*7.318, 30)
	base := g.ceiling - 2 - float64(n%3)
	up := min(25+s*(1+float64(n%7)), base)
	switch d := s - start; {
	case d < 0:
		return up
	case d < 12 && n%2 == 0: // a step: the couple slips onto a hot spot
		return base + 8 + float64(n%11)
	case d < 12: // a ramp of 1 to 8 °C/s
		return min(base+d*(1+float64(n%8)), base+20)
	default:
		return max(25, base-3*(d-12))
	}
}

// span is the lowest and the highest true temperature of the last 600 ms: a
// conversion, its confirmation and a frame.
func (g *stormGlass) span(at time.Duration) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for d := time.Duration(0); d <= 600*time.Millisecond; d += 100 * time.Millisecond {
		x := g.truth(max(at-d, 0))
		low, high = min(low, x), max(high, x)
	}
	return low, high
}

// Hot is what the chip's thermocouple sees.
func (g *stormGlass) Hot(t time.Duration) float64 {
	x := g.truth(t) + 0.1*g.rng.NormFloat64()
	x = math.Round(x*128) / 128 // the chip's steps
	if x < g.ceiling && g.rng.Float64() < stormSparks {
		return x + 10 + 20*g.rng.Float64()
	}
	if x >= g.ceiling {
		g.mu.Lock()
		if n := int(t / g.round); g.shown[n] == 0 {
			g.shown[n] = t
		}
		g.over = t
		g.mu.Unlock()
	}
	return x
}

// raises collects when an alarm was raised, from the log.
type raises struct {
	slog.Handler
	clock clock.Clock
	at    map[string][]time.Duration
}

func (r *raises) Enabled(context.Context, slog.Level) bool { return true }

func (r *raises) Handle(_ context.Context, rec slog.Record) error {
	if rec.Level < slog.LevelWarn {
		return nil
	}
	rec.Attrs(func(a slog.Attr) bool {
		if a.Key == "alarm" || a.Key == "trouble" {
			r.at[a.Value.String()] = append(r.at[a.Value.String()], r.clock.Now())
		}
		return true
	})
	return nil
}

// A day in a storm: one transaction in twenty fails and bits of the replies turn
// over. No false alarm of an overheat may come, and each true one has to sound
// within 500 ms of the end of the first conversion that shows it.
func TestStorm(t *testing.T) {
	span, rounds := 24*time.Hour, 200
	if testing.Short() {
		span, rounds = 2*time.Hour, 16
	}
	cfg, err := config.Parse("bench.toml", []byte(stormBench), registry.All())
	if err != nil {
		t.Fatal(err)
	}
	c := clock.NewVirtual(time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC), 0)
	board := emulated.NewBoard(c)
	tc, gauge := emulated.NewMAX31856(c), emulated.NewADS1115(c)
	noise := rand.New(rand.NewPCG(7, 7))
	glass := &stormGlass{round: span / time.Duration(rounds), rng: noise, shown: make([]time.Duration, rounds+1)}
	tc.Hot = glass.Hot
	tc.Cold = func(time.Duration) float64 { return 27 + 0.02*noise.NormFloat64() }
	gauge.Input[0] = func(time.Duration) float64 { return 1.875 + 0.0005*noise.NormFloat64() } // 1 Torr
	board.AddSPI("/dev/spidev0.0", tc)
	board.AddI2C("/dev/i2c-1", 0x48, gauge)
	pin := board.AddPin("GPIO18")
	parts, err := bench.FromConfig(cfg, registry.All(), board, c)
	if err != nil {
		t.Fatal(err)
	}
	sounder, err := buzzer.Open(board, buzzer.Options{Line: "GPIO18"})
	if err != nil {
		t.Fatal(err)
	}
	log := &raises{clock: c, at: map[string][]time.Duration{}}
	var bn *bench.Bench
	var delays []time.Duration
	var heard, falseAlarms, silent, wrong, wrongLong, lost, frames int
	bn, err = bench.New(bench.Options{
		Clock: c, Name: "bench-1", Layout: parts.Layout, Devices: parts.Devices, Chains: parts.Chains,
		Outputs: []bench.Output{opened(sounder)}, Directory: t.TempDir(), Version: "test", Speed: 1, Patient: true, Log: slog.New(log),
		OnFrame: func(at time.Duration) {
			frames++
			if frames%9973 == 0 { // a spark now and then dips the supply as well
				tc.LoseConfig()
				gauge.LoseConfig()
			}
			v := bn.Snapshot().Frame.Of(parts.Layout, frame.Glass)
			switch low, high := glass.span(at); {
			case !v.Good():
				lost++
				wrong = 0
			case v.X < low-1 || v.X > high+1:
				if wrong++; wrong > 1 {
					wrongLong++
				}
			default:
				wrong = 0
			}
			got := log.at[alarm.GlassOverCeiling]
			if len(got) == heard {
				if at%(20*time.Second) == 0 {
					_ = bn.Acknowledge("")
				}
				return
			}
			heard = len(got)
			glass.mu.Lock()
			defer glass.mu.Unlock()
			n := int(at / glass.round)
			switch {
			case glass.shown[n] == 0 || at-glass.over > time.Second:
				falseAlarms++
				t.Logf("false alarm at %v: glass %.1f °C", at, glass.truth(at))
			default:
				delays = append(delays, at+20*time.Millisecond-glass.shown[n])
			}
			c.Go(func() { // the output's own beat
				_ = c.SleepUntil(context.Background(), at+20*time.Millisecond)
				if pin.Read() != gpio.High {
					silent++
				}
			})
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	glass.ceiling = envelope.Compute(tube.Card{}, false, envelope.Bench{}).Ceiling()
	tc.SetFailRate(stormFails, 1)
	gauge.SetFailRate(stormFails, 2)
	tc.SetFlipRate(stormFlips, 3)
	gauge.SetFlipRate(stormFlips, 4)
	if err := bn.Run(context.Background(), func(now time.Duration) bool { return now >= span }); err != nil {
		t.Fatal(err)
	}
	slices.Sort(delays)
	t.Logf("%d overheats sound; delay median %v, worst %v; %d of %d frames without glass; settings lost %d times",
		len(delays), delays[len(delays)/2], delays[len(delays)-1], lost, frames, len(log.at["device-restored"]))
	if falseAlarms > 0 {
		t.Errorf("%d false alarms", falseAlarms)
	}
	if len(delays) != rounds || slices.Contains(glass.shown[:rounds], 0) {
		t.Errorf("%d alarms for %d overheats", len(delays), rounds)
	}
	if worst := delays[len(delays)-1]; worst > 500*time.Millisecond {
		t.Errorf("an overheat sounds %v after the conversion that shows it; 500 ms are allowed", worst)
	}
	if silent > 0 {
		t.Errorf("the buzzer's line was low at %d alarms", silent)
	}
	if wrongLong > 0 {
		t.Errorf("a wrong value stood for more than one frame %d times", wrongLong)
	}
	if lost > frames/1000 {
		t.Errorf("%d of %d frames without a reading", lost, frames)
	}
}
