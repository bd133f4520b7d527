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
	WarnAhead = 9 * time.Second
	// warnUntil is where Near goes off again.
	warnUntil = 15 * time.Second
	// Horizon is how far ahead State.Ahead lies.
	Horizon = 30 * time.Second
	// clearly is by how much State.Ahead has to be over the ceiling for Near, °C,
	// and unasked the time to the ceiling at which it is not asked.
	clearly = 3.0
	unasked = 6 * time.Second
	// margin is how much of the reading's standard uncertainty counts against the
	// glass: where it is known badly the warning comes earlier.
	margin = 0.5
	// slowest is the rate below which the glass is taken to stand, °C/s.
	slowest = 0.05
)

// State is what is foreseen. Known is false until there are some seconds of
// glass temperature, and if there is no ceiling.
type State struct {
	Known    bool
	Approach bool          // the ceiling will be reached within a minute
	Near     bool          // within WarnAhead: what the alarm follows
	In       time.Duration // until the reading and half its uncertainty are at the ceiling; only if Approach
	Rate     float64       // °C/s now
	Ahead    float64       // glass temperature Horizon from now, °C; NaN if not known
	AheadU   float64       // its standard uncertainty, °C
	Seating  Seating       // of the thermocouple, by the heat balance; also if not Known
	// Shells is how much of the shells' work is done, %, by current and pressure
	// alone, and ShellsU its standard uncertainty; GlassDone how far the glass is
	// from the room to its target, %. NaN if not known; also if not Known.
	Shells, ShellsU, GlassDone float64
	// GlassIn and ShellsIn are when the glass will be at its target and the shells
	// done if nothing changes, s, and First which of them first. +Inf: never; NaN if
	// not known.
	GlassIn, ShellsIn float64
	First             First
}

// Foresight tells when the glass will reach its ceiling if nothing changes. It
// takes the present rate from the heat balance, fitted live ([balance]), and lets it
// fall as the glass loses heat and as the pressure falls. Without pressure or
// current, and in the first seconds of an arc, it takes the rate from two straight
// fits of different memory, and the decay from the law for a bare tube of this size
// in still air, or faster if the glass is seen to level off. One goroutine uses it.
// Step allocates nothing.
type Foresight struct {
	ceiling, cooling float64
	air              air
	fast, slow       slope
	balance          balance
	state            State
	seat             seat
	shells           shellTrack
	target           float64
}

// nothing is the state before there is anything to foresee from.
var nothing = State{Ahead: math.NaN(), AheadU: math.NaN(), GlassIn: math.NaN(), ShellsIn: math.NaN()}

// NewForesight makes one for an envelope.
func NewForesight(env *Envelope) *Foresight {
	f := &Foresight{ceiling: env.Ceiling(), cooling: env.cooling, air: env.air, fast: slope{tau: 1.2}, slow: slope{tau: 3}, balance: newBalance(1.2, env), state: nothing, seat: newSeat(env),
		shells: newShellTrack(env), target: math.NaN()}
	f.expect(env.Bench.Heating)
	if l, ok := env.Limit(GlassTarget); ok && l.Low == l.Low {
		f.target = l.Low
	}
	return f
}

// State is what is foreseen after the last Step.
func (f *Foresight) State() State { return f.state }

// Step takes one frame and the uncertainties of its values.
func (f *Foresight) Step(o phase.Observation, u Uncertainties) {
	f.seat.step(o, f.decay(o.Glass), f.cooling)
	f.foresee(o, u)
	f.shells.step(o)
	f.foreseeFirst(o)
	f.state.Seating = f.seat.state
	f.state.Shells, f.state.ShellsU = f.shells.done()
	f.state.GlassDone = 100 * min(1, max(0, (o.Glass-roomGuess)/(f.target-roomGuess)))
}

// decay is that of the glass's rate at a temperature, 1/s.
func (f *Foresight) decay(celsius float64) float64 {
	if f.ceiling != f.ceiling {
		return f.cooling
	}
	return f.cooling * f.air.decay(celsius) / f.air.decay(f.ceiling)
}

