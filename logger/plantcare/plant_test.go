package plantcare

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/vacuum"
)

// played is a run of the plant as the bench sees it, until stop is the true
// phase; "" plays it to its end.
func played(cfg plant.Config, stop string) (stretches []Stretch, volume float64) {
	h := plant.HabitFor(cfg.Tube, plant.Careful, cfg.Seed)
	h.LeakTest = 90 * time.Second
	p := play(cfg, h, stop, 0.005)
	return p.stretches, cfg.Bench.Manifold + cfg.Tube.Volume()
}

// playing is what a run of the plant shows, and the truth.
type playing struct {
	stretches []Stretch
	obs       []phase.Observation
	segments  []phase.Segment
	amounts   []vacuum.Point // Pa m³ of gas in tube and manifold at 20 °C, s
}

// inflow is the true mean inflow of a stretch, Pa m³/s.
func (p *playing) inflow(from, to time.Duration) float64 {
	at := func(d time.Duration) float64 {
		return p.amounts[min(len(p.amounts)-1, max(0, int(d/(100*time.Millisecond))-1))].P
	}
	return (at(to) - at(from)) / (to - from).Seconds()
}

// play plays a run. fine is the relative noise of the gauge where gas is let in; it is
// 0.5 % below 100 Pa.
func play(cfg plant.Config, h plant.Habit, stop string, fine float64) *playing {
	op := plant.NewScript(h, cfg.Seed)
	p := plant.New(cfg, op)
	r := rand.New(rand.NewPCG(cfg.Seed, 11))
	var obs []phase.Observation
	var u []float64
	out := &playing{}
	const every = 100 * time.Millisecond
	gauge := plant.Atmosphere
	vm, vt := cfg.Bench.Manifold, cfg.Tube.Volume()
	for at := every; !op.Done() && at < 45*time.Minute; at += every {
		p.Advance(at)
		x := p.State()
		if stop != "" && x.Phase == stop {
			break
		}
		gauge += (x.ManifoldPressure - gauge) * (1 - math.Exp(-every.Seconds()/cfg.Bench.GaugeLag.Seconds()))
		noise := 0.005
		if gauge > 100 {
			noise = fine
		}
		seen := gauge * (1 + noise*r.NormFloat64())
		obs = append(obs, phase.Observation{At: at, Pressure: seen, Glass: x.Junction + 0.15*r.NormFloat64(),
			Current: math.Abs(0.002 + x.Current*(1+0.01*r.NormFloat64()))})
		u = append(u, 0.05*seen)
		amount := 0.0
		for i := range x.Manifold {
			amount += 293.15 * (x.Manifold[i]*vm/(x.Ambient+273.15) + x.Tube[i]*vt/(x.GasTemp+273.15))
		}
		out.amounts = append(out.amounts, vacuum.Point{T: at.Seconds(), P: amount})
	}
	segments := phase.Smooth(obs, phase.Options{})
	out.obs, out.segments = obs, segments
	volume := vacuum.Quantity{X: vm + vt, U: 0.05 * (vm + vt)}
	out.stretches = append(Examine(obs, u, segments, volume), Filled(obs, u, segments, vm, vt)...)
	return out
}

func lastRise(list []Stretch) *Stretch {
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].Rise != nil && list[i].Phase == phase.LeakTest {
			return &list[i]
		}
	}
	return nil
}

// A leak of the plant is told as one, with its rate within 20 % or two standard
// uncertainties of the truth, less what the walls give in addition.
func TestPlantLeak(t *testing.T) {
	for _, leak := range []float64{1e-5, 3e-5, 1e-4} {
		told := 0
		runs := 8
		if testing.Short() {
			runs = 2
		}
		for seed := range uint64(runs) {
			cfg := plant.Default()
			cfg.Seed, cfg.Bench.Leak = seed+1, leak
			list, _ := played(cfg, phase.AdmitAir.String())
			s := lastRise(list)
			if s == nil {
				t.Fatalf("leak %g, seed %d: no isolation was found", leak, seed)
			}
			r := s.Rise
			if r.Kind == vacuum.Leak || r.Kind == vacuum.Mixed {
				told++
			}
			if d := math.Abs(r.Leak.X - leak); d > 0.2*leak && d > 2*r.Leak.U {
				t.Errorf("leak %g, seed %d: %g ± %g", leak, seed, r.Leak.X, r.Leak.U)
			}
			if seed == 0 {
				t.Log(s.Sentence(math.NaN()))
			}
		}
		t.Logf("leak %.2g Torr L/s: told in %d of %d", TorrLitres(leak), told, runs)
		if told < runs-1 {
			t.Errorf("leak %g: told in %d of %d", leak, told, runs)
		}
	}
}

// Walls alone are not called a leak.
func TestPlantOutgassing(t *testing.T) {
	kinds := map[vacuum.Kind]int{}
	for _, more := range []float64{1, 10, 50} {
		for seed := range uint64(20) {
			if testing.Short() && seed >= 2 {
				break
			}
			cfg := plant.Default()
			cfg.Seed, cfg.Bench.Leak = seed+100, 0
			cfg.Bench.Outgassing *= more
			list, _ := played(cfg, phase.AdmitAir.String())
			s := lastRise(list)
			if s == nil {
				t.Fatalf("seed %d: no isolation was found", seed)
			}
			kinds[s.Rise.Kind]++
			if k := s.Rise.Kind; k == vacuum.Leak || k == vacuum.Mixed {
				t.Errorf("walls %g times, seed %d: %s", more, seed, s.Sentence(math.NaN()))
			}
			if seed == 0 {
				t.Log(s.Sentence(math.NaN()))
			}
		}
	}
	t.Log(kinds)
}

// A pump that loses 30 % of its speed over ten runs shows.
func TestPlantTrend(t *testing.T) {
	follow := func(lost float64) []Trend {
		var runs []Run
		for i := range 10 {
			cfg := plant.Default()
			cfg.Seed = uint64(i) + 1
			cfg.Bench.PumpSpeed *= 1 - lost*float64(i)/9
			list, _ := played(cfg, phase.AdmitAir.String())
			m := journal.Meta{ID: "r"}
			for k := range list {
				m.Vacuum = append(m.Vacuum, list[k].Entry(0))
			}
			runs = append(runs, Of(&m))
		}
		return Trends(runs)
	}
	worn, same := follow(0.3)[1], follow(0)[1]
	t.Logf("%.3f: %s", worn.Values, worn.Words)
	t.Logf("%.3f: %s", same.Values, same.Words)
	if !worn.Known || !worn.Fit.Certain || worn.Fit.Last > 0.8*worn.Fit.First {
		t.Errorf("30 %% less speed over ten runs: %+v", worn)
	}
	if same.Fit.Certain {
		t.Errorf("the same speed over ten runs: %+v", same)
	}
	if few := Trends(make([]Run, 3))[0]; few.Known {
		t.Errorf("a trend from three runs that tell nothing: %+v", few)
	}
}
