package envelope

import (
	"math"
	"time"

	"tipoff/logger/phase"
)

const (
	// fieldDoubt is the standard uncertainty of the natural logarithm of what a
	// column of air heats its tube by, where no run of the bench has told. The sources
	// differ: a few V/cm at 1 Torr (handbook 4, b), 20 to 40 V/cm (physics.md 5.3, low
	// confidence). 3 to 40 V/cm taken for 95 % of a normal distribution of the logarithm
	// is 11 V/cm, as the table constant has it, and ln(40/3)/4 = 0.65. What is not
	// known of the share that stays in the glass (0.6 to 0.9, handbook 5), the gauge (a
	// few per cent) and the card's measures is small against that.
	fieldDoubt = 0.65
	// intoGlass is the share of the column's power that ends in the glass.
	intoGlass, intoGlassDoubt = 0.75, 0.12
	// usualLag is that of a sensor that is not corrected for it, s: 1.5 to 5 s (handbook
	// 7, b). In the first 4.5 s of a ramp such a sensor sees 0.68 to 0.34 of it.
	usualLag, usualLagDoubt = 2.7, 0.2
	// readDoubt is what a corrected lag that is known to a tenth, the correction's own
	// first second, and a place under the sensor that is heated otherwise than the last
	// tube's do to the rise, as a share: of well tied tubes on taught benches the rise
	// scattered by 0.08 in all.
	readDoubt = 0.08
	// runDoubt is by how much a run's later arc heats otherwise than its first, as a
	// share, with what pressure, current and glass do to it taken into account.
	runDoubt = 0.12

	// gasConducts is the thermal conductivity of the lit gas, W/(m K): air at 300 to
	// 900 K has 0.026 to 0.06. profile is by how much hotter than evenly heated gas it is
	// in the mean: 1 if it is heated evenly, 1.38 if as the Bessel profile of a column
	// has it (8 π against 18.2, from integrating the heat equation over J0).
	gasConducts, profile, gasDoubt = 0.045, 1.17, 0.25
	// usualManifold is the manifold's volume where nobody says it, m³: 0.3 to 1.5 L
	// (trade.md 5, b); saidDoubt the standard uncertainty of what is said, as a share.
	usualManifold, usualDoubt, saidDoubt = 0.6e-3, 0.45, 0.1
	// jumpFrom and jumpTo is when after arc-on the pressure has jumped: gas flows
	// through a tubulation in some tenths of a second, water comes later.
	jumpFrom, jumpTo = 600 * time.Millisecond, 1600 * time.Millisecond
	// pressureMoves is the rate of the pressure before the arc, as a share in a second,
	// from which on its jump tells nothing: a valve is open.
	pressureMoves = 0.03
	// jumpNoise is what the gauge and the current's flutter make of the jump, as a
	// share of the pressure.
	jumpNoise = 0.004
)

// columnHeat is what the arc puts into a metre of glass: watts at 1 Torr and 0.3 A,
// going with these powers. u is the standard uncertainty of its logarithm.
type columnHeat struct {
	watts, pressure, current, u float64
}

// anyColumn is the heat of a column in air by the table constant and the
// handbook, on any bench.
func anyColumn(t *tables, bore float64) columnHeat {
	n := t.value("air-field-power")
	field := 100 * t.value("air-field") * math.Pow(bore*1000/t.value("air-field-bore"), n-1) // V/m
	return columnHeat{watts: intoGlass * field * 0.3, pressure: n, current: powerRises, u: fieldDoubt}
}

// at is the heat of this moment, W/m, with glass of base °C. A bench's own is
// taught on warm glass, and on cold the gas is denser at the same pressure.
func (c *columnHeat) at(o phase.Observation, base float64, taught bool) float64 {
	p := max(0.1, o.Pressure/torr)
	if taught {
		p *= (taughtAt + gasAbove + zeroC) / (base + gasAbove + zeroC)
	}
	return c.watts * math.Exp(c.pressure*math.Log(p)+c.current*math.Log(o.Current/0.3))
}

// gasHeat takes the column's heat from the pressure: the lit gas is hot and pushes
// into the manifold, so at constant amount the pressure jumps at arc-on (handbook
// 2), by p0/p1 = (1 − φ + φ T_room/T_gas) / (1 − φ + φ T_room/T_wall) with the tube's
// share φ of the volume. The gas is P/(8 π k) hotter than the wall for each metre. Of
// the thermocouple it wants only the wall before the arc.
type gasHeat struct {
	part, partDoubt float64 // φ and its relative standard uncertainty; 0: not known
	room            float64 // K

	rest           slope // of ln p before the arc
	was, moves     float64
	sum, watts, of float64
}

func newGasHeat(e *Envelope) gasHeat {
	vm, u := usualManifold, usualDoubt
	if b := &e.Bench; b.ManifoldVolume > 0 {
		vm, u = b.ManifoldVolume, saidDoubt
		if b.ManifoldRuns > 0 {
			u = b.ManifoldU / b.ManifoldVolume
		}
	}
	vt := Volume(e.Card)
	part := vt / (vt + vm)
	return gasHeat{part: part, partDoubt: (1 - part) * u, room: e.Bench.Room() + zeroC, rest: slope{tau: 1}}
}

func (g *gasHeat) before(o phase.Observation) {
	if o.Pressure > 0 {
		g.rest.add(o.At, math.Log(o.Pressure))
	}
}

func (g *gasHeat) begin() {
	g.sum, g.watts, g.of, g.was = 0, 0, 0, math.NaN()
	if g.rest.ready() {
		g.moves, _, g.was = g.rest.fit()
	}
}

// during takes a frame of the arc, and what heat was guessed for it.
func (g *gasHeat) during(o phase.Observation, after time.Duration, watts float64) {
	if after < jumpFrom || after > jumpTo || !(o.Pressure > 0) {
		return
	}
	g.sum += math.Log(o.Pressure) - g.moves*after.Seconds()
	g.watts += watts
	g.of++
}

// with is the logarithm of the column's heat over its guess, which has the standard
// uncertainty u, and what is left of that, with glass of base °C.
func (g *gasHeat) with(u, base float64) (mean, left float64) {
	if g.of == 0 || g.was != g.was || math.Abs(g.moves) > pressureMoves {
		return 0, u
	}
	jump := -math.Expm1(g.was - g.sum/g.of) // 1 − p0/p1
	wall := base + zeroC
	thin := 1 - ((1-jump)*(1-g.part+g.part*g.room/wall)-(1-g.part))/g.part // 1 − T_room/T_gas
	if !(jump > 3*jumpNoise) || thin > 0.85 {
		return 0, u
	}
	gas := g.room / (1 - thin)
	above := gas - wall
	if !(above > 10) {
		return 0, u
	}
	watts := intoGlass * 8 * math.Pi * gasConducts / profile * above
	by := gas / (1 - thin) * jump / g.part * math.Hypot(jumpNoise/jump, g.partDoubt) / above
	own := math.Hypot(math.Hypot(gasDoubt, intoGlassDoubt), by)
	// The two know nothing of each other: weighted mean.
	wg, wj := 1/(u*u), 1/(own*own)
	return wj / (wg + wj) * math.Log(watts*g.of/g.watts), 1 / math.Sqrt(wg+wj)
}
