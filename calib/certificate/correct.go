package certificate

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/chain"
)

// Corrected is a chain whose values are corrected by a certificate, which can be
// replaced. It is used by the goroutine that uses the chain.
type Corrected struct {
	chain.Chain
	cert *Certificate // nil: values come as they are
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
	out, handle := Follow(inner, wall)
	handle.Use(&c)
	return out
}

// Follow is [Correct] with a certificate that comes later, or is replaced while
// the chain is in use: until then the values are inner's. The handle is the
// chain's own.
func Follow(inner chain.Chain, wall func() (time.Time, bool)) (chain.Chain, *Corrected) {
	handle := &Corrected{Chain: inner, wall: wall}
	if w, ok := inner.(chain.Waveform); ok {
		return &correctedWave{handle, w}, handle
	}
	return handle, handle
}

// Use makes the values follow c from the next Take on; nil leaves them as they
// are.
func (c *Corrected) Use(cert *Certificate) {
	c.cert, c.log = cert, cert != nil && cert.Fit.Kind.Log()
}

// UseLag makes the chain correct for the time constant of c, a certificate of
// kind [TimeConstant], from the next Take on; nil brings back that of the
// chain's own calibration. It tells whether the chain can be corrected for lag.
func (c *Corrected) UseLag(cert *Certificate) (bool, error) {
	l, ok := c.Chain.(chain.Lagged)
	if !ok {
		return false, nil
	}
	if cert == nil {
		return true, l.SetLag(0, 0)
	}
	return true, l.SetLag(cert.Lag.Durations())
}

// TimeConstant is that of the chain, 0 if its lag is not corrected.
func (c *Corrected) TimeConstant() time.Duration {
	if l, ok := c.Chain.(chain.Lagged); ok {
		return l.TimeConstant()
	}
	return 0
}

// Durations are time constant and standard uncertainty as times.
func (l Lag) Durations() (tau, u time.Duration) {
	return time.Duration(math.Round(l.Tau * 1e9)), time.Duration(math.Round(l.U * 1e9))
}

// correctedWave is a corrected chain that still shows its waveform's meter.
type correctedWave struct {
	*Corrected
	chain.Waveform
}

// Take implements [chain.Chain]. It allocates nothing.
func (c *Corrected) Take(at time.Duration) (value, indicated calib.Value, samples int) {
	value, indicated, samples = c.Chain.Take(at)
	if c.cert == nil {
		return value, indicated, samples
	}
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
