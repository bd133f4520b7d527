package model

import "math"

// Jump is how the pressure of the shut tube rises when the arc strikes: the gas of the
// tube becomes hot and pushes into the manifold, the more the larger the tube is beside it.
type Jump struct {
	Ratio float64 // of the pressure some time after the strike to that before
	Wall  float64 // the glass before it, °C
	// Hot is by how much the lit gas is hotter than the glass in the mean, K, by the heat
	// that the model puts into the glass and the handbook's share of it and
	// conduction of hot air.
	Hot float64
}

// Jumps are those of a run by the constants that fit it.
func Jumps(s *Series, p *Params) []Jump {
	o := observe(s)
	m := newMachine(&o.tube, o.room, &p.Theta)
	var out []Jump
	for _, x := range o.strikes {
		hot := m.hotter(m.drive(x.current), x.after)
		out = append(out, Jump{x.after / x.before, x.glass, hot})
	}
	return out
}

// Expect is the ratio of a jump in a tube of volume tube with a manifold, m³, if the gas
// is hotter than the glass by times what the model has it.
func (j *Jump) Expect(tube, manifold, times float64) float64 {
	wall := j.Wall + zeroC
	cold, hot := tube*roomK/wall, tube*roomK/(wall+min(mostHot, times*j.Hot))
	return (manifold + cold) / (manifold + hot)
}

// mostHot is the most that the lit gas is hotter than its wall, K.
const mostHot = 1200.0

// hotter is by how much the lit gas is hotter than its wall in the mean, K, at the
// pressure that it has then: an evenly heated gas is P/(8 π k L) hotter.
func (m *machine) hotter(drive, pressure float64) float64 {
	return min(mostHot, m.column(drive, pressure)/intoGlass/m.length/(8*math.Pi*gasConducts))
}
