// Package lag corrects the first-order lag of a thermocouple that is seated on
// glass, and finds its time constant from a step or from recorded runs.
//
// # Model
//
// The junction follows the glass under it with one time constant:
//
//	junction' = (wall - junction)/tau
//
// so on a steady ramp it reads rate·tau low: 9 °C at 3 °C/s and 3 s. Turning
// that around with a difference of two samples would multiply their noise by
// about 1.4·tau/interval. [Estimator] is a Kalman filter instead: its states
// are junction, wall and the wall's rate, its measurement is the junction. What
// the rate does is taken as a random walk, about as strong as an arc that is
// struck and put out a few times a minute.
package lag

import (
	"fmt"
	"math"
	"time"
)

// Limits of a time constant; common practice for a thermocouple tied to glass
// is 1.5 to 5 s.
const (
	MinTau = 200 * time.Millisecond
	MaxTau = 30 * time.Second
)

// What glass can do, °C/s. Bombarding heats thin tubes at up to 7 °C/s, and a
// fan cools them at a few; what is faster by far is not glass (a junction that
// slips off or is put on), and the correction stops there.
const (
	fastestRise = 12.0
	fastestFall = -6.0
)

// jumps is the process noise, °C²/s³: the rate changes by about 4 °C/s some
// twice a minute.
const jumps = 0.5

// The filter takes the noise of a reading for at least floor·jumps·dt·tau²,
// also where the reading is quieter. That bounds its speed, and with it the
// noise of the estimate to less than twice that of the reading, whatever that
// is. The law follows from scaling: at a bandwidth w the noise of the estimate
// is that of tau times the junction's rate, with a variance as R·dt·tau²·w³,
// and w to the sixth is as jumps/(R·dt·tau²). The factor is found by trial;
// TestNoise holds it.
const floor = 0.25

// Alert: when the mean of the last few innovations says that the rate has
// jumped (an arc struck or put out), the filter takes the reading at its true
// noise for a while and the rate for unknown. A quiet sensor then tells a jump
// in a few tenths of a second; between jumps nothing is lost of the quiet.
const (
	jump       = 4.0  // °C/s, standard deviation of a jump
	unforeseen = 2.0  // °C/s, a jump that the present rate does not announce
	fresh      = 0.25 // share of a new innovation in the mean
	alertAt    = 5.0  // standard deviations of that mean
	hiddenAt   = 2.0  // standard deviations in which a jump's beginning hides
	curving    = 0.02 // °C by which innovations may be off because glass curves
	alertFor   = 0.8  // time constants until the filter is as slow as before
	wary       = 0.15 // how far on that way it starts, not to jump at one reading
)

// Estimate is the glass as the estimator sees it.
type Estimate struct {
	Wall float64 // °C, at the time of the last reading
	// U is the standard uncertainty of Wall, °C: noise, what the glass may have
	// done since, and the time constant's uncertainty. The systematic
	// uncertainty of the reading itself is not in it.
	U    float64
	Rate float64 // of the wall, °C/s
	// Lag is Wall less the junction's filtered temperature, °C.
	Lag float64
}

// Estimator follows the wall. It is used by one goroutine; make it with [New].
type Estimator struct {
	tau, rel float64 // s; relative standard uncertainty of tau
	maxGap   float64 // s without readings after which nothing is known

	begun   bool
	at      time.Duration
	j, w, r float64
	// Covariance of junction, wall, rate.
	jj, jw, jr, ww, wr, rr float64
	surprise               float64 // mean of innovation² over its variance
	drift                  float64 // mean of the last innovations, °C
	hidden                 float64 // °C of a jump's beginning that may pass for noise
	calm                   float64 // s since the last alert

	// The transition over dt, kept while the interval stays the same.
	dt            time.Duration
	a, b, c, s    float64 // junction = a·junction + b·wall + c·rate; s = dt
	qjj, qjw, qjr float64
	qww, qwr, qrr float64
	least         float64 // least variance of a reading
}

// New makes an estimator for a time constant of [MinTau] to [MaxTau] with the
// standard uncertainty u, at most half of tau.
func New(tau, u time.Duration) (*Estimator, error) {
	if tau < MinTau || tau > MaxTau {
		return nil, fmt.Errorf("lag: time constant %v is not between %v and %v", tau, MinTau, MaxTau)
	}
	if u < 0 || u > tau/2 {
		return nil, fmt.Errorf("lag: uncertainty %v of the time constant %v is not between 0 s and half of it", u, tau)
	}
	return &Estimator{tau: tau.Seconds(), rel: u.Seconds() / tau.Seconds(), maxGap: max(1, 0.5*tau.Seconds())}, nil
}

// begin starts at a reading. Its rate is not known; whatever it was, the wall
// was ahead by rate·tau.
func (e *Estimator) begin(at time.Duration, junction, variance float64) {
	const rate = 2.0 // °C/s, standard deviation of what it may be
	e.begun, e.at = true, at
	e.j, e.w, e.r = junction, junction, 0
	e.rr = rate * rate
	e.wr, e.jr, e.jw = e.tau*e.rr, 0, variance
	e.jj, e.ww = variance, e.tau*e.tau*e.rr+variance
	e.surprise, e.drift, e.hidden, e.calm = 1, 0, 0, wary*alertFor*e.tau
}

