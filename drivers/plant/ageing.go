package plant

import (
	"math"
	"time"
)

// Numbers of a sealed tube on its own supply. The field is of the right order for
// neon at some Torr in bores of 8 to 20 mm; the rest is ours.
const (
	rareField  = 400.0  // V/m
	cleanUp    = 2400.0 // s at the electrode's rating in which impurity falls to 1/e
	impurity   = 0.25   // of the light, when it is tipped off
	fades      = 1e-3   // of the light an hour, for good
	brightness = 0.5    // of the photodiode's full scale, at the rating and clean
)

// aged is a sealed tube that burns on its own supply: its current, and the light
// that comes up as the discharge cleans the gas.
type aged struct {
	current  float64 // A rms
	dirt     float64 // share of the light that impurity takes
	burnt    float64 // s
	flicker  float64 // relative noise of the light: snaking, more while the gas is dirty
	wander   float64 // relative, of the supply
	gain     float64 // W into the glass
	relative float64 // light, part of the photodiode's full scale
}

func (a *aged) hang() { *a = aged{dirt: impurity} }

func (a *aged) step(p *Plant) {
	want := 0.0
	if p.hands.Sealed && p.hands.Run > 0 {
		want = p.hands.Run * (1 + a.wander)
	}
	a.current += (want - a.current) * relax(p.dt/0.05)
	if a.current < 1e-4 {
		a.current, a.gain, a.relative = 0, 0, 0
		return
	}
	x := a.current / p.tube.Rating
	a.burnt += p.dt
	a.dirt -= a.dirt * x * p.dt / cleanUp
	a.gain = p.bench.Efficient * rareField * a.current * p.tube.Length
	clean := (1 - a.dirt) * (1 - fades*a.burnt/3600)
	a.relative = min(1, brightness*math.Pow(x, 0.9)*clean*(1+a.flicker))
}

func (a *aged) slow(p *Plant) {
	if a.current == 0 {
		return // without a draw, so that a bench that ages nothing stays what it was
	}
	a.wander += -a.wander*0.001 + 0.0002*p.rng.NormFloat64()
	a.flicker += -a.flicker*0.2 + (0.002+0.08*a.dirt)*p.rng.NormFloat64()*0.6
}

// diode is the output of the photodiode's amplifier, V: 3 V at full scale.
func (p *Plant) diode() float64 { return max(0, 3*p.aged.relative+0.001*p.sens.noise()) }

// Ager is an [Operator] who processes no tube but burns one that is sealed already:
// Amps through it from From on until To, s of bench time, but not in between the
// moments of Out.
type Ager struct {
	Amps     float64
	From, To float64
	Out      [2]float64
}

// Watch implements [Operator].
func (a *Ager) Watch(at time.Duration, _ Sight, c *Controls) {
	s := at.Seconds()
	c.Sealed, c.Phase, c.Vent, c.Run = true, "age", 1, 0
	if s >= a.From && s < a.To && !(s >= a.Out[0] && s < a.Out[1]) {
		c.Run = a.Amps
	}
}
