package calibrate

import (
	"fmt"
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/unit"
	"tipoff/logger/frame"
)

// State is what the reading does.
type State struct {
	Settled  bool
	Ready    bool   // at rest, and the step may be made
	Why      string // why not settled, or since when it is
	Last     calib.Value
	Raw      float64 // NaN if none
	Mean     float64 // of the newer half of the window
	Scatter  float64 // standard deviation about the straight line
	Slope    float64 // per second
	Readings int
	Window   time.Duration
	// Expect is what the reference must show at this reading, where that can be
	// computed and helps to find a mistake; "" if not.
	Expect string
	unit   unit.Dimension
}

// settling watches a window of readings.
type settling struct {
	role     frame.Role
	window   time.Duration
	at       [1024]time.Duration
	x        [1024]float64
	start, n int
	last     calib.Value
	raw      float64
	since    time.Duration // settled since; -1 not
	// Limits: absolute + fraction of the mean. move is over the window.
	moveAbs, moveFraction       float64
	scatterAbs, scatterFraction float64
}

// init sets the window and limits. They are common practice: short against what
// can be held (the arc burns through its choke for seconds, not minutes), long
// against the sensor's lag.
func (s *settling) init(r frame.Role) {
	s.role = r
	s.last = noReading
	s.raw = math.NaN()
	switch r {
	case frame.Pressure:
		s.window = 15 * time.Second
		s.moveAbs, s.moveFraction = 0.3, 0.01
		s.scatterAbs, s.scatterFraction = 0.5, 0.02
	case frame.Current:
		s.window = 4 * time.Second
		s.moveAbs, s.moveFraction = 1e-3, 0.01
		s.scatterAbs, s.scatterFraction = 2e-3, 0.03
	default:
		s.window = 30 * time.Second
		s.moveAbs, s.scatterAbs = 0.2, 0.5
	}
	s.reset()
}

func (s *settling) reset() { s.start, s.n, s.since = 0, 0, -1 }

// gap is the longest pause between readings that a window bridges.
const gap = 2 * time.Second

func (s *settling) step(at time.Duration, v calib.Value, raw float64) {
	s.last, s.raw = v, raw
	if !v.Good() || math.IsInf(v.X, 0) || v.Q&(calib.Clipped|calib.Spike) != 0 {
		s.reset()
		return
	}
	if s.n > 0 {
		before := s.at[(s.start+s.n-1)%len(s.at)]
		switch {
		case at < before || at-before > gap:
			s.reset()
		case at-before < s.window/time.Duration(len(s.at)-24):
			return // more readings than the window holds; these tell nothing new
		}
	}
	if s.n == len(s.at) {
		s.start, s.n = (s.start+1)%len(s.at), s.n-1
	}
	i := (s.start + s.n) % len(s.at)
	s.at[i], s.x[i] = at, v.X
	s.n++
	for s.n > 0 && at-s.at[s.start] > s.window {
		s.start, s.n = (s.start+1)%len(s.at), s.n-1
	}
	if settled, _, _, _, _ := s.judge(); !settled {
		s.since = -1
	} else if s.since < 0 {
		s.since = at
	}
}

// least is how many readings a window must hold.
const least = 8

func (s *settling) span() time.Duration {
	if s.n == 0 {
		return 0
	}
	return s.at[(s.start+s.n-1)%len(s.at)] - s.at[s.start]
}

// judge fits a straight line to the window.
func (s *settling) judge() (settled bool, mean, slope, scatter float64, full bool) {
	mean, slope, scatter = math.NaN(), math.NaN(), math.NaN()
	if s.n == 0 {
		return false, mean, slope, scatter, false
	}
	n := float64(s.n)
	t0 := s.at[s.start]
	var st, sx float64
	for k := range s.n {
		i := (s.start + k) % len(s.at)
		st += (s.at[i] - t0).Seconds()
		sx += s.x[i]
	}
	mt := st / n
	mean = sx / n
	var stt, stx, sxx float64
	for k := range s.n {
		i := (s.start + k) % len(s.at)
		dt, dx := (s.at[i]-t0).Seconds()-mt, s.x[i]-mean
		stt, stx, sxx = stt+dt*dt, stx+dt*dx, sxx+dx*dx
	}
	if stt == 0 || s.n < 3 {
		return false, mean, slope, scatter, false
	}
	slope = stx / stt
	// What the window began with may still hold the tail of the last change:
	// the reading is the mean of the window's newer half.
	var newer float64
	for k := s.n / 2; k < s.n; k++ {
		newer += s.x[(s.start+k)%len(s.at)]
	}
	mean = newer / float64(s.n-s.n/2)
	scatter = math.Sqrt(math.Max(0, sxx-slope*stx) / (n - 2))
	full = s.n >= least && s.span() >= s.window*9/10
	settled = full &&
		math.Abs(slope)*s.window.Seconds() <= s.moveAbs+s.moveFraction*math.Abs(mean) &&
		scatter <= s.scatterAbs+s.scatterFraction*math.Abs(mean)
	return settled, mean, slope, scatter, full
}

func (s *settling) state() State {
	settled, mean, slope, scatter, full := s.judge()
	value, difference := dimensions(s.role)
	st := State{Settled: settled, Last: s.last, Raw: s.raw, Mean: mean, Slope: slope, Scatter: scatter,
		Readings: s.n, Window: s.window, unit: value}
	move := math.Abs(slope) * s.window.Seconds()
	switch {
	case !s.last.Good():
		st.Why = "no good reading: " + s.last.Q.String()
	case s.n == 0:
		st.Why = "the reading is marked: " + s.last.Q.String()
		if s.last.Q&(calib.Clipped|calib.Spike) == 0 {
			st.Why = "waiting for new readings"
		}
	case !full:
		st.Why = fmt.Sprintf("watching for %.0f of %.0f s", s.span().Seconds(), s.window.Seconds())
	case settled:
		st.Why = fmt.Sprintf("steady for %.0f s", (s.window + s.at[(s.start+s.n-1)%len(s.at)] - s.since).Seconds())
	case move > s.moveAbs+s.moveFraction*math.Abs(mean):
		word := "rises"
		if slope < 0 {
			word = "falls"
		}
		st.Why = fmt.Sprintf("it %s by %s in %.0f s; settled is up to %s", word, show(move, difference), s.window.Seconds(), show(s.moveAbs+s.moveFraction*math.Abs(mean), difference))
	default:
		st.Why = fmt.Sprintf("it scatters by %s; settled is up to %s", show(scatter, difference), show(s.scatterAbs+s.scatterFraction*math.Abs(mean), difference))
	}
	return st
}

// String is the reading and whether it has settled, on one line.
func (s State) String() string {
	word := "not settled"
	switch {
	case s.Settled:
		word = "settled"
	case s.Ready:
		word = "ready"
	}
	now := "no reading"
	if s.Last.Good() {
		now = show(s.Last.X, s.unit)
	}
	expect := ""
	if s.Expect != "" {
		expect = "; " + s.Expect
	}
	return fmt.Sprintf("%s, %s: %s%s", now, word, s.Why, expect)
}
