package envelope

import (
	"math"
	"time"

	"tipoff/logger/phase"
)

const (
	// approachWithin is how far ahead the ceiling is announced.
	approachWithin = time.Minute
	// WarnAhead is how long before the ceiling State.Near comes on. A hand
	// needs 1 to 2 s (trade.md 9), and the glass goes on for a while.
	WarnAhead = 12 * time.Second
	// warnUntil is where Near goes off again.
	warnUntil = 18 * time.Second
	// slowest is the rate below which the glass is taken to stand, °C/s.
	slowest = 0.05
)

// State is what is foreseen. Known is false until there are some seconds of
// glass temperature, and if there is no ceiling.
type State struct {
	Known    bool
	Approach bool          // the ceiling will be reached within a minute
	Near     bool          // within WarnAhead: what the alarm follows
	In       time.Duration // time to the ceiling; only if Approach
	Rate     float64       // °C/s now
}

// Foresight tells when the glass will reach its ceiling if nothing changes. It
// takes the present rate from two straight fits of different memory, and lets
// it fall as the glass loses heat: by the law for a bare tube of this size in
// still air, or faster if the glass is seen to level off. One goroutine uses
// it. Step allocates nothing.
type Foresight struct {
	ceiling, cooling float64
	fast, slow       slope
	state            State
}

// NewForesight makes one for an envelope.
func NewForesight(env *Envelope) *Foresight {
	return &Foresight{ceiling: env.Ceiling(), cooling: env.cooling, fast: slope{tau: 1.2}, slow: slope{tau: 3}}
}

// State is what is foreseen after the last Step.
func (f *Foresight) State() State { return f.state }

// Step takes one frame.
func (f *Foresight) Step(o phase.Observation) {
	if o.Glass != o.Glass {
		if f.fast.n > 0 && o.At-f.fast.last > gap {
			f.state = State{}
		}
		return
	}
	f.fast.add(o.At, o.Glass)
	f.slow.add(o.At, o.Glass)
	if f.ceiling != f.ceiling || !f.fast.ready() {
		f.state = State{Known: f.ceiling == f.ceiling && o.Glass >= f.ceiling}
		if f.state.Known {
			f.state.Approach, f.state.Near = true, true
		}
		return
	}
	rate, k, level := f.now()
	s := State{Known: true, Rate: rate}
	in := ahead(f.ceiling-level, rate, k)
	if in <= approachWithin.Seconds() {
		s.Approach, s.In = true, time.Duration(in*float64(time.Second))
	}
	s.Near = s.Approach && (s.In <= WarnAhead || f.state.Near && s.In <= warnUntil)
	f.state = s
}

// now is rate, decay of the rate (1/s) and temperature at the last reading.
func (f *Foresight) now() (rate, k, level float64) {
	rate, noise, level := f.fast.fit()
	k = f.cooling
	if !f.slow.ready() {
		return rate, k, level
	}
	old, _, _ := f.slow.fit()
	// Each fit gives the slope as it was 2·tau ago.
	bend := (rate - old) / (2 * (f.slow.tau - f.fast.tau))
	if math.Abs(bend) < noise/f.slow.tau {
		return rate, k, level // cannot be told from scatter
	}
	rate += 2 * f.fast.tau * bend
	// The line's end lies τ² times the bend from the curve's.
	level += f.fast.tau * f.fast.tau * bend
	if rate > 0 && bend < 0 {
		k = max(k, min(-bend/rate, 1))
	}
	return rate, k, level
}

// ahead is the time, s, until a temperature that rises at rate, falling off as
// exp(−k t), has gained d; +Inf if it never does.
func ahead(d, rate, k float64) float64 {
	switch {
	case d <= 0:
		return 0
	case rate < slowest:
		return math.Inf(1)
	case k*d/rate >= 1:
		return math.Inf(1)
	case k*d/rate < 1e-6:
		return d / rate
	}
	return -math.Log1p(-k*d/rate) / k
}
