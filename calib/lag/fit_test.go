package lag

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// step is the closed form of a junction brought from 20 to 120 °C after 2 s.
func step(tau, sigma, dt, length float64, seed uint64) []Sample {
	r := rand.New(rand.NewPCG(seed, 1))
	var s []Sample
	for x := 0.0; x < length; x += dt {
		y := 20.0
		if x > 2 {
			y += 100 * (1 - math.Exp(-(x-2)/tau))
		}
		s = append(s, Sample{seconds(x), y + sigma*r.NormFloat64()})
	}
	return s
}

func TestFromStep(t *testing.T) {
	outside, all := 0, 0
	for _, tau := range []float64{0.5, 1.5, 3, 5} {
		got, u, err := FromStep(step(tau, 0, 0.1, 2+6*tau, 1))
		if err != nil || math.Abs(got-tau) > 1e-5 || u > 0.01 {
			t.Errorf("tau %g: %g ± %g, %v", tau, got, u, err)
		}
		for _, sigma := range []float64{0.1, 1} {
			for seed := range uint64(20) {
				got, u, err := FromStep(step(tau, sigma, 0.1, 2+6*tau, seed))
				all++
				if err != nil || math.Abs(got-tau) > 2*u {
					outside++
				}
				if math.Abs(got-tau) > 0.15*tau {
					t.Errorf("tau %g, noise %g: %g ± %g, %v", tau, sigma, got, u, err)
				}
			}
		}
	}
	t.Logf("%d of %d outside 2u", outside, all)
	if outside*8 > all {
		t.Errorf("%d of %d outside 2u", outside, all)
	}
}

func TestFromStepRefuses(t *testing.T) {
	good := step(3, 0.1, 0.1, 20, 1)
	with := func(change func(s []Sample) []Sample) []Sample {
		return change(append([]Sample(nil), good...))
	}
	ramp := make([]Sample, 300)
	for i := range ramp {
		ramp[i] = Sample{seconds(float64(i) * 0.1), 20 + 0.5*float64(i)}
	}
	for name, c := range map[string]struct {
		samples []Sample
		want    error
	}{
		"none": {nil, ErrFew},
		"few":  {good[:8], ErrFew},
		"small": {with(func(s []Sample) []Sample {
			for i := range s {
				s[i].T = 20 + (s[i].T-20)*0.05
			}
			return s
		}), ErrSmall},
		"unsettled": {step(5, 0.05, 0.1, 12, 1), ErrUnsettled},
		"NaN":       {with(func(s []Sample) []Sample { s[9].T = math.NaN(); return s }), ErrInput},
		"backwards": {with(func(s []Sample) []Sample { s[9].At = s[8].At; return s }), ErrInput},
		"ramp":      {ramp, ErrRange},
		"slow":      {step(90, 0, 1, 400, 1), ErrRange},
		"moved": {with(func(s []Sample) []Sample {
			for i := 60; i < 90; i++ {
				s[i].T -= 30
			}
			return s
		}), ErrShape},
	} {
		if tau, u, err := FromStep(c.samples); !errors.Is(err, c.want) {
			t.Errorf("%s: %g ± %g, %v; want %v", name, tau, u, err, c.want)
		}
	}
}

// bombard is a run: rest, two arcs and coolings. Heating follows
// rate·(1 - x/60 s), cooling 200 °C·exp(-x/120 s), both integrated in small
// steps with the closed form of the sensor.
//
// The arc is switched late tenths of the frame's interval after its beginning.
func bombard(tau, sigma float64, late int, change func(i int, s *RunSample)) []RunSample {
	r := rand.New(rand.NewPCG(11, 12))
	s := sensor{tau, 22, 22}
	var out []RunSample
	since := 0.0
	for i := range 1600 {
		on := false
		for k := range 10 {
			tenth := 10*i + k - late
			on = tenth >= 2000 && tenth < 6000 || tenth >= 10000 && tenth < 12000
			if tenth == 2000 || tenth == 6000 || tenth == 10000 || tenth == 12000 {
				since = 0
			}
			rate := -(s.wall - 22) / 120
			if on {
				rate = 4 * (1 - since/60)
			}
			s.run(rate, 0.01)
			since += 0.01
		}
		x := RunSample{At: time.Duration(i) * 100 * time.Millisecond, Junction: s.junction + sigma*r.NormFloat64()}
		if on {
			x.Current = 0.3 + 0.003*r.NormFloat64()
		}
		if change != nil {
			change(i, &x)
		}
		out = append(out, x)
	}
	return out
}

func TestFromRun(t *testing.T) {
	for _, tau := range []float64{1.5, 3, 5} {
		for i, sigma := range []float64{0.02, 0.02, 0.02, 0.1} {
			late := []int{5, 0, 9, 4}[i]
			got, u, each, err := FromRun(bombard(tau, sigma, late, nil))
			t.Logf("tau %g noise %g, switched after %d tenths: %.3f ± %.3f from %d", tau, sigma, late, got, u, len(each))
			if err != nil || len(each) < 3 || math.Abs(got-tau) > 2.5*u || u > 0.1*tau {
				t.Errorf("tau %g noise %g: %.3f ± %.3f from %d, %v", tau, sigma, got, u, len(each), err)
			}
		}
	}
}

func TestFromRunRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		change func(i int, s *RunSample)
		want   error
	}{
		"no current": {func(_ int, s *RunSample) { s.Current = 0 }, ErrTransitions},
		"unknown":    {func(_ int, s *RunSample) { s.Current = math.NaN() }, ErrTransitions},
		"unsteady":   {func(i int, s *RunSample) { s.Current *= 1 + 0.5*math.Sin(float64(i)/7) }, ErrTransitions},
		"off glass":  {func(_ int, s *RunSample) { s.Junction = 22 }, ErrTransitions},
		"no glass":   {func(_ int, s *RunSample) { s.Junction = math.NaN() }, ErrTransitions},
		"backwards":  {func(i int, s *RunSample) { s.At = time.Duration(i%7) * time.Second }, ErrInput},
	} {
		if tau, u, _, err := FromRun(bombard(3, 0.05, 5, c.change)); !errors.Is(err, c.want) {
			t.Errorf("%s: %g ± %g, %v; want %v", name, tau, u, err, c.want)
		}
	}
	if _, _, _, err := FromRun(nil); !errors.Is(err, ErrTransitions) {
		t.Errorf("no frames: %v", err)
	}
}
