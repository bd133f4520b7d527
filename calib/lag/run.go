package lag

import (
	"fmt"
	"math"
	"time"
)

// RunSample is one frame of a recorded run.
type RunSample struct {
	At       time.Duration
	Junction float64 // °C, the indicated temperature; NaN if there is none
	Current  float64 // A rms of the bombarder; NaN if there is none
}

// What a transition must look like.
const (
	before      = 12.0 // s of steady arc, or of none, before the switch
	after       = 15.0 // s after it
	lit         = 0.05 // A: above it the arc burns, below a fifth of it there is none
	steadiness  = 0.15 // share by which the current may swing while it burns
	meterFrames = 4    // frames that a current takes at most from one level to the other
	leastChange = 1.0  // °C/s by which the rate must change
)

// Transition is one striking or putting out of the arc, and the time constant
// that followed from it.
type Transition struct {
	At     time.Duration
	Tau, U float64 // s
	Timing float64 // s, the part of U that comes from when the switching was
	Change float64 // of the wall's rate, °C/s
}

// FromRun finds the time constant from run data. When the current is switched
// the wall's rate changes at once, at a time that is known; the junction's rate
// follows with the time constant. With the wall linear and bending evenly on
// either side, the junction is, x seconds after the switch,
//
//	a + b·x + c·x² + d·h(x) + e·k(x)
//	h = x - tau·(1-exp(-x/tau)),  k = x² - 2·tau·h
//
// (h and k only for x > 0), which is fitted to 12 s before and 15 s after. Only
// switchings with a steady current, or none, on either side count, and a change
// of rate of at least 1 °C/s. Several are combined by their uncertainties; if
// they scatter more than these explain, so does the result. Seating does not
// matter. samples are in order of time.
//
// It returns the time constant and its standard uncertainty in seconds, and
// what each transition gave.
func FromRun(samples []RunSample) (tau, u float64, each []Transition, err error) {
	for i := 1; i < len(samples); i++ {
		if samples[i].At <= samples[i-1].At {
			return 0, 0, nil, fmt.Errorf("time constant from a run: %w: frame %d is not later than the one before", ErrInput, i+1)
		}
	}
	var why error
	seen := 0
	for i := 1; i < len(samples); i++ {
		on, off := samples[i-1].Current > lit, samples[i].Current > lit
		if on == off || samples[i-1].Current != samples[i-1].Current || samples[i].Current != samples[i].Current {
			continue
		}
		seen++
		t, err := transition(samples, i)
		if err != nil {
			why = err
			continue
		}
		each = append(each, t)
	}
	switch {
	case seen == 0:
		return 0, 0, nil, fmt.Errorf("time constant from a run: %w: the current was never switched", ErrTransitions)
	case len(each) == 0:
		return 0, 0, nil, fmt.Errorf("time constant from a run: %w among %d; the last one: %w", ErrTransitions, seen, why)
	}
	// What the frames say about when the current was switched may be off the
	// same way each time, so that part is not reduced by the number.
	var sum, weights, timing float64
	for _, t := range each {
		sum += t.Tau / (t.U * t.U)
		weights += 1 / (t.U * t.U)
		timing += t.Timing / float64(len(each))
	}
	tau, u = sum/weights, 1/math.Sqrt(weights)
	if n := len(each); n > 1 {
		chi := 0.0
		for _, t := range each {
			chi += (t.Tau - tau) * (t.Tau - tau) / (t.U * t.U)
		}
		u *= math.Sqrt(max(1, chi/float64(n-1)))
	}
	u = math.Hypot(u, timing)
	if u > 0.25*tau {
		return 0, 0, each, fmt.Errorf("time constant from a run: %w: %d gave %.1f s with an uncertainty of %.1f s", ErrScatter, len(each), tau, u)
	}
	return tau, u, each, nil
}

// onset is the first sample that shows the switching which samples i-1 and i
// have between them. An RMS value is a mean over some cycles and takes a few
// samples from one level to the other.
func onset(samples []RunSample, i int) int {
	low := max(0, i-meterFrames)
	level := samples[low].Current
	for k := low + 1; k < i; k++ {
		if math.Abs(samples[k].Current-level) > max(lit/5, 0.1*level) {
			return k
		}
	}
	return i
}

// transition fits the switching whose current passes the threshold between
// samples i-1 and i.
func transition(samples []RunSample, i int) (Transition, error) {
	settled := i + meterFrames
	i = onset(samples, i)
	at := samples[i-1].At + (samples[i].At-samples[i-1].At)/2
	first, last := i, i
	for first > 0 && (at-samples[first-1].At).Seconds() <= before {
		first--
	}
	for last < len(samples) && (samples[last].At-at).Seconds() <= after {
		last++
	}
	refuse := func(format string, args ...any) (Transition, error) {
		return Transition{}, fmt.Errorf("at %.1f s "+format, append([]any{at.Seconds()}, args...)...)
	}
	if (at-samples[first].At).Seconds() < 0.8*before || (samples[last-1].At-at).Seconds() < 0.8*after {
		return refuse("there are less than %.0f s before or %.0f s after it", before, after)
	}
	if settled >= last || !steady(samples[first:i]) || !steady(samples[settled:last]) {
		return refuse("the current was not steady")
	}
	var t, y []float64
	for _, s := range samples[first:last] {
		if s.Junction == s.Junction {
			t, y = append(t, (s.At-at).Seconds()), append(y, s.Junction)
		}
	}
	if len(t) < (last-first)*9/10 || len(t) < 40 {
		return refuse("there are only %d readings of the glass", len(t))
	}
	f := fit(t, y, switched(0), 5)
	if err := f.inRange(); err != nil {
		return refuse("%w", err)
	}
	if math.Abs(f.coef[3]) < leastChange {
		return refuse("the rate changed by %.1f °C/s, at least %.0f °C/s are needed", math.Abs(f.coef[3]), leastChange)
	}
	if f.rms > 0.1*math.Abs(f.coef[3])*f.tau {
		return refuse("%w: it is off by %.1f °C rms", ErrShape, f.rms)
	}
	// Current and temperature of a frame are means over it and samples in it:
	// the switching may have been a frame earlier or later.
	frame := (samples[i].At - samples[i-1].At).Seconds()
	early, late := fit(t, y, switched(-frame), 5), fit(t, y, switched(frame), 5)
	timing := math.Abs(early.tau-late.tau) / math.Sqrt(12)
	u := math.Hypot(f.u, timing)
	if u > 0.5*f.tau {
		return refuse("%w: %.1f s with an uncertainty of %.1f s", ErrShape, f.tau, u)
	}
	return Transition{At: at, Tau: f.tau, U: u, Timing: timing, Change: f.coef[3]}, nil
}

// switched is the model of a junction on a wall whose rate changes at time at.
func switched(at float64) basis {
	return func(tau, t float64, row []float64) {
		t -= at
		row[0], row[1], row[2], row[3], row[4] = 1, t, t*t, 0, 0
		if t > 0 {
			h := t + tau*math.Expm1(-t/tau)
			row[3], row[4] = h, t*t-2*tau*h
		}
	}
}

// steady tells whether the arc burns evenly, or not at all, over all of s.
func steady(s []RunSample) bool {
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range s {
		if x.Current != x.Current {
			return false
		}
		low, high = min(low, x.Current), max(high, x.Current)
	}
	return len(s) > 0 && (high < lit/5 || low > lit && high-low <= steadiness*high)
}