func (f *Foresight) foresee(o phase.Observation, u Uncertainties) {
	if o.Glass != o.Glass {
		if f.fast.n > 0 && o.At-f.fast.last > gap {
			f.state = nothing
		}
		return
	}
	f.fast.add(o.At, o.Glass)
	f.slow.add(o.At, o.Glass)
	if f.ceiling != f.ceiling || !f.fast.ready() {
		f.state = nothing
		f.state.Known = f.ceiling == f.ceiling && o.Glass >= f.ceiling
		if f.state.Known {
			f.state.Approach, f.state.Near = true, true
		}
		return
	}
	rate, k, level := f.now()
	seen, _, end := f.fast.fit()
	if r, d, ok := f.balance.step(o, seen, end); ok {
		// The line's end lies τ² times the bend from the curve's.
		bend := (r - seen) / (2 * f.fast.tau)
		rate, k, level = r, d, end+f.fast.tau*f.fast.tau*max(-1, min(1, bend))
	}
	s := State{Known: true, Rate: rate}
	s.Ahead, s.AheadU = f.predict(orZero(u.Glass))
	ceiling := f.ceiling - margin*orZero(u.Glass)
	in := ahead(ceiling-level, rate, k)
	if in <= approachWithin.Seconds() {
		s.Approach, s.In = true, time.Duration(in*float64(time.Second))
	}
	// A quick fit's scatter alone shall not warn: the calmer prediction has to go
	// over as well, unless there is hardly time to ask.
	sure := s.Ahead > ceiling+clearly || s.In <= unasked
	s.Near = s.Approach && (s.In <= WarnAhead && sure || f.state.Near && s.In <= warnUntil)
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

const (
	// roomGuess stands for the room's temperature, °C: it only scales what the
	// sensor's uncertainty and the loss grow by.
	roomGuess = 22.0
	// decayDoubt is the relative standard uncertainty of the decay that a bare
	// tube has: handbook's 6 to 12 W/(m² K), air next to a bench or a wall, and
	// walls 10 % thicker or thinner than the card says.
	decayDoubt = 0.35
	// steadyDoubt is by how much the heat that the glass gets wanders while the
	// operator holds current and pressure as well as one can, as a share.
	steadyDoubt = 0.05
)

// predict is the glass temperature Horizon from now, °C, and its standard
// uncertainty u. The rate r is the mean of the two live fits, each brought from
// the age it stands for to now by the decay k and weighted by its scatter; from
// there T + r (1 − exp(−k t))/k. k is the bare tube's at the present temperature,
// or what the fits show if that bends more (now). The parts of u, added in squares:
// the reading's own uncertainty, grown with the rise above the room; the rate's
// scatter and half of what the fits disagree by; decayDoubt of k; steadyDoubt of
// the heating, which is the rate and what the loss takes off it.
func (f *Foresight) predict(reading float64) (celsius, u float64) {
	t := Horizon.Seconds()
	quick, noise, level := f.fast.fit()
	k := f.cooling * f.air.decay(level) / f.air.decay(f.ceiling)
	r := quick * math.Exp(-2*f.fast.tau*k)
	differ := 0.0
	if f.slow.ready() {
		old, calm, end := f.slow.fit()
		old *= math.Exp(-2 * f.slow.tau * k)
		differ = math.Abs(old - r)
		if differ < 2*math.Hypot(noise, calm)+steadyDoubt*math.Abs(r) {
			// They agree: the longer memory scatters less.
			wq, wo := 1/(noise*noise+1e-6), 1/(calm*calm+1e-6)
			r, noise = (wq*r+wo*old)/(wq+wo), 1/math.Sqrt(wq+wo)
			level = (wq*level + wo*end) / (wq + wo)
		} else {
			r, k, level = f.now()
		}
	}
	gain := t
	if k*t > 1e-6 {
		gain = -math.Expm1(-k*t) / k
	}
	celsius = level + r*gain
	grown := reading * max(1, (celsius-roomGuess)/max(30, level-roomGuess))
	// d(gain)/dk is −t²/2 at small k t; the gain's own fall bounds it at large.
	byDecay := r * gain * gain / 2 * decayDoubt * k
	u = math.Hypot(grown, gain*math.Hypot(noise, differ/2))
	return celsius, math.Hypot(u, math.Hypot(byDecay, steadyDoubt*gain*(math.Abs(r)+k*math.Abs(level-roomGuess))))
}
