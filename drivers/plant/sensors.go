package plant

import (
	"math"
	"time"
)

// sensors is the lag and seating of the sensors, before any chip.
type sensors struct {
	junction  float64 // °C
	pressure  float64 // Pa at the diaphragm, lagged
	indicated float64 // Pa, as the wide-range gauge shows it, lagged
	hash      uint64  // state of the cheap noise
}

func (s *sensors) start(p *Plant) {
	s.junction = p.heat.ambient
	s.pressure, s.indicated = Atmosphere, Atmosphere
	s.hash = p.rng.Uint64() | 1
}

// noise is cheap and roughly normal with deviation 1.
func (s *sensors) noise() float64 {
	s.hash ^= s.hash << 13
	s.hash ^= s.hash >> 7
	s.hash ^= s.hash << 17
	h := s.hash
	// Sum of four 16-bit uniforms: deviation sqrt(4/12).
	n := float64(h&0xffff+h>>16&0xffff+h>>32&0xffff+h>>48)/65536 - 2
	return n * 1.7320508
}

func (s *sensors) step(p *Plant) {
	b := &p.bench
	share, lag := p.junction()
	want := p.heat.ambient + share*(p.heat.sensed-p.heat.ambient)
	s.junction += (want - s.junction) * relax(p.dt/lag)

	g := &p.gas
	r := relax(p.dt / b.GaugeLag.Seconds())
	scale := 1 + p.effects.GaugeScale
	s.pressure += (scale*g.pm - s.pressure) * r
	ind := g.pm
	if b.GasFactor && g.pm < 1000 {
		ind = thermal(g, &p.tube)
	}
	s.indicated += (scale*ind - s.indicated) * r
}

// thermal is what a heat-conduction gauge set for air shows below 1 mbar:
// p_indicated = sum p/C (INFICON BCG450, physics.md 4.1). From 1 to 10 mbar it
// fades into a diaphragm that sees true pressure, as combined gauges do.
func thermal(g *gas, t *Tube) float64 {
	c := [NumSpecies]float64{1, 0.5, 0.95, 1.4}
	switch t.Gas {
	case "argon", "neon-argon":
		c[FillGas] = 1.7
	case "helium":
		c[FillGas] = 0.8
	case "krypton":
		c[FillGas] = 2.4
	case "xenon":
		c[FillGas] = 3
	}
	total, shown := 0.0, 0.0
	for i, x := range g.m {
		total += x
		shown += x / c[i]
	}
	shown *= g.pm / total
	if g.pm <= 100 {
		return shown
	}
	w := math.Log10(g.pm / 100)
	return shown*(1-w) + g.pm*w
}

// Divider is the ratio of the resistors between the gauges and the converter.
const Divider = 3.0

// wideVolts is the wide-range gauge's output: 1 V per decade, p = 10^(U-5.625)
// Torr, 0.5 % noise.
func (p *Plant) wideVolts() float64 {
	if p.fault.GaugeUnplugged {
		return 0
	}
	x := max(p.sens.indicated, 1e-3) * (1 + 0.005*p.sens.noise())
	return min(10, max(0, math.Log10(x/Torr)+5.625)) + p.spark(0.3)
}

// diaphragmVolts is the capacitance diaphragm gauge's output: 10 V at 20 Torr,
// with a small zero error, stopping a little above full scale.
func (p *Plant) diaphragmVolts() float64 {
	if p.fault.GaugeUnplugged {
		return 0
	}
	u := 10 * (p.sens.pressure + p.bench.ZeroShift) / (20 * Torr)
	return min(10.6, u) + 0.0008*p.sens.noise() + p.spark(0.3)
}

// spark is a hit by the bombarder on an analogue line: rare and large.
func (p *Plant) spark(size float64) float64 {
	if !p.fault.SparkNoise || !p.arc.lit {
		return 0
	}
	n := p.sens.noise()
	if n > -1.8 && n < 1.8 {
		return 0
	}
	return size * n
}

// coldJunction is the temperature of the terminals on the thermocouple board:
// the room, plus the board's own warmth.
func (p *Plant) coldJunction() float64 { return p.heat.ambient + 2.5 + 0.02*p.sens.noise() }

// at computes the plant up to t and reads a sensor.
func (p *Plant) at(t time.Duration, read func(*Plant) float64) float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.advance(t)
	return read(p)
}
