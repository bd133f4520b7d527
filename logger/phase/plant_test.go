package phase

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"tipoff/drivers/plant"
)

// plantRun lets the plant process one tube and observes it with the errors of
// an ordinary bench: 0.5 % of the gauge, 0.3 K, 1 % of the current and a 2 mA
// offset.
func plantRun(seed uint64, every time.Duration) ([]Observation, []Segment) {
	r := rand.New(rand.NewPCG(seed, 5))
	cfg := plant.Default()
	cfg.Seed = seed
	b, t := &cfg.Bench, &cfg.Tube
	vary := func(x *float64, rel float64) { *x *= 1 + rel*(2*r.Float64()-1) }
	vary(&b.PumpSpeed, 0.4)
	vary(&b.Leak, 0.8)
	vary(&b.Outgassing, 0.6)
	vary(&b.AirFlow, 0.4)
	vary(&b.GasFlow, 0.4)
	vary(&b.VentSpeed, 0.4)
	vary(&b.Manifold, 0.3)
	t.Length *= 0.75 + 0.25*r.Float64()
	vary(&t.Layers, 0.6)
	vary(&t.Fill, 0.3)
	h := plant.HabitFor(*t, plant.Style(seed%uint64(plant.NumStyles)), seed)
	s := plant.NewScript(h, seed)
	p := plant.New(cfg, s)
	var obs []Observation
	for at := every; !s.Done() && at < 30*time.Minute; at += every {
		p.Advance(at)
		x := p.State()
		obs = append(obs, Observation{
			At:       at,
			Pressure: x.ManifoldPressure * (1 + 0.005*r.NormFloat64()),
			Glass:    x.Junction + 0.3*r.NormFloat64(),
			Current:  0.002 + x.Current*(1+0.01*r.NormFloat64()),
		})
	}
	var truth []Segment
	for _, s := range p.Truth() {
		id, ok := Named(s.Phase)
		if !ok {
			panic("plant has a phase of its own: " + s.Phase)
		}
		truth = append(truth, Segment{Phase: id, From: s.From, To: s.To})
	}
	return obs, truth
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

// Seeds 1 to 24 were used for setting the prices; these were not.
func TestPlantRuns(t *testing.T) {
	last := uint64(124)
	if testing.Short() {
		last = 106
	}
	var smooth, live score
	for seed := uint64(101); seed <= last; seed++ {
		obs, truth := plantRun(seed, 100*time.Millisecond)
		smooth.add(seed, truth, Smooth(obs, Options{}), 2*time.Second)
		live.add(seed, truth, track(obs, Options{}), 3*time.Second)
	}
	smooth.report(t, "smooth, 2 s")
	live.report(t, "tracker, 3 s")
	if smooth.share() < 0.95 || smooth.mean() < 0.97 {
		t.Errorf("smoother: %.3f of boundaries within 2 s, want 0.95; agreement %.4f, want 0.97", smooth.share(), smooth.mean())
	}
	if live.share() < 0.90 || live.mean() < 0.95 {
		t.Errorf("tracker: %.3f of boundaries within 3 s, want 0.90; agreement %.4f, want 0.95", live.share(), live.mean())
	}
}
