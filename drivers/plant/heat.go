package plant

import "math"

// shellEmissive is the effective emissivity of a shell that looks at its own
// inside and at glass that sends part of the heat back (our choice, in the
// usual range of oxidised iron and nickel, 0.5 to 0.8).
const shellEmissive = 0.6

// shellHeat is the specific heat of iron between 500 and 900 °C, mean, J/(kg K).
const shellHeat = 620.0

// heat is the temperatures, °C.
type heat struct {
	ambient float64
	wall    float64
	shell   float64
	mass    float64 // J/K of the glass
	area    float64 // m², outside
	sensed  float64 // glass under the sensor; wall if the tube is even
	hottest float64 // hottest place of the glass; wall if the tube is even
}

func (h *heat) hang(t *Tube) {
	h.wall, h.shell = h.ambient, h.ambient
	h.sensed, h.hottest = h.ambient, h.ambient
	h.mass = t.heatCapacity()
	h.area = math.Pi * t.Outside * t.Length
}

// room lets the room's temperature swing with a period of 50 minutes.
func (h *heat) room(p *Plant) {
	h.ambient = p.bench.Ambient + p.bench.Drift*math.Sin(p.now.Seconds()*2*math.Pi/3000)
}

func fourth(celsius float64) float64 {
	k := celsius + zeroCelsius
	return k * k * k * k
}

// loss is what the glass gives to the room, W.
func (h *heat) loss(p *Plant) float64 { return h.lossAt(p, h.wall) }

// lossAt is what the whole glass would give to the room at this temperature, W.
func (h *heat) lossAt(p *Plant, wall float64) float64 {
	conv := p.bench.StillAir
	if p.hands.Fan {
		conv = p.bench.Fan
	}
	return h.area * (conv*(wall-h.ambient) +
		p.tube.Emissive*stefan*(fourth(wall)-fourth(h.ambient)))
}

func (h *heat) step(p *Plant) {
	a, t := &p.arc, &p.tube
	gain := 0.0
	if a.lit {
		gain = p.bench.Efficient * a.field * a.current * t.Length
	}
	gain += p.aged.gain
	h.wall += (gain - h.loss(p)) * p.dt / h.mass
	h.places(p, gain)
	shell := 0.0
	if a.lit {
		shell = 0.5 * a.current * a.fall * intoShell
	}
	shell -= shellEmissive * stefan * t.ShellArea * (fourth(h.shell) - fourth(h.wall))
	// The lead and the press carry some away, mostly below red heat.
	shell -= 0.012 * (h.shell - h.wall)
	h.shell += shell * p.dt / (t.ShellMass * shellHeat)
}
