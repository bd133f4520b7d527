package plantcare

import (
	"math"
	"strings"
	"testing"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/envelope"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
	"tipoff/logger/vacuum"
)

// A leak test that was cut short, to 14 s, still gives a bound: what comes in, a leak
// or none, is within twice the uncertainty, and a leak of ten times the usual limit is
// seen. Nothing was tuned on these seeds.
func TestPlantShortLeakTest(t *testing.T) {
	n, in, told := 0, 0, 0
	for seed := uint64(201); seed < 217; seed++ {
		if testing.Short() && seed > 203 {
			break
		}
		d := plant.Draw(seed)
		d.Config.Bench.Leak += [...]float64{0, 1e-5, 1e-4}[seed%3]
		d.Habit.LeakTest = 14 * time.Second
		p := play(d.Config, d.Habit, phase.AdmitAir.String(), 0.005)
		for i := range p.stretches {
			s := &p.stretches[i]
			if s.Rise == nil || s.Rise.Kind != Short {
				continue
			}
			n++
			q, truth := s.Rise.Total, p.inflow(s.From, s.To)
			if math.Abs(q.X-truth) <= 2*q.U {
				in++
			} else {
				t.Logf("seed %d: %.2g ± %.2g Pa m³/s, true %.2g", seed, q.X, 2*q.U, truth)
			}
			if text := s.Sentence(math.NaN()); !strings.Contains(text, "too short to tell a leak from walls; a leak above") {
				t.Error(text)
			}
			if seed%3 == 2 && s.Rise.Rate.X > 2*s.Rise.Rate.U {
				told++
			}
		}
	}
	t.Logf("%d short tests, %d within U, %d of the large leaks seen", n, in, told)
	if testing.Short() {
		return
	}
	if n < 12 || float64(in) < 0.9*float64(n) || told < 4 {
		t.Error("a short leak test says nothing, or what is not so")
	}
}

// Three short stretches that show 1.00 ± 0.20, 1.30 ± 0.20 and 0.70 ± 0.20 Pa/s are
// together 1.00 ± 0.20: by weight ± 0.115, widened by their scatter, the root of
// (2.25 + 2.25)/2 (Birge; JCGM 106 takes it from there).
func TestShortsTogether(t *testing.T) {
	var all []Stretch
	for i, x := range []float64{1, 1.3, 0.7} {
		r := vacuum.Rise{Kind: Short, To: 5, Rate: vacuum.Quantity{X: x, U: 0.2}}
		all = append(all, Stretch{Phase: phase.LeakTest, From: time.Duration(i) * time.Minute, To: time.Duration(i)*time.Minute + 5*time.Second, Rise: &r})
	}
	s, ok := shorts(all, vacuum.Quantity{X: 1e-3, U: 5e-5})
	want := math.Sqrt(2.25) * 0.2 / math.Sqrt(3)
	if !ok || s.Together != 3 || s.Rise.To != 15 || math.Abs(s.Rise.Rate.X-1) > 1e-12 || math.Abs(s.Rise.Rate.U-want) > 1e-12 {
		t.Errorf("%+v %+v", s, s.Rise)
	}
	if _, ok := shorts(all[:1], unknown); ok {
		t.Error("one is none together")
	}
	if text := s.Sentence(math.NaN()); !strings.HasPrefix(text, "The 3 stretches too short each, taken together: with the pump shut for only 15 s") {
		t.Error(text)
	}
}

// A tube that is never tested, with a leak of 4e-3 Torr L/s that its base pressure still
// hides, is outside by what the flush and the fill show.
func TestPlantUntestedGrossLeak(t *testing.T) {
	if testing.Short() {
		t.Skip("plays whole runs")
	}
	for _, leak := range []float64{0, 5e-4} {
		cfg := plant.Default()
		cfg.Seed = 5
		cfg.Bench.Leak += leak
		h := plant.HabitFor(cfg.Tube, plant.SkipsLeakTest, 5)
		p := play(cfg, h, "", 5e-4)
		card := tube.Card{Name: "PP-01", Outside: cfg.Tube.Outside, Bore: cfg.Tube.Bore, Length: cfg.Tube.Length, Glass: "soda-lime", Coating: "clear", Gas: "neon"}
		env := envelope.Compute(card, true, envelope.Bench{ManifoldVolume: cfg.Bench.Manifold, PumpSpeed: cfg.Bench.PumpSpeed})
		u := make([]envelope.Uncertainties, len(p.obs))
		for i := range u {
			u[i].Pressure = 0.003 * p.obs[i].Pressure
		}
		findings := envelope.Check(env, p.obs, u, p.segments).Findings()
		Judge(env, p.obs, u, p.segments, findings)
		for i := range findings {
			f := &findings[i]
			if f.Limit.ID != envelope.RateOfRise {
				continue
			}
			t.Log(f.Text)
			if leak == 0 && (f.Verdict != envelope.NotKnown || !strings.Contains(f.Text, "would have shown")) || leak > 0 && f.Verdict != envelope.Outside {
				t.Errorf("leak %g: %s", leak, f.Verdict)
			}
		}
	}
}
