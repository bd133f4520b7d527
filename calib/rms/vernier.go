package rms

import (
	"math"
	"time"
)

// A jump is where a segment began: the samples on both sides of the crossing and
// the one after, and what of the crossing's interval the segment took.
type jump struct {
	t0, t1, t2 float64 // ns since the meter's first sample
	x0, x1, x2 float64
	t, s1, s2  float64 // head of the segment: from the crossing to t1, about its level
	begun      bool    // the segment began at a crossing
}

// second keeps the second sample of a segment.
func (s *segment) second(at time.Duration, x float64) {
	s.jump.t2, s.jump.x2 = float64(at), x
}

// fineEnough is the samples to a half cycle from which edges are placed. With
// fewer, what comes after the edge is too coarse to tell an edge from a curve.
const fineEnough = 30

// leastPlace is the least half-width, in sample intervals, to which a place is
// believed: a thyristor does not fire more regularly.
const leastPlace = 0.02

// wander is how fast the mains' frequency may change, a share of it per second: 2
// mHz/s at 50 Hz, more than a large grid does but for moments (from memory). The gaps of edges long ago are widened by it.
const wander = 4e-5

// jitter is the half-width, in sample intervals, to which a line is believed that
// the edges before the window do not confirm: a few edges that jitter lie on a line
// by chance.
const jitter = 0.3

// seg is the i-th last segment, the open one being 0.
func (m *Meter) seg(i uint64) *segment { return &m.segs[(m.count-i)%ring] }

// refine places the edges of r's window, the last n half cycles, and puts their
// true share of ∫y² in the place of the trapezoid's; see the package's "Edges".
func (m *Meter) refine(r *Reading, n uint64) {
	t := 0.0
	for i := range n {
		t += m.at(i).t
	}
	step := float64(r.Interval)
	if !(step > 0) || t/float64(n)/step < fineEnough || !(r.RMS > 0) || n%2 != 0 {
		return
	}
	omega := math.Pi * float64(n) / t
	for i := uint64(1); i <= n; i++ {
		if !m.seg(i).sudden(omega, r.Mean) {
			return
		}
	}
	if !m.seg(0).jump.begun {
		return
	}
	// One line for all edges, if both polarities fire alike, else one for each.
	var both line
	var each [2]line
	lines := [2]*line{&both, &both}
	found, all := both.find(m, 0, 1, n, t/float64(n), step)
	if !all {
		odd, _ := each[0].find(m, 0, 2, n, 2*t/float64(n), step)
		even, _ := each[1].find(m, 1, 2, n, 2*t/float64(n), step)
		if odd && even {
			lines = [2]*line{&each[0], &each[1]}
		} else if !found {
			return
		}
	}
	// The sums of whole segments run from the crossing of the oldest to the
	// open one's; each jump's interval is taken out and put in again.
	second, u := 0.0, 0.0
	var squares [2]float64
	for i := uint64(0); i <= n; i++ {
		s := m.seg(i)
		j := &s.jump
		at := lines[i%2].at(i)
		at = math.Min(math.Max(at, j.t0), j.t1)
		y0, y1 := j.x0-r.Mean, j.x1-r.Mean
		e := s.level - r.Mean
		head := j.s2 + 2*e*j.s1 + e*e*j.t
		trapezoid := 0.5 * (j.t1 - j.t0) * (y0*y0 + y1*y1)
		before, after := y0*y0*(at-j.t0), 0.0
		if i > 0 {
			after = j.after(at, omega, r.Mean)
		}
		switch i {
		case 0:
			second += before - (trapezoid - head)
			continue // its share of u moves with the first's
		case n:
			second += after - head
		default:
			second += before + after - trapezoid
		}
		y := j.sine(at, omega, r.Mean)
		squares[i%2] += y*y - y0*y0
	}
	for p, l := range lines { // both polarities may be off alike
		u += squares[p] * math.Max(l.half, leastPlace*step) / math.Sqrt(3)
	}
	span := lines[0].at(0) - lines[0].at(n)
	ms := (r.RMS*r.RMS*t + second) / span
	if !(ms > 0) {
		return
	}
	r.RMS = math.Sqrt(ms)
	// The window's length is known to the slope.
	ends := 0.5 * r.RMS * lines[0].slopeHalf / lines[0].period / math.Sqrt(3)
	r.Alias = math.Hypot(u/(2*span*r.RMS), ends)
	r.Frequency = float64(n) / 2 / (span * 1e-9)
}

// sine is y at time t by the sine of ω through the two samples after the jump.
func (j *jump) sine(t, omega, mean float64) float64 {
	return ((j.x1-mean)*math.Sin(omega*(j.t2-t)) + (j.x2-mean)*math.Sin(omega*(t-j.t1))) / math.Sin(omega*(j.t2-j.t1))
}

// after is ∫y² from the jump at t to t1, by Simpson's rule on the sine, and what
// the trapezoids that begin at t1 lack: d²/12 of the slope of y² there, the first
// term of Euler and Maclaurin.
func (j *jump) after(t, omega, mean float64) float64 {
	a, b, c := j.sine(t, omega, mean), j.sine(0.5*(t+j.t1), omega, mean), j.x1-mean
	d := j.t2 - j.t1
	slope := omega * (j.x2 - mean - c*math.Cos(omega*d)) / math.Sin(omega*d)
	return (j.t1-t)/6*(a*a+4*b*b+c*c) + d*d/12*2*c*slope
}

