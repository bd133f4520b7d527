package chain

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/gauge"
)

// recorded hands on values that were converted and filtered when they were
// measured: the last of each interval, with the uncertainty that it came with.
type recorded struct {
	in      Input
	limit   time.Duration
	last    calib.Value
	at      time.Duration
	begun   bool
	samples int
}

// Push implements [Chain]. aux is the standard uncertainty.
func (c *recorded) Push(at time.Duration, raw, aux float64, q calib.Quality) {
	c.begun, c.at = true, at
	if q&calib.Invalid != 0 || math.IsNaN(raw) {
		c.last = none(q | calib.NoReading)
		return
	}
	c.samples++
	c.last = calib.Value{X: c.in.Scale * (raw + c.in.Offset), U: c.in.AuxScale * aux, Q: q}
}

// Take implements [Chain].
func (c *recorded) Take(at time.Duration) (value, indicated calib.Value, samples int) {
	n := c.samples
	c.samples = 0
	if !c.begun || at-c.at > c.limit {
		return none(calib.NoReading), none(calib.NoReading), n
	}
	return c.last, c.last, n
}

// SetGas implements [Chain]: the value is corrected already.
func (c *recorded) SetGas(gauge.Gas) {}
