package bench_test

import (
	"context"
	"os/exec"
	"runtime"
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
)

// BenchmarkBench computes bench time as fast as it can, all rooms included, the
// 4 kS/s waveform sampled in full through the driver and the chip's model.
// x-real-time is bench seconds per real second.
func BenchmarkBench(b *testing.B) {
	b.ReportAllocs()
	r := newRig(b, 1, nil)
	span := time.Duration(b.N) * 10 * time.Second
	b.ResetTimer()
	r.until(b, span, nil)
	b.ReportMetric(span.Seconds()/b.Elapsed().Seconds(), "x-real-time")
}

// hotTube is a bench.toml with the glass alone, as a user would write it.
const hotTube = benchHead + `[[channel]]
name = "glass"
role = "glass"
driver = "max31856"
bus = "/dev/spidev0.0"
[channel.calibration]
kind = "thermocouple"
`

// BenchmarkSampleToSound measures, in real time on the emulated bus with every
// core kept busy by other processes, from the transfer that brings the sample
// which first shows glass over the ceiling to the edge on the buzzer's line.
// The frame may wait one sampling interval (100 ms) for it: beyond-ms is what
// comes on top. from-conversion-ms counts from the end of the chip's conversion,
// which a chip without a ready line keeps for up to another interval.
func BenchmarkSampleToSound(b *testing.B) {
	ctx, stop := context.WithCancel(context.Background())
	for range runtime.NumCPU() {
		busy := exec.CommandContext(ctx, "sh", "-c", "while :; do :; done")
		if err := busy.Start(); err != nil {
			b.Fatal(err)
		}
		defer func() { _ = busy.Wait() }()
	}
	defer stop()
	var beyond, conversion []float64
	for range b.N {
		x, y := soundDelay(b)
		beyond = append(beyond, x.Seconds()*1e3)
		conversion = append(conversion, y.Seconds()*1e3)
	}
	slices.Sort(beyond)
	b.ReportMetric(beyond[len(beyond)-1], "worst-beyond-ms")
	b.ReportMetric(beyond[len(beyond)/2], "median-beyond-ms")
	b.ReportMetric(slices.Max(conversion), "worst-from-conversion-ms")
}

func soundDelay(b *testing.B) (beyond, fromConversion time.Duration) {
	cfg, err := config.Parse("bench.toml", []byte(hotTube), registry.All())
	if err != nil {
		b.Fatal(err)
	}
	c := clock.System{}
	board := emulated.NewBoard(c)
	chip := emulated.NewMAX31856(c)
	start := c.Now()
	const ceiling, rate = 250.0, 7.0   // °C without a card; °C/s, as fast as glass heats
	var crossed, fetched time.Duration // first conversion at or above the ceiling, and when it was fetched
	var mu sync.Mutex
	chip.Hot = func(at time.Duration) float64 {
		mu.Lock()
		defer mu.Unlock()
		hot := ceiling - 10 + rate*(at-start).Seconds()
		if hot >= ceiling && crossed == 0 {
			// The model computes a conversion when it is asked for it.
			crossed, fetched = at, c.Now()
		}
		return hot
	}
	chip.Cold = func(time.Duration) float64 { return 25 }
	board.AddSPI("/dev/spidev0.0", chip)
	rose := make(chan time.Duration, 16)
	board.AddPin("GPIO18").OnEdge = func(at time.Duration, l gpio.Level) {
		mu.Lock()
		over := crossed != 0
		mu.Unlock()
		if l == gpio.High && over {
			select {
			case rose <- at:
			default:
			}
		}
	}
	parts, err := bench.FromConfig(cfg, registry.All(), board, c)
	if err != nil {
		b.Fatal(err)
	}
	sounder, err := buzzer.Open(board, buzzer.Options{Line: "GPIO18"})
	if err != nil {
		b.Fatal(err)
	}
	var bn *bench.Bench
	bn, err = bench.New(bench.Options{
		Clock: c, Name: "bench-1", Layout: parts.Layout, Devices: parts.Devices, Chains: parts.Chains,
		Outputs: []bench.Output{opened(sounder)}, Directory: b.TempDir(), Version: "test", Speed: 1,
		// The warning ahead of the ceiling sounds first: acknowledge it, so that
		// the next edge is the alarm's.
		OnFrame: func(time.Duration) { _ = bn.Acknowledge(alarm.GlassNearingCeiling) },
	})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- bn.Run(ctx, nil) }()
	var at time.Duration
	select {
	case at = <-rose:
	case <-ctx.Done():
		b.Fatal("the buzzer stays silent")
	}
	cancel()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	return at - fetched - parts.Layout.Interval, at - crossed
}

// BenchmarkFirstFrame measures from the end of the first chip's first
// conversion to the first frame that holds a reading, on the computed clock.
func BenchmarkFirstFrame(b *testing.B) {
	var worst time.Duration
	for range b.N {
		var first time.Duration
		var r *rig
		r = newRig(b, 1, func(o *bench.Options) {
			o.OnFrame = func(at time.Duration) {
				s := r.bench.Snapshot()
				for i := range s.Layout.Channels {
					if first == 0 && s.Channels[i].Up {
						first = at - s.Channels[i].LastSample
					}
				}
			}
		})
		r.until(b, 2*time.Second, nil)
		if first == 0 {
			b.Fatal("no reading in two seconds")
		}
		worst = max(worst, first)
	}
	b.ReportMetric(worst.Seconds()*1e3, "worst-ms")
}
