package plant

import "math"

// Relative to air: how strong a field the column needs in each gas. Air and
// rare gases after physics.md 5.3; water and carbon oxides are molecular gases
// that take electrons, set somewhat above air (our choice).
var stiffness = [NumSpecies]float64{1, 1.5, 1.2, 0.3}

const (
	// V/m in air with the density of 1 Torr at 20 °C, 12.8 mm bore, 0.3 A. The lit
	// gas is two to three times thinner than the gauge says, so this is a few
	// V/cm at a gauge's 1 Torr (handbook, marked b-).
	fieldAt   = 1200.0
	boreAt    = 12.8e-3
	currentAt = 0.3
	normal    = 269.0 // V, cathode fall of iron in air, physics.md 5.2
	// Normal current density of air on iron, A/m² at 1 Torr: 300 µA/cm².
	normalDensity = 3.0
	anodeFall     = 15.0
	// Share of the cathode fall's power that stays in the shell.
	intoShell = 0.85
)

// arc is the discharge and the bombarder.
type arc struct {
	lit     bool
	current float64 // A rms now
	shown   float64 // A rms as a meter averages it
	volts   float64
	field   float64 // V/m
	fall    float64
	heating float64 // K, gas above wall
	flutter float64 // relative noise of the current
	overdue float64 // s for which the supply could not hold the arc
	stiff   float64 // mean stiffness of the gas
	narrow  float64 // bore factor of the field
}

// breakdown is the Paschen voltage in air for a uniform gap, V peak; +Inf left
// of the curve. Constants 15 /(cm Torr), 365 V/(cm Torr), gamma 0.01 (physics.md 5.1).
func breakdown(torr, cm float64) float64 {
	pd := torr * cm
	den := math.Log(15*pd) - math.Log(math.Log(1+1/0.01))
	if den <= 0 {
		return math.Inf(1)
	}
	return 365 * pd / den
}

// column is the field of the positive column, V/m: less than linear in density
// because the gas heats and thins, higher in a narrow bore, falling slightly
// with current (handbook, item 4).
func (a *arc) column(torr, amps float64) float64 {
	return fieldAt * a.stiff * a.narrow * math.Pow(torr, 0.7) * math.Pow(amps/currentAt, -0.15)
}

// cathodeFall rises when the current is more than the shell's normal current at
// this density: low pressure puts the watts into the shells.
func cathodeFall(torr, amps, area float64) float64 {
	in := normalDensity * torr * torr * area
	return normal * (1 + 0.03*math.Pow(amps/in, 0.6))
}

func (a *arc) slow(p *Plant) {
	total := sum(&p.gas.t)
	a.stiff = 0
	for i, x := range p.gas.t {
		a.stiff += stiffness[i] * x / total
	}
	a.narrow = math.Pow(boreAt/p.tube.Bore, 0.6)
	a.flutter += (-a.flutter + 0.03*p.rng.NormFloat64()) * 0.3
	h := &p.hands
	if a.lit || !h.Bombard || h.Sealed {
		return
	}
	torr := total / Torr
	if torr < 0.004 {
		return // not a glow, whatever the gap: nothing to ionise
	}
	need := p.bench.Strike * breakdown(torr, p.tube.Length*100)
	// The first electron is a matter of luck: about 0.3 s.
	if math.Sqrt2*p.bench.OpenCircuit > need && p.rng.Float64() < 0.3 {
		a.lit, a.overdue = true, 0
		a.current = 0.3 * h.Choke
	}
}

func (a *arc) step(p *Plant) {
	h := &p.hands
	if a.lit {
		a.burn(p)
	} else {
		a.current, a.volts, a.field, a.fall, a.heating = 0, 0, 0, 0, 0
	}
	if a.lit && (!h.Bombard || h.Sealed || a.overdue > 0.06) {
		a.lit, a.overdue = false, 0
	}
	a.shown += (a.current + p.aged.current - a.shown) * relax(p.dt/0.1)
}

func (a *arc) burn(p *Plant) {
	b, t := &p.bench, &p.tube
	torr := sum(&p.gas.t) / Torr // density counts, not pressure
	i := max(a.current, 0.005)
	a.field = a.column(torr, i)
	a.fall = cathodeFall(torr, i, t.ShellArea)
	a.volts = a.field*t.Length + a.fall + anodeFall
	x := a.volts / b.OpenCircuit
	// A choke in series with a resistive load: the voltages add at right angles.
	want := 0.0
	if x < 1 {
		want = p.hands.Choke * math.Sqrt(1-x*x) * (1 + a.flutter)
	}
	a.current += (want - a.current) * relax(p.dt/0.03)
	if x > b.Hold || want < 0.01 {
		a.overdue += p.dt
	} else {
		a.overdue = max(0, a.overdue-p.dt)
	}
	// Mean temperature of evenly heated gas above the wall, W/m / (8 pi k);
	// k of hot air.
	a.heating = min(1200, a.field*a.current/(8*math.Pi*0.045)*(1+p.effects.GasHeat))
}
