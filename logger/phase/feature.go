package phase

import (
	"math"

	"tipoff/logger/frame"
)

// feature is what the model looks at. NaN where there is nothing to see.
type feature struct {
	at, dt float64      // s; dt is how much time the observation speaks for
	lp     float64      // ln of pressure in Pa
	raw    float64      // only looking both ways: as read
	calm   float64      // the same, smoother
	noise  float64      // mean departure of single readings of ln p
	slope  float64      // d ln p/dt, 1/s, over about a second
	trend  float64      // the same over about ten seconds
	rise   float64      // only live: significance of a rise off the line on which ln p fell or stood
	warm   float64      // only live: the same of a warming in a fill
	ago    float64      // only live: how long it had been going on when it was first seen, s
	blind  bool         // only live: the gauge stands still whatever the arc does
	out    float64      // only live: s since the arc went out; 0 while it burns or before any
	fell   float64      // only live: by how much ln p has changed since the gas of the arc had cooled
	jump   float64      // only live: by how much ln p has jumped off a level on which it stood; 0: has not
	over   float64      // only live: s for which the glass has been above PreheatEnd
	t      float64      // glass, °C
	tSlope float64      // K/s
	i      float64      // A
	mean   float64      // A, the same over about a second
	k      frame.Switch // the contactor's contact
	cock   frame.Switch // the main stopcock's, on: shut; unknown where it is not to be believed
	torch  frame.Switch // the torch's, on once it has been taken up
	taken  float64      // s, when the torch was taken up
	arcOn  float64      // price of saying that the arc burns, nats/s
	arcOff float64      // price of saying that it does not
	ageing float64      // price of saying that a sealed tube runs on its own supply
}

const arcPrice = 8

// judge fills in the prices of the arc from current, or from the glass
// where there is no current channel.
func (f *feature) judge(o *Options) {
	if f.i == f.i {
		if f.i > o.Arc {
			f.arcOn, f.arcOff = 0, arcPrice
		} else {
			f.arcOn, f.arcOff = arcPrice, 0
		}
		f.ageing = over(f.i, o.AgeMax, 0.05, 6) + under(f.i, o.Arc/2, 0.002, 6)
		return
	}
	if f.k == frame.SwitchOff {
		f.arcOn, f.arcOff, f.ageing = arcPrice, 0, 2 // a tube's own supply has no contactor
		return
	}
	f.arcOn = under(f.tSlope, -0.1, 0.25, 3) + under(f.t, 30, 4, 1)
	f.arcOff = over(f.tSlope, 0.3, 0.3, 3)
	if f.t < 150 && f.slope < -0.12 {
		f.arcOff = min(f.arcOff, 0.5) // the thermocouple lags behind, the pressure does not
	}
	// Nobody pumps fast on an arc that is to stay, least of all on cool glass.
	if f.t < 150 {
		f.arcOn += under(f.slope, -0.12, 0.06, 4)
	} else {
		f.arcOn += under(f.slope, -0.25, 0.1, 3)
	}
	f.ageing = 2
	if f.k == frame.SwitchOn { // it may not have struck
		f.arcOff += arcPrice / 4
	}
}

// ema is an exponential filter for any spacing of its samples. lag is the
// delay with which it follows a steady ramp, so that the difference of two
// filters gives an unbiased slope even when the spacing exceeds the time
// constant.
type ema struct{ y, lag float64 }

func (e *ema) step(x, dt, tau float64) {
	if e.y != e.y {
		e.y, e.lag = x, 0
		return
	}
	k := math.Exp(-dt / tau)
	e.y = x + (e.y-x)*k
	e.lag = (e.lag + dt) * k
}

// follower filters one channel causally: spikes of a single sample are
// dropped by a median of three, then two filters give value and slope.
type follower struct {
	last       [3]float64
	n          int
	at         float64 // s of the last usable sample
	fast, slow ema
	long       ema
	noise      float64 // mean departure of single readings
}

func newFollower() follower {
	n := math.NaN()
	return follower{fast: ema{y: n}, slow: ema{y: n}, long: ema{y: n}, at: math.Inf(-1)}
}

// stale is for how long a value is held over a gap, s.
const stale = 3

func (w *follower) step(x, at, tau float64) {
	if x != x {
		return
	}
	dt := at - w.at
	if dt > 30 { // too old to continue from
		*w = newFollower()
	}
	w.at = at
	w.last[0], w.last[1], w.last[2] = w.last[1], w.last[2], x
	w.n++
	v := x
	if w.n >= 3 && dt <= 0.3 {
		a, b := min(w.last[0], w.last[1]), max(w.last[0], w.last[1])
		v = max(a, min(b, x))
	}
	if w.n > 2 {
		w.noise = blend(w.noise, departure(w.last[0], w.last[1], w.last[2]), dt, 5)
	}
	w.fast.step(v, dt, tau/4)
	w.slow.step(v, dt, tau)
	w.long.step(v, dt, 10*tau)
}

// departure is how far single readings stray, from three in a row. Second
// differences see the noise and not the slope; their deviation is √6 that of
// a reading. At most 0.1, lest one spike be remembered for long.
func departure(a, b, c float64) float64 {
	return min(math.Abs(a-2*b+c)/math.Sqrt(6), 0.1)
}

func (w *follower) value(at float64) float64 {
	if at-w.at > stale {
		return math.NaN()
	}
	return w.fast.y
}

func (w *follower) slopes(at float64) (short, long float64) {
	if at-w.at > stale || w.n < 2 {
		return math.NaN(), math.NaN()
	}
	s := func(a, b *ema) float64 {
		if d := b.lag - a.lag; d > 1e-6 {
			return (a.y - b.y) / d
		}
		return 0
	}
	return s(&w.fast, &w.slow), s(&w.fast, &w.long)
}

// lnPressure, glassOf and currentOf pass a reading on as what the model takes,
// NaN if it cannot be true.
func lnPressure(p float64) float64 {
	if !(p > -1e3 && p < 1e6) {
		return math.NaN()
	}
	return math.Log(max(p, 0.05))
}

func glassOf(t float64) float64 {
	if !(t > -60 && t < 1200) {
		return math.NaN()
	}
	return t
}

func currentOf(i float64) float64 {
	if !(i > -1 && i < 100) {
		return math.NaN()
	}
	return i
}
