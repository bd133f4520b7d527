package model

import (
	"math"

	"tipoff/logger/envelope"
)

// UsualLength (m), UsualBore (m) and UsualCurrent (A) are those for which heating and hold
// pressure are stated.
const (
	UsualLength  = envelope.UsualLength
	UsualBore    = refBore
	UsualCurrent = refCurrent
)

// The supply holds the arc up to a voltage. How the column's goes with pressure,
// current and bore the heat in the glass tells, as heat per metre and ampere: the arc
// holds up to p with p^a I^(b−1) d^c L the same for all tubes, a, b and c the exponents of
// the heating.

// HoldPowers are the powers of length and of bore by which the most air at which the arc
// holds goes.
func (p *Params) HoldPowers() (length, bore float64) {
	a := max(0.3, p.Value(PressureExponent))
	return -1 / a, -p.Value(BoreExponent) / a
}

// HoldShare is the most air at which the arc holds in a tube, m and A, over that in a
// usual one at 0.3 A.
func (p *Params) HoldShare(length, bore, current float64) float64 {
	l, b := p.HoldPowers()
	return math.Pow(length/UsualLength, l) * math.Pow(bore/UsualBore, b) * math.Pow(current/refCurrent, l*(p.Value(CurrentExponent)-1))
}

// HoldAt is the most air, Pa, at which the arc holds in a tube, m, by the constants.
func (p *Params) HoldAt(length, bore float64) float64 {
	return p.Value(HoldPressure) / UsualLength * p.HoldShare(length, bore, refCurrent)
}
