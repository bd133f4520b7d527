package chain

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/gauge"
)

// third is 1/√3 squared: the variance of a rectangular distribution ±1.
const third = 1.0 / 3

func sq(x float64) float64 { return x * x }

// variance is the systematic variance of the input quantity x by the data sheet.
func (a *Accuracy) variance(x float64) float64 {
	return third * (sq(a.Offset) + sq(a.Gain*x) + sq(a.Nonlinearity) + sq(a.Reference*x))
}

// stated tells whether the data sheet says anything about accuracy.
func (a *Accuracy) stated() bool {
	return a.Offset != 0 || a.Gain != 0 || a.Nonlinearity != 0 || a.Reference != 0
}

// scalar is a channel whose interval's mean stands for the frame: a pressure by
// a gauge's voltage, or a number that is the quantity already.
type scalar struct {
	filter
	acc     Accuracy
	spec    Params
	factor  float64 // gauge volts (or the quantity itself) = shift + factor·input quantity
	shift   float64
	char    gauge.Characteristic // nil: the number is the quantity
	falling bool
	bounds  gauge.Bounds
	span    float64
	known   bool // anything is known about the accuracy
	gas     gauge.Gas

	kept, keptIndicated calib.Value
}

// Push implements [Chain].
func (c *scalar) Push(at time.Duration, raw, aux float64, q calib.Quality) {
	c.push(at, raw, aux, q)
}

// SetGas implements [Chain].
func (c *scalar) SetGas(g gauge.Gas) { c.gas = g }

// Take implements [Chain].
func (c *scalar) Take(at time.Duration) (value, indicated calib.Value, samples int) {
	m := c.take(at, c.acc.Noise)
	switch m.state {
	case lost:
		return none(m.q), none(m.q), 0
	case held:
		return c.kept, c.keptIndicated, 0
	}
	c.kept, c.keptIndicated = c.convert(&m)
	return c.kept, c.keptIndicated, m.n
}

func (c *scalar) convert(m *mean) (value, indicated calib.Value) {
	v := c.shift + c.factor*m.x
	uv2 := sq(c.factor)*(m.v+c.acc.variance(m.x)) + third*sq(c.spec.VoltsAccuracy*v)
	p, slope := v, 1.0
	if c.char != nil {
		if q := c.bounds.Check(v, c.falling); q != 0 {
			return none(m.q | q), none(m.q | q)
		}
		p, slope = c.char.Pressure(v)
		// Nothing and infinity are no readings of a logarithmic gauge: a table over the
		// logarithm of volts has neither pressure nor slope at and below 0 V.
		if nothing := p == 0 && slope == 0; nothing || math.IsInf(p, 0) {
			q := calib.OverRange
			if nothing && !c.falling {
				q = calib.UnderRange
			}
			return none(m.q | q), none(m.q | q)
		}
	}
	up2 := sq(slope)*uv2 + third*(sq(c.spec.AccuracyFraction*p)+sq(c.spec.AccuracyAbs)+sq(c.spec.Mounting))
	indicated = calib.Value{X: p, U: c.u(up2), Q: m.q}

	k := c.span
	p = (p - c.spec.ZeroPa) * c.span
	q := m.q
	var ug float64
	if c.spec.GasDependent {
		// The factor's range is meant for what the adjusted gauge indicates.
		g := c.gas.Correct(p)
		q |= g.Q
		if q&calib.Invalid != 0 {
			return none(q), indicated
		}
		k *= g.Factor
		p *= g.Factor
		ug = g.U * p
	}
	return calib.Value{X: p, U: c.u(sq(k)*up2 + sq(ug)), Q: q}, indicated
}

// u is the standard uncertainty of a variance, NaN if nothing is known.
func (c *scalar) u(variance float64) float64 {
	if !c.known {
		return math.NaN()
	}
	return math.Sqrt(variance)
}
