package learn

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

// shop is a bench drawn at random, on which tube after tube is processed.
type shop struct {
	bench   plant.Bench
	effects plant.Effects
	seed    uint64
	shells  bool   // an optical sensor looks at a shell: it reads from 560 °C on
	marks   bool   // somebody presses the page's button when the shells are first seen to glow, and marks the run as good
	greedy  int    // so many times in each main bombard a hand lets in air until the arc is lost
	until   string // the plant's phase at which nobody looks any more; "": the run's end
}

func openShop(seed uint64) *shop {
	d := plant.Draw(seed)
	s := &shop{bench: d.Config.Bench, effects: d.Config.Effects, seed: seed}
	s.bench.OpenCircuit = max(s.bench.OpenCircuit, 12e3) // the bench has to hold any tube of the shop
	return s
}

// shopOne are nine runs of the shop of seed 1, processed once.
var shopOne = sync.OnceValue(func() []*shopRun { return openShop(1).processAll(9, nil) })

// shopRun is a run as the logger has it.
type shopRun struct {
	record Record
	done   bool
	truth  []plant.Span
	lost   []float64 // pressures at which the arc went out by itself, Pa
	config plant.Config
}

// options of a run that goes wrong.
type broken struct {
	seating float64 // of the junction; 0: as the bench has it
	gauge   float64 // what the gauge shows over what it should; 0: right
	length  float64 // the card's length over the tube's; 0: right
}

// process runs tube n of the shop: its measures are drawn, the person works by
// habit.
func (s *shop) process(n int, br broken) *shopRun {
	d := plant.Draw(s.seed*1000 + uint64(n) + 1)
	cfg := d.Config
	cfg.Bench, cfg.Effects, cfg.Seed = s.bench, s.effects, s.seed*64+uint64(n)
	if br.seating > 0 {
		cfg.Bench.Seating = br.seating
	}
	t := &cfg.Tube
	r := rand.New(rand.NewPCG(s.seed, uint64(n)))
	h := plant.HabitFor(*t, plant.Careful, cfg.Seed)
	out := &shopRun{config: cfg}
	noisy := &instruments{shells: s.shells, op: plant.NewScript(h, cfg.Seed), r: r, gauge: 1, run: out, greedy: greedy{times: s.greedy}, marks: s.marks}
	if br.gauge > 0 {
		noisy.gauge = br.gauge
	}
	p := plant.New(cfg, noisy)
	for at := time.Duration(0); at < 45*time.Minute && !noisy.op.Done(); at += 500 * time.Millisecond {
		p.Advance(at)
		if s.until != "" && p.State().Phase == s.until {
			break
		}
	}
	out.done = noisy.op.Done()
	out.truth = p.Truth()
	out.lost = noisy.greedy.lost
	length := t.Length
	if br.length > 0 {
		length *= br.length
	}
	out.record.Run = fmt.Sprintf("2026-11-%02d-%03d", 1+n/40, 1+n%40)
	out.record.Card = tube.Card{Name: t.Card, Outside: t.Outside, Bore: t.Bore, Length: length, Glass: d.Glass, Coating: t.Coating, Gas: t.Gas,
		Electrode: tube.Electrode{Rating: t.Rating, ShellArea: t.ShellArea, ShellMass: t.ShellMass}}
	out.record.Room = math.NaN()
	out.record.Phases = phase.Smooth(out.record.Observations, phase.Options{})
	return out
}

// instruments are what the operator and the logger see.
type instruments struct {
	op    *plant.Script
	r     *rand.Rand
	gauge float64
	run   *shopRun

	shells bool
	marks  bool
	greedy greedy
}

func (i *instruments) Watch(at time.Duration, see plant.Sight, c *plant.Controls) {
	o := phase.Observation{At: at,
		Pressure: max(0.01, i.gauge*see.Gauge*(1+0.003*i.r.NormFloat64())+0.02*i.r.NormFloat64()),
		Glass:    see.Glass + 0.2*i.r.NormFloat64(), Current: see.Current * (1 + 0.01*i.r.NormFloat64())}
	i.run.record.Observations = append(i.run.record.Observations, o)
	if i.shells {
		shell := see.Shell
		if shell == 0 {
			shell = math.NaN()
		}
		i.run.record.Shells = append(i.run.record.Shells, shell)
	}
	if m := &i.run.record.Marks; i.marks && see.Shell > 0 && see.Lit && len(m.Glow) == 0 {
		late := 1 + 2*i.r.Float64() // s, until the button is pressed
		*m = Marks{Glow: []time.Duration{at + time.Duration(late*1e9)}, Good: true}
	}
	if !i.greedy.watch(at, see, c) {
		i.op.Watch(at, see, c)
	}
}
