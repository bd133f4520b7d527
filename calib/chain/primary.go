package chain

import (
	"math"
	"time"

	"tipoff/calib"
)

// How well the magnetising current is known at work, both as half-widths of
// rectangular distributions. It follows the mains voltage, and more than in
// proportion near saturation; its angle to the load's share is anywhere between
// a load in phase with the voltage and one that the choke's and the transformer's
// leakage turn. Estimates, from no standard.
const (
	magnetisingTolerance = 0.10 // of Params.Magnetising
	angleTolerance       = 30.0 // °
)

// Amperes is the bombarder's current that a current transformer's (A rms, with the
// meter's own standard uncertainty) stands for, with what transformer, burden and
// floor add to it; of a transformer on the primary side by [Params.Secondary].
func (p *Params) Amperes(measured calib.Value) calib.Value {
	v := measured
	v.U = math.Sqrt(sq(v.U) + third*(sq(p.CurrentAccuracy*v.X)+sq(p.FloorAmps)+sq(p.AccuracyFraction*v.X)))
	if p.PrimarySide {
		v = p.Secondary(v)
	}
	v.U = math.Sqrt(sq(v.U) + third*sq(p.AccuracyAbs))
	return v
}

// Secondary is the secondary current that a primary current (A rms, with its
// standard uncertainty) stands for. The primary carries the secondary current
// times TurnsRatio and, beside it, what magnetises the core. As phasors of the
// mains frequency, at an angle φ = MagnetisingAngle,
//
//	I₁² = L² + Im² + 2·L·Im·cos φ,   I₂ = L/TurnsRatio,
//
// so that in quadrature (φ = 90°, the default) I₂ = √(I₁² - Im²)/TurnsRatio.
// φ is the only phase that matters. L and I₂ are true RMS: harmonics of the load
// add to L² alone, so that in quadrature the formula is exact for any waveform
// whose magnetising part is a sine; Im's own harmonics are taken as small.
// A primary current no larger than the magnetising current is no load: 0.
//
// The uncertainty adds that of Im (±10 %) and φ (±30°) to the primary current's.
// It is found by finite steps of one u each, since at no load the derivative has
// no bound. Within that step of Im the secondary current cannot be told from 0,
// and U says so. A TurnsRatio's own error belongs into CurrentAccuracy.
func (p *Params) Secondary(primary calib.Value) calib.Value {
	angle := p.MagnetisingAngle
	if angle == 0 {
		angle = 90
	}
	i, im := primary.X, p.Magnetising
	l := load(i, im, angle)
	u2 := 0.0
	add := func(low, high float64) { // the larger side
		u2 += sq(math.Max(math.Abs(high-l), math.Abs(low-l)))
	}
	if primary.U > 0 {
		add(load(math.Max(0, i-primary.U), im, angle), load(i+primary.U, im, angle))
	}
	if im > 0 && i > 0 {
		s := math.Sqrt(third)
		add(load(i, im*(1-magnetisingTolerance*s), angle), load(i, im*(1+magnetisingTolerance*s), angle))
		add(load(i, im, math.Max(0, angle-angleTolerance*s)), load(i, im, math.Min(180, angle+angleTolerance*s)))
	}
	u := math.Sqrt(u2) / p.TurnsRatio
	if primary.U != primary.U {
		u = math.NaN()
	}
	return calib.Value{X: l / p.TurnsRatio, U: u, Q: primary.Q}
}

// load is the load's share of a primary current i beside a magnetising current im
// at an angle in degrees.
func load(i, im, angle float64) float64 {
	if i <= im { // no load, or less than what the core was said to take
		return 0
	}
	s, c := math.Sincos(angle * math.Pi / 180)
	return -im*c + math.Sqrt(i*i-im*im*s*s)
}

// primary turns finished RMS values of the primary side into secondary current.
type primary struct {
	Chain
	spec Params
}

// Take implements [Chain]. The value before corrections is the primary current.
func (c *primary) Take(at time.Duration) (value, indicated calib.Value, samples int) {
	value, indicated, samples = c.Chain.Take(at)
	if value.Good() {
		value = c.spec.Secondary(value)
		value.U = math.Sqrt(sq(value.U) + third*sq(c.spec.AccuracyAbs))
	}
	return value, indicated, samples
}
