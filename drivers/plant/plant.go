package plant

import (
	"math"
	"math/rand/v2"
	"sync"
	"time"
)

// slowTick is how often the slow part is computed: desorption,
// shells' chemistry, the operator.
const slowTick = 100 * time.Millisecond

// mostSpans bounds the memory of true phases.
const mostSpans = 20000

// Plant is a bench with a tube and a person at work. Its methods may be called
// from several goroutines.
type Plant struct {
	mu    sync.Mutex
	bench Bench
	tube  Tube
	op    Operator
	hands Controls
	fault Fault
	rng   *rand.Rand

	effects Effects
	loose   loose

	now   time.Duration
	step  time.Duration
	dt    float64 // step, s
	every int     // steps per slow tick
	tick  int

	gas   gas
	wall  wall
	arc   arc
	heat  heat
	torch torch
	wave  wave
	sens  sensors
	aged  aged

	truth []Span
}

// New returns a plant at time 0 with cfg's tube on the manifold, everything at
// atmosphere, and op at work. A nil op leaves everything as it is.
func New(cfg Config, op Operator) *Plant {
	if cfg.Step <= 0 {
		cfg.Step = 5 * time.Millisecond
	}
	if op == nil {
		op = Hands(func(time.Duration, Sight, *Controls) {})
	}
	p := &Plant{
		bench: cfg.Bench, op: op, step: cfg.Step, dt: cfg.Step.Seconds(),
		every:   max(1, int(slowTick/cfg.Step)),
		rng:     rand.New(rand.NewPCG(cfg.Seed, 0x706c616e74)),
		effects: cfg.Effects,
	}
	p.loose.start(cfg.Seed)
	p.hands.Phase = "idle"
	p.heat.ambient = cfg.Bench.Ambient
	p.gas.m[Air], p.gas.pm = Atmosphere, Atmosphere
	p.hang(cfg.Tube)
	p.wave.mains = cfg.Bench.Mains
	p.sens.start(p)
	p.truth = append(p.truth, Span{Phase: "idle", Card: cfg.Tube.Card})
	return p
}

// hang puts a new tube, full of room air, on the manifold.
func (p *Plant) hang(t Tube) {
	p.tube = t
	p.hands.Sealed, p.hands.Torch = false, false
	p.gas.hang(&p.bench, &t, p.heat.ambient)
	p.wall.hang(&t)
	p.arc = arc{}
	p.heat.hang(&t)
	p.loose.hang(&p.effects)
	p.torch.hang(&t, p.heat.ambient)
	p.aged.hang()
}

// Advance computes the plant up to bench time to. A time already passed does nothing.
func (p *Plant) Advance(to time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance(to)
}

func (p *Plant) advance(to time.Duration) {
	for p.now+p.step <= to {
		p.stepOnce()
	}
}

func (p *Plant) stepOnce() {
	if p.tick--; p.tick < 0 {
		p.tick = p.every - 1
		p.slow()
	}
	p.aged.step(p)
	p.arc.step(p)
	p.gas.step(p)
	p.heat.step(p)
	p.sens.step(p)
	p.now += p.step
}

// slow does what need not be done at each step, and lets the person look.
func (p *Plant) slow() {
	dt := p.dt * float64(p.every)
	p.heat.room(p)
	p.loose.slow(&p.effects, &p.fault, dt)
	p.wall.slow(p, dt)
	p.torch.slow(p, dt)
	p.arc.slow(p)
	p.aged.slow(p)
	p.wave.shape(p)
	p.op.Watch(p.now, p.see(), &p.hands)
	if t := p.hands.Hang; t != nil {
		p.hands.Hang = nil
		p.hang(*t)
	}
	last := &p.truth[len(p.truth)-1]
	if p.hands.Phase != last.Phase || p.tube.Card != last.Card {
		last.To = p.now
		if len(p.truth) == mostSpans { // a demo that runs for weeks
			p.truth = append(p.truth[:0], p.truth[mostSpans/2:]...)
			p.truth[len(p.truth)-1].To = p.now
		}
		p.truth = append(p.truth, Span{Phase: p.hands.Phase, From: p.now, Card: p.tube.Card})
	}
}

// see is what the person reads off the instruments and the tube.
func (p *Plant) see() Sight {
	s := Sight{
		Gauge: p.sens.indicated, Glass: p.sens.junction, Lit: p.arc.lit,
		Current: p.arc.shown, Ambient: p.heat.ambient,
	}
	if p.sens.pressure > 0.05*Torr { // the fine gauge is read where it can be
		s.Gauge = p.sens.pressure
	}
	if p.heat.shell > 560 { // Draper point and a bright shop, physics.md 7.1
		s.Shell = p.heat.shell + 12*p.rng.NormFloat64()
	}
	return s
}

// Truth is the true sequence of phases so far, of the last 500 runs or more.
func (p *Plant) Truth() []Span {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := append([]Span(nil), p.truth...)
	out[len(out)-1].To = p.now
	return out
}

// Now is how far the plant has been computed.
func (p *Plant) Now() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.now
}

// SetFault breaks or mends things.
func (p *Plant) SetFault(f Fault) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fault = f
}

// Fault is what is broken now.
func (p *Plant) Fault() Fault {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.fault
}

// State is the truth at [Plant.Now].
func (p *Plant) State() State {
	p.mu.Lock()
	defer p.mu.Unlock()
	share, _ := p.junction()
	s := State{
		At: p.now, ManifoldPressure: p.gas.pm, TubePressure: p.gas.pt,
		GasTemp: p.gas.temp - zeroCelsius, Wall: p.heat.wall, Shell: p.heat.shell,
		Sensed: p.heat.sensed, Hottest: p.heat.hottest, Seating: share,
		Junction: p.sens.junction, Ambient: p.heat.ambient,
		Lit: p.arc.lit, Current: p.arc.shown, Voltage: p.arc.volts, Field: p.arc.field,
		CathodeFall: p.arc.fall, Light: p.aged.relative, Water: p.wall.water(), Carbonate: p.wall.unconverted(),
		Hands: p.hands, Card: p.tube.Card, Phase: p.hands.Phase,
	}
	fm, ft := (p.heat.ambient+zeroCelsius)/reference, p.gas.temp/reference
	for i := range s.Tube {
		s.Manifold[i] = p.gas.m[i] * fm
		s.Tube[i] = p.gas.t[i] * ft
	}
	return s
}

// relax is the share of a gap closed in a step by a process of rate k dt.
func relax(x float64) float64 {
	if x < 0.02 {
		return x * (1 - x/2)
	}
	return 1 - math.Exp(-x)
}
