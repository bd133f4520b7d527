package certificate

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/chain"
)

// corrected is a chain whose values are corrected by a certificate.
type corrected struct {
	chain.Chain
	cert Certificate
	log  bool
	wall func() (time.Time, bool)
}

// Correct makes the values of inner follow a certificate: the value is
// corrected, its uncertainty gains that of the fit, of the points' residual and
// of age, quality Uncalibrated goes and, past the due date, Overdue comes. The
// indicated value stays as inner gives it. A [chain.Waveform] stays one.
//
// What inner knows of its uncertainty (noise, data sheet) stays in, so a
// certificate that only confirms the data sheet does not shrink it. Where inner
// does not know its uncertainty, that of the certificate takes its place.
//
// wall is the wall time and whether it can be trusted, such as the method Wall
// of a clock; nil or an untrusted time is never past the due date and counts as
// the full age.
//
// The correction acts on the value after inner's own corrections. For
// heat-conduction gauges that is after the gas factor; as their corrections are
// powers of the reading with an exponent near 1, the order matters by less than
// 1 % (factor 1.4 for neon, exponent within 2 %).
func Correct(inner chain.Chain, c Certificate, wall func() (time.Time, bool)) chain.Chain {
	out := &corrected{Chain: inner, cert: c, log: c.Fit.Kind.Log(), wall: wall}
	if w, ok := inner.(chain.Waveform); ok {
		return &correctedWave{out, w}
	}
	return out
}

// correctedWave is a corrected chain that still shows its waveform's meter.
type correctedWave struct {
	*corrected
	chain.Waveform
}

// Take implements [chain.Chain]. It allocates nothing.
func (c *corrected) Take(at time.Duration) (value, indicated calib.Value, samples int) {
	value, indicated, samples = c.Chain.Take(at)
	age := c.cert.Due.Sub(c.cert.Date)
	if c.wall != nil {
		if now, trusted := c.wall(); trusted {
			age = now.Sub(c.cert.Date)
			if overdue, _ := c.cert.DueIn(now); overdue {
				value.Q |= calib.Overdue
			}
		}
	}
	value.Q &^= calib.Uncalibrated
	if !value.Good() {
		return value, indicated, samples
	}
	y, fit, slope := c.cert.Fit.apply(value.X, c.log)
	own := value.U * math.Abs(slope)
	if math.IsNaN(own) {
		own = 0
	}
	drift := c.cert.DriftU(y, age)
	value.X, value.U = y, math.Sqrt(own*own+fit*fit+drift*drift)
	return value, indicated, samples
}