// Step takes a reading of the junction, °C, at time at, with the variance of
// its noise, °C² (0 or more). Readings must come in order; one that is not
// later than the last is left out, and so is one that is not finite. After a
// gap of half a time constant, at least 1 s, it starts anew. It allocates
// nothing.
func (e *Estimator) Step(at time.Duration, junction, variance float64) Estimate {
	if !(math.Abs(junction) < 1e6) {
		return e.estimate()
	}
	if !(variance >= 0) || variance > 1e6 {
		variance = 0
	}
	dt := at - e.at
	switch {
	case !e.begun, dt.Seconds() > e.maxGap:
		e.begin(at, junction, variance+1e-6)
		return e.estimate()
	case dt <= 0:
		return e.estimate()
	}
	if dt != e.dt {
		e.interval(dt)
	}
	e.at = at
	e.predict()

	nu := junction - e.j
	e.listen(nu, variance)
	v := variance + 1e-6
	if calm := e.calm / (alertFor * e.tau); calm < 1 {
		v = max(v, e.least*calm*calm)
	} else {
		v = max(v, e.least)
	}
	k := 1 / (e.jj + v)
	// The mean takes about as long as the filter to settle. One wild reading
	// counts as at most 5 standard deviations.
	e.surprise += (min(nu*nu*k, 25) - e.surprise) * min(1, 1.5*e.s/e.tau)
	kj, kw, kr := e.jj*k, e.jw*k, e.jr*k
	e.j += kj * nu
	e.w += kw * nu
	e.r += kr * nu
	e.ww -= kw * e.jw
	e.wr -= kw * e.jr
	e.rr -= kr * e.jr
	e.jj *= 1 - kj
	e.jw *= 1 - kj
	e.jr *= 1 - kj
	return e.estimate()
}

// listen hears from an innovation whether the rate has jumped.
func (e *Estimator) listen(nu, variance float64) {
	e.calm += e.s
	e.drift += (nu - e.drift) * fresh
	// The variance of such a mean of white noise is fresh/(2-fresh) of one's.
	noise := 1.3*variance + curving*curving
	if e.calm < alertFor*e.tau {
		noise += e.jj // still settling: the junction is not known as well
	}
	sigma := math.Sqrt(noise * fresh / (2 - fresh))
	drift := math.Abs(e.drift)
	e.hidden = hiddenAt*sigma + drift
	if drift < alertAt*sigma || e.rr > jump*jump {
		return
	}
	// A jump of the size that jumps have has come so long ago.
	ago := min(max(math.Sqrt(2*e.tau*math.Abs(nu)/jump), e.s), e.tau)
	x := -math.Expm1(-ago / e.tau)
	g := ago - e.tau*x
	const v = jump * jump
	e.jj += v * g * g
	e.jw += v * g * ago
	e.jr += v * g
	e.ww += v * ago * ago
	e.wr += v * ago
	e.rr += v
	e.drift, e.hidden, e.calm = 0, 0, wary*alertFor*e.tau
}

// predict takes state and covariance over one interval.
func (e *Estimator) predict() {
	a, b, c, s := e.a, e.b, e.c, e.s
	e.j = a*e.j + b*e.w + c*e.r
	e.w += s * e.r
	// P = F·P·Fᵀ + Q, with F = [a b c; 0 1 s; 0 0 1].
	fj := a*e.jj + b*e.jw + c*e.jr
	fw := a*e.jw + b*e.ww + c*e.wr
	fr := a*e.jr + b*e.wr + c*e.rr
	gr := e.wr + s*e.rr
	gw := e.ww + s*e.wr
	e.jj = a*fj + b*fw + c*fr + e.qjj
	e.jw = fw + s*fr + e.qjw
	e.jr = fr + e.qjr
	e.ww = gw + s*gr + e.qww
	e.wr = gr + e.qwr
	e.rr += e.qrr
}

// interval computes the exact transition over dt.
func (e *Estimator) interval(dt time.Duration) {
	t, s := e.tau, dt.Seconds()
	x := s / t
	b := -math.Expm1(-x)
	a := 1 - b
	e.dt, e.s, e.a, e.b = dt, s, a, b
	e.c = s - t*b
	// The rate's noise of density jumps, s before the end of the interval,
	// moves rate by 1, wall by s and junction by g(s) = s - tau·(1-exp(-s/tau)).
	e.qrr = jumps * s
	e.qwr = jumps * s * s / 2
	e.qww = jumps * s * s * s / 3
	if x < 0.05 { // the closed forms below cancel; first terms of their series
		e.qjr = jumps * s * s * x / 6
		e.qjw = jumps * s * s * s * x / 8
		e.qjj = jumps * s * s * s * x * x / 20
	} else {
		first := t*t*b - a*t*s // ∫ s·exp(-s/tau)
		e.qjr = jumps * (s*s/2 - t*s + t*t*b)
		e.qjw = jumps * (s*s*s/3 - t*s*s/2 + t*first)
		d := s - t
		e.qjj = jumps * ((d*d*d+t*t*t)/3 + 2*t*(first-t*t*b) + t*t*t*(1-a*a)/2)
	}
	e.least = floor * jumps * s * t * t
}

func (e *Estimator) estimate() Estimate {
	if !e.begun {
		nan := math.NaN()
		return Estimate{nan, nan, nan, nan}
	}
	lag := e.w - e.j
	limited := min(max(lag, fastestFall*e.tau), fastestRise*e.tau)
	// A jump by r that has moved the junction by d so far, too little to be
	// told, has moved the wall by √(2·tau·d·r): d = r·t²/(2·tau), wall = r·t.
	// When the arc goes out, r is about the present rate. Rectangular.
	r := math.Abs(e.r) + unforeseen
	u2 := e.ww*max(1, e.surprise) + 2*e.tau*e.hidden*r/3
	ut := e.rel * lag // (wall - junction)/tau is the junction's rate: rate·u(tau)
	over := lag - limited
	return Estimate{Wall: e.j + limited, U: math.Sqrt(u2 + ut*ut + over*over), Rate: e.r, Lag: limited}
}
