package envelope

import (
	"math"

	"tipoff/logger/tube"
)

// Volume is the tube's inner volume, m³: π d² L/4. 0 if the card lacks bore or
// length.
func Volume(c tube.Card) float64 { return math.Pi / 4 * c.Bore * c.Bore * c.Length }

// wallArea is the tube's outer area, m²: π OD L. 0 if the card lacks them.
func wallArea(c tube.Card) float64 { return math.Pi * c.Outside * c.Length }

// glassMass is the mass of the tube's glass, kg: ρ π (OD² − d²) L/4. 0 if the
// card lacks a measure or the glass is not in the table.
func glassMass(t *tables, c tube.Card) float64 {
	if c.Bore <= 0 || c.Outside <= c.Bore {
		return 0
	}
	return t.glass[c.Glass].density * math.Pi / 4 * (c.Outside*c.Outside - c.Bore*c.Bore) * c.Length
}

// heatCapacity is the heat capacity of the tube's glass, J/K. 0 if the card
// lacks a measure or the glass is not in the table.
func heatCapacity(t *tables, c tube.Card) float64 { return glassMass(t, c) * t.glass[c.Glass].heat }

// Body is what takes up and gives off heat in a tube, as card and tables have it.
type Body struct {
	HeatCapacity float64 // of the glass, J/K; 0: not known
	Emissivity   float64 // of the glass
	ShellArea    float64 // of one shell, m²; 0: not known
	ShellMass    float64 // of one shell, kg
	Guessed      bool    // the card does not describe the shells, they are taken from the rating

	ShellHeat       float64 // specific heat of a hot shell, J/(kg K)
	ShellEmissivity float64
	ShellBright     float64 // °C from which a shell is orange and the coating turns to oxide
	CathodeFall     float64 // the normal one, V
	NormalDensity   float64 // of the current on a shell, A/(m² Torr²)
	IntoShell       float64 // part of the fall's heat that stays in the shell
}

// BodyOf gives a model of the tube the same glass and shells as its limits
// have, the bench's own rows among them. own is nil for the program's tables.
func BodyOf(c tube.Card, own *Tables) Body {
	t := own.orBuiltIn()
	s := shellOf(t, &c.Electrode, true)
	return Body{HeatCapacity: heatCapacity(t, c), Emissivity: t.value("glass-emissivity"), ShellArea: s.area, ShellMass: s.mass,
		Guessed:   s.area > 0 && (c.Electrode.ShellArea <= 0 || c.Electrode.ShellMass <= 0),
		ShellHeat: s.heat, ShellEmissivity: s.emissive, ShellBright: s.bright, CathodeFall: s.fall, NormalDensity: s.density, IntoShell: s.into}
}

const stefan = 5.670374419e-8 // W/(m² K⁴), CODATA

// air is how a bare tube gives its heat to the room: by still air, W/(m² K), with
// its standard uncertainty, and by radiation. runs is how many of the bench's own
// runs tell the first; 0: it is from the table.
type air struct {
	still, u, emissive float64
	runs               int
}

// airOf takes the cooling constants from the table constant, or the first from
// the bench's runs.
func airOf(t *tables, taught Learned) air {
	a := air{still: t.value("still-air"), u: t.constant["still-air"].u, emissive: t.value("glass-emissivity")}
	if taught.X > 0 {
		a.still, a.u, a.runs = taught.X, taught.U, taught.Runs
	}
	return a
}

// coolingRate is k of the glass's relaxation at temperature T (°C), 1/s: how
// much the heating rate falls for each degree gained, A (h + 4 ε σ T³)/(m c).
// A tube without a card is taken for 15 mm of 1 mm soda-lime.
func coolingRate(t *tables, a air, c tube.Card, known bool, celsius float64) float64 {
	od, bore, g := c.Outside, c.Bore, t.glass[c.Glass]
	if !known || g.heat == 0 || bore <= 0 || od <= bore {
		od, bore, g = 0.015, 0.013, t.glass["soda-lime"]
	}
	return a.decay(celsius) / perArea(g, od, bore)
}

