package plant

import (
	"math"
	"math/rand/v2"
)

// Effects are what a simple model of a bench leaves out and a real bench has.
// The zero value has none of them and changes nothing.
type Effects struct {
	// Sensor and Hottest: by what share more than the mean of the tube the place
	// under the sensor and the hottest place are heated. Narrow places and the
	// neighbourhood of the shells run hotter (handbook, item 5).
	Sensor, Hottest float64
	// Remount is the standard deviation of the seating from tube to tube, Wander
	// that of its slow drift within a run.
	Remount, Wander float64
	// GaugeScale is by what share both gauges show too much.
	GaugeScale float64
}

// places heats the sensor's and the hottest place; gain is the heat of the
// whole glass, W. Glass conducts too badly to even them out in minutes.
func (h *heat) places(p *Plant, gain float64) {
	e := &p.effects
	h.sensed, h.hottest = h.place(p, h.sensed, gain, e.Sensor), h.place(p, h.hottest, gain, e.Hottest)
}

func (h *heat) place(p *Plant, t, gain, more float64) float64 {
	if more == 0 {
		return h.wall
	}
	return t + (gain*(1+more)-h.lossAt(p, t))*p.dt/h.mass
}

// loose is how the junction sits on the glass. It has random numbers of its
// own, so that a bench without effects stays what it was.
type loose struct {
	rng          *rand.Rand
	mount, drift float64
}

func (l *loose) start(seed uint64) { l.rng = rand.New(rand.NewPCG(seed, 0x7365617473)) }

// hang seats the sensor anew.
func (l *loose) hang(e *Effects) {
	if l.rng == nil || e.Remount == 0 && e.Wander == 0 {
		return
	}
	l.mount, l.drift = e.Remount*max(-2, min(2, l.rng.NormFloat64())), 0
}

// slow lets it creep, with a memory of two minutes.
func (l *loose) slow(e *Effects, dt float64) {
	if e.Wander == 0 {
		return
	}
	x := dt / 120
	l.drift += -l.drift*x + e.Wander*math.Sqrt(2*x)*l.rng.NormFloat64()
}

// seating is the share of the glass's rise that the junction sees now; a
// junction sees at most the glass itself, and a tied one not less than 0.8.
func (p *Plant) seating() float64 {
	if p.loose.mount == 0 && p.loose.drift == 0 {
		return p.bench.Seating
	}
	return max(0.8, min(1, p.bench.Seating+p.loose.mount+p.loose.drift))
}
