package chain

import (
	"fmt"
	"math"
	"time"

	"tipoff/calib/lag"
)

// Lagged is what the [Chain] of a thermocouple chip implements too: its time
// constant can be replaced by one that was found at the bench.
type Lagged interface {
	// SetLag corrects for the time constant tau from now on; u is the standard
	// uncertainty with which it was found. To it is added, as from one tie to the
	// next, Params.LagAccuracy or 10 %. With 0 the calibration's own Lag is back.
	SetLag(tau, u time.Duration) error
	// TimeConstant is the one that is corrected for, 0 if there is none.
	TimeConstant() time.Duration
}

// SetLag implements [Lagged].
func (c *thermo) SetLag(tau, u time.Duration) error {
	tie := c.spec.LagAccuracy
	if tie == 0 {
		tie = usualLagAccuracy
	}
	share := tie
	if tau == 0 {
		tau = c.spec.Lag
	} else {
		share = math.Min(0.5, math.Hypot(tie, u.Seconds()/tau.Seconds()))
	}
	if tau == c.tau && share == c.tauShare {
		return nil
	}
	if tau == 0 {
		c.lag, c.tau, c.tauShare = nil, 0, share
		return nil
	}
	e, err := lag.New(tau, time.Duration(share*float64(tau)))
	if err != nil {
		return fmt.Errorf("setting the time constant: %w", err)
	}
	c.lag, c.tau, c.tauShare = e, tau, share
	return nil
}

// TimeConstant implements [Lagged].
func (c *thermo) TimeConstant() time.Duration { return c.tau }
