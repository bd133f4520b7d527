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

// HeatCapacity is the heat capacity of the tube's glass, J/K. 0 if the card
// lacks a measure or the glass is not in the program's table.
func HeatCapacity(c tube.Card) float64 {
	t := loadTables()
	return glassMass(t, c) * t.glass[c.Glass].heat
}

// Cooling constants of a bare tube in still air: heat transfer W/(m² K) and
// emissivity (handbook "A bench as equations" 5: 6 to 12 and 0.85 to 0.9, from
// memory).
const (
	stillAir   = 8.0
	emissivity = 0.88
	stefan     = 5.670374419e-8 // W/(m² K⁴), CODATA
)

// coolingRate is k of the glass's relaxation at temperature T (°C), 1/s: how
// much the heating rate falls for each degree gained, A (h + 4 ε σ T³)/(m c).
// A tube without a card is taken for 15 mm of 1 mm soda-lime.
func coolingRate(t *tables, c tube.Card, known bool, celsius float64) float64 {
	od, bore, g := c.Outside, c.Bore, t.glass[c.Glass]
	if !known || g.heat == 0 || bore <= 0 || od <= bore {
		od, bore, g = 0.015, 0.013, t.glass["soda-lime"]
	}
	return bareDecay(celsius) / perArea(g, od, bore)
}

// perArea is the heat capacity of a tube's wall by its outer area, J/(m² K).
func perArea(g glassRow, od, bore float64) float64 {
	return g.density * g.heat * (od*od - bore*bore) / (4 * od)
}

// bareLoss is what a bare tube gives off to the room, W/m²: h (T − T_room) + ε σ
// (T⁴ − T_room⁴), temperatures in °C.
func bareLoss(celsius, room float64) float64 {
	k, r := celsius+zeroC, room+zeroC
	return stillAir*(k-r) + emissivity*stefan*(k*k*k*k-r*r*r*r)
}

// stallRate is the least rate, °C/s, at which a bare tube must rise at a
// temperature so that the same heat brings it to another: (loss(to) −
// loss(from)) ÷ C. Temperatures in °C, perArea in J/(m² K).
func stallRate(perArea, from, to, room float64) float64 {
	return (bareLoss(to, room) - bareLoss(from, room)) / perArea
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
