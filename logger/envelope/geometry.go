package envelope

import (
	"math"

	"tipoff/logger/tube"
)

// Volume is the tube's inner volume, m³: π d² L/4. 0 if the card lacks bore or
// length.
func Volume(c tube.Card) float64 { return math.Pi / 4 * c.Bore * c.Bore * c.Length }

// WallArea is the tube's outer area, m²: π OD L. 0 if the card lacks them.
func WallArea(c tube.Card) float64 { return math.Pi * c.Outside * c.Length }

// GlassMass is the mass of the tube's glass, kg: ρ π (OD² − d²) L/4. 0 if the
// card lacks a measure or the glass is not in the table.
func GlassMass(c tube.Card) float64 {
	return glassMass(loadTables(), c)
}

func glassMass(t *tables, c tube.Card) float64 {
	if c.Bore <= 0 || c.Outside <= c.Bore {
		return 0
	}
	return t.glass[c.Glass].density * math.Pi / 4 * (c.Outside*c.Outside - c.Bore*c.Bore) * c.Length
}

// HeatCapacity is the heat capacity of the tube's glass, J/K. 0 as GlassMass.
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
	perArea := g.density * g.heat * (od*od - bore*bore) / (4 * od) // J/(m² K)
	return bareDecay(celsius) / perArea
}

// Paschen is the breakdown voltage (V, direct) of air between plane electrodes
// for a product of pressure and gap in Pa·m. It is NaN left of the curve's
// singularity, where the formula does not hold. Constants A 15 1/(cm Torr), B
// 365 V/(cm Torr), secondary emission 0.01 (physics.md 5.1).
func Paschen(pd float64) float64 {
	const (
		a     = 15 * 100 / torr
		b     = 365 * 100 / torr
		gamma = 0.01
	)
	d := math.Log(a*pd) - math.Log(math.Log(1+1/gamma))
	if !(d > 0) {
		return math.NaN()
	}
	return b * pd / d
}

// paschenReach is the largest pressure·gap, Pa·m, that breaks down at v volts,
// NaN below the curve's minimum.
func paschenReach(v float64) float64 {
	// Right of the minimum at about 0.84 Torr cm the curve only rises.
	low, high := 0.84*torr/100, 1e5*torr/100
	if !(Paschen(low) < v) {
		return math.NaN()
	}
	for range 80 {
		mid := math.Sqrt(low * high)
		if Paschen(mid) < v {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// stressPerRate is the tension in the cold outer skin of a tube heated evenly
// from inside, Pa for each °C/s. The heat that a wall of thickness w takes up
// gives a parabolic profile whose cold side lies ρ c w² r/(6 k) below the mean;
// restrained, that is E α ΔT/(1−ν) (physics.md 6.2).
func stressPerRate(g glassRow, wall float64) float64 {
	dT := g.density * g.heat * wall * wall / (6 * g.conductivity)
	return g.young * 1e9 * g.expansion * 1e-6 / (1 - g.poisson) * dT
}
