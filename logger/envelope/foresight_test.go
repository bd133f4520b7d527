package envelope

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"tipoff/logger/phase"
)

// glassRun integrates the heat balance of the handbook (5) for a metre of tube:
// m c dT/dt = P − A [h (T − Ta) + ε σ (T⁴ − Ta⁴)], with numbers of its own.
func glassRun(mc, area, h float64, power func(t float64) float64, seconds, dt float64) []float64 {
	x := 22.0
	var out []float64
	const fine = 0.05
	every := int(dt/fine + 0.5)
	for i := range int(seconds / fine) {
		t := float64(i) * fine
		k, a := x+273.15, 295.15
		loss := area * (h*(x-22) + 0.87*5.67e-8*(k*k*k*k-a*a*a*a))
		x += fine * (power(t) - loss) / mc
		if i%every == 0 {
			out = append(out, x)
		}
	}
	return out
}

// levelling is the power that would hold the glass at x for good.
func levelling(area, h, x float64) float64 {
	k, a := x+273.15, 295.15
	return area * (h*(x-22) + 0.87*5.67e-8*(k*k*k*k-a*a*a*a))
}

func watch(f *Foresight, xs []float64, dt, noise float64, ceiling float64, rng *rand.Rand) (firstNear, crossed float64) {
	firstNear, crossed = math.NaN(), math.NaN()
	for i, x := range xs {
		t := float64(i) * dt
		f.Step(phase.Observation{At: time.Duration(t * float64(time.Second)), Glass: x + noise*rng.NormFloat64()}, Uncertainties{})
		if f.State().Near && math.IsNaN(firstNear) {
			firstNear = t
		}
		if x >= ceiling && math.IsNaN(crossed) {
			crossed = t
			break
		}
	}
	return firstNear, crossed
}

func TestForesightWarnsInTime(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	const mc, area = 116, 0.0471 // 15 mm, trade.md 9
	for _, dt := range []float64{0.1, 1} {
		for _, watts := range []float64{250, 300, 450, 600, 800} {
			for _, h := range []float64{6, 8, 12} {
				for _, known := range []bool{true, false} {
					env := Compute(neon15(), known, Bench{})
					xs := glassRun(mc, area, h, func(float64) float64 { return watts }, 600, dt)
					near, crossed := watch(NewForesight(env), xs, dt, 0.3, env.Ceiling(), rng)
					if math.IsNaN(crossed) {
						continue // this one levels off
					}
					ahead := crossed - near
					if !(ahead >= 5) {
						t.Errorf("%v W, h %v, dt %v s: warned %.1f s before the crossing", watts, h, dt, ahead)
					}
					if ahead > 40 {
						t.Errorf("%v W, h %v, dt %v s: warned as early as %.1f s", watts, h, dt, ahead)
					}
				}
			}
		}
	}
}

func TestForesightIsQuietWhenItLevelsOff(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	const mc, area = 116, 0.0471
	env := Compute(neon15(), true, Bench{})
	for _, dt := range []float64{0.1, 1} {
		for _, below := range []float64{8, 15, 30, 60} {
			for _, h := range []float64{6, 8, 12} {
				end := env.Ceiling() - below
				// Full power to 30 °C below the end, then what holds it there: the
				// operator draws the choke in.
				hold := levelling(area, h, end)
				full := glassRun(mc, area, h, func(float64) float64 { return 400 }, 400, 0.05)
				until := 0.0
				for i, x := range full {
					if x > end-30 {
						until = float64(i) * 0.05
						break
					}
				}
				xs := glassRun(mc, area, h, func(t float64) float64 {
					if t < until {
						return 400
					}
					return hold
				}, until+400, dt)
				if at, _ := watch(NewForesight(env), xs, dt, 0.2, env.Ceiling(), rng); at == at {
					t.Errorf("levels off %v °C below, h %v, dt %v: warned at %.1f s of %.1f", below, h, dt, at, until)
				}
			}
		}
	}
}

func TestForesightEdges(t *testing.T) {
	env := Compute(neon15(), true, Bench{})
	f := NewForesight(env)
	f.Step(phase.Observation{Glass: 300}, Uncertainties{})
	if s := f.State(); !s.Known || !s.Approach || !s.Near || s.In != 0 {
		t.Errorf("over the ceiling at the first reading: %+v", s)
	}
	f = NewForesight(env)
	for k := range 100 {
		f.Step(phase.Observation{At: time.Duration(k) * 100 * time.Millisecond, Glass: 200 - float64(k)*0.1}, Uncertainties{})
	}
	if s := f.State(); !s.Known || s.Approach || s.Near || math.Abs(s.Rate+1) > 1e-6 {
		t.Errorf("cooling: %+v", s)
	}
	f.Step(phase.Observation{At: 30 * time.Second, Glass: math.NaN()}, Uncertainties{})
	if s := f.State(); s.Known {
		t.Errorf("without a reading: %+v", s)
	}
	if g := NewForesight(&Envelope{}); g.ceiling == g.ceiling {
		t.Error("an empty envelope has a ceiling")
	}
	// Closed form: with T' = r exp(−k t), d = r (1 − exp(−k t))/k.
	near(t, "ahead", ahead(10*(1-math.Exp(-0.5))/0.1, 10, 0.1), 5, 1e-9)
	near(t, "ahead without loss", ahead(20, 4, 0), 5, 1e-9)
}
