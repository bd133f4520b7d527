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
	// GasHeat is by what share more the lit gas is hotter than the wall than its
	// evenly heated mean.
	GasHeat float64
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
	draught      float64 // what the air about a loose junction takes more than in the mean, as a share
}

func (l *loose) start(seed uint64) { l.rng = rand.New(rand.NewPCG(seed, 0x7365617473)) }

// hang seats the sensor anew.
func (l *loose) hang(e *Effects) {
	if l.rng == nil || e.Remount == 0 && e.Wander == 0 {
		return
	}
	l.mount, l.drift = e.Remount*max(-2, min(2, l.rng.NormFloat64())), 0
}

// slow lets it creep, with a memory of two minutes. The air about a loose
// junction moves, by a fifth within some two seconds (our choice).
func (l *loose) slow(e *Effects, f *Fault, dt float64) {
	if f.LooseTie > 0 {
		x := dt / 2
		l.draught = max(-0.6, l.draught-l.draught*x+0.2*math.Sqrt(2*x)*l.rng.NormFloat64())
	}
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

// offLag is how fast a junction that is off the glass follows the air (handbook,
// item 7: a few seconds).
const offLag = 4.0 // s

// junction is the share of the glass's rise that the junction comes to, and the
// lag, s, with which it does. A junction of heat capacity C hangs between the
// glass, by a conductance G of the contact, and the air, by g: it comes to
// G/(G+g) of the rise, with a lag of C/(G+g). Seating and lag of the bench are
// those of the whole contact. A loose tie has less of it, and as much of the
// junction as is bare is held by the air as one that slipped off is.
func (p *Plant) junction() (share, lag float64) {
	share, lag = p.seating(), p.bench.Lag.Seconds()
	switch f := &p.fault; {
	case f.ThermocoupleOff:
		return 0, offLag
	case f.LooseTie > 0:
		contact, air := share/lag*f.LooseTie, (1-share)/lag
		air = (air + (1/offLag-air)*f.BareTie*(1-f.LooseTie)) * (1 + p.loose.draught)
		return contact / (contact + air), 1 / (contact + air)
	}
	return share, lag
}

// LooseTie is the share of the whole contact that makes a thermocouple of this
// bench see, at rest, this share of the glass's rise, with so much of it bare
// ([Fault]).
func (b *Bench) LooseTie(share, bare float64) float64 {
	lag := b.Lag.Seconds()
	contact, air := b.Seating/lag, (1-b.Seating)/lag
	more := (1/offLag - air) * bare
	return min(1, share*(air+more)/(contact*(1-share)+share*more))
}
