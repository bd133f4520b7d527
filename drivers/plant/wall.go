package plant

import "math"

const (
	bins = 7
	// Attempt rate. A single surface has 1e13/s; a molecule in a long tube
	// sticks many times on its way out, which acts like a slower surface (our
	// choice, so that water leaves between 50 and 200 °C as trade.md §2 says).
	attempt = 1e9
	// One monolayer, 1e19 molecules/m², as gas at 20 °C: n k T, Pa·m³ per m².
	monolayer = 1e19 * 1.380649e-23 * reference
	// 1 kg of BaCO3 as CO2 at 20 °C: R T / 0.19734 kg/mol, Pa·m³.
	carbonateGas = gasConstant * reference / 0.19734
	// Rate law of the carbonate in vacuum (order of magnitude; set so that a
	// shell at 950 °C is done in some tens of seconds, trade.md §4).
	carbonateRate   = 1.2e10
	carbonateEnergy = 250e3
)

// wall is what sits on glass and shells and leaves as gas.
type wall struct {
	wet     [bins]float64 // water bound with 74 to 92 kJ/mol, Pa·m³; what is bound weaker goes with the air
	dirt    [bins]float64 // binder and dirt, 92 to 113 kJ/mol
	bulk    float64       // water diffusing out of the glass, scale
	hot     float64       // s above 150 °C
	carb    [2]float64    // Ba and Sr carbonate left, Pa·m³
	allCarb float64
}

func (w *wall) hang(t *Tube) {
	*w = wall{}
	area := math.Pi * t.Bore * t.Length
	for i := range w.wet {
		w.wet[i] = t.Layers * monolayer * area / bins
		w.dirt[i] = t.Binder * area / bins
	}
	w.bulk = area
	w.allCarb = 2 * t.Carbonate * carbonateGas
	// By moles about 6 barium to 4 strontium, the usual double carbonate.
	w.carb = [2]float64{0.6 * w.allCarb, 0.4 * w.allCarb}
}

func (w *wall) water() float64 {
	s := 0.0
	for _, x := range w.wet {
		s += x
	}
	return s
}

func (w *wall) unconverted() float64 {
	if w.allCarb == 0 {
		return 0
	}
	return (w.carb[0] + w.carb[1]) / w.allCarb
}

// leave empties the bins by first-order desorption over dt at temperature t (K)
// and returns the amount that left.
func leave(b *[bins]float64, lowest, spacing, t, dt float64) float64 {
	out := 0.0
	for i := range b {
		if b[i] == 0 {
			continue
		}
		x := attempt * math.Exp(-(lowest+spacing*float64(i))/(gasConstant*t)) * dt
		q := b[i] * relax(x)
		b[i] -= q
		out += q
	}
	return out
}

// carbonateEquilibrium is the CO2 pressure over barium and strontium carbonate
// at t (K), Pa: BaCO3 measured by Basu and Searcy, SrCO3 from 298 K
// thermochemistry (physics.md 7.2).
func carbonateEquilibrium(t float64) (ba, sr float64) {
	const bar = 1e5
	return bar * math.Exp(146.6/gasConstant-252.1e3/(gasConstant*t)),
		bar * math.Exp(171.0/gasConstant-234.6e3/(gasConstant*t))
}

// slow lets gas leave wall and shells for dt seconds.
func (w *wall) slow(p *Plant, dt float64) {
	t := p.heat.wall + zeroCelsius
	water := 0.0
	// In room air the wall is in balance with the room's moisture; the balance
	// pressure rises with temperature (heat of adsorption about 50 kJ/mol).
	balance := humidity * Atmosphere * math.Exp(50e3/gasConstant*(1/reference-1/t))
	if free := 1 - 1.05*p.gas.t[Water]/balance; free > 0 {
		water = leave(&w.wet, 74e3, 3e3, t, dt*free)
	}
	dirt := leave(&w.dirt, 92e3, 3.5e3, t, dt)
	if p.heat.wall > 150 {
		w.hot += dt
	}
	if p.heat.wall > 100 {
		// Bulk water goes on with the square root of time (trade.md §2, R5);
		// the scale is ours: while hot about as much in a minute as the surface held.
		water += w.bulk * 6e3 * math.Exp(-45e3/(gasConstant*t)) / math.Sqrt(5+w.hot) * dt
	}
	carbon := 0.0
	if ts := p.heat.shell + zeroCelsius; ts > 800 {
		ba, sr := carbonateEquilibrium(ts)
		k := carbonateRate * math.Exp(-carbonateEnergy/(gasConstant*ts)) * dt
		// About half of the carbon oxides in the discharge is CO, which does
		// not push the reaction back.
		co2 := 0.5 * p.gas.t[Carbon] * p.gas.temp / reference
		for i, eq := range [2]float64{ba, sr} {
			q := w.carb[i] * relax(k*max(0, 1-co2/eq))
			w.carb[i] -= q
			carbon += q
		}
	}
	// Two thirds of burnt binder and dirt is carbon oxides, the rest water.
	p.gas.waterIn = (water + dirt/3) / dt
	p.gas.carbonIn = (carbon + dirt*2/3) / dt
}