// sudden tells whether the segment began with a jump: gone back to t0, the sine
// after it does not lead to the sample there by far.
func (s *segment) sudden(omega, mean float64) bool {
	j := &s.jump
	if !j.begun || !(j.t2 > j.t1) {
		return false
	}
	y1, y2 := j.x1-mean, j.x2-mean
	if !(y2/y1 > 0.3) { // no sine to go by
		return false
	}
	return (j.sine(j.t0, omega, mean)-j.x0+mean)/(j.x1-j.x0) > 0.7
}

// line is the times of edges that recur at one distance: at(i) is that of the
// start of the i-th last segment. All that is known of each edge is the two samples
// between which it lies; the lines through all of those gaps are known exactly, and
// with them the extremes of where the edges of the window lie.
type line struct {
	stride             uint64 // 1: every edge; 2: those of one polarity
	first, period, mid float64
	shift, slope       float64 // what was found, ns and ns/period about mid
	half, slopeHalf    float64 // half-widths of what is possible
	n                  int
	k, lo, hi          [ring]float64
}

func (l *line) at(i uint64) float64 {
	k := l.mid - float64(i/l.stride)
	return l.first + l.period*k + l.shift + l.slope*k
}

// find uses as many edges before the window's as lie on one line with them; all
// tells that none had to be left out.
func (l *line) find(m *Meter, from, stride, n uint64, period, step float64) (found, all bool) {
	last := from
	for i := from + stride; i < min(m.count, ring); i += stride {
		if s := m.seg(i); !s.jump.begun || s.hole {
			break
		}
		last = i
	}
	window := n - from
	if last < window {
		return false, false
	}
	l.stride, l.period = stride, period
	l.mid = float64(from/stride+window/stride) / 2
	s := m.seg(from)
	l.first = 0.5*(s.jump.t0+s.jump.t1) - period*(l.mid-float64(from/stride))
	l.n = 0
	for i := from; i <= last; i += stride {
		j := &m.seg(i).jump
		k := l.mid - float64(i/stride)
		base := l.first + period*k
		bend := 0.5 * wander * 1e-9 * period * period * k * k
		l.k[l.n], l.lo[l.n], l.hi[l.n] = k, j.t0-base-bend, j.t1-base+bend
		l.n++
	}
	// The mains' frequency drifts: no further back than places need.
	whole, least := l.n, int((window-from)/stride)+1
	for l.n = least; ; l.n = min(whole, 2*l.n) {
		was := *l
		if !l.solve(3 * step / float64(least)) { // the period is known to a step in the window
			if found {
				*l = was
				l.half = math.Max(l.half, jitter*step)
			}
			return found, false
		}
		found = true
		if l.n == whole || l.n > least && l.half <= leastPlace*step {
			if l.n == least {
				l.half = math.Max(l.half, jitter*step)
			}
			return true, true
		}
	}
}

// gap is the least and largest shift that lines of a slope may have, and the
// cycles at which they are bound.
func (l *line) gap(slope float64) (low, high, kLow, kHigh float64) {
	low, high = math.Inf(-1), math.Inf(1)
	for i, k := range l.k[:l.n] {
		if v := l.lo[i] - k*slope; v > low {
			low, kLow = v, k
		}
		if v := l.hi[i] - k*slope; v < high {
			high, kHigh = v, k
		}
	}
	return low, high, kLow, kHigh
}

// The bounds whose tops and edges are looked for: functions of the slope that are
// concave and made of straight pieces.
const (
	room = iota // by how much the gap is open, negative if it is shut
	high        // the largest shift
	low         // the least, turned over
)

// bound is a bound's value at a slope, and how it changes with the slope.
func (l *line) bound(which int, slope float64) (v, per float64) {
	lo, hi, kLow, kHigh := l.gap(slope)
	switch which {
	case high:
		return hi, -kHigh
	case low:
		return -lo, kLow
	}
	return hi - lo, kLow - kHigh
}

// solve finds the extremes of shift and slope, of which |slope| ≤ most; false if
// no line goes through all gaps.
func (l *line) solve(most float64) bool {
	best, open := l.top(-most, most, room)
	if open < 0 {
		return false
	}
	left, right := l.edge(-most), l.edge(most)
	if best < left || best > right { // rounding, where the gap is all but shut
		left, right = best, best
	}
	_, most = l.top(left, right, high)
	_, least := l.top(left, right, low)
	l.shift, l.half = 0.5*(most-least), 0.5*math.Max(0, most+least)
	l.slope, l.slopeHalf = 0.5*(left+right), 0.5*(right-left)
	return true
}

// steps is more than the searches take: each ends a straight piece. exact is
// where they stop, in ns.
const (
	steps = 30
	exact = 0.1
)

// top is where a bound is largest between a and b, and its value there. The next
// try is where the tangents on both sides meet.
func (l *line) top(a, b float64, which int) (x, v float64) {
	va, sa := l.bound(which, a)
	vb, sb := l.bound(which, b)
	for range steps {
		if sa <= 0 {
			return a, va
		}
		if sb >= 0 {
			return b, vb
		}
		x = (vb - va + sa*a - sb*b) / (sa - sb)
		v, s := l.bound(which, x)
		if va+sa*(x-a)-v < exact {
			return x, v
		}
		if s > 0 {
			a, va, sa = x, v, s
		} else {
			b, vb, sb = x, v, s
		}
	}
	if va > vb {
		return a, va
	}
	return b, vb
}

// edge is where the gap opens, coming from x, where it is shut; Newton's steps
// do not pass it.
func (l *line) edge(x float64) float64 {
	for range steps {
		v, s := l.bound(room, x)
		if v >= -exact || s == 0 {
			return x
		}
		x -= v / s
	}
	return x
}
