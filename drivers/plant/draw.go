package plant

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// Drawn is a bench with a tube and a person, drawn at random.
type Drawn struct {
	Config Config
	Glass  string // the kind, as a tube card writes it
	Habit  Habit  // how the person works without a plan
}

// Draw draws a bench that somebody might have: any bore from 8 to 20 mm, 0.4 to
// 2.5 m, the usual kinds of glass, coatings and electrodes, a pump new or worn,
// a manifold more or less tight, a cold or a hot shop, sensors fitted well or
// less well, a hand quick or slow, and all [Effects]. The same seed gives the
// same bench. Ranges are common practice, wide but sane.
func Draw(seed uint64) Drawn {
	r := rand.New(rand.NewPCG(seed, 0x64726177))
	in := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	d := Drawn{Config: Default()}
	d.Config.Seed = seed
	t, b := &d.Config.Tube, &d.Config.Bench
	d.Glass = drawTube(t, r, in)
	drawBench(b, in)
	if t.Length > 1.6 || t.Bore < 10e-3 && t.Length > 1.2 {
		b.OpenCircuit = in(12e3, 15e3) // nobody hangs a long tube on a small bombarder
	}
	d.Config.Effects = Effects{
		Sensor: in(-0.03, 0.03), Hottest: in(0.04, 0.08), Remount: in(0.004, 0.015), Wander: in(0.002, 0.006),
		GaugeScale: in(-0.04, 0.04),
	}
	d.Habit = HabitFor(*t, Careful, seed)
	d.Habit.Reaction = time.Duration(in(0.8, 2.5) * 1e9).Round(100 * time.Millisecond)
	return d
}

func drawTube(t *Tube, r *rand.Rand, in func(lo, hi float64) float64) (glass string) {
	t.Card = fmt.Sprintf("D-%04d", r.IntN(10000))
	// A card gives diameters to a tenth of a millimetre.
	tenth := func(m float64) float64 { return float64(int(m*1e4+0.5)) / 1e4 }
	t.Bore = tenth(in(8e-3, 20e-3))
	t.Outside = t.Bore + 2*tenth(in(0.9e-3, 1.3e-3))
	t.Length = float64(int(in(0.4, 2.5)*100)) / 100
	switch r.IntN(3) {
	case 0:
		glass, t.Density, t.HeatCap = "lead", 3050, 670 // physics.md 6.1
	case 1:
		glass, t.Density, t.HeatCap = "soda-lime", 2470, 820
	default:
		glass, t.Density, t.HeatCap = "borosilicate", 2230, 750
	}
	// What a table says of the glass and what this glass has is not the same.
	t.Density *= in(0.98, 1.02)
	t.HeatCap *= in(0.97, 1.06)
	t.Emissive = in(0.85, 0.92)
	t.Layers = in(4, 18)
	switch r.IntN(4) {
	case 0:
		t.Coating, t.Binder = "phosphor", in(0.05, 0.3)
	case 1:
		t.Coating, t.Binder = "phosphor-wet", in(0.2, 0.5)
	case 2:
		t.Coating, t.Binder = "coloured", in(0.01, 0.05)
	default:
		t.Coating, t.Binder = "clear", in(0.01, 0.05)
	}
	t.Gas = [...]string{"neon", "argon", "neon-argon"}[r.IntN(3)]
	t.Leak = in(0, 2e-7)

	ratings := []float64{0.024, 0.030, 0.060, 0.090}
	switch {
	case t.Outside < 12.5e-3:
		ratings = ratings[:2]
	case t.Outside < 16.5e-3:
		ratings = ratings[1:3]
	default:
		ratings = ratings[2:]
	}
	t.Rating = ratings[r.IntN(len(ratings))]
	// 13 cm² at 30 mA, 20 at 60, 27 at 90 (common practice).
	t.ShellArea = (6e-4 + 0.0233*t.Rating) * in(0.92, 1.08)
	t.ShellMass = 3 * t.ShellArea * in(0.9, 1.15)
	t.Carbonate = 7e-3 * t.ShellArea * in(0.8, 1.2)
	t.TubulationBore, t.TubulationLength = in(4e-3, 6e-3), in(0.06, 0.15)
	t.Fill = 135e-3 * Torr / t.Outside
	t.Target, t.Ceiling = 225, 275
	if t.Coating == "phosphor" || t.Coating == "phosphor-wet" {
		t.Target, t.Ceiling = 200, 245
	}
	return glass
}

func drawBench(b *Bench, in func(lo, hi float64) float64) {
	b.Manifold = in(0.3e-3, 0.9e-3)
	b.PumpSpeed = in(0.6e-3, 1.5e-3)
	b.PumpHalf = in(0.2, 0.4)
	b.Ultimate = in(0.1, 0.4) // tired oil: 3 micron
	b.OilMemory *= in(0.5, 1.3)
	b.Stopcock = in(3e-3, 8e-3)
	b.Leak *= in(0.2, 2)
	b.Outgassing *= in(0.5, 1.8)
	b.AirFlow = in(0.025, 0.06)
	b.GasFlow = in(0.035, 0.08)
	b.VentSpeed = in(0.15e-3, 0.35e-3)
	b.OpenCircuit = in(9e3, 15e3)
	b.Hold = in(0.58, 0.68)
	b.Strike = in(0.25, 0.4)
	b.Ambient = in(12, 32)
	b.Drift = in(0.3, 2)
	b.StillAir = in(6, 12)
	b.Fan = b.StillAir + in(10, 20)
	b.Efficient = in(0.65, 0.85)
	b.Lag = time.Duration(in(1.5, 5) * 1e9).Round(10 * time.Millisecond)
	b.Seating = in(0.91, 0.99)
	b.GaugeLag = time.Duration(in(0.04, 0.15) * 1e9)
	b.ZeroShift = in(-0.4, 0.4)
}
