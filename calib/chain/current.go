package chain

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/gauge"
	"tipoff/calib/rms"
)

// batch is how many samples wait at most for the meter, which is quicker with
// many at once: a frame's worth at 4 kS/s.
const batch = 512

// current is the true RMS of a transformer's secondary current over a burden.
//
// The current transformer's phase error turns the current by a degree or so
// against the mains; nothing here is set against the mains, so an RMS does not
// notice. What error it has in size is in CurrentAccuracy.
type current struct {
	meter         *rms.Meter
	scale, offset float64 // volts = scale·(raw + offset)
	lsb           float64 // V
	rawMin        float64 // rails of raw, if rails
	rawMax        float64
	rails         bool
	amps          float64 // primary A per V at the burden
	acc           Accuracy
	spec          Params
	limit         time.Duration
	known         bool // anything is known about the accuracy

	n    int
	low  float64 // least and largest code of the interval
	high float64
	seen bool
	last time.Duration // of the last good sample
	q    calib.Quality
	bad  calib.Quality

	waiting int // samples in at and volts
	at      [batch]time.Duration
	volts   [batch]float64
}

// Push implements [Chain].
func (c *current) Push(at time.Duration, raw, _ float64, q calib.Quality) {
	if q&calib.Invalid != 0 || raw != raw {
		c.bad |= q & calib.Invalid
		return
	}
	if c.n == 0 {
		c.low, c.high = raw, raw
	}
	c.low, c.high = min(c.low, raw), max(c.high, raw)
	c.n++
	c.seen, c.last = true, at
	c.q |= q
	c.at[c.waiting], c.volts[c.waiting] = at, c.scale*(raw+c.offset)
	c.waiting++
	if c.waiting == batch {
		c.flush()
	}
}

// flush gives the samples that wait to the meter.
func (c *current) flush() {
	c.meter.PushAll(c.at[:c.waiting], c.volts[:c.waiting])
	c.waiting = 0
}

// SetGas implements [Chain]; a current does not see gas.
func (c *current) SetGas(gauge.Gas) {}

// Meter implements [Waveform].
func (c *current) Meter() *rms.Meter {
	c.flush()
	return c.meter
}

// Take implements [Chain].
func (c *current) Take(at time.Duration) (value, indicated calib.Value, samples int) {
	c.flush()
	n, q, bad := c.n, c.q, c.bad
	c.n, c.q, c.bad = 0, 0, 0
	if !c.seen || at-c.last > c.limit || (n == 0 && bad&^calib.NoReading != 0) {
		return none(bad | calib.NoReading), none(bad | calib.NoReading), n
	}
	if q := c.dead(n); q != 0 {
		return none(q), none(q), n
	}
	r, ok := c.meter.RMS200()
	if !ok {
		return none(calib.NoReading), none(calib.NoReading), n
	}
	if r.Clipped {
		q |= calib.Clipped
	}
	if r.Undersampled {
		q |= calib.Undersampled
	}
	if c.meter.OffMains() {
		q |= calib.OffMains
	}
	// A constant offset drops out of the RMS. Non-linearity counts in full, as
	// do one code of rounding and the noise, which add to a small current, and
	// what the waveform may do between the samples.
	uv2 := third*(sq(c.acc.Gain*r.RMS)+sq(c.acc.Reference*r.RMS)+sq(c.acc.Nonlinearity)) + sq(c.lsb)/12
	uv2 += sq(c.noise(r.RMS)) + sq(r.Alias)
	i := r.RMS * c.amps
	// On the secondary side nothing is corrected, so both are the same number;
	// the first counts the transformer's and burden's accuracy too. On the primary
	// side the indicated value is the primary current.
	indicated = calib.Value{X: i, U: math.Sqrt(uv2) * c.amps, Q: q}
	value = c.spec.Amperes(indicated)
	if !c.known {
		value.U, indicated.U = math.NaN(), math.NaN()
	}
	return value, indicated, n
}

// dead finds an interval of one code only that does not lie where the line rests
// without current: the middle of the burden has lost its bias, the data line is
// held, or the converter repeats itself. Only with a known bias can that be told.
func (c *current) dead(n int) calib.Quality {
	if c.spec.Bias == 0 || n < deadSamples || c.low != c.high {
		return 0
	}
	off := c.scale*(c.low+c.offset) - c.spec.Bias
	if math.Abs(off) < 0.1*math.Abs(c.spec.Bias) {
		return 0
	}
	if c.rails && (c.low <= c.rawMin || c.low >= c.rawMax) {
		return calib.SensorFault | calib.Clipped
	}
	return calib.Frozen
}

// deadSamples is how many equal codes in an interval are no chance.
const deadSamples = 20

// noise is by how much the converter's noise may raise an RMS x: √(x²+σ²) - x.
func (c *current) noise(x float64) float64 {
	return math.Hypot(x, c.acc.Noise) - x
}
