package plan

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
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
	series []model.Series
}

// evening is what came of one tube.
type evening struct {
	chosen   *Chosen
	residual model.Residual
	findings []envelope.Finding
	segments []phase.Segment
	obs      []phase.Observation

	done                  bool
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
	run := Series(fmt.Sprintf("%d-%d", s.seed, n), s.env.Card, math.NaN(), e.obs, e.segments)
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
	at := 0
	for _, o := range e.obs {
		for at+1 < len(e.segments) && o.At >= e.segments[at].To {
			at++
		}
		// A tied thermocouple, ±8 K, and wire of class 2; a gauge good to 4 %.
		c.Step(o, envelope.Uncertainties{Pressure: math.Hypot(0.023*o.Pressure, 0.1), Glass: 4.9, Current: 0.015 * o.Current}, e.segments[at].Phase)
		switch e.segments[at].Phase {
		case phase.Dry, phase.PumpOut, phase.Bombard, phase.Shells, phase.FinalPump:
			e.read = max(e.read, o.Glass)
		}
	}
	e.findings = c.Findings()
}

// TestTune prints shops; seeds below 1000 are for tuning.
func TestTune(t *testing.T) {
	from, err := strconv.ParseUint(os.Getenv("TUNE"), 10, 64)
	if err != nil {
		t.Skip("only with TUNE=first seed, N=number")
	}
	count, _ := strconv.ParseUint(os.Getenv("N"), 10, 64)
	good, over, stern, hot, carb := 0, 0, 0, 0, 0
	quiet := os.Getenv("Q") != ""
	nth := map[string]int{}
	print, println := fmt.Printf, fmt.Println
	if quiet {
		print, println = func(string, ...any) (int, error) { return 0, nil }, func(...any) (int, error) { return 0, nil }
	}
	for seed := from; seed < from+max(1, count); seed++ {
		s := openShop(seed)
		d := s.drawn.Config
		print("seed %d: OD %.1f bore %.1f L %.2f %s %s rating %.0f mA lag %v seat %.2f react %v OC %.0f\n", seed, d.Tube.Outside*1e3, d.Tube.Bore*1e3,
			d.Tube.Length, s.drawn.Glass, d.Tube.Coating, d.Tube.Rating*1e3, d.Bench.Lag, d.Bench.Seating, s.drawn.Habit.Reaction, d.Bench.OpenCircuit)
		for n := 1; n <= 3; n++ {
			e, err := s.process(n)
			if err != nil {
				println("   ", err, errors.Is(err, errLack))
				break
			}
			p := &e.chosen.Plan
			o := &e.chosen.Prediction.Best
			print("  %d conf %.2f dry %.2f/%.0f until %.0f; %.2f Torr %.0f mA to %.0f; %.2f Torr %.0f mA; reach %.0f stop %.0f | model peak %.0f rate %.1f main %.0f shells %.0f total %.0f shell %.0f\n", n, e.chosen.Confidence,
				p.DryPressure/torr, p.DryCurrent*1e3, p.DryUntil, p.Pressure/torr, p.Current*1e3, p.ShellsAt, p.ShellPressure/torr, p.ShellCurrent*1e3, p.Reach, p.StopAt, o.Peak, o.Rate, o.MainTime, o.ShellTime, o.Total, o.Shell)
			for _, d := range e.chosen.Doubts {
				print("      doubt %s %.2f", d.Limit, d.Share)
			}
			print("\n    done %v read %.0f sensed %.0f hottest %.0f carb %.2f shell %.0f | fit %d rms %.1f from %.1f used %v %s | outside %v\n", e.done, e.read, e.sensed, e.hottest, e.carbonate, e.shell,
				e.residual.Points, e.residual.RMS, e.residual.Before, e.residual.Used, e.residual.Why, e.outside())
			for _, f := range e.findings {
				if f.Verdict == envelope.Outside || os.Getenv("V") != "" {
					println("      ", f.Verdict, f.Text)
				}
			}
			if os.Getenv("V") != "" {
				for _, g := range e.segments {
					print("       %s %.1f", g.Phase, (g.To - g.From).Seconds())
				}
				println()
				for c := model.Constant(0); int(c) < model.NumConstants; c++ {
					print("       %s %.3g ±%.2f", model.Describe(c).ID, s.params.Value(c), s.params.Spread(c))
				}
				println()
			}
			if n > 1 {
				for _, x := range e.beyond() {
					nth[fmt.Sprint(n, x)]++
				}
			}
			if quiet && (len(e.outside()) > 0 || len(e.beyond()) > 0 || !e.done || n > 1 && e.sensed > s.env.Ceiling()) {
				fmt.Printf("seed %d run %d conf %.2f: done %v outside %v beyond %v; read %.0f sensed %.0f hottest %.0f carb %.2f ceil %.0f\n", seed, n, e.chosen.Confidence, e.done, e.outside(), e.beyond(), e.read, e.sensed, e.hottest, e.carbonate, s.env.Ceiling())
			}
			if n > 1 && e.hottest > s.env.Ceiling() {
				hot++
			}
			if n == 3 && e.carbonate > 0.05 {
				carb++
			}
			if n == 3 && len(e.beyond()) == 0 && e.done {
				stern++
			}
			if n > 1 && (e.read > s.env.Ceiling() || e.sensed > s.env.Ceiling()) {
				over++
			}
			if n == 3 && len(e.outside()) == 0 && e.done {
				good++
			}
		}
	}
	fmt.Printf("good %d stern %d over %d hottest over %d carbonate left %d of %d %v\n", good, stern, over, hot, carb, count, nth)
	_ = strings.Join
}
