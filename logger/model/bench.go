package model

import (
	"math"

	"tipoff/calib/unit"
	"tipoff/logger/envelope"
)

const (
	torr   = unit.Torr
	zeroC  = 273.15
	roomK  = 293.15
	stefan = 5.670374419e-8 // W/(m² K⁴), CODATA

	refCurrent = 0.3
	refBore    = envelope.UsualBore

	gasConducts = 0.045 // W/(m K), hot air
	intoGlass   = 0.75  // of the column's power; handbook 5: 0.6 to 0.9
	leastLag    = 0.3   // s; steps of half a second cannot tell less
)

// Tube is what the model must know of a tube: its measures, and glass and shells as
// the limits have them. What is wrong with the glass's emissivity the convection
// takes up.
type Tube struct {
	Outside, Bore, Length float64 // m
	envelope.Body
}

// Volume is the gas volume, m³.
func (t *Tube) Volume() float64 { return math.Pi / 4 * t.Bore * t.Bore * t.Length }

// Valid tells whether the measures are there that the model needs.
func (t *Tube) Valid() bool {
	return t.Bore > 0 && t.Outside > t.Bore && t.Length > 0 && t.HeatCapacity > 0 && t.ShellMass > 0 && t.ShellArea > 0
}

// state is glass and reading and shell in °C, amount of gas in tube and
// manifold, and water that the wall still holds, both Pa·m³.
type state struct{ glass, read, shell, amount, wall float64 }

// input is what the operator does: current, speed of the pump at the gauge,
// air let in (Pa·m³/s). pressure is the measured one, NaN to compute it.
type input struct {
	current, pump, air, pressure float64
	drive                        float64 // set by step: heat into the glass at 1 Torr of this current, W
	of                           float64 // the current that drive belongs to
}

// machine is the model of one tube on one bench with one set of constants.
type machine struct {
	heat, nP, nI     float64 // W over the whole tube at 1 Torr and 0.3 A
	perArea, area    float64
	heatCap, lag     float64
	room, room4      float64
	shellK, shellCap float64
	of               *envelope.Body
	vt, vm           float64
	length           float64
}

func newMachine(t *Tube, room float64, theta *[NumConstants]float64) machine {
	v := func(c Constant) float64 { return infos[c].value(theta[c]) }
	return machine{
		heat: v(Heating) * t.Length * math.Pow(t.Bore/refBore, v(BoreExponent)),
		nP:   v(PressureExponent), nI: v(CurrentExponent),
		perArea: v(Convection), area: math.Pi * t.Outside * t.Length,
		heatCap: t.HeatCapacity, lag: max(leastLag, v(Lag)), room: room, room4: fourth(room),
		shellK: v(ShellPower), shellCap: t.ShellMass * t.ShellHeat * v(ShellWarmup), of: &t.Body,
		vt: t.Volume(), vm: v(ManifoldVolume), length: t.Length,
	}
}

func fourth(celsius float64) float64 {
	k := celsius + zeroC
	k *= k
	return k * k
}

// drive is the heat that a current puts into the glass at 1 Torr, W.
func (m *machine) drive(current float64) float64 {
	if current < 0.005 {
		return 0
	}
	return m.heat * math.Exp(m.nI*math.Log(current/refCurrent))
}

// column is the heat that goes into the glass, W.
func (m *machine) column(drive, pressure float64) float64 {
	if drive == 0 || pressure <= 0 {
		return 0
	}
	return drive * math.Exp(m.nP*math.Log(pressure/torr))
}

// pressure is what the gauge shows: the gas of the lit tube is hot and pushes
// into the manifold. An evenly heated gas is P/(8 π k L) hotter than its wall
// in the mean.
func (m *machine) pressure(y *state, drive float64) float64 {
	cold := y.amount / (m.vt + m.vm)
	hot := y.glass + zeroC
	if drive > 0 {
		hot += m.hotter(drive, cold)
	}
	return y.amount / (m.vm + m.vt*roomK/hot)
}

// fall is the cathode fall, V: normal while the current covers part of the
// shell, and above that rising with the square root of the current's density
// over the normal one, which goes as the pressure squared.
func (m *machine) fall(current, pressure float64) float64 {
	p := max(pressure/torr, 0.05)
	return m.of.CathodeFall * (1 + m.shellK*math.Sqrt(current/(m.of.NormalDensity*p*p*m.of.ShellArea)))
}

// water is the share of the wall's water that leaves in a second: one bond of
// 80 kJ/mol, the middle of the handbook's 60 to 90 (item 3), slowed so that
// most of it leaves between 50 and 200 °C.
func water(glass float64) float64 {
	return 2e8 * math.Exp(-80e3/(8.31446*(glass+zeroC)))
}

func (m *machine) slope(y *state, in *input) state {
	p := in.pressure
	if p != p {
		p = m.pressure(y, in.drive)
	}
	var d state
	loss := m.area * (m.perArea*(y.glass-m.room) + m.of.Emissivity*stefan*(fourth(y.glass)-m.room4))
	d.glass = (m.column(in.drive, p) - loss) / m.heatCap
	d.read = (y.glass - y.read) / m.lag
	shell := -m.of.ShellEmissivity * stefan * m.of.ShellArea * (fourth(y.shell) - fourth(y.glass))
	if in.current > 0.005 {
		shell += 0.5 * in.current * m.fall(in.current, p) * m.of.IntoShell
	}
	d.shell = shell / m.shellCap
	d.wall = -min(0.5, water(y.glass)) * y.wall
	d.amount = -d.wall + in.air - in.pump*p
	return d
}

// step advances y by dt with the classical fourth-order Runge-Kutta rule.
func (m *machine) step(y *state, in *input, dt float64) {
	if in.current != in.of {
		in.drive, in.of = m.drive(in.current), in.current
	}
	k1 := m.slope(y, in)
	y2 := y.plus(&k1, dt/2)
	k2 := m.slope(&y2, in)
	y3 := y.plus(&k2, dt/2)
	k3 := m.slope(&y3, in)
	y4 := y.plus(&k3, dt)
	k4 := m.slope(&y4, in)
	s := dt / 6
	y.glass += s * (k1.glass + 2*k2.glass + 2*k3.glass + k4.glass)
	y.read += s * (k1.read + 2*k2.read + 2*k3.read + k4.read)
	y.shell += s * (k1.shell + 2*k2.shell + 2*k3.shell + k4.shell)
	y.amount += s * (k1.amount + 2*k2.amount + 2*k3.amount + k4.amount)
	y.wall += s * (k1.wall + 2*k2.wall + 2*k3.wall + k4.wall)
}

func (y *state) plus(d *state, dt float64) state {
	return state{y.glass + dt*d.glass, y.read + dt*d.read, y.shell + dt*d.shell, y.amount + dt*d.amount, y.wall + dt*d.wall}
}
