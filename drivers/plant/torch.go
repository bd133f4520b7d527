package plant

import "math"

const (
	// flame is how far a hand torch brings the tubulation's glass in the end
	// and with what time constant, so that soda-lime (softening near 720 °C)
	// is soft after some ten seconds: our choice, of the right order (trade.md
	// §1 step 10: 10 to 30 s).
	flameHot = 980.0 // °C
	flameLag = 10.0  // s
	coolLag  = 25.0  // s, in air after the flame has gone
	// flameWidth is the length of tubulation that the flame heats, m.
	flameWidth = 20e-3
)

// torch is the place of the tubulation that is being melted shut. It is far
// from the discharge, so no bombarding has dried it: its surface gives off its
// water, and the gas in it thins and pushes into tube and manifold. Both are
// small: together some hundredths of a per cent of a fill.
type torch struct {
	temp float64       // °C
	wet  [bins]float64 // water on its surface, Pa·m³
	out  float64       // gas pushed out by the heat so far, as volume at rest, m³
	used bool
}

func (f *torch) hang(t *Tube, ambient float64) {
	*f = torch{temp: ambient}
	area := math.Pi * t.TubulationBore * flameWidth
	for i := range f.wet {
		f.wet[i] = t.Layers * monolayer * area / bins
	}
}

// slow heats or cools the place for dt seconds and moves the gas that comes of it.
func (f *torch) slow(p *Plant, dt float64) {
	h, g := &p.hands, &p.gas
	if h.Torch {
		f.used = true
		f.temp += (flameHot - f.temp) * relax(dt/flameLag)
	} else if f.used {
		f.temp += (p.heat.ambient - f.temp) * relax(dt/coolLag)
	}
	if !f.used {
		return
	}
	d := p.tube.TubulationBore
	room := math.Pi * d * d / 4 * flameWidth
	away := room * (1 - (p.heat.ambient+zeroCelsius)/(f.temp+zeroCelsius))
	moved := away - f.out
	f.out = away
	water := leave(&f.wet, 74e3, 3e3, f.temp+zeroCelsius, dt)
	// Half to each side; once shut, either side keeps its half of the place.
	for i := range g.m {
		g.m[i] *= 1 + moved/2/g.vm
		g.t[i] *= 1 + moved/2/g.vt
	}
	g.m[Water] += water / 2 / g.vm
	g.t[Water] += water / 2 / g.vt
}
