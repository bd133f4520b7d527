package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"tipoff/calib/lag"
	"tipoff/drivers/plant"
	"tipoff/logger/envelope"
	"tipoff/logger/model"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// shop is a drawn bench with its tube, its logger and what that has learned.
type shop struct {
	seed   uint64
	drawn  plant.Drawn
	env    *envelope.Envelope
	params model.Params
}

// evening is what came of one tube.
type evening struct {
	chosen   *Chosen
	residual model.Residual
	findings []envelope.Finding
	segments []phase.Segment
	obs      []phase.Observation

	done                  bool
	ceiling               float64
	peak                  float64 // highest reading in bombard and shells and just after
	read, sensed, hottest float64 // highest, °C: as logged, under the sensor, anywhere
	carbonate             float64 // share not yet oxide
	shell                 float64
}

// outside names the limits that are outside, but for those that the operator
// has no hand in: the tightness of the bench.
func (e *evening) outside() (list []string) {
	for _, f := range e.findings {
		if f.Verdict == envelope.Outside && f.Limit.ID != envelope.RateOfRise {
			list = append(list, f.Limit.ID)
		}
	}
	return list
}

// beyond names the limits whose measured value is beyond the bound, whatever its
// uncertainty: sterner than the bench's own verdict.
func (e *evening) beyond() (list []string) {
	for _, f := range e.findings {
		if f.Verdict != envelope.NotKnown && f.Degree > 0 && f.Limit.ID != envelope.RateOfRise {
			list = append(list, f.Limit.ID)
		}
	}
	return list
}

func openShop(seed uint64) *shop {
	s := &shop{seed: seed, drawn: plant.Draw(seed)}
	t, b := &s.drawn.Config.Tube, &s.drawn.Config.Bench
	r := rand.New(rand.NewPCG(seed, 0x6f776e6572))
	card := tube.Card{
		Name: t.Card, Outside: t.Outside, Bore: t.Bore, Length: t.Length, Glass: s.drawn.Glass, Coating: t.Coating, Gas: t.Gas,
		Electrode: tube.Electrode{Rating: t.Rating},
	}
	if r.IntN(2) == 0 { // half the owners weigh and measure their electrodes
		card.Electrode.ShellArea, card.Electrode.ShellMass = t.ShellArea*(0.9+0.2*r.Float64()), t.ShellMass*(0.95+0.1*r.Float64())
	}
	s.env = envelope.Compute(card, true, envelope.Bench{Name: "drawn", OpenCircuit: b.OpenCircuit * (0.95 + 0.1*r.Float64())})
	bench := BenchOf(s.env.Bench)
	bench.LagCorrected = true
	s.params = model.Handbook(bench)
	return s
}

// process does one tube by the plan of what is known so far, logs and judges it,
// and learns from it.
func (s *shop) process(n int) (*evening, error) {
	e := &evening{}
	var err error
	e.chosen, err = Choose(s.env, &s.params, Options{})
	if err != nil {
		return nil, err
	}
	r := rand.New(rand.NewPCG(s.seed, uint64(n)))
	cfg := s.drawn.Config
	cfg.Seed = s.seed*16 + uint64(n)
	cfg.Tube.Layers *= 0.8 + 0.4*r.Float64() // no two tubes are alike
	cfg.Tube.ShellArea *= 0.98 + 0.04*r.Float64()
	cfg.Bench.Ultimate *= 1 + 0.03*float64(n)
	op := plant.NewFollower(recipe(&e.chosen.Plan, s.env), s.drawn.Habit, cfg.Seed)
	estimate, err := lag.New(3*time.Second, 300*time.Millisecond)
	if err != nil {
		return nil, err
	}
	offset := 1.2 * (2*rand.New(rand.NewPCG(s.seed, 0x6f6666)).Float64() - 1)
	// What is logged is what the operator sees, ten times a second.
	op.Instruments = func(at time.Duration, see *plant.Sight) {
		const noise = 0.2
		see.Gauge = see.Gauge*(1+0.003*r.NormFloat64()) + 0.02*r.NormFloat64()
		see.Current *= 1 + 0.01*r.NormFloat64()
		see.Glass = estimate.Step(at, see.Glass+offset+noise*r.NormFloat64(), noise*noise).Wall
		e.obs = append(e.obs, phase.Observation{At: at, Pressure: max(0.01, see.Gauge), Glass: see.Glass, Current: see.Current})
	}
	p := plant.New(cfg, op)
	for at := time.Duration(0); at < 35*time.Minute && !op.Done(); at += 500 * time.Millisecond {
		p.Advance(at)
		x := p.State()
		e.sensed, e.hottest, e.shell = max(e.sensed, x.Sensed), max(e.hottest, x.Hottest), max(e.shell, x.Shell)
		if x.Phase == "final-pump" {
			e.carbonate = x.Carbonate
		}
	}
	e.done = op.Done()
	s.judge(e)
	run := Series(fmt.Sprintf("%d-%d", s.seed, n), s.env.Card, nil, math.NaN(), e.obs, e.segments)
	next, res := model.Fit([]model.Series{run}, s.params)
	s.params, e.residual = next, res[0]
	return e, nil
}

func recipe(p *model.Plan, env *envelope.Envelope) plant.Recipe {
	seconds := func(s float64) time.Duration { return time.Duration(s * 1e9) }
	return plant.Recipe{
		AirDry: p.DryPressure, DryCurrent: p.DryCurrent, DryUntil: p.DryUntil, PumpOut: seconds(p.PumpOut),
		AirBombard: p.Pressure, BombardCurrent: p.Current, ShellsAt: p.ShellsAt,
		ShellPressure: p.ShellPressure, ShellCurrent: p.ShellCurrent,
		ShellHold: seconds(p.ShellHold), Glow: seconds(p.Glow), Reach: p.Reach, StopAt: p.StopAt,
		Flushes: 1, FlushTo: 5 * torr, FlushBelow: 85, FillBelow: 38, Fill: env.FillTarget,
	}
}

