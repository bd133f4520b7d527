package phase

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A synthetic bench of plain exponentials, after the phase table of
// handbook.md. It is here so that the tracker is held against something
// simpler than the plant.
type synth struct {
	r     *rand.Rand
	dt    float64
	t     float64
	p     float64 // Pa
	g     float64 // °C
	noise float64
	obs   []Observation
	truth []Segment
}

const torr = 101325.0 / 760

func newSynth(seed uint64, dt float64) *synth {
	return &synth{r: rand.New(rand.NewPCG(seed, 7)), dt: dt, p: 101325, g: 22, noise: 0.01}
}

func (s *synth) u(a, b float64) float64 { return a + (b-a)*s.r.Float64() }

// run goes on for d seconds or until stop says so.
func (s *synth) run(ph ID, d float64, p func(p, dt float64) float64, heat, i float64, stop func() bool) {
	if n := len(s.truth); n == 0 || s.truth[n-1].Phase != ph {
		s.truth = append(s.truth, Segment{Phase: ph, From: seconds(s.t)})
	}
	end := s.t + d
	for s.t < end && (stop == nil || !stop()) {
		s.p = max(p(s.p, s.dt), 0.2)
		s.g += s.dt * (heat - (s.g-22)/150)
		cur := 0.002
		if i > 0 {
			cur = i * (1 + 0.01*s.r.NormFloat64())
		}
		s.obs = append(s.obs, Observation{At: seconds(s.t), Pressure: s.p * (1 + s.noise*s.r.NormFloat64()), Glass: s.g + 0.3*s.r.NormFloat64(), Current: cur + 0.001*s.r.NormFloat64()})
		s.t += s.dt
	}
	s.truth[len(s.truth)-1].To = seconds(s.t)
}

func pump(rate, base float64) func(p, dt float64) float64 {
	return func(p, dt float64) float64 { return base + (p-base)*math.Exp(-rate*dt) }
}

func let(rate float64) func(p, dt float64) float64 { // Pa/s
	return func(p, dt float64) float64 { return p + rate*dt }
}

func hold(p, dt float64) float64 { return p }

type habits struct {
	leak, dry, shells, cool bool
	flushes                 int
	lost                    bool
}

func (s *synth) evening(h habits) {
	base := s.u(0.3, 0.8)
	s.run(Idle, s.u(20, 60), hold, 0, 0, nil)
	rate := s.u(0.15, 0.5)
	s.run(Evacuate, 120, pump(rate, base), 0, 0, func() bool { return s.p < base*1.2 })
	s.run(Evacuate, s.u(5, 30), pump(rate, base), 0, 0, nil)
	if h.leak {
		s.run(LeakTest, s.u(30, 90), let(s.u(0.01, 0.05)), 0, 0, nil)
	}
	admit := func(torrs float64) {
		goal := torrs * torr
		s.run(AdmitAir, 60, let(s.u(60, 150)), 0, 0, func() bool { return s.p > goal })
		s.run(AdmitAir, s.u(1, 5), hold, 0, 0, nil)
	}
	arc := func(ph ID, d float64, to float64, q, heat, cur float64) {
		s.run(ph, d, let(q), heat, cur, func() bool { return s.g > to })
	}
	admit(s.u(2, 4))
	if h.dry {
		arc(Dry, 120, s.u(85, 110), 3, s.u(1.5, 3), s.u(0.15, 0.3))
		s.run(PumpOut, s.u(20, 60), pump(rate, base), 0, 0, nil)
		admit(s.u(1.5, 2.5))
	} else {
		arc(Dry, 120, 110, 2, s.u(2, 4), 0.3)
	}
	cur := s.u(0.25, 0.4)
	if h.lost {
		arc(Bombard, 120, 130, 1, 3, cur)
		s.run(Bombard, s.u(2, 6), hold, 0, 0, nil)
	}
	arc(Bombard, 200, s.u(210, 225), 0.2, s.u(2.5, 4), cur)
	if h.shells {
		goal := s.p * s.u(0.4, 0.6)
		s.run(Shells, s.u(20, 50), func(p, dt float64) float64 { return goal + (p-goal)*math.Exp(-0.4*dt) }, 1.3, cur*s.u(1.3, 1.6), nil)
	}
	s.run(FinalPump, 300, pump(rate, base), 0, 0, func() bool { return s.p < 1.33 })
	if h.cool {
		s.run(Cool, 600, pump(rate, base), 0, 0, func() bool { return s.g < 45+15*float64(min(1, h.flushes)) })
	}
	for k := range h.flushes {
		s.run(Flush, s.u(3, 6), let(5*torr/4), 0, 0, nil)
		s.run(Flush, s.u(2, 8), hold, 0, 0, nil)
		s.run(Flush, 20, pump(rate, base), 0, 0, nil)
		s.run(Flush, 100, pump(rate, base), 0, 0, func() bool { return s.p < 2 })
		if k == h.flushes-1 {
			s.run(Cool, s.u(5, 20), pump(rate, base), 0, 0, nil)
		}
	}
	goal := s.u(6, 14) * torr
	s.run(Fill, 120, let(s.u(100, 250)), 0, 0, func() bool { return s.p > goal })
	s.run(Fill, s.u(15, 30), hold, 0, 0, nil)
	s.p *= 0.97
	s.run(TipOff, s.u(20, 40), hold, 0, 0, nil)
	s.run(Vent, 60, let(s.u(8000, 20000)), 0, 0, func() bool { return s.p > 1e5 })
	s.p = 101325
	s.run(Idle, 60, hold, 0, 0, nil)
}

func varied(seed uint64) habits {
	r := rand.New(rand.NewPCG(seed, 99))
	b := func(p float64) bool { return r.Float64() < p }
	return habits{leak: b(0.6), dry: b(0.75), shells: b(0.85), cool: b(0.9), flushes: r.IntN(3), lost: b(0.3)}
}

// score sums up comparisons.
type score struct {
	n, ok     int
	agree     float64
	runs      int
	worst     float64
	worstSeed uint64
	missed    []string
}

func (s *score) add(seed uint64, truth, found []Segment, limit time.Duration) {
	a := Agreement(truth, found)
	s.runs++
	s.agree += a
	if s.runs == 1 || a < s.worst {
		s.worst, s.worstSeed = a, seed
	}
	for _, b := range Boundaries(truth, found, 30*time.Second) {
		s.n++
		if b.Found && b.Error.Abs() <= limit {
			s.ok++
			continue
		}
		s.missed = append(s.missed, fmt.Sprintf("seed %d: %v to %v at %.1f s: off by %v, found %v", seed, b.From, b.To, b.At.Seconds(), b.Error, b.Found))
	}
}

func (s *score) mean() float64  { return s.agree / float64(s.runs) }
func (s *score) share() float64 { return float64(s.ok) / float64(s.n) }

func (s *score) report(t *testing.T, name string) {
	t.Helper()
	t.Logf("%s: %d runs, boundaries %d of %d, agreement mean %.4f worst %.4f (seed %d)", name, s.runs, s.ok, s.n, s.mean(), s.worst, s.worstSeed)
	for _, m := range s.missed {
		t.Log(" ", m)
	}
}
