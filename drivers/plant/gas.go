package plant

import "math"

// Molar masses relative to air, as sqrt(28.97/M): water 18, CO2/CO mean 36, and
// the fill gases.
var lightness = [NumSpecies]float64{1, 1.269, 0.897, 1}

func molarMass(gas string) float64 {
	switch gas {
	case "helium":
		return 4.003
	case "argon":
		return 39.95
	case "krypton":
		return 83.8
	case "xenon":
		return 131.3
	case "neon-argon":
		return 25
	}
	return 20.18 // neon
}

// gas is the gas in manifold and tube. m and t are densities, given as the
// partial pressure that they would have at 20 °C.
type gas struct {
	m, t   [NumSpecies]float64
	vm, vt float64 // m³
	temp   float64 // K, mean of the tube's gas
	pm, pt float64 // Pa, true totals

	viscous   float64 // conductance per mean pressure, m³/(s Pa)
	molecular float64 // m³/s, air
	knudsen   float64 // Pa, mean free path equals the bore
	light     [NumSpecies]float64
	oil       float64 // Pa, what the oil adds to the pump's ultimate pressure
	airless   float64 // s since the manifold was last near atmosphere
	waterIn   float64 // Pa·m³/s from wall and shells, set each slow tick
	carbonIn  float64
}

// humidity is the share of water in the room's air (12 mbar, about 50 % at 21 °C).
const humidity = 0.012

func (g *gas) hang(b *Bench, t *Tube, ambient float64) {
	g.vm, g.vt = b.Manifold, t.Volume()
	g.temp = ambient + zeroCelsius
	d, l := t.TubulationBore, t.TubulationLength
	const viscosity, speed = 18.2e-6, 463.0 // air, 20 °C
	g.viscous = math.Pi * d * d * d * d / (128 * viscosity * l)
	g.molecular = math.Pi * d * d * d * speed / (12 * l)
	g.knudsen = 6.8e-3 / d // mean free path of air is 6.8 mm·Pa, physics.md 4.8
	g.light = lightness
	g.light[FillGas] = math.Sqrt(28.97 / molarMass(t.Gas))
	full := Atmosphere * reference / g.temp
	g.t = [NumSpecies]float64{Air: full * (1 - humidity), Water: full * humidity}
	g.waterIn, g.carbonIn = 0, 0
	g.pt = Atmosphere
}

func sum(x *[NumSpecies]float64) float64 { return x[0] + x[1] + x[2] + x[3] }

func (g *gas) step(p *Plant) {
	dt, b, h := p.dt, &p.bench, &p.hands
	fm := (p.heat.ambient + zeroCelsius) / reference

	// The lit gas is hot; it takes and loses heat in milliseconds.
	want := p.heat.wall + zeroCelsius
	if p.arc.lit {
		want += p.arc.heating
	}
	g.temp += (want - g.temp) * relax(dt/0.04)
	ft := g.temp / reference

	// Sources in the tube.
	g.t[Water] += g.waterIn * dt / g.vt
	g.t[Carbon] += g.carbonIn * dt / g.vt
	g.t[Air] += p.tube.Leak * dt / g.vt

	if !h.Sealed {
		g.exchange(dt, fm, ft)
	}

	// Manifold: leak, its own walls, valves.
	pm := sum(&g.m) * fm
	if pm > 0.1*Atmosphere {
		g.airless = 0
	} else {
		g.airless += dt
	}
	in := b.Leak
	if h.Air > 0 {
		in += h.Air * b.AirFlow
	}
	in *= max(0, 1-pm/Atmosphere)
	g.m[Air] += in * (1 - humidity) * dt / g.vm
	g.m[Water] += (in*humidity + b.Outgassing*60/(30+g.airless)*min(1, g.airless/5)) * dt / g.vm
	if h.Gas > 0 {
		g.m[FillGas] += h.Gas * b.GasFlow * dt / g.vm
	}
	if h.Vent > 0 {
		add := (Atmosphere*1.0005 - pm) / fm * relax(h.Vent*b.VentSpeed*dt/g.vm)
		g.m[Air] += add * (1 - humidity)
		g.m[Water] += add * humidity
	}
	if h.Main > 0 {
		g.pump(dt, b, h.Main, pm, fm)
	}
	// Oil takes up gas and vapour while there is much of it and gives it back later.
	load := b.OilMemory * min(pm, 2000)
	if h.Main == 0 {
		load = 0
	}
	if load > g.oil {
		g.oil += (load - g.oil) * dt / 12
	} else {
		g.oil += (load - g.oil) * dt / 22
	}
	g.pm, g.pt = sum(&g.m)*fm, sum(&g.t)*ft
}

// pump draws from the manifold for one step: p -> pu + (p - pu) exp(-S t/V).
func (g *gas) pump(dt float64, b *Bench, open, pm, fm float64) {
	s := b.PumpSpeed
	if b.PumpHalf > 0 {
		s *= pm / (pm + b.PumpHalf)
	}
	c := b.Stopcock * open * open
	s = s * c / (s + c)
	r := relax(s * dt / g.vm)
	// What the pump gives back is vapour of its oil and the water in it.
	rest := (b.Ultimate + g.oil) / fm / 2
	for i := range g.m {
		u := 0.0
		if Species(i) <= Water {
			u = rest
		}
		g.m[i] += (u - g.m[i]) * r
	}
}

// exchange moves gas through the tubulation for one step. Each part of the flow
// relaxes its own pressure difference exactly, so it is stable at any step.
func (g *gas) exchange(dt, fm, ft float64) {
	st, sm := sum(&g.t), sum(&g.m)
	pt, pm := st*ft, sm*fm
	mean := (pt + pm) / 2
	stiff := fm/g.vm + ft/g.vt // pressure difference removed per amount moved
	thin := g.knudsen / (mean + g.knudsen)

	// Flow as a whole, with the composition of the side it comes from:
	// viscous, and the slip part of the molecular term (Knudsen's 0.81).
	c := g.viscous*mean + 0.81*g.molecular*(1-thin)
	moved := (pt - pm) / stiff * relax(c*stiff*dt)
	if moved > 0 && st > 0 {
		f := moved / st
		for i := range g.t {
			q := f * g.t[i]
			g.t[i] -= q / g.vt
			g.m[i] += q / g.vm
		}
	} else if moved < 0 && sm > 0 {
		f := -moved / sm
		for i := range g.t {
			q := f * g.m[i]
			g.m[i] -= q / g.vm
			g.t[i] += q / g.vt
		}
	}
	// Each species by itself: molecular flow, which at higher pressure fades
	// into diffusion.
	for i := range g.t {
		q := (g.t[i]*ft - g.m[i]*fm) / stiff * relax(g.molecular*thin*g.light[i]*stiff*dt)
		g.t[i] -= q / g.vt
		g.m[i] += q / g.vm
	}
}