// perArea is the heat capacity of a tube's wall by its outer area, J/(m² K).
func perArea(g glassRow, od, bore float64) float64 {
	return g.density * g.heat * (od*od - bore*bore) / (4 * od)
}

// loss is what a bare tube gives off to the room, W/m²: h (T − T_room) + ε σ
// (T⁴ − T_room⁴), temperatures in °C.
func (a *air) loss(celsius, room float64) float64 {
	k, r := celsius+zeroC, room+zeroC
	return a.still*(k-r) + a.emissive*stefan*(k*k*k*k-r*r*r*r)
}

// decay is what a bare tube's decay goes by at a temperature (°C), W/(m² K).
func (a *air) decay(celsius float64) float64 {
	k := celsius + zeroC
	return a.still + 4*a.emissive*stefan*k*k*k
}

// stallRate is the least rate, °C/s, at which a bare tube must rise at a
// temperature so that the same heat brings it to another: (loss(to) −
// loss(from)) ÷ C. Temperatures in °C, perArea in J/(m² K).
func (a *air) stallRate(perArea, from, to, room float64) float64 {
	return (a.loss(to, room) - a.loss(from, room)) / perArea
}

// paschen is the breakdown voltage (V, direct) of a gas between plane electrodes
// for a product of pressure and gap in Pa·m: B pd/(ln(A pd) − ln ln(1 + 1/γ)).
// It is NaN left of the curve's singularity, where the formula does not hold,
// and for a gas that is not in the table.
func (t *tables) paschen(gas string, pd float64) float64 {
	r := t.discharge[gas]
	x := pd * 100 / torr // Torr cm
	d := math.Log(r.a*x) - math.Log(math.Log(1+1/r.gamma))
	if !(d > 0) {
		return math.NaN()
	}
	return r.b * x / d
}

// paschenReach is the largest pressure·gap, Pa·m, at which a gas breaks down at
// v volts, NaN below the curve's minimum, which is at (e/A) ln(1+1/γ).
func (t *tables) paschenReach(gas string, v float64) float64 {
	r := t.discharge[gas]
	low, high := math.E/r.a*math.Log(1+1/r.gamma)*torr/100, 1e5*torr/100
	if !(t.paschen(gas, low) < v) {
		return math.NaN()
	}
	for range 80 {
		mid := math.Sqrt(low * high)
		if t.paschen(gas, mid) < v {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// carbonDioxide is the pressure of carbon dioxide, Pa, at which barium carbonate
// and oxide are in balance: ln(p/bar) = S/R − H/(R T). Good between 700 and
// 1000 °C.
func (t *tables) carbonDioxide(celsius float64) float64 {
	const r, bar = 8.314462618, 1e5
	return bar * math.Exp(t.value("carbonate-entropy")/r-t.value("carbonate-enthalpy")/(r*(celsius+zeroC)))
}

// coatingGas is the carbon dioxide that a mass of carbonate, kg, gives off, as
// pressure times volume at 20 °C, Pa m³.
func (t *tables) coatingGas(kg float64) float64 {
	return kg * 1000 / t.value("carbonate-molar") * 8.314462618 * twentyC
}

// stressPerRate is the tension in the cold outer skin of a tube heated evenly
// from inside, Pa for each °C/s. The heat that a wall of thickness w takes up
// gives a parabolic profile whose cold side lies ρ c w² r/(6 k) below the mean;
// restrained, that is E α ΔT/(1−ν) (physics.md 6.2).
func stressPerRate(g glassRow, wall float64) float64 {
	dT := g.density * g.heat * wall * wall / (6 * g.conductivity)
	return g.young * 1e9 * g.expansion * 1e-6 / (1 - g.poisson) * dT
}
