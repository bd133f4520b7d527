package envelope

import (
	"math"
	"time"
)

// slope fits a straight line to the last readings, each weighted by
// exp(−age/tau), in constant time and memory. It takes readings at any spacing.
// Of a curve it gives the slope at an age of 2·tau.
type slope struct {
	tau float64 // s

	last, first         time.Duration
	n                   int
	w, t, tt, y, ty, yy float64 // weighted sums; time counts back from the last reading
}

// gap is the hole in the readings after which a fit starts anew.
const gap = 5 * time.Second

func (s *slope) reset() { *s = slope{tau: s.tau} }

// add takes a reading. One that is NaN or not later than the last is left out.
func (s *slope) add(at time.Duration, y float64) {
	if y != y || s.n > 0 && at <= s.last {
		return
	}
	if s.n > 0 && at-s.last > max(gap, time.Duration(2*s.tau*float64(time.Second))) {
		s.reset()
	}
	if s.n == 0 {
		s.first = at
	} else {
		dt := (at - s.last).Seconds()
		k := math.Exp(-dt / s.tau)
		s.ty = k * (s.ty - dt*s.y)
		s.tt = k * (s.tt - 2*dt*s.t + dt*dt*s.w)
		s.t = k * (s.t - dt*s.w)
		s.w *= k
		s.y *= k
		s.yy *= k
	}
	s.w++
	s.y += y
	s.yy += y * y
	s.last = at
	s.n++
}

// span is the time over which readings have come without a hole.
func (s *slope) span() time.Duration { return s.last - s.first }

// ready tells whether there are readings enough for a slope.
func (s *slope) ready() bool {
	return s.n >= 4 && s.span().Seconds() >= 1.5*s.tau
}

// fit gives slope per second, its standard uncertainty by the scatter of the
// readings alone, and the line's value at the last reading.
func (s *slope) fit() (rate, u, level float64) {
	d := s.tt - s.t*s.t/s.w
	if !(d > 0) {
		return math.NaN(), math.NaN(), math.NaN()
	}
	rate = (s.ty - s.t*s.y/s.w) / d
	level = (s.y - rate*s.t) / s.w
	scatter := max(0, (s.yy-level*s.y-rate*s.ty)/s.w)
	// Variance of the slope is scatter/(4 d) for white noise and many
	// readings; twice that, as some degrees of freedom are gone.
	return rate, math.Sqrt(scatter / (2 * d)), level
}

// mean is the weighted mean of the readings.
func (s *slope) mean() float64 { return s.y / s.w }
