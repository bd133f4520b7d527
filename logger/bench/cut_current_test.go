package bench

import (
	"context"
	"math"
	"testing"
	"time"

	"tipoff/calib/rms"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
	"tipoff/drivers/mcp3208"
)

// A phase-cut current on the pin of the chip's model, sampled by the driver as on a
// bench and taken by the meter: at 50 Hz each cycle is 80 samples, so that without
// the driver's stagger all edges have one place between two. Issue 3: 0.2 % for
// phase-cut waves at 4 kS/s; closed form of physics.md §3.2; of full scale, the uncut
// sine, each reading, and of the reading over 3 s. Without the stagger it is missed.
func TestCutCurrentThroughTheDriver(t *testing.T) {
	const bias, peak = 1.65, 1.3
	const noise = 3.3 / 4096 / 3.4641 // a code's rounding
	for _, c := range []struct {
		mains, hz float64
		stagger   string
	}{{50, 50, "yes"}, {60, 60, "yes"}, {50, 50.31, "yes"}, {50, 50, "no"}} {
		worst := 0.0
		for _, deg := range []float64{30, 60, 90, 120, 150} {
			a := deg * math.Pi / 180
			want := math.Hypot(peak*math.Sqrt((math.Pi-a+math.Sin(2*a)/2)/(2*math.Pi)), noise)
			m := rms.New(rms.Options{Mains: c.mains, Rate: 4000})
			single, long := 0.0, 0.0
			drivertest.OnClock(func(k *clock.Virtual) {
				chip := emulated.NewMCP3208(k, 3.3)
				chip.Input[0] = func(at time.Duration) float64 {
					x := math.Mod(2*math.Pi*(c.hz*at.Seconds()+0.013), 2*math.Pi)
					if math.Mod(x, math.Pi) < a {
						return bias
					}
					return bias + peak*math.Sin(x)
				}
				board := emulated.NewBoard(k)
				board.AddSPI("/dev/spidev0.1", chip)
				src, err := mcp3208.Driver().Open(board, k, drivers.Config{Bus: "/dev/spidev0.1", Mains: c.mains,
					Inputs: []drivers.InputConfig{{Input: "ch0", Options: map[string]string{"stagger": c.stagger}}}})
				if err != nil {
					t.Error(err)
					return
				}
				ctx := context.Background()
				if err := src.Start(ctx); err != nil {
					t.Error(err)
					return
				}
				info := src.Inputs()[0]
				dst := make([]drivers.Sample, 512)
				next, ms, n := 1500*time.Millisecond, 0.0, 0.0
				for n < 15 {
					got, then, err := src.Read(ctx, dst)
					if err != nil {
						t.Error(err)
						return
					}
					for _, s := range dst[:got] {
						m.Push(s.At, info.Scale*(s.Raw+info.Offset))
					}
					if k.Now() >= next {
						next += 200 * time.Millisecond
						r, ok := m.RMS200()
						if !ok {
							t.Errorf("no reading at %v", k.Now())
						}
						single = math.Max(single, math.Abs(r.RMS-want)/peak*math.Sqrt2)
						ms += r.RMS * r.RMS
						n++
					}
					_ = k.SleepUntil(ctx, then)
				}
				long = math.Abs(math.Sqrt(ms/n)/want - 1)
			})
			t.Logf("%g Hz, stagger %s, %g°: %.3f %% of full scale, over 3 s %.3f %% of the reading", c.hz, c.stagger, deg, 100*single, 100*long)
			worst = math.Max(worst, single)
			if c.stagger == "yes" && (single > 2e-3 || long > 2e-3) {
				t.Errorf("%g Hz, %g°: off by more than 0.2 %%", c.hz, deg)
			}
		}
		if c.stagger == "no" && worst < 2e-3 {
			t.Errorf("without the stagger %.3f %% at most: what is it for?", 100*worst)
		}
	}
}