// judge does what the sheet does.
func (s *shop) judge(e *evening) {
	e.segments = phase.Smooth(e.obs, phase.Options{})
	c := envelope.NewChecker(s.env)
	cursor := phase.NewCursor(e.segments)
	for _, o := range e.obs {
		id := cursor.At(o.At)
		// A tied thermocouple, ±8 K, and wire of class 2; a gauge good to 4 %.
		c.Step(o, envelope.Uncertainties{Pressure: math.Hypot(0.023*o.Pressure, 0.1), Glass: 4.9, Current: 0.015 * o.Current}, id)
		switch id {
		case phase.Dry, phase.PumpOut, phase.Bombard, phase.Shells, phase.FinalPump:
			e.read = max(e.read, o.Glass)
			e.peak = e.read
		}
	}
	e.findings = c.Findings()
}

// proofSeed is the first of the proof's benches. Nothing was tuned on them; the
// benches of seeds below 1000 were used for that.
const proofSeed = 70001

// The proof of issue 5, item 7: of 100 benches drawn at random, an operator who
// follows the plans is inside the envelope by the third tube on at least 90, and
// no run after the first goes over the glass ceiling. The first tube goes by the
// handbook alone, each later one by what the bench's own runs have taught.
//
// Inside is the bench's own verdict: the recorded readings, the phases that the
// smoother finds in them, the checker, no limit outside (the rate of rise apart,
// in which the operator has no hand). The ceiling is held against the readings,
// against the true glass under the sensor, and against the true hottest place of the
// tube, of which no one has a reading. The margin for that (unseen) was tuned on the
// benches of seeds 501 to 530.
func TestAdviceBringsTubesInside(t *testing.T) {
	benches := 100
	if testing.Short() {
		benches = 12
	}
	runs := make([][]*evening, benches)
	work := make(chan int)
	var wait sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wait.Go(func() {
			for i := range work {
				s := openShop(proofSeed + uint64(i))
				for n := 1; n <= 3; n++ {
					e, err := s.process(n)
					if err != nil {
						t.Errorf("seed %d, tube %d: no plan: %v", s.seed, n, err)
						break
					}
					e.ceiling = s.env.Ceiling()
					runs[i] = append(runs[i], e)
				}
			}
		})
	}
	for i := range benches {
		work <- i
	}
	close(work)
	wait.Wait()
	report(t, runs)
}

func report(t *testing.T, runs [][]*evening) {
	var inside, stern, fit [3]int
	var over, hotter, undone, drawn, hits int
	for i, list := range runs {
		if len(list) < 3 {
			continue
		}
		seed := proofSeed + i
		for n, e := range list {
			out, beyond := e.outside(), e.beyond()
			if !e.done {
				out = append(out, "not finished")
			}
			if len(out) == 0 {
				inside[n]++
			} else {
				t.Logf("seed %d, tube %d: outside %s", seed, n+1, strings.Join(out, ", "))
			}
			if len(beyond) == 0 && e.done {
				stern[n]++
			}
			if e.residual.Used {
				fit[n]++
			}
			if n == 0 {
				continue
			}
			if e.read > e.ceiling || e.sensed > e.ceiling {
				over++
				t.Logf("seed %d, tube %d: over the ceiling of %.0f °C: read %.1f, true glass under the sensor %.1f", seed, n+1, e.ceiling, e.read, e.sensed)
			}
			if e.hottest > e.ceiling {
				hotter++
				t.Logf("seed %d, tube %d: hottest place %.1f °C over the ceiling of %.0f °C; read at most %.1f, wanted %.0f, stop at %.0f", seed, n+1,
					e.hottest-e.ceiling, e.ceiling, e.read, e.chosen.Plan.Reach, e.chosen.Plan.StopAt)
			}
			// How honest the model's 95 % are, on a bench that it does not describe.
			drawn++
			p := &e.chosen.Prediction
			of := func(o *model.Outcome) float64 { return o.Peak }
			if e.peak >= p.Quantile(0.025, of)-2*readingU && e.peak <= p.Quantile(0.975, of)+2*readingU {
				hits++
			}
		}
		if list[2].carbonate > 0.05 {
			undone++
			t.Logf("seed %d, tube 3: %.0f %% of the carbonate is left, shells %.0f °C", seed, 100*list[2].carbonate, list[2].shell)
		}
	}
	n := len(runs)
	t.Logf("%d benches; inside the envelope at tube 1, 2, 3: %v; every measured value within its bounds: %v; runs the model could follow: %v", n, inside, stern, fit)
	t.Logf("after the first tube, of %d runs: %d over the ceiling by reading or under the sensor, %d at the hottest place; peak inside the predicted 95 %%: %d", drawn, over, hotter, hits)
	t.Logf("third tubes with more than 5 %% of the carbonate left: %d", undone)
	if inside[2]*100 < 90*n {
		t.Errorf("inside by the third tube on %d of %d benches, wanted 90 %%", inside[2], n)
	}
	if over > 0 {
		t.Errorf("%d runs after the first went over the ceiling", over)
	}
	if hotter > 0 {
		t.Errorf("in %d runs after the first the hottest place went over the ceiling", hotter)
	}
	if hits*100 < 85*drawn {
		t.Errorf("the peak lay inside the predicted 95 %% in %d of %d runs", hits, drawn)
	}
}

// readingU is what a lag-corrected reading scatters by, °C.
const readingU = 1.0
